"""Synthetic tracks with a closed-form truth: drawn mouths, faces and hands by numbers.

Every face and hand here is a made-up arrangement of points. Lengths are in picture widths,
y runs down, as in ``LandmarkTrack``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.facemesh import (
    FACE_INDEX,
    FACE_OVAL,
    FACE_POINTS,
    INNER_LIP_PAIRS,
    INNER_LIPS,
    OUTER_LIPS,
)
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import MOTION_GRID, LandmarkTrack, TimeBase

Array = NDArray[np.float64]

EYE_SPAN = 0.5
"""Outer eye span of the built face over its height."""

HAND_WIDTH = 0.08
"""Breadth of the built hand across the knuckles, picture widths."""


def times(duration_s: float, fps: float) -> Array:
    """Sample times 0, 1/fps, ... before ``duration_s``."""
    return np.arange(round(duration_s * fps)) / fps


# --- mouth openings over time, in resting mouth widths ------------------------------------------


def tone(at_s: Array, hz: float, amplitude: float, level: float = 0.3) -> Array:
    """A mouth opening and closing as a sine: mean ``level``, band energy amplitude**2 / 2."""
    return level + amplitude * np.sin(2 * np.pi * hz * at_s)


def syllables(at_s: Array, rng: np.random.Generator, size: float = 0.2) -> Array:
    """Speech-like: openings of uneven size and depth, 2.5-5.5 a second, short pauses between.

    The lips close fully between some syllables and only partly between others.
    """
    opening = np.full(len(at_s), 0.01)
    moment, height = at_s[0], size * rng.uniform(0.4, 1.6)
    while moment < at_s[-1]:
        length = 1.0 / rng.uniform(2.5, 5.5)
        phase = (at_s - moment) / length
        inside = (phase >= 0) & (phase < 1)
        following = size * rng.uniform(0.4, 1.6)
        floor = rng.choice([0.0, rng.uniform(0.1, 0.8)]) * min(height, following)
        bump = height * np.sin(np.pi * np.clip(phase, 0, 1)) ** 1.5
        opening[inside] = np.maximum(bump, floor)[inside]
        height = following
        moment += length + (rng.random() < 0.12) * rng.uniform(0.1, 0.3)
    return opening


def one_bump(at_s: Array, centre_s: float, length_s: float, size: float) -> Array:
    """One opening and closing: a yawn (4-6 s, 0.8), a cough (0.4 s), a lick of the lips."""
    inside = np.abs(at_s - centre_s) < length_s / 2
    return np.where(inside, size * np.cos(np.pi * (at_s - centre_s) / length_s) ** 2, 0.0)


def chewing(at_s: Array, hz: float, size: float, rng: np.random.Generator) -> Array:
    """Even to and fro at ``hz`` with 3 % unevenness of each cycle."""
    wobble = np.interp(
        at_s,
        np.arange(0, at_s[-1] + 2),
        rng.normal(0, 0.03, int(at_s[-1]) + 3)[: len(np.arange(0, at_s[-1] + 2))],
    )
    return size * (0.5 - 0.5 * np.cos(2 * np.pi * (hz * at_s + wobble)))


# --- faces --------------------------------------------------------------------------------------


def face_template() -> Array:
    """Shape (k, 3): a closed-mouthed face facing the camera, height 1, centred on the nose."""
    face = np.full((len(FACE_POINTS), 3), np.nan)
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    face[list(FACE_OVAL), 0] = 0.38 * np.sin(angle)
    face[list(FACE_OVAL), 1] = -0.5 * np.cos(angle)
    face[list(FACE_OVAL), 2] = 0.15 * np.sin(angle) ** 2
    for ring, width, height in ((INNER_LIPS, 0.125, 0.0), (OUTER_LIPS, 0.14, 0.035)):
        turn = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        face[list(ring), 0] = -width * np.cos(turn)
        face[list(ring), 1] = 0.25 - height * np.sin(turn)
        face[list(ring), 2] = -0.05
    places = {
        "right_eye_outer": (-EYE_SPAN / 2, -0.12), "left_eye_outer": (EYE_SPAN / 2, -0.12),
        "right_eye_inner": (-0.09, -0.12), "left_eye_inner": (0.09, -0.12),
        "right_brow_outer": (-0.26, -0.2), "left_brow_outer": (0.26, -0.2),
        "right_brow_middle": (-0.17, -0.23), "left_brow_middle": (0.17, -0.23),
        "right_brow_inner": (-0.07, -0.21), "left_brow_inner": (0.07, -0.21),
        "nose_tip": (0.0, 0.08), "nose_base": (0.0, 0.13),
        "nose_bridge": (0.0, -0.13), "nose_middle": (0.0, -0.08),
    }  # fmt: skip
    for name, (x, y) in places.items():
        face[FACE_INDEX[name]] = (x, y, -0.1 if name.startswith("nose_t") else 0.0)
    assert np.isfinite(face).all()
    return face


def faces(
    opening: Array,
    height: float = 0.2,
    centre: tuple[float, float] = (0.5, 0.2),
    yaw_deg: Array | float = 0.0,
    jitter: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Array:
    """Shape (n, k, 3): the built face with mouth ``opening`` (resting mouth widths, (n,)).

    The mean gap of the nine lip pairs is ``opening * EYE_SPAN / 2`` face heights; ``jitter``
    is the standard deviation of white noise on every coordinate, in picture widths.
    """
    shape = np.repeat(face_template()[None], len(opening), axis=0)
    gap = opening * EYE_SPAN / 2
    for upper, lower in INNER_LIP_PAIRS:
        shape[:, upper, 1] = 0.25 - gap / 2
        shape[:, lower, 1] = 0.25 + gap / 2
    yaw = np.radians(np.broadcast_to(yaw_deg, (len(opening),)))[:, None]
    x, z = shape[..., 0].copy(), shape[..., 2].copy()
    shape[..., 0] = x * np.cos(yaw) - z * np.sin(yaw)
    shape[..., 2] = x * np.sin(yaw) + z * np.cos(yaw)
    shape *= height
    shape[..., :2] += centre
    if jitter and rng is not None:
        shape += rng.normal(0.0, jitter, shape.shape)
    return shape


# --- hands --------------------------------------------------------------------------------------


def hand_template() -> Array:
    """Shape (21, 3): a flat right hand from behind, fingers up, palm centre at 0, breadth 1.

    Breadth is index knuckle to little-finger knuckle; thumb at smaller x.
    """
    points = np.zeros((21, 3))
    points[0, :2] = (0.0, 0.75)
    points[1:5, :2] = ((-0.4, 0.5), (-0.65, 0.2), (-0.85, -0.05), (-1.0, -0.25))
    for finger, (x, length) in enumerate(((-0.5, 1.0), (-0.17, 1.1), (0.17, 1.0), (0.5, 0.8))):
        for joint in range(4):
            points[5 + 4 * finger + joint, :2] = (x, -0.1875 - length * joint / 3)
    return points


def hands_at(
    left: Array | None, right: Array | None, n: int, width: float = HAND_WIDTH
) -> NDArray[np.float32]:
    """Shape (n, 2, 21, 3): upright built hands with palm centres at (n, 2) paths, NaN = unseen."""
    out = np.full((n, 2, 21, 3), np.nan, dtype=np.float32)
    for side, path in ((0, left), (1, right)):
        if path is not None:
            shape = hand_template() * width * (np.array([-1.0, 1, 1]) if side == 0 else 1.0)
            out[:, side] = shape[None]
            out[:, side, :, :2] += np.asarray(path, dtype=np.float64)[:, None]
    return out


def make_track(
    at_s: Array,
    hands: NDArray[np.floating] | None = None,
    face: NDArray[np.floating] | None = None,
    size_px: tuple[int, int] = (1280, 720),
) -> LandmarkTrack:
    """A landmark track over ``at_s`` with what is given; the rest was not seen."""
    n = len(at_s)
    if hands is None:
        hands = np.full((n, 2, 21, 3), np.nan)
    if face is None:
        face = np.full((n, len(FACE_POINTS), 3), np.nan)
    world = hands - hands[:, :, :1]
    return LandmarkTrack(
        time=TimeBase(at_s, float(at_s[-1] + (np.median(np.diff(at_s)) if n > 1 else 0.1))),
        hands=hands.astype(np.float32),
        hands_world=world.astype(np.float32),
        hand_score=np.isfinite(hands[:, :, 0, 0]).astype(np.float32),
        face=face.astype(np.float32),
        face_score=np.isfinite(face[:, 0, 0]).astype(np.float32),
        motion=np.zeros((n, *MOTION_GRID), dtype=np.float32),
        luma=np.full(n, 0.5, dtype=np.float32),
        frame_size_px=size_px,
    )


def phases(*spans: tuple[Phase, float, float]) -> Timeline:
    """A timeline from (phase, start, end) rows, extent from the first start to the last end."""
    segments = tuple(Segment(Interval(start, end), phase) for phase, start, end in spans)
    return Timeline(Interval(spans[0][1], spans[-1][2]), segments)
