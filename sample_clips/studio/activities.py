"""Things people do with their hands at a table that are no bag exchange.

They are here so that recognition can be taught what to leave alone. World frame and units as in
`skeleton`; every activity is seeded and runs for the seconds it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from review.timeline import Surface
from sample_clips.studio.contacts import Rub, contact
from sample_clips.studio.moving import (
    Beat,
    Habit,
    Keyed,
    KeyList,
    Moment,
    Motion,
    Wander,
    hand_drift,
    smooth_step,
)
from sample_clips.studio.poses import (
    Array,
    Grip,
    X,
    Y,
    Z,
    flexed,
    hand,
    moved,
    pinch_angles,
    pinch_point,
    point_of,
    rotated,
    settle,
    turn,
    unit,
)
from sample_clips.studio.rubbing import FIELD, RubMotion, grounded
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose, Side
from sample_clips.studio.waiting import on_table

CUP_SIZE = (0.075, 0.095, 0.075)
_CUP_HOLD = (0.004, 0.088, 0.052)  # middle of a held cup in the hand frame


def _rng(habit: Habit, seed: int, salt: int) -> np.random.Generator:
    return np.random.default_rng([habit.seed, seed & 0x7FFFFFFF, salt])


def _cup_hand(side: Side, foot: Array) -> HandPose:
    """A hand round a cup whose foot stands at `foot`: thumb up, palm to the cup."""
    inward = 1.0 if side == "right" else -1.0
    fingers, palm = unit([0.35 * inward, 0.02, 0.92]), unit([0.92 * inward, 0.0, -0.35])
    return hand(side, fingers, palm, flexed(Grip.CUP, 0.0), foot + 0.062 * Y, _CUP_HOLD)


def _cup(foot: Array, colour: tuple[int, int, int]) -> Prop:
    size = np.array(CUP_SIZE)
    return Prop("cylinder", foot + Y * size[1] / 2.0, np.eye(3), size, colour)


def sliding_cups(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """Each hand slides a cup about on the table, now and then changing their places."""
    rng = _rng(habit, seed, 1)
    home = np.array([0.13, 0.0, 0.36])
    feet = [home.copy(), home * [-1, 1, 1]]
    keys = KeyList(_cup_hand("left", feet[0]), _cup_hand("right", feet[1]))
    while keys.now_s < duration_s:
        for which, sign in ((0, 1.0), (1, -1.0)):
            if rng.random() < 0.7:
                feet[which] = np.array(
                    [sign * rng.uniform(0.07, 0.24), 0.0, rng.uniform(0.28, 0.46)]
                )
        keys.to(_cup_hand("left", feet[0]), _cup_hand("right", feet[1]), rng.uniform(0.5, 1.1))
        keys.hold(rng.uniform(0.05, 0.5))

    def props(_t: float, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
        held = [point_of(pose, _CUP_HOLD) * [1.0, 0.0, 1.0] for pose in (left, right)]
        return _cup(held[0], (200, 208, 214)), _cup(held[1], (160, 176, 190))

    return Keyed(keys.built(), hand_drift(habit, seed + 40, 0.001), props)


def talking_hands(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """Gestures while talking: both hands rise, open, turn over, chop and sink again."""
    rng = _rng(habit, seed, 2)
    keys = KeyList(*on_table(habit, seed))

    def gesture(side: Side) -> HandPose:
        sign = -1.0 if side == "right" else 1.0
        at = np.array(
            [sign * rng.uniform(0.08, 0.24), rng.uniform(0.12, 0.32), rng.uniform(0.26, 0.42)]
        )
        fingers = unit(
            [-sign * rng.uniform(0.0, 0.7), rng.uniform(-0.1, 0.9), rng.uniform(0.3, 0.9)]
        )
        palm = unit([-sign * rng.uniform(0.3, 1.0), rng.uniform(-0.7, 0.9), rng.uniform(-0.4, 0.3)])
        grip = (Grip.RELAXED, Grip.SPREAD, Grip.CUPPED, Grip.POINT)[rng.integers(4)]
        return hand(side, fingers, palm, grip, at, (0.0, 0.06, 0.0))

    while keys.now_s < duration_s:
        if rng.random() < 0.2:
            keys.to(*on_table(habit, seed + 1), seconds=0.6).hold(rng.uniform(0.2, 0.9))
            continue
        left = gesture("left") if rng.random() < 0.8 else None
        right = gesture("right") if rng.random() < 0.9 else None
        keys.to(left, right, rng.uniform(0.3, 0.7))
        if rng.random() < 0.4:  # a beat or two down and up
            last = keys.keys[-1]
            drop = np.array([0.0, -0.04, 0.01])
            for _ in range(int(rng.integers(1, 4))):
                keys.to(moved(last.left, drop), moved(last.right, drop), 0.16)
                keys.to(last.left, last.right, 0.18)
        keys.hold(rng.uniform(0.05, 0.4))
    return Keyed(keys.built(), hand_drift(habit, seed + 41, 0.003))


def pointing(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """The right index finger points at one thing on the table after another."""
    rng = _rng(habit, seed, 3)
    left, right = on_table(habit, seed)
    keys = KeyList(left, right)
    while keys.now_s < duration_s:
        spot = np.array(
            [rng.uniform(-0.25, 0.08), rng.uniform(0.03, 0.12), rng.uniform(0.40, 0.52)]
        )
        fingers = unit([spot[0] + 0.24, -0.30, 0.8])
        pose = hand(
            "right", fingers, unit([0.35, -0.9, -0.1]), Grip.POINT, spot, (0.02, 0.175, 0.02)
        )
        keys.to(None, pose, rng.uniform(0.45, 0.8))
        dip = moved(pose, 0.025 * fingers)
        for _ in range(int(rng.integers(0, 3))):
            keys.to(None, dip, 0.2).to(None, pose, 0.2)
        keys.hold(rng.uniform(0.2, 0.8))
    return Keyed(keys.built(), hand_drift(habit, seed + 42, 0.002))


@dataclass(frozen=True, slots=True)
class Cyclic:
    """An activity with a rhythm: `pose(angle, t)` gives both hands and the props."""

    duration_s: float
    tempo_hz: float
    habit: Habit
    pose: Callable[[float, float], Moment]
    seed: int = 0
    _drift: tuple[Wander, Wander] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_drift", hand_drift(self.habit, self.seed + 43, 0.002))

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        angle = 2.0 * np.pi * Beat(self.tempo_hz, self.duration_s).cycles(t)
        moment = self.pose(angle, t)
        left = self._drift[0].applied(moment.left, t)
        return replace(moment, left=left, right=self._drift[1].applied(moment.right, t))


def clapping(duration_s: float, habit: Habit, seed: int = 0) -> Cyclic:
    """Clapping at about two claps a second: the palms meet and part by some 14 cm."""
    tempo = float(_rng(habit, seed, 4).uniform(1.5, 2.4))
    still = contact(Surface.PALMS, habit.shape, Rub(roll=0.5 * habit.roll))
    # No hand is carried faster than the others are: quick claps are small.
    reach = min(0.075, 0.9 / (2.0 * np.pi * tempo) * 1.6)

    def pose(angle: float, _t: float) -> Moment:
        opening = reach * (0.5 - 0.5 * np.cos(angle)) + 0.004
        left, right = (moved(p, -np.asarray(p.palm) * opening) for p in still)
        return Moment(*settle((left, right), turn(X, habit.pitch - 0.25), np.asarray(FIELD)))

    return Cyclic(duration_s, tempo, habit, pose, seed)


def writing(duration_s: float, habit: Habit, seed: int = 0) -> Cyclic:
    """Writing lines with a pen on a sheet; the left hand keeps the sheet still."""
    shape = habit.shape
    start = np.array([0.02, 0.022, 0.37])
    fingers, palm = unit([0.62, -0.38, 0.68]), unit([0.45, -0.55, -0.70])
    curl, spread = pinch_angles(shape, 0.009)
    pen_hand = hand("right", fingers, palm, (curl, spread), np.zeros(3), pinch_point(shape, 0.009))
    pen_dir = unit([-0.45, 0.80, -0.40])
    sheet = Prop(
        "box",
        np.array([0.0, 0.001, 0.38]),
        np.eye(3),
        np.array([0.21, 0.002, 0.297]),
        (240, 240, 238),
    )
    left, _ = on_table(habit, seed)

    def pose(angle: float, t: float) -> Moment:
        # One line of writing takes about six seconds, then the hand goes back and down a line.
        line, share = divmod(t / 6.0, 1.0)
        back = smooth_step((share - 0.88) / 0.12)
        across = -0.06 + 0.12 * (min(share, 0.88) / 0.88) * (1.0 - back)
        down = 0.008 * (line + back)
        wiggle = np.array([0.003 * np.cos(angle), 0.0, 0.005 * np.sin(angle)])
        tip = start + np.array([across, 0.0, -0.04 + down]) + wiggle
        right = grounded(moved(pen_hand, tip), shape)
        at = point_of(right, pinch_point(shape, 0.009))
        side = np.cross(pen_dir, X)
        frame = np.stack(
            [np.cross(pen_dir, side / np.linalg.norm(side)), pen_dir, side / np.linalg.norm(side)],
            axis=1,
        )
        pen = Prop(
            "capsule", at + 0.045 * pen_dir, frame, np.array([0.009, 0.14, 0.009]), (60, 52, 50)
        )
        return Moment(left, right, (sheet, pen))

    return Cyclic(duration_s, 2.6, habit, pose, seed)


def using_phone(duration_s: float, habit: Habit, seed: int = 0) -> Cyclic:
    """The left hand holds a phone, the right index finger taps and swipes on it."""
    rng = _rng(habit, seed, 5)
    where = np.array([0.04, 0.16, 0.32])
    left = hand(
        "left",
        unit([-0.75, 0.35, 0.55]),
        unit([-0.35, 0.65, -0.68]),
        Grip.PHONE,
        where,
        (0.0, 0.085, 0.030),
    )
    out = np.asarray(left.palm)
    up = unit(Y - out * out[1])
    frame = np.stack([np.cross(up, out), up, out], axis=1)
    phone = Prop("box", where, frame, np.array([0.072, 0.148, 0.009]), (48, 46, 44))
    taps = rng.uniform(-1.0, 1.0, (64, 2)) * [0.022, 0.050]

    def pose(angle: float, _t: float) -> Moment:
        count = angle / (2.0 * np.pi)
        index, share = int(count) % 63, count % 1.0
        go = smooth_step(share / 0.6)
        spot = (1.0 - go) * taps[index] + go * taps[index + 1]
        away = 0.010 + 0.020 * (0.5 + 0.5 * np.cos(2.0 * np.pi * share))
        at = where + frame @ np.array([spot[0], spot[1], away])
        right = hand("right", unit([0.72, 0.30, 0.55]), -out, Grip.POINT, at, (0.022, 0.178, 0.020))
        return Moment(left, right, (phone,))

    return Cyclic(duration_s, 1.1, habit, pose, seed)


def folding_cloth(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """Both hands take a cloth by its corners, fold it over, smooth it and turn it."""
    shape = habit.shape
    grip, point = pinch_angles(shape, 0.006), pinch_point(shape, 0.006)
    middle = np.array([0.0, 0.0, 0.36])
    half = np.array([0.14, 0.10])

    def corner(side: Side, x: float, y: float, z: float) -> HandPose:
        inward = 1.0 if side == "right" else -1.0
        fingers = unit([0.35 * inward, -0.40, 0.80])
        palm = unit([0.2 * inward, -0.75, -0.5])
        return hand(side, fingers, palm, grip, middle + np.array([x, y, z]), point)

    def flat(side: Side, x: float, z: float) -> HandPose:
        inward = 1.0 if side == "right" else -1.0
        pose = hand(
            side,
            unit([0.3 * inward, -0.03, 0.95]),
            -Y,
            Grip.FLAT,
            middle + np.array([x, 0.0, z]),
            (0.0, 0.09, 0.0),
        )
        return grounded(pose, shape, 0.012)

    keys = KeyList(*on_table(habit, seed))
    while keys.now_s < duration_s:
        keys.to(
            corner("left", half[0], 0.035, half[1]), corner("right", -half[0], 0.035, half[1]), 0.6
        )
        keys.to(
            corner("left", half[0], 0.040, -half[1]),
            corner("right", -half[0], 0.040, -half[1]),
            0.7,
            (0.07, 0.07),
        )
        keys.to(flat("left", 0.05, 0.0), flat("right", -0.05, 0.0), 0.5, (0.02, 0.02))
        keys.to(flat("left", 0.13, 0.0), flat("right", -0.13, 0.0), 0.45).hold(0.2)
        keys.to(corner("left", half[0], 0.035, 0.0), None, 0.5)
        keys.to(corner("left", -0.04, 0.045, 0.0), None, 0.6, (0.06, 0.0))
        keys.to(flat("left", 0.06, 0.0), flat("right", -0.06, 0.0), 0.5).hold(0.3)
        keys.to(*on_table(habit, seed + 1), seconds=0.5).hold(0.5)
    cloth = Prop(
        "cloth", middle + 0.004 * Y, np.eye(3), np.array([0.30, 0.008, 0.22]), (214, 220, 226)
    )
    return Keyed(keys.built(), hand_drift(habit, seed + 44, 0.002), lambda *_: (cloth,))


def crossed_at_rest(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """One hand lies on the other on the table, and nothing happens but a shift now and then."""
    rng = _rng(habit, seed, 6)

    def lying(shift: float) -> tuple[HandPose, HandPose]:
        left = hand(
            "left",
            unit([-0.85, 0.05, 0.5]),
            -Y,
            flexed(Grip.RELAXED, -6.0),
            np.array([0.01, 0.0, 0.33 + shift]),
            (0.0, 0.075, 0.0),
        )
        left = grounded(left, habit.shape)
        top = np.asarray(point_of(left, (0.0, 0.070, -1.9 * habit.shape.depth)))
        right = hand(
            "right",
            unit([0.85, -0.05, 0.5]),
            -Y,
            flexed(Grip.RELAXED, -8.0),
            top,
            (0.0, 0.075, 0.0),
        )
        return left, right

    keys = KeyList(*lying(0.0))
    while keys.now_s < duration_s:
        keys.hold(rng.uniform(1.5, 4.0)).to(*lying(rng.normal(0.0, 0.012)), seconds=0.6)
    return Keyed(keys.built(), hand_drift(habit, seed + 45, 0.0015))


def pouring(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """The right hand lifts a jug, pours into a cup that the left hand steadies, sets it down."""
    stand, foot = np.array([-0.17, 0.0, 0.36]), np.array([0.05, 0.0, 0.38])
    hold = (0.004, 0.085, 0.055)
    fingers, palm = unit([0.35, 0.02, 0.92]), unit([0.92, 0.0, -0.35])
    grip = flexed(Grip.CUP, 4.0)
    on = hand("right", fingers, palm, grip, stand + 0.10 * Y, hold)
    near = replace(on, curl=flexed(Grip.CUP, -10.0)[0])
    over = foot + np.array([-0.12, 0.20, 0.0])
    upright = moved(on, over - (stand + 0.10 * Y))
    tipped = rotated(upright, turn(Z, -1.05), over)  # the jug leans to the cup on the left
    left = _cup_hand("left", foot)
    rest_left, rest_right = on_table(habit, seed)
    keys = KeyList(rest_left, rest_right)
    taken: list[tuple[float, float]] = []
    while keys.now_s < duration_s:
        keys.to(left, moved(near, -0.03 * palm), 0.6).to(None, on, 0.3)
        begin = keys.now_s
        keys.to(None, upright, 0.8, (0.0, 0.02)).to(None, tipped, 0.7).hold(1.6)
        keys.to(None, upright, 0.6).to(None, on, 0.8, (0.0, 0.02))
        taken.append((begin, keys.now_s))
        keys.to(None, moved(near, -0.03 * palm), 0.3).to(rest_left, rest_right, 0.6).hold(0.8)
    local_up = np.array([np.cross(fingers, palm) @ Y, fingers @ Y, palm @ Y])

    def props(t: float, _left: HandPose, right: HandPose) -> tuple[Prop, ...]:
        at, up = stand + 0.10 * Y, Y
        if any(a <= t < b for a, b in taken):
            at, ends = point_of(right, hold), point_of(right, np.asarray(hold) + local_up)
            up = unit(ends - at)
        side = unit(np.cross(up, Z))
        frame = np.stack([side, up, np.cross(side, up)], axis=1)
        jug = Prop("cylinder", at, frame, np.array([0.10, 0.20, 0.10]), (186, 196, 200))
        return jug, _cup(foot, (205, 210, 215))

    return Keyed(keys.built(), hand_drift(habit, seed + 46, 0.0015), props)


def hand_cream(duration_s: float, habit: Habit, seed: int = 0) -> RubMotion:
    """Palms rubbed together for a moment, as after hand cream: 2-3 s, no other surface."""
    return RubMotion(
        Surface.PALMS, min(duration_s, 3.0), 1.3, habit, (0.0, 0.16, 0.32), seed=seed + 47
    )


def knocking(duration_s: float, habit: Habit, seed: int = 0) -> Cyclic:
    """Knuckles of the right hand on the table, in knocks of about three a second."""
    left, _ = on_table(habit, seed)
    down = hand(
        "right",
        unit([0.4, -0.35, 0.85]),
        unit([0.2, -0.9, -0.35]),
        Grip.FIST,
        np.array([-0.10, 0.0, 0.36]),
        (0.0, 0.09, 0.0),
    )
    down = grounded(down, habit.shape)
    elbow = np.asarray(down.wrist) - 0.20 * unit([0.4, 0.0, 0.85])

    def pose(angle: float, t: float) -> Moment:
        # Three knocks, then a rest as long.
        busy = smooth_step(4.0 * (np.sin(angle / 6.0) + 0.25))
        up = busy * 0.16 * (0.5 - 0.5 * np.cos(angle))
        return Moment(left, rotated(down, turn(X, -up), elbow))

    return Cyclic(duration_s, 2.6, habit, pose, seed)


def waving(duration_s: float, habit: Habit, seed: int = 0) -> Cyclic:
    """The right hand raised and waving to somebody; the left rests."""
    left, _ = on_table(habit, seed)
    raised = hand(
        "right",
        unit([-0.05, 0.99, 0.05]),
        unit([0.05, -0.05, 1.0]),
        Grip.SPREAD,
        np.array([-0.30, 0.34, 0.28]),
        (0.0, 0.0, 0.0),
    )
    elbow = np.asarray(raised.wrist) - 0.22 * Y

    def pose(angle: float, _t: float) -> Moment:
        return Moment(left, rotated(raised, turn(Z, 0.24 * np.sin(angle)), elbow))

    return Cyclic(duration_s, 1.5 * min(habit.tempo, 1.15), habit, pose, seed)


ACTIVITIES: Final[dict[str, Callable[[float, Habit, int], Motion]]] = {
    "sliding_cups": sliding_cups,
    "talking_hands": talking_hands,
    "pointing": pointing,
    "clapping": clapping,
    "writing": writing,
    "using_phone": using_phone,
    "folding_cloth": folding_cloth,
    "crossed_at_rest": crossed_at_rest,
    "pouring": pouring,
    "hand_cream": hand_cream,
    "knocking": knocking,
    "waving": waving,
}
"""Every activity by name: `ACTIVITIES[name](duration_s, habit, seed)`.

Those made of whole actions finish the last one, so they may run a few seconds longer; hand cream
stops after 3 s.
"""
