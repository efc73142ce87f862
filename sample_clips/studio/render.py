"""Draws one frame: the still room, the head, then things, arms and hands, then the camera's flaws.

World frame, units and keypoint order as in `skeleton`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_clips.studio.camera import Camera
from sample_clips.studio.head import HEAD_HEIGHT_M, draw_head
from sample_clips.studio.raster import Soup, draw
from sample_clips.studio.room import backdrop, lamp, to_camera, water_line
from sample_clips.studio.scene import Colour, FrameState, HeadState, Look, Prop
from sample_clips.studio.shapes import arm_soups, gather, hand_soup, prop_soup, skin_bgr
from sample_clips.studio.skeleton import joints

__all__ = ["Colour", "FrameState", "HeadState", "Look", "Prop", "render", "render_moving"]

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

_NOISE_SPARE = 61  # pixels by which the stored noise is larger than the picture


def head_seen(
    head: HeadState, camera: Camera
) -> tuple[tuple[float, float], float, HeadState] | None:
    """Where and how the camera sees a head; None where it is out of its sight.

    Returns:
        The head's centre in pixels, its height (chin to crown) in pixels, and the head turned
        as seen from the camera's own place.
    """
    px, depth = camera.project(np.asarray(head.centre))
    if float(depth) < 0.1:
        return None
    reach = 0.8 * HEAD_HEIGHT_M * camera.focal_px / float(depth)
    if not (-reach < px[0] < camera.width + reach and -reach < px[1] < camera.height + reach):
        return None  # near cameras that look down see no head, and a large one is slow to draw
    # What the camera's own place adds to the head's turn.
    way = np.asarray(camera.eye, dtype=np.float64) - head.centre
    around = float(np.arctan2(way[0], way[2]))
    above = float(np.arctan2(way[1], np.hypot(way[0], way[2])))
    seen = HeadState(
        head.centre,
        head.yaw - around,
        head.pitch + above * np.cos(head.yaw - around),
        head.roll,
        head.mouth_open,
        head.smile,
        head.mask,
    )
    return (float(px[0]), float(px[1])), HEAD_HEIGHT_M * camera.focal_px / float(depth), seen


def _paint_head(image: Image, head: HeadState, look: Look, camera: Camera) -> None:
    """The head, turned as the camera sees it."""
    found = head_seen(head, camera)
    if found is None:
        return
    centre, height_px, seen = found
    towards = camera.rotation @ np.asarray(look.light_from)
    draw_head(
        image,
        centre,
        height_px,
        seen,
        (skin_bgr(look.skin_tone) * 255.0).tolist(),
        (float(towards[0]), float(-towards[1]), float(-towards[2])),
        look.face,
    )


def _things(state: FrameState, look: Look) -> Soup:
    soups = [prop_soup(prop) for prop in state.props]
    if state.water and look.sink_side != "none":
        line = water_line(look)
        sway = 0.0015 * np.sin(np.arange(len(line)) * 2.1 + state.tick * 0.9)
        line[:, 0] += sway
        stream = Prop("tube", line[0], np.eye(3), np.full(3, 0.013), (240, 236, 228), line)
        soups.append(prop_soup(stream))
    foam = min(1.0, state.foam + (0.6 if look.foam else 0.0))
    for pose in (state.left, state.right):
        arms, frame = arm_soups(pose, look)
        soups += [*arms, hand_soup(pose, look, frame, foam, state.wet)]
    return gather(soups)


@lru_cache(maxsize=4)
def _noise(width: int, height: int, sigma: float) -> NDArray[np.int16]:
    rng = np.random.default_rng(20)
    size = (height + _NOISE_SPARE, width + _NOISE_SPARE, 3)
    # Partly common to the three channels, as demosaiced noise is.
    grain = 0.8 * rng.standard_normal(size) + 0.6 * rng.standard_normal(size[:2])[..., None]
    return np.round(sigma * grain).astype(np.int16)


@lru_cache(maxsize=16)
def _curve(light: float, warmth: float) -> Image:
    """Brightness table (1,256,3): what the lamp's level and colour do to each channel."""
    gains = light * np.array([1.0 - 0.14 * warmth, 1.0, 1.0 + 0.10 * warmth])
    value = np.arange(256)[:, None] / 255.0 * gains
    # A soft shoulder instead of hard clipping.
    value = np.where(value > 0.85, 0.85 + 0.15 * np.tanh((value - 0.85) / 0.15), value)
    return np.clip(value * 255.0 + 0.5, 0, 255).astype(np.uint8)[None]


def _through_lens(image: Image, look: Look, tick: int) -> Image:
    if look.blur > 0.05:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), look.blur), dtype=np.uint8)
    image = np.asarray(cv2.LUT(image, _curve(look.light, look.warmth)), dtype=np.uint8)
    if look.noise > 0.0:
        height, width = image.shape[:2]
        # An own place in the stored noise for each frame, the same every time it is drawn.
        y, x = np.random.default_rng((look.seed, tick)).integers(0, _NOISE_SPARE, 2)
        grain = _noise(width, height, look.noise)[y : y + height, x : x + width]
        image = np.clip(image.astype(np.int16) + grain, 0, 255).astype(np.uint8)
    return np.ascontiguousarray(image[:, ::-1]) if look.mirrored else image


def keypoints(state: FrameState, look: Look, camera: Camera) -> Array:
    """Pixels (2,21,2) of the left and the right hand's keypoints in the finished picture."""
    world = np.stack([joints(state.left, look.shape), joints(state.right, look.shape)])
    px, _ = camera.project(world)
    if look.mirrored:
        px[..., 0] = camera.width - 1 - px[..., 0]
    return px


def _sharp(state: FrameState, look: Look, camera: Camera) -> Image:
    """The scene before lens and sensor (h,w,3) BGR, unmirrored."""
    still, behind = backdrop(look, camera)
    canvas = still.copy()
    if state.head is not None:
        _paint_head(canvas, state.head, look, camera)
    image = canvas.astype(np.float32) / np.float32(255.0)
    soup = to_camera(_things(state, look), camera)
    middle = ((camera.width - 1) / 2.0, (camera.height - 1) / 2.0)
    draw(image, behind, soup, camera.focal_px, middle, lamp(look, camera))
    return np.asarray(cv2.convertScaleAbs(image, alpha=255.0), dtype=np.uint8)


def render(state: FrameState, look: Look, camera: Camera) -> tuple[Image, Array]:
    """One finished frame.

    Returns the picture (h,w,3) BGR uint8 and the keypoints (2,21,2) in its pixels, axis 0 the
    subject's left and right hand (also when the picture is mirrored). Keypoints outside the
    picture or hidden are given all the same. Raises ValueError for a hand pose without direction.
    """
    image = _through_lens(_sharp(state, look, camera), look, state.tick)
    return image, keypoints(state, look, camera)


def render_moving(states: Sequence[FrameState], look: Look, camera: Camera) -> tuple[Image, Array]:
    """A frame with motion blur: the mean of moments evenly spread over the shutter's opening.

    Keypoints and noise are those of the middle moment. Raises ValueError without moments.
    """
    if not states:
        raise ValueError("a frame needs at least one moment")
    middle = states[len(states) // 2]
    total = np.zeros((camera.height, camera.width, 3), dtype=np.float32)
    for state in states:
        total += _sharp(state, look, camera)
    mean = np.clip(total / len(states) + 0.5, 0, 255).astype(np.uint8)
    return _through_lens(mean, look, middle.tick), keypoints(middle, look, camera)
