"""Whether something changed over time: run charts and p-charts, by published rules.

A run chart asks whether points fall on both sides of their median as chance would have them; it
needs no limits and no many sessions a point. A p-chart holds each share against limits that
chance alone would rarely pass; it needs many sessions a point. Neither says why.

References:
    Anhøj J, Olesen AV. Run charts revisited. PLoS ONE 2014;9(11):e113825 (longest run and
    crossings; the formulas as in the vignette of the R package qicharts2).
    Western Electric Company. Statistical Quality Control Handbook, 1956 (zone rules).
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2 (limits of a p-chart).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

RUN_SOURCE: Final = "Anhøj and Olesen, PLoS ONE 2014;9(11):e113825"
ZONE_SOURCE: Final = "Western Electric, Statistical Quality Control Handbook, 1956"

FEWEST_POINTS: Final = 10
"""Below this many points off the median the run rules say nothing (value from memory)."""

FEWEST_EXPECTED: Final = 5.0
"""Fewest expected sessions of either answer for which three-sigma limits mean what they say.

The usual rule for taking a binomial share as normal (common practice, value from memory).
"""

USUAL_POINTS: Final = 20
"""Points on which limits usually rest; with fewer they are still uncertain (value from memory)."""

FALSE_ALARM: Final = 92
"""Without any change the four zone rules still signal about once in so many points.

91.75 for normal values: Champ CW, Woodall WH, Technometrics 1987;29:393-399.
"""


# --- run chart --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RunChart:
    """Points about their median.

    Attributes:
        median: of all points; None without any.
        useful: how many points are off the median; those on it belong to neither side.
        longest: points in the longest run on one side; ``longest_at`` are their positions.
        crossings: how many times the line through the useful points crosses the median.
        longest_limit, crossings_limit: chance alone seldom gives a longer run or fewer
            crossings; None for fewer than :data:`FEWEST_POINTS` useful points.
    """

    median: float | None
    useful: int
    longest: int
    longest_at: tuple[int, ...]
    crossings: int
    longest_limit: int | None
    crossings_limit: int | None

    @property
    def runs(self) -> int:
        """Number of runs: one more than crossings."""
        return self.crossings + 1 if self.useful else 0

    @property
    def shift(self) -> bool:
        """Whether a run is longer than chance would make it."""
        return self.longest_limit is not None and self.longest > self.longest_limit

    @property
    def few_crossings(self) -> bool:
        """Whether the points cross the median less often than chance would have it."""
        return self.crossings_limit is not None and self.crossings < self.crossings_limit

    @property
    def signal(self) -> bool:
        """Whether either rule says that the points are not chance alone."""
        return self.shift or self.few_crossings


def longest_run_limit(useful: int) -> int:
    """Longest run that chance alone may well give: log2(n) + 3, rounded.

    >>> [longest_run_limit(n) for n in (10, 20, 24, 30)]
    [6, 7, 8, 8]
    """
    return round(math.log2(useful) + 3)


def fewest_crossings(useful: int) -> int:
    """Fewest crossings that chance alone may well give: the 5 % point of n - 1 coin throws.

    >>> [fewest_crossings(n) for n in (10, 20, 24)]
    [2, 6, 8]
    """
    throws, below = useful - 1, 0
    for crossings in range(throws + 1):
        below += math.comb(throws, crossings)
        if 20 * below >= 2**throws:
            return crossings
    raise ValueError(f"no crossings can be counted for {useful} points")


def count_runs(sides: Sequence[bool]) -> tuple[int, range]:
    """How often the side changes, and the positions of the longest run (the first of several).

    >>> count_runs([True, False, False, False, True])
    (2, range(1, 4))
    """
    crossings = start = 0
    longest = range(0)
    for at, side in enumerate(sides):
        if at and side != sides[at - 1]:
            crossings, start = crossings + 1, at
        if at + 1 - start > len(longest):
            longest = range(start, at + 1)
    return crossings, longest


def run_chart(values: Sequence[float]) -> RunChart:
    """Look at points in the order of time.

    Args:
        values: shape (n,), any unit.
    """
    middle = median(values) if values else None
    places = [at for at, value in enumerate(values) if value != middle]
    sides = [middle is not None and values[at] > middle for at in places]
    crossings, longest = count_runs(sides)
    enough = len(sides) >= FEWEST_POINTS
    return RunChart(
        median=middle,
        useful=len(sides),
        longest=len(longest),
        longest_at=tuple(places[at] for at in longest),
        crossings=crossings,
        longest_limit=longest_run_limit(len(sides)) if enough else None,
        crossings_limit=fewest_crossings(len(sides)) if enough else None,
    )


# --- p-chart ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SharePoint:
    """One point of a p-chart.

    Attributes:
        met, n: how many of how many.
        low, high: three-sigma limits for this n, from 0 to 1; None where n is too small for
            them to mean anything.
        rules: numbers (1-4) of the zone rules that this point completes.
    """

    met: int
    n: int
    low: float | None
    high: float | None
    rules: tuple[int, ...] = ()

    @property
    def share(self) -> float | None:
        """The share, 0..1; None for n = 0."""
        return self.met / self.n if self.n else None

    @property
    def judged(self) -> bool:
        """Whether n is large enough for limits."""
        return self.low is not None


@dataclass(frozen=True, slots=True)
class PChart:
    """Shares over time with their limits. ``mean`` is the share of all sessions together."""

    mean: float | None
    points: tuple[SharePoint, ...]

    @property
    def judged(self) -> int:
        """How many points have enough sessions for limits."""
        return sum(point.judged for point in self.points)

    @property
    def signal(self) -> bool:
        """Whether any rule says that the points are not chance alone."""
        return any(point.rules for point in self.points)

    @property
    def needed(self) -> int | None:
        """Sessions a point must have for limits; None where no number would do."""
        return None if self.mean is None else sessions_needed(self.mean)


def sessions_needed(share: float) -> int | None:
    """Sessions a point needs so that five of either answer are expected; None at 0 and 1.

    >>> sessions_needed(0.9), sessions_needed(0.5), sessions_needed(1.0)
    (50, 10, None)
    """
    rarer = min(share, 1.0 - share)
    return math.ceil(FEWEST_EXPECTED / rarer - 1e-9) if rarer > 0 else None


def limits(mean: float, n: int) -> tuple[float, float]:
    """Three-sigma limits of a share: mean +- 3 sqrt(mean (1 - mean) / n), within 0 and 1."""
    three_sigma = 3.0 * math.sqrt(mean * (1.0 - mean) / n)
    return max(mean - three_sigma, 0.0), min(mean + three_sigma, 1.0)


def p_chart(counts: Sequence[tuple[int, int]]) -> PChart:
    """Hold shares in the order of time against the share of all together.

    Args:
        counts: how many met it of how many that could be told, one pair a point.
    """
    met, n = sum(pair[0] for pair in counts), sum(pair[1] for pair in counts)
    if n == 0:
        return PChart(None, tuple(SharePoint(m, k, None, None) for m, k in counts))
    mean = met / n
    needed = sessions_needed(mean)
    judged = [needed is not None and k >= needed for _, k in counts]
    places = [at for at, yes in enumerate(judged) if yes]
    sigmas = [_sigmas(*counts[at], mean) for at in places]
    rules = dict(zip(places, zone_rules(sigmas), strict=True))
    points = []
    for at, (m, k) in enumerate(counts):
        low, high = limits(mean, k) if judged[at] else (None, None)
        points.append(SharePoint(m, k, low, high, rules.get(at, ())))
    return PChart(mean, tuple(points))


def _sigmas(met: int, n: int, mean: float) -> float:
    return (met / n - mean) / math.sqrt(mean * (1.0 - mean) / n)


ZONE_RULES: Final = {
    1: "one point beyond a three-sigma limit",
    2: "two of three points beyond two sigma on the same side",
    3: "four of five points beyond one sigma on the same side",
    4: "eight points in a row on the same side of the mean",
}
"""The zone rules in words, by the number used here."""

_ZONES: Final = ((1, 1, 1, 3.0), (2, 2, 3, 2.0), (3, 4, 5, 1.0), (4, 8, 8, 0.0))
"""Number of the rule, how many points of how many, beyond how many sigmas."""


def zone_rules(sigmas: Sequence[float]) -> tuple[tuple[int, ...], ...]:
    """Which zone rules each point completes.

    Args:
        sigmas: shape (n,): distance of each point from the mean in its own standard deviations.
    """
    found = []
    for at, value in enumerate(sigmas):
        side = math.copysign(1.0, value)
        own = []
        for number, many, window, beyond in _ZONES:
            last = sigmas[max(at + 1 - window, 0) : at + 1]
            # The point itself is beyond: a rule is told once, where it is completed.
            if value * side > beyond and sum(s * side > beyond for s in last) >= many:
                own.append(number)
        found.append(tuple(own))
    return tuple(found)
