"""Preparing the work surface: a flat hand on a cloth sweeping the table in an S-path.

The cloth keeps its edges along the table's, so what it sweeps is a union of rectangles and its
area is exact. Table plane: x (subject's left) and z (towards the camera), metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sample_clips.studio.moving import Habit, Moment, hand_drift, smooth_step
from sample_clips.studio.poses import Array, Grip, Y, flexed, hand, unit
from sample_clips.studio.rubbing import grounded, resting_hand
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose

Rect = tuple[float, float, float, float]  # x0, x1, z0, z1
CLOTH_THICK_M = 0.008


@dataclass(frozen=True, slots=True)
class Leg:
    """One straight piece of the path of the cloth's middle; `lane` is None for the turns."""

    start: tuple[float, float]
    end: tuple[float, float]
    lane: int | None

    @property
    def length_m(self) -> float:
        """Metres from start to end."""
        return float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1]))

    def swept(self, cloth_m: tuple[float, float]) -> Rect:
        """The rectangle the cloth covers on this leg (exact: legs run along x or z)."""
        xs, zs = sorted((self.start[0], self.end[0])), sorted((self.start[1], self.end[1]))
        w, d = cloth_m[0] / 2.0, cloth_m[1] / 2.0
        return xs[0] - w, xs[1] + w, zs[0] - d, zs[1] + d


def _cells(edges: Array, low: float, high: float) -> slice:
    return slice(int(np.searchsorted(edges, low)), int(np.searchsorted(edges, high)))


@dataclass(frozen=True, slots=True)
class WipeMotion:
    """Sweeping `area` (x0, x1, z0, z1) with a cloth in lanes along x, one direction throughout.

    lanes: how many; None takes as few as cover the depth with `cloth_m`. back_lanes: after the
    last lane the hand goes back over that many lanes already clean. leave_out: lanes at the end
    that are not wiped at all. start: whether the first lane lies far from or near the subject.
    speed_m_s: mean speed of the hand. rest_at: (x, z) of the other hand.
    Raises ValueError for an empty area, a cloth larger than it, or more lanes than there are.
    """

    area: Rect = (-0.24, 0.24, 0.22, 0.56)
    lanes: int | None = None
    back_lanes: int = 0
    leave_out: int = 0
    start: Literal["far", "near"] = "far"
    from_left: bool = True
    cloth_m: tuple[float, float] = (0.16, 0.12)
    speed_m_s: float = 0.22
    habit: Habit = field(default_factory=Habit)
    colour: tuple[int, int, int] = (226, 230, 222)
    rest_at: tuple[float, float] = (0.30, 0.20)
    seed: int = 0
    _legs: tuple[Leg, ...] = field(init=False, repr=False)
    _ends: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        x0, x1, z0, z1 = self.area
        if x1 - x0 < self.cloth_m[0] or z1 - z0 < self.cloth_m[1] or self.speed_m_s <= 0.0:
            raise ValueError("the area to wipe must be at least as large as the cloth")
        if not (0 <= self.leave_out < self.lane_count and 0 <= self.back_lanes <= self.lane_count):
            raise ValueError("more lanes left out or gone back over than there are")
        legs = self._path()
        # A stop at each corner costs a moment on top of the way.
        ends = np.cumsum([leg.length_m / self.speed_m_s + 0.12 for leg in legs])
        object.__setattr__(self, "_legs", legs)
        object.__setattr__(self, "_ends", tuple(float(end) for end in ends))

    @property
    def lane_count(self) -> int:
        """Lanes over the whole area, wiped or not."""
        if self.lanes is not None:
            return self.lanes
        return max(1, int(np.ceil((self.area[3] - self.area[2]) / self.cloth_m[1] - 1e-9)))

    @property
    def legs(self) -> tuple[Leg, ...]:
        """The path, leg by leg."""
        return self._legs

    @property
    def duration_s(self) -> float:
        """See `Motion`: follows from path and speed."""
        return self._ends[-1]

    def _path(self) -> tuple[Leg, ...]:
        x0, x1, z0, z1 = self.area
        w, d = self.cloth_m[0] / 2.0, self.cloth_m[1] / 2.0
        rows = np.linspace(z1 - d, z0 + d, self.lane_count)
        if self.lane_count == 1:
            rows = np.array([(z0 + z1) / 2.0])
        if self.start == "near":
            rows = rows[::-1]
        wiped = list(range(self.lane_count - self.leave_out))
        order = wiped + wiped[::-1][: self.back_lanes]
        ends = (x1 - w, x0 + w) if self.from_left else (x0 + w, x1 - w)
        legs: list[Leg] = []
        here = (float(ends[0]), float(rows[0]))
        for step, lane in enumerate(order):
            row = float(rows[lane])
            if row != here[1]:
                legs.append(Leg(here, (here[0], row), None))
                here = (here[0], row)
            there = (float(ends[(step + 1) % 2]), row)
            legs.append(Leg(here, there, lane))
            here = there
        return tuple(legs)

    def cloth_at(self, t: float) -> tuple[float, float]:
        """Middle of the cloth on the table (x, z) at `t`."""
        t = min(max(t, 0.0), self.duration_s)
        index = int(np.searchsorted(self._ends, t))
        begin = self._ends[index - 1] if index else 0.0
        leg = self._legs[index]
        share = smooth_step((t - begin) / (self._ends[index] - begin))
        return (
            leg.start[0] + share * (leg.end[0] - leg.start[0]),
            leg.start[1] + share * (leg.end[1] - leg.start[1]),
        )

    def _shares(self, until_s: float | None) -> tuple[float, float]:
        """Shares of the area that were swept, and swept by two or more lanes, by `until_s`."""
        x0, x1, z0, z1 = self.area
        rects = [(leg.swept(self.cloth_m), leg.lane) for leg in self._done(until_s)]
        xs = np.unique(np.clip([x0, x1, *(v for r, _ in rects for v in r[:2])], x0, x1))
        zs = np.unique(np.clip([z0, z1, *(v for r, _ in rects for v in r[2:])], z0, z1))
        any_leg = np.zeros((xs.size - 1, zs.size - 1), dtype=bool)
        lanes = np.zeros(any_leg.shape, dtype=int)
        for (a, b, c, d), lane in rects:
            cell = _cells(xs, max(a, x0), min(b, x1)), _cells(zs, max(c, z0), min(d, z1))
            any_leg[cell] = True
            lanes[cell] += lane is not None
        size = np.outer(np.diff(xs), np.diff(zs)) / ((x1 - x0) * (z1 - z0))
        return float(size[any_leg].sum()), float(size[lanes >= 2].sum())

    def _done(self, until_s: float | None) -> tuple[Leg, ...]:
        if until_s is None or until_s >= self.duration_s:
            return self._legs
        index = int(np.searchsorted(self._ends, max(until_s, 0.0)))
        leg = self._legs[index]
        return (*self._legs[:index], Leg(leg.start, self.cloth_at(until_s), leg.lane))

    def covered_fraction(self, until_s: float | None = None) -> float:
        """Share 0..1 of the area that the cloth has been over (by `until_s`, or in all). Exact."""
        return self._shares(until_s)[0]

    def gone_over_again_fraction(self, until_s: float | None = None) -> float:
        """Share 0..1 of the area that two or more lanes went over; neighbours' overlap counts.

        Exact.
        """
        return self._shares(until_s)[1]

    def gone_back_fraction(self) -> float:
        """Share 0..1 of the area whose lanes were wiped again; neighbours' overlap does not count.

        Exact: the depth of a lane is its share of the area's depth.
        """
        return self.back_lanes / self.lane_count

    def _hand(self, x: float, z: float, slack: float) -> HandPose:
        # The forearm comes from the right elbow, so the fingers follow the line from there.
        fingers = unit([x + 0.34, 0.0, max(z, 0.12)]) + 0.07 * Y
        pose = hand(
            "right",
            fingers,
            -Y,
            flexed(Grip.CLOTH, slack),
            np.array([x, 0.0, z]),
            (0.0, 0.095, 0.0),
        )
        return grounded(pose, self.habit.shape, CLOTH_THICK_M)

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        x, z = self.cloth_at(t)
        drift = hand_drift(self.habit, self.seed + 13, 0.0012)
        right = drift[1].applied(self._hand(x, z, 0.4 * self.habit.slack), t)
        rest = resting_hand(
            "left", np.array([self.rest_at[0], 0.0, self.rest_at[1]]), self.habit.shape
        )
        cloth = Prop(
            "cloth",
            np.array([x, CLOTH_THICK_M / 2.0, z]),
            np.eye(3),
            np.array([self.cloth_m[0], CLOTH_THICK_M, self.cloth_m[1]]),
            self.colour,
        )
        return Moment(drift[0].applied(rest, t), right, (cloth,))
