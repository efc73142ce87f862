"""Handling the line: picking up, exposing, joining, twisting; and undoing, parting, capping.

All steps of one exchange share a `Line`, so that they fit together end to start. World frame
and units as in `skeleton`.

Connect:    pick -> expose -> join -> twist -> let_go
Disconnect: take_joint -> undo -> part -> cap -> lay_down
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sample_clips.studio.line import BODY_M, HELD_GAP, OPEN_GAP, TIP_M, Line
from sample_clips.studio.moving import (
    Beat,
    Keyed,
    KeyList,
    Moment,
    Wander,
    hand_drift,
    smooth_step,
)
from sample_clips.studio.poses import Array, Y, moved, pinch_angles, rotated, turn, unit
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose, Side


def _drift(line: Line, step: int, shift_m: float = 0.002) -> tuple[Wander, Wander]:
    return hand_drift(line.habit, line.seed + step, shift_m)


def _take(line: Line, keys: KeyList, side: Side, spot: tuple[float, float]) -> tuple[float, float]:
    """Append reaching for a thing on the table; returns (when gripped, hand is closed by)."""
    at = line.on_table(spot)
    above = line.grip(side, at + np.array([0.0, 0.05, 0.0]), OPEN_GAP, low=True)
    ready = line.grip(side, at, OPEN_GAP, low=True)
    closed = line.grip(side, at, HELD_GAP, low=True)

    def go(pose: HandPose, seconds: float, lift: float = 0.0) -> None:
        if side == "left":
            keys.to(pose, None, seconds, (lift, 0.0))
        else:
            keys.to(None, pose, seconds, (0.0, lift))

    go(above, 0.5, 0.02)
    go(ready, 0.3)
    begin = keys.now_s
    go(closed, 0.25)
    return begin, keys.now_s


def pick(line: Line, both: bool = False) -> Keyed:
    """The left hand (or both) takes its connector off the table and raises it, still capped."""
    keys = KeyList(line.rest("left"), line.rest("right"))
    taken = {"left": _take(line, keys, "left", line.line_spot)[1], "right": np.inf}
    if both:
        taken["right"] = _take(line, keys, "right", line.bag_spot)[1]
    half = line.apart_m / 2.0
    right = line.held("right", half) if both else None
    keys.to(line.held("left", half), right, 0.6)
    end = keys.now_s
    keys.hold(0.2)

    def props(t: float, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
        things: list[Prop] = []
        for pose in (left, right):
            if t < taken[pose.side]:
                things += line.lying(pose.side)
            else:
                share = (t - taken[pose.side]) / (end - taken[pose.side])
                things += line.in_hand(pose, smooth_step(share))
        tip = things[0]
        axis = np.asarray(tip.rotation)[:, 1]
        things.append(line.cap_prop(np.asarray(tip.position) + axis * BODY_M / 2.0, axis))
        return tuple(things)

    return Keyed(keys.built(), _drift(line, 1), props)


def _cap_end(line: Line, left: HandPose) -> tuple[Array, Array]:
    """Middle of a cap on the left connector, and the direction from it into that hand."""
    axis = line.axis_of(left)
    return line.pinch_of(left) + axis * TIP_M, -axis


def _twists(line: Line, keys: KeyList, pose: HandPose, times: int, angle: float) -> HandPose:
    """Append `times` twists of the right hand about its pinch, opening to turn back."""
    at, shape = line.pinch_of(pose), line.habit.shape
    forth = rotated(pose, turn(line.axis, angle), at)
    curl, spread = pinch_angles(shape, 0.020)
    for index in range(times):
        keys.to(None, forth, 0.38)
        if index < times - 1:
            keys.to(None, replace(forth, curl=curl, spread=spread), 0.12)
            keys.to(None, replace(pose, curl=curl, spread=spread), 0.26).to(None, pose, 0.12)
    return forth


def expose(line: Line, twists: int = 2) -> Keyed:
    """The right hand takes the cap off the line, puts it aside and takes the bag's connector.

    The cap is twisted `twists` times and pulled. Both ends are held apart at the end; the line
    is open from mark "opens".
    """
    half = line.apart_m / 2.0
    left = line.held("left", half)
    at, _ = _cap_end(line, left)
    on_cap = line.grip("right", at)
    keys = KeyList(left, line.rest("right"))
    keys.to(None, line.grip("right", at - line.axis * 0.05, OPEN_GAP), 0.5)
    keys.to(None, line.grip("right", at, 0.020), 0.25).to(None, on_cap, 0.15)
    forth = _twists(line, keys, on_cap, twists, -0.8)
    keys.to(None, forth, 0.1)
    opened = keys.now_s
    keys.to(None, moved(forth, -line.axis * 0.07), 0.35)
    put = line.grip("right", line.on_table(line.cap_spot), HELD_GAP, low=True)
    keys.to(None, put, 0.5, (0.0, 0.01))
    laid = keys.now_s
    keys.to(None, line.grip("right", line.on_table(line.cap_spot), OPEN_GAP, low=True), 0.2)
    taken = _take(line, keys, "right", line.bag_spot)[1]
    keys.to(None, line.held("right", half), 0.6)
    raised = keys.now_s
    keys.hold(0.2)

    def props(t: float, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
        if t < opened:
            middle, axis = _cap_end(line, left)
        elif t < laid:
            middle, axis = line.pinch_of(right), line.axis_of(right)
        else:
            middle, axis = line.on_table(line.cap_spot), line.axis
        bag = line.lying("right")
        if t >= taken:
            bag = line.in_hand(right, smooth_step((t - taken) / (raised - taken)))
        return (*line.in_hand(left), line.cap_prop(middle, axis), *bag)

    return Keyed(keys.built(), _drift(line, 2), props, {"opens": opened})


def _both(line: Line, _t: float, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
    return (*line.in_hand(left), *line.in_hand(right), line.cap_aside())


def join(line: Line, tries: int = 1) -> Keyed:
    """The ends held apart are brought together and pushed home; `tries` of finding the hole."""
    half = line.apart_m / 2.0
    keys = KeyList(line.held("left", half), line.held("right", half)).hold(0.2)
    rng = np.random.default_rng([line.seed, 3])
    for _ in range(tries):
        off = moved(line.held("right", 0.006), rng.normal(0.0, 0.002, 3))
        keys.to(line.held("left", 0.006), off, 0.7).hold(0.2)
    keys.to(line.held("left", -0.003), line.held("right", -0.003), 0.35).hold(0.3)
    return Keyed(keys.built(), _drift(line, 4, 0.0012), lambda t, a, b: _both(line, t, a, b))


@dataclass(frozen=True, slots=True)
class TwistMotion:
    """The right hand rolls about the common axis, regripping between turns.

    turn_hz: turns with regrip a second. tighten: the other way round undoes. still_s: seconds
    of steady hold before the first turn. sweep: radians of one turn.
    """

    line: Line
    duration_s: float = 3.0
    turn_hz: float = 1.0
    tighten: bool = True
    still_s: float = 0.0
    sweep: float = 1.15
    seed: int = 0

    def __post_init__(self) -> None:
        if not (self.turn_hz > 0.0 and self.duration_s > self.still_s >= 0.0):
            raise ValueError("a twist needs a positive rate and more time than its still start")

    def turns(self, start_s: float, end_s: float) -> float:
        """Turns done between two times of this motion."""
        beat = Beat(self.turn_hz, self.duration_s - self.still_s)
        return beat.cycles(end_s - self.still_s) - beat.cycles(start_s - self.still_s)

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        t = min(max(t, 0.0), self.duration_s)
        line, shape = self.line, self.line.habit.shape
        beat = Beat(self.turn_hz, self.duration_s - self.still_s)
        share = beat.cycles(t - self.still_s) % 1.0
        forth, back = smooth_step(share / 0.55), smooth_step((share - 0.60) / 0.36)
        angle = self.sweep * (forth - back) * (1.0 if self.tighten else -1.0)
        released = smooth_step((share - 0.54) / 0.08) - smooth_step((share - 0.93) / 0.07)
        gap = HELD_GAP + 0.010 * released
        left, right = line.held("left", -0.003), line.held("right", -0.003)
        drift = _drift(line, 5 + self.seed, 0.0015)
        left = drift[0].applied(left, t)
        curl, spread = pinch_angles(shape, gap)
        middle = np.asarray(line.joint)
        right = rotated(replace(right, curl=curl, spread=spread), turn(line.axis, angle), middle)
        right = drift[1].applied(right, t)
        return Moment(left, right, line.joined(middle, line.axis))


def twist(line: Line, duration_s: float = 3.0, turn_hz: float = 1.0, seed: int = 0) -> TwistMotion:
    """Tightening the joint."""
    return TwistMotion(line, duration_s, turn_hz * line.habit.tempo, seed=seed)


def undo(line: Line, duration_s: float = 3.0, turn_hz: float = 0.9, seed: int = 7) -> TwistMotion:
    """Holding the joint a moment, then untwisting it."""
    return TwistMotion(
        line, duration_s, turn_hz * line.habit.tempo, False, min(0.6, duration_s / 3.0), seed=seed
    )


def _laid_joint(line: Line) -> Array:
    spot = np.asarray(line.joint)
    return np.array([spot[0], 0.012, spot[2]])


def _low_pair(line: Line, gap: float, up: float = 0.0) -> tuple[HandPose, HandPose]:
    at = _laid_joint(line) + Y * up
    left = line.grip("left", at + line.axis * (TIP_M + 0.012), gap, low=True)
    return left, line.grip("right", at - line.axis * (TIP_M + 0.012), gap, low=True)


def _between(line: Line, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
    ends = line.pinch_of(left), line.pinch_of(right)
    return line.joined(0.5 * (ends[0] + ends[1]), unit(ends[0] - ends[1]))


def let_go(line: Line) -> Keyed:
    """The joined line is laid on the table and both hands go to rest."""
    keys = KeyList(line.held("left", -0.003), line.held("right", -0.003))
    keys.to(*_low_pair(line, HELD_GAP), seconds=0.7)
    laid = keys.now_s
    keys.to(*_low_pair(line, OPEN_GAP), seconds=0.25)
    keys.to(line.rest("left"), line.rest("right"), 0.6, (0.03, 0.03))
    lying = line.joined(_laid_joint(line), line.axis)
    return Keyed(
        keys.built(),
        _drift(line, 9),
        lambda t, a, b: _between(line, a, b) if t < laid else lying,
    )


def take_joint(line: Line) -> Keyed:
    """From rest, both hands take the joined line off the table and raise it."""
    keys = KeyList(line.rest("left"), line.rest("right"))
    keys.to(*_low_pair(line, OPEN_GAP, 0.04), seconds=0.6, lift=(0.02, 0.02))
    keys.to(*_low_pair(line, OPEN_GAP), seconds=0.3).to(*_low_pair(line, HELD_GAP), seconds=0.25)
    taken = keys.now_s
    keys.to(line.held("left", -0.003), line.held("right", -0.003), 0.7).hold(0.1)
    lying = line.joined(_laid_joint(line), line.axis)
    return Keyed(
        keys.built(),
        _drift(line, 10),
        lambda t, a, b: lying if t < taken else _between(line, a, b),
    )


def part(line: Line, distance_m: float = 0.20) -> Keyed:
    """The undone ends are drawn apart, the right hand going further (15-25 cm in all)."""
    keys = KeyList(line.held("left", -0.003), line.held("right", -0.003)).hold(0.15)
    keys.to(line.held("left", 0.3 * distance_m), line.held("right", 0.7 * distance_m), 0.7)
    keys.hold(0.25)
    return Keyed(keys.built(), _drift(line, 11), lambda t, a, b: _both(line, t, a, b))


def cap(line: Line, distance_m: float = 0.20, twists: int = 3) -> Keyed:
    """The right hand lays the bag's end down, takes a cap and pushes and twists it on the line.

    `distance_m` is that of the `part` before it. The line is closed from mark "closes".
    """
    left = line.held("left", 0.3 * distance_m)
    keys = KeyList(left, line.held("right", 0.7 * distance_m))
    bag_at = line.on_table(line.bag_spot)
    keys.to(None, line.grip("right", bag_at, HELD_GAP, low=True), 0.6)
    laid = keys.now_s
    keys.to(None, line.grip("right", bag_at, OPEN_GAP, low=True), 0.2)
    taken = _take(line, keys, "right", line.cap_spot)[1]
    at, _ = _cap_end(line, left)
    keys.to(None, line.grip("right", at - line.axis * 0.035), 0.7, (0.0, 0.02))
    on_cap = line.grip("right", at)
    keys.to(None, on_cap, 0.35)
    closed = keys.now_s
    keys.hold(0.15)
    _twists(line, keys, on_cap, twists, 0.8)
    keys.hold(0.25)

    def props(t: float, left: HandPose, right: HandPose) -> tuple[Prop, ...]:
        bag = line.in_hand(right, 1.0 - smooth_step(t / laid)) if t < laid else line.lying("right")
        if t < taken:
            middle, axis = line.on_table(line.cap_spot), line.axis
        elif t < closed:
            middle, axis = line.pinch_of(right), line.axis_of(right)
        else:
            middle, axis = _cap_end(line, left)
        return (*line.in_hand(left), line.cap_prop(middle, axis), *bag)

    return Keyed(keys.built(), _drift(line, 12), props, {"closes": closed})


def lay_down(line: Line, distance_m: float = 0.20) -> Keyed:
    """The capped line is laid down and both hands go to rest."""
    left = line.held("left", 0.3 * distance_m)
    at, _ = _cap_end(line, left)
    keys = KeyList(left, line.grip("right", at, OPEN_GAP))
    keys.to(
        line.grip("left", line.on_table(line.line_spot), HELD_GAP, low=True),
        line.rest("right"),
        0.7,
    )
    laid = keys.now_s
    keys.to(line.grip("left", line.on_table(line.line_spot), OPEN_GAP, low=True), None, 0.2)
    keys.to(line.rest("left"), None, 0.6, (0.03, 0.0))

    def props(t: float, left: HandPose, _right: HandPose) -> tuple[Prop, ...]:
        things = line.in_hand(left, 1.0 - smooth_step(t / laid)) if t < laid else line.lying("left")
        axis = np.asarray(things[0].rotation)[:, 1]
        tip = np.asarray(things[0].position) + axis * BODY_M / 2.0
        return (*things, line.cap_prop(tip, axis), *line.lying("right"))

    return Keyed(keys.built(), _drift(line, 13), props)
