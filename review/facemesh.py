"""Which points of the face mesh are kept, and where each one stands in a face array.

The numbers are indices into the 478-point face mesh that MediaPipe's face mesh documents
with its own connection lists (lips, face oval, eyes, eyebrows). This module names the few
that are used and needs no tracker, so later stages can read a face without importing one.

``right`` and ``left`` are the pictured person's own sides in an unmirrored picture: the
right eye lies at smaller x. In a flipped (un-mirrored) track they change places, so anything
that reads a face here must be symmetric in them.
"""

from __future__ import annotations

INNER_LIPS_MESH: tuple[int, ...] = (
    78, 191, 80, 81, 82, 13, 312, 311, 310, 415,
    308, 324, 318, 402, 317, 14, 87, 178, 88, 95,
)  # fmt: skip
"""Inner edge of the lips, a closed ring from the right corner over the upper lip."""

OUTER_LIPS_MESH: tuple[int, ...] = (
    61, 185, 40, 39, 37, 0, 267, 269, 270, 409,
    291, 375, 321, 405, 314, 17, 84, 181, 91, 146,
)  # fmt: skip
"""Outer edge of the lips, point by point beside the inner ring."""

FACE_OVAL_MESH: tuple[int, ...] = (
    10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288,
    397, 365, 379, 378, 400, 377, 152, 148, 176, 149, 150, 136,
    172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109,
)  # fmt: skip
"""Outline of the face, a closed ring from the top of the forehead over the person's left."""

NAMED_MESH: dict[str, int] = {
    "right_eye_outer": 33,
    "right_eye_inner": 133,
    "left_eye_inner": 362,
    "left_eye_outer": 263,
    "right_brow_outer": 70,
    "right_brow_middle": 105,
    "right_brow_inner": 107,
    "left_brow_inner": 336,
    "left_brow_middle": 334,
    "left_brow_outer": 300,
    "nose_tip": 1,
    "nose_base": 2,
    "nose_bridge": 168,
    "nose_middle": 6,
    "forehead": 10,
    "chin": 152,
    "right_cheek": 234,
    "left_cheek": 454,
    "mouth_right": 78,
    "mouth_left": 308,
    "upper_lip": 13,
    "lower_lip": 14,
}
"""Single points by name; the last seven also belong to a ring."""

FACE_POINTS: tuple[int, ...] = tuple(
    dict.fromkeys((*INNER_LIPS_MESH, *OUTER_LIPS_MESH, *FACE_OVAL_MESH, *NAMED_MESH.values()))
)
"""Mesh indices kept in ``LandmarkTrack.face``, in the order of its axis 1, each one once."""

_POSITION: dict[int, int] = {mesh: position for position, mesh in enumerate(FACE_POINTS)}

FACE_INDEX: dict[str, int] = {name: _POSITION[mesh] for name, mesh in NAMED_MESH.items()}
"""Position of each named point on axis 1 of ``LandmarkTrack.face``."""

INNER_LIPS: tuple[int, ...] = tuple(_POSITION[mesh] for mesh in INNER_LIPS_MESH)
OUTER_LIPS: tuple[int, ...] = tuple(_POSITION[mesh] for mesh in OUTER_LIPS_MESH)
FACE_OVAL: tuple[int, ...] = tuple(_POSITION[mesh] for mesh in FACE_OVAL_MESH)
"""Positions of the rings on axis 1 of ``LandmarkTrack.face``."""

INNER_LIP_PAIRS: tuple[tuple[int, int], ...] = tuple(
    (INNER_LIPS[i], INNER_LIPS[20 - i]) for i in range(1, 10)
)
"""Nine (upper, lower) pairs of facing points of the inner lips, corners left out."""
