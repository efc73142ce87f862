"""From landmarks to named numbers on a regular time grid.

Coordinate frame: picture x right and y down, of an unmirrored picture; lengths in hand
widths (so that camera distance cancels), speeds in hand widths a second, directions as
unit vectors of the tracker's own 3-D estimate (x right, y down, z away from the camera).
Every column is either a number or NaN for 'not measured'; a hand that vanishes while it
touches the other one keeps its last place in the ``held_`` columns, because a merged hand
is not an absent one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from review.handgrid import (
    FINGER_NAMES,
    FINGER_TIPS,
    FINGERS,
    HOLD_S,
    HOP_S,
    INDEX_MCP,
    INDEX_TIP,
    LITTLE_MCP,
    MIDDLE_MCP,
    THUMB_TIP,
    WRIST,
    HandGrid,
    grid_hands,
    hand_breadth,
    hold,
    moving_mean,
)
from review.picturemotion import looks_alike, motion_rate, nothing_moves, picture_motion
from review.rhythm import WINDOW_S, dominant_rate
from review.tracks import LEFT, RIGHT, FeatureTrack, LandmarkTrack, runs_where

Array = NDArray[np.float64]


def _unit(vectors: Array) -> Array:
    norm = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, norm, out=np.full_like(vectors, np.nan), where=norm > 0)


def _rate(values: Array, hop_s: float) -> Array:
    """Central difference a second, NaN next to a drop-out."""
    out = np.full_like(values, np.nan)
    out[1:-1] = (values[2:] - values[:-2]) / (2 * hop_s)
    return out


def rub_energy(values: Array, hop_s: float) -> Array:
    """Root mean square of movement faster than about 0.8 Hz, over a second.

    Args:
        values: shape (m, d), positions.
        hop_s: grid step in seconds.

    Returns:
        Shape (m,), same unit as ``values``: what is left after a 1.1 s moving mean.
    """
    window = 2 * round(0.55 / hop_s) + 1
    fast = values - moving_mean(values, window)
    return np.sqrt(moving_mean((fast**2).sum(axis=1), window))


def _single_hand(grid: HandGrid, side: int, origin: Array, hop_s: float) -> dict[str, Array]:
    """Columns of one hand, without its name prefix."""
    points, world = grid.points[:, side], grid.world[:, side]
    palm = grid.palms[:, side]
    sign = 1.0 if side == LEFT else -1.0
    normal = sign * _unit(
        np.cross(world[:, INDEX_MCP] - world[:, WRIST], world[:, LITTLE_MCP] - world[:, WRIST])
    )
    fingers = _unit(world[:, MIDDLE_MCP] - world[:, WRIST])
    size = np.linalg.norm(world[:, MIDDLE_MCP] - world[:, WRIST], axis=1)
    held, age = hold(palm, round(HOLD_S / hop_s))
    speed = _rate(palm / grid.hand_width, hop_s)
    tips_in_palm = (points[:, FINGER_TIPS, :2] - palm[:, None]) / grid.hand_width
    columns = {
        "seen": np.isfinite(palm[:, 0]).astype(float),
        "age": np.minimum(age * hop_s, HOLD_S),
        "x": (palm[:, 0] - origin[0]) / grid.hand_width,
        "y": (palm[:, 1] - origin[1]) / grid.hand_width,
        "held_x": (held[:, 0] - origin[0]) / grid.hand_width,
        "held_y": (held[:, 1] - origin[1]) / grid.hand_width,
        "speed_x": speed[:, 0],
        "speed_y": speed[:, 1],
        "breadth": hand_breadth(points) / grid.hand_width,
        "rub": rub_energy(palm / grid.hand_width, hop_s),
        "tip_rub": rub_energy(tips_in_palm.reshape(len(palm), -1), hop_s),
        "pinch": np.linalg.norm(world[:, THUMB_TIP] - world[:, INDEX_TIP], axis=1) / size,
        "thumb_out": np.linalg.norm(world[:, THUMB_TIP] - world[:, LITTLE_MCP], axis=1) / size,
    }
    for axis, name in enumerate("xyz"):
        columns[f"palm_{name}"] = normal[:, axis]
        columns[f"fingers_{name}"] = fingers[:, axis]
    joints = world[:, FINGERS]  # (m, 5, 4, 3)
    length = np.linalg.norm(np.diff(joints, axis=2), axis=-1).sum(axis=2)
    reach = np.linalg.norm(joints[:, :, -1] - joints[:, :, 0], axis=-1)
    for finger, name in enumerate(FINGER_NAMES):
        columns[f"straight_{name}"] = reach[:, finger] / length[:, finger]
    return columns


def _both_hands(grid: HandGrid, hop_s: float) -> dict[str, Array]:
    """Columns that relate the two hands; offsets run from the left hand to the right."""
    width = grid.hand_width
    left, right = grid.points[:, LEFT], grid.points[:, RIGHT]
    palm_l, palm_r = grid.palms[:, LEFT], grid.palms[:, RIGHT]
    apart = (palm_r - palm_l) / width
    speed = _rate(apart, hop_s)
    held, _ = hold(apart, round(HOLD_S / hop_s))
    tips_l, tips_r = left[:, FINGER_TIPS, :2].mean(axis=1), right[:, FINGER_TIPS, :2].mean(axis=1)
    columns = {
        "apart_x": apart[:, 0],
        "apart_y": apart[:, 1],
        "apart": np.linalg.norm(apart, axis=1),
        "held_apart": np.linalg.norm(held, axis=1),
        "apart_speed_x": speed[:, 0],
        "apart_speed_y": speed[:, 1],
        "apart_rub": rub_energy(apart, hop_s),
        "depth_apart": hand_breadth(right) / hand_breadth(left),
    }
    places = {
        "left_tips_to_right_palm": tips_l - palm_r,
        "right_tips_to_left_palm": tips_r - palm_l,
        "left_thumb_to_right_palm": left[:, THUMB_TIP, :2] - palm_r,
        "right_thumb_to_left_palm": right[:, THUMB_TIP, :2] - palm_l,
        "tips_apart": tips_r - tips_l,
        "pinches_apart": (
            right[:, (THUMB_TIP, INDEX_TIP), :2] - left[:, (THUMB_TIP, INDEX_TIP), :2]
        ).mean(axis=1),
    }
    for name, offset in places.items():
        columns[f"{name}_x"], columns[f"{name}_y"] = (offset / width).T
    for name, (a, b) in {
        "fingers_agree": (MIDDLE_MCP, WRIST),
        "knuckles_agree": (INDEX_MCP, LITTLE_MCP),
    }.items():
        left_axis = _unit(grid.world[:, LEFT, a] - grid.world[:, LEFT, b])
        right_axis = _unit(grid.world[:, RIGHT, a] - grid.world[:, RIGHT, b])
        columns[name] = (left_axis * right_axis).sum(axis=1)
    return columns


def _rhythm(grid: HandGrid, motion: Array, hop_s: float) -> dict[str, Array]:
    """Tempo and steadiness of what moves: each hand, its fingers, one against the other.

    ``motion`` is the picture's change near the hands, shape (m,): it beats at twice the rate of
    the strokes, and stays when both hands are lost.
    """
    palms = grid.palms / grid.hand_width
    signals = {
        "left": palms[:, LEFT],
        "right": palms[:, RIGHT],
        "apart": palms[:, RIGHT] - palms[:, LEFT],
        "motion": motion[:, None],
    }
    for side, prefix in ((LEFT, "left"), (RIGHT, "right")):
        tips = grid.points[:, side, (THUMB_TIP, *FINGER_TIPS), :2]
        inside = (tips - grid.palms[:, side, None]) / grid.hand_width
        signals[f"{prefix}_fingers"] = inside.reshape(len(palms), -1)
    around = round(WINDOW_S / hop_s)
    spans = runs_where(moving_mean((~grid.held).astype(float), 2 * (around // 2) + 1) > 0)
    columns = {}
    for name, signal in signals.items():
        tempo, steady = np.full(len(signal), np.nan), np.full(len(signal), np.nan)
        for start, end in spans:  # where hands are held nothing beats
            low = max(0, start - around)
            rate, strength = dominant_rate(signal[low : end + around], hop_s)
            tempo[start:end] = rate[start - low : end - low]
            steady[start:end] = strength[start - low : end - low]
        columns[f"{name}_tempo"], columns[f"{name}_steady"] = tempo, steady
    return columns


def compute_features(track: LandmarkTrack, hop_s: float = HOP_S) -> FeatureTrack:
    """All features of a recording on a grid of ``hop_s`` seconds.

    Args:
        track: landmarks with mirroring already undone.
        hop_s: grid step in seconds.

    Returns:
        One row a grid step. Places are relative to the median palm centre of the whole
        recording, so that sink and table keep apart while the camera's framing cancels.
        A recording without any hand gives NaN in every hand column.
    """
    grid = grid_hands(track, hop_s)
    palms = grid.palms.reshape(-1, 2)
    seen = np.isfinite(palms[:, 0])
    origin = np.median(palms[seen], axis=0) if seen.any() else np.full(2, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        columns: dict[str, Array] = {}
        for side, prefix in ((LEFT, "left"), (RIGHT, "right")):
            for name, column in _single_hand(grid, side, origin, hop_s).items():
                columns[f"{prefix}_{name}"] = column
        columns.update(_both_hands(grid, hop_s))
        alike = looks_alike(track)
        rate = motion_rate(track, alike)
        columns.update(picture_motion(track, grid, rate, origin, hop_s))
        columns.update(_rhythm(grid, columns["motion_near_hands"], hop_s))
        columns["held"] = grid.held.astype(float)
        columns["still"] = nothing_moves(track, grid, alike, rate, hop_s).astype(float)
    names = tuple(columns)
    return FeatureTrack(
        time=grid.time,
        names=names,
        units=tuple(_unit_of(name) for name in names),
        values=np.stack([columns[name] for name in names], axis=1),
    )


def hands_seen(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether at least one hand is tracked."""
    return np.asarray((features.column("left_seen") > 0) | (features.column("right_seen") > 0))


def hands_about(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether either hand was seen within the last ``HOLD_S`` seconds."""
    age = np.minimum(features.column("left_age"), features.column("right_age"))
    return np.asarray(age < HOLD_S)


def nobody_works(features: FeatureTrack) -> NDArray[np.bool_]:
    """Shape (m,): whether hands in view, or else the whole picture, are known to hold still."""
    return np.asarray(features.column("still") > 0)


def _unit_of(name: str) -> str:
    """The unit a feature's name implies."""
    if name.endswith("_tempo"):
        return "1/s"
    if name.endswith("_steady"):
        return "1"
    if "speed" in name:
        return "hand widths/s"
    if name.endswith(("seen", "held", "still")) or "agree" in name or "straight" in name:
        return "1"
    if name.endswith("age"):
        return "s"
    if "palm_" in name.split("to_")[0] and name.endswith(("palm_x", "palm_y", "palm_z")):
        return "1"
    if name in ("motion", "motion_near_hands"):
        return "log(1 + luma/s)"
    return "hand widths"
