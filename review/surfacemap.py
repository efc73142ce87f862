"""The wiping of the work surface as it stands in the analysis document."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.analysis import WorkSurface
from review.surface import WipedGrid, WipingFindings
from review.tracks import FeatureTrack

MOST_POINTS = 300
"""Most points kept of the hand's way; a minute of wiping is then drawn every fifth of a second."""

POINT_S = 0.2
"""Shortest time between two of them."""

GAP_S = 1.0
"""The way is interrupted where the hand was not seen for longer than this."""


def work_surface(wiping: WipingFindings) -> WorkSurface | None:
    """What the document keeps of the wiping; None where nothing was measured."""
    grid = wiping.grid
    if grid is None or wiping.covered.value is None:
        return None
    cell = _cell(grid)
    return WorkSurface(
        left=float(grid.x[0]) - cell / 2,
        top=float(grid.y[0]) - cell / 2,
        cell=round(cell, 6),
        rows=tuple("".join(row) for row in _letters(grid).tolist()),
        corners=None
        if wiping.corners is None
        else tuple((float(x), float(y)) for x, y in wiping.corners),
        path=() if wiping.palm is None else _pieces(wiping.palm),
        reversals=wiping.reversals,
    )


def _cell(grid: WipedGrid) -> float:
    """Side of a cell: columns and rows lie equally far apart."""
    for centres in (grid.x, grid.y):
        if len(centres) > 1:
            return float(centres[-1] - centres[0]) / (len(centres) - 1)
    return 0.01  # a single cell: its size does not matter


def _letters(grid: WipedGrid) -> NDArray[np.str_]:
    """Shape (r, c): the letter of each cell, see :class:`WorkSurface`."""
    return np.select(
        [
            grid.area & grid.rewiped,
            grid.area & grid.wiped,
            grid.area,
            grid.wiped,
        ],
        ["a", "w", "o", "v"],
        ".",
    )


def _pieces(palm: FeatureTrack) -> tuple[tuple[tuple[float, float, float], ...], ...]:
    """The way in pieces, a point every :data:`POINT_S` or more, no more than a document bears."""
    seen = np.flatnonzero(np.isfinite(palm.column("x")))
    if seen.size == 0:
        return ()
    times = palm.time.times_s
    step = float(np.median(palm.time.widths_s))
    every = max(round(POINT_S / step), int(np.ceil(seen.size / MOST_POINTS)), 1)
    breaks = np.flatnonzero(np.diff(times[seen]) > GAP_S) + 1
    pieces = []
    for part in np.split(seen, breaks):
        kept = np.union1d(part[::every], part[-1:])
        pieces.append(
            tuple(
                (float(times[i]), float(palm.column("x")[i]), float(palm.column("y")[i]))
                for i in kept
            )
        )
    return tuple(pieces)
