"""Agreement between raters beyond chance: kappas and alpha on nominal answers.

A table of counts has one row for each thing that was rated and one column for each answer; a
cell says how many raters gave that answer. All coefficients are 1 for full agreement and 0 for
what chance alone would give; they are undefined (None) where everybody always said the same.

References:
    Cohen J, Educ Psychol Meas 1960;20:37-46.
    Fleiss JL, Psychol Bull 1971;76:378-382.
    Krippendorff K, Computing Krippendorff's alpha-reliability, 2011 (nominal difference).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from review.proportions import CONFIDENCE, Proportion

Counts = NDArray[np.float64]
Weights = NDArray[np.float64]
Ratings = Mapping[str, str]
"""What was said about one thing: the answer by rater."""

DRAWS: Final = 2000
SEED: Final = 1
"""Of the bootstrap: the same answers give the same interval."""

FEWEST_FOR_INTERVAL: Final = 10
"""Below this many things a bootstrap interval would be too narrow (common practice)."""

MOST_UNDEFINED: Final = 0.05
"""Largest share of bootstrap draws without a coefficient for which an interval is given."""


class Method(StrEnum):
    """Which coefficient fits the raters there were."""

    COHEN = "Cohen's kappa"
    FLEISS = "Fleiss' kappa"
    ALPHA = "Krippendorff's alpha"


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far raters agree about one question.

    Attributes:
        things: how many things had two raters or more.
        raters: who rated any of them.
        all_agreed: in how many of them all raters said the same.
        method: the coefficient: Cohen's for the same two raters throughout, Fleiss' for the same
            number of raters each time, Krippendorff's where numbers differ; None for no thing.
        value: of the coefficient; None where it is undefined.
        interval: 95 %, percentiles of a bootstrap over things (:data:`DRAWS` draws, seeded);
            None for fewer than :data:`FEWEST_FOR_INTERVAL` things, or where the coefficient is
            undefined too often among the draws.
        prevalence: the share of each answer among all that was said.
    """

    things: int
    raters: tuple[str, ...]
    all_agreed: Proportion
    method: Method | None
    value: float | None
    interval: tuple[float, float] | None
    prevalence: Mapping[str, float]

    @property
    def commonest(self) -> tuple[str, float] | None:
        """The answer given most often, and its share."""
        return max(self.prevalence.items(), key=lambda pair: pair[1], default=None)


def agreement(things: Sequence[Ratings], *, seed: int = SEED) -> Agreement:
    """How far raters agree; things with fewer than two raters are passed over."""
    rated = [thing for thing in things if len(thing) >= 2]
    raters = tuple(sorted({rater for thing in rated for rater in thing}))
    answers = sorted({answer for thing in rated for answer in thing.values()})
    if not rated:
        return Agreement(0, (), Proportion(0, 0), None, None, None, {})
    counts = count_answers(rated, answers)
    method, coefficient = _coefficient(rated, raters, answers, counts)
    once = np.ones((1, len(rated)))
    value = float(coefficient(once)[0])
    totals = counts.sum(axis=0)
    return Agreement(
        things=len(rated),
        raters=raters,
        all_agreed=Proportion(sum(len(set(t.values())) == 1 for t in rated), len(rated)),
        method=method,
        value=None if np.isnan(value) else value,
        interval=_bootstrap(coefficient, len(rated), seed),
        prevalence={a: float(n / totals.sum()) for a, n in zip(answers, totals, strict=True)},
    )


def count_answers(things: Sequence[Ratings], answers: Sequence[str]) -> Counts:
    """Shape (things, answers): how many raters gave each answer."""
    place = {answer: at for at, answer in enumerate(answers)}
    counts = np.zeros((len(things), len(answers)))
    for at, thing in enumerate(things):
        for answer in thing.values():
            counts[at, place[answer]] += 1
    return counts


def _coefficient(
    things: Sequence[Ratings], raters: tuple[str, ...], answers: Sequence[str], counts: Counts
) -> tuple[Method, Callable[[Weights], NDArray[np.float64]]]:
    """The coefficient that fits, as a function of how often each thing is drawn."""
    if len(raters) == 2:
        place = {answer: at for at, answer in enumerate(answers)}
        one = np.eye(len(answers))[[place[thing[raters[0]]] for thing in things]]
        other = np.eye(len(answers))[[place[thing[raters[1]]] for thing in things]]
        return Method.COHEN, lambda weights: cohen(one, other, weights)
    if len({len(thing) for thing in things}) == 1:
        return Method.FLEISS, lambda weights: fleiss(counts, weights)
    return Method.ALPHA, lambda weights: alpha(counts, weights)


def _bootstrap(
    coefficient: Callable[[Weights], NDArray[np.float64]], things: int, seed: int
) -> tuple[float, float] | None:
    """Percentiles of the coefficient over things drawn with replacement."""
    if things < FEWEST_FOR_INTERVAL:
        return None
    dice = np.random.default_rng(seed)
    drawn = dice.multinomial(things, np.full(things, 1.0 / things), size=DRAWS)
    values = coefficient(drawn.astype(np.float64))
    known = values[~np.isnan(values)]
    if known.size < (1.0 - MOST_UNDEFINED) * values.size:
        return None
    tail = 50.0 * (1.0 - CONFIDENCE)
    low, high = np.percentile(known, [tail, 100.0 - tail])
    return float(low), float(high)


# --- the coefficients ---------------------------------------------------------------------------


def _beyond_chance(
    observed: NDArray[np.float64], expected: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(observed - expected) / (1 - expected); NaN where chance alone already gives 1."""
    room = 1.0 - expected
    defined = room > 1e-12
    return np.where(defined, (observed - expected) / np.where(defined, room, 1.0), np.nan)


def cohen(one: Counts, other: Counts, weights: Weights) -> NDArray[np.float64]:
    """Cohen's kappa for each row of weights.

    Args:
        one: shape (things, answers), 1 at the answer of the first rater.
        other: the same for the second rater.
        weights: shape (draws, things), how often each thing counts; at least once in a row.
    """
    n = weights.sum(axis=1)
    observed = weights @ (one * other).sum(axis=1) / n
    expected = ((weights @ one) * (weights @ other)).sum(axis=1) / (n * n)
    return _beyond_chance(observed, expected)


def fleiss(counts: Counts, weights: Weights) -> NDArray[np.float64]:
    """Fleiss' kappa for each row of weights; every thing has the same number of raters, >= 2."""
    raters = counts[0].sum()
    n = weights.sum(axis=1)
    agreeing = ((counts * counts).sum(axis=1) - raters) / (raters * (raters - 1.0))
    shares = (weights @ counts) / (n * raters)[:, None]
    return _beyond_chance(weights @ agreeing / n, (shares * shares).sum(axis=1))


def alpha(counts: Counts, weights: Weights) -> NDArray[np.float64]:
    """Krippendorff's alpha (nominal) for each row of weights; every thing has two raters or more.

    1 - Do / De. Do sums, over things with m raters, their ordered pairs that differ over m - 1;
    De is the share of ordered pairs that differ among all that was said.
    """
    raters = counts.sum(axis=1)
    differing = (raters * raters - (counts * counts).sum(axis=1)) / (raters - 1.0)
    said = weights @ raters
    totals = weights @ counts
    expected = (said * said - (totals * totals).sum(axis=1)) / (said - 1.0)
    defined = expected > 1e-12
    disagreement = np.where(
        defined, (weights @ differing) / np.where(defined, expected, 1.0), np.nan
    )
    return 1.0 - disagreement
