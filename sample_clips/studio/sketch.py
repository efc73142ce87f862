"""The drawing board for a head: an invented face's look, and a patch to draw it on.

Face coordinates: the head's height (chin to crown) is the unit, origin between the eyes' level
and the head's centre line, x to the subject's left (right in the picture), y up, z out of the
face. Points are turned by yaw, pitch and roll and projected without perspective, which is ample
at arm's length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]
Bgr = tuple[float, float, float]

AXES = np.array([0.39, 0.58, 0.33])
"""Half axes of the egg on which the features lie, in head heights."""

SHIFT = 4
"""Fractional bits of polygon corners, so that slow movement stays smooth."""

RING = np.linspace(0, 2 * np.pi, 28, endpoint=False)
"""Angles once round, for ellipses."""


@dataclass(frozen=True, slots=True)
class FaceLook:
    """Proportions and hair of one invented face, all multipliers about 1.

    Attributes:
        width, eye_size, eye_gap, nose_width, nose_length, mouth_width, lip_fullness, jaw:
            multipliers of the plain face.
        brow_lift, brow_tilt: offset in head heights, slope.
        hair: "short", "long", "bun" or "none".
        hair_bgr, iris_bgr, lip_tint: colours 0..255; `lip_tint` is added to the skin's.
        hairline: height of the hairline in head heights.
        glasses: whether spectacles are worn.
        beard: 0..1, darkness of stubble on the jaw.
    """

    width: float = 1.0
    eye_size: float = 1.0
    eye_gap: float = 1.0
    nose_width: float = 1.0
    nose_length: float = 1.0
    mouth_width: float = 1.0
    lip_fullness: float = 1.0
    jaw: float = 1.0
    brow_lift: float = 0.0
    brow_tilt: float = 0.0
    hair: str = "short"
    hair_bgr: Bgr = (34.0, 42.0, 56.0)
    iris_bgr: Bgr = (40.0, 62.0, 88.0)
    lip_tint: Bgr = (-8.0, -42.0, -12.0)
    hairline: float = 0.33
    glasses: bool = False
    beard: float = 0.0

    @classmethod
    def sample(cls, rng: np.random.Generator) -> FaceLook:
        """An invented face; the same generator state gives the same face."""
        hairs: tuple[Bgr, ...] = (
            (18, 18, 22),
            (26, 34, 46),
            (36, 52, 78),
            (70, 104, 142),
            (150, 152, 156),
        )
        irises: tuple[Bgr, ...] = ((30, 44, 66), (44, 72, 96), (96, 110, 92), (128, 108, 82))
        hair = str(rng.choice(["short", "short", "long", "bun", "none"]))
        hair_bgr = hairs[int(rng.integers(len(hairs)))]
        iris_bgr = irises[int(rng.integers(len(irises)))]
        spread = 1 + np.clip(rng.normal(0, 0.05, 8), -0.1, 0.1)
        return cls(
            width=float(spread[0]),
            eye_size=float(spread[1]),
            eye_gap=float(1 + (spread[2] - 1) * 0.6),
            nose_width=float(1 + (spread[3] - 1) * 2),
            nose_length=float(spread[4]),
            mouth_width=float(spread[5]),
            lip_fullness=float(1 + (spread[6] - 1) * 2.5),
            jaw=float(spread[7]),
            brow_lift=float(rng.uniform(-0.008, 0.012)),
            brow_tilt=float(rng.uniform(-0.12, 0.12)),
            hair=hair,
            hair_bgr=hair_bgr,
            iris_bgr=iris_bgr,
            lip_tint=(float(rng.uniform(-14, 2)), float(rng.uniform(-50, -30)), -12.0),
            hairline=float(rng.uniform(0.29, 0.37)),
            glasses=bool(rng.random() < 0.25),
            beard=float(rng.uniform(0.2, 0.6))
            if hair in ("short", "none") and rng.random() < 0.3
            else 0.0,
        )


class Sketch:
    """A supersampled patch, the head's turn, and drawing in face coordinates."""

    def __init__(self, scale: float, turn: Floats, look: FaceLook) -> None:
        self.scale = scale
        self.turn = turn
        self.look = look
        self.half = int(np.ceil(scale * 1.02))
        side = 2 * self.half
        self.colour = np.zeros((side, side, 3), np.float32)
        self.alpha = np.zeros((side, side), np.float32)

    def project(self, points: Floats) -> Floats:
        """Face coordinates (n, 3) -> patch pixels (n, 2)."""
        turned = np.asarray(points, dtype=np.float64) @ self.turn.T
        return np.stack(
            [self.half + turned[:, 0] * self.scale, self.half - turned[:, 1] * self.scale], axis=1
        )

    def lift(self, flat: Floats, raise_by: Floats | float = 0.0) -> Floats:
        """Points (n, 2) on the face plane -> (n, 3) on the egg, raised by some depth."""
        flat = np.asarray(flat, dtype=np.float64)
        rest = 1 - (flat[:, 0] / AXES[0]) ** 2 - (flat[:, 1] / AXES[1]) ** 2
        depth = AXES[2] * np.sqrt(np.clip(rest, 0, None)) + raise_by
        return np.column_stack([flat[:, 0] * self.look.width, flat[:, 1], depth])

    def fill(self, pixels: Floats, bgr: Sequence[float] | Floats, solid: bool = False) -> None:
        """Fill one outline (n, 2) in patch pixels; `solid` also covers what lies behind."""
        corners = np.round(pixels * (1 << SHIFT)).astype(np.int32)
        cv2.fillPoly(self.colour, [corners], tuple(map(float, bgr)), cv2.LINE_8, SHIFT)
        if solid:
            cv2.fillPoly(self.alpha, [corners], (1.0,), cv2.LINE_8, SHIFT)

    def stroke(self, pixels: Floats, bgr: Sequence[float] | Floats, width: float) -> None:
        """An open line of `width` head heights."""
        corners = np.round(pixels * (1 << SHIFT)).astype(np.int32)
        thickness = max(1, round(width * self.scale))
        cv2.polylines(
            self.colour, [corners], False, tuple(map(float, bgr)), thickness, cv2.LINE_8, SHIFT
        )

    def shine(self, pixels: Floats, amount: float, blur: float) -> None:
        """Add a soft gloss of `amount` grey levels over an area."""
        size = max(3, round(blur * self.scale)) | 1
        low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - size - 2, 0)
        high = np.ceil(pixels.max(axis=0)).astype(int) + size + 3
        part = self.colour[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
        if part.size == 0:
            return
        layer = np.zeros(part.shape[:2], np.float32)
        corners = np.round((pixels - low) * (1 << SHIFT)).astype(np.int32)
        cv2.fillPoly(layer, [corners], (float(amount),), cv2.LINE_8, SHIFT)
        part += cv2.blur(cv2.blur(layer, (size, size)), (size, size))[:, :, None]

    def tint(self, pixels: Floats, factor: float, blur: float) -> None:
        """Multiply an area softly: below 1 a shadow, above 1 a highlight."""
        size = max(3, round(blur * self.scale)) | 1
        low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - size - 2, 0)
        high = np.ceil(pixels.max(axis=0)).astype(int) + size + 3
        part = self.colour[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
        if part.size == 0:
            return
        layer = np.ones(part.shape[:2], np.float32)
        corners = np.round((pixels - low) * (1 << SHIFT)).astype(np.int32)
        cv2.fillPoly(layer, [corners], (float(factor),), cv2.LINE_8, SHIFT)
        part *= cv2.blur(cv2.blur(layer, (size, size)), (size, size))[:, :, None]


def smooth(points: Floats, rounds: int = 3) -> Floats:
    """Corner cutting of a closed outline, which keeps it inside its corners."""
    for _ in range(rounds):
        following = np.roll(points, -1, axis=0)
        points = np.stack([0.75 * points + 0.25 * following, 0.25 * points + 0.75 * following], 1)
        points = points.reshape(-1, points.shape[-1])
    return points


def hull(pixels: Floats) -> Floats:
    """The convex outline of points (n, 2)."""
    outline: Floats = cv2.convexHull(pixels.astype(np.float32))[:, 0].astype(np.float64)
    return outline


def turn_matrix(yaw: float, pitch: float, roll: float) -> Floats:
    """Rotation (3, 3) of a head; radians.

    yaw > 0 turns the face to the subject's left (+x), pitch > 0 lowers it, roll > 0 tips
    the crown to the subject's left (+x, clockwise in an unmirrored picture).
    """
    cy, sy, cp, sp = np.cos(yaw), np.sin(yaw), np.cos(pitch), -np.sin(pitch)
    cr, sr = np.cos(roll), -np.sin(roll)
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])
    about_z = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
    turned: Floats = about_z @ about_x @ about_y
    return turned


@dataclass(frozen=True, slots=True)
class Place:
    """Where a patch lands in a picture, and the part of it that can be seen there.

    left, top, width, height: picture pixels covered. shift (x, y): from patch pixels to sub-pixels
    of those. box (x0, y0, x1, y1): the part of the patch that they are made of.
    """

    left: int
    top: int
    width: int
    height: int
    shift: tuple[float, float]
    box: tuple[int, int, int, int]


def placed(
    image: Image, sketch: Sketch, centre_px: tuple[float, float], finer: int
) -> Place | None:
    """Where the patch lands, `finer` of its pixels to one of the picture; None if nowhere."""
    across, down = (
        cv2.reduce(sketch.alpha, 0, cv2.REDUCE_MAX),
        cv2.reduce(sketch.alpha, 1, cv2.REDUCE_MAX),
    )
    filled = np.flatnonzero(across), np.flatnonzero(down)
    if filled[0].size == 0:
        return None
    size = int(np.ceil(2 * sketch.half / finer)) + 2
    first, count, shift, box = [], [], [], []
    for axis, (at, length) in enumerate(
        zip(centre_px, (image.shape[1], image.shape[0]), strict=True)
    ):
        start = int(np.floor(at - size / 2))
        move = (at - start) * finer - sketch.half
        # Two sub-pixels more than covered: the soft edge of a place between pixels.
        low = start + int(np.floor((filled[axis][0] + move - 2) / finer))
        high = start + int(np.ceil((filled[axis][-1] + move + 3) / finer))
        low, high = max(low, start, 0), min(high, start + size, length)
        if low >= high:
            return None
        inside = (low - start) * finer
        begin = max(int(np.floor(inside - move)) - 1, 0)
        end = min(int(np.ceil((high - start) * finer - move)) + 2, 2 * sketch.half)
        first.append(low)
        count.append(high - low)
        shift.append(move + begin - inside)
        box.append((begin, end))
    (x0, x1), (y0, y1) = box
    return Place(first[0], first[1], count[0], count[1], (shift[0], shift[1]), (x0, y0, x1, y1))


def paste(image: Image, sketch: Sketch, place: Place, finer: int) -> None:
    """Shrink the patch onto the picture at a sub-pixel place, blending its soft edge."""
    x0, y0, x1, y1 = place.box
    alpha = sketch.alpha[y0:y1, x0:x1]
    layer = np.empty((y1 - y0, x1 - x0, 4), np.float32)
    np.multiply(sketch.colour[y0:y1, x0:x1], alpha[:, :, None], out=layer[:, :, :3])
    layer[:, :, 3] = alpha
    shift = np.array([[1.0, 0.0, place.shift[0]], [0.0, 1.0, place.shift[1]]])
    size = (place.width * finer, place.height * finer)
    moved = cv2.warpAffine(layer, shift, size, flags=cv2.INTER_LINEAR)
    part = cv2.resize(moved, (place.width, place.height), interpolation=cv2.INTER_AREA)
    rows = slice(place.top, place.top + place.height)
    columns = slice(place.left, place.left + place.width)
    under = image[rows, columns].astype(np.float32)
    blended = under * (1 - part[:, :, 3:4]) + part[:, :, :3]
    image[rows, columns] = np.clip(blended, 0, 255).astype(np.uint8)
