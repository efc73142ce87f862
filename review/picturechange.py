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
        across, down = (
            _shares(ends[0, part, axis], ends[1, part, axis], count)
            for axis, count in ((0, columns), (1, rows))
        )
        lines = (down[:, None, :] @ motion[part].astype(np.float64))[:, 0]
        out[part] = (lines * across).sum(axis=1) / size[part]
    return out


def _shares(low: Array, high: Array, count: int) -> Array:
    """Shape (n, count): how much of each cell lies between two places along one axis, in cells."""
    cells = np.arange(count)
    return np.asarray(
        np.clip(np.minimum(high[:, None], cells + 1) - np.maximum(low[:, None], cells), 0.0, None)
    )
