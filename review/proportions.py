"""Shares and medians with honest intervals: n always stands beside the number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

CONFIDENCE: Final = 0.95
"""Of every interval shown (convention)."""

FEW: Final = 10
"""Below this n a share is called a small number (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Proportion:
    """A share with what it rests on.

    Attributes:
        met: how many of ``n``.
        n: how many could be told.
        cannot_tell: how many could not, and are in neither.
    """

    met: int
    n: int
    cannot_tell: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.met <= self.n or self.cannot_tell < 0:
            raise ValueError(f"{self.met} of {self.n} (and {self.cannot_tell}) is no proportion")

    @property
    def share(self) -> float | None:
        """The share, 0..1; None for n = 0."""
        return self.met / self.n if self.n else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """The Wilson interval; None for n = 0."""
        return wilson(self.met, self.n)

    @property
    def small(self) -> bool:
        """Whether n is too small to say much."""
        return self.n < FEW


def wilson(met: int, n: int, confidence: float = CONFIDENCE) -> tuple[float, float] | None:
    """Wilson score interval of a proportion, without continuity correction.

    (p + z^2/2n +- z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n), after Wilson EB, J Am Stat
    Assoc 1927;22:209-212; see Newcombe RG, Stat Med 1998;17:857-872. None for n = 0.

    Raises:
        ValueError: for met outside 0..n or a confidence outside 0..1.
    """
    if not 0 <= met <= n or not 0.0 < confidence < 1.0:
        raise ValueError(f"no interval for {met} of {n} at {confidence}")
    if n == 0:
        return None
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    p, zz = met / n, z * z
    middle = p + zz / (2 * n)
    half = z * math.sqrt(p * (1.0 - p) / n + zz / (4 * n * n))
    low, high = (middle - half) / (1 + zz / n), (middle + half) / (1 + zz / n)
    return 0.0 if met == 0 else max(low, 0.0), 1.0 if met == n else min(high, 1.0)


def median_interval(
    values: Sequence[float], confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Interval of the median from order statistics; assumes no distribution.

    The k-th smallest and k-th largest value, k the largest for which twice the binomial
    probability of fewer than k of n coin throws stays within 1 - confidence (Conover, Practical
    Nonparametric Statistics, 1999; value from memory). None where n is too small for any k:
    six values are needed at 95 %.
    """
    ordered, n = sorted(values), len(values)
    tail, k = 0.0, 0
    while k < n // 2:
        tail += math.exp(_log_choose(n, k) - n * math.log(2.0))
        if 2 * tail > 1.0 - confidence:
            break
        k += 1
    return (ordered[k - 1], ordered[n - k]) if k else None


def _log_choose(n: int, k: int) -> float:
    """Natural logarithm of n over k: the number itself has thousands of digits for large n."""
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
