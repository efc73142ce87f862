"""The drawn hand: outlines, the regions of its surfaces, and the patterns that fill them.

Our own construction, from bone-like centre lines and widths. All lengths are millimetres of
an adult hand (breadth 84, middle finger 79, length about 183: rounded everyday proportions,
no source). Frame: origin at the middle of the wrist, x to the right, y up, the thumb on the
side of smaller x. That is the person's own left hand seen from its palm, or the own right
hand seen from its back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
"""Shape (n, 2): corners of a polygon, or points of a line."""

Side = Literal["palm", "back"]
Region = Literal["palm", "back", "between", "finger_backs", "thumb", "tips"]

TIP_FROM = 0.68
"""Share of a finger's length at which its tip begins: about the last joint."""

STRIP_MM = 5.6
"""Breadth of the strips along the fingers that stand for the skin between them."""

KNUCKLE_MM = 15.0
"""How far the back of a finger reaches below its web, down to the knuckle."""

PROFILE = np.array(
    [(0.0, 1.0), (0.2, 0.95), (0.42, 1.0), (0.58, 0.92), (0.7, 0.95), (0.86, 0.86), (1.0, 0.86)]
)
"""Share of a finger's length, and its half breadth there over that at its base."""


@dataclass(frozen=True, slots=True)
class Finger:
    """One finger as a centre line and a breadth.

    Attributes:
        base: middle of its root, mm.
        lean_deg: turn from straight up, towards larger x.
        length: root to tip, mm.
        half: half its breadth at the root, mm.
    """

    base: tuple[float, float]
    lean_deg: float
    length: float
    half: float

    def at(self, along: float, across: float) -> tuple[float, float]:
        """The point ``along`` mm from the root and ``across`` mm to the right of the middle."""
        lean = math.radians(self.lean_deg)
        return (
            self.base[0] + along * math.sin(lean) + across * math.cos(lean),
            self.base[1] + along * math.cos(lean) - across * math.sin(lean),
        )

    def half_at(self, share: float) -> float:
        """Half the breadth, mm, at a share of the length; the tip is rounded."""
        half = self.half * float(np.interp(share, PROFILE[:, 0], PROFILE[:, 1]))
        round_from = 1.0 - self.half * 0.86 / self.length
        if share <= round_from:
            return half
        rest = min((share - round_from) / (1.0 - round_from), 1.0)
        return half * math.sqrt(1.0 - rest * rest)

    def edge(self, start: float, end: float, right: bool, inset: float = 0.0) -> Points:
        """Points of one side between two shares of the length; ``inset`` mm inside it."""
        steps = max(round(abs(end - start) * self.length / 4.0), 3)
        # Close together near the tip, where the outline turns.
        shares = start + (end - start) * np.sin(np.linspace(0, math.pi / 2, steps + 1))
        sign = 1.0 if right else -1.0
        return np.array(
            [self.at(s * self.length, sign * max(self.half_at(s) - inset, 0.0)) for s in shares]
        )


FINGERS = (
    Finger((-35.0, 95.0), -11.0, 72.0, 10.6),
    Finger((-11.5, 102.0), -2.0, 79.0, 10.8),
    Finger((12.5, 100.0), 7.0, 74.0, 10.3),
    Finger((34.5, 89.5), 18.0, 58.0, 9.2),
)
"""Index to little finger."""

THUMB = Finger((-42.0, 40.0), -40.0, 63.0, 13.0)
THUMB_WEB = 0.3
"""Share of the thumb's length at which the skin to the index finger begins."""


@dataclass(frozen=True, slots=True)
class HandShape:
    """One side of the drawn hand.

    Attributes:
        outline: the whole hand with a stub of forearm.
        regions: polygons of each surface; they do not overlap, except that ``between`` lies
            on top of ``palm``.
        marks: thin lines that tell palm from back (creases; nails and knuckles).
    """

    outline: Points
    regions: dict[Region, tuple[Points, ...]]
    marks: tuple[Points, ...]


@lru_cache(maxsize=2)
def hand_shape(side: Side) -> HandShape:
    """The hand seen from its palm or from its back, thumb at smaller x."""
    palm = _palm()
    tips = tuple(_tip(finger) for finger in FINGERS)
    shared: dict[Region, tuple[Points, ...]] = {"thumb": (_thumb(),), "tips": tips}
    if side == "palm":
        fronts = tuple(_body(finger) for finger in FINGERS)
        webs = tuple(_between(a, b) for a, b in pairwise(FINGERS))
        regions: dict[Region, tuple[Points, ...]] = {"palm": (palm, *fronts), "between": webs}
        return HandShape(_outline(), regions | shared, _creases())
    backs = tuple(_body(finger, KNUCKLE_MM) for finger in FINGERS)
    regions = {"back": (_back(),), "finger_backs": backs}
    return HandShape(_outline(), regions | shared, _nails())


def _curve(*points: tuple[float, float], steps: int = 6) -> Points:
    """A smooth line through the points (Catmull-Rom), ends included."""
    p = np.array([points[0], *points, points[-1]], dtype=float)
    t = np.linspace(0.0, 1.0, steps, endpoint=False)[:, None]
    parts = [
        0.5
        * (
            2 * p[i]
            + (p[i + 1] - p[i - 1]) * t
            + (2 * p[i - 1] - 5 * p[i] + 4 * p[i + 1] - p[i + 2]) * t**2
            + (3 * p[i] - p[i - 1] - 3 * p[i + 1] + p[i + 2]) * t**3
        )
        for i in range(1, len(p) - 2)
    ]
    return np.concatenate([*parts, p[-1:]])


def _around(finger: Finger, start: float) -> Points:
    """From the left side at ``start`` over the tip to the right side."""
    return np.concatenate(
        [finger.edge(start, 1.0, right=False), finger.edge(start, 1.0, right=True)[::-1][1:]]
    )


def _tip(finger: Finger) -> Points:
    return _around(finger, TIP_FROM)


def _thumb() -> Points:
    return np.concatenate([_around(THUMB, 0.0), _thumb_root()[::-1][1:-1]])


def _thumb_root() -> Points:
    """The rounded root of the thumb on the ball of the hand, left to right."""
    half = THUMB.half
    return _curve(
        THUMB.at(0, -half), THUMB.at(-6, -0.45 * half), THUMB.at(-6, 0.45 * half), THUMB.at(0, half)
    )


def _web(a: Finger, b: Finger, drop: float = 4.0) -> Points:
    """The skin between two roots: from the right side of ``a`` to the left side of ``b``."""
    start, end = np.array(a.at(0, a.half)), np.array(b.at(0, -b.half))
    low = (start + end) / 2 - np.array([0.0, drop])
    t = np.linspace(0.0, 1.0, 7)[:, None]
    return np.asarray((1 - t) ** 2 * start + 2 * t * (1 - t) * low + t**2 * end)


def _body(finger: Finger, below: float = 0.0) -> Points:
    """A finger without its tip, reaching ``below`` mm under its root."""
    sides = [finger.edge(0.0, TIP_FROM, right=False), finger.edge(0.0, TIP_FROM, right=True)[::-1]]
    if below:
        half = finger.half * 0.94
        sides.append(_curve(*(_knuckle(finger, half, below))))
    return np.concatenate(sides)


def _knuckle(finger: Finger, half: float, below: float) -> tuple[tuple[float, float], ...]:
    """The rounded lower end of the back of a finger, right to left."""
    return (
        finger.at(0, finger.half),
        finger.at(-0.5 * below, half),
        finger.at(-below, 0.0),
        finger.at(-0.5 * below, -half),
        finger.at(0, -finger.half),
    )


def _between(a: Finger, b: Finger) -> Points:
    """Strips along the facing sides of two fingers, joined by the web."""
    low = _web(a, b, 4.0 + 2.4 * STRIP_MM) - np.array([0.0, 1.0])
    return np.concatenate(
        [
            a.edge(TIP_FROM, 0.0, right=True),
            _web(a, b)[1:-1],
            b.edge(0.0, TIP_FROM, right=False),
            b.edge(TIP_FROM, 0.0, right=False, inset=STRIP_MM),
            low[::-1][1:-1],
            a.edge(0.0, TIP_FROM, right=True, inset=STRIP_MM),
        ]
    )


WRIST = ((-29.0, 0.0), (29.0, 0.0))


def _thumb_side() -> Points:
    """From the wrist up to the root of the thumb."""
    return _curve(WRIST[0], (-33.0, 12.0), (-41.0, 22.0), THUMB.at(0, -THUMB.half))


def _thumb_web() -> Points:
    """From the thumb's inner side to the root of the index finger."""
    index = FINGERS[0]
    start = THUMB.at(THUMB_WEB * THUMB.length, THUMB.half_at(THUMB_WEB))
    return _curve(start, (-45.0, 66.0), (-46.5, 80.0), index.at(0, -index.half))


def _little_side() -> Points:
    """From the root of the little finger down to the wrist."""
    little = FINGERS[-1]
    return _curve(little.at(0, little.half), (43.5, 68.0), (41.5, 38.0), (33.0, 13.0), WRIST[1])


def _roots(knuckles: bool) -> list[Points]:
    """Along the roots from index to little finger: over creases, or under the knuckles."""
    parts: list[Points] = []
    for number, finger in enumerate(FINGERS):
        if knuckles:
            parts.append(_curve(*_knuckle(finger, finger.half * 0.94, KNUCKLE_MM))[::-1])
        else:
            parts.append(np.array([finger.at(0, -finger.half), finger.at(0, finger.half)]))
        if number + 1 < len(FINGERS):
            parts.append(_web(finger, FINGERS[number + 1])[1:-1])
    return parts


def _hand_without_fingers(knuckles: bool) -> Points:
    return np.concatenate(
        [
            _thumb_side(),
            _thumb_root()[1:],
            THUMB.edge(0.0, THUMB_WEB, right=True)[1:],
            _thumb_web()[1:],
            *_roots(knuckles),
            _little_side()[1:],
        ]
    )


def _palm() -> Points:
    return _hand_without_fingers(knuckles=False)


def _back() -> Points:
    return _hand_without_fingers(knuckles=True)


def _outline() -> Points:
    parts: list[Points] = [
        np.array([(-27.0, -16.0), (-28.0, -6.0)]),
        _thumb_side(),
        THUMB.edge(0.0, 1.0, right=False)[1:],
        # The way back ends where the skin to the index finger begins.
        THUMB.edge(THUMB_WEB, 1.0, right=True)[::-1][1:],
        _thumb_web()[1:],
    ]
    for number, finger in enumerate(FINGERS):
        parts.append(_around(finger, 0.0))
        if number + 1 < len(FINGERS):
            parts.append(_web(finger, FINGERS[number + 1])[1:-1])
    parts += [_little_side()[1:], np.array([(28.0, -6.0), (27.0, -16.0)])]
    return np.concatenate(parts)


def _creases() -> tuple[Points, ...]:
    """Lines of the palm: around the ball of the thumb, and two across."""
    return (
        _curve((-36.0, 74.0), (-20.0, 64.0), (-9.0, 40.0), (-12.0, 8.0)),
        _curve((-34.0, 78.0), (-8.0, 68.0), (16.0, 52.0)),
        _curve((38.0, 66.0), (14.0, 72.0), (-8.0, 88.0)),
    )


def _nails() -> tuple[Points, ...]:
    """Nails of all five."""
    nails = []
    for finger in (THUMB, *FINGERS):
        half, top = 0.56 * finger.half, finger.length - 0.34 * finger.half
        low = top - 1.45 * finger.half
        places = (
            (top, 0.0), (top - 0.25 * half, 0.75 * half), (low + half, half),
            (low + 0.2 * half, 0.8 * half), (low, 0.0), (low + 0.2 * half, -0.8 * half),
            (low + half, -half), (top - 0.25 * half, -0.75 * half), (top, 0.0),
        )  # fmt: skip
        nails.append(_curve(*(finger.at(*place) for place in places), steps=3))
    return tuple(nails)


def hatch(polygon: Points, angle_deg: float, gap: float) -> list[tuple[Points, Points]]:
    """Parallel lines inside a polygon, ``gap`` apart; drawn lines need no pattern support.

    Args:
        polygon: shape (n, 2), any simple polygon.
        angle_deg: direction of the lines, counter-clockwise from x as drawn.
        gap: distance between lines, in the polygon's unit.

    Returns:
        Both ends of each line. Lines of different polygons fall on one common raster.
    """
    turn = math.radians(angle_deg)
    along, across = (
        np.array([math.cos(turn), math.sin(turn)]),
        np.array([-math.sin(turn), math.cos(turn)]),
    )
    u, v = polygon @ along, polygon @ across
    lines = []
    for number in range(math.ceil(v.min() / gap), math.floor(v.max() / gap) + 1):
        level = number * gap
        crossings = _crossings(u, v, level)
        for start, end in zip(crossings[::2], crossings[1::2], strict=False):
            lines.append((start * along + level * across, end * along + level * across))
    return lines


def _crossings(u: Points, v: Points, level: float) -> list[float]:
    """Sorted places along a line of constant ``v`` where it crosses the closed polygon."""
    next_u, next_v = np.roll(u, -1), np.roll(v, -1)
    # Half-open, so that a corner on the line counts once.
    hits = (v < level) != (next_v < level)
    share = (level - v[hits]) / (next_v[hits] - v[hits])
    return sorted((u[hits] + share * (next_u[hits] - u[hits])).tolist())


def inside(polygon: Points, point: Sequence[float]) -> bool:
    """Whether a point lies in a simple polygon."""
    crossings = _crossings(polygon[:, 0], polygon[:, 1], float(point[1]))
    return sum(place < point[0] for place in crossings) % 2 == 1


def raster(polygon: Points, gap: float) -> list[tuple[float, float]]:
    """Points of a staggered raster inside a polygon, ``gap`` apart."""
    points = []
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    for row in range(math.ceil(low[1] / gap), math.floor(high[1] / gap) + 1):
        crossings = _crossings(polygon[:, 0], polygon[:, 1], row * gap)
        shift = 0.5 * (row % 2)
        for start, end in zip(crossings[::2], crossings[1::2], strict=False):
            first, last = math.ceil(start / gap - shift), math.floor(end / gap - shift)
            points += [((column + shift) * gap, row * gap) for column in range(first, last + 1)]
    return points
