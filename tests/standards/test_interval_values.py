"""Intervals of shares and of paired changes against worked examples and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from review.change import (
    EXACT_UP_TO,
    middle_change,
    middle_interval,
    signed_rank_point,
    walsh_averages,
)
from review.proportions import wilson


@pytest.mark.parametrize(
    ("met", "n", "low", "high"),
    [
        # Worked with z = 1.959964; the first three counts are of Newcombe 1998, Table I.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (29, 29, 0.8830, 1.0),
        (7, 50, 0.0695, 0.2619),
        (10, 10, 0.7225, 1.0),
        (18, 20, 0.6990, 0.9721),
    ],
)
def test_wilsons_interval(met: int, n: int, low: float, high: float) -> None:
    interval = wilson(met, n)
    assert interval == pytest.approx((low, high), abs=5e-5)
    reference = proportion_confint(met, n, method="wilson")
    assert interval == pytest.approx(reference, abs=1e-9)


def test_wilson_is_not_the_exact_interval() -> None:
    """SciPy's documentation of ``proportion_ci``: the exact interval of 7/50 is 0.0582-0.2674."""
    exact = stats.binomtest(7, 50).proportion_ci(0.95, method="exact")
    assert (exact.low, exact.high) == pytest.approx((0.0582, 0.2674), abs=5e-5)
    assert wilson(7, 50) != pytest.approx((exact.low, exact.high), abs=5e-3)


DEPRESSION = (
    (1.83, 0.878), (0.50, 0.647), (1.62, 0.598), (2.48, 2.05), (1.68, 1.06), (1.88, 1.29),
    (1.55, 1.06), (3.06, 3.14), (1.30, 1.29),
)  # fmt: skip
"""Hollander and Wolfe, Nonparametric Statistical Methods, 1973: depression scores before and after
treatment, as in the example of R's ``wilcox.test``."""


def test_the_middle_change_of_hollander_and_wolfe() -> None:
    """Their estimate is -0.46 and their interval -0.786 to -0.010 (both from memory)."""
    changes = [after - before for before, after in DEPRESSION]
    assert middle_change(changes) == pytest.approx(-0.46, abs=1e-9)
    assert middle_interval(changes) == pytest.approx((-0.786, -0.010), abs=1e-9)


def test_critical_values_of_the_signed_rank_test() -> None:
    """Wilcoxon's table, two-sided 5 %, as printed in textbooks (values from memory)."""
    table = {6: 0, 7: 2, 8: 3, 9: 5, 10: 8, 12: 13, 15: 25, 20: 52, 25: 89, 50: 434}
    assert {n: signed_rank_point(n, 0.025) for n in table} == table
    assert signed_rank_point(5, 0.025) is None


def test_the_signed_rank_distribution_agrees_with_scipy() -> None:
    """SciPy's exact p-value of a rank sum just at and just beyond the point."""
    for n in (8, 11, 17):
        point = signed_rank_point(n, 0.025)
        assert point is not None
        assert _p_value(n, point) <= 0.05 < _p_value(n, point + 1)


def _p_value(n: int, rank_sum: int) -> float:
    """Two-sided, of differences 1..n of which those that make up ``rank_sum`` are negative."""
    values, left = np.arange(1.0, n + 1), rank_sum
    for at in reversed(range(n)):
        if left >= at + 1:
            values[at] *= -1
            left -= at + 1
    assert left == 0
    return float(stats.wilcoxon(values, method="exact").pvalue)


def test_the_normal_point_follows_on_the_exact_one(monkeypatch: pytest.MonkeyPatch) -> None:
    exact = signed_rank_point(EXACT_UP_TO, 0.025)
    monkeypatch.setattr("review.change.EXACT_UP_TO", EXACT_UP_TO - 1)
    taken_as_normal = signed_rank_point(EXACT_UP_TO, 0.025)
    assert exact is not None and taken_as_normal is not None
    assert abs(exact - taken_as_normal) <= 1


def test_the_interval_holds_exactly_the_changes_that_the_test_would_not_reject(
    rng: np.random.Generator,
) -> None:
    """An interval is a test turned round: SciPy's exact test just within and just outside."""
    changes = rng.normal(1.0, 2.0, 12)
    interval = middle_interval(changes.tolist())
    assert interval is not None
    for edge, inward in zip(interval, (1e-6, -1e-6), strict=True):
        assert stats.wilcoxon(changes - (edge + inward), method="exact").pvalue > 0.05
        assert stats.wilcoxon(changes - (edge - inward), method="exact").pvalue <= 0.05


def test_the_interval_covers_the_truth_as_often_as_it_says(rng: np.random.Generator) -> None:
    """Of 1500 samples of ten people at least 95 % (less 4 sigma) cover the true change of 1 s."""
    covered = 0
    for _ in range(1500):
        interval = middle_interval(rng.normal(1.0, 3.0, 10).tolist())
        assert interval is not None
        covered += interval[0] <= 1.0 <= interval[1]
    assert covered / 1500 >= 0.95 - 4 * (0.95 * 0.05 / 1500) ** 0.5


def test_all_pairs_are_averaged() -> None:
    assert walsh_averages([1.0, 2.0, 4.0]).tolist() == [1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
    assert middle_change([]) is None
