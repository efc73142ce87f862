"""Tables of sessions, and the sessions behind any number shown."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import streamlit as st

from review.pages.unit import Link, day_words, link_to, pages_of, table
from review.proportions import Proportion
from review.store.records import Outcome, RecordingState, SessionRow
from review.timeline import Surface
from review.wording import SURFACES

BEHIND_A_PAGE = 15
STATES = {
    RecordingState.WAITING: "waiting",
    RecordingState.ANALYSING: "being analysed",
    RecordingState.READY: "ready",
    RecordingState.FAILED: "failed",
    RecordingState.CANCELLED: "cancelled",
}
OUTCOMES = {Outcome.SIGNED_OFF: "signed off", Outcome.PRACTISE_MORE: "practise more"}

Behind = Mapping[str, Callable[[], Iterable[SessionRow]]]
"""By the words of a number, what gives the sessions it rests on."""


def show_behind(key: str, behind: Behind) -> None:
    """A chooser of numbers, and the sessions that the chosen one rests on."""
    if not behind:
        return
    chosen = st.selectbox(
        "Sessions behind a number",
        list(behind),
        index=None,
        placeholder="Choose a number to see its sessions",
        key=f"behind-{key}",
        width=700,
    )
    if chosen is None:
        return
    rows = sorted(behind[chosen](), key=lambda row: (row.taken_on, row.recording_id), reverse=True)
    shown = rows[pages_of(len(rows), BEHIND_A_PAGE, "Sessions", f"behind-{key}-page")]
    session_table(f"{chosen}: {len(rows)} session{'' if len(rows) == 1 else 's'}", shown)


def session_table(caption: str, rows: Sequence[SessionRow]) -> None:
    """Sessions, one a row, each with a link that opens it."""
    table(
        caption,
        ("Day", "Trainee", "Trainer", "Rubbing", "Whole wash", "Surfaces missed", "Flags",
         "Not decided", "Signed", "Watched", "Session"),
        [_session_cells(row) for row in rows],
        numbers=(3, 4, 6, 7, 9),
    )  # fmt: skip


def _session_cells(row: SessionRow) -> tuple[str, ...]:
    done = row.state is RecordingState.READY
    signed = "no" if row.signed_on is None else day_words(row.signed_on)
    if row.outcome is not None:
        signed += f", {OUTCOMES[row.outcome]}"
    return (
        day_words(row.taken_on),
        row.person,
        row.trainer,
        _seconds(row.wash_rubbing_s) if done else STATES[row.state],
        _seconds(row.wash_whole_s) if done else "",
        _missed(row) if done else "",
        str(row.look_flags) if done else "",
        str(row.open_flags) if done else "",
        signed,
        str(row.watched),
        open_link(row.recording_id) if done else "",
    )


def open_link(recording_id: int) -> Link:
    """A cell that opens a session for review."""
    return Link("open", link_to("review", recording_id))


def _seconds(value: float | None) -> str:
    return "cannot tell" if value is None else f"{value:.0f} s"


def _missed(row: SessionRow) -> str:
    """The surfaces missed and how many could not be told."""
    parts = []
    if row.surfaces_missed:
        parts.append(", ".join(SURFACES[Surface(name)].lower() for name in row.surfaces_missed))
    if row.surfaces_unclear:
        parts.append(f"cannot tell: {len(row.surfaces_unclear)}")
    if not parts:
        return "cannot tell" if row.surfaces_rubbed is None else "none"
    return "; ".join(parts)


def share_words(share: Proportion) -> str:
    """A share with its n, its interval and what could not be told.

    >>> share_words(Proportion(7, 50))
    '7 of 50 (14 %; 95 % interval 7 to 26 %)'
    """
    if share.share is None or share.interval is None:
        return "cannot tell" if share.cannot_tell else "none"
    low, high = share.interval
    return (
        f"{share.met} of {share.n} ({100 * share.share:.0f} %; "
        f"95 % interval {100 * low:.0f} to {100 * high:.0f} %)"
    )


def short_share(share: Proportion) -> str:
    """The same for a narrow column whose head says what the interval is.

    >>> short_share(Proportion(7, 50)).replace("\u00a0", " ")
    '7 of 50 (7 to 26 %)'
    """
    if share.interval is None:
        return "cannot tell" if share.cannot_tell else "none"
    low, high = share.interval
    return together(f"{share.met} of {share.n}", f"({100 * low:.0f} to {100 * high:.0f} %)")


def together(*parts: str) -> str:
    """Words for a narrow column that break between the parts only.

    >>> together("7 of 50", "(7 to 26 %)").split(" ")[0].split("\u00a0")
    ['7', 'of', '50']
    """
    return " ".join(part.replace(" ", "\u00a0") for part in parts)


def percent(share: float | None) -> str:
    """A share as a percentage; 'none' where there is none.

    >>> percent(0.137), percent(None)
    ('14 %', 'none')
    """
    return "none" if share is None else f"{100 * share:.0f} %"
