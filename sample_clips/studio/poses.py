"""Hand shapes, and placing a hand so that a chosen point of it lies where it should.

Frames are those of `skeleton`: world metres, +X the subject's left, +Y up, +Z from the subject
to the front camera; local points of a hand are (towards the thumb, along the fingers, out of
the palm). Joint angles are chosen by eye from how hands look; they stay inside the usual ranges
of motion of the fingers (knuckle about 90, middle joint about 105, last joint about 80 degrees
of flexion; value from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from sample_clips.studio.skeleton import HandPose, HandShape, Side, bones, hand_axes, mirror_pose

Array = NDArray[np.float64]
Pair = tuple[HandPose, HandPose]  # left hand, right hand

X, Y, Z = np.eye(3)
# Most a joint may flex (radians); thumb row is opposition, MCP, IP.
MAX_FLEXION = np.radians([[60, 60, 80], [95, 110, 80], [95, 110, 80], [95, 110, 80], [95, 110, 80]])
MAX_EXTENSION = np.radians([[-45, -15, -20], *([[-30, -5, -10]] * 4)])


def unit(vector: Sequence[float] | Array) -> Array:
    """`vector` scaled to length one. Raises ValueError for a vector without length."""
    given = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(given))
    if length < 1e-9:
        raise ValueError("a direction needs a length")
    return given / length


def turn(axis: Sequence[float] | Array, angle: float) -> Array:
    """Rotation matrix (3,3) by `angle` radians about `axis`; use as `matrix @ vector`."""
    k = unit(axis)
    cross = np.array([[0.0, -k[2], k[1]], [k[2], 0.0, -k[0]], [-k[1], k[0], 0.0]])
    matrix: Array = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
    return matrix


def square_to(direction: Array, normal: Array) -> Array:
    """The part of `direction` square to the unit vector `normal`, scaled to length one."""
    return unit(direction - normal * float(direction @ normal))


class Grip(StrEnum):
    """Named finger positions; `angles` gives the numbers."""

    FLAT = "flat"
    RELAXED = "relaxed"
    CUPPED = "cupped"
    SPREAD = "spread"
    LACED_OVER = "laced_over"
    LACED = "laced"
    HOOK = "hook"
    FIST = "fist"
    CLASP = "clasp"
    THUMB_OUT = "thumb_out"
    GATHERED = "gathered"
    POINT = "point"
    CUP = "cup"
    CLOTH = "cloth"
    PHONE = "phone"


# (curl rows thumb..little in degrees), (spread in degrees)
_GRIPS: dict[Grip, tuple[tuple[tuple[float, float, float], ...], tuple[float, ...]]] = {
    Grip.FLAT: (((-12, 8, 6), (4, 6, 4), (3, 6, 4), (4, 6, 4), (5, 7, 4)), (-14, 2, 0, 0, 3)),
    Grip.RELAXED: (
        ((8, 14, 16), (22, 28, 14), (26, 32, 16), (30, 34, 17), (32, 34, 16)),
        (-4, 3, 1, 1, 4),
    ),
    Grip.CUPPED: (
        ((5, 12, 12), (14, 16, 8), (15, 17, 9), (17, 18, 9), (18, 18, 9)),
        (-12, 1, 0, 0, 2),
    ),
    Grip.SPREAD: (((-18, 4, 4), (0, 6, 4), (0, 6, 4), (0, 6, 4), (0, 6, 4)), (8, 15, 4, 6, 18)),
    Grip.LACED_OVER: (
        ((-8, 10, 10), (26, 34, 18), (28, 34, 18), (28, 34, 18), (26, 34, 18)),
        (2, 16, 5, 6, 18),
    ),
    Grip.LACED: (
        ((0, 14, 14), (20, 26, 14), (20, 26, 14), (20, 26, 14), (20, 26, 14)),
        (-4, 16, 5, 6, 18),
    ),
    Grip.HOOK: (
        ((10, 18, 20), (34, 84, 50), (36, 86, 50), (38, 86, 50), (40, 84, 50)),
        (-8, 1, 0, 0, 1),
    ),
    Grip.FIST: (
        ((32, 30, 36), (78, 92, 55), (80, 94, 55), (82, 94, 55), (82, 92, 55)),
        (-6, 0, 0, 0, 0),
    ),
    Grip.CLASP: (
        ((44, 26, 40), (66, 78, 44), (68, 80, 44), (72, 82, 46), (76, 84, 46)),
        (-8, 1, 0, 0, 1),
    ),
    Grip.THUMB_OUT: (
        ((-20, 0, -4), (34, 40, 20), (38, 44, 22), (42, 46, 24), (44, 46, 24)),
        (18, 2, 0, 0, 3),
    ),
    Grip.GATHERED: (
        ((38, 10, 6), (50, 30, 12), (46, 30, 12), (48, 32, 12), (54, 34, 14)),
        (-10, -4, 0, -4, -10),
    ),
    Grip.POINT: (
        ((34, 34, 36), (4, 8, 5), (72, 88, 50), (78, 90, 52), (80, 90, 52)),
        (-10, 1, 0, 0, 0),
    ),
    Grip.CUP: (
        ((34, 8, 8), (34, 38, 20), (36, 40, 22), (38, 42, 24), (40, 42, 24)),
        (10, 3, 0, 1, 4),
    ),
    Grip.CLOTH: (
        ((-2, 12, 10), (10, 14, 8), (9, 14, 8), (10, 15, 8), (12, 16, 8)),
        (-6, 4, 1, 1, 5),
    ),
    Grip.PHONE: (
        ((24, 12, 10), (30, 44, 28), (34, 50, 30), (38, 54, 32), (42, 56, 34)),
        (2, 2, 0, 0, 2),
    ),
}


def angles(grip: Grip) -> tuple[Array, Array]:
    """Finger flexion (5,3) and spread (5,) in radians of a named hand shape."""
    curl, spread = _GRIPS[grip]
    return np.radians(np.array(curl, dtype=np.float64)), np.radians(np.array(spread, np.float64))


@lru_cache(maxsize=64)
def _pinch_angles(shape: HandShape, gap_m: float, three: bool) -> tuple[Array, Array]:
    curl, spread = angles(Grip.CUP)
    curl[0] = np.radians([30, 14, 18])
    curl[1], curl[2] = np.radians([48, 40, 18]), np.radians([50, 42, 20])
    curl[3:] = np.radians([[46, 52, 26], [48, 52, 26]]) if three else np.radians([[40, 44, 22]] * 2)
    start = np.concatenate([curl[0], curl[1], [spread[0]]])
    low = np.concatenate([MAX_EXTENSION[0], [0.0, 0.0, 0.0], [-0.5]])
    high = np.concatenate([MAX_FLEXION[0], MAX_FLEXION[1], [0.6]])
    thumb_r, index_r = shape.girths[0][3], shape.girths[1][3]
    apart = gap_m + 0.8 * (thumb_r + index_r)  # pads flatten a little when they press

    def miss(values: Array) -> Array:
        c, s = curl.copy(), spread.copy()
        c[0], c[1], s[0] = values[:3], values[3:6], values[6]
        built = bones(shape, c, s)
        thumb, index = built.joints[4], built.joints[8]
        away = index - thumb
        # The pads look at each other: thumb pad normal along `away`, index pad normal against it.
        facing = np.concatenate(
            [built.axes[3][:, 2] - unit(away), built.axes[6][:, 2] + unit(away)]
        )
        stay = 0.004 * (values - start)
        return np.concatenate([[float(np.linalg.norm(away)) - apart], 0.004 * facing, stay])

    found = least_squares(miss, np.clip(start, low + 1e-6, high - 1e-6), bounds=(low, high)).x
    curl[0], curl[1], spread[0] = found[:3], found[3:6], found[6]
    curl[2] = curl[1] + np.radians([2, 2, 2]) if three else curl[2]
    curl.setflags(write=False)
    spread.setflags(write=False)
    return curl, spread


def pinch_angles(shape: HandShape, gap_m: float = 0.010, three: bool = True) -> tuple[Array, Array]:
    """Flexion (5,3) and spread (5,) with thumb and index pads `gap_m` apart (0.010 = a tube).

    `three` brings the middle finger beside the index (three-point pinch); the others curl in.
    """
    curl, spread = _pinch_angles(shape, round(gap_m, 4), three)
    return curl.copy(), spread.copy()


def pinch_point(shape: HandShape, gap_m: float = 0.010, three: bool = True) -> Array:
    """Middle between thumb and index tips of the pinch, in the hand frame (3,) metres."""
    curl, spread = pinch_angles(shape, gap_m, three)
    tips = bones(shape, curl, spread).joints
    middle: Array = 0.5 * (tips[4] + tips[8])
    return middle


@lru_cache(maxsize=64)
def _gathered(shape: HandShape) -> tuple[Array, Array]:
    curl, spread = angles(Grip.GATHERED)
    start = np.concatenate([curl.ravel(), spread])
    room = np.radians(np.full(20, 28.0))
    low = np.maximum(start - room, np.concatenate([MAX_EXTENSION.ravel(), np.full(5, -0.6)]))
    high = np.minimum(start + room, np.concatenate([MAX_FLEXION.ravel(), np.full(5, 0.4)]))
    near = 1.7 * shape.girths[2][3]

    def miss(values: Array) -> Array:
        tips = bones(shape, values[:15].reshape(5, 3), values[15:]).joints[[4, 8, 12, 16, 20]]
        ring = np.linalg.norm(tips[[1, 2, 3, 0]] - tips[[2, 3, 4, 2]], axis=1) - near
        closing = np.linalg.norm(tips[[0, 0]] - tips[[1, 3]], axis=1) - [near, 1.5 * near]
        level = tips[1:, 1] - tips[1:, 1].mean()
        return np.concatenate([ring, closing, level, 0.004 * (values - start)])

    # A dozen steps bring the tips within a millimetre or two; more change nothing to be seen.
    found = least_squares(miss, start, bounds=(low - 1e-6, high + 1e-6), max_nfev=12).x
    curl, spread = found[:15].reshape(5, 3), found[15:]
    curl.setflags(write=False)
    spread.setflags(write=False)
    return curl, spread


def gathered_angles(shape: HandShape) -> tuple[Array, Array]:
    """Flexion (5,3) and spread (5,) with all five fingertips bunched together."""
    curl, spread = _gathered(shape)
    return curl.copy(), spread.copy()


def hand(
    side: Side,
    fingers: Array,
    palm: Array,
    grip: Grip | tuple[Array, Array] = Grip.RELAXED,
    at: Array | None = None,
    local: Sequence[float] | Array = (0.0, 0.0, 0.0),
) -> HandPose:
    """A hand whose point `local` (hand frame, metres) lies at world point `at`."""
    curl, spread = angles(grip) if isinstance(grip, Grip) else grip
    out = square_to(np.asarray(palm, np.float64), unit(fingers))
    pose = HandPose(side, np.zeros(3), unit(fingers), out, curl, spread)
    return place(pose, local, np.zeros(3) if at is None else np.asarray(at, dtype=np.float64))


def place(pose: HandPose, local: Sequence[float] | Array, at: Array) -> HandPose:
    """The same pose moved so that its point `local` (hand frame, metres) lies at `at` (world)."""
    return replace(pose, wrist=at - np.asarray(local, dtype=np.float64) @ hand_axes(pose))


def table_pinch(side: Side, at: Array, shape: HandShape, gap_m: float) -> HandPose:
    """A hand taking a small thing off the table at `at`: from above, idle fingers curled away."""
    curl, spread = pinch_angles(shape, gap_m)
    curl[2:] = np.radians([[66, 72, 36], [78, 88, 45], [80, 88, 45]])
    inward = 1.0 if side == "right" else -1.0
    fingers = unit([0.54 * inward, -0.50, 0.68])
    palm = turn(fingers, -0.35 * inward) @ square_to(-Y, fingers)
    return hand(side, fingers, palm, (curl, spread), at, pinch_point(shape, gap_m))


def point_of(pose: HandPose, local: Sequence[float] | Array) -> Array:
    """World position (3,) of the hand-frame point `local`."""
    spot: Array = np.asarray(pose.wrist) + np.asarray(local, dtype=np.float64) @ hand_axes(pose)
    return spot


def moved(pose: HandPose, by: Array) -> HandPose:
    """`pose` shifted by the world vector `by` (3,) metres."""
    return replace(pose, wrist=np.asarray(pose.wrist) + by)


def rotated(pose: HandPose, matrix: Array, about: Array | None = None) -> HandPose:
    """`pose` turned by the rotation `matrix` (3,3) about the world point `about` (origin)."""
    centre = np.zeros(3) if about is None else about
    return replace(
        pose,
        wrist=centre + matrix @ (np.asarray(pose.wrist) - centre),
        fingers=matrix @ np.asarray(pose.fingers),
        palm=matrix @ np.asarray(pose.palm),
    )


def settle(pair: Pair, tilt: Array, centre: Array) -> Pair:
    """A pair posed round the origin, turned by `tilt` (3,3) and moved to `centre` (3,)."""
    left, right = (moved(rotated(pose, tilt), centre) for pose in pair)
    return left, right


def mirror_pair(pair: Pair) -> Pair:
    """Both hands reflected in X: what the left hand did, the right hand now does."""
    return mirror_pose(pair[1]), mirror_pose(pair[0])


def flexed(grip: Grip, degrees: float) -> tuple[Array, Array]:
    """A named hand shape with every finger (not the thumb) flexed by `degrees` more per joint."""
    curl, spread = angles(grip)
    curl[1:] += np.radians(degrees)
    return np.clip(curl, MAX_EXTENSION, MAX_FLEXION), spread
