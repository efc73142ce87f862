"""The likeliest course through surfaces, against every possible course."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from review.rubbing import FLOOR, likeliest_course


def score(path: tuple[int, ...], probability, penalty: float) -> float:
    evidence = sum(np.log(max(probability[i, s], FLOOR)) for i, s in enumerate(path))
    changes = sum(a != b for a, b in pairwise(path))
    return float(evidence - penalty * changes)


@pytest.mark.parametrize("penalty", [0.0, 0.7, 3.0])
def test_no_course_scores_higher(rng, penalty):
    for _ in range(20):
        probability = rng.dirichlet(np.full(3, 0.4), size=6)
        found = tuple(likeliest_course(probability, penalty).tolist())
        best = max(score(path, probability, penalty) for path in product(range(3), repeat=6))
        assert score(found, probability, penalty) == pytest.approx(best, abs=1e-9)


def test_without_a_price_every_sample_decides_for_itself(rng):
    probability = rng.dirichlet(np.ones(5), size=40)
    np.testing.assert_array_equal(likeliest_course(probability, 0.0), probability.argmax(axis=1))


def test_a_short_doubt_is_bridged_and_a_real_change_is_not():
    probability = np.full((60, 3), 0.05)
    probability[:30, 0] = probability[30:, 1] = 0.9
    probability[12:14] = [0.3, 0.1, 0.6]  # two samples that look like something else
    path = likeliest_course(probability, 8.0)
    np.testing.assert_array_equal(path, np.repeat([0, 1], 30))


def test_one_sample_is_its_own_course():
    assert likeliest_course(np.array([[0.2, 0.8]]), 8.0).tolist() == [1]
