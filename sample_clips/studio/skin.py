"""How a hand's surface follows its bones, and how its skin is painted.

Points are in the hand frame at rest (see `geometry`); sizes in metres.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sample_clips.studio.skeleton import BONES, Bones, HandPose, HandShape, bones, hand_axes

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Ints = NDArray[np.int32]

FOREARM = BONES  # index of the forearm bone, after those of the skeleton
INFLUENCES = 3
# Half lengths over which one bone hands over to the next, metres (chosen by eye).
_BLEND_KNUCKLE = 0.011
_BLEND_JOINT = 0.0065
_BLEND_WRIST = 0.018


def _ramp(values: Array, low: float, high: float) -> Array:
    """0 below low, 1 above high, smooth between."""
    t = np.clip((values - low) / (high - low), 0.0, 1.0)
    ramp: Array = t * t * (3.0 - 2.0 * t)
    return ramp


def _segment(points: Array, a: Array, b: Array) -> Array:
    line = b - a
    share = np.clip((points - a) @ line / float(line @ line), 0.0, 1.0)
    distance: Array = np.linalg.norm(points - a - share[:, None] * line, axis=1)
    return distance


def _owners(points: Array, shape: HandShape, rest: Bones) -> Array:
    """Which finger (0..4) each point is nearest to, by distance to its surface (n,)."""
    gaps = []
    for finger in range(5):
        chain = rest.joints[1 + 4 * finger : 5 + 4 * finger]
        radii = shape.girths[finger]
        parts = [_segment(points, chain[k], chain[k + 1]) - radii[k] for k in range(3)]
        gaps.append(np.min(parts, axis=0))
    nearest: Array = np.argmin(gaps, axis=0)
    return nearest


def _finger_weights(points: Array, finger: int, shape: HandShape, rest: Bones) -> Array:
    """Weights (n,4) of palm and the three bones of one finger."""
    first = 1 + 3 * finger
    weights = np.zeros((len(points), 4))
    carried = np.ones(len(points))
    for part in range(3):
        at, frame = rest.origins[first + part], rest.axes[first + part]
        reach = (points - at) @ frame[:, 1]
        if part:
            # Half way between the two bones' directions, so that the crease sits on the joint.
            reach = 0.5 * (reach + (points - at) @ rest.axes[first + part - 1][:, 1])
        if part == 0 and finger == 0:
            away = _segment(points, rest.joints[1], rest.joints[2])
            on = (1.0 - _ramp(away, 0.014, 0.030)) * _ramp(reach, -0.012, 0.014)
            beyond = (points - rest.joints[2]) @ frame[:, 1]
            on = np.maximum(on, _ramp(beyond, -0.010, 0.004))
        else:
            width = _BLEND_KNUCKLE if part == 0 else _BLEND_JOINT
            on = _ramp(reach, -width, width)
        weights[:, part] = carried * (1.0 - on)
        carried = carried * on
    weights[:, 3] = carried
    return weights


def weigh_hand(points: Array, shape: HandShape, rest: Bones) -> tuple[Ints, Single]:
    """Bones (n,3) that carry each point and their weights (n,3), which sum to 1.

    A point follows the palm (or forearm) and the bones of its nearest finger only.
    """
    full = np.zeros((len(points), FOREARM + 1))
    owner = _owners(points, shape, rest)
    for finger in range(5):
        mine = owner == finger
        weights = _finger_weights(points[mine], finger, shape, rest)
        full[mine, 0] = weights[:, 0]
        full[mine, 1 + 3 * finger : 4 + 3 * finger] = weights[:, 1:]
    arm = 1.0 - _ramp(points[:, 1], -_BLEND_WRIST, _BLEND_WRIST * 0.6)
    full *= (1.0 - arm)[:, None]
    full[:, FOREARM] = arm
    bone = np.argsort(-full, axis=1)[:, :INFLUENCES]
    weight = np.take_along_axis(full, bone, axis=1)
    weight /= weight.sum(axis=1, keepdims=True)
    return bone.astype(np.int32), weight.astype(np.float32)


def pose_bones(
    rest: Bones, pose: HandPose, shape: HandShape, forearm: Array
) -> tuple[Array, Array]:
    """Turns (17,3,3) and shifts (17,3) that carry rest points of each bone into the world.

    forearm (3,3): columns are the forearm's x (thumb side), y (to the hand) and z in the world.
    A point p of bone b goes to `turns[b] @ p + shifts[b]`.
    """
    now = bones(shape, np.asarray(pose.curl), np.asarray(pose.spread))
    place = hand_axes(pose).T
    wrist = np.asarray(pose.wrist, dtype=np.float64)
    turns = np.empty((BONES + 1, 3, 3))
    shifts = np.empty((BONES + 1, 3))
    turns[:BONES] = place @ now.axes @ rest.axes.transpose(0, 2, 1)
    turns[FOREARM] = forearm
    shifts[:BONES] = now.origins @ place.T - np.einsum("bij,bj->bi", turns[:BONES], rest.origins)
    shifts += wrist
    shifts[FOREARM] = wrist
    return turns, shifts


def carry(
    points: Single, normals: Single, bone: Ints, weight: Single, turns: Array, shifts: Array
) -> tuple[Single, Single]:
    """Linear blend skinning: points and normals (n,3) in the world."""
    matrix = np.concatenate([turns, shifts[:, :, None]], axis=2).astype(np.float32)
    blend = weight[:, 0, None, None] * matrix[bone[:, 0]]
    for k in range(1, INFLUENCES):
        blend += weight[:, k, None, None] * matrix[bone[:, k]]
    placed = np.einsum("nij,nj->ni", blend[:, :, :3], points) + blend[:, :, 3]
    turned = np.einsum("nij,nj->ni", blend[:, :, :3], normals)
    return placed, turned


# --- paint ----------------------------------------------------------------------------------


def _line(points: Array, ends: tuple[tuple[float, float], ...], width: float) -> Array:
    """How close points are, in x and y, to a polyline (1 on it, 0 well away)."""
    flat = points[:, :2]
    near = np.full(len(points), np.inf)
    for a, b in pairwise(ends):
        near = np.minimum(near, _segment(flat, np.array(a), np.array(b)))
    mark: Array = np.exp(-((near / width) ** 2))
    return mark


def _palm_lines(points: Array, rest: Bones) -> Array:
    """The three long creases of the palm, laid out between thumb root and knuckles."""
    index, little, thumb = rest.joints[5], rest.joints[17], rest.joints[2]
    x0, x1 = float(index[0]), float(little[0])
    y0, y1 = float(index[1]), float(little[1])
    tx, ty = float(thumb[0]), float(thumb[1])
    life = ((x0, y0 - 0.022), (x0 - 0.018, y0 - 0.040), (x0 - 0.021, 0.036), (x0 - 0.014, 0.012))
    head = ((x0, y0 - 0.021), (x0 - 0.020, y0 - 0.034), (x1 + 0.012, y1 - 0.036))
    heart = ((x0 - 0.012, y0 - 0.010), (x0 - 0.030, y0 - 0.022), (x1 - 0.004, y1 - 0.020))
    marks = [_line(points, ends, 0.0030) for ends in (life, head, heart)]
    marks.append(0.6 * _line(points, ((tx - 0.012, ty - 0.022), (tx - 0.02, ty - 0.01)), 0.002))
    strongest: Array = np.max(marks, axis=0)
    return strongest


def _joint_marks(local: Array, radius: float, palmar: bool) -> Array:
    """Creases across a joint, from points in the bone's frame about the joint (n,3)."""
    x, y, z = local.T
    facing = _ramp(z if palmar else -z, 0.0, 0.5 * radius)
    if palmar:
        lines = np.exp(-((y / 0.0016) ** 2))
    else:
        lines = np.exp(-((y / 0.0042) ** 2)) * (0.55 + 0.45 * np.cos(y / 0.0042 * 2.6) ** 2)
        lines = lines * np.exp(-((x / (0.8 * radius)) ** 2))
    marks: Array = facing * lines
    return marks


def paint_hand(
    points: Array, normals: Array, shape: HandShape, rest: Bones, nails: float
) -> Single:
    """Paint (n,4), each 0..1: palm side, nail, crease, flush (redder skin).

    nails: length of the nails as a share of the usual one.
    """
    owner = _owners(points, shape, rest)
    paint = np.zeros((len(points), 4))
    below = _ramp(points[:, 1], -0.012, 0.006)
    paint[:, 0] = _ramp(normals[:, 2], -0.30, 0.45) * _ramp(points[:, 1], -0.022, 0.014)
    inside = _ramp(normals[:, 2], 0.1, 0.6) * (points[:, 1] < rest.joints[9, 1] - 0.008)
    paint[:, 2] = 0.55 * inside * below * _palm_lines(points, rest)
    for finger in range(5):
        mine = owner == finger
        first = 1 + 3 * finger
        for part in range(3):
            at, frame = rest.origins[first + part], rest.axes[first + part]
            local = (points[mine] - at) @ frame
            if part == 0 and finger == 0:
                continue
            radius = shape.girths[finger][part]
            facing = normals[mine] @ frame[:, 2]
            reach = _ramp(local[:, 1], -0.004, 0.004)
            palm = (1.0 - reach) * paint[mine, 0] + reach * _ramp(facing, -0.25, 0.4)
            paint[mine, 0] = palm
            back = _joint_marks(local, radius, palmar=False)
            marks = np.maximum(0.75 * back, 0.9 * _joint_marks(local, radius, palmar=True))
            if part == 0:
                # Knuckles show as a paler, ruddier cap on the back, not as lines.
                marks = np.zeros_like(marks)
                cap = np.exp(-((local[:, 0] ** 2 + local[:, 1] ** 2) / 0.0075**2))
                paint[mine, 3] = np.maximum(paint[mine, 3], 0.7 * cap * (facing < 0))
            else:
                paint[mine, 3] = np.maximum(paint[mine, 3], 0.45 * back)
            paint[mine, 2] = np.maximum(paint[mine, 2], marks)
        length = shape.lengths[finger][2]
        tip, frame = rest.origins[first + 2], rest.axes[first + 2]
        local = (points[mine] - tip) @ frame
        facing = normals[mine] @ frame[:, 2]
        radius = shape.girths[finger][3]
        flush = _ramp(local[:, 1], 0.45 * length, 0.95 * length)
        paint[mine, 3] = np.maximum(paint[mine, 3], 0.8 * flush)
        middle = length * (0.72 + 0.12 * nails)
        along = (local[:, 1] - middle) / (0.0062 * nails + 0.0004)
        across = local[:, 0] / (0.92 * radius)
        outline = np.abs(along) ** 3 + np.abs(across) ** 3
        back = _ramp(-facing, 0.05, 0.30)
        paint[mine, 1] = (1.0 - _ramp(outline, 0.7, 1.1)) * back
        fold = _ramp(outline, 0.8, 1.2) * (1.0 - _ramp(outline, 1.4, 2.6)) * back
        paint[mine, 2] = np.maximum(paint[mine, 2], 0.8 * fold)
    paint[:, 2] *= 1.0 - paint[:, 1]
    return np.clip(paint, 0.0, 1.0).astype(np.float32)
