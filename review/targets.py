"""How many sessions met each target of the protocol, in all and over time.

Every number comes with the sessions behind it, and what could not be told is counted apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Literal

from review.measures import MEASURES, Result
from review.proportions import Proportion
from review.spotcheck import Wash, month_of, ready, wash_time
from review.store.records import SessionRow
from review.store.standard_records import TargetResults

Period = Literal["month", "quarter"]


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target and the sessions that met it, missed it, or could not be told.

    Attributes:
        measure, target: the measure's name, and the target in words.
    """

    measure: str
    target: str
    met: tuple[SessionRow, ...]
    not_met: tuple[SessionRow, ...]
    cannot_tell: tuple[SessionRow, ...]

    @property
    def share(self) -> Proportion:
        """Sessions that met it, of those in which it could be told."""
        return Proportion(len(self.met), len(self.met) + len(self.not_met), len(self.cannot_tell))


def target_rows(
    rows: Iterable[SessionRow], results: Mapping[int, TargetResults]
) -> tuple[TargetRow, ...]:
    """Every target that any of the sessions was held against, in the order of the measures.

    A unit that changed a target has a row for the old and the new one.

    Args:
        rows: recordings; those without an analysis are left out.
        results: by recording, the answers to its targets.
    """
    found: dict[tuple[str, str], dict[Result, list[SessionRow]]] = {}
    for row in ready(rows):
        for measure, (result, target) in results.get(row.recording_id, {}).items():
            kinds = found.get((measure, target))
            if kinds is None:
                kinds = found[(measure, target)] = {kind: [] for kind in Result}
            kinds[result].append(row)
    order = {name: at for at, name in enumerate(MEASURES)}
    return tuple(
        TargetRow(
            measure,
            target,
            tuple(found[measure, target][Result.MET]),
            tuple(found[measure, target][Result.NOT_MET]),
            tuple(found[measure, target][Result.NOT_ASSESSABLE]),
        )
        for measure, target in sorted(
            found, key=lambda key: (order.get(key[0], len(order)), key[1])
        )
    )


@dataclass(frozen=True, slots=True)
class PeriodRow:
    """One month or quarter, and its sessions by answer."""

    period: str
    met: tuple[SessionRow, ...]
    not_met: tuple[SessionRow, ...]
    cannot_tell: tuple[SessionRow, ...]

    @property
    def share(self) -> Proportion:
        """Sessions that met the target, of those in which it could be told."""
        return Proportion(len(self.met), len(self.met) + len(self.not_met), len(self.cannot_tell))


def period_of(day: date, period: Period) -> str:
    """The month or quarter as text that sorts by time.

    >>> period_of(date(2024, 5, 9), "quarter"), period_of(date(2024, 5, 9), "month")
    ('2024 Q2', '2024-05')
    """
    return month_of(day) if period == "month" else f"{day.year:04d} Q{(day.month + 2) // 3}"


def periods_between(first: str, last: str, period: Period) -> Iterator[str]:
    """All months or quarters from one to another, both included.

    >>> list(periods_between("2023 Q4", "2024 Q2", "quarter"))
    ['2023 Q4', '2024 Q1', '2024 Q2']
    """
    many = 12 if period == "month" else 4

    def number(name: str) -> int:
        return int(name[:4]) * many + int(name[5:].removeprefix("Q")) - 1

    for at in range(number(first), number(last) + 1):
        year, part = divmod(at, many)
        yield f"{year:04d}-{part + 1:02d}" if period == "month" else f"{year:04d} Q{part + 1}"


def over_time(
    rows: Iterable[SessionRow],
    results: Mapping[int, TargetResults],
    measure: str,
    period: Period,
) -> tuple[PeriodRow, ...]:
    """How one target was met in each month or quarter, without leaving any out between.

    Each session is held against the target of its own time.
    """
    found: dict[str, dict[Result, list[SessionRow]]] = {}
    for row in ready(rows):
        answered = results.get(row.recording_id, {}).get(measure)
        if answered is None:
            continue
        name = period_of(row.taken_on, period)
        kinds = found.get(name)
        if kinds is None:
            kinds = found[name] = {kind: [] for kind in Result}
        kinds[answered[0]].append(row)
    if not found:
        return ()
    empty: Mapping[Result, Sequence[SessionRow]] = {kind: () for kind in Result}
    return tuple(
        PeriodRow(
            name,
            tuple(kinds[Result.MET]),
            tuple(kinds[Result.NOT_MET]),
            tuple(kinds[Result.NOT_ASSESSABLE]),
        )
        for name in periods_between(min(found), max(found), period)
        for kinds in (found.get(name, empty),)
    )


@dataclass(frozen=True, slots=True)
class TimesRow:
    """One month, quarter or session, with and without a wash time."""

    period: str
    wash: Wash
    told: tuple[SessionRow, ...]
    cannot_tell: tuple[SessionRow, ...]

    @property
    def times_s(self) -> tuple[float, ...]:
        """The wash times, seconds."""
        times = (wash_time(row, self.wash) for row in self.told)
        return tuple(time for time in times if time is not None)

    @property
    def median_s(self) -> float | None:
        """Their median, seconds; None where none could be measured."""
        return median(self.times_s) if self.told else None


def times_over_time(rows: Iterable[SessionRow], wash: Wash, period: Period) -> tuple[TimesRow, ...]:
    """A wash time in each month or quarter, without leaving any out between."""
    told: dict[str, list[SessionRow]] = {}
    unclear: dict[str, list[SessionRow]] = {}
    for row in ready(rows):
        kind = unclear if wash_time(row, wash) is None else told
        kind.setdefault(period_of(row.taken_on, period), []).append(row)
    names = told.keys() | unclear.keys()
    if not names:
        return ()
    return tuple(
        TimesRow(name, wash, tuple(told.get(name, ())), tuple(unclear.get(name, ())))
        for name in periods_between(min(names), max(names), period)
    )


def each_session(rows: Iterable[SessionRow], wash: Wash) -> tuple[TimesRow, ...]:
    """A wash time session by session, named by the day; later ones of a day are numbered."""
    found: list[TimesRow] = []
    names: dict[str, int] = {}
    for row in sorted(ready(rows), key=lambda row: (row.taken_on, row.recording_id)):
        day = row.taken_on.isoformat()
        names[day] = names.get(day, 0) + 1
        name = day if names[day] == 1 else f"{day} ({names[day]})"
        told = wash_time(row, wash) is not None
        found.append(TimesRow(name, wash, (row,) if told else (), () if told else (row,)))
    return tuple(found)
