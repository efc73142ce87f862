"""For the educator: wash times across a unit, surfaces missed, re-checks, a fair sample."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import streamlit as st

from review.errors import ProtocolError
from review.pages.unit import (
    Link,
    day_words,
    link_to,
    open_page,
    pages_of,
    picture,
    table,
)
from review.pages.washplot import rubbing_plot, says_rubbing, says_surfaces, surface_plot
from review.proportions import FEW, Proportion, median_interval
from review.protocol import load_protocol, shipped_protocols
from review.sessionlist import SORTS, Choice, choose, sort_sessions, to_csv
from review.spotcheck import (
    Band,
    Grouping,
    GroupRow,
    any_surface_missed,
    group,
    long_enough,
    pick_random,
    ready,
    rechecks,
    surfaces_missed,
)
from review.store.records import Outcome, RecordingState, SessionRow
from review.timeline import Surface
from review.wording import SURFACES

GROUPS_A_PAGE = 12
DAY = "YYYY-MM-DD"
SESSIONS_A_PAGE = 25

GROUPINGS: Mapping[str, Grouping] = {"Trainee": "person", "Trainer": "trainer", "Month": "month"}
SORT_WORDS = {
    "taken_on": "Day",
    "person": "Trainee",
    "trainer": "Trainer",
    "wash_rubbing_s": "Rubbing time",
    "surfaces_missed": "Surfaces missed",
    "look_flags": "Flags",
    "open_flags": "Flags not decided",
    "watched": "Times watched",
}
STATES = {
    RecordingState.WAITING: "waiting",
    RecordingState.ANALYSING: "being analysed",
    RecordingState.READY: "ready",
    RecordingState.FAILED: "failed",
    RecordingState.CANCELLED: "cancelled",
}
OUTCOMES = {Outcome.SIGNED_OFF: "signed off", Outcome.PRACTISE_MORE: "practise more"}


def main() -> None:
    """The whole page."""
    store = open_page("Spot check")
    if store is None:
        return
    rows = store.session_rows()
    if not rows:
        st.write("No session yet that may be reviewed. Add one on the page 'Recordings'.")
        return
    chosen = choose(rows, ask_choice(rows))
    bands, untold = bands_of(rows)
    for trouble in untold:
        st.warning(trouble)
    if not chosen:
        st.write("No session fits this choice. Make it wider above.")
        return
    show_summary(chosen, bands)
    wash, surfaces, due, sample, sessions = st.tabs(
        ["Wash time", "Surfaces missed", "Re-checks", "Random sample", "Sessions"]
    )
    with wash:
        show_wash(chosen, bands)
    with surfaces:
        show_surfaces(chosen)
    with due:
        show_rechecks(chosen)
    with sample:
        show_sample(chosen)
    with sessions:
        show_sessions(chosen)


def ask_choice(rows: Sequence[SessionRow]) -> Choice:
    """The filters, in one row."""
    persons = sorted({row.person for row in rows})
    trainers = sorted({row.trainer for row in rows})
    first, last = min(r.taken_on for r in rows), max(r.taken_on for r in rows)
    one, two, three, four = st.columns([3, 3, 2, 2])
    with one:
        chosen = st.multiselect("Trainees", persons, placeholder="All trainees")
    with two:
        taught = st.multiselect("Trainers", trainers, placeholder="All trainers")
    with three:
        since = st.date_input("From", first, min_value=first, max_value=last, format=DAY)
    with four:
        until = st.date_input("To", last, min_value=first, max_value=last, format=DAY)
    only_open = st.checkbox("Only sessions with flags that nobody has decided about")
    return Choice(
        persons=frozenset(chosen),
        trainers=frozenset(taught),
        since=since,
        until=until,
        only_open=only_open,
    )


def bands_of(rows: Sequence[SessionRow]) -> tuple[dict[str, Band], list[str]]:
    """The rubbing time that each protocol asks for, and sentences about what cannot be read.

    A session without a video carries its protocol's own name, others the name of its file.
    """
    own_names = {load_protocol(name).name: name for name in shipped_protocols()}
    bands, untold = {}, []
    for name in sorted({row.protocol for row in rows}):
        try:
            protocol = load_protocol(own_names.get(name, name))
        except ProtocolError as error:
            untold.append(f"{error} Its washes are shown and not judged.")
            continue
        target = protocol.target("wash.rubbing_time")
        if target is not None and target.has_bounds:
            bands[name] = Band(target.at_least, target.at_most, target.source)
    return bands, untold


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
    words = f"{share.met} of {share.n} ({100 * low:.0f} to {100 * high:.0f} %)"
    return words.replace(" ", "\u00a0")


def show_summary(rows: Sequence[SessionRow], bands: Mapping[str, Band]) -> None:
    """The few numbers that matter, as sentences."""
    done = ready(rows)
    enough, missed = long_enough(done, bands), any_surface_missed(done)
    lines = [
        f"**{len(done)} sessions** of {len({row.person for row in done})} trainees"
        + (f", and {len(rows) - len(done)} without an analysis." if len(rows) > len(done) else "."),
        f"Rubbed long enough: **{share_words(enough)}**. Cannot tell: {enough.cannot_tell}.",
        f"At least one hand surface missed: **{share_words(missed)}**. "
        f"Cannot tell: {missed.cannot_tell}.",
    ]
    if enough.small or missed.small:
        lines.append(
            f"These are small numbers (fewer than {FEW}): read the intervals, not the shares."
        )
    st.markdown("  \n".join(lines))


@st.fragment
def show_wash(rows: Sequence[SessionRow], bands: Mapping[str, Band]) -> None:
    """Rubbing time in groups, drawn and as a table."""
    words = st.radio("One line for each", list(GROUPINGS), horizontal=True)
    groups = group(rows, GROUPINGS[words], bands)
    if not groups:
        st.write("None of these sessions has been analysed yet.")
        return
    shown = groups[pages_of(len(groups), GROUPS_A_PAGE, words, "wash-page")]
    used = {bands[row.protocol] for row in rows if row.protocol in bands}
    band = next(iter(used)) if len(used) == 1 else None
    if len(used) > 1:
        st.write("These sessions have different targets, so no band is drawn.")
    picture(rubbing_plot(shown, band), says_rubbing(shown), widest_px=1000)
    table(
        f"Wash by {words.lower()}; in brackets 95 % intervals",
        (words, "Sessions", "Median rubbing", "Long enough", "Cannot tell",
         "With a surface missed", "Flags a session", "Not decided"),
        [_group_cells(row) for row in shown],
        numbers=(1, 4, 6, 7),
    )  # fmt: skip
    for source in sorted({band.source for band in used if band.source}):
        st.markdown(f"Target from: {source}")
    st.markdown(
        "A median has an interval from six sessions on. A trainee's sessions depend on each other, "
        "so intervals over several trainees are too narrow rather than too wide."
    )


def _group_cells(row: GroupRow) -> tuple[str, ...]:
    interval = median_interval(row.rubbing_s)
    middle = "cannot tell" if row.median_s is None else f"{row.median_s:.0f} s"
    if interval is not None:
        middle += f" ({interval[0]:.0f} to {interval[1]:.0f})"
    return (
        row.group,
        str(row.sessions),
        middle,
        short_share(row.long_enough),
        str(row.cannot_tell),
        short_share(row.surfaces_missed),
        f"{row.flags_per_session:.1f}",
        str(row.open_flags),
    )


def show_surfaces(rows: Sequence[SessionRow]) -> None:
    """How often each hand surface was missed."""
    found = surfaces_missed(rows)
    picture(surface_plot(found), says_surfaces(found), widest_px=1000)
    table(
        "Hand surfaces, the one missed most first (left and right are the person's own)",
        ("Surface", "Missed in", "Cannot tell"),
        [
            (SURFACES[row.surface], share_words(row.missed), str(row.missed.cannot_tell))
            for row in found
        ],
        numbers=(2,),
    )


@st.fragment
def show_rechecks(rows: Sequence[SessionRow]) -> None:
    """Who is to be looked at again."""
    ahead = st.number_input("Also those due in the next days", 0, 365, 14, width=300)
    found = rechecks(rows, date.today(), int(ahead))
    table(
        "Due for a re-check, the longest overdue first",
        ("Trainee", "Trainer", "Due on", "When", "Signed session", "Newer session"),
        [
            (
                due.person,
                due.trainer,
                day_words(due.due_on),
                _when(due.days_late),
                Link("open", link_to("review", due.recording_id)),
                "none" if due.newer is None else Link("open", link_to("review", due.newer)),
            )
            for due in found
        ],
        empty="nobody in this time.",
    )


def _when(days_late: int) -> str:
    """How far a day is away, in words.

    >>> _when(3), _when(0), _when(-1)
    ('3 days late', 'today', 'in 1 day')
    """
    if days_late == 0:
        return "today"
    days = f"{abs(days_late)} day{'' if abs(days_late) == 1 else 's'}"
    return f"{days} late" if days_late > 0 else f"in {days}"


@st.fragment
def show_sample(rows: Sequence[SessionRow]) -> None:
    """A fair draw of sessions to watch again."""
    st.write(
        "Chance decides, so that nobody is picked on. Sessions that were watched less come up "
        "more often: never watched counts 1, once 1/2, twice 1/3. The same draw number and "
        "choice give the same sessions."
    )
    left, right, _ = st.columns([1, 1, 2])
    with left:
        count = st.number_input("How many", 1, 50, 5)
    with right:
        draw = st.number_input("Draw number", 1, 10_000, int(date.today().strftime("%j")))
    picked = pick_random(rows, int(count), int(draw))
    _session_table(f"Draw {draw}", picked)


@st.fragment
def show_sessions(rows: Sequence[SessionRow]) -> None:
    """All sessions, page by page, and as a file."""
    left, middle, right = st.columns([2, 2, 2])
    with left:
        by = st.selectbox("Sort by", list(SORTS), format_func=lambda name: SORT_WORDS[name])
    with middle:
        order = st.selectbox("Order", ("Largest or newest first", "Smallest or oldest first"))
    ordered = sort_sessions(rows, by, descending=order.startswith("Largest"))
    with right:
        shown = ordered[pages_of(len(ordered), SESSIONS_A_PAGE, "Sessions", "session-page")]
    _session_table(f"Sessions ({len(rows)} in all)", shown)
    st.download_button(
        "Save these sessions as a table (CSV)",
        lambda: to_csv(ordered),
        file_name="sessions.csv",
        mime="text/csv",
        on_click="ignore",
    )


def _session_table(caption: str, rows: Sequence[SessionRow]) -> None:
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
        Link("open", link_to("review", row.recording_id)) if done else "",
    )


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


if __name__ == "__main__":
    main()
