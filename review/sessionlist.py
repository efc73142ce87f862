"""Choosing, ordering and exporting the sessions of a unit."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from review.escaping import csv_cell
from review.store.records import RecordingState, SessionRow


@dataclass(frozen=True, slots=True)
class Choice:
    """Which recordings to look at; an empty choice leaves all of them.

    Attributes:
        persons, trainers, protocols: codes and names; empty for all.
        since, until: first and last day, both included; None for no bound.
        words: every word must be part of the person's, trainer's or protocol's name.
        only_open: only those with flags that nobody decided about.
    """

    persons: frozenset[str] = frozenset()
    trainers: frozenset[str] = frozenset()
    protocols: frozenset[str] = frozenset()
    since: date | None = None
    until: date | None = None
    words: str = ""
    only_open: bool = False


def choose(rows: Iterable[SessionRow], choice: Choice) -> tuple[SessionRow, ...]:
    """The recordings that a choice leaves."""
    words = choice.words.casefold().split()

    def fits(row: SessionRow) -> bool:
        text = f"{row.person} {row.trainer} {row.protocol}".casefold() if words else ""
        return (
            (not choice.persons or row.person in choice.persons)
            and (not choice.trainers or row.trainer in choice.trainers)
            and (not choice.protocols or row.protocol in choice.protocols)
            and (choice.since is None or row.taken_on >= choice.since)
            and (choice.until is None or row.taken_on <= choice.until)
            and (not choice.only_open or row.open_flags > 0)
            and all(word in text for word in words)
        )

    return tuple(row for row in rows if fits(row))


SORTS: Mapping[str, Callable[[SessionRow], float | str | None]] = {
    "taken_on": lambda row: row.taken_on.toordinal(),
    "person": lambda row: row.person,
    "trainer": lambda row: row.trainer,
    "wash_rubbing_s": lambda row: row.wash_rubbing_s,
    "surfaces_missed": lambda row: len(row.surfaces_missed) if row.surfaces_rubbed is not None
    or row.surfaces_missed else None,
    "look_flags": lambda row: row.look_flags,
    "open_flags": lambda row: row.open_flags,
    "watched": lambda row: row.watched,
}  # fmt: skip
"""What sessions can be sorted by."""


def sort_sessions(
    rows: Iterable[SessionRow], by: str, *, descending: bool = False
) -> tuple[SessionRow, ...]:
    """Sessions in order; what could not be told comes last either way; newest first in a tie.

    Raises:
        KeyError: if ``by`` is none of :data:`SORTS`.
    """
    key = SORTS[by]
    newest = sorted(rows, key=lambda row: (row.taken_on, row.recording_id), reverse=True)
    known = [row for row in newest if key(row) is not None]
    unknown = [row for row in newest if key(row) is None]
    return (*sorted(known, key=lambda row: (0, key(row)), reverse=descending), *unknown)


UNKNOWN: Final = "cannot tell"

COLUMNS: tuple[tuple[str, Callable[[SessionRow], object]], ...] = (
    ("recording", lambda row: row.recording_id),
    ("trainee", lambda row: row.person),
    ("trainer", lambda row: row.trainer),
    ("taken_on", lambda row: row.taken_on.isoformat()),
    ("protocol", lambda row: row.protocol),
    ("state", lambda row: row.state.value),
    ("wash_rubbing_s", lambda row: _or_unknown(row, row.wash_rubbing_s)),
    ("wash_whole_s", lambda row: _or_unknown(row, row.wash_whole_s)),
    ("surfaces_rubbed", lambda row: _or_unknown(row, row.surfaces_rubbed)),
    ("surfaces_missed", lambda row: " ".join(row.surfaces_missed)),
    ("surfaces_cannot_tell", lambda row: " ".join(row.surfaces_unclear)),
    ("look_flags", lambda row: row.look_flags),
    ("open_flags", lambda row: row.open_flags),
    ("agreed_flags", lambda row: row.agreed_flags),
    ("signed_on", lambda row: row.signed_on.isoformat() if row.signed_on else ""),
    ("outcome", lambda row: row.outcome.value if row.outcome else ""),
    ("recheck_on", lambda row: row.recheck_on.isoformat() if row.recheck_on else ""),
    ("watched", lambda row: row.watched),
)


def _or_unknown(row: SessionRow, value: float | None) -> object:
    """A number, 'cannot tell' where an analysis could not give it, empty before there is one."""
    if row.state is not RecordingState.READY:
        return ""
    return UNKNOWN if value is None else round(value, 1)


def to_csv(rows: Iterable[SessionRow]) -> bytes:
    """The sessions as CSV, UTF-8 with a byte order mark so that spreadsheets read it as such.

    Text that a spreadsheet would take for a formula gets an apostrophe before it
    (see :func:`review.escaping.csv_cell`).
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n", quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow([name for name, _ in COLUMNS])
    for row in rows:
        writer.writerow([csv_cell(value(row)) for _, value in COLUMNS])
    return text.getvalue().encode("utf-8-sig")
