"""How much a part of the picture changes, from the coarse grid on which change is kept."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.tracks import Floats

Array = NDArray[np.float64]

AT_ONCE = 2000
"""Samples worked on together: some ten megabytes."""


def box_change(motion: Floats, low: Array, high: Array, aspect: float) -> Array:
    """Shape (n,): mean change of luma inside a box in each picture, parts of cells counted.

    Args:
        motion: shape (n, rows, columns), see :class:`review.tracks.LandmarkTrack`.
        low: shape (n, 2), upper left corners in picture widths; NaN gives NaN.
        high: shape (n, 2), lower right corners.
        aspect: height of the picture over its width.
    """
    _, rows, columns = motion.shape
    out = np.full(len(motion), np.nan)
    scale = np.array([columns, rows / aspect])
    ends = np.clip(np.stack([low, high]) * scale, 0.0, [columns, rows])
    size = (ends[1] - ends[0]).prod(axis=1)
    usable = np.flatnonzero(np.isfinite(size) & (size > 0) & np.isfinite(motion[:, 0, 0]))
    for part in np.array_split(usable, max(1, len(usable) // AT_ONCE)):
        # Sums over everything above and to the left; a box is what four of them leave.
        sums = np.zeros((len(part), rows + 1, columns + 1))
        sums[:, 1:, 1:] = motion[part].cumsum(axis=1, dtype=np.float64).cumsum(axis=2)
        (left, top), (right, bottom) = ends[0, part].T, ends[1, part].T
        total = (
            _between(sums, bottom, right)
            - _between(sums, top, right)
            - _between(sums, bottom, left)
            + _between(sums, top, left)
        )
        out[part] = total / size[part]
    return out


def _between(sums: Array, y: Array, x: Array) -> Array:
    """Values of grids (n, r, c) at one place (row, column) each, straight between grid points."""
    i = np.minimum(y.astype(int), sums.shape[1] - 2)
    j = np.minimum(x.astype(int), sums.shape[2] - 2)
    at, v, u = np.arange(len(sums)), y - i, x - j
    upper = sums[at, i, j] * (1 - u) + sums[at, i, j + 1] * u
    lower = sums[at, i + 1, j] * (1 - u) + sums[at, i + 1, j + 1] * u
    return np.asarray(upper * (1 - v) + lower * v)
