"""Kappa and alpha against published examples and against reference libraries."""

from __future__ import annotations

from collections.abc import Sequence

import krippendorff
import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from review.raters import Method, agreement, alpha, cohen, count_answers, fleiss


def from_table(table: Sequence[Sequence[int]]) -> list[dict[str, str]]:
    """Things as two raters A (rows) and B (columns) rated them."""
    return [
        {"A": str(row), "B": str(column)}
        for row, counts in enumerate(table)
        for column, count in enumerate(counts)
        for _ in range(count)
    ]


def from_coders(lines: Sequence[str]) -> list[dict[str, str]]:
    """Things as coders rated them, one line a coder, '.' for no answer."""
    coders = [line.split() for line in lines]
    return [
        {str(coder): values[at] for coder, values in enumerate(coders) if values[at] != "."}
        for at in range(len(coders[0]))
    ]


@pytest.mark.parametrize(
    ("table", "same", "kappa"),
    [
        # Grant applications read by two readers: Wikipedia, 'Cohen's kappa' (cells from memory).
        ([[20, 5], [10, 15]], 0.70, 0.40),
        # The same observed agreement with other margins: Wikipedia (cells from memory).
        ([[45, 15], [25, 15]], 0.60, 0.1304),
        ([[25, 35], [5, 35]], 0.60, 0.2593),
        # The prevalence trap, worked by hand: 90 % agreement, pe = 0.9025 + 0.0025.
        ([[90, 5], [5, 0]], 0.90, -0.0526),
    ],
)
def test_cohens_kappa_of_worked_tables(table: list[list[int]], same: float, kappa: float) -> None:
    found = agreement(from_table(table))
    assert found.method is Method.COHEN
    assert found.all_agreed.share == pytest.approx(same)
    assert found.value == pytest.approx(kappa, abs=5e-5)
    assert found.value == pytest.approx(cohens_kappa(np.array(table)).kappa, abs=1e-12)


def test_cohens_kappa_of_scikit_learns_example() -> None:
    """scikit-learn, ``cohen_kappa_score`` (example from memory): po 0.8, pe 0.36, kappa 0.6875."""
    one = ["negative", "positive", "negative", "neutral", "positive"]
    other = ["negative", "positive", "negative", "neutral", "negative"]
    found = agreement([{"A": a, "B": b} for a, b in zip(one, other, strict=True)])
    assert found.value == pytest.approx(0.6875, abs=1e-12)
    assert found.value == pytest.approx(cohen_kappa_score(one, other), abs=1e-12)


FLEISS = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip
"""Fourteen raters, ten things, five answers: Wikipedia, 'Fleiss' kappa' (cells from memory)."""


def test_fleiss_kappa_of_the_worked_table() -> None:
    counts = np.array(FLEISS, dtype=float)
    (value,) = fleiss(counts, np.ones((1, 10)))
    assert value == pytest.approx(0.210, abs=5e-4)
    assert value == pytest.approx(fleiss_kappa(np.array(FLEISS)), abs=1e-12)


@pytest.mark.parametrize(
    ("coders", "value"),
    [
        # Krippendorff 2011, Computing Krippendorff's alpha-reliability, example C: 0.743.
        (
            [
                "1 2 3 3 2 1 4 1 2 . . .",
                "1 2 3 3 2 2 4 1 2 5 . 3",
                ". 3 3 3 2 3 4 2 2 5 1 .",
                "1 2 3 3 2 4 4 1 2 5 1 .",
            ],
            0.743,
        ),
        # Three coders, fifteen things: Wikipedia, 'Krippendorff's alpha' (cells from memory).
        (
            [
                ". . . . . 3 4 1 2 1 1 3 3 . 3",
                "1 . 2 1 3 3 4 3 . . . . . . .",
                ". . 2 1 3 4 4 . 2 1 1 3 3 . 4",
            ],
            0.691,
        ),
    ],
)
def test_krippendorffs_alpha_of_worked_examples(coders: list[str], value: float) -> None:
    found = agreement(from_coders(coders))
    assert found.method is Method.ALPHA
    assert found.value == pytest.approx(value, abs=5e-4)
    table = [[np.nan if c == "." else float(c) for c in line.split()] for line in coders]
    reference = krippendorff.alpha(reliability_data=table, level_of_measurement="nominal")
    assert found.value == pytest.approx(reference, abs=1e-12)


def test_cohen_agrees_with_the_libraries_on_random_tables(rng: np.random.Generator) -> None:
    for _ in range(50):
        one, other = rng.integers(0, 3, 40), rng.integers(0, 3, 40)
        (value,) = cohen(np.eye(3)[one], np.eye(3)[other], np.ones((1, 40)))
        assert value == pytest.approx(cohen_kappa_score(one, other), abs=1e-12)


def test_fleiss_agrees_with_statsmodels_on_random_tables(rng: np.random.Generator) -> None:
    for _ in range(50):
        counts = rng.multinomial(4, [0.5, 0.3, 0.2], size=25)
        (value,) = fleiss(counts.astype(float), np.ones((1, 25)))
        assert value == pytest.approx(fleiss_kappa(counts), abs=1e-12)


def test_alpha_agrees_with_the_krippendorff_package(rng: np.random.Generator) -> None:
    """With answers missing at random; things with fewer than two raters count in neither."""
    for _ in range(50):
        table = rng.integers(0, 3, (4, 20)).astype(float)
        table[rng.random((4, 20)) < 0.3] = np.nan
        things = [
            {str(coder): str(int(v)) for coder, v in enumerate(column) if not np.isnan(v)}
            for column in table.T
        ]
        rated = [thing for thing in things if len(thing) >= 2]
        counts = count_answers(rated, ["0", "1", "2"])
        (value,) = alpha(counts, np.ones((1, len(rated))))
        reference = krippendorff.alpha(reliability_data=table, level_of_measurement="nominal")
        assert value == pytest.approx(reference, abs=1e-12)


def test_the_bootstrap_interval_is_close_to_the_asymptotic_one() -> None:
    """The interval of statsmodels rests on Fleiss, Cohen and Everitt 1969; n = 400."""
    table = [[160, 40], [80, 120]]
    found = agreement(from_table(table))
    reference = cohens_kappa(np.array(table))
    assert found.interval is not None
    assert found.interval[0] == pytest.approx(reference.kappa_low, abs=0.02)
    assert found.interval[1] == pytest.approx(reference.kappa_upp, abs=0.02)
