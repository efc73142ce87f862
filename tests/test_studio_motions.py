"""The hand movements of the sample recordings: kept lengths, exact counts, smoothness, mirror."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from shapely.geometry import box
from shapely.ops import unary_union

from review.timeline import Surface
from sample_clips.studio.activities import ACTIVITIES
from sample_clips.studio.contacts import Rub, contact
from sample_clips.studio.line import TIP_M
from sample_clips.studio.motions import (
    FIELD,
    Habit,
    Line,
    Motion,
    RubMotion,
    WipeMotion,
    adjust_cloth,
    blend,
    cap,
    clamp,
    dry,
    expose,
    hand_to_face,
    join,
    lay_down,
    leave,
    let_go,
    mirrored,
    out_of_view,
    part,
    pause,
    pick,
    rest,
    rinse,
    scratch,
    soap,
    take_joint,
    to_lap,
    twist,
    undo,
    wet,
)
from sample_clips.studio.moving import mirror_moment, smooth_step
from sample_clips.studio.poses import (
    MAX_EXTENSION,
    MAX_FLEXION,
    Grip,
    angles,
    gathered_angles,
    pinch_angles,
)
from sample_clips.studio.skeleton import HandShape, bones, joints

FRAME_S = 1.0 / 30.0
PALM = [0, 5, 9, 13, 17]
FINGERTIPS = [4, 8, 12, 16, 20]


def person(seed: int) -> Habit:
    rng = np.random.default_rng(seed)
    return Habit.sample(rng, HandShape.sample(rng))


def all_motions(seed: int) -> dict[str, Motion]:
    """Every movement of an exchange and every other activity, by one seeded person."""
    habit = person(seed)
    line = Line.sample(np.random.default_rng(seed + 100), habit)
    found: dict[str, Motion] = {
        f"rub {surface}": RubMotion(surface, 2.0, 3.0, habit, seed=seed) for surface in Surface
    }
    found |= {
        "circling": RubMotion(Surface.PALMS, 2.0, 2.0, habit, style="circular"),
        "together": pause(1.0, habit),
        "apart": pause(1.0, habit, together=False),
        "wet": wet(2.0, habit),
        "rinse": rinse(3.0, habit),
        "soap": soap(habit),
        "dry": dry(3.0, habit),
        "wipe": WipeMotion(habit=habit, back_lanes=1),
        "pick": pick(line),
        "pick both": pick(line, both=True),
        "expose": expose(line),
        "join": join(line),
        "twist": twist(line, 2.0),
        "let go": let_go(line),
        "take joint": take_joint(line),
        "undo": undo(line, 2.0),
        "part": part(line),
        "cap": cap(line),
        "lay down": lay_down(line),
        "rest": rest(1.0, habit),
        "lap": out_of_view(1.0, habit),
        "to lap": to_lap(habit),
        "scratch": scratch(habit),
        "adjust cloth": adjust_cloth(habit),
        "clamp": clamp(habit),
        "face": hand_to_face(habit, "nose"),
        "leave": leave(habit),
        "leave both": leave(habit, both=True),
    }
    found |= {name: make(3.0, habit, seed) for name, make in ACTIVITIES.items()}
    return found


MOTIONS = all_motions(5)
SHAPE = person(5).shape


def keypoints(motion: Motion, fps: float = 30.0) -> np.ndarray:
    """(n, 2, 21, 3) world keypoints of both hands at `fps`, ends included."""
    times = np.append(np.arange(0.0, motion.duration_s, 1.0 / fps), motion.duration_s)
    return np.array([[joints(p, SHAPE) for p in motion.sample(float(t)).pair] for t in times])


@pytest.mark.parametrize("name", MOTIONS)
def test_hands_never_jump_between_frames(name: str) -> None:
    # 4 cm between frames at 30 frames/s is 1.2 m/s: brisk, but a hand's speed.
    steps = np.linalg.norm(np.diff(keypoints(MOTIONS[name]), axis=0), axis=-1)
    assert steps.max() < 0.04


@pytest.mark.parametrize("name", MOTIONS)
def test_bones_keep_their_lengths_and_fingers_bend_as_fingers_do(name: str) -> None:
    motion = MOTIONS[name]
    for t in np.linspace(0.0, motion.duration_s, 7):
        for pose in motion.sample(float(t)).pair:
            points = joints(pose, SHAPE)
            for finger in range(5):
                chain = points[1 + 4 * finger : 5 + 4 * finger]
                lengths = np.linalg.norm(np.diff(chain, axis=0), axis=1)
                np.testing.assert_allclose(lengths, SHAPE.lengths[finger], atol=1e-9)
            assert float(pose.fingers @ pose.palm) == pytest.approx(0.0, abs=0.02)
            slack = np.radians(12.0)  # drift and personal slack on top of the named hand shapes
            assert np.all(pose.curl <= MAX_FLEXION + slack)
            assert np.all(pose.curl >= MAX_EXTENSION - slack)


@pytest.mark.parametrize("name", sorted(set(MOTIONS) - {"lap", "to lap"}))
def test_hands_stay_out_of_the_table(name: str) -> None:
    assert keypoints(MOTIONS[name], 10.0)[..., 1].min() > -0.012


@pytest.mark.parametrize("name", MOTIONS)
def test_mirroring_swaps_the_hands_and_nothing_else(name: str) -> None:
    motion, other = MOTIONS[name], mirrored(MOTIONS[name])
    assert other.duration_s == motion.duration_s
    for t in (0.0, 0.4 * motion.duration_s, motion.duration_s):
        here, there = motion.sample(t), other.sample(t)
        np.testing.assert_allclose(
            joints(there.left, SHAPE), joints(here.right, SHAPE) * [-1, 1, 1], atol=1e-12
        )
        np.testing.assert_allclose(
            joints(there.right, SHAPE), joints(here.left, SHAPE) * [-1, 1, 1], atol=1e-12
        )
        assert len(there.props) == len(here.props)
        for a, b in zip(here.props, there.props, strict=True):
            np.testing.assert_allclose(b.position, a.position * [-1, 1, 1])
            assert np.linalg.det(b.rotation) == pytest.approx(1.0)
    assert mirrored(other) is motion


def test_mirrored_rubbing_is_the_other_hands_surface() -> None:
    rub = RubMotion(Surface.THUMB_LEFT, 4.0, 1.5)
    other = mirrored(rub)
    assert other.surface is Surface.THUMB_RIGHT  # type: ignore[attr-defined]
    assert other.strokes(0.0, 4.0) == rub.strokes(0.0, 4.0)  # type: ignore[attr-defined]


def test_left_and_right_surfaces_are_mirror_images() -> None:
    shape = HandShape()
    for surface in (Surface.BACK_LEFT, Surface.THUMB_LEFT, Surface.FINGERTIPS_LEFT):
        left, right = contact(surface, shape, Rub(along=0.01, turn=0.2, roll=-0.5))
        other = contact(surface.other_side, shape, Rub(along=0.01, turn=0.2, roll=-0.5))
        np.testing.assert_allclose(joints(other[0], shape), joints(right, shape) * [-1, 1, 1])
        np.testing.assert_allclose(joints(other[1], shape), joints(left, shape) * [-1, 1, 1])


def _sweeps_seen(motion: RubMotion) -> int:
    """Whole to-and-fro movements counted in the keypoints themselves, not in the phase.

    The signal is the way of one hand's points in the other hand's frame, projected on its main
    direction; a movement to and fro crosses its middle twice.
    """
    shape = motion.habit.shape
    times = np.arange(0.0, motion.duration_s, 0.06 / motion.tempo_hz)
    rows = []
    for t in times:
        moment = motion.sample(float(t))
        left, right = (joints(p, shape) for p in moment.pair)
        frame = np.stack([moment.left.fingers, moment.left.palm])
        frame = np.vstack([frame, np.cross(*frame)])
        rows.append(((right - left[PALM].mean(axis=0)) @ frame.T).ravel())
    way = np.array(rows) - np.mean(rows, axis=0)
    main = way @ np.linalg.svd(way, full_matrices=False)[2][0]
    band = 0.15 * np.ptp(main)  # hysteresis: a crossing counts once it has gone past the band
    state, crossings = 0, 0
    for value in main:
        now = 1 if value > band else -1 if value < -band else state
        crossings += state != 0 and now != state
        state = now
    return round((crossings + 1) / 2)


@pytest.mark.parametrize("surface", list(Surface))
@pytest.mark.parametrize("tempo", [0.8, 3.0])
def test_strokes_are_tempo_times_time_and_can_be_seen(surface: Surface, tempo: float) -> None:
    motion = RubMotion(surface, 10.0 / tempo, tempo, person(3), seed=2)
    assert motion.strokes(0.0, motion.duration_s) == pytest.approx(10.0)
    middle = motion.strokes(0.0, 4.0) + motion.strokes(4.0, motion.duration_s)
    assert middle == pytest.approx(10.0)
    counts = np.diff([motion.strokes(0.0, t) for t in np.linspace(0.0, motion.duration_s, 99)])
    assert np.all(counts > 0.0)
    assert abs(_sweeps_seen(motion) - 10) <= 1


# Palm centres (mean of wrist and knuckles) apart, metres: about two half palms where palms lie
# on palms or backs; about a finger's length where fingers or fingertips do the touching.
CONTACT_M = {
    Surface.PALMS: 0.055,
    Surface.BACK_LEFT: 0.055,
    Surface.BACK_RIGHT: 0.055,
    Surface.BETWEEN_FINGERS: 0.085,
    Surface.BACKS_OF_FINGERS: 0.115,
    Surface.THUMB_LEFT: 0.115,
    Surface.THUMB_RIGHT: 0.115,
    Surface.FINGERTIPS_LEFT: 0.115,
    Surface.FINGERTIPS_RIGHT: 0.115,
}


@pytest.mark.parametrize("surface", list(Surface))
def test_hands_touch_while_rubbing(surface: Surface) -> None:
    for seed in range(3):
        habit = person(seed)
        motion = RubMotion(surface, 3.0, 1.5, habit, seed=seed)
        for t in np.linspace(0.0, 3.0, 13):
            left, right = (joints(p, habit.shape) for p in motion.sample(float(t)).pair)
            apart = np.linalg.norm(left[PALM].mean(axis=0) - right[PALM].mean(axis=0))
            assert apart < CONTACT_M[surface] * 1.12
            nearest = np.linalg.norm(left[:, None] - right[None], axis=-1).min()
            assert nearest < 0.035


def _palm_box_depth(points: np.ndarray, pose: object, shape: HandShape) -> float:
    """How deep the deepest of `points` lies in the flat box of the other hand's palm, metres."""
    axes = np.stack([np.cross(pose.fingers, pose.palm), pose.fingers, pose.palm])  # type: ignore[attr-defined]
    local = (points - pose.wrist) @ axes.T  # type: ignore[attr-defined]
    inside = (np.abs(local[:, 0]) < 0.03) & (local[:, 1] > 0.01) & (local[:, 1] < 0.08)
    return float(np.max(np.where(inside, shape.depth - np.abs(local[:, 2]), 0.0), initial=0.0))


@pytest.mark.parametrize("surface", list(Surface))
def test_hands_do_not_sink_into_each_other(surface: Surface) -> None:
    # Keypoints are the middle lines of fingers: they must stay about outside the other palm.
    habit = person(1)
    motion = RubMotion(surface, 2.0, 1.5, habit)
    for t in np.linspace(0.0, 2.0, 9):
        moment = motion.sample(float(t))
        left, right = (joints(p, habit.shape) for p in moment.pair)
        assert _palm_box_depth(left, moment.right, habit.shape) < 0.005
        assert _palm_box_depth(right, moment.left, habit.shape) < 0.005


def test_palms_face_each_other_and_the_covered_back_faces_away() -> None:
    shape = HandShape()
    left, right = contact(Surface.PALMS, shape, Rub())
    assert float(left.palm @ right.palm) < -0.99
    # Right palm over the back of the left hand: both palms look the same way, left one below.
    left, right = contact(Surface.BACK_LEFT, shape, Rub())
    assert float(left.palm @ right.palm) > 0.99
    above = joints(right, shape)[PALM].mean(axis=0) - joints(left, shape)[PALM].mean(axis=0)
    assert float(above @ -left.palm) > 1.5 * shape.depth


def test_held_thumb_is_inside_the_fist_and_fingertips_are_in_the_palm() -> None:
    shape = HandShape()
    left, right = contact(Surface.THUMB_LEFT, shape, Rub())
    thumb, fist = joints(left, shape)[3], joints(right, shape)
    ring = np.vstack([fist[PALM], fist[[6, 7, 8, 10, 11, 12, 14, 15, 16]]])
    assert np.linalg.norm(thumb - ring.mean(axis=0)) < 0.03
    left, right = contact(Surface.FINGERTIPS_LEFT, shape, Rub())
    tips = joints(left, shape)[FINGERTIPS]
    palm = joints(right, shape)[PALM].mean(axis=0)
    assert np.linalg.norm(tips.mean(axis=0) - palm) < 0.035
    assert np.linalg.norm(tips - tips.mean(axis=0), axis=1).max() < 0.03


@pytest.mark.parametrize("seed", range(4))
def test_pinches_meet_and_stay_within_the_joints(seed: int) -> None:
    shape = HandShape.sample(np.random.default_rng(seed))
    for gap in (0.006, 0.010, 0.034):
        curl, spread = pinch_angles(shape, gap)
        tips = bones(shape, curl, spread).joints
        pads = 0.8 * (shape.girths[0][3] + shape.girths[1][3])
        assert np.linalg.norm(tips[4] - tips[8]) == pytest.approx(gap + pads, abs=0.002)
        assert np.all(curl <= MAX_FLEXION + 1e-6) and np.all(curl >= MAX_EXTENSION - 1e-6)
    bunch = bones(shape, *gathered_angles(shape)).joints[FINGERTIPS]
    assert np.linalg.norm(bunch - bunch.mean(axis=0), axis=1).max() < 0.03


def test_named_hand_shapes_stay_within_the_joints() -> None:
    for grip in Grip:
        curl, spread = angles(grip)
        assert curl.shape == (5, 3) and spread.shape == (5,)
        assert np.all(curl <= MAX_FLEXION) and np.all(curl >= MAX_EXTENSION), grip


WIPES = {
    "clean": WipeMotion(),
    "tight lanes": WipeMotion(lanes=4),
    "too few lanes": WipeMotion(lanes=2),
    "goes back": WipeMotion(back_lanes=2),
    "goes back over all": WipeMotion(back_lanes=3),
    "leaves some out": WipeMotion(leave_out=1, start="near", from_left=False),
    "one lane": WipeMotion(area=(-0.2, 0.2, 0.3, 0.42)),
}


@pytest.mark.parametrize("name", WIPES)
@pytest.mark.parametrize("share", [0.35, 0.8, 1.0])
def test_wiped_shares_equal_a_union_of_rectangles(name: str, share: float) -> None:
    # Reference: shapely's polygon union of the cloth's footprint at many small steps.
    wipe = WIPES[name]
    until = share * wipe.duration_s
    x0, x1, z0, z1 = wipe.area
    area = box(x0, z0, x1, z1)
    w, d = wipe.cloth_m[0] / 2.0, wipe.cloth_m[1] / 2.0

    def footprint(a: tuple[float, float], b: tuple[float, float]):  # type: ignore[no-untyped-def]
        (ax, bx), (az, bz) = sorted((a[0], b[0])), sorted((a[1], b[1]))
        return box(ax - w, az - d, bx + w, bz + d)

    times = np.append(np.arange(0.0, until, 0.02), until)
    places = [wipe.cloth_at(float(t)) for t in times]
    # Lanes run along x: consecutive places with the same z and growing way are one lane.
    swept = unary_union([footprint(a, b) for a, b in pairwise(places)])
    assert wipe.covered_fraction(until) == pytest.approx(
        swept.intersection(area).area / area.area, abs=2e-3
    )
    if share == 1.0:
        lanes = [footprint(leg.start, leg.end) for leg in wipe.legs if leg.lane is not None]
        twice = unary_union(
            [a.intersection(b) for i, a in enumerate(lanes) for b in lanes[i + 1 :]]
        )
        assert wipe.gone_over_again_fraction() == pytest.approx(
            twice.intersection(area).area / area.area, abs=1e-9
        )


def test_a_clean_wipe_covers_all_and_a_faulty_one_is_told_apart() -> None:
    clean = WIPES["clean"]
    assert clean.covered_fraction() == pytest.approx(1.0)
    assert clean.gone_over_again_fraction() < 0.10
    assert WIPES["goes back"].gone_over_again_fraction() > 0.5
    assert WIPES["goes back over all"].gone_over_again_fraction() == pytest.approx(1.0)
    assert WIPES["leaves some out"].covered_fraction() < 0.75
    assert clean.covered_fraction(0.0) == pytest.approx(
        clean.cloth_m[0] * clean.cloth_m[1] / (0.48 * 0.34), rel=1e-6
    )


def test_the_cloth_goes_one_way_down_the_table_and_follows_the_hand() -> None:
    clean = WIPES["clean"]
    rows = [clean.cloth_at(float(t))[1] for t in np.linspace(0.0, clean.duration_s, 200)]
    assert np.all(np.diff(rows) <= 1e-12)
    moment = clean.sample(2.0)
    (cloth,) = moment.props
    palm = joints(moment.right, clean.habit.shape)[[9, 10]].mean(axis=0)
    assert np.linalg.norm((palm - cloth.position)[[0, 2]]) < 0.03


@pytest.mark.parametrize(
    "bad", [{"area": (0.0, 0.1, 0.2, 0.5)}, {"leave_out": 3}, {"back_lanes": 9}]
)
def test_impossible_wipes_are_refused(bad: dict) -> None:  # type: ignore[type-arg]
    with pytest.raises(ValueError, match=r"area|lanes"):
        WipeMotion(**bad)


def ends_apart(line: Line, moment: object) -> float:
    """Signed metres between the two connector tips along the common axis."""
    left, right = (
        line.pinch_of(p) + TIP_M * line.axis_of(p)
        for p in (moment.left, moment.right)  # type: ignore[attr-defined]
    )
    return float((left - right) @ line.axis)


@pytest.mark.parametrize("seed", range(3))
def test_joining_closes_the_gap_and_parting_opens_it(seed: int) -> None:
    line = Line.sample(np.random.default_rng(seed), person(seed))
    joining, parting = join(line), part(line, 0.20)
    assert ends_apart(line, joining.sample(0.0)) == pytest.approx(line.apart_m, abs=0.015)
    assert abs(ends_apart(line, joining.sample(joining.duration_s))) < 0.012
    assert abs(ends_apart(line, parting.sample(0.0))) < 0.012
    assert ends_apart(line, parting.sample(parting.duration_s)) == pytest.approx(0.20, abs=0.015)


def test_steps_of_the_line_fit_end_to_start() -> None:
    line = Line.sample(np.random.default_rng(4), person(4))
    connect = [pick(line), expose(line), join(line), twist(line, 2.0), let_go(line)]
    disconnect = [take_joint(line), undo(line, 2.0), part(line), cap(line), lay_down(line)]
    for chain in (connect, disconnect):
        for before, after in pairwise(chain):
            start, end = before.sample(before.duration_s), after.sample(0.0)
            for a, b in zip(start.pair, end.pair, strict=True):
                assert np.linalg.norm(a.wrist - b.wrist) < 0.05  # a grip let go of may turn
            assert len(start.props) == len(end.props)  # nothing appears or vanishes


def test_the_line_is_open_between_the_caps() -> None:
    line = Line.sample(np.random.default_rng(5), person(5))
    opening, closing = expose(line), cap(line)
    assert 0.0 < opening.marks["opens"] < opening.duration_s
    assert 0.0 < closing.marks["closes"] < closing.duration_s

    def cap_from_tip(motion: object, t: float) -> float:
        moment = motion.sample(t)  # type: ignore[attr-defined]
        tip = line.pinch_of(moment.left) + TIP_M * line.axis_of(moment.left)
        return min(
            float(np.linalg.norm(p.position - tip)) for p in moment.props if p.size[1] == 0.018
        )

    assert cap_from_tip(opening, opening.marks["opens"] - 0.05) < 0.012
    assert cap_from_tip(opening, opening.marks["opens"] + 0.5) > 0.03
    assert cap_from_tip(closing, closing.marks["closes"] - 0.6) > 0.02
    assert cap_from_tip(closing, closing.marks["closes"] + 0.05) < 0.012


def test_twisting_turns_the_right_hand_about_the_line_and_undoing_turns_it_back() -> None:
    line = Line(seed=3)

    def turned(motion: object, share: float) -> float:
        """Angle of the palm about the line, radians, from the start."""
        start, now = (motion.sample(t).right.palm for t in (0.0, share))  # type: ignore[attr-defined]
        flat = [v - line.axis * float(v @ line.axis) for v in (start, now)]
        return float(np.arctan2(np.cross(*flat) @ line.axis, flat[0] @ flat[1]))

    tight = twist(line, 4.0, 1.0)
    loose = undo(line, 4.6, 1.0)
    assert turned(tight, 0.55) > 0.8
    assert turned(loose, 0.6 + 0.55) < -0.8
    assert tight.turns(0.0, 4.0) == pytest.approx(4.0)


def test_a_hand_reaches_the_face_and_comes_back() -> None:
    for which in ("cheek", "nose", "forehead", "chin"):
        motion = hand_to_face(person(2), which, touch_s=1.4)  # type: ignore[arg-type]
        middle = 0.5 * (motion.marks["touch"] + motion.marks["away"])
        tips = joints(motion.sample(middle).right, person(2).shape)[FINGERTIPS]
        assert np.linalg.norm(tips - [0.0, 0.68, 0.05], axis=1).min() < 0.15
        assert motion.marks["away"] - motion.marks["touch"] == pytest.approx(1.4, abs=0.2)
        back = motion.sample(motion.duration_s).right.wrist
        assert np.linalg.norm(back - motion.sample(0.0).right.wrist) < 0.02


def test_leaving_goes_out_of_the_clean_field_and_the_lap_is_below_the_table() -> None:
    motion = leave(person(2))
    assert motion.sample(motion.marks["gone"] + 0.3).right.wrist[0] < -0.45
    lap = out_of_view(1.0, person(2)).sample(0.5)
    assert all(joints(p, person(2).shape)[:, 1].max() < -0.05 for p in lap.pair)


def test_blends_join_any_two_moments_without_a_jump() -> None:
    habit = person(5)
    moments = [motion.sample(0.0) for motion in MOTIONS.values()]
    rng = np.random.default_rng(0)
    for _ in range(12):
        a, b = (moments[i] for i in rng.choice(len(moments), 2, replace=False))
        way = blend(a, b)
        assert way.duration_s >= 0.4
        for before, after in ((a, way.sample(0.0)), (b, way.sample(way.duration_s))):
            for p, q in zip(before.pair, after.pair, strict=True):
                np.testing.assert_allclose(joints(p, SHAPE), joints(q, SHAPE), atol=1e-9)
        steps = np.linalg.norm(np.diff(keypoints(way), axis=0), axis=-1)
        assert steps.max() < 0.04
    assert way.sample(0.0).props == a.props
    assert way.sample(way.duration_s).props == b.props
    near = blend(rest(1.0, habit).sample(0.0), rest(1.0, habit).sample(1.0))
    assert near.duration_s == pytest.approx(0.4)


def test_smooth_step_is_the_minimum_jerk_profile() -> None:
    # Flash and Hogan, J Neurosci 1985: x(s) = 10 s^3 - 15 s^4 + 6 s^5; peak speed 15/8 of the
    # mean (value from memory, checked here by differences).
    s = np.linspace(0.0, 1.0, 2001)
    way = np.array([smooth_step(float(v)) for v in s])
    np.testing.assert_allclose(way, 10 * s**3 - 15 * s**4 + 6 * s**5, atol=1e-12)
    assert np.diff(way).max() * 2000 == pytest.approx(15.0 / 8.0, rel=1e-4)


def test_the_same_seed_gives_the_same_movement_and_another_one_differs() -> None:
    a, b, c = (
        RubMotion(Surface.PALMS, 3.0, 1.5, person(seed), seed=1).sample(1.3) for seed in (7, 7, 8)
    )
    np.testing.assert_array_equal(a.left.wrist, b.left.wrist)
    assert np.linalg.norm(a.left.wrist - c.left.wrist) > 1e-3
    mirror = mirror_moment(mirror_moment(a))
    np.testing.assert_allclose(mirror.left.wrist, a.left.wrist)


def test_impossible_rhythms_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        RubMotion(Surface.PALMS, 3.0, 0.0)
    with pytest.raises(ValueError, match="positive"):
        RubMotion(Surface.PALMS, -1.0, 1.0)


def test_rubbing_happens_where_it_is_asked_to() -> None:
    for centre in (FIELD, (0.42, 0.14, 0.34)):
        motion = RubMotion(Surface.PALMS, 2.0, 1.5, person(1), centre)
        points = keypoints(motion, 10.0)[:, :, PALM].mean(axis=(0, 1, 2))
        assert np.linalg.norm(points - centre) < 0.06
