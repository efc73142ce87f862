"""Limits and run rules against worked examples, published tables and reference libraries."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from scipy import stats

from review.charts import (
    FALSE_ALARM,
    count_runs,
    fewest_crossings,
    limits,
    longest_run_limit,
    p_chart,
    run_chart,
    sessions_needed,
    zone_rules,
)

WAFERS = (
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22,
    8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
)  # fmt: skip
"""NIST/SEMATECH e-Handbook 6.3.3.2, chips on wafers: 30 samples of 50 (list from memory; its mean,
0.2313, is in the handbook)."""


# --- p-chart ------------------------------------------------------------------------------------


def test_the_limits_of_nists_wafers() -> None:
    chart = p_chart([(count, 50) for count in WAFERS])
    assert chart.mean == pytest.approx(0.2313, abs=5e-5)
    first = chart.points[0]
    assert (first.low, first.high) == pytest.approx((0.0524, 0.4102), abs=5e-5)
    beyond = [at for at, point in enumerate(chart.points, 1) if 1 in point.rules]
    assert beyond == [15, 23]


def test_the_limits_of_montgomerys_assemblies() -> None:
    """Montgomery, Introduction to Statistical Quality Control, exercise 6-1, published solution.

    20 samples of 100 with 117 in all: mean 0.0585, upper limit 0.1289, lower limit 0. Without
    sample 12: 102 of 1900, 0.0537, upper limit 0.1213.
    """
    assert limits(117 / 2000, 100) == pytest.approx((0.0, 0.1289), abs=5e-5)
    assert limits(102 / 1900, 100) == pytest.approx((0.0, 0.1213), abs=5e-5)
    # The solution does not print the samples: 15 in one of them, the others as even as can be.
    chart = p_chart([(15, 100), *[(6, 100), (5, 100)] * 7, *[(5, 100)] * 5])
    assert chart.mean == pytest.approx(0.0585)
    assert chart.points[0].high == pytest.approx(0.1289, abs=5e-5)
    assert chart.points[0].rules == (1,)
    assert not any(point.rules for point in chart.points[1:])


def test_limits_follow_the_number_of_sessions_of_each_point() -> None:
    """By hand: mean 0.5; 3 sqrt(0.25 / 100) = 0.15 and 3 sqrt(0.25 / 25) = 0.3."""
    chart = p_chart([(50, 100), (12, 25), (13, 25)])
    assert chart.mean == pytest.approx(0.5)
    assert (chart.points[0].low, chart.points[0].high) == pytest.approx((0.35, 0.65))
    assert (chart.points[1].low, chart.points[1].high) == pytest.approx((0.2, 0.8))


def test_three_sigma_is_what_statisticians_take_it_for() -> None:
    """Of a large binomial count 0.27 % lies beyond three sigma (normal distribution, SciPy)."""
    low, high = limits(0.4, 20_000)
    count = stats.binom(20_000, 0.4)
    outside = count.cdf(math.ceil(low * 20_000) - 1) + count.sf(math.floor(high * 20_000))
    assert outside == pytest.approx(2 * stats.norm.sf(3), rel=0.03)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9])
def test_enough_sessions_means_five_of_either_answer(share: float) -> None:
    needed = sessions_needed(share)
    assert needed is not None
    assert needed * min(share, 1 - share) >= 5 - 1e-9
    assert (needed - 1) * min(share, 1 - share) < 5


# --- zone rules -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sigmas", "rules"),
    [
        # Western Electric 1956, each rule at its edge, worked by hand.
        ([0.0, 3.1], [(), (1, )]),
        ([0.0, 3.0], [(), ()]),
        ([2.1, 0.0, 2.1], [(), (), (2,)]),
        ([2.1, 0.0, -2.1], [(), (), ()]),
        ([2.1, 0.0, 0.0, 2.1], [(), (), (), ()]),
        ([-1.5, -1.5, 0.5, -1.5, -1.5], [(), (), (), (), (3,)]),
        ([1.5, 1.5, 1.5, 0.5, 0.5], [(), (), (), (), ()]),
        ([0.1] * 8, [()] * 7 + [(4,)]),
        ([0.1] * 4 + [-0.1] + [0.1] * 4, [()] * 9),
        ([0.1] * 4 + [0.0] + [0.1] * 4, [()] * 9),
    ],
)  # fmt: skip
def test_each_zone_rule_at_its_edge(sigmas: list[float], rules: list[tuple[int, ...]]) -> None:
    assert list(zone_rules(sigmas)) == rules
    assert list(zone_rules([-value for value in sigmas])) == rules


def test_how_often_the_zone_rules_are_wrong(rng: np.random.Generator) -> None:
    """Champ and Woodall, Technometrics 1987;29:393-399: once in 91.75 normal values on average.

    1000 simulated series; their mean is within 4 standard errors of it.
    """
    lengths = []
    for _ in range(1000):
        values = rng.standard_normal(1200).tolist()
        found = next(
            at
            for many in (150, 1200)  # most signals come early
            for at, own in enumerate(zone_rules(values[:many]), 1)
            if own
        )
        lengths.append(found)
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(91.75, abs=4 * error)
    assert round(91.75) == FALSE_ALARM


# --- run chart ------------------------------------------------------------------------------------


def test_the_published_limits_of_the_longest_run() -> None:
    """A public table of log2(n) + 3, rounded, for n = 10 to 59 (unaettie.com, FAQ)."""
    changes = {10: 6, 11: 6, 12: 7, 22: 7, 23: 8, 45: 8, 46: 9, 59: 9, 90: 9, 91: 10}
    assert {n: longest_run_limit(n) for n in changes} == changes


def test_the_limit_of_crossings_is_the_five_percent_point() -> None:
    """qbinom(0.05, n - 1, 0.5), as in the vignette of the R package qicharts2; by SciPy."""
    for n in range(10, 200):
        assert fewest_crossings(n) == stats.binom.ppf(0.05, n - 1, 0.5)
    # Wentzel-Larsen on 13 points: fewer than three crossings are too few (sciencetrends.com).
    assert fewest_crossings(13) == 3


def test_runs_are_counted_as_in_the_published_joint_distribution() -> None:
    """Wentzel-Larsen and Anhøj, PLoS ONE 2019;14:e0223233, table for n = 16, symmetric case.

    Numbers of the 2^15 sequences that begin above, by crossings and longest run.
    """
    found = Counter(
        (crossings, len(longest))
        for rest in itertools.product((True, False), repeat=15)
        for crossings, longest in [count_runs((True, *rest))]
    )
    published = {
        0: {16: 1},
        1: dict.fromkeys(range(9, 16), 2) | {8: 1},
        2: {6: 6, 7: 15, 8: 21, 9: 18, 10: 15, 11: 12, 12: 9, 13: 6, 14: 3},
        3: {4: 1, 5: 34, 6: 90, 7: 106, 8: 84, 9: 60, 10: 40, 11: 24, 12: 12, 13: 4},
        4: {4: 65, 5: 300, 6: 370, 7: 280, 8: 175, 9: 100, 10: 50, 11: 20, 12: 5},
        5: {3: 21, 4: 525, 5: 960, 6: 741, 7: 420, 8: 210, 9: 90, 10: 30, 11: 6},
    }
    for crossings, row in published.items():
        own = {longest: n for (c, longest), n in found.items() if c == crossings}
        assert own == row, crossings
    assert sum(found.values()) == 2**15


def test_a_series_worked_by_hand() -> None:
    """Median 5. Above: 7 8, 6, 9 9 9; below: 1, 2 3, 4; the two 5 are on it and not counted."""
    chart = run_chart([7, 8, 1, 5, 6, 2, 3, 9, 9, 9, 4, 5])
    assert chart.median == 5.5
    chart = run_chart([7, 8, 1, 5, 6, 2, 3, 9, 9, 9, 4, 5, 5])
    assert chart.median == 5
    assert chart.useful == 10
    assert (chart.runs, chart.crossings, chart.longest) == (6, 5, 3)
    assert chart.longest_at == (7, 8, 9)
    assert (chart.longest_limit, chart.crossings_limit) == (6, 2)
    assert not chart.signal


def test_a_shift_is_seen_by_both_rules() -> None:
    """Twelve low points, then twelve high ones: longest run 12 > 8, one crossing < 8 (n = 24)."""
    chart = run_chart([1.0, 2.0] * 6 + [8.0, 9.0] * 6)
    assert (chart.longest, chart.crossings) == (12, 1)
    assert (chart.longest_limit, chart.crossings_limit) == (8, 8)
    assert chart.shift
    assert chart.few_crossings


def test_chance_alone_is_called_a_change_in_about_one_of_twenty_charts(
    rng: np.random.Generator,
) -> None:
    """Anhøj and Olesen 2014: the false signal rate stays around 5 % whatever the number of points.

    The limits are whole numbers, and about the points' own median half of them always lie above,
    so few points signal less often than that.
    """
    for n in (12, 20, 24, 36):
        signals = sum(run_chart(rng.standard_normal(n).tolist()).signal for _ in range(2000))
        assert signals / 2000 <= 0.09, (n, signals)
        assert n == 12 or signals / 2000 >= 0.01, (n, signals)
