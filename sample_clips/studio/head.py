"""A drawn, invented face: solid enough for a face tracker, belonging to nobody.

Coordinates as in `sketch`. All proportions are common drawing practice (eyes halfway up the
head, mouth a fifth of the height above the chin), not measurements of any person.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import cv2
import numpy as np

from sample_clips.studio.sketch import (
    RING,
    SHIFT,
    FaceLook,
    Floats,
    Image,
    Sketch,
    hull,
    paste,
    placed,
    smooth,
    turn_matrix,
)

__all__ = ["HEAD_HEIGHT_M", "FaceLook", "HeadLike", "draw_head", "turn_matrix"]

HEAD_HEIGHT_M = 0.245
"""Chin to crown of an adult with hair, in metres (common practice, no source)."""


class HeadLike(Protocol):
    """What `draw_head` reads of a head; angles in radians."""

    @property
    def yaw(self) -> float:
        """Turn to the subject's left."""

    @property
    def pitch(self) -> float:
        """Lowering of the face."""

    @property
    def roll(self) -> float:
        """Tip to the subject's left."""

    @property
    def mouth_open(self) -> float:
        """0..1."""

    @property
    def smile(self) -> float:
        """0..1."""

    @property
    def mask(self) -> bool:
        """Whether a mask covers nose and mouth."""


def _egg(count: int = 26) -> Floats:
    """Points (n, 3) all over the skull, chin to crown."""
    around = np.linspace(0, 2 * np.pi, count, endpoint=False)
    up = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 13)
    around, up = (grid.ravel() for grid in np.meshgrid(around, up))
    return np.column_stack(
        [0.36 * np.cos(up) * np.sin(around), 0.5 * np.sin(up), 0.38 * np.cos(up) * np.cos(around)]
    )


def _draw_back(sketch: Sketch, skin: Floats) -> None:
    """Neck, hair behind the face, skull and ears."""
    look = sketch.look
    neck = np.array(
        [
            [-0.21, -0.25],
            [0.21, -0.25],
            [0.225, -0.55],
            [0.27, -0.68],
            [0.15, -0.8],
            [0.0, -0.84],
            [-0.15, -0.8],
            [-0.27, -0.68],
            [-0.225, -0.55],
        ]
    )
    base = sketch.half + np.column_stack([neck[:, 0], -neck[:, 1]]) * sketch.scale
    sketch.fill(base, skin * 0.92, solid=True)
    skull = _egg() * [look.width, 1.0, 1.0]
    skull[:, 2] -= 0.06
    above = skull[skull[:, 1] > -0.02 + 1.1 * np.minimum(skull[:, 2], 0.0)]
    if look.hair == "none":
        sketch.fill(smooth(hull(sketch.project(above))), skin, solid=True)
    else:
        if look.hair == "long":
            fall = np.array(
                [
                    [-0.38, -0.62, -0.2],
                    [0.38, -0.62, -0.2],
                    [-0.4, 0.1, -0.12],
                    [0.4, 0.1, -0.12],
                    [0.2, 0.5, -0.1],
                    [-0.2, 0.5, -0.1],
                ]
            )
            sketch.fill(smooth(hull(sketch.project(fall))), look.hair_bgr, solid=True)
            sketch.fill(base, skin * 0.92, solid=True)
        if look.hair == "bun":
            ring = np.linspace(0, 2 * np.pi, 20)
            bun = np.column_stack([0.14 * np.cos(ring), 0.55 + 0.1 * np.sin(ring), 0 * ring - 0.2])
            sketch.fill(sketch.project(bun), look.hair_bgr, solid=True)
        cap = smooth(hull(sketch.project(above * [1.06, 1.08, 1.08])))
        sketch.fill(cap, look.hair_bgr, solid=True)
    jaw = skull[(skull[:, 1] < 0.1) & (skull[:, 2] > -0.1)] * [0.86, 0.9, 0.9]
    sketch.fill(hull(sketch.project(jaw)), skin * 0.9, solid=True)
    ring = np.linspace(0, 2 * np.pi, 24)
    for side in (-1, 1):
        ear = np.column_stack(
            [
                side * (0.355 * look.width + 0.03 * np.cos(ring)),
                -0.03 + 0.085 * np.sin(ring),
                -0.03 + 0.03 * np.cos(ring),
            ]
        )
        if (sketch.turn @ np.array([side, 0.0, 0.35]))[2] > -0.25:
            sketch.fill(sketch.project(ear), skin * 0.93, solid=True)
            centre = ear.mean(axis=0)
            sketch.fill(sketch.project(centre + (ear - centre) * 0.5), skin * 0.78)


def _face_outline(sketch: Sketch, drop: float) -> Floats:
    """The skin between hairline, temples and jaw, as patch pixels; `drop` lowers the chin."""
    look = sketch.look
    jaw = look.jaw
    top = 0.44 if look.hair == "none" else look.hairline
    half = np.array(
        [
            [0.13, top, 0.30],
            [0.25, top - 0.06, 0.2],
            [0.33, 0.14, 0.13],
            [0.35, 0.0, 0.11],
            [0.34, -0.12, 0.11],
            [0.305 * jaw, -0.27 - 0.3 * drop, 0.11],
            [0.21 * jaw, -0.42 - 0.8 * drop, 0.16],
            [0.1 * jaw, -0.51 - drop, 0.2],
        ]
    ) * [look.width, 1, 1]
    mirrored = half[::-1] * [-1, 1, 1]
    outline = smooth(np.vstack([half, mirrored]))
    front = np.array(
        [
            [-0.2, 0.2],
            [0.2, 0.2],
            [-0.24, 0.02],
            [0.24, 0.02],
            [0.0, -0.4],
            [-0.22, -0.1],
            [0.22, -0.1],
            [0.0, top - 0.06],
        ]
    )
    return hull(sketch.project(np.vstack([outline, sketch.lift(front, -0.02)])))


def face_polygon(
    centre_px: tuple[float, float], scale_px: float, head: HeadLike, face: FaceLook | None = None
) -> Floats:
    """Outline (n, 2) in pixels of the face that `draw_head` draws with the same arguments.

    It runs between hairline, temples and chin; ears, hair and neck lie outside.
    """
    turn = turn_matrix(head.yaw, head.pitch, head.roll)
    sketch = Sketch(scale_px, turn, face if face is not None else FaceLook())
    outline = _face_outline(sketch, 0.07 * float(np.clip(head.mouth_open, 0, 1)))
    return outline - sketch.half + np.asarray(centre_px)


def _draw_eyes(sketch: Sketch, skin: Floats) -> None:
    look = sketch.look
    for side in (-1, 1):
        if (sketch.turn @ np.array([0.5 * side, 0.0, 0.8]))[2] < 0.05:
            continue
        at = np.array([side * 0.148 * look.eye_gap, 0.0])
        wide, high = 0.068 * look.eye_size, 0.030 * look.eye_size
        socket = at + np.column_stack([0.1 * np.cos(RING), 0.058 * np.sin(RING)])
        sketch.tint(sketch.project(sketch.lift(socket, -0.03)), 0.87, 0.05)
        almond = np.array(
            [
                [-1, -0.1],
                [-0.55, 0.75],
                [0, 1.05],
                [0.55, 0.75],
                [1, 0.1],
                [0.5, -0.7],
                [0, -0.85],
                [-0.5, -0.75],
            ]
        ) * [side * wide, high]
        lids = sketch.project(sketch.lift(at + smooth(almond * 1.1), -0.03))
        sketch.fill(lids, (224, 228, 232))
        iris = at + [0, 0.003] + 0.031 * np.column_stack([np.cos(RING), 0.92 * np.sin(RING)])
        sketch.fill(sketch.project(sketch.lift(iris, -0.028)), look.iris_bgr)
        sketch.fill(sketch.project(sketch.lift(at + (iris - at) * 0.5, -0.027)), (14, 14, 16))
        glint = at + [0.01, 0.013] + 0.006 * np.column_stack([np.cos(RING), np.sin(RING)])
        sketch.fill(sketch.project(sketch.lift(glint, -0.026)), (240, 240, 240))
        upper = at + smooth(almond * 1.1)[: 8 * 4 + 4]
        sketch.stroke(sketch.project(sketch.lift(upper, -0.028)), skin * 0.28, 0.014)
        brow = np.array(
            [
                [-0.09, 0.0],
                [-0.02, 0.026],
                [0.06, 0.024],
                [0.1, -0.006],
                [0.055, 0.0],
                [-0.015, 0.002],
                [-0.09, -0.022],
            ]
        )
        brow[:, 1] += look.brow_tilt * brow[:, 0]
        brow = brow * [side, 1] + at + [0, 0.088 + look.brow_lift]
        dark = np.minimum(np.array(look.hair_bgr) * 0.8, skin * 0.5)
        sketch.fill(sketch.project(sketch.lift(smooth(brow), -0.005)), dark)
        if look.glasses:
            rim = at + np.column_stack([0.108 * np.cos(RING), 0.074 * np.sin(RING) - 0.008])
            pixels = sketch.project(sketch.lift(rim, 0.05))
            sketch.stroke(np.vstack([pixels, pixels[:1]]), (38, 36, 40), 0.011)
    if look.glasses:
        bridge = sketch.lift(np.array([[-0.042, 0.0], [0.0, 0.012], [0.042, 0.0]]), 0.06)
        sketch.stroke(sketch.project(bridge), (38, 36, 40), 0.011)


def _gloss(sketch: Sketch, skin: Floats) -> None:
    """Light mirrored by forehead, cheeks, nose and chin; dark skin shows it most."""
    amount = 46.0 * (1.0 - float(skin.mean()) / 255.0) ** 2
    spots = (
        (0.0, 0.2, 0.13, 0.05), (-0.19, -0.09, 0.06, 0.04), (0.19, -0.09, 0.06, 0.04),
        (0.0, -0.41, 0.06, 0.03), (0.0, -0.1, 0.018, 0.07),
    )  # fmt: skip
    for x, y, wide, high in spots:
        ring = np.column_stack([x + wide * np.cos(RING), y + high * np.sin(RING)])
        sketch.shine(sketch.project(sketch.lift(ring, 0.03)), amount, 0.07)


def _draw_nose(sketch: Sketch, skin: Floats) -> None:
    look = sketch.look
    tip = -0.185 * look.nose_length
    wing = 0.064 * look.nose_width
    ridge = np.array([0.0, 0.0, 0.045 + 0.06])
    bridge, point = sketch.lift(np.array([[0, 0.02], [0, tip + 0.02]]), 0.0)
    point = point + ridge
    for side, factor in ((-1, 0.93), (1, 0.84)):
        flank = np.vstack(
            [
                bridge,
                point,
                sketch.lift(np.array([[side * wing, tip - 0.012]]), 0.03),
                sketch.lift(np.array([[side * wing * 0.75, tip + 0.07]]), 0.0),
            ]
        )
        sketch.tint(sketch.project(flank), factor, 0.025)
    under = np.vstack(
        [
            sketch.lift(np.array([[-wing, tip - 0.01]]), 0.03),
            point - [0, 0.035, 0.01],
            sketch.lift(np.array([[wing, tip - 0.01], [0.0, tip - 0.045]]), 0.03),
        ]
    )
    sketch.tint(sketch.project(under), 0.66, 0.02)
    for side in (-1, 1):
        ring = np.column_stack(
            [side * wing * 0.5 + 0.02 * np.cos(RING), tip - 0.026 + 0.009 * np.sin(RING)]
        )
        sketch.fill(sketch.project(sketch.lift(ring, 0.055)), skin * 0.33)
    shine = np.vstack([bridge, point]) + [0.008, 0, 0.0]
    band = np.vstack([shine + [0.012, 0, 0], shine[::-1] - [0.012, 0, 0]])
    sketch.tint(sketch.project(band), 1.12, 0.02)


def _draw_mouth(sketch: Sketch, skin: Floats, mouth_open: float, smile: float) -> None:
    """Lips around a true gap: 0 closed, 1 as wide as a yawn (0.15 head heights)."""
    look = sketch.look
    gap = 0.15 * float(np.clip(mouth_open, 0, 1))
    narrow = 1 - 0.16 * min(1.0, mouth_open)
    half = 0.118 * look.mouth_width * (narrow + 0.2 * smile)
    y, up = -0.305, 0.03 * smile
    full = 0.030 * look.lip_fullness * (1 - 0.25 * smile)
    top, bottom = y + 0.22 * gap, y - 0.78 * gap
    corner = y - 0.25 * gap + up
    upper = np.array(
        [
            [-half, corner],
            [-0.62 * half, top + 0.62 * full + 0.5 * up],
            [-0.2 * half, top + 1.02 * full],
            [0, top + 0.86 * full],
        ]
    )
    lower = np.array(
        [[0.66 * half, bottom - 0.78 * full + 0.4 * up], [0.25 * half, bottom - 1.25 * full]]
    )
    flip = np.array([-1.0, 1.0])
    outer = np.vstack([upper, upper[-2::-1] * flip, lower, lower[::-1] * flip])
    inner_top = np.array(
        [
            [-0.9 * half, corner],
            [-0.55 * half, top + 0.5 * up],
            [-0.2 * half, top + 0.004],
            [0.0, top - 0.003],
        ]
    )
    inner_low = np.array([[0.6 * half, bottom + 0.45 * up], [0.22 * half, bottom]])
    inner = np.vstack([inner_top, inner_top[-2::-1] * flip, inner_low, inner_low[::-1] * flip])
    lip = np.clip(skin * [0.86, 0.80, 0.92] + np.array(look.lip_tint) * 0.6, 8, 235)
    depth = 0.045
    sketch.tint(sketch.project(sketch.lift(outer + [0, -0.035], depth)), 0.9, 0.03)
    sketch.fill(sketch.project(sketch.lift(smooth(outer, 2), depth)), lip)
    lit = np.vstack([lower, lower[::-1] * flip]) * [0.8, 1] + [0, 0.25 * full]
    sketch.tint(sketch.project(sketch.lift(lit, depth)), 1.1, 0.015)
    if gap < 0.004:
        line = np.vstack([inner_top, inner_top[-2::-1] * flip])
        sketch.stroke(sketch.project(sketch.lift(line, depth)), lip * 0.42, 0.009)
        return
    hole = sketch.project(sketch.lift(smooth(inner, 2), depth - 0.004))
    sketch.fill(hole, (24, 20, 42))
    if gap > 0.02:
        _draw_teeth(sketch, hole, inner_top, min(0.024, 0.45 * gap), depth)


def _draw_teeth(
    sketch: Sketch, hole: Floats, inner_top: Floats, height: float, depth: float
) -> None:
    """The upper teeth, kept inside the gap by masking with it."""
    edge = np.vstack([inner_top, inner_top[-2::-1] * [-1, 1]]) * [0.8, 1]
    teeth = np.vstack([edge, edge[::-1] - [0, height]])
    gap_mask = np.zeros(sketch.alpha.shape, np.uint8)
    teeth_mask = np.zeros_like(gap_mask)
    for mask, pixels in (
        (gap_mask, hole),
        (teeth_mask, sketch.project(sketch.lift(teeth, depth - 0.01))),
    ):
        corners = np.round(pixels * (1 << SHIFT)).astype(np.int32)
        cv2.fillPoly(mask, [corners], (1.0,), cv2.LINE_8, SHIFT)
    sketch.colour[(gap_mask & teeth_mask) > 0] = (196, 206, 212)


def _draw_mask(sketch: Sketch) -> None:
    """A plain pale cloth mask over nose and mouth, with pleats and ear loops."""
    half = np.array(
        [[0.05, -0.075], [0.2, -0.12], [0.315, -0.2], [0.29, -0.33], [0.17, -0.47], [0.05, -0.52]]
    )
    outline = np.vstack([half, half[::-1] * [-1, 1]])
    for side in (-1, 1):
        for y in (-0.19, -0.34):
            loop = np.vstack(
                [sketch.lift(np.array([[side * 0.3, y]]), 0.02), [[side * 0.36, -0.03, -0.02]]]
            )
            sketch.stroke(sketch.project(loop), (206, 208, 206), 0.012)
    raised = sketch.lift(np.vstack([smooth(outline, 2)]), 0.05)
    nose = sketch.lift(np.array([[0.0, -0.08], [0.0, -0.2]]), 0.13)
    pixels = hull(sketch.project(np.vstack([raised, nose])))
    sketch.fill(pixels, (212, 214, 210), solid=True)
    for y in (-0.2, -0.29, -0.38):
        across = np.linspace(-0.27, 0.27, 9)
        pleat = np.column_stack([across, y + 0.02 * (across / 0.27) ** 2])
        sketch.stroke(sketch.project(sketch.lift(pleat, 0.06)), (180, 183, 180), 0.008)


def _shade(sketch: Sketch, light: Floats, outline: Floats, box: tuple[int, int, int, int]) -> None:
    """Multiply the head, in `box` of the patch, by the brightness of an egg lit from `light`.

    What lies below the head and outside the face (neck, long hair) is shaded like the front of
    a post in the shadow of the jaw.
    """
    side = 2 * sketch.half
    line = (np.arange(side, dtype=np.float32) + 0.5 - sketch.half) / sketch.scale
    x0, y0, x1, y1 = box
    across, down = line[None, x0:x1], line[y0:y1, None]
    x, y = across / 0.40, -down / 0.58
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0.02, None))
    facing = (x * light[0] + y * light[1] + z * light[2]) / np.sqrt(x**2 + y**2 + z**2)
    egg = 0.62 + 0.42 * np.clip(0.35 + 0.65 * facing, 0, 1)
    shadow = 0.62 + 0.28 * np.clip((down - 0.45) / 0.3, 0, 1)
    post = shadow * (1 - 0.9 * (across - 0.06 * light[0]) ** 2)
    inside = np.zeros((side, side), np.float32)
    corners = np.round(outline * (1 << SHIFT)).astype(np.int32)
    cv2.fillPoly(inside, [corners], (1.0,), cv2.LINE_8, SHIFT)
    # The back of the head goes over into the neck softly, the jaw with an edge.
    share = np.maximum(inside[y0:y1, x0:x1], np.clip((0.42 - down) / 0.14, 0, 1))
    sketch.colour[y0:y1, x0:x1] *= (share * egg + (1 - share) * post).astype(np.float32)[:, :, None]


def draw_head(
    image: Image,
    centre_px: tuple[float, float],
    scale_px: float,
    head: HeadLike,
    skin_bgr: Sequence[float],
    light: Sequence[float] | None = None,
    face: FaceLook | None = None,
) -> None:
    """Draw one head into `image` (h, w, 3) BGR uint8, in place; parts outside are cut off.

    Args:
        image: the picture, changed in place.
        centre_px: head centre (x, y) in pixels, origin top left.
        scale_px: head height, chin to crown, in pixels (`HEAD_HEIGHT_M` projected).
        head: turn *relative to the camera* (see `turn_matrix`), mouth and mask.
        skin_bgr: skin colour 0..255 before shading.
        light: vector towards the light, x right, y up, z to the viewer; None = upper left.
        face: the invented face's look; None = the plain one.

    Raises:
        ValueError: if `scale_px` is not positive.
    """
    if not scale_px > 0:
        raise ValueError(f"a head needs a positive height in pixels, got {scale_px}")
    look = face if face is not None else FaceLook()
    finer = 3 if scale_px < 110 else 2
    sketch = Sketch(scale_px * finer, turn_matrix(head.yaw, head.pitch, head.roll), look)
    skin = np.asarray(skin_bgr, dtype=np.float64)
    direction = np.asarray((-0.35, 0.55, 0.76) if light is None else light, dtype=np.float64)
    direction = direction / max(float(np.linalg.norm(direction)), 1e-9)
    _draw_back(sketch, skin)
    opened = 0.0 if head.mask else float(np.clip(head.mouth_open, 0, 1))
    outline = _face_outline(sketch, 0.07 * float(np.clip(head.mouth_open, 0, 1)))
    sketch.fill(outline, skin, solid=True)
    cheeks = sketch.lift(np.array([[-0.26, -0.12], [-0.13, -0.08], [-0.12, -0.2], [-0.22, -0.24]]))
    for side in (1.0, -1.0):
        sketch.tint(sketch.project(cheeks * [side, 1, 1]), 1.05, 0.08)
    if look.beard > 0:
        chin = np.array([[-0.27, -0.22], [0.27, -0.22], [0.2, -0.42], [0, -0.47], [-0.2, -0.42]])
        sketch.tint(sketch.project(sketch.lift(chin, 0.02)), 1 - 0.35 * look.beard, 0.06)
    _gloss(sketch, skin)
    _draw_nose(sketch, skin)
    _draw_mouth(sketch, skin, opened, float(np.clip(head.smile, 0, 1)))
    if head.mask:
        _draw_mask(sketch)
    _draw_eyes(sketch, skin)
    place = placed(image, sketch, centre_px, finer)
    if place is not None:
        _shade(sketch, direction, outline, place.box)
        paste(image, sketch, place, finer)
