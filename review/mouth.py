"""Mouth movement from the face mesh: what the lips and the head do over time.

What tells talking from a smile, a yawn or tracking noise is the *change* of the lip opening:
fast, to and fro, and irregular. Everything is computed from samples 0.03-0.12 s apart (about
8-30 a second); a mouth that is not in view or behind a hand gives NaN, never stillness.

Coordinate frame as in :class:`review.tracks.LandmarkTrack`; openings are relative to the
width of the person's mouth at rest, so that camera distance cancels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.facemesh import FACE_INDEX, INNER_LIP_PAIRS, OUTER_LIPS
from review.handgrid import hand_breadth
from review.liprhythm import (
    CHEWING_WINDOW_S,
    MAX_STEP_S,
    band_energy,
    chewing_share,
    nearest_known,
    to_grid,
    turning_points,
    windowed,
)
from review.picturechange import box_change
from review.tracks import FeatureTrack, LandmarkTrack

Array = NDArray[np.float64]

REST_WIDTH_OF_EYE_SPAN = 0.5
"""Mouth width at rest over the distance of the outer eye corners.

0.45-0.52 on seven adult faces tracked for this project. The eye span is used because the
mouth's own width changes with every vowel and smile.
"""

GRID_HZ = 15.0
"""Mouth movement is looked at 15 times a second, or as often as the track allows.

Lip movement in speech lies below about 7 Hz (common practice, no source), so a faster
track adds only noise.
"""

RATE_WINDOW_S = 0.5
"""Half width of the triangular window over which the rate of change is averaged."""

LOCAL_WINDOW_S = 0.14
"""The same for the rate that finds the edges of a span."""

TURNING_WINDOW_S = 0.6
"""Half width of the triangular window in which changes of direction are counted."""

TURN_SIZE = 0.03
TURN_JITTERS = 3.0
"""A change of direction counts when the opening moved by more than ``TURN_SIZE`` (resting
mouth widths) before and after it, and by more than three standard deviations of the jitter."""

OPEN_LIPS = 0.2
OPEN_LIP_JITTER = 2.5
"""Parted lips (by 0.2 resting mouth widths or more) jitter about 3.5 times as much as the
nose does; closed ones no more than it. Seen on real and drawn faces at rest."""

WHITE_STEP = 1.128
"""Mean absolute difference of two unit normal numbers, 2 / sqrt(pi)."""

HAND_COVERS = 0.35
"""A lip point nearer to a hand keypoint than this (hand widths) lies behind the hand."""


# --- what the face shows in each frame ------------------------------------------------


def _pose(face: Array) -> tuple[Array, Array, Array]:
    """Head yaw and pitch in degrees (0 = facing the camera), and the outer eye span, each (n,).

    Angles come from the mesh's own depth: across the eyes for yaw, from forehead to chin for
    pitch. The sign of yaw is kept (positive: the person's left side is further away).
    """
    eyes = face[:, FACE_INDEX["left_eye_outer"]] - face[:, FACE_INDEX["right_eye_outer"]]
    length = face[:, FACE_INDEX["chin"]] - face[:, FACE_INDEX["forehead"]]
    span = np.linalg.norm(eyes[:, :2], axis=1)
    # In a flipped track left and right change places; the direction across must not.
    side = np.where(eyes[:, 0] < 0, -1.0, 1.0)
    yaw = np.degrees(np.arctan2(side * eyes[:, 2], span))
    pitch = np.degrees(np.arctan2(length[:, 2], np.linalg.norm(length[:, :2], axis=1)))
    return yaw, pitch, span


def _lips_behind_hand(face: Array, track: LandmarkTrack) -> Array:
    """Shape (n,): share of the outer lip points that lie behind a tracked hand, 0..1."""
    lips = face[:, list(OUTER_LIPS), :2]
    behind = np.zeros(lips.shape[:2], dtype=bool)
    centre, reach = lips.mean(axis=1), np.ptp(lips[..., 0], axis=1)
    for side in range(2):
        hand = track.hands[:, side, :, :2].astype(np.float64)
        size = hand_breadth(hand)
        gap = np.linalg.norm(hand - centre[:, None], axis=2).min(axis=1)
        with np.errstate(invalid="ignore"):
            close = np.flatnonzero(gap < reach + size)
        for i in close:
            bones = np.concatenate([hand[i], (hand[i, 1:] + hand[i, :-1]) / 2])
            distance = np.linalg.norm(lips[i][:, None] - bones[None], axis=2).min(axis=1)
            behind[i] |= distance < HAND_COVERS * size[i]
    return np.asarray(behind.mean(axis=1))


def lip_opening(track: LandmarkTrack) -> Array:
    """Shape (n,): mean gap of the inner lips over the resting mouth width, NaN without a face.

    Corrected for head pose by the cosines of yaw and pitch (held at 60 degrees, beyond which
    the picture shows too little to correct).
    """
    face = track.face.astype(np.float64)
    yaw, pitch, span = _pose(face)
    upper, lower = (list(pair) for pair in zip(*INNER_LIP_PAIRS, strict=True))
    gap = np.linalg.norm(face[:, upper, :2] - face[:, lower, :2], axis=2).mean(axis=1)
    true_span = span / np.maximum(np.cos(np.radians(yaw)), 0.5)
    true_gap = gap / np.maximum(np.cos(np.radians(pitch)), 0.5)
    return np.asarray(true_gap / (REST_WIDTH_OF_EYE_SPAN * true_span))


# --- the picture about the mouth ------------------------------------------------------------

MOUTH_BOX = (0.6, 0.4, 0.55)
"""The mouth in the picture: to both sides, up and down from the middle of the lips, in resting
mouth widths."""

BROW_BOX = (0.9, 0.9, 0.5)
"""The upper face about the bridge of the nose: it moves with the head and not with speech."""

BESIDE_BOXES = (
    ((2.2, 0.6), (-1.1, 1.2)),
    ((-1.1, 0.6), (2.2, 1.2)),
    ((1.1, -0.9), (1.1, 1.9)),
)
"""To the left and the right of the lower face and below the chin, as :data:`MOUTH_BOX`: (left,
up), (right, down). An arm that comes before the chin moves there, too; lips do not."""

SMALL_FACE_PX = (75.0, 110.0)
"""Height of the face at which the picture about the mouth counts in full, and no more.

The mesh of a small face, the more so a dark or noisy one, can stand still while its mouth moves;
the picture shows it (see :func:`mouth_change`). In a large face the mesh is right
and the picture also shows shadows and hands."""

FRAME_S = 1.0 / 15.0
"""Change of the picture is told for this time, so that frame rates can be compared."""


def mouth_change(track: LandmarkTrack, span: Array, brow: Array) -> Array:
    """Shape (n,): how much more the picture changes at the mouth than at the upper face.

    In luma (0..1) for :data:`FRAME_S`, averaged over +-0.5 s: the mesh of a small, dark face can
    stand still while the mouth moves, and the picture shows it. NaN where nothing changes at
    all in either place (no pictures were compared), where the two lie nearer together than the
    cells on which change is kept, or there is no face.

    Args:
        track: landmarks with the change of the picture.
        span: shape (n,), see :func:`_pose`.
        brow: shape (n,), see :func:`_brow_change`.
    """
    face = track.face.astype(np.float64)
    lips = face[:, list(OUTER_LIPS), :2].mean(axis=1)
    side, up, down = MOUTH_BOX
    mouth = _box_change(track, lips, span, ((side, up), (side, down)))
    steps = np.diff(track.time.times_s, prepend=np.nan)
    more = np.where((mouth > 0) | (brow > 0), (mouth - brow) * FRAME_S / steps, np.nan)
    apart = np.linalg.norm(lips - face[:, FACE_INDEX["nose_bridge"], :2], axis=1)
    more[~(apart >= 1.0 / track.motion.shape[2])] = np.nan  # the grid cannot tell them apart
    return _over_a_second(more, track)


def beside_change(track: LandmarkTrack, span: Array, brow: Array) -> Array:
    """Shape (n,): how much more the picture changes beside or below the lower face than above.

    The most of :data:`BESIDE_BOXES`, unit and averaging as :func:`mouth_change`. High where an arm
    or something held moves at the chin: then the change at the mouth need not be the mouth's.

    Args:
        track: landmarks with the change of the picture.
        span: shape (n,), see :func:`_pose`; NaN where it need not be known.
        brow: shape (n,), see :func:`_brow_change`.
    """
    lips = track.face[:, list(OUTER_LIPS), :2].mean(axis=1, dtype=np.float64)
    steps = np.diff(track.time.times_s, prepend=np.nan)
    found = [
        _over_a_second((_box_change(track, lips, span, box) - brow) * FRAME_S / steps, track)
        for box in BESIDE_BOXES
    ]
    return np.asarray(np.fmax.reduce(found))


def _brow_change(track: LandmarkTrack, span: Array) -> Array:
    """Shape (n,): change of luma between two samples at the upper face."""
    side, up, down = BROW_BOX
    bridge = track.face[:, FACE_INDEX["nose_bridge"], :2].astype(np.float64)
    return _box_change(track, bridge, span, ((side, up), (side, down)))


def _box_change(
    track: LandmarkTrack,
    middle: Array,
    span: Array,
    box: tuple[tuple[float, float], tuple[float, float]],
) -> Array:
    """Shape (n,): change of luma between two samples in a box about ``middle`` (n, 2)."""
    width = (REST_WIDTH_OF_EYE_SPAN * span)[:, None]
    low, high = middle - width * np.array(box[0]), middle + width * np.array(box[1])
    aspect = track.frame_size_px[1] / track.frame_size_px[0]
    return box_change(track.motion, low, high, aspect)


def _over_a_second(change: Array, track: LandmarkTrack) -> Array:
    """Mean over +-0.5 s; NaN where unknown, or looked at too seldom to say."""
    times = track.time.times_s
    known = np.where(np.diff(times, prepend=np.nan) <= MAX_STEP_S, change, np.nan)
    smooth = windowed(known, max(1, round(RATE_WINDOW_S / typical_step_s(times))))
    return np.asarray(np.where(np.isfinite(known), smooth, np.nan))


# --- the track of the mouth ---------------------------------------------------------------

_MOVEMENT: tuple[tuple[str, str], ...] = (
    ("opening_rate", "1/s"),
    ("local_rate", "1/s"),
    ("to_and_fro", "1"),
    ("turning_rate", "1/s"),
    ("band_energy", "resting mouth widths^2"),
    ("chewing", "1"),
    ("jitter_rate", "1/s"),
)
_COLUMNS: tuple[tuple[str, str], ...] = (
    ("opening", "resting mouth widths"),
    *_MOVEMENT,
    ("yaw", "deg"),
    ("pitch", "deg"),
    ("turn_rate", "deg/s"),
    ("face_height", "px"),
    ("lower_face_seen", "1"),
    ("step", "s"),
    ("mouth_change", "luma"),
    ("beside_change", "luma"),
)


def typical_step_s(times_s: Array) -> float:
    """The ordinary time from one sample to the next; stretches hardly looked at do not count."""
    steps = np.diff(times_s)
    close = steps[steps <= MAX_STEP_S]
    return float(np.median(close if close.size else steps))


def movement_columns(opening: Array, rigid: Array, times_s: Array) -> dict[str, Array]:
    """What an opening does over time, at the sample times.

    Args:
        opening: shape (n,), in resting mouth widths, NaN where not seen.
        rigid: shape (n,), a length on the face that no expression changes, same unit; how
            much it seems to change tells how much the tracking jitters.
        times_s: shape (n,).

    Returns:
        Columns of shape (n,): ``opening_rate`` mean absolute change a second over +-0.5 s;
        ``local_rate`` the same over +-0.14 s; ``to_and_fro`` 0 where that
        change goes one way only, 1 where it cancels; ``turning_rate`` changes of direction a
        second over +-0.6 s; ``band_energy``;
        ``chewing``; ``jitter_rate`` the rate that jitter alone would give, from that of
        ``rigid``.
    """
    names = [name for name, _ in _MOVEMENT]
    known = np.isfinite(opening)
    if known.sum() < 3:
        return {name: np.full(len(opening), np.nan) for name in names}
    typical = typical_step_s(times_s)
    hz = min(GRID_HZ, 1.0 / min(typical, MAX_STEP_S))
    grid, value = to_grid(opening, times_s, hz)
    _, still = to_grid(np.where(known, rigid, np.nan), times_s, hz)
    change = np.append(np.diff(value), np.nan) * hz
    half = round(RATE_WINDOW_S * hz)
    rate = windowed(np.abs(change), half)
    drift = np.abs(windowed(change, half))
    steady = windowed(np.abs(np.append(np.diff(still), np.nan)) * hz, half)
    parted = np.clip(windowed(value, half) / OPEN_LIPS, 0.0, 1.0)
    jitter = steady * (1.0 + OPEN_LIP_JITTER * parted)
    size = np.fmax(TURN_SIZE, TURN_JITTERS * jitter / (WHITE_STEP * hz))
    turns = np.where(np.isfinite(value), turning_points(value, size) * hz, np.nan)
    columns = {
        "opening_rate": rate,
        "local_rate": windowed(np.abs(change), round(LOCAL_WINDOW_S * hz)),
        "to_and_fro": 1.0 - np.divide(drift, rate, out=np.ones_like(rate), where=rate > 1e-9),
        "turning_rate": windowed(turns, round(TURNING_WINDOW_S * hz)),
        "band_energy": band_energy(value, hz),
        "chewing": nearest_known(chewing_share(value, hz), round(CHEWING_WINDOW_S / 2 * hz)),
        "jitter_rate": jitter,
    }
    nearest = np.clip(np.round((times_s - grid[0]) * hz).astype(int), 0, len(grid) - 1)
    out = {}
    for name, column in columns.items():
        # Nearest grid value: interpolating would smear a gap's NaN over its neighbours.
        at_samples = column[nearest]
        at_samples[~known] = np.nan
        out[name] = at_samples
    return out


def mouth_track(track: LandmarkTrack) -> FeatureTrack:
    """Everything the mouth and the head show, at the track's own sample times.

    Args:
        track: landmarks; ``face`` holds the points of :data:`review.facemesh.FACE_POINTS`.

    Returns:
        Columns ``opening`` (see :func:`lip_opening`), those of :func:`movement_columns`,
        ``yaw`` and ``pitch`` (degrees, 0 = facing the camera), ``turn_rate`` (how fast the
        head turns, degrees a second over +-0.5 s), ``face_height`` (forehead to chin, px),
        ``lower_face_seen`` (share of the lips not behind a tracked hand), ``step`` (time to the
        nearer neighbouring sample), ``mouth_change`` and ``beside_change`` (see the functions; the
        latter for faces below :data:`SMALL_FACE_PX` only). NaN where no face was tracked.
    """
    times = track.time.times_s.astype(np.float64)
    face = track.face.astype(np.float64)
    seen = track.face_seen & np.isfinite(face[:, :, 0]).all(axis=1)
    face = np.where(seen[:, None, None], face, np.nan)
    columns = {name: np.full(len(times), np.nan) for name, _ in _COLUMNS}
    steps = np.diff(times, prepend=-np.inf, append=np.inf)
    columns["step"] = np.minimum(steps[:-1], steps[1:])
    if seen.any():
        yaw, pitch, span = _pose(face)
        behind = np.where(
            seen, _lips_behind_hand(np.where(seen[:, None, None], face, 0.0), track), np.nan
        )
        opening = np.where(seen, lip_opening(track), np.nan)
        opening[behind > 0] = np.nan  # lips guessed behind a hand are no evidence
        nose = face[:, FACE_INDEX["nose_base"]] - face[:, FACE_INDEX["nose_bridge"]]
        rigid = np.linalg.norm(nose[:, :2], axis=1) / (REST_WIDTH_OF_EYE_SPAN * span)
        columns.update(movement_columns(opening, rigid, times))
        height = face[:, FACE_INDEX["chin"]] - face[:, FACE_INDEX["forehead"]]
        columns["opening"] = opening
        columns["yaw"], columns["pitch"] = yaw, pitch
        columns["turn_rate"] = _turn_rate(yaw, pitch, times)
        columns["face_height"] = np.linalg.norm(height[:, :2], axis=1) * track.frame_size_px[0]
        columns["lower_face_seen"] = 1.0 - behind
        if len(times) > 1:
            brow = _brow_change(track, span)
            columns["mouth_change"] = mouth_change(track, span, brow)
            small = columns["face_height"] < SMALL_FACE_PX[1]
            if small.any():
                columns["beside_change"] = beside_change(track, np.where(small, span, np.nan), brow)
    return FeatureTrack(
        time=track.time,
        names=tuple(name for name, _ in _COLUMNS),
        units=tuple(unit for _, unit in _COLUMNS),
        values=np.stack([columns[name] for name, _ in _COLUMNS], axis=1),
    )


def _turn_rate(yaw: Array, pitch: Array, times: Array) -> Array:
    """Shape (n,): mean turning speed of the head in degrees a second over +-0.5 s."""
    if len(times) < 2:
        return np.full(len(times), np.nan)
    step = np.append(np.diff(times), np.nan)
    speed = np.hypot(np.append(np.diff(yaw), np.nan), np.append(np.diff(pitch), np.nan)) / step
    return windowed(speed, max(1, round(RATE_WINDOW_S / typical_step_s(times))))
