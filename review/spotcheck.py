"""Looking across a unit: wash times, surfaces missed, flags, re-checks, and whom to watch next.

Pure functions over :class:`SessionRow`. Small numbers are told honestly: every share comes with
its n and a Wilson score interval, every median with an interval that assumes no distribution,
and what could not be told is counted apart, never as a miss.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Literal

from review.proportions import Proportion
from review.store.records import RecordingState, SessionRow
from review.timeline import Surface

Grouping = Literal["person", "trainer", "month"]


@dataclass(frozen=True, slots=True)
class Band:
    """What a protocol asks of the rubbing time, seconds. None is no bound.

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
        rubbing_s: the rubbing times that could be measured, in order of the sessions.
        cannot_tell: in how many sessions rubbing could not be measured.
        long_enough: how many washes met their own protocol's band.
        surfaces_missed: sessions with at least one surface missed, of those in which every
            surface could be told or one was missed.
        look_flags, open_flags, agreed_flags: sums.
        last_on: day of the latest session.
    """

    group: str
    sessions: int
    rubbing_s: tuple[float, ...]
    cannot_tell: int
    long_enough: Proportion
    surfaces_missed: Proportion
    look_flags: int
    open_flags: int
    agreed_flags: int
    last_on: date

    @property
    def median_s(self) -> float | None:
        """Median rubbing time, seconds; None where none could be measured."""
        return median(self.rubbing_s) if self.rubbing_s else None

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
    rows: Iterable[SessionRow], by: Grouping, bands: Mapping[str, Band]
) -> tuple[GroupRow, ...]:
    """The ready recordings in groups, in the order of their names.

    Args:
        rows: recordings; those without an analysis are left out.
        by: what to group by.
        bands: the rubbing time asked for, by protocol; a protocol without one judges nothing.
    """
    groups: dict[str, list[SessionRow]] = {}
    for row in ready(rows):
        groups.setdefault(group_of(row, by), []).append(row)
    return tuple(_group_row(name, groups[name], bands) for name in sorted(groups))


def _group_row(name: str, rows: Sequence[SessionRow], bands: Mapping[str, Band]) -> GroupRow:
    ordered = sorted(rows, key=lambda row: (row.taken_on, row.recording_id))
    rubbing = tuple(row.wash_rubbing_s for row in ordered if row.wash_rubbing_s is not None)
    return GroupRow(
        group=name,
        sessions=len(ordered),
        rubbing_s=rubbing,
        cannot_tell=len(ordered) - len(rubbing),
        long_enough=long_enough(ordered, bands),
        surfaces_missed=any_surface_missed(ordered),
        look_flags=sum(row.look_flags for row in ordered),
        open_flags=sum(row.open_flags for row in ordered),
        agreed_flags=sum(row.agreed_flags for row in ordered),
        last_on=ordered[-1].taken_on,
    )


def long_enough(rows: Iterable[SessionRow], bands: Mapping[str, Band]) -> Proportion:
    """How many washes met the band of their own protocol.

    Rows whose protocol asks for nothing are in none of the three numbers.
    """
    met = n = unclear = 0
    for row in rows:
        band = bands.get(row.protocol)
        if band is None or not band.asks:
            continue
        if row.wash_rubbing_s is None:
            unclear += 1
        else:
            n += 1
            met += band.met(row.wash_rubbing_s)
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


# --- re-checks --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recheck:
    """Somebody who is to be looked at again.

    Attributes:
        person, trainer: of the session that was signed last.
        recording_id: that session.
        due_on: the day agreed on.
        days_late: days since then; negative while it is still to come.
        newer: a session recorded after the signature and not signed yet, or None.
    """

    person: str
    trainer: str
    recording_id: int
    due_on: date
    days_late: int
    newer: int | None


def rechecks(rows: Iterable[SessionRow], today: date, ahead_days: int = 14) -> tuple[Recheck, ...]:
    """Who is due for a re-check, the longest overdue first.

    The signature that counts is the person's latest one; one without a day to look again ends
    the matter.

    Args:
        rows: recordings in any state.
        today: the day it is.
        ahead_days: also those due within this many days.
    """
    by_person: dict[str, list[SessionRow]] = {}
    for row in rows:
        by_person.setdefault(row.person, []).append(row)
    found = []
    for person, own in by_person.items():
        signed = [row for row in own if row.signed_on is not None]
        if not signed:
            continue
        last = max(signed, key=lambda row: (row.signed_on or date.min, row.recording_id))
        due = last.recheck_on
        if due is None or (due - today).days > ahead_days:
            continue
        after = [
            row for row in own if row.signed_on is None and row.taken_on >= (last.signed_on or due)
        ]
        newest = max(after, key=lambda row: (row.taken_on, row.recording_id), default=None)
        found.append(
            Recheck(
                person,
                last.trainer,
                last.recording_id,
                due,
                (today - due).days,
                newest.recording_id if newest else None,
            )
        )
    return tuple(sorted(found, key=lambda row: (-row.days_late, row.person)))


# --- a fair sample ----------------------------------------------------------------------------


def pick_random(rows: Iterable[SessionRow], count: int, seed: int) -> tuple[SessionRow, ...]:
    """A random sample without replacement, weighted to the recordings watched least.

    A recording watched w times has the weight 1 / (1 + w). Each gets the key log(u) / weight,
    u uniform in (0, 1); the largest keys are taken (Efraimidis and Spirakis, Inf Process Lett
    2006;97:181-185). The same rows and seed give the same sample, in whatever order they come.

    Raises:
        ValueError: for a count below 0.
    """
    if count < 0:
        raise ValueError(f"cannot pick {count} recordings")
    dice = random.Random(seed)
    keyed = []
    for row in sorted(ready(rows), key=lambda row: row.recording_id):
        u = 1.0 - dice.random()
        keyed.append((math.log(u) * (1 + row.watched), row))
    keyed.sort(key=lambda pair: -pair[0])
    return tuple(row for _, row in keyed[:count])
