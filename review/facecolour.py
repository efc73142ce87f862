"""Colours of the lower face against the upper one, in one picture.

A face mesh is tracked through a mask and then shows lips that it only guesses, so landmarks
cannot say whether there is one; colours can, with care (``review.mask`` judges them). They
are compared as logarithms of ratios, so that brightness and shadow cancel.
"""

from __future__ import annotations

import math
from statistics import median
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from review.facemesh import FACE_INDEX, FACE_OVAL, INNER_LIPS, OUTER_LIPS

Array = NDArray[np.float64]

_OVAL_BESIDE_MOUTH = (FACE_OVAL[13], FACE_OVAL[23])
"""Outline points at the level of the mouth, the person's left and right."""

_AT = FACE_INDEX

_UPPER = (
    (_AT["nose_bridge"], _AT["forehead"], 0.2),
    (_AT["nose_bridge"], _AT["forehead"], 0.35),
    (_AT["left_brow_middle"], _AT["forehead"], 0.4),
    (_AT["right_brow_middle"], _AT["forehead"], 0.4),
)
_LOWER = (
    (OUTER_LIPS[15], _AT["chin"], 0.55),
    (OUTER_LIPS[5], _AT["nose_base"], 0.5),
    (OUTER_LIPS[10], _OVAL_BESIDE_MOUTH[0], 0.5),
    (OUTER_LIPS[0], _OVAL_BESIDE_MOUTH[1], 0.5),
)
_LIPS = tuple((OUTER_LIPS[i], INNER_LIPS[i], 0.5) for i in (4, 6, 13, 15, 17))
"""Places looked at: (point, point, share of the way from the first to the second)."""

_FROM, _TO = (np.array([place[i] for place in (*_UPPER, *_LOWER, *_LIPS)]) for i in (0, 1))
_SHARE = np.array([[place[2]] for place in (*_UPPER, *_LOWER, *_LIPS)])
_GROUPS = (slice(0, 4), slice(4, 8), slice(8, 13))

PATCH_SHARE = 0.035
"""Half side of the squares averaged over, as a share of the outer eye span: inside a cheek and
the lips, and at least 3 pixels wide; on lips half of it."""

DARKEST, BRIGHTEST = 12.0, 250.0
"""A colour with no channel (of 255) above the first, or one above the second in all, is too dark
or blown out to have a hue."""


def lower_face_colours(picture: NDArray[np.uint8], face: NDArray[np.floating[Any]]) -> Array:
    """Two numbers about the lower face in one picture.

    Args:
        picture: shape (h, w, 3) uint8, RGB.
        face: shape (k, 2 or 3), points of ``facemesh.FACE_POINTS`` in this picture, units as
            in ``LandmarkTrack.face``, not flipped.

    Returns:
        Shape (2,): how far the hue of chin, cheeks beside the mouth and upper lip lies from
        that of the forehead and between the brows; how much redder the lips are than the
        skin around them. NaN where it cannot be measured.
    """
    points = face[:, :2].astype(np.float64)
    starts, ends = points[_FROM], points[_TO]
    width = picture.shape[1]
    dx, dy = (points[_AT["left_eye_outer"]] - points[_AT["right_eye_outer"]]).tolist()
    places = ((starts + _SHARE * (ends - starts)) * width).tolist()
    span = math.hypot(dx, dy)
    if not all(math.isfinite(value) for value in (span, *(v for place in places for v in place))):
        return np.full(2, np.nan)
    half = max(1, round(PATCH_SHARE * span * width))
    # A dozen numbers a face: plain arithmetic takes a third of the time of small arrays.
    hues = [
        _hue(picture, round(x), round(y), half if i < _GROUPS[2].start else max(1, half // 2))
        for i, (x, y) in enumerate(places)
    ]
    known = [[hue for hue in hues[group] if hue is not None] for group in _GROUPS]
    if any(len(group) < 2 for group in known):
        return np.full(2, np.nan)
    skin, around, lip = ([median(values) for values in zip(*g, strict=True)] for g in known)
    return np.array([math.dist(around, skin), lip[0] - around[0]])


def _hue(picture: NDArray[np.uint8], x: int, y: int, half: int) -> tuple[float, float] | None:
    """(log R/G, log B/G) of a square about a pixel; None outside or where it has no hue."""
    height, width = picture.shape[:2]
    if not (half <= x < width - half and half <= y < height - half):
        return None
    r, g, b, _ = cv2.mean(picture[y - half : y + half + 1, x - half : x + half + 1])
    if max(r, g, b) <= DARKEST or min(r, g, b) >= BRIGHTEST:
        return None
    green = math.log(g + 2.0)
    return math.log(r + 2.0) - green, math.log(b + 2.0) - green
