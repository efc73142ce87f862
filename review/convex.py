"""Convex shapes on a plane: hulls, what lies inside, and four corners taken to a square.

Points are rows of two columns in one frame, whatever it is (here: picture widths).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def convex_hull(points: Array) -> Array:
    """Corners (k, 2) of the convex hull of points (n, 2), in order around it.

    Andrew's monotone chain (1979). Fewer than three corners mean that it has no area.
    """
    ordered: list[tuple[float, ...]] = sorted(map(tuple, points.tolist()))
    if len(ordered) < 3:
        return np.array(ordered)

    def half(sequence: Sequence[tuple[float, ...]]) -> list[tuple[float, ...]]:
        chain: list[tuple[float, ...]] = []
        for p in sequence:
            while len(chain) > 1:
                (ax, ay), (bx, by) = chain[-2], chain[-1]
                if (bx - ax) * (p[1] - ay) - (by - ay) * (p[0] - ax) > 0:
                    break
                chain.pop()
            chain.append(p)
        return chain[:-1]

    return np.array(half(ordered) + half(ordered[::-1]))


def inside_convex(points: Array, corners: Array) -> Mask:
    """Shape (n,): which points (n, 2) lie in a convex polygon (k, 2), its edge included."""
    if len(corners) < 3:
        return np.zeros(len(points), dtype=bool)
    edge = _edges(corners)
    offset = points[:, None] - corners[None]
    cross = edge[None, :, 0] * offset[..., 1] - edge[None, :, 1] * offset[..., 0]
    return np.asarray((cross >= -1e-12).all(axis=1) | (cross <= 1e-12).all(axis=1))


def _edges(corners: Array) -> Array:
    """Shape (k, 2): from each corner to the next."""
    return np.asarray(np.concatenate((corners[1:], corners[:1])) - corners)


def windows_inside(x: Array, y: Array, corners: Array) -> Mask:
    """:func:`inside_convex` for the cells of n windows, each against a polygon of its own.

    Args:
        x: shape (n, c), the columns of each window.
        y: shape (n, r), its rows.
        corners: shape (n, k, 2), the polygons. A corner may stand there more than once.

    Returns:
        Shape (n, r, c); nothing lies in a polygon without any area.
    """
    ahead = np.moveaxis(corners, 1, 0)  # (k, n, 2): quickest reduced over its first axis
    edge = np.roll(ahead, -1, axis=0) - ahead
    down = edge[:, :, None, 0] * (y - ahead[:, :, None, 1])
    across = edge[:, :, None, 1] * (x - ahead[:, :, None, 0])
    cross = down[..., None] - across[:, :, None]
    inside = (cross.min(axis=0) >= -1e-12) | (cross.max(axis=0) <= 1e-12)
    distinct = 1 + (edge[:-1] != 0).any(axis=2).sum(axis=0)
    return np.asarray(inside & (distinct >= 3)[:, None, None])


def square_homography(corners: Array) -> Array:
    """The 3 x 3 matrix that takes four picture points (4, 2), in order around, to the unit square.

    Raises:
        ValueError: if the corners do not span an area in a convex order.
    """
    if corners.shape != (4, 2) or len(convex_hull(corners)) != 4:
        raise ValueError("a work area needs four corners of a convex shape, in order around it")
    target = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    rows = []
    for (x, y), (u, v) in zip(corners.tolist(), target.tolist(), strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    # Homogeneous least squares: the plane's horizon may run through the picture's origin.
    return np.asarray(np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3))
