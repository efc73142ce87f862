"""Hands on a regular time grid, and the arithmetic on it.

Coordinate frame: picture x right and y down, of an unmirrored picture, in picture widths; world
points in metres, the tracker's own 3-D estimate (x right, y down, z away from the camera). NaN
where not seen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.tracks import LEFT, RIGHT, LandmarkTrack, TimeBase

Array = NDArray[np.float64]

# Keypoint indices of the hand in the tracker's order.
WRIST, THUMB_TIP, INDEX_MCP, INDEX_TIP, MIDDLE_MCP, LITTLE_MCP = 0, 4, 5, 8, 9, 17
FINGERS = ((1, 2, 3, 4), (5, 6, 7, 8), (9, 10, 11, 12), (13, 14, 15, 16), (17, 18, 19, 20))
FINGER_TIPS = (8, 12, 16, 20)
FINGER_NAMES = ("thumb", "index", "middle", "ring", "little")
PALM_POINTS = (0, 5, 9, 13, 17)

HOP_S = 0.1
"""Grid step: ten samples a second resolve strokes of up to about 4 a second."""

MAX_BRIDGE_S = 0.25
"""Longest drop-out bridged by a straight line; beyond it the hand counts as not seen."""

HOLD_S = 4.0
"""How long a lost hand's last place is still worth knowing."""

WRIST_TO_KNUCKLE_RATIO = 0.8
"""Breadth across the knuckles over wrist-to-middle-knuckle length of an adult hand.

About 0.8 in hand anthropometry (common practice, no source); used only so that a hand
seen edge-on still has a plausible width.
"""


@dataclass(frozen=True, slots=True)
class HandGrid:
    """Hands on the regular grid.

    Attributes:
        time: m grid times.
        points: shape (m, 2, 21, 3), picture widths, NaN where not seen.
        world: shape (m, 2, 21, 3), metres.
        hand_width: one number, the recording's typical hand width in picture widths
            (NaN if no hand was ever seen).
        aspect: picture height over width.
        held: shape (m,), whether the time lies within a held stretch of the track.
        palms: shape (m, 2, 2), palm centres in picture widths.
    """

    time: TimeBase
    points: Array
    world: Array
    hand_width: float
    aspect: float
    held: NDArray[np.bool_]
    palms: Array = field(init=False)

    def __post_init__(self) -> None:
        palms = self.points[:, :, PALM_POINTS, :2].mean(axis=2)
        object.__setattr__(self, "palms", palms)

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Shape (m, 2): whether each hand is seen."""
        return np.asarray(np.isfinite(self.points[:, :, 0, 0]))


def resample(values: Array, times_s: Array, grid_s: Array, max_gap_s: float) -> Array:
    """Linear interpolation that never bridges a gap longer than ``max_gap_s``.

    Args:
        values: shape (n, ...); NaN rows are not seen.
        times_s: shape (n,), strictly increasing.
        grid_s: shape (m,).
        max_gap_s: seconds.

    Returns:
        Shape (m, ...). A grid time with only one usable neighbour takes that one's value
        when it lies within half of ``max_gap_s``; otherwise NaN.
    """
    flat = values.reshape(len(values), -1)
    out = np.full((len(grid_s), flat.shape[1]), np.nan)
    seen = np.flatnonzero(np.isfinite(flat).all(axis=1))
    if seen.size:
        known = times_s[seen]
        after = np.clip(np.searchsorted(known, grid_s), 0, seen.size - 1)
        before = np.clip(np.searchsorted(known, grid_s, side="right") - 1, 0, seen.size - 1)
        gap = known[after] - known[before]
        inside = (gap <= max_gap_s) & (known[before] <= grid_s) & (grid_s <= known[after])
        nearest = np.where(
            np.abs(known[after] - grid_s) < np.abs(known[before] - grid_s), after, before
        )
        near_enough = ~inside & (np.abs(known[nearest] - grid_s) <= max_gap_s / 2)
        out[near_enough] = flat[seen[nearest[near_enough]]]
        before, after, gap = before[inside], after[inside], gap[inside]
        weight = np.divide(
            grid_s[inside] - known[before], gap, out=np.zeros_like(gap), where=gap > 0
        )
        out[inside] = _line(flat[seen[before]], flat[seen[after]], weight)
    return out.reshape(len(grid_s), *values.shape[1:])


def _line(start: Array, end: Array, share: Array) -> Array:
    """Between rows ``start`` and ``end`` (k, d), a ``share`` (k,) of the way."""
    line: Array = start * (1.0 - share)[:, None]
    line += end * share[:, None]
    return line


def grid_hands(track: LandmarkTrack, hop_s: float = HOP_S) -> HandGrid:
    """Put a track's hands on a regular grid of ``hop_s`` seconds."""
    times = track.time.times_s.astype(np.float64)
    end = track.time.end_s
    count = max(1, int(np.ceil((end - times[0]) / hop_s - 1e-9)))
    grid = times[0] + hop_s * np.arange(count)
    both = np.concatenate([track.hands, track.hands_world], axis=-1).astype(np.float64)
    # Each hand on its own: one may be lost while the other is not.
    hands = np.stack(
        [resample(both[:, side], times, grid, MAX_BRIDGE_S) for side in (LEFT, RIGHT)], axis=1
    )
    held = _hold_still(hands, both, track, grid)
    return HandGrid(
        time=TimeBase(grid, max(end, float(grid[-1]) + 1e-6)),
        points=hands[..., :3],
        world=hands[..., 3:],
        hand_width=typical_hand_width(track.hands),
        aspect=track.frame_size_px[1] / track.frame_size_px[0],
        held=held,
    )


def _hold_still(out: Array, values: Array, track: LandmarkTrack, grid: Array) -> NDArray[np.bool_]:
    """Fill grid times (m, 2, ...) within held stretches from the samples (n, 2, ...) around.

    A straight line between two sightings; near the only one, that one.

    Returns:
        Shape (m,): which grid times lie in a held stretch.
    """
    times = track.time.times_s
    before = np.clip(np.searchsorted(times, grid, side="right") - 1, 0, len(times) - 1)
    held = np.asarray(track.held[before] & (grid >= times[before]))
    rows = np.flatnonzero(held)
    if not rows.size:
        return held
    before = before[rows]
    after = np.minimum(before + 1, len(times) - 1)
    gap = np.maximum(times[after] - times[before], 1e-9)
    weight = np.where(after > before, (grid[rows] - times[before]) / gap, 0.0)
    for side in range(out.shape[1]):
        column = values[:, side].reshape(len(values), -1)
        a, b = column[before], column[after]
        line = _line(a, b, weight)
        lost = np.flatnonzero(~np.isfinite(line).all(axis=1))
        line[lost] = np.where(
            np.isfinite(line[lost]),
            line[lost],
            np.where(weight[lost, None] < 0.5, a[lost], b[lost]),
        )
        out[rows, side] = line.reshape(len(rows), *values.shape[2:])
    return held


def hand_breadth(points: NDArray[np.floating[Any]]) -> Array:
    """Shape (..., 21, 3) -> (...): breadth across the knuckles, robust to an edge-on view."""
    across = np.linalg.norm(points[..., INDEX_MCP, :2] - points[..., LITTLE_MCP, :2], axis=-1)
    along = np.linalg.norm(points[..., WRIST, :2] - points[..., MIDDLE_MCP, :2], axis=-1)
    return np.asarray(np.maximum(across, WRIST_TO_KNUCKLE_RATIO * along), dtype=np.float64)


def typical_hand_width(points: NDArray[np.floating[Any]]) -> float:
    """Median hand breadth over a recording, in picture widths; NaN if no hand was seen."""
    breadth = hand_breadth(points)
    breadth = breadth[np.isfinite(breadth)]
    return float(np.median(breadth)) if breadth.size else float("nan")


def hold(values: Array, limit: int) -> tuple[Array, Array]:
    """Keep the last finite row for up to ``limit`` samples.

    Args:
        values: shape (m, d).
        limit: samples.

    Returns:
        The held values, shape (m, d), and each sample's age in samples, shape (m,), inf
        where nothing was seen yet.
    """
    index = np.arange(len(values))
    seen = np.isfinite(values).all(axis=1)
    last = np.maximum.accumulate(np.where(seen, index, -1))
    age = np.where(last >= 0, index - last, np.inf)
    held = np.where((age <= limit)[:, None], values[np.maximum(last, 0)], np.nan)
    return held, age


def moving_mean(values: Array, samples: int) -> Array:
    """Centred mean over up to ``samples`` finite neighbours, NaN where there are none.

    Args:
        values: shape (m,) or (m, d).
        samples: odd window length.
    """
    flat = values.reshape(len(values), -1)
    finite = np.isfinite(flat)
    half = samples // 2

    def windowed(x: Array) -> Array:
        total = np.concatenate([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
        low = np.clip(np.arange(len(x)) - half, 0, len(x))
        high = np.clip(np.arange(len(x)) + half + 1, 0, len(x))
        return np.asarray(total[high] - total[low])

    sums, counts = windowed(np.where(finite, flat, 0.0)), windowed(finite.astype(float))
    mean = np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)
    return mean.reshape(values.shape)
