"""Washing and hand rubbing: the nine surfaces, and what goes on around them.

One stroke is one movement to and fro, or one full circle; `RubMotion.strokes` counts them
exactly. World frame and units as in `skeleton`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from review.timeline import Surface
from sample_clips.studio.contacts import Rub, contact
from sample_clips.studio.moving import (
    Beat,
    Habit,
    Keyed,
    KeyList,
    Moment,
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
    point_of,
    settle,
    turn,
    unit,
)
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose, HandShape, Side, hand_axes, joints

RubStyle = Literal["to_and_fro", "circular"]
TAP = (0.42, 0.14, 0.34)  # where water falls on the hands: over a basin on the subject's left
FIELD = (0.0, 0.13, 0.36)  # where the hands meet over the table

# Half stroke lengths of an ordinary person: metres of sliding and radians of turning, by surface
# (chosen by eye; persons differ by Habit.size). Sides share the value of the left one.
_REACH: dict[Surface, tuple[float, float, float]] = {
    Surface.PALMS: (0.036, 0.018, 0.0),
    Surface.BACK_LEFT: (0.022, 0.003, 0.0),
    Surface.BETWEEN_FINGERS: (0.016, 0.002, 0.0),
    Surface.BACKS_OF_FINGERS: (0.0, 0.009, 0.30),
    Surface.THUMB_LEFT: (0.005, 0.0, 0.55),
    Surface.FINGERTIPS_LEFT: (0.016, 0.016, 0.12),
}
_CIRCLES = (Surface.FINGERTIPS_LEFT,)


def _reach(surface: Surface) -> tuple[float, float, float]:
    return _REACH[surface] if surface in _REACH else _REACH[surface.other_side]


@dataclass(frozen=True, slots=True)
class RubMotion:
    """Rubbing one surface.

    tempo_hz: strokes a second, used as it stands (0.8-3 Hz is what people do; common practice,
    no source). centre (3,): where the hands meet. style: palms may also circle. swap: for
    surfaces without a side, which hand takes which part. seed: for drift and small differences
    from stroke to stroke. Raises ValueError for a tempo or length that is not positive.
    """

    surface: Surface
    duration_s: float
    tempo_hz: float = 1.6
    habit: Habit = field(default_factory=Habit)
    centre: tuple[float, float, float] = FIELD
    style: RubStyle = "to_and_fro"
    swap: bool = False
    seed: int = 0
    _beat: Beat = field(init=False, repr=False)
    _pair_drift: Wander = field(init=False, repr=False)
    _hands_drift: tuple[Wander, Wander] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        seed = self.habit.seed ^ (self.seed * 2654435761 & 0x7FFFFFFF)
        phase = float(np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi))
        steady = self.habit.unsteady
        object.__setattr__(self, "_beat", Beat(self.tempo_hz, self.duration_s, 0.15, phase))
        object.__setattr__(self, "_pair_drift", Wander(seed, 0.007 * steady, 0.05 * steady))
        object.__setattr__(
            self,
            "_hands_drift",
            (
                Wander(seed + 1, 0.0008 * steady, 0.008 * steady, 0.025),
                Wander(seed + 2, 0.0008 * steady, 0.008 * steady, 0.025),
            ),
        )

    def strokes(self, start_s: float, end_s: float) -> float:
        """Strokes done between two times of this motion; the whole has tempo x length."""
        return self._beat.cycles(end_s) - self._beat.cycles(start_s)

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        angle = 2.0 * np.pi * self._beat.cycles(t)
        along, across, twist = _reach(self.surface)
        drift = self._pair_drift.values(t)
        # Strokes are not all of one length (some +-15 %), and quick strokes are shorter ones.
        size = self.habit.size * (1.0 + 3.0 * drift[3]) * min(1.0, np.sqrt(1.8 / self.tempo_hz))
        round_about = self.style == "circular" and self.surface is Surface.PALMS
        circling = round_about or self.surface in _CIRCLES or self.surface.other_side in _CIRCLES
        second = np.cos(angle) if circling else np.sin(angle)
        if self.surface is Surface.PALMS and not round_about:
            across *= 0.15
        rub = Rub(
            along=size * along * np.sin(angle),
            across=size * across * second,
            turn=size * twist * np.sin(angle),
            roll=self.habit.roll,
            slack=self.habit.slack,
        )
        pair = contact(self.surface, self.habit.shape, rub, self.swap)
        tilt = turn(Y, self.habit.yaw) @ turn(X, self.habit.pitch) @ self._pair_drift.tilt(t)
        left, right = settle(pair, tilt, np.asarray(self.centre) + drift[:3])
        return Moment(self._hands_drift[0].applied(left, t), self._hands_drift[1].applied(right, t))


def _aside(side: Side, centre: Array, spread_m: float, palm: Array, lift: float = 0.0) -> HandPose:
    """A hand `spread_m` beside `centre`, fingers ahead and inward."""
    sign = -1.0 if side == "right" else 1.0
    at = centre + np.array([sign * spread_m, lift, 0.0])
    fingers = unit([-sign * 0.45, 0.05, 0.85])
    return hand(side, fingers, palm, Grip.RELAXED, at, (0.0, 0.06, 0.0))


def pause(
    duration_s: float,
    habit: Habit,
    together: bool = True,
    centre: tuple[float, float, float] = FIELD,
    seed: int = 0,
) -> Keyed:
    """Hands that do not rub: lying in each other, or held apart in the air."""
    where = np.asarray(centre)
    if together:
        pair = contact(Surface.PALMS, habit.shape, Rub(roll=habit.roll - 0.2, slack=14.0))
        left, right = settle(pair, turn(Y, habit.yaw) @ turn(X, habit.pitch), where)
    else:
        left = _aside("left", where, 0.11, unit([-0.6, 0.5, -0.2]))
        right = _aside("right", where, 0.11, unit([0.6, 0.5, -0.2]))
    keys = KeyList(left, right).to(seconds=duration_s).built()
    return Keyed(keys, hand_drift(habit, seed + 31, 0.003))


@dataclass(frozen=True, slots=True)
class WaterMotion:
    """Hands under running water, turning over and back without rubbing (one turn in 2-4 s)."""

    duration_s: float
    habit: Habit = field(default_factory=Habit)
    centre: tuple[float, float, float] = TAP
    turn_hz: float = 0.38
    seed: int = 0

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        drift = hand_drift(self.habit, self.seed + 17, 0.006)
        beat = Beat(self.turn_hz * self.habit.tempo, self.duration_s)
        pair = []
        for side, sign, late, wander in (
            ("left", 1.0, 0.9, drift[0]),
            ("right", -1.0, 0.0, drift[1]),
        ):
            angle = 2.0 * np.pi * beat.cycles(t) - late
            fingers = unit([-sign * 0.5, -0.22, 0.85])
            # From palm up to palm down; both hands turn the thumb side upward first.
            roll = sign * (0.35 + 1.35 * (0.5 - 0.5 * np.cos(angle)))
            palm = turn(fingers, roll) @ Y
            at = np.asarray(self.centre) + np.array(
                [sign * 0.075, 0.012 * np.sin(angle), 0.014 * np.cos(0.7 * angle)]
            )
            pose = hand(side, fingers, palm, flexed(Grip.CUPPED, 4.0), at, (0.0, 0.075, 0.0))  # type: ignore[arg-type]
            pair.append(wander.applied(pose, t))
        return Moment(pair[0], pair[1])


def wet(
    duration_s: float, habit: Habit, tap: tuple[float, float, float] = TAP, seed: int = 0
) -> WaterMotion:
    """Wetting the hands: a quick turn or two under the tap."""
    return WaterMotion(duration_s, habit, tap, 0.45, seed)


def rinse(
    duration_s: float, habit: Habit, tap: tuple[float, float, float] = TAP, seed: int = 0
) -> WaterMotion:
    """Rinsing: slower, hands pointing down so that water runs off the fingertips."""
    return WaterMotion(duration_s, habit, tap, 0.33, seed + 1)


def dispenser(at: Array) -> tuple[Prop, ...]:
    """A pump bottle standing on the table at `at` (its foot); the head is 0.17 m above it."""
    return (
        Prop("cylinder", at + Y * 0.065, np.eye(3), np.array([0.07, 0.13, 0.07]), (205, 222, 214)),
        Prop("capsule", at + Y * 0.16, np.eye(3), np.array([0.03, 0.03, 0.03]), (120, 120, 120)),
    )


def soap(
    habit: Habit,
    at: tuple[float, float, float] = (0.30, 0.0, 0.30),
    presses: int = 2,
    meet: tuple[float, float, float] = FIELD,
    seed: int = 0,
) -> Keyed:
    """The right hand presses a pump at `at` while the left catches; then they join at `meet`.

    Serves soap and alcohol rub alike. Length follows from the distances, about 3-4 s.
    """
    foot = np.asarray(at, dtype=np.float64)
    head = foot + Y * 0.19
    fingers = unit([0.55, -0.12, 0.80])
    above = hand(
        "right", fingers, -Y, flexed(Grip.CUPPED, 10.0), head + Y * 0.03, (0.0, 0.065, 0.02)
    )
    down = moved(above, np.array([0.0, -0.035, 0.0]))
    catch = hand(
        "left",
        unit([-0.75, 0.0, 0.6]),
        Y,
        flexed(Grip.CUPPED, 8.0),
        foot + np.array([-0.02, 0.085, 0.115]),
        (0.0, 0.085, 0.0),
    )
    where = np.asarray(meet)
    keys = KeyList(
        _aside("left", where, 0.12, unit([-0.3, 0.9, 0.0])), _aside("right", where, 0.12, -Y)
    )
    keys.to(catch, above, 0.5, (0.0, 0.03))
    for _ in range(presses):
        keys.to(None, down, 0.28).to(None, above, 0.32)
    pair = contact(Surface.PALMS, habit.shape, Rub(roll=habit.roll, slack=habit.slack))
    left, right = settle(pair, turn(Y, habit.yaw) @ turn(X, habit.pitch), where)
    keys.to(left, right, 0.6)
    things = dispenser(foot)
    return Keyed(keys.built(), hand_drift(habit, seed), lambda *_: things)


@dataclass(frozen=True, slots=True)
class DryMotion:
    """Drying with a cloth: it lies between the hands; patting, wiping along, then turning over."""

    duration_s: float
    habit: Habit = field(default_factory=Habit)
    centre: tuple[float, float, float] = FIELD
    tempo_hz: float = 0.9
    colour: tuple[int, int, int] = (226, 228, 224)
    seed: int = 0

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        shape = self.habit.shape
        beat = Beat(self.tempo_hz * self.habit.tempo, self.duration_s)
        angle = 2.0 * np.pi * beat.cycles(t)
        # Every third stroke or so the upper hand changes from wiping to patting.
        patting = smooth_step(0.5 + 0.9 * np.sin(angle / 3.1 + self.seed))
        over = 0.45 * np.sin(angle / 5.3)
        rub = Rub(along=(1.0 - patting) * 0.045 * np.sin(angle), roll=-1.2, slack=-5.0)
        left, right = contact(Surface.PALMS, shape, rub)
        up = np.asarray(left.palm)
        gap = 0.007 + patting * 0.020 * (0.5 - 0.5 * np.cos(angle))
        left, right = moved(left, -up * gap), moved(right, up * gap)
        tilt = turn(Z, over) @ turn(X, self.habit.pitch)
        where = np.asarray(self.centre)
        left, right = settle((left, right), tilt, where)
        drift = hand_drift(self.habit, self.seed, 0.004)
        left, right = drift[0].applied(left, t), drift[1].applied(right, t)
        # The cloth lies in the lower (left) hand.
        axes = hand_axes(left)
        across = np.cross(axes[2], axes[1])
        middle = point_of(left, (0.0, 0.085, shape.depth + 0.007))
        cloth = Prop(
            "cloth",
            middle,
            np.stack([across, axes[2], axes[1]], axis=1),
            np.array([0.13, 0.012, 0.20]),
            self.colour,
        )
        return Moment(left, right, (cloth,))


def dry(
    duration_s: float, habit: Habit, centre: tuple[float, float, float] = FIELD, seed: int = 0
) -> DryMotion:
    """Drying the hands on a cloth."""
    return DryMotion(duration_s, habit, centre, seed=seed)


def grounded(pose: HandPose, shape: HandShape, ground_m: float = 0.0) -> HandPose:
    """`pose` moved up or down so that its lowest finger just lies on a table at y = ground_m."""
    points = joints(pose, shape)
    radii = np.concatenate([[shape.wrist[1]], np.asarray(shape.girths).ravel()])
    return moved(pose, Y * (ground_m - float((points[:, 1] - 0.9 * radii).min())))


def resting_hand(side: Side, at: Array, shape: HandShape, slack: float = 0.0) -> HandPose:
    """A relaxed hand lying palm down on the table, its palm over `at` (y is ignored)."""
    sign = -1.0 if side == "right" else 1.0
    fingers = unit([-sign * 0.42, 0.13, 0.88])
    curl, spread = flexed(Grip.RELAXED, -5.0 + slack)
    pose = hand(side, fingers, -Y + 0.10 * sign * X, (curl, spread), at, (0.0, 0.075, 0.0))
    return grounded(pose, shape)
