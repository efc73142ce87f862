"""Wiped area: polygons against a reference library, sweeps with known areas, what is not seen."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPoint, Point, Polygon

from review.convex import convex_hull, inside_convex, square_homography, windows_inside
from review.emissions import PHASES, STEPS, Emissions
from review.settings import SurfaceDetection
from review.surface import (
    WipingFindings,
    measure_wiping,
    wiping_in,
)
from review.timeline import Interval, Phase
from review.tracks import TimeBase
from tests import builders

SETTINGS = SurfaceDetection()
STAY_S = 0.2 + SETTINGS.approach_s
WIDTH = builders.HAND_WIDTH


def wipe(
    rows: list[float],
    seconds: float = 1.6,
    fps: float = 15.0,
    lose: float = 0.0,
    seed: int = 0,
    corners: np.ndarray | None = None,
    left_handed: bool = False,
    lead: float = 0.0,
    upright: bool = False,
) -> WipingFindings:
    """A flat hand wiping along x from 0.3 to 0.7 and back, one stroke for each row (y).

    With ``lead`` it comes from that far above the first row within a second. ``upright`` swaps x
    and y.
    """
    ends, points = (0.3, 0.7), [(0.3, rows[0])]
    at = [STAY_S]
    for index, row in enumerate(rows):
        if row != points[-1][1]:
            points.append((points[-1][0], row))
            at.append(at[-1] + 0.4)
        points.append((ends[(index + 1) % 2], row))
        at.append(at[-1] + seconds)
    # The hand stays a moment before the first stroke and after the last.
    if lead:
        points, at = [(0.3, rows[0] - lead), *points], [STAY_S, *(time + 1.0 for time in at)]
    times = builders.times(at[-1] + STAY_S, fps)
    path = np.stack([np.interp(times, at, [p[k] for p in points]) for k in (0, 1)], axis=1)
    if upright:
        path = path[:, ::-1]
    rest = np.tile([0.9, 0.5], (len(times), 1))
    hands = builders.hands_at(rest, path, len(times))
    if left_handed:
        hands = builders.hands_at(path, rest, len(times))
    gone = np.random.default_rng(seed).random(len(times)) < lose
    hands[gone, 0 if left_handed else 1] = np.nan
    track = builders.make_track(times, hands=hands)
    phases = builders.phases((Phase.SURFACE_PREP, 0.0, at[-1] + STAY_S))
    return measure_wiping(phases, track, SETTINGS, corners)


# --- geometry -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_hull_and_inside_agree_with_shapely(seed: int) -> None:
    # Reference: shapely, MultiPoint.convex_hull and covers.
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(rng.integers(3, 30), 2))
    hull = convex_hull(points)
    expected = MultiPoint(points).convex_hull
    assert Polygon(hull).symmetric_difference(expected).area < 1e-12
    probes = rng.normal(size=(200, 2))
    truth = [expected.covers(Point(p)) for p in probes]
    np.testing.assert_array_equal(inside_convex(probes, hull), truth)


def test_cells_of_windows_lie_in_their_polygons_as_shapely_has_them() -> None:
    # Reference: shapely, Polygon.covers. One polygon repeats its last corner, one has no area.
    rng = np.random.default_rng(4)
    hull = convex_hull(rng.normal(size=(9, 2)))
    kinds = {
        "whole": hull,
        "turned round": hull[::-1],
        "fewer corners": hull[np.minimum(np.arange(len(hull)), 2)],
        "no area": np.repeat(hull[:2], [1, len(hull) - 1], axis=0),
    }
    x = rng.normal(size=(len(kinds), 12))
    y = rng.normal(size=(len(kinds), 10))
    inside = windows_inside(x, y, np.stack(list(kinds.values())))
    assert inside.shape == (len(kinds), 10, 12)
    for name, columns, rows, corners, found in zip(
        kinds, x, y, kinds.values(), inside, strict=True
    ):
        shape = Polygon(corners)
        truth = [[name != "no area" and shape.covers(Point(a, b)) for a in columns] for b in rows]
        np.testing.assert_array_equal(found, truth, err_msg=name)
    assert inside[:3].any(axis=(1, 2)).all()


def test_homography_takes_the_corners_to_the_unit_square() -> None:
    corners = np.array([[0.3, 0.4], [0.7, 0.42], [0.85, 0.6], [0.2, 0.58]])
    matrix = square_homography(corners)
    mapped = np.column_stack([corners, np.ones(4)]) @ matrix.T
    np.testing.assert_allclose(
        mapped[:, :2] / mapped[:, 2:], [[0, 0], [1, 0], [1, 1], [0, 1]], atol=1e-9
    )
    with pytest.raises(ValueError, match="four corners"):
        square_homography(corners[:3])
    with pytest.raises(ValueError, match="four corners"):
        square_homography(corners[[0, 2, 1, 3]] * [[1, 1], [1, 1], [0.5, 0.5], [1, 1]] * 0.0)


# --- sweeps ----------------------------------------------------------------------------------


def test_the_wiped_area_agrees_with_the_union_of_footprints_in_shapely() -> None:
    # Reference: shapely, union of the widened hulls of the hand along its path.
    found = wipe([0.3])
    assert found.grid is not None
    hand = builders.hand_template()[:, :2] * WIDTH
    hull = convex_hull(hand)
    middle = hull.mean(axis=0)
    away = hull - middle
    length = np.linalg.norm(away, axis=1, keepdims=True)
    grown = middle + away * (1 + SETTINGS.margin_hand_widths * WIDTH / length)
    steps = [Polygon(grown + [x, 0.3]) for x in np.linspace(0.3, 0.7, 200)]
    expected = shapely.union_all(steps).area
    cell = (found.grid.x[1] - found.grid.x[0]) * (found.grid.y[1] - found.grid.y[0])
    assert found.grid.wiped.sum() * cell == pytest.approx(expected, rel=0.04)


def test_lanes_beside_each_other_cover_all_and_go_over_nothing_again() -> None:
    found = wipe([0.2, 0.34, 0.48])
    assert found.covered.value == pytest.approx(1.0, abs=0.05)
    assert found.gone_over_again.value == pytest.approx(0.0, abs=0.03)
    assert found.gone_over_again.spans == ()
    assert found.reversals == 2


def test_the_way_to_the_first_stroke_wipes_nothing() -> None:
    times = builders.times(6.0, 15.0)
    # Along the first lane and back while arriving, then over it once: not gone over again.
    x = np.interp(times, [0.0, 0.3, 0.6, 0.8, 5.2, 6.0], [0.7, 0.5, 0.3, 0.3, 0.7, 0.7])
    path = np.stack([x, np.full(len(times), 0.4)], axis=1)
    hands = builders.hands_at(np.tile([0.9, 0.5], (len(times), 1)), path, len(times))
    found = measure_wiping(
        builders.phases((Phase.SURFACE_PREP, 0.0, 6.0)),
        builders.make_track(times, hands),
        SETTINGS,
    )
    assert found.gone_over_again.value == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("back", [1, 2])
def test_going_back_over_lanes_is_that_share_of_them(back: int) -> None:
    rows = [0.2, 0.34, 0.48]
    found = wipe(rows + rows[::-1][:back])
    # Not quite: places next to the turn are passed again within the delay. The core (1.05
    # hand widths x 0.4 to either side) must have left a place for 0.6 s at 0.25 a second.
    near_turn = 1.05 * SETTINGS.core_share * WIDTH + 0.25 * SETTINGS.rewipe_delay_s / 2
    length = 0.4 + 2 * 1.05 * SETTINGS.core_share * WIDTH
    expected = (back - near_turn / length) / 3
    assert found.gone_over_again.value == pytest.approx(expected, abs=0.07)
    first = found.gone_over_again.spans[0].start_s
    begins = STAY_S + 5.6  # after three strokes and two turns
    assert begins < first < begins + 1.4


def test_a_strip_left_out_in_the_middle_is_missing() -> None:
    found = wipe([0.2, 0.48], seconds=1.6)
    gap = (0.48 - 0.2) - (1.1 + 0.1875 + 0.75 + 0.6) * WIDTH
    assert gap > 0.02, "the rows are further apart than the hand is long"
    assert found.covered.value is not None and 0.6 < found.covered.value < 0.95


def test_with_the_area_drawn_what_was_never_approached_counts() -> None:
    corners = np.array([[0.3, 0.2], [0.7, 0.2], [0.7, 0.6], [0.3, 0.6]])
    hull = wipe([0.2, 0.3])
    drawn = wipe([0.2, 0.3], corners=corners)
    assert hull.covered.value == pytest.approx(1.0, abs=0.05) and hull.covered.why
    # Reach of the cloth below the palm: wrist 0.75 widths, and what reaches beyond the hand.
    reached = (0.3 + (0.75 + SETTINGS.cloth_hand_widths) * WIDTH - 0.2) / 0.4
    assert drawn.covered.value == pytest.approx(reached, abs=0.05)


def test_perspective_weights_follow_the_homography() -> None:
    # A trapezium: a far strip shows less area in the picture than the same strip nearby.
    corners = np.array([[0.4, 0.2], [0.6, 0.2], [0.8, 0.6], [0.2, 0.6]])
    found = wipe([0.3], corners=corners)
    assert found.grid is not None
    inside = found.grid.area
    far = inside & (found.grid.y[:, None] < 0.3)
    plain = far.sum() / inside.sum()
    weighted = found.grid.weight[far].sum() / found.grid.weight[inside].sum()
    # Exact share of the table beyond that row, from the homography itself.
    matrix = square_homography(corners)
    edge = matrix @ np.array([0.5, 0.3, 1.0])
    assert weighted == pytest.approx(edge[1] / edge[2], abs=0.04)
    assert weighted > plain + 0.1


def test_either_hand_may_wipe() -> None:
    one, two = wipe([0.2, 0.34, 0.48]), wipe([0.2, 0.34, 0.48], left_handed=True)
    assert one.covered.value == pytest.approx(two.covered.value, abs=0.03)
    assert one.reversals == two.reversals


@pytest.mark.parametrize("upright", [False, True])
def test_the_way_to_the_first_stroke_is_not_wiped(upright: bool) -> None:
    rows = [0.3, 0.4, 0.5]
    plain, led = wipe(rows, upright=upright), wipe(rows, upright=upright, lead=0.2)
    assert plain.grid is not None and led.grid is not None
    assert led.covered.value == pytest.approx(plain.covered.value, abs=0.02)
    area = [float((found.grid.wiped * found.grid.weight).sum()) for found in (plain, led)]
    assert area[1] == pytest.approx(area[0], rel=0.05)
    assert led.gone_over_again.value == pytest.approx(0.0, abs=0.02)


def test_a_hand_lost_now_and_then_gives_the_same_answer() -> None:
    whole, holes = wipe([0.2, 0.34, 0.48]), wipe([0.2, 0.34, 0.48], lose=0.25)
    assert holes.covered.value == pytest.approx(whole.covered.value, abs=0.05)
    assert holes.gone_over_again.value == pytest.approx(0.0, abs=0.05)


def test_seeing_less_never_raises_the_seen_fraction() -> None:
    shares = [wipe([0.2, 0.34], lose=lose).covered.seen_fraction for lose in (0, 0.5, 0.9, 1.0)]
    assert shares == sorted(shares, reverse=True)


@pytest.mark.parametrize("lose", [0.97, 1.0])
def test_a_hand_hardly_seen_is_not_assessable(lose: float) -> None:
    found = wipe([0.2, 0.34, 0.48], lose=lose)
    assert [m.value for m in found.measurements] == [None, None]
    assert all(m.why for m in found.measurements)


def test_no_wiping_is_not_assessable() -> None:
    track = builders.make_track(builders.times(5.0, 15))
    found = measure_wiping(builders.phases((Phase.WASH, 0.0, 5.0)), track, SETTINGS)
    assert found.covered.value is None and found.grid is None and found.reversals is None


def test_what_the_hands_did_before_the_wiping_is_no_wiping():
    at_s = np.arange(0, 20, 0.1)
    step = np.zeros((len(at_s), len(STEPS)))
    step[:, STEPS.index("none")] = 1.0
    wiping = (at_s >= 6.0) & (at_s < 14.0)
    step[wiping] = np.eye(len(STEPS))[STEPS.index("wipe")]
    flat = np.full((len(at_s), len(PHASES)), 1 / len(PHASES))
    zeros = np.zeros(len(at_s))
    evidence = Emissions(TimeBase(at_s, 20.0), flat, step, zeros, zeros, flat[0])
    found = wiping_in(Interval(4.0, 15.0), evidence, SETTINGS)
    assert (found.start_s, found.end_s) == pytest.approx((6.0, 14.0), abs=0.11)
    # A person who set the phase elsewhere knows better than the evidence.
    assert wiping_in(Interval(15.0, 18.0), evidence, SETTINGS) == Interval(15.0, 18.0)
    assert wiping_in(Interval(4.0, 15.0), None, SETTINGS) == Interval(4.0, 15.0)
