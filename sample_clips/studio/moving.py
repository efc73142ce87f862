"""What a movement is: hands and props as smooth functions of time.

A `Motion` has a length and can be sampled at any time in it; every choice in it (tempo, size,
lean, drift) is a parameter or comes from a seed, so the same motion is the same every time.
World frame and units as in `skeleton`: metres, seconds, radians.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Protocol

import numpy as np

from sample_clips.studio.poses import Array, Pair, Y, moved, rotated, turn
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose, HandShape, blend_poses, joints, mirror_pose

# Fastest a hand is carried: 4 cm between frames at 30 frames/s. Peak speed of the smooth step
# below is 15/8 of its mean.
MAX_SPEED = 1.1
_PEAK = 15.0 / 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """Both hands and the things around them at one time (world frame)."""

    left: HandPose
    right: HandPose
    props: tuple[Prop, ...] = ()

    @property
    def pair(self) -> Pair:
        """(left, right)."""
        return self.left, self.right


class Motion(Protocol):
    """A movement of both hands over `duration_s` seconds."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""

    def sample(self, t: float) -> Moment:
        """The moment `t` seconds in; times outside 0..duration_s give the nearer end."""


def smooth_step(share: float) -> float:
    """0 to 1 with no speed and no acceleration at either end (minimum-jerk, Flash and Hogan 1985).

    >>> smooth_step(0.5)
    0.5
    """
    s = min(max(share, 0.0), 1.0)
    return s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)


@dataclass(frozen=True, slots=True)
class Habit:
    """One person's way of moving, the same through a whole recording.

    shape: sizes of the hands, which contacts and grips are fitted to. tempo, size: factors on
    stroke rate and stroke length. roll: radians, lean of the contact plane (positive: left hand
    on top). yaw, pitch: radians, how the pair of hands is turned. slack: degrees of extra finger
    flexion. unsteady: factor on drift. seed: for everything that wanders. People act with their
    right hand here; `mirrored` motions are left-handed ones.
    """

    shape: HandShape = field(default_factory=HandShape)
    tempo: float = 1.0
    size: float = 1.0
    roll: float = -0.5
    yaw: float = 0.0
    pitch: float = 0.0
    slack: float = 0.0
    unsteady: float = 1.0
    seed: int = 0

    @classmethod
    def sample(cls, rng: np.random.Generator, shape: HandShape | None = None) -> Habit:
        """A person: the right hand is mostly on top, tempo +-12 %, stroke length +-15 %."""
        return cls(
            shape=HandShape() if shape is None else shape,
            tempo=float(np.clip(rng.normal(1.0, 0.12), 0.75, 1.3)),
            size=float(np.clip(rng.normal(1.0, 0.15), 0.7, 1.35)),
            roll=float(rng.uniform(-1.15, 0.2)),
            yaw=float(rng.normal(0.0, 0.14)),
            pitch=float(rng.normal(0.0, 0.14)),
            slack=float(np.clip(rng.normal(0.0, 3.5), -6.0, 8.0)),
            unsteady=float(rng.uniform(0.6, 1.5)),
            seed=int(rng.integers(1 << 31)),
        )


# A restless finger bends most at the knuckle, least at its last joint (chosen by eye).
_JOINT_SHARE = np.array([1.0, 0.8, 0.4])


def _turn_by(vector: Array) -> Array:
    """Rotation matrix (3,3) about `vector` by its length in radians."""
    angle = float(np.sqrt(vector @ vector))
    return turn(vector, angle) if angle > 1e-9 else np.eye(3)


class Wander:
    """Slow seeded drift: three shifts, three turns and five finger flexions, each a sum of sines.

    Periods are 1.5-14 s; `shift_m` and `turn_rad` are the standard deviations.
    """

    def __init__(self, seed: int, shift_m: float, turn_rad: float, flex_rad: float = 0.0) -> None:
        rng = np.random.default_rng([seed & 0x7FFFFFFF, 7919])
        terms = 4
        self._rate = 2.0 * np.pi / rng.uniform(1.5, 14.0, (11, terms))
        self._phase = rng.uniform(0.0, 2.0 * np.pi, (11, terms))
        deviation = np.repeat([shift_m, turn_rad, flex_rad], [3, 3, 5])
        self._size = deviation[:, None] * np.sqrt(2.0 / terms)

    def values(self, t: float) -> Array:
        """Eleven numbers (11,): shift x, y, z (m), turn x, y, z (rad), flexion of 5 fingers."""
        drift: Array = (self._size * np.sin(self._rate * t + self._phase)).sum(axis=1)
        return drift

    def applied(self, pose: HandPose, t: float) -> HandPose:
        """`pose` with this drift, turned about its own wrist."""
        drift = self.values(t)
        wandered = rotated(moved(pose, drift[:3]), _turn_by(drift[3:6]), pose.wrist + drift[:3])
        curl = np.asarray(pose.curl) + drift[6:, None] * _JOINT_SHARE
        return replace(wandered, curl=curl)

    def tilt(self, t: float) -> Array:
        """The turning alone, as a rotation matrix (3,3)."""
        return _turn_by(self.values(t)[3:6])


@dataclass(frozen=True, slots=True)
class Beat:
    """A rhythm of `tempo_hz` that breathes a little but is exact over the whole length.

    Raises ValueError for a tempo or length that is not positive.
    """

    tempo_hz: float
    duration_s: float
    breathing: float = 0.15
    phase: float = 0.0

    def __post_init__(self) -> None:
        if not (self.tempo_hz > 0.0 and self.duration_s > 0.0):
            raise ValueError("a rhythm needs a positive tempo and length")

    def cycles(self, t: float) -> float:
        """Cycles done by `t`: 0 at the start, tempo x length at the end, always growing."""
        t = min(max(t, 0.0), self.duration_s)
        waves = max(1, round(0.3 * self.duration_s))
        rate = 2.0 * np.pi * waves / self.duration_s
        depth = self.breathing * self.tempo_hz / rate
        swing = np.sin(rate * t + self.phase) - np.sin(self.phase)
        return float(self.tempo_hz * t + depth * swing)


def carry_seconds(start: Moment, end: Moment, margin: float = 1.25) -> float:
    """Seconds that keep every keypoint below `MAX_SPEED` on the smooth way from start to end."""
    shape = HandShape()
    longest = max(
        float(np.linalg.norm(joints(b, shape) - joints(a, shape), axis=1).max())
        for a, b in zip(start.pair, end.pair, strict=True)
    )
    return _PEAK * margin * longest / MAX_SPEED


@dataclass(frozen=True, slots=True, eq=False)
class Transition:
    """From one moment to another in `duration_s` seconds, smoothly.

    Props change over half way: before it those of `start`, from it those of `end`.
    """

    start: Moment
    end: Moment
    duration_s: float = 0.6

    def __post_init__(self) -> None:
        if not self.duration_s > 0.0:
            raise ValueError("a transition needs a positive length")

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        share = smooth_step(t / self.duration_s)
        left, right = (
            blend_poses(a, b, share) for a, b in zip(self.start.pair, self.end.pair, strict=True)
        )
        return Moment(left, right, self.start.props if share < 0.5 else self.end.props)


def blend(start: Moment, end: Moment, duration_s: float | None = None) -> Transition:
    """A transition of 0.4-0.8 s, longer only where the hands have far to go."""
    needed = max(0.4, carry_seconds(start, end))
    return Transition(start, end, needed if duration_s is None else max(duration_s, needed))


def mirror_prop(prop: Prop) -> Prop:
    """`prop` reflected in X; its own x axis is reflected too, so the rotation stays proper."""
    flip = np.diag([-1.0, 1.0, 1.0])
    return replace(
        prop,
        position=flip @ np.asarray(prop.position),
        rotation=flip @ np.asarray(prop.rotation) @ flip,
        points=None if prop.points is None else np.asarray(prop.points) @ flip,
    )


def mirror_moment(moment: Moment) -> Moment:
    """Everything reflected in X: the hands swap their parts."""
    return Moment(
        mirror_pose(moment.right),
        mirror_pose(moment.left),
        tuple(mirror_prop(prop) for prop in moment.props),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Key:
    """Both hands at a time. `lift`: metres the hands rise above the straight way to this key.

    `lift` holds for (left, right).
    """

    at_s: float
    left: HandPose
    right: HandPose
    lift: tuple[float, float] = (0.0, 0.0)


def _between_keys(a: HandPose, b: HandPose, share: float, lift: float) -> HandPose:
    pose = blend_poses(a, b, smooth_step(share))
    # The arc has no speed at its ends, like the step itself.
    return moved(pose, Y * (lift * 64.0 * (share * (1.0 - share)) ** 3)) if lift else pose


PropsAt = Callable[[float, HandPose, HandPose], tuple[Prop, ...]]


def no_props(_t: float, _left: HandPose, _right: HandPose) -> tuple[Prop, ...]:
    """Nothing held, nothing on the table."""
    return ()


@dataclass(frozen=True, slots=True, eq=False)
class Keyed:
    """A motion through keys (sorted, first at 0), with drift on top and props that may follow.

    marks: named times in it, for labels. Raises ValueError for fewer than two keys, or keys not
    in order from 0.
    """

    keys: tuple[Key, ...]
    drift: tuple[Wander, Wander]
    props_at: PropsAt = no_props
    marks: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        times = [key.at_s for key in self.keys]
        if len(times) < 2 or times[0] != 0.0 or any(np.diff(times) <= 0.0):
            raise ValueError("keys need two or more times, growing from 0")

    @property
    def duration_s(self) -> float:
        """See `Motion`."""
        return self.keys[-1].at_s

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        last = next(i for i, key in enumerate(self.keys) if i and t <= key.at_s)
        a, b = self.keys[last - 1], self.keys[last]
        share = (t - a.at_s) / (b.at_s - a.at_s)
        left = self.drift[0].applied(_between_keys(a.left, b.left, share, b.lift[0]), t)
        right = self.drift[1].applied(_between_keys(a.right, b.right, share, b.lift[1]), t)
        return Moment(left, right, self.props_at(t, left, right))


@lru_cache(maxsize=256)
def _drift_pair(seed: int, shift_m: float, unsteady: float) -> tuple[Wander, Wander]:
    size, angle = shift_m * unsteady, 0.02 * unsteady
    return Wander(seed * 2 + 1, size, angle, 0.02), Wander(seed * 2 + 2, size, angle, 0.02)


def hand_drift(habit: Habit, seed: int, shift_m: float = 0.003) -> tuple[Wander, Wander]:
    """Slow drift for (left, right): millimetres, a degree or two, and restless fingers."""
    return _drift_pair(habit.seed ^ seed, shift_m, habit.unsteady)


class KeyList:
    """Builds keys one after another, giving each step the time that its distance needs."""

    def __init__(self, left: HandPose, right: HandPose) -> None:
        self.keys = [Key(0.0, left, right)]

    @property
    def now_s(self) -> float:
        """Time of the last key."""
        return self.keys[-1].at_s

    def to(
        self,
        left: HandPose | None = None,
        right: HandPose | None = None,
        seconds: float = 0.3,
        lift: tuple[float, float] = (0.0, 0.0),
    ) -> KeyList:
        """Move to the given poses (None stays) in `seconds`, or longer where it is far."""
        last = self.keys[-1]
        left = last.left if left is None else left
        right = last.right if right is None else right
        farther = 1.0 + 4.0 * max(abs(lift[0]), abs(lift[1]))
        needed = carry_seconds(Moment(last.left, last.right), Moment(left, right)) * farther
        self.keys.append(Key(last.at_s + max(seconds, needed), left, right, lift))
        return self

    def hold(self, seconds: float) -> KeyList:
        """Stay for `seconds`."""
        return self.to(seconds=seconds)

    def built(self) -> tuple[Key, ...]:
        """All keys."""
        return tuple(self.keys)
