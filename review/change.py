"""Change since the first sessions, person by person.

Each person is compared with themselves: the first sessions against the latest ones. Whether
training made the difference this cannot say; sessions become different for many reasons.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist, mean

import numpy as np
from numpy.typing import NDArray

from review.measures import Result
from review.proportions import CONFIDENCE, Proportion
from review.spotcheck import ready
from review.store.records import SessionRow
from review.store.standard_records import TargetResults

Value = Callable[[SessionRow], float | None]
People = Mapping[str, Sequence[SessionRow]]


@dataclass(frozen=True, slots=True)
class PersonChange:
    """One person's first and latest sessions; ``before`` and ``after`` are their means."""

    person: str
    first: tuple[SessionRow, ...]
    latest: tuple[SessionRow, ...]
    before: float
    after: float

    @property
    def change(self) -> float:
        """Latest less first."""
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class Change:
    """The change over all people.

    Attributes:
        persons: those with two sessions or more that could be told, by code.
        left_out: how many people had fewer.
        middle: the middle change (Hodges and Lehmann 1963); None for nobody.
        interval: of the middle change, 95 %; None for fewer than six people.
    """

    persons: tuple[PersonChange, ...]
    left_out: int
    middle: float | None
    interval: tuple[float, float] | None


def by_person(rows: Iterable[SessionRow]) -> dict[str, list[SessionRow]]:
    """The analysed sessions of each person, oldest first; people by code."""
    found: dict[str, list[SessionRow]] = {}
    for row in sorted(ready(rows), key=lambda row: (row.person, row.taken_on, row.recording_id)):
        found.setdefault(row.person, []).append(row)
    return found


def change_in(people: People, value: Value, each: int) -> Change:
    """How a number changed from people's first sessions to their latest.

    Args:
        people: see :func:`by_person`; sessions without the number are left out.
        value: the number of a session, None where it could not be measured.
        each: how many sessions stand for 'first' and 'latest', at most; with fewer than twice
            as many a person's sessions are halved, so that none counts on both sides.

    Raises:
        ValueError: for ``each`` below 1.
    """
    if each < 1:
        raise ValueError(f"'first' and 'latest' need a session each, not {each}")
    persons, left_out = [], 0
    for person, own in people.items():
        told = [(row, number) for row in own if (number := value(row)) is not None]
        many = min(each, len(told) // 2)
        if many == 0:
            left_out += 1
            continue
        first, latest = told[:many], told[-many:]
        persons.append(
            PersonChange(
                person,
                tuple(row for row, _ in first),
                tuple(row for row, _ in latest),
                mean(number for _, number in first),
                mean(number for _, number in latest),
            )
        )
    changes = [person.change for person in persons]
    return Change(tuple(persons), left_out, middle_change(changes), middle_interval(changes))


@dataclass(frozen=True, slots=True)
class TargetChange:
    """One target in each person's first and latest session in which it could be told.

    Attributes:
        stayed_met, stayed_not_met, gained, lost: people, as pairs of first and latest session.
        left_out: how many people had fewer than two such sessions.
    """

    measure: str
    stayed_met: tuple[tuple[SessionRow, SessionRow], ...]
    stayed_not_met: tuple[tuple[SessionRow, SessionRow], ...]
    gained: tuple[tuple[SessionRow, SessionRow], ...]
    lost: tuple[tuple[SessionRow, SessionRow], ...]
    left_out: int

    @property
    def people(self) -> int:
        """How many people could be compared."""
        return sum(map(len, (self.stayed_met, self.stayed_not_met, self.gained, self.lost)))

    @property
    def first(self) -> Proportion:
        """People whose first session met it."""
        return Proportion(len(self.stayed_met) + len(self.lost), self.people)

    @property
    def latest(self) -> Proportion:
        """People whose latest session met it."""
        return Proportion(len(self.stayed_met) + len(self.gained), self.people)

    @property
    def to_met(self) -> Proportion:
        """Of the people whose answer changed, those who came to meet it (as in McNemar 1947)."""
        return Proportion(len(self.gained), len(self.gained) + len(self.lost))


def target_change(
    people: People, results: Mapping[int, TargetResults], measure: str
) -> TargetChange:
    """How one target was met in people's first and in their latest session."""
    kinds: dict[tuple[bool, bool], list[tuple[SessionRow, SessionRow]]] = {
        (was, now): [] for was in (True, False) for now in (True, False)
    }
    left_out = 0
    for own in people.values():
        told = [
            (row, answered[0] is Result.MET)
            for row in own
            if (answered := results.get(row.recording_id, {}).get(measure)) is not None
            and answered[0] is not Result.NOT_ASSESSABLE
        ]
        if len(told) < 2:
            left_out += 1
            continue
        (first, was), (latest, now) = told[0], told[-1]
        kinds[was, now].append((first, latest))
    return TargetChange(
        measure,
        stayed_met=tuple(kinds[True, True]),
        stayed_not_met=tuple(kinds[False, False]),
        gained=tuple(kinds[False, True]),
        lost=tuple(kinds[True, False]),
        left_out=left_out,
    )


# --- the middle change and its interval ---------------------------------------------------------

EXACT_UP_TO = 50
"""Up to this many people the signed-rank distribution is counted out; beyond, taken as normal."""


def walsh_averages(changes: Sequence[float]) -> NDArray[np.float64]:
    """The mean of every pair of changes, each with itself too; shape (n (n + 1) / 2,), in order."""
    values = np.asarray(changes, dtype=np.float64)
    one, other = np.triu_indices(values.size)
    return np.sort((values[one] + values[other]) / 2.0)


def middle_change(changes: Sequence[float]) -> float | None:
    """The median of all pairwise means (Hodges JL, Lehmann EL, Ann Math Stat 1963;34:598-611)."""
    return float(np.median(walsh_averages(changes))) if len(changes) else None


def middle_interval(
    changes: Sequence[float], confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Interval of the middle change from the signed-rank distribution (Wilcoxon 1945).

    It assumes that changes spread alike to both sides, and that people do not depend on each
    other. None where there are too few people for any: six are needed at 95 %.
    """
    rank = signed_rank_point(len(changes), (1.0 - confidence) / 2.0)
    if rank is None:
        return None
    averages = walsh_averages(changes)
    return float(averages[rank]), float(averages[-1 - rank])


def signed_rank_point(n: int, tail: float) -> int | None:
    """Largest rank sum w with P(W <= w) <= tail when nothing changed; None where there is none.

    The distribution is counted out: of the 2^n ways to give ranks 1..n a sign. For more than
    :data:`EXACT_UP_TO` it is taken as normal with mean n (n + 1) / 4 and variance
    n (n + 1) (2 n + 1) / 24.

    >>> [signed_rank_point(n, 0.025) for n in (5, 6, 8, 10, 20)]
    [None, 0, 3, 8, 52]
    """
    most = n * (n + 1) // 2
    if n > EXACT_UP_TO:
        spread = math.sqrt(n * (n + 1) * (2 * n + 1) / 24.0)
        return math.floor(most / 2.0 + NormalDist().inv_cdf(tail) * spread - 0.5)
    ways = [1] + [0] * most
    for rank in range(1, n + 1):
        for total in range(most, rank - 1, -1):
            ways[total] += ways[total - rank]
    allowed, below, point = tail * 2**n, 0, None
    for total, number in enumerate(ways):
        below += number
        if below > allowed:
            break
        point = total
    return point
