"""Where hands work: found from a glance a second, and nothing else taken for it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.survey import (
    BRIDGE_S,
    MARGIN_S,
    MOVED,
    Glances,
    close_spans,
    light_apart,
    moved_cells,
    working,
)
from review.timeline import Interval

ASPECT = 9 / 16
NOISE = 0.02


def hand_at(x: float, y: float, width: float = 0.06) -> np.ndarray:
    """A flat hand's keypoints, enough for its palm and breadth; picture widths."""
    points = np.zeros((21, 3), dtype=np.float32)
    points[:, 0], points[:, 1] = x, y
    points[5, 0], points[17, 0] = x - width / 2, x + width / 2
    return points


def glances(
    count: int,
    hands: dict[int, list[tuple[float, float]]] | None = None,
    moves: dict[int, list[tuple[int, int]]] | None = None,
    sizes: dict[int, float] | None = None,
) -> Glances:
    """One glance a second; hands resting at (0.5, 0.3) throughout unless said otherwise."""
    rng = np.random.default_rng(5)
    change = np.abs(rng.normal(0, NOISE, (count, 18, 32))).astype(np.float32)
    change[0] = np.nan
    points = np.full((count, 4, 21, 3), np.nan, dtype=np.float32)
    for i in range(count):
        for slot, place in enumerate((hands or {}).get(i, [(0.5, 0.3)])):
            points[i, slot] = hand_at(*place)
    for i, cells in (moves or {}).items():
        for row, column in cells:
            change[i, row, column] = 0.4
    size = np.full(count, 1e6)
    for i, factor in (sizes or {}).items():
        size[i] *= factor
    return Glances(
        np.arange(count, dtype=np.float64), change, np.ones(count, dtype=bool), points, size
    )


NEAR = [(9, 16), (9, 17), (10, 16), (10, 17)]
"""Cells at the resting hand: column 16 of 32 is x = 0.52, row 9 of 18 is y = 0.30."""

FAR = [(1, 2), (1, 3), (2, 2), (2, 3)]


def test_nothing_moves_nothing_works() -> None:
    assert not working(glances(60), ASPECT).any()


def test_movement_at_the_hands_is_work() -> None:
    found = working(glances(60, moves={30: NEAR, 31: NEAR}), ASPECT)
    np.testing.assert_array_equal(np.flatnonzero(found), [30, 31])


def test_somebody_passing_far_from_the_hands_is_none() -> None:
    assert not working(glances(60, moves={20: FAR, 21: FAR, 22: FAR}), ASPECT).any()


def test_one_speck_is_none() -> None:
    assert not working(glances(60, moves={20: NEAR[:2]}), ASPECT).any()


def test_hands_that_come_into_an_empty_picture_are_work() -> None:
    empty = {i: [] for i in range(60)} | {30: [(0.5, 0.3)], 31: [(0.55, 0.3)]}
    found = working(glances(60, hands=empty, moves={30: NEAR, 31: NEAR, 32: NEAR}), ASPECT)
    assert {30, 31} <= set(np.flatnonzero(found)) <= set(range(28, 36))


def test_movement_where_hands_were_lost_goes_on_being_work() -> None:
    """Hands that hold each other are often not found; the movement there stays."""
    lost = {i: [] for i in range(31, 38)}
    found = working(glances(60, hands=lost, moves={i: NEAR for i in range(30, 38)}), ASPECT)
    assert set(range(30, 38)) <= set(np.flatnonzero(found))


def test_a_hand_that_changed_place_between_two_looks_is_work() -> None:
    moved = {i: [(0.7, 0.3)] for i in range(40, 60)}
    assert 40 in np.flatnonzero(working(glances(60, hands=moved), ASPECT))


def test_many_bytes_between_two_glances_are_a_movement() -> None:
    found = working(glances(60, sizes={25: 2.5}), ASPECT)
    np.testing.assert_array_equal(np.flatnonzero(found), [25])


def test_without_hands_many_bytes_say_nothing() -> None:
    empty: dict[int, list[tuple[float, float]]] = {i: [] for i in range(60)}
    assert not working(glances(60, hands=empty, sizes={25: 2.5}), ASPECT).any()


def test_an_empty_recording() -> None:
    nothing = Glances(
        np.empty(0), np.empty((0, 18, 32), np.float32), np.empty(0, bool),
        np.empty((0, 4, 21, 3), np.float32), np.empty(0),
    )  # fmt: skip
    assert working(nothing, ASPECT).shape == (0,)
    assert close_spans(nothing, np.empty(0, dtype=bool), 10.0) == []


@pytest.mark.parametrize("gain", [0.9, 1.0, 1.12])
def test_light_that_changes_as_a_whole_moves_nothing(gain: float) -> None:
    before = np.random.default_rng(3).integers(20, 180, (90, 160)).astype(np.uint8)
    now = np.clip(np.rint((before + 8.0) * gain - 8.0), 0, 255).astype(np.uint8)
    assert light_apart(before, now).max() < 0.03 < MOVED
    now[40:50, 60:70] = 250
    assert light_apart(before, now)[40:50, 60:70].min() > MOVED


def test_a_noisy_cell_needs_more() -> None:
    seen = glances(100)
    change = seen.change.copy()
    change[1:, 3, 3] = np.random.default_rng(1).uniform(0.13, 0.16, 99)
    assert not moved_cells(change)[:, 3, 3].any()


def test_spans_have_margins_and_are_joined() -> None:
    seen = glances(100)
    at_work = np.zeros(100, dtype=bool)
    at_work[[20, 21, 26, 60]] = True
    spans = close_spans(seen, at_work, 100.0)
    assert spans == [Interval(19 - MARGIN_S, 27 + MARGIN_S), Interval(59 - MARGIN_S, 61 + MARGIN_S)]


@given(st.lists(st.integers(0, 199), max_size=40), st.floats(150.0, 260.0))
def test_spans_hold_all_work_and_lie_apart(which: list[int], end_s: float) -> None:
    seen = glances(200)
    at_work = np.zeros(200, dtype=bool)
    at_work[which] = True
    end_s = max(end_s, 200.0)
    spans = close_spans(seen, at_work, end_s)
    for i in which:
        assert any(span.start_s <= max(0, i - 1) and i < span.end_s for span in spans)
    for a, b in itertools.pairwise(spans):
        assert b.start_s - a.end_s >= BRIDGE_S
    assert all(0.0 <= span.start_s < span.end_s <= end_s for span in spans)
