"""One exchange's places, grips and things: what every step of handling the line shares.

The left hand holds the patient's line, the right hand the bag's; connectors are plain cylinders
with tubing, no product's. World frame and units as in `skeleton`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sample_clips.studio.moving import Habit
from sample_clips.studio.poses import (
    Array,
    X,
    Y,
    Z,
    hand,
    pinch_angles,
    pinch_point,
    point_of,
    square_to,
    table_pinch,
    turn,
    unit,
)
from sample_clips.studio.rubbing import resting_hand
from sample_clips.studio.scene import Colour, Prop
from sample_clips.studio.skeleton import HandPose, Side, hand_axes, mirror_pose

_FLIP = np.array([-1.0, 1.0, 1.0])
HELD_GAP, OPEN_GAP = 0.010, 0.034  # between the pads: on a connector, and opened to take one
TIP_M = 0.024  # how far a connector's tip stands out beyond the pinch
BODY_M, BODY_THICK_M = 0.050, 0.011  # connector length and thickness
CAP_M, CAP_THICK_M = 0.018, 0.016
TUBE_THICK_M = 0.006


def along_y(direction: Array) -> Array:
    """A proper rotation (3,3) whose y column is `direction`, as cylinders need."""
    y = unit(direction)
    x = square_to(X if abs(y[0]) < 0.9 else Z, y)
    return np.stack([x, y, np.cross(x, y)], axis=1)


@dataclass(frozen=True, slots=True)
class Line:
    """Places, grips and colours of one exchange.

    joint (3,): where the ends meet. yaw, pitch: radians, how the common axis leans from +X.
    roll: radians, how the thumbs lean back to the subject (0: thumbs up). lean: radians between
    the fingers and the connector in the grip. line_spot, bag_spot, cap_spot: (x, z) where the
    two ends and the cap lie on the table. apart_m: between the ends when held apart.
    """

    habit: Habit = field(default_factory=Habit)
    joint: tuple[float, float, float] = (0.0, 0.15, 0.36)
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.6
    lean: float = 0.55
    line_spot: tuple[float, float] = (0.11, 0.36)
    bag_spot: tuple[float, float] = (-0.13, 0.38)
    cap_spot: tuple[float, float] = (-0.20, 0.29)
    apart_m: float = 0.14
    colour: Colour = (214, 218, 216)
    cap_colour: Colour = (190, 200, 206)
    seed: int = 0

    @classmethod
    def sample(cls, rng: np.random.Generator, habit: Habit) -> Line:
        """One exchange: places vary by 1-2 cm, leans by 10 degrees or so."""
        jitter = rng.normal(0.0, 1.0, 14)
        grey = int(rng.integers(170, 232))
        return cls(
            habit=habit,
            joint=(0.02 * jitter[0], 0.15 + 0.015 * jitter[1], 0.36 + 0.015 * jitter[2]),
            yaw=0.15 * jitter[3],
            pitch=0.12 * jitter[4],
            roll=float(np.clip(0.6 + 0.2 * jitter[5], 0.1, 1.1)),
            lean=float(np.clip(0.55 + 0.1 * jitter[6], 0.3, 0.8)),
            line_spot=(0.11 + 0.012 * jitter[7], 0.36 + 0.012 * jitter[8]),
            bag_spot=(-0.13 + 0.012 * jitter[9], 0.38 + 0.012 * jitter[10]),
            cap_spot=(-0.20 + 0.012 * jitter[11], 0.29 + 0.012 * jitter[12]),
            apart_m=float(np.clip(0.14 + 0.015 * jitter[13], 0.10, 0.18)),
            colour=(grey, grey + 4, grey + 2),
            cap_colour=(grey - 24, grey - 14, grey - 8),
            seed=int(rng.integers(1 << 30)),
        )

    @property
    def axis(self) -> Array:
        """Direction of the right hand's connector, towards the left hand (3,)."""
        axis: Array = turn(Y, self.yaw) @ turn(Z, self.pitch) @ X
        return axis

    # ------------------------------------------------------------ grips

    def grip(
        self,
        side: Side,
        at: Array,
        gap: float = HELD_GAP,
        low: bool = False,
        axis: Array | None = None,
    ) -> HandPose:
        """A hand whose pinch lies at `at`, its connector pointing at the other hand.

        `low` takes a thing off the table: palm down and fingers pointing down at it.
        """
        axis = self.axis if axis is None else axis
        if side == "left":  # the same grip in the mirror
            return mirror_pose(self._right(at * _FLIP, -axis * _FLIP, gap, low))
        return self._right(at, axis, gap, low)

    def _right(self, at: Array, axis: Array, gap: float, low: bool) -> HandPose:
        shape = self.habit.shape
        if low:
            return table_pinch("right", at, shape, gap)
        thumb = turn(axis, -self.roll) @ square_to(Y, axis)
        inner = np.cross(thumb, axis)
        fingers = np.cos(self.lean) * axis - np.sin(self.lean) * inner
        palm = np.sin(self.lean) * axis + np.cos(self.lean) * inner
        return hand("right", fingers, palm, pinch_angles(shape, gap), at, pinch_point(shape, gap))

    def pinch_of(self, pose: HandPose, gap: float = HELD_GAP) -> Array:
        """Where a pinching hand holds its thing (3,)."""
        return point_of(pose, pinch_point(self.habit.shape, gap))

    def axis_of(self, pose: HandPose) -> Array:
        """Where the connector in a raised grip points (3,)."""
        axis: Array = np.array([0.0, np.cos(self.lean), np.sin(self.lean)]) @ hand_axes(pose)
        return axis

    def held(self, side: Side, back_m: float) -> HandPose:
        """The raised grip with the connector's tip `back_m` before the joint."""
        sign = 1.0 if side == "right" else -1.0
        return self.grip(side, np.asarray(self.joint) - sign * self.axis * (TIP_M + back_m))

    def rest(self, side: Side) -> HandPose:
        """The hand resting on the table beside the work."""
        sign = -1.0 if side == "right" else 1.0
        return resting_hand(side, np.array([sign * 0.20, 0.0, 0.27]), self.habit.shape)

    # ------------------------------------------------------------ things

    def connector(self, pinch: Array, axis: Array, side: Side) -> tuple[Prop, ...]:
        """A connector whose grip point is at `pinch`, and its tubing off to the side."""
        back = pinch - axis * (BODY_M - TIP_M)
        body = Prop(
            "cylinder",
            pinch + axis * (TIP_M - BODY_M / 2.0),
            along_y(axis),
            np.array([BODY_THICK_M, BODY_M, BODY_THICK_M]),
            self.colour,
        )
        end = np.array([0.05, 0.10, 0.08]) if side == "left" else np.array([-0.55, 0.005, 0.30])
        low = np.array([back[0] * 1.25, 0.004, min(back[2] - 0.06, 0.30)])
        bend = np.stack([back, back - axis * 0.08, low, end])
        u = np.linspace(0.0, 1.0, 14)[:, None]
        weights = np.hstack([(1 - u) ** 3, 3 * u * (1 - u) ** 2, 3 * u * u * (1 - u), u**3])
        return body, Prop(
            "tube", back, np.eye(3), np.full(3, TUBE_THICK_M), self.colour, weights @ bend
        )

    def cap_prop(self, at: Array, axis: Array) -> Prop:
        """The protective cap, its middle at `at`."""
        size = np.array([CAP_THICK_M, CAP_M, CAP_THICK_M])
        return Prop("cylinder", at, along_y(axis), size, self.cap_colour)

    def cap_aside(self) -> Prop:
        """A cap lying at its place on the table."""
        return self.cap_prop(self.on_table(self.cap_spot), self.axis)

    def on_table(self, spot: tuple[float, float]) -> Array:
        """A point just above the table at (x, z)."""
        return np.array([spot[0], 0.012, spot[1]])

    def lying(self, side: Side) -> tuple[Prop, ...]:
        """The side's connector lying on the table."""
        spot = self.line_spot if side == "left" else self.bag_spot
        return self.connector(self.on_table(spot), X if side == "right" else -X, side)

    def in_hand(self, pose: HandPose, raised: float = 1.0) -> tuple[Prop, ...]:
        """The connector that `pose` holds; it swings into line while being raised (0..1)."""
        flat = X if pose.side == "right" else -X
        axis = unit(raised * self.axis_of(pose) + (1.0 - raised) * flat)
        return self.connector(self.pinch_of(pose), axis, pose.side)

    def joined(self, middle: Array, axis: Array) -> tuple[Prop, ...]:
        """Both connectors end to end, their joint at `middle`, and a cap lying aside."""
        return (
            *self.connector(middle - axis * TIP_M, axis, "right"),
            *self.connector(middle + axis * TIP_M, -axis, "left"),
            self.cap_aside(),
        )
