"""The work area as a person draws it: four corners in the picture, brought into order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from review.analysis import WorkSurface
from review.convex import convex_hull
from review.errors import ReviewError

Corner = tuple[float, float]
"""Place in picture widths from the top left of the unmirrored picture."""

SMALLEST_SHARE = 0.002
"""An area smaller than this share of the picture is a slip of the hand: a table 40 cm wide fills
2 % and more of a picture that shows a person at it."""


class AreaError(ReviewError):
    """Four corners that are no work area, and what to do."""


def work_area(corners: Sequence[Corner], aspect: float) -> tuple[Corner, ...]:
    """The four corners in order around the area, starting nearest to the picture's top left.

    Args:
        corners: in any order.
        aspect: the picture's height over its width.

    Raises:
        AreaError: if there are not four, one lies outside the picture, or they do not span a
            shape without a dent.
    """
    points = np.array(corners, dtype=np.float64)
    if points.shape != (4, 2) or not np.isfinite(points).all():
        raise AreaError("A work area needs four corners; give a place for each of them.")
    # A typed place is rounded; the picture's own edge is inside it.
    if (points < -1e-6).any() or (points > [1.0 + 1e-6, aspect + 1e-6]).any():
        raise AreaError("A corner lies outside the picture. Put all four inside it.")
    hull = convex_hull(points)
    if len(hull) != 4:
        raise AreaError(
            "These four corners make no work area: one lies between the others. Move it outward."
        )
    x, y = hull.T
    size = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    if size < SMALLEST_SHARE * aspect:
        raise AreaError("This work area is too small to be one. Move the corners apart.")
    first = int(np.argmin(hull.sum(axis=1)))
    return tuple((float(a), float(b)) for a, b in np.roll(hull, -first, axis=0))


def guessed_area(surface: WorkSurface, aspect: float) -> tuple[Corner, ...]:
    """Four corners to begin drawing with: the box about what was wiped, inside the picture."""
    cells = [
        (row, column)
        for row, letters in enumerate(surface.rows)
        for column, letter in enumerate(letters)
        if letter != "."
    ]
    rows, columns = [row for row, _ in cells] or [0], [column for _, column in cells] or [0]
    left = surface.left + min(columns) * surface.cell
    right = surface.left + (max(columns) + 1) * surface.cell
    top = surface.top + min(rows) * surface.cell
    bottom = surface.top + (max(rows) + 1) * surface.cell
    left, right = (min(max(x, 0.0), 1.0) for x in (left, right))
    top, bottom = (min(max(y, 0.0), aspect) for y in (top, bottom))
    return (left, top), (right, top), (right, bottom), (left, bottom)
