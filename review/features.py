"""From landmarks to named numbers on a regular time grid.

Coordinate frame: picture x right and y down, of an unmirrored picture; lengths in hand
widths (so that camera distance cancels), speeds in hand widths a second, directions as
unit vectors of the tracker's own 3-D estimate (x right, y down, z away from the camera).
Every column is either a number or NaN for 'not measured'; a hand that vanishes while it
touches the other one keeps its last place in the ``held_`` columns, because a merged hand
is not an absent one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.rhythm import WINDOW_S, dominant_rate
from review.tracks import LEFT, MOTION_GRID, RIGHT, FeatureTrack, LandmarkTrack, TimeBase

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

ORDINARY_STEP_S = 1.0 / 15.0
"""Time between two samples where a track does not say."""

STILL_CELL, STILL_CELLS = 0.1, 2
"""Between two looks at a picture in which nothing moves, at most this many cells change by more
than this (luma 0..1): a person at rest sways a little, an arm that moves changes several."""

STILL_RATE = 0.4
"""A cell that changes faster than this (luma a second, of 0..1) shows a movement; drawn people at
rest changed theirs by 0.25 at most, working hands by 0.5 and more."""

STILL_SHARE = 0.85
"""Least share of the time that must be free of movement: encoders freshen the whole picture once
a second, which looks like one. Of working hands' time a tenth is."""

STILL_PALM, STILL_S = 0.25, 2.0
"""A hand holds still when its palm strays less than this (root mean square, hand widths) within
so many seconds on either side."""

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
    """

    time: TimeBase
    points: Array
    world: Array
    hand_width: float
    aspect: float
    held: NDArray[np.bool_]

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Shape (m, 2): whether each hand is seen."""
        return np.asarray(np.isfinite(self.points[:, :, 0, 0]))

    @property
    def palms(self) -> Array:
        """Shape (m, 2, 2): palm centres in picture widths."""
        return np.asarray(self.points[:, :, PALM_POINTS, :2].mean(axis=2))


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
        weight = np.divide(grid_s - known[before], gap, out=np.zeros_like(gap), where=gap > 0)
        weight = np.clip(weight, 0.0, 1.0)[:, None]
        line = flat[seen[before]] * (1 - weight) + flat[seen[after]] * weight
        nearest = np.where(
            np.abs(known[after] - grid_s) < np.abs(known[before] - grid_s), after, before
        )
        near_enough = np.abs(known[nearest] - grid_s) <= max_gap_s / 2
        out[near_enough] = flat[seen[nearest]][near_enough]
        inside = (gap <= max_gap_s) & (known[before] <= grid_s) & (grid_s <= known[after])
        out[inside] = line[inside]
    return out.reshape(len(grid_s), *values.shape[1:])


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


def motion_rate(track: LandmarkTrack, alike: NDArray[np.bool_] | None = None) -> Array:
    """Shape (n, 18, 32): change of the picture a second, at the track's own samples.

    ``alike`` is :func:`looks_alike` of the track, where that is known already.

    Where only a picture now and then was looked at because nothing moved, the change between
    two of them is noise, which is the same however far apart they are: it counts as if it
    had come within an ordinary step. If something moved elsewhere in the picture all the same,
    its change counts as having come within ``MAX_BRIDGE_S``.
    """
    steps = np.diff(track.time.times_s, prepend=np.nan)
    close = steps[1:][~track.held[:-1]]
    ordinary = float(np.median(close)) if close.size else ORDINARY_STEP_S
    after_hold = np.concatenate([[False], track.held[:-1]])
    elsewhere = ~(looks_alike(track) if alike is None else alike)
    reckoned = np.where(elsewhere, max(ordinary, MAX_BRIDGE_S), ordinary)
    steps = np.where(after_hold, np.minimum(steps, reckoned), steps)
    return np.asarray(track.motion / steps[:, None, None], dtype=np.float64)


def looks_alike(track: LandmarkTrack) -> NDArray[np.bool_]:
    """Shape (n,): samples whose picture looks like the one before; what is not known does not."""
    changed = ~(track.motion.reshape(len(track.motion), -1) <= STILL_CELL)
    return np.asarray(np.count_nonzero(changed, axis=1) <= STILL_CELLS)


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
        column = values[:, side]
        share = weight.reshape(-1, *[1] * (column.ndim - 1))
        a, b = column[before], column[after]
        line = a * (1.0 - share) + b * share
        out[rows, side] = np.where(np.isfinite(line), line, np.where(share < 0.5, a, b))
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


def _unit(vectors: Array) -> Array:
    norm = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, norm, out=np.full_like(vectors, np.nan), where=norm > 0)


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


def _rate(values: Array, hop_s: float) -> Array:
    """Central difference a second, NaN next to a drop-out."""
    out = np.full_like(values, np.nan)
    out[1:-1] = (values[2:] - values[:-2]) / (2 * hop_s)
    return out


def rub_energy(values: Array, hop_s: float) -> Array:
    """Root mean square of movement faster than about 0.8 Hz, over a second.

    Args:
        values: shape (m, d), positions.
        hop_s: grid step in seconds.

    Returns:
        Shape (m,), same unit as ``values``: what is left after a 1.1 s moving mean.
    """
    window = 2 * round(0.55 / hop_s) + 1
    fast = values - moving_mean(values, window)
    return np.sqrt(moving_mean((fast**2).sum(axis=1), window))


def _single_hand(grid: HandGrid, side: int, origin: Array, hop_s: float) -> dict[str, Array]:
    """Columns of one hand, without its name prefix."""
    points, world = grid.points[:, side], grid.world[:, side]
    palm = grid.palms[:, side]
    sign = 1.0 if side == LEFT else -1.0
    normal = sign * _unit(
        np.cross(world[:, INDEX_MCP] - world[:, WRIST], world[:, LITTLE_MCP] - world[:, WRIST])
    )
    fingers = _unit(world[:, MIDDLE_MCP] - world[:, WRIST])
    size = np.linalg.norm(world[:, MIDDLE_MCP] - world[:, WRIST], axis=1)
    held, age = hold(palm, round(HOLD_S / hop_s))
    speed = _rate(palm / grid.hand_width, hop_s)
    tips_in_palm = (points[:, FINGER_TIPS, :2] - palm[:, None]) / grid.hand_width
    columns = {
        "seen": np.isfinite(palm[:, 0]).astype(float),
        "age": np.minimum(age * hop_s, HOLD_S),
        "x": (palm[:, 0] - origin[0]) / grid.hand_width,
        "y": (palm[:, 1] - origin[1]) / grid.hand_width,
        "held_x": (held[:, 0] - origin[0]) / grid.hand_width,
        "held_y": (held[:, 1] - origin[1]) / grid.hand_width,
        "speed_x": speed[:, 0],
        "speed_y": speed[:, 1],
        "breadth": hand_breadth(points) / grid.hand_width,
        "rub": rub_energy(palm / grid.hand_width, hop_s),
        "tip_rub": rub_energy(tips_in_palm.reshape(len(palm), -1), hop_s),
        "pinch": np.linalg.norm(world[:, THUMB_TIP] - world[:, INDEX_TIP], axis=1) / size,
        "thumb_out": np.linalg.norm(world[:, THUMB_TIP] - world[:, LITTLE_MCP], axis=1) / size,
    }
    for axis, name in enumerate("xyz"):
        columns[f"palm_{name}"] = normal[:, axis]
        columns[f"fingers_{name}"] = fingers[:, axis]
    for name, (root, a, b, tip) in zip(FINGER_NAMES, FINGERS, strict=True):
        length = sum(
            np.linalg.norm(world[:, q] - world[:, p], axis=1)
            for p, q in ((root, a), (a, b), (b, tip))
        )
        columns[f"straight_{name}"] = np.linalg.norm(world[:, tip] - world[:, root], axis=1) / (
            length
        )
    return columns


def _both_hands(grid: HandGrid, hop_s: float) -> dict[str, Array]:
    """Columns that relate the two hands; offsets run from the left hand to the right."""
    width = grid.hand_width
    left, right = grid.points[:, LEFT], grid.points[:, RIGHT]
    palm_l, palm_r = grid.palms[:, LEFT], grid.palms[:, RIGHT]
    apart = (palm_r - palm_l) / width
    speed = _rate(apart, hop_s)
    held, _ = hold(apart, round(HOLD_S / hop_s))
    tips_l, tips_r = left[:, FINGER_TIPS, :2].mean(axis=1), right[:, FINGER_TIPS, :2].mean(axis=1)
    columns = {
        "apart_x": apart[:, 0],
        "apart_y": apart[:, 1],
        "apart": np.linalg.norm(apart, axis=1),
        "held_apart": np.linalg.norm(held, axis=1),
        "apart_speed_x": speed[:, 0],
        "apart_speed_y": speed[:, 1],
        "apart_rub": rub_energy(apart, hop_s),
        "depth_apart": hand_breadth(right) / hand_breadth(left),
    }
    places = {
        "left_tips_to_right_palm": tips_l - palm_r,
        "right_tips_to_left_palm": tips_r - palm_l,
        "left_thumb_to_right_palm": left[:, THUMB_TIP, :2] - palm_r,
        "right_thumb_to_left_palm": right[:, THUMB_TIP, :2] - palm_l,
        "tips_apart": tips_r - tips_l,
        "pinches_apart": (
            right[:, (THUMB_TIP, INDEX_TIP), :2] - left[:, (THUMB_TIP, INDEX_TIP), :2]
        ).mean(axis=1),
    }
    for name, offset in places.items():
        columns[f"{name}_x"], columns[f"{name}_y"] = (offset / width).T
    for name, (a, b) in {
        "fingers_agree": (MIDDLE_MCP, WRIST),
        "knuckles_agree": (INDEX_MCP, LITTLE_MCP),
    }.items():
        left_axis = _unit(grid.world[:, LEFT, a] - grid.world[:, LEFT, b])
        right_axis = _unit(grid.world[:, RIGHT, a] - grid.world[:, RIGHT, b])
        columns[name] = (left_axis * right_axis).sum(axis=1)
    return columns


def _nothing_moves(
    track: LandmarkTrack, grid: HandGrid, alike: NDArray[np.bool_], rate: Array, hop_s: float
) -> NDArray[np.bool_]:
    """Shape (m,): where hands in view hold still, or, without any, the whole picture does.

    In held stretches that is known from two looks at a time; elsewhere for ``STILL_S`` on
    either side.
    """
    times, at = track.time.times_s, grid.time.times_s
    seen = grid.seen.any(axis=1)
    after = np.minimum(np.searchsorted(times, at, side="right"), len(times) - 1)
    held = grid.held & (seen | alike[after])
    moving = ~(rate.reshape(len(rate), -1) <= STILL_RATE)  # also where that is not known
    slow = (np.count_nonzero(moving, axis=1) <= STILL_CELLS)[np.maximum(after - 1, 0)]
    window = 2 * round(STILL_S / hop_s) + 1
    calm = moving_mean(slow.astype(float), window) > STILL_SHARE
    for side in (LEFT, RIGHT):
        palms = grid.palms[:, side] / grid.hand_width
        spread = moving_mean((palms**2).sum(axis=1), window)
        spread -= (moving_mean(palms, window) ** 2).sum(axis=1)
        calm &= ~(spread > STILL_PALM**2)
    return np.asarray(held | (calm & ~grid.held))


def _motion_rows(
    track: LandmarkTrack, grid: HandGrid, motion: Array
) -> tuple[NDArray[np.intp], Array]:
    """The grid rows at which the picture's change is worked out, and the change there.

    Every row but those of held stretches; of these the ones nearest to a sample.

    Returns:
        Shapes (r,) in order, and (r, 18, 32).
    """
    times, at = track.time.times_s, grid.time.times_s
    close = np.flatnonzero(~grid.held)
    if close.size == len(at):
        return close, resample(motion, times, at, 2 * MAX_BRIDGE_S)
    nearest = np.clip(np.rint((times - at[0]) / (at[1] - at[0])).astype(int), 0, len(at) - 1)
    seldom, which = np.unique(nearest, return_index=True)
    wanted = grid.held[seldom]
    seldom, which = seldom[wanted], which[wanted]
    rows = np.concatenate([close, seldom])
    values = np.concatenate([resample(motion, times, at[close], 2 * MAX_BRIDGE_S), motion[which]])
    order = np.argsort(rows, kind="stable")
    return rows[order], values[order]


def _picture_motion(
    track: LandmarkTrack, grid: HandGrid, rate: Array, origin: Array, hop_s: float
) -> dict[str, Array]:
    """Where the picture changes: the evidence that stays when the tracker loses a hand."""
    picked, motion = _motion_rows(track, grid, rate)
    motion[np.isnan(motion)] = 0.0
    cell_rows, cols = MOTION_GRID
    x = (np.arange(cols) + 0.5) / cols
    y = (np.arange(cell_rows) + 0.5) / cell_rows * grid.aspect
    by_column, by_row = motion.sum(axis=1), motion.sum(axis=2)
    total = by_row.sum(axis=1)
    safe = np.where(total > 0, total, np.nan)
    mean_x, mean_y = (by_column @ x) / safe, (by_row @ y) / safe
    var_x = (by_column @ x**2) / safe - mean_x**2
    var_y = (by_row @ y**2) / safe - mean_y**2
    places = [hold(grid.palms[:, side], round(HOLD_S / hop_s))[0] for side in (LEFT, RIGHT)]
    either = np.where(np.isfinite(places[0]), places[0], places[1])
    centre = np.where(np.isfinite(places[1]), (either + places[1]) / 2, either)[picked]
    # A round bump about the hands is one along x times one along y.
    wide2 = 2 * (1.5 * grid.hand_width) ** 2
    near_x = np.exp(-((x - centre[:, :1]) ** 2) / wide2)
    near_y = np.exp(-((y - centre[:, 1:]) ** 2) / wide2)
    local = ((motion @ near_x[:, :, None])[:, :, 0] * near_y).sum(axis=1)
    columns = {
        "motion": np.log1p(total),
        "motion_near_hands": np.log1p(local),
        "motion_x": (mean_x - origin[0]) / grid.hand_width,
        "motion_y": (mean_y - origin[1]) / grid.hand_width,
        "motion_spread_x": np.sqrt(np.maximum(var_x, 0)) / grid.hand_width,
        "motion_spread_y": np.sqrt(np.maximum(var_y, 0)) / grid.hand_width,
    }
    if picked.size == len(grid.held):
        return columns
    every = np.arange(len(grid.held))
    return {name: np.interp(every, picked, column) for name, column in columns.items()}


def _rhythm(grid: HandGrid, motion: Array, hop_s: float) -> dict[str, Array]:
    """Tempo and steadiness of what moves: each hand, its fingers, one against the other.

    ``motion`` is the picture's change near the hands, shape (m,): it beats at twice the rate of
    the strokes, and stays when both hands are lost.
    """
    palms = grid.palms / grid.hand_width
    signals = {
        "left": palms[:, LEFT],
        "right": palms[:, RIGHT],
        "apart": palms[:, RIGHT] - palms[:, LEFT],
        "motion": motion[:, None],
    }
    for side, prefix in ((LEFT, "left"), (RIGHT, "right")):
        tips = grid.points[:, side, (THUMB_TIP, *FINGER_TIPS), :2]
        inside = (tips - grid.palms[:, side, None]) / grid.hand_width
        signals[f"{prefix}_fingers"] = inside.reshape(len(palms), -1)
    around = round(WINDOW_S / hop_s)
    spans = _spans(moving_mean((~grid.held).astype(float), 2 * (around // 2) + 1) > 0)
    columns = {}
    for name, signal in signals.items():
        tempo, steady = np.full(len(signal), np.nan), np.full(len(signal), np.nan)
        for start, end in spans:  # where hands are held nothing beats
            low = max(0, start - around)
            rate, strength = dominant_rate(signal[low : end + around], hop_s)
            tempo[start:end] = rate[start - low : end - low]
            steady[start:end] = strength[start - low : end - low]
        columns[f"{name}_tempo"], columns[f"{name}_steady"] = tempo, steady
    return columns


def _spans(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true rows: first, and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def compute_features(track: LandmarkTrack, hop_s: float = HOP_S) -> FeatureTrack:
    """All features of a recording on a grid of ``hop_s`` seconds.

    Args:
        track: landmarks with mirroring already undone.
        hop_s: grid step in seconds.

    Returns:
        One row a grid step. Places are relative to the median palm centre of the whole
        recording, so that sink and table keep apart while the camera's framing cancels.
        A recording without any hand gives NaN in every hand column.
    """
    grid = grid_hands(track, hop_s)
    palms = grid.palms.reshape(-1, 2)
    seen = np.isfinite(palms[:, 0])
    origin = np.median(palms[seen], axis=0) if seen.any() else np.full(2, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        columns: dict[str, Array] = {}
        for side, prefix in ((LEFT, "left"), (RIGHT, "right")):
            for name, column in _single_hand(grid, side, origin, hop_s).items():
                columns[f"{prefix}_{name}"] = column
        columns.update(_both_hands(grid, hop_s))
        alike = looks_alike(track)
        rate = motion_rate(track, alike)
        columns.update(_picture_motion(track, grid, rate, origin, hop_s))
        columns.update(_rhythm(grid, columns["motion_near_hands"], hop_s))
        columns["held"] = grid.held.astype(float)
        columns["still"] = _nothing_moves(track, grid, alike, rate, hop_s).astype(float)
    names = tuple(columns)
    return FeatureTrack(
        time=grid.time,
        names=names,
        units=tuple(_unit_of(name) for name in names),
        values=np.stack([columns[name] for name in names], axis=1),
    )


def hands_seen(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether at least one hand is tracked."""
    return np.asarray((features.column("left_seen") > 0) | (features.column("right_seen") > 0))


def hands_about(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether either hand was seen within the last ``HOLD_S`` seconds."""
    age = np.minimum(features.column("left_age"), features.column("right_age"))
    return np.asarray(age < HOLD_S)


def nobody_works(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether hands in view, or else the whole picture, are known to hold still."""
    return np.asarray(features.column("still") > 0)


def _unit_of(name: str) -> str:
    """The unit a feature's name implies."""
    if name.endswith("_tempo"):
        return "1/s"
    if name.endswith("_steady"):
        return "1"
    if "speed" in name:
        return "hand widths/s"
    if name.endswith(("seen", "held", "still")) or "agree" in name or "straight" in name:
        return "1"
    if name.endswith("age"):
        return "s"
    if "palm_" in name.split("to_")[0] and name.endswith(("palm_x", "palm_y", "palm_z")):
        return "1"
    if name in ("motion", "motion_near_hands"):
        return "log(1 + luma/s)"
    return "hand widths"
