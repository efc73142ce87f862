"""Where and how fast the picture changes: the evidence that stays when the tracker loses a hand.

The change is the track's own, luma (0..1) from look to look in the cells of a coarse grid.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.handgrid import HOLD_S, MAX_BRIDGE_S, HandGrid, hold, moving_mean, resample
from review.tracks import LEFT, MOTION_GRID, RIGHT, LandmarkTrack

Array = NDArray[np.float64]

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


def nothing_moves(
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


def picture_motion(
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
