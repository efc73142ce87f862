"""Looking across a unit: wash times by trainee, trainer and month, and surfaces missed.

Pure functions over :class:`SessionRow`. Small numbers are told honestly: every share comes with
its n and a Wilson score interval, every median with an interval that assumes no distribution,
and what could not be told is counted apart, never as a miss.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median, quantiles
from typing import Literal

from review.proportions import Proportion
from review.store.records import RecordingState, SessionRow
from review.timeline import Surface

Grouping = Literal["person", "trainer", "month"]
Wash = Literal["rubbing_time", "whole_time"]
"""Which of the two wash times is meant; they are different spans and never mixed."""


@dataclass(frozen=True, slots=True)
class Band:
    """What a protocol asks of a wash time, seconds. None is no bound.

    Attributes:
        at_least, at_most: the target; both bounds themselves meet it.
        source: who asks for it.
    """

    at_least: float | None
    at_most: float | None
    source: str = ""

    @property
    def asks(self) -> bool:
        """Whether there is a bound at all."""
        return self.at_least is not None or self.at_most is not None

    def met(self, value: float) -> bool:
        """Whether ``value`` lies in the band."""
        return (self.at_least is None or value >= self.at_least) and (
            self.at_most is None or value <= self.at_most
        )


@dataclass(frozen=True, slots=True)
class GroupRow:
    """One trainee, trainer or month.

    Attributes:
        group: its code, or the month as ``2024-03``.
        sessions: how many recordings are ready.
        times_s: the wash times that could be measured, seconds, in order of the sessions.
        cannot_tell: in how many sessions it could not be measured.
        long_enough: how many washes met their own protocol's band.
        surfaces_missed: sessions with at least one surface missed, of those in which every
            surface could be told or one was missed.
        look_flags, open_flags, agreed_flags: sums.
        last_on: day of the latest session.
    """

    group: str
    sessions: int
    times_s: tuple[float, ...]
    cannot_tell: int
    long_enough: Proportion
    surfaces_missed: Proportion
    look_flags: int
    open_flags: int
    agreed_flags: int
    last_on: date

    @property
    def median_s(self) -> float | None:
        """Median wash time, seconds; None where none could be measured."""
        return median(self.times_s) if self.times_s else None

    @property
    def middle_half_s(self) -> tuple[float, float] | None:
        """Lower and upper quartile, seconds; None for fewer than four times."""
        if len(self.times_s) < 4:
            return None
        low, _, high = quantiles(self.times_s, n=4, method="inclusive")
        return low, high

    @property
    def flags_per_session(self) -> float:
        """Mean number of flags that ask for a look."""
        return self.look_flags / self.sessions


def ready(rows: Iterable[SessionRow]) -> tuple[SessionRow, ...]:
    """The recordings that have an analysis."""
    return tuple(row for row in rows if row.state is RecordingState.READY)


def month_of(day: date) -> str:
    """The month as text that sorts by time.

    >>> month_of(date(2024, 3, 9))
    '2024-03'
    """
    return f"{day.year:04d}-{day.month:02d}"


def group_of(row: SessionRow, by: Grouping) -> str:
    """Which group a recording belongs to."""
    return month_of(row.taken_on) if by == "month" else getattr(row, by)


def group(
    rows: Iterable[SessionRow],
    by: Grouping,
    bands: Mapping[str, Band],
    wash: Wash = "rubbing_time",
) -> tuple[GroupRow, ...]:
    """The ready recordings in groups, in the order of their names.

    Args:
        rows: recordings; those without an analysis are left out.
        by: what to group by.
        bands: the wash time asked for, by protocol; a protocol without one judges nothing.
        wash: which wash time.
    """
    groups: dict[str, list[SessionRow]] = {}
    for row in ready(rows):
        groups.setdefault(group_of(row, by), []).append(row)
    return tuple(_group_row(name, groups[name], bands, wash) for name in sorted(groups))


def wash_time(row: SessionRow, wash: Wash) -> float | None:
    """One of a session's two wash times, seconds; None where it could not be measured."""
    return row.wash_rubbing_s if wash == "rubbing_time" else row.wash_whole_s


def _group_row(
    name: str, rows: Sequence[SessionRow], bands: Mapping[str, Band], wash: Wash
) -> GroupRow:
    ordered = sorted(rows, key=lambda row: (row.taken_on, row.recording_id))
    times = tuple(time for row in ordered if (time := wash_time(row, wash)) is not None)
    return GroupRow(
        group=name,
        sessions=len(ordered),
        times_s=times,
        cannot_tell=len(ordered) - len(times),
        long_enough=long_enough(ordered, bands, wash),
        surfaces_missed=any_surface_missed(ordered),
        look_flags=sum(row.look_flags for row in ordered),
        open_flags=sum(row.open_flags for row in ordered),
        agreed_flags=sum(row.agreed_flags for row in ordered),
        last_on=ordered[-1].taken_on,
    )


def long_enough(
    rows: Iterable[SessionRow], bands: Mapping[str, Band], wash: Wash = "rubbing_time"
) -> Proportion:
    """How many washes met the band of their own protocol.

    Rows whose protocol asks for nothing are in none of the three numbers.
    """
    met = n = unclear = 0
    for row in rows:
        band = bands.get(row.protocol)
        if band is None or not band.asks:
            continue
        time = wash_time(row, wash)
        if time is None:
            unclear += 1
        else:
            n += 1
            met += band.met(time)
    return Proportion(met, n, unclear)


def any_surface_missed(rows: Iterable[SessionRow]) -> Proportion:
    """In how many sessions a hand surface was missed.

    A session in which none was missed but some could not be told says neither yes nor no.
    """
    met = n = unclear = 0
    for row in rows:
        if row.surfaces_missed:
            met, n = met + 1, n + 1
        elif row.surfaces_rubbed is None or row.surfaces_unclear:
            unclear += 1
        else:
            n += 1
    return Proportion(met, n, unclear)


@dataclass(frozen=True, slots=True)
class SurfaceRow:
    """How often one hand surface was missed, of the sessions in which it could be told."""

    surface: Surface
    missed: Proportion


def surfaces_missed(rows: Iterable[SessionRow]) -> tuple[SurfaceRow, ...]:
    """All nine surfaces, the one missed most first; without a wash it cannot be told."""
    missed = dict.fromkeys(Surface, 0)
    unclear = dict.fromkeys(Surface, 0)
    washes = no_wash = 0
    for row in ready(rows):
        if row.surfaces_rubbed is None and not (row.surfaces_missed or row.surfaces_unclear):
            no_wash += 1
            continue
        washes += 1
        for name in row.surfaces_missed:
            missed[Surface(name)] += 1
        for name in row.surfaces_unclear:
            unclear[Surface(name)] += 1
    found = [
        SurfaceRow(
            surface,
            Proportion(missed[surface], washes - unclear[surface], unclear[surface] + no_wash),
        )
        for surface in Surface
    ]
    return tuple(sorted(found, key=lambda row: -(row.missed.share or 0.0)))


def any_missed_in(rows: Iterable[SessionRow]) -> tuple[SessionRow, ...]:
    """The sessions in which at least one hand surface was missed."""
    return tuple(row for row in ready(rows) if row.surfaces_missed)


def missed_in(rows: Iterable[SessionRow], surface: Surface) -> tuple[SessionRow, ...]:
    """The sessions in which one hand surface was missed."""
    return tuple(row for row in ready(rows) if surface.value in row.surfaces_missed)


def unclear_in(rows: Iterable[SessionRow], surface: Surface) -> tuple[SessionRow, ...]:
    """The sessions in which nothing can be told about one hand surface."""
    return tuple(
        row
        for row in ready(rows)
        if surface.value in row.surfaces_unclear
        or (row.surfaces_rubbed is None and not (row.surfaces_missed or row.surfaces_unclear))
    )
