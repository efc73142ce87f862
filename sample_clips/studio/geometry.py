"""Hand surfaces: two constructions of our own behind one function, and their skinning.

`smooth` is the zero level of a distance field of joined, tapered capsules; `lofted` is made of
ring-by-ring tubes over a boxy palm, with knobbly joints and longer nails. They share only the
skeleton, so that what was learned on one can be tried on the other. Vertices are in the hand frame
at a rest pose (right-hand numbers; a left hand is mirrored when it is placed).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from skimage.measure import marching_cubes

from sample_clips.studio.skeleton import Bones, HandShape, bones
from sample_clips.studio.skin import paint_hand, weigh_hand

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Ints = NDArray[np.int32]

HAND_KINDS = ("smooth", "lofted")
REST_CURL = np.full((5, 3), 0.06)
REST_SPREAD = np.array([0.18, 0.16, 0.02, 0.14, 0.26])


@dataclass(frozen=True, slots=True, eq=False)
class HandMesh:
    """A skinned surface at rest.

    vertices (V,3) metres, normals (V,3), faces (F,3); bone (V,3) and weight (V,3): the bones that
    carry a vertex, weights sum to 1. paint (V,4), each 0..1: palm side, nail, crease, flush.
    rest: bones at rest; the forearm bone rests along the hand's y axis below the wrist.
    """

    vertices: Single
    normals: Single
    faces: Ints
    bone: Ints
    weight: Single
    paint: Single
    rest: Bones


def hand_geometry(kind: str, shape: HandShape, resolution: float = 0.0035) -> HandMesh:
    """The surface of a hand of the given shape, built once per process.

    resolution: edge length aimed at, metres (0.0015..0.01). Raises ValueError for an unknown kind
    or a resolution outside that range.
    """
    if kind not in HAND_KINDS:
        raise ValueError(f"unknown hand kind {kind!r}; known: {', '.join(HAND_KINDS)}")
    if not 0.0015 <= resolution <= 0.01:
        raise ValueError("resolution must be 0.0015 to 0.01 m")
    return _built(kind, shape, resolution)


@lru_cache(maxsize=32)
def _built(kind: str, shape: HandShape, resolution: float) -> HandMesh:
    rest = bones(shape, REST_CURL, REST_SPREAD)
    surface = _smooth_surface if kind == "smooth" else _lofted_surface
    vertices, normals, faces = surface(shape, rest, resolution)
    bone, weight = weigh_hand(vertices, shape, rest)
    nails = 1.0 if kind == "smooth" else 1.35
    return HandMesh(
        vertices=vertices.astype(np.float32),
        normals=normals.astype(np.float32),
        faces=faces.astype(np.int32),
        bone=bone,
        weight=weight,
        paint=paint_hand(vertices, normals, shape, rest, nails),
        rest=rest,
    )


# --- distance field -------------------------------------------------------------------------


def _along(points: Array, a: Array, b: Array) -> tuple[Array, Array]:
    """Distance (n,) of points to the segment a-b, and the share (n,) of the way along it."""
    line = b - a
    share = np.clip((points - a) @ line / float(line @ line), 0.0, 1.0)
    return np.linalg.norm(points - a - share[:, None] * line, axis=1), share


def _cone(points: Array, a: Array, b: Array, ra: float, rb: float) -> Array:
    """Distance to a capsule whose radius runs from ra to rb."""
    distance, share = _along(points, a, b)
    field: Array = distance - (ra + (rb - ra) * share)
    return field


def _join(a: Array, b: Array, width: float) -> Array:
    """Minimum of two fields, rounded over `width` metres where they are alike (polynomial)."""
    h = np.clip(0.5 + 0.5 * (b - a) / width, 0.0, 1.0)
    field: Array = b + (a - b) * h - width * h * (1.0 - h)
    return field


def _finger_field(points: Array, finger: int, shape: HandShape, rest: Bones) -> Array:
    chain = rest.joints[1 + 4 * finger : 5 + 4 * finger]
    radii = shape.girths[finger]
    field = _cone(points, chain[0], chain[1], radii[0], radii[1])
    for part in (1, 2):
        piece = _cone(points, chain[part], chain[part + 1], radii[part], radii[part + 1])
        field = _join(field, piece, 0.004)
    return field


def _palm_field(points: Array, shape: HandShape, rest: Bones) -> Array:
    depth, (half_width, half_depth) = shape.depth, shape.wrist
    squash = np.array([1.0, 1.0, half_width / half_depth])
    flat = points * squash
    stem = np.array([0.0, -0.09, 0.0])
    field = _cone(flat, stem, np.array([0.0, 0.006, 0.0]), half_width * 0.84, half_width * 0.97)
    field = field * (half_depth / half_width) ** 0.5
    for finger, across in ((1, 0.015), (2, 0.004), (3, -0.008), (4, -0.019)):
        knuckle = rest.joints[1 + 4 * finger]
        base = np.array([across, 0.012, -0.001])
        thick = depth * (0.97 if finger < 4 else 0.86)
        end = knuckle + np.array([0.0, -0.004, 0.0008])
        field = _join(field, _cone(points, base, end, thick * 1.02, thick * 0.86), 0.008)
    outer = np.array([-0.021, 0.018, 0.006]), rest.joints[17] + [0.005, -0.018, 0.004]
    field = _join(field, _cone(points, *outer, depth * 1.05, depth * 0.80), 0.010)
    heel = rest.joints[1] + [-0.004, -0.004, -0.002], rest.joints[2]
    field = _join(field, _cone(points, *heel, depth * 1.12, shape.girths[0][0]), 0.010)
    ball = rest.joints[1] + [-0.008, 0.002, 0.002], rest.joints[2] * 0.55 + rest.joints[5] * 0.35
    field = _join(field, _cone(points, *ball, depth * 1.0, depth * 0.75), 0.010)
    web = 0.45 * rest.joints[1] + 0.55 * rest.joints[2], rest.joints[5] + [0.0, -0.022, 0.001]
    return _join(field, _cone(points, *web, 0.0085, 0.0085), 0.012)


def _hand_field(points: Array, shape: HandShape, rest: Bones) -> Array:
    """Signed distance (n,), metres, negative inside; exact enough near the surface."""
    fingers = np.stack([_finger_field(points, k, shape, rest) for k in range(1, 5)])
    hand = _join(_palm_field(points, shape, rest), fingers.min(axis=0), 0.006)
    return _join(hand, _finger_field(points, 0, shape, rest), 0.006)


def _smooth_surface(shape: HandShape, rest: Bones, step: float) -> tuple[Array, Array, Ints]:
    low = np.array([rest.joints[:, 0].min() - 0.022, -0.055, -0.034])
    high = rest.joints.max(axis=0) + np.array([0.018, 0.016, 0.028])
    axes = [np.arange(a, b, step) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    field = _hand_field(grid.reshape(-1, 3), shape, rest).reshape(grid.shape[:3])
    vertices, faces, _, _ = marching_cubes(field, 0.0, spacing=(step, step, step))
    vertices = vertices.astype(np.float64) + low
    small = 0.0004
    normals = np.stack(
        [
            _hand_field(vertices + small * way, shape, rest)
            - _hand_field(vertices - small * way, shape, rest)
            for way in np.eye(3)
        ],
        axis=1,
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
    return vertices, normals, faces.astype(np.int32)


# --- lofted tubes ---------------------------------------------------------------------------


def loft(rings: Array) -> tuple[Array, Ints]:
    """Vertices and faces of a tube through rings (R,S,3), closed at both ends."""
    count, sides, _ = rings.shape
    row = np.arange(sides)
    after = np.roll(row, -1)
    quads = []
    for k in range(count - 1):
        a, b = k * sides, (k + 1) * sides
        quads.append(np.stack([a + row, a + after, b + row], axis=1))
        quads.append(np.stack([a + after, b + after, b + row], axis=1))
    vertices = rings.reshape(-1, 3)
    ends = rings[[0, -1]].mean(axis=1)
    first, last = len(vertices), len(vertices) + 1
    vertices = np.concatenate([vertices, ends])
    tail = (count - 1) * sides
    quads.append(np.stack([after, row, np.full(sides, first)], axis=1))
    quads.append(np.stack([tail + row, tail + after, np.full(sides, last)], axis=1))
    return vertices, np.concatenate(quads).astype(np.int32)


def mesh_normals(vertices: Array, faces: Ints) -> Array:
    """Unit normals (V,3), faces weighted by their area."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, faces[:, k], flat)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
    return normals


def _rounded(share: Array, power: float) -> tuple[Array, Array]:
    """A superellipse: unit half-axes, corners fuller as `power` grows (2 is an ellipse)."""
    c, s = np.cos(2 * np.pi * share), np.sin(2 * np.pi * share)
    return (
        np.sign(c) * np.abs(c) ** (2.0 / power),
        np.sign(s) * np.abs(s) ** (2.0 / power),
    )


def _finger_tube(finger: int, shape: HandShape, rest: Bones, step: float) -> Array:
    """Rings (R,S,3) along one finger: waisted between joints, a blunt rounded tip."""
    chain = rest.joints[1 + 4 * finger : 5 + 4 * finger]
    radii = np.asarray(shape.girths[finger]) * (0.97, 0.99, 0.98, 0.90)
    spans = np.linalg.norm(np.diff(chain, axis=0), axis=1)
    ends = np.concatenate([[0.0], np.cumsum(spans)])
    start, stop = -0.016, float(ends[-1]) + 0.55 * float(radii[-1])
    places = np.arange(start, stop, step * 0.9)
    places = np.append(places, stop - np.array([0.0018, 0.0007, 0.0001]))
    places.sort()
    across, out = _rounded(np.linspace(0, 1, max(10, round(0.055 / step)), endpoint=False), 2.3)
    rings = []
    for place in places:
        part = int(np.clip(np.searchsorted(ends, place, side="right") - 1, 0, 2))
        frame = rest.axes[1 + 3 * finger + part]
        centre = chain[part] + frame[:, 1] * (place - ends[part])
        radius = float(np.interp(place, ends, radii))
        within = np.clip((place - ends[part]) / spans[part], 0.0, 1.0)
        waist = 0.10 if part < 2 else 0.0
        radius *= 1.0 - waist * np.sin(np.pi * within) ** 2
        if place < -0.002:
            # The root dives under the palm's skin, so that no edge of it shows.
            radius *= float(np.interp(place, [start, -0.002], [0.55, 1.0]))
        left = (stop - place) / (1.5 * float(radii[-1]))
        if left < 1.0:
            radius *= np.sqrt(max(1.0 - (1.0 - left) ** 2.4, 1e-4))
        pad = 1.0 + 0.10 * np.maximum(out, 0.0)
        ring = centre + radius * (
            1.04 * across[:, None] * frame[:, 0] + (0.94 * pad * out)[:, None] * frame[:, 2]
        )
        rings.append(ring)
    return np.stack(rings)


def _palm_tube(shape: HandShape, rest: Bones, step: float) -> Array:
    """Rings (R,S,3) from the forearm to the knuckles: rounded boxes, the edge a little cupped."""
    index, little = rest.joints[5], rest.joints[17]
    r_index, r_little = shape.girths[1][0], shape.girths[4][0]
    w, d = shape.wrist
    tilt = (index[1] - little[1]) / (index[0] - little[0])
    # Columns: y, middle x, half width, half depth, slope of the ring in y against x.
    middle = (index[0] + r_index + little[0] - r_little) / 2.0
    half = (index[0] + r_index - little[0] + r_little) / 2.0
    top = (index[1] + little[1]) / 2.0
    table = np.array(
        [
            [-0.058, 0.0, w * 0.78, d * 0.78, 0.0],
            [-0.026, 0.0, w * 0.97, d * 0.98, 0.0],
            [0.004, 0.0, w * 0.98, d * 0.97, 0.0],
            [0.024, middle * 0.4, half * 0.86, shape.depth * 1.22, tilt * 0.2],
            [0.052, middle * 0.8, half * 0.95, shape.depth * 1.12, tilt * 0.6],
            [top - 0.016, middle, half * 0.99, shape.depth * 0.88, tilt],
            [top, middle, half * 0.985, shape.depth * 0.70, tilt],
            [top + 0.012, middle, half * 0.95, shape.depth * 0.48, tilt],
            [top + 0.018, middle, half * 0.90, shape.depth * 0.22, tilt],
        ]
    )
    rows = np.arange(table[0, 0], table[-1, 0], step)
    values = np.stack([np.interp(rows, table[:, 0], table[:, k]) for k in range(1, 5)], axis=1)
    across, out = _rounded(np.linspace(0, 1, max(20, round(0.20 / step)), endpoint=False), 2.7)
    rings = []
    for y, (mid, wide, deep, slope) in zip(rows, values, strict=True):
        x = mid + wide * across
        cup = 0.004 * np.clip(y / 0.05, 0.0, 1.0) * (across**2)
        rings.append(np.stack([x, y + slope * (x - mid), deep * out + cup], axis=1))
    return np.stack(rings)


def _thenar_tube(shape: HandShape, rest: Bones, step: float) -> Array:
    """Rings (R,S,3) of the ball of the thumb, from the heel of the palm towards the thumb."""
    start = rest.joints[1] + [-0.014, -0.010, -0.006]
    stop = 0.25 * rest.joints[1] + 0.75 * rest.joints[2]
    frame = rest.axes[1]
    across, out = _rounded(np.linspace(0, 1, max(14, round(0.09 / step)), endpoint=False), 2.0)
    rings = []
    for share in np.linspace(0.0, 1.0, max(8, round(0.05 / step))):
        widths = [shape.depth * 0.6, shape.depth * 1.32, shape.girths[0][1] * 0.86]
        radius = float(np.interp(share, [0.0, 0.4, 1.0], widths))
        centre = start + share * (stop - start)
        rings.append(
            centre + radius * (1.15 * across[:, None] * frame[:, 0] + out[:, None] * frame[:, 2])
        )
    return np.stack(rings)


def _lofted_surface(shape: HandShape, rest: Bones, step: float) -> tuple[Array, Array, Ints]:
    tubes = [_finger_tube(k, shape, rest, step) for k in range(5)]
    tubes += [_palm_tube(shape, rest, step), _thenar_tube(shape, rest, step)]
    vertices, normals, faces, count = [], [], [], 0
    for tube in tubes:
        points, triangles = loft(tube)
        outward = mesh_normals(points, triangles)
        middle = np.concatenate([np.repeat(tube.mean(axis=1), tube.shape[1], axis=0), points[-2:]])
        # A tube's normals point away from its own axis, whichever way its rings run.
        if float(np.sum(outward * (points - middle))) < 0.0:
            outward = -outward
        vertices.append(points)
        normals.append(outward)
        faces.append(triangles + count)
        count += len(points)
    return np.concatenate(vertices), np.concatenate(normals), np.concatenate(faces)
