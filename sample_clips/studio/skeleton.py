"""Hand skeleton: sizes, poses and the 21 keypoints they imply.

World frame: metres, right-handed, +X the subject's left, +Y up, +Z from the subject to the
front camera.

Hand frame (the same numbers for both hands): x towards the thumb side, y from the wrist to the
middle finger's knuckle, z out of the palm. For a right hand it is right-handed in the world
(x = y cross z); a left hand is its mirror image, so x is negated.

Keypoint order (the usual 21-point hand): 0 wrist; 1-4 thumb CMC, MCP, IP, tip; 5-8 index MCP,
PIP, DIP, tip; 9-12 middle; 13-16 ring; 17-20 little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Side = Literal["left", "right"]
Row = tuple[float, float, float]
Girths = tuple[float, float, float, float]

KEYPOINTS = 21
BONES = 16  # 0 the palm, then three for each finger from the thumb to the little finger

# Thumb carpometacarpal joint, then the knuckles of index, middle, ring and little finger, in the
# hand frame. The middle knuckle lies on the y axis by definition of that frame. Lengths follow
# common adult hand proportions (value from memory).
_ROOTS: tuple[Row, ...] = (
    (0.023, 0.023, 0.011),
    (0.0225, 0.0925, 0.002),
    (0.0, 0.0950, 0.0),
    (-0.0205, 0.0890, 0.0015),
    (-0.0385, 0.0790, 0.005),
)
# Joint-to-joint lengths; the thumb row is metacarpal, proximal, distal. The last of each row ends
# at the pulp of the fingertip, about 3 mm short of its end (adult means, value from memory).
_LENGTHS: tuple[Row, ...] = (
    (0.0460, 0.0330, 0.0265),
    (0.0410, 0.0240, 0.0205),
    (0.0450, 0.0275, 0.0215),
    (0.0415, 0.0265, 0.0215),
    (0.0330, 0.0195, 0.0195),
)
# Radii at root, middle joint, last joint and tip (finger breadths of 14-20 mm, value from memory).
_GIRTHS: tuple[Girths, ...] = (
    (0.0135, 0.0112, 0.0102, 0.0084),
    (0.0103, 0.0092, 0.0080, 0.0068),
    (0.0105, 0.0094, 0.0082, 0.0070),
    (0.0099, 0.0088, 0.0077, 0.0066),
    (0.0088, 0.0077, 0.0068, 0.0059),
)

# Thumb: angle round the hand's y axis at rest, angle away from it at rest, and how far its
# flexion plane is turned from the plane through that axis (chosen by eye for natural poses).
_THUMB_ROUND = 0.30
_THUMB_AWAY = 0.72
_THUMB_TWIST = 0.62
# Flexed fingers lean to the base of the thumb; radians of lean at 90 degrees of knuckle flexion.
_LEAN = (0.0, -0.02, 0.03, 0.09, 0.16)
# Which way a positive spread turns each finger about the palm normal (+1 to the thumb side).
_OUTWARD = (1.0, 1.0, 1.0, -1.0, -1.0)


@dataclass(frozen=True, slots=True)
class HandShape:
    """Sizes of one adult hand and arm, in metres. Hashable, so meshes can be kept by shape.

    `roots` (5,3): thumb CMC and the four knuckles in the hand frame. `lengths` (5,3): bone
    lengths. `girths` (5,4): radii at root, middle joint, last joint and tip. `depth`: half
    thickness of the palm. `wrist`: half width and half depth of the wrist.
    """

    roots: tuple[Row, ...] = _ROOTS
    lengths: tuple[Row, ...] = _LENGTHS
    girths: tuple[Girths, ...] = _GIRTHS
    depth: float = 0.0135
    wrist: tuple[float, float] = (0.0285, 0.0195)
    forearm: float = 0.255
    upper_arm: float = 0.300

    @classmethod
    def sample(cls, rng: np.random.Generator) -> HandShape:
        """A hand within the adult range: size +-8 %, finger length and girth varied on top."""
        size = float(np.clip(rng.normal(1.0, 0.05), 0.90, 1.10))
        broad = float(np.clip(rng.normal(1.0, 0.05), 0.90, 1.10))
        girth = size * float(np.clip(rng.normal(1.0, 0.07), 0.86, 1.16))
        fingers = size * np.clip(rng.normal(1.0, 0.03, (5, 1)), 0.94, 1.06)
        roots = np.asarray(_ROOTS) * size * np.array([broad, 1.0, 1.0])
        lengths = np.asarray(_LENGTHS) * fingers
        girths = np.asarray(_GIRTHS) * girth
        return cls(
            roots=tuple((float(a), float(b), float(c)) for a, b, c in roots),
            lengths=tuple((float(a), float(b), float(c)) for a, b, c in lengths),
            girths=tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in girths),
            depth=0.0135 * girth,
            wrist=(0.0285 * size * broad, 0.0195 * girth),
            forearm=0.255 * size,
            upper_arm=0.300 * size,
        )


@dataclass(frozen=True, slots=True, eq=False)
class HandPose:
    """Where one hand is and how its fingers are bent.

    side: which hand. wrist (3,): metres, world. fingers (3,): unit vector from the wrist to the
    middle finger's knuckle. palm (3,): unit vector out of the palm (made square to `fingers` when
    used). curl (5,3): flexion in radians, thumb to little finger; MCP, PIP, DIP for fingers and
    CMC opposition, MCP, IP for the thumb; positive closes the hand. spread (5,): radians; positive
    opens the hand: thumb and index (and middle) to the thumb side, ring and little away from it;
    zero has the fingers side by side.
    """

    side: Side
    wrist: Array
    fingers: Array
    palm: Array
    curl: Array
    spread: Array


@dataclass(frozen=True, slots=True, eq=False)
class Bones:
    """Bones in the hand frame: joints (21,3) metres, origins (16,3), axes (16,3,3).

    The columns of `axes[b]` are the bone's own x (across), y (along) and z (palmar) directions.
    """

    joints: Array
    origins: Array
    axes: Array


def _unit(vector: Array) -> Array:
    length = float(np.linalg.norm(vector))
    if length < 1e-9:
        raise ValueError("a direction of a hand pose has no length")
    return vector / length


def hand_axes(pose: HandPose) -> Array:
    """Rows are the hand frame's x, y, z in the world (3,3); determinant -1 for a left hand.

    Raises ValueError when `fingers` or `palm` has no length or they are parallel.
    """
    along = _unit(np.asarray(pose.fingers, dtype=np.float64))
    out = np.asarray(pose.palm, dtype=np.float64)
    out = _unit(out - along * float(out @ along))
    across = np.cross(along, out)
    return np.stack([across if pose.side == "right" else -across, along, out])


def _flexed(axes: Array, angle: float) -> Array:
    """Axes of a bone after flexion: its y turns towards its z about its x."""
    c, s = np.cos(angle), np.sin(angle)
    return np.stack(
        [axes[:, 0], c * axes[:, 1] + s * axes[:, 2], -s * axes[:, 1] + c * axes[:, 2]], axis=1
    )


def _finger_root(finger: int, curl: Array, spread: Array) -> Array:
    flex = float(curl[finger, 0])
    # Spread fades as the knuckle bends: collateral ligaments tighten in flexion.
    open_share = 0.35 + 0.65 * max(np.cos(flex), 0.0)
    turn = _OUTWARD[finger] * float(spread[finger]) * open_share + _LEAN[finger] * np.sin(flex)
    c, s = np.cos(turn), np.sin(turn)
    straight = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return _flexed(straight, flex)


def _thumb_root(curl: Array, spread: Array) -> Array:
    around = _THUMB_ROUND + float(curl[0, 0])
    away = _THUMB_AWAY + float(spread[0])
    radial = np.array([np.cos(around), 0.0, np.sin(around)])
    up = np.array([0.0, 1.0, 0.0])
    along = np.cos(away) * up + np.sin(away) * radial
    inward = np.sin(away) * up - np.cos(away) * radial
    sweep = np.array([-np.sin(around), 0.0, np.cos(around)])
    pad = np.cos(_THUMB_TWIST) * inward + np.sin(_THUMB_TWIST) * sweep
    return np.stack([np.cross(along, pad), along, pad], axis=1)


def bones(shape: HandShape, curl: Array, spread: Array) -> Bones:
    """Joints and bone frames in the hand frame for flexions `curl` (5,3) and `spread` (5,)."""
    joints = np.zeros((KEYPOINTS, 3))
    origins = np.zeros((BONES, 3))
    axes = np.zeros((BONES, 3, 3))
    axes[0] = np.eye(3)
    for finger in range(5):
        root = _thumb_root(curl, spread) if finger == 0 else _finger_root(finger, curl, spread)
        at = np.asarray(shape.roots[finger])
        joints[1 + 4 * finger] = at
        for part in range(3):
            if part:
                root = _flexed(root, float(curl[finger, part]))
            bone = 1 + 3 * finger + part
            origins[bone], axes[bone] = at, root
            at = at + root[:, 1] * shape.lengths[finger][part]
            joints[2 + 4 * finger + part] = at
    return Bones(joints, origins, axes)


def joints(pose: HandPose, shape: HandShape) -> Array:
    """The 21 keypoints (21,3) of a hand in world metres."""
    local = bones(shape, np.asarray(pose.curl), np.asarray(pose.spread)).joints
    world: Array = np.asarray(pose.wrist) + local @ hand_axes(pose)
    return world


def mirror_pose(pose: HandPose) -> HandPose:
    """The other hand in the mirrored place: X is reflected, the side is swapped."""
    flip = np.array([-1.0, 1.0, 1.0])
    return replace(
        pose,
        side="left" if pose.side == "right" else "right",
        wrist=np.asarray(pose.wrist) * flip,
        fingers=np.asarray(pose.fingers) * flip,
        palm=np.asarray(pose.palm) * flip,
    )


def _turn(axis: Array, angle: float) -> Array:
    """Rotation matrix (3,3) about a unit axis (Rodrigues)."""
    k = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    matrix: Array = np.eye(3) + np.sin(angle) * k + (1.0 - np.cos(angle)) * (k @ k)
    return matrix


def _between(a: Array, b: Array, w: float) -> Array:
    """Rotation a share `w` of the way from rotation `a` to rotation `b` (rows are axes)."""
    step = a.T @ b
    angle = float(np.arccos(np.clip((np.trace(step) - 1.0) / 2.0, -1.0, 1.0)))
    if angle < 1e-7:
        return a
    # The symmetric part gives the axis even at half a turn, where the other one vanishes.
    spread = (step + step.T) / 2.0 - np.cos(angle) * np.eye(3)
    column = spread[:, int(np.argmax(np.diag(spread)))]
    axis = column / np.linalg.norm(column)
    twist = np.array([step[2, 1] - step[1, 2], step[0, 2] - step[2, 0], step[1, 0] - step[0, 1]])
    if float(axis @ twist) < 0.0:
        axis = -axis
    return a @ _turn(axis, w * angle)


def blend_poses(a: HandPose, b: HandPose, w: float) -> HandPose:
    """The pose a share `w` (0..1) of the way from `a` to `b`: turned evenly, moved straight.

    Raises ValueError when the two poses are of different hands.
    """
    if a.side != b.side:
        raise ValueError("cannot blend a left hand into a right hand")
    turned = _between(hand_axes(a), hand_axes(b), w)
    return HandPose(
        side=a.side,
        wrist=(1.0 - w) * np.asarray(a.wrist) + w * np.asarray(b.wrist),
        fingers=turned[1],
        palm=turned[2],
        curl=(1.0 - w) * np.asarray(a.curl) + w * np.asarray(b.curl),
        spread=(1.0 - w) * np.asarray(a.spread) + w * np.asarray(b.spread),
    )
