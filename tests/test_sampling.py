"""The fair draw: repeatable, and with the chances that its weights promise."""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import math
from collections import Counter
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from review.sampling import chance, draw, pick_random, plan_csv, weight
from review.store.records import RecordingState
from tests.test_spotcheck import DAY, session

DRAWS = 6000


def closed_form(weights: Sequence[float], count: int) -> list[float]:
    """Chance of each to be among ``count`` drawn one by one by weight, summed over orders."""
    found = [0.0] * len(weights)
    for order in itertools.permutations(range(len(weights)), count):
        share, left = 1.0, sum(weights)
        for at in order:
            share *= weights[at] / left
            left -= weights[at]
        for at in order:
            found[at] += share
    return found


@pytest.mark.parametrize(
    ("watched", "count"), [([0, 2], 1), ([0, 1, 3], 2), ([0, 0, 1, 2, 5], 2), ([0, 1, 4, 9], 3)]
)
def test_the_chances_are_those_of_drawing_one_after_another_by_weight(
    watched: list[int], count: int
) -> None:
    """Efraimidis and Spirakis 2006 prove it; here 6,000 draws against the closed form."""
    rows = [session(n, watched=w) for n, w in enumerate(watched)]
    expected = closed_form([weight(row) for row in rows], count)
    assert sum(expected) == pytest.approx(count)
    drawn = Counter(
        row.recording_id for seed in range(DRAWS) for row in pick_random(rows, count, seed)
    )
    for at, share in enumerate(expected):
        sigma = math.sqrt(share * (1 - share) / DRAWS)
        assert drawn[at] / DRAWS == pytest.approx(share, abs=4 * sigma)


def test_two_of_three_worked_by_hand() -> None:
    """Weights 1, 1/2, 1/4 of 7/4: the last is drawn with 1/7 + 4/7 * 1/3 + 2/7 * 1/5 = 41/105."""
    assert closed_form([1, 1 / 2, 1 / 4], 2)[2] == pytest.approx(41 / 105)


def test_the_numbers_behind_a_draw_are_evenly_spread() -> None:
    """Kolmogorov-Smirnov against the uniform distribution (SciPy), over sessions and over draws."""
    assert stats.kstest([chance(7, n) for n in range(4000)], "uniform").pvalue > 0.001
    assert stats.kstest([chance(n, 7) for n in range(4000)], "uniform").pvalue > 0.001


def test_anybody_can_work_a_draw_out_again() -> None:
    """The first session drawn, from the description alone: BLAKE2b of 'draw:session', 8 bytes."""
    rows = [session(n, watched=n % 3) for n in range(30)]

    def key(n: int) -> float:
        digest = hashlib.blake2b(f"12:{n}".encode(), digest_size=8).digest()
        return math.log((int.from_bytes(digest, "big") + 0.5) / 2**64) * (1 + n % 3)

    assert pick_random(rows, 1, 12)[0].recording_id == max(range(30), key=key)


@given(st.integers(0, 10_000), st.integers(0, 10**9))
def test_the_numbers_lie_between_0_and_1(seed: int, number: int) -> None:
    assert 0.0 < chance(seed, number) < 1.0


def test_the_order_of_the_sessions_does_not_matter() -> None:
    rows = [session(n, watched=n % 3) for n in range(40)]
    assert draw(rows, 5, 7) == draw(rows[::-1], 5, 7)
    assert pick_random(rows, 5, 7) != pick_random(rows, 5, 8)


def test_a_session_more_moves_no_other_one() -> None:
    """Those drawn before are drawn still, but for one place that the new one may take."""
    rows = [session(n) for n in range(40)]
    before = [row.recording_id for row in pick_random(rows, 5, 7)]
    after = [row.recording_id for row in pick_random([*rows, session(99)], 5, 7)]
    assert [n for n in after if n != 99] == before[: len(after) - (99 in after)]


def test_the_plan_says_what_was_drawn_from_what() -> None:
    rows = [session(n, watched=n, person="=P" if n == 1 else "P-1") for n in range(4)]
    drawn = draw([*rows, session(9, state=RecordingState.WAITING)], 2, 3)
    read = list(csv.DictReader(io.StringIO(plan_csv(drawn, DAY, "all").decode("utf-8-sig"))))
    assert [int(row["recording"]) for row in read[:2]] == [r.recording_id for r in drawn.picked]
    assert [row["drawn_as"] for row in read] == ["1", "2", "", ""]
    assert sorted(int(row["recording"]) for row in read) == [0, 1, 2, 3]
    assert {row["draw"] for row in read} == {"3"}
    by_number = {int(row["recording"]): row for row in read}
    assert float(by_number[3]["weight"]) == 0.25
    assert by_number[1]["trainee"] == "'=P"


def test_nobody_is_drawn_twice_and_never_more_than_there_are() -> None:
    rows = [session(n) for n in range(4)]
    assert sorted(row.recording_id for row in pick_random(rows, 9, 1)) == [0, 1, 2, 3]
    assert pick_random(rows, 0, 1) == ()
    with pytest.raises(ValueError, match="cannot pick"):
        pick_random(rows, -1, 1)
