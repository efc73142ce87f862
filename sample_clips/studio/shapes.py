"""Triangles for held things, arms and hands; all in world metres."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sample_clips.studio.geometry import HandMesh, hand_geometry, loft, mesh_normals
from sample_clips.studio.raster import Soup
from sample_clips.studio.scene import Look, Prop
from sample_clips.studio.skeleton import HandPose, HandShape, hand_axes
from sample_clips.studio.skin import carry, pose_bones

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Ints = NDArray[np.int32]

# Radii of the upper arm's sleeve from beyond the elbow to beyond the shoulder, metres.
_UPPER_ARM = (0.012, 0.030, 0.047, 0.050, 0.053, 0.057, 0.058, 0.056, 0.049, 0.034, 0.012)
SHOULDER = np.array([0.19, 0.42, 0.0])  # the left one; the right one is its mirror image
# Skin by tone, RGB 0..255, very light to very dark (chosen by eye), and what the palm mixes to.
_SKIN = (
    (240, 208, 190),
    (226, 184, 154),
    (204, 156, 122),
    (168, 118, 84),
    (124, 82, 58),
    (84, 57, 44),
)
_PALM = (
    (244, 204, 188),
    (236, 188, 166),
    (222, 170, 142),
    (204, 150, 122),
    (180, 128, 104),
    (152, 106, 86),
)


def skin_bgr(tone: int) -> Array:
    """Skin colour (3,) BGR 0..1 for a tone of 1 (very light) to 6 (very dark)."""
    return np.array(_SKIN[tone - 1][::-1]) / 255.0


def plain(points: Array, normals: Array, faces: Ints, colour: Array, gloss: float) -> Soup:
    """Triangles of one colour (3,) BGR 0..1."""
    return Soup(
        np.asarray(points, dtype=np.float32),
        np.asarray(normals, dtype=np.float32),
        np.broadcast_to(np.asarray(colour, dtype=np.float32), (len(points), 3)),
        np.full(len(points), gloss, dtype=np.float32),
        np.asarray(faces, dtype=np.int32),
    )


def gather(soups: list[Soup]) -> Soup:
    """All triangles in one."""
    starts = np.cumsum([0, *(len(soup.points) for soup in soups)])
    return Soup(
        np.concatenate([soup.points for soup in soups]),
        np.concatenate([soup.normals for soup in soups]),
        np.concatenate([soup.colour for soup in soups]),
        np.concatenate([soup.gloss for soup in soups]),
        np.concatenate([s.faces + np.int32(n) for s, n in zip(soups, starts, strict=False)]),
    )


# --- things -----------------------------------------------------------------------------------


def _box(size: Array) -> tuple[Array, Array, Ints]:
    points, normals, faces = [], [], []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            u, v = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
            out = sign * np.eye(3)[axis]
            base = len(points)
            points += [out + a * u + b * v for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
            normals += [out] * 4
            faces += [(base, base + 1, base + 2), (base, base + 2, base + 3)]
    return np.array(points) * np.asarray(size) / 2, np.array(normals), np.array(faces, np.int32)


def _turned(size: Array, rounded: bool) -> tuple[Array, Array, Ints]:
    """A cylinder along y, or a capsule when `rounded`; size = full extents."""
    angle = np.linspace(0, 2 * np.pi, 18, endpoint=False)
    circle = np.stack([np.cos(angle), np.zeros(18), np.sin(angle)], axis=1)
    half, radius = float(size[1]) / 2, float(min(size[0], size[2])) / 2
    if rounded:
        bend = np.linspace(-np.pi / 2 + 0.05, np.pi / 2 - 0.05, 10)
        wide = np.cos(bend)
        high = np.sin(bend) * radius + np.sign(bend) * max(half - radius, 0.0)
    else:
        wide = np.array([0.9, 1.0, 1.0, 1.0, 0.9])
        high = np.array([-half, -half * 0.98, 0.0, half * 0.98, half])
    scale = np.array([float(size[0]) / 2, 0.0, float(size[2]) / 2])
    rings = circle[None] * wide[:, None, None] * scale
    rings[:, :, 1] = high[:, None]
    points, faces = loft(rings)
    return points, _outward(points, faces), faces


def _outward(points: Array, faces: Ints) -> Array:
    normals = mesh_normals(points, faces)
    if float(np.sum(normals * (points - points.mean(axis=0)))) < 0.0:
        normals = -normals
    return normals


def _sweep(line: Array, radii: Array, across: Array, sides: int) -> tuple[Array, Array]:
    """Rings (R,S,3) round a line (R,3) and their outward normals.

    radii (R,2): half width along `across` (R,3) and square to it. The normals take the tube for
    straight and even.
    """
    way = np.gradient(line, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True) + 1e-12
    across = across - way * np.sum(across * way, axis=1, keepdims=True)
    across = across / (np.linalg.norm(across, axis=1, keepdims=True) + 1e-12)
    other = np.cross(way, across)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)[None, :, None]
    c, s = np.cos(angle), np.sin(angle)
    wide, deep = radii[:, None, :1], radii[:, None, 1:]
    u, v = across[:, None], other[:, None]
    normals = c * deep * u + s * wide * v
    normals /= np.linalg.norm(normals, axis=2, keepdims=True) + 1e-12
    return line[:, None] + c * wide * u + s * deep * v, normals


def tube(line: Array, radii: Array, across: Array, sides: int = 12) -> tuple[Array, Array, Ints]:
    """Points, outward normals and faces of a closed tube (see `_sweep`)."""
    rings, normals = _sweep(line, radii, across, sides)
    ends = np.stack([line[0] - line[1], line[-1] - line[-2]])
    ends /= np.linalg.norm(ends, axis=1, keepdims=True) + 1e-12
    points = np.concatenate([rings.reshape(-1, 3), line[[0, -1]]])
    return points, np.concatenate([normals.reshape(-1, 3), ends]), _tube_faces(len(line), sides)


@lru_cache(maxsize=32)
def _tube_faces(rings: int, sides: int) -> Ints:
    return loft(np.zeros((rings, sides, 3)))[1]


def _hose(line: Array, diameter: float) -> tuple[Array, Array, Ints]:
    way = np.gradient(line, axis=0)
    # One reference well off the whole line keeps the tube from twisting.
    reference = np.eye(3)[int(np.argmin(np.abs(way).sum(axis=0)))]
    across = np.broadcast_to(reference, line.shape)
    return tube(line, np.full((len(line), 2), diameter / 2), across, 8)


def prop_soup(prop: Prop) -> Soup:
    """Triangles of one thing. Raises ValueError for an unknown kind or a tube without points."""
    colour = np.asarray(prop.colour, dtype=np.float64) / 255.0
    if prop.kind == "tube":
        if prop.points is None or len(prop.points) < 2:
            raise ValueError("a tube needs at least two points")
        return plain(*_hose(np.asarray(prop.points, float), float(prop.size[0])), colour, 0.5)
    if prop.kind in ("box", "cloth"):
        points, normals, faces = _box(prop.size)
    elif prop.kind in ("cylinder", "capsule"):
        points, normals, faces = _turned(prop.size, prop.kind == "capsule")
    else:
        raise ValueError(f"unknown kind of thing {prop.kind!r}")
    turn = np.asarray(prop.rotation, dtype=np.float64)
    placed = points @ turn.T + np.asarray(prop.position)
    return plain(placed, normals @ turn.T, faces, colour, 0.05 if prop.kind == "cloth" else 0.6)


# --- arms and hands ---------------------------------------------------------------------------


def elbow(pose: HandPose, shape: HandShape) -> tuple[Array, Array]:
    """Shoulder and elbow (3,) of the arm that carries a hand: two bones, outward and down.

    The elbow swings to where the forearm would run straight on into the hand. A hand out of reach
    is met by moving the shoulder (a person leans forward).
    """
    side = 1.0 if pose.side == "left" else -1.0
    shoulder = SHOULDER * [side, 1.0, 1.0]
    wrist = np.asarray(pose.wrist, dtype=np.float64)
    reach = 0.985 * (shape.forearm + shape.upper_arm)
    way = wrist - shoulder
    distance = float(np.linalg.norm(way))
    if distance > reach:
        shoulder = wrist - way * (reach / distance)
        distance = reach
    if distance < 0.08:
        distance = 0.08
    way = (wrist - shoulder) / max(float(np.linalg.norm(wrist - shoulder)), 1e-9)
    along = (shape.upper_arm**2 - shape.forearm**2 + distance**2) / (2.0 * distance)
    off = np.sqrt(max(shape.upper_arm**2 - along**2, 1e-6))
    pole = np.array([0.75 * side, -0.75, -0.15]) - 0.9 * hand_axes(pose)[1]
    pole = pole - way * float(pole @ way)
    length = float(np.linalg.norm(pole))
    down = np.array([0.0, -1.0, 0.0]) - way * float(-way[1])
    pole = pole / length if length > 1e-3 else down / max(float(np.linalg.norm(down)), 1e-9)
    return shoulder, shoulder + way * along + pole * off


def forearm_axes(pose: HandPose, at_elbow: Array) -> Array:
    """Forearm frame (3,3), columns x, y, z: the hand's own, bent the shortest way to the arm."""
    place = hand_axes(pose).T
    arm = np.asarray(pose.wrist) - at_elbow
    arm = arm / max(float(np.linalg.norm(arm)), 1e-9)
    hand = place[:, 1]
    axis = np.cross(hand, arm)
    c = float(hand @ arm)
    if c < -0.999:
        return place
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    bend: Array = (np.eye(3) + k + (k @ k) / (1.0 + c)) @ place
    return bend


def arm_soups(pose: HandPose, look: Look) -> tuple[list[Soup], Array]:
    """Forearm, sleeve and upper arm, and the forearm frame (3,3) at the wrist."""
    shape = look.shape
    shoulder, bend = elbow(pose, shape)
    wrist = np.asarray(pose.wrist, dtype=np.float64)
    frame = forearm_axes(pose, bend)
    upper = bend - shoulder
    hinge = np.cross(upper, frame[:, 1])
    size = float(np.linalg.norm(hinge))
    hinge = hinge / size if size > 1e-6 else frame[:, 0]
    if float(hinge @ frame[:, 0]) < 0:
        hinge = -hinge
    share = np.linspace(0.0, 1.0, 13)[:, None]
    start = wrist - frame[:, 1] * 0.024
    line = start + share * (bend - start)
    w, d = shape.wrist
    marks = np.array([0.0, 0.08, 0.3, 0.7, 1.0])
    wide = np.interp(share[:, 0], marks, [w * 0.90, w * 1.00, w * 1.20, w * 1.52, w * 1.42])
    deep = np.interp(share[:, 0], marks, [d * 0.90, d * 1.00, d * 1.38, d * 2.05, d * 2.00])
    across = (1 - share) * frame[:, 0] + share * hinge
    skin = skin_bgr(look.skin_tone)
    soups = [plain(*tube(line, np.stack([wide, deep], 1), across, 16), skin, 0.5)]
    cloth = np.asarray(look.sleeve_bgr) / 255.0
    if look.sleeve > 0.02:
        part = np.linspace(1.0 - min(look.sleeve, 0.96), 1.0, 7)[:, None]
        ease = 1.12 + 0.05 * np.sin(part[:, 0] * 31.0 + look.seed)
        radii = np.stack(
            [np.interp(part[:, 0], share[:, 0], r) * ease + 0.003 for r in (wide, deep)], axis=1
        )
        cuffed = start + part * (bend - start)
        soups.append(
            plain(*tube(cuffed, radii, (1 - part) * frame[:, 0] + part * hinge, 16), cloth, 0.03)
        )
    # Rounded at elbow and shoulder: rings closer together and smaller towards both ends.
    up = np.array([-0.13, -0.11, -0.05, 0.0, 0.3, 0.6, 0.85, 1.0, 1.10, 1.17, 1.20])[:, None]
    thick = np.array(_UPPER_ARM)
    arm = bend + up * (shoulder - bend)
    across = np.tile(hinge, (len(up), 1))
    soups.append(plain(*tube(arm, np.stack([thick, thick], 1), across, 14), cloth, 0.03))
    return soups, frame


@lru_cache(maxsize=64)
def _hand_colours(kind: str, shape: HandShape, tone: int, seed: int) -> tuple[Single, Single]:
    """Colour (V,3) BGR 0..1 and gloss (V,) of a hand's vertices."""
    mesh = hand_geometry(kind, shape)
    palm, nail, crease, flush = (mesh.paint[:, k, None] for k in range(4))
    skin, inner = skin_bgr(tone), np.array(_PALM[tone - 1][::-1]) / 255.0
    colour = skin + palm * (inner - skin)
    pink = 0.5 * inner + 0.5 * np.array([0.55, 0.52, 0.88])
    colour = colour + 0.30 * flush * (np.minimum(pink, colour * 1.35) - colour)
    plate = 0.40 * inner + 0.60 * np.array([0.80, 0.79, 0.96])
    colour = colour + 0.85 * nail * (plate - colour)
    colour = colour * (1.0 - crease * np.array([0.42, 0.40, 0.30]))
    rng = np.random.default_rng(seed)
    colour = colour * (1.0 + 0.018 * rng.standard_normal((len(colour), 1)))
    gloss = 0.75 + 1.6 * nail[:, 0] - 0.4 * crease[:, 0]
    return np.clip(colour, 0, 1).astype(np.float32), gloss.astype(np.float32)


@lru_cache(maxsize=16)
def _lather(kind: str, shape: HandShape, seed: int) -> Single:
    """A patchy pattern (V,) 0..1 over the hand; lather lies where it is below the amount."""
    points = hand_geometry(kind, shape).vertices.astype(np.float64)
    rng = np.random.default_rng(seed + 7)
    wave = np.zeros(len(points))
    for scale in (90.0, 170.0, 320.0, 600.0):
        way = rng.standard_normal((3, 3)) * scale
        wave += np.sin(points @ way + rng.uniform(0, 6.28, 3)).sum(axis=1) / scale**0.35
    order = np.argsort(np.argsort(wave))
    return (order / len(wave)).astype(np.float32)


def hand_soup(pose: HandPose, look: Look, forearm: Array, foam: float, wet: float = 0.0) -> Soup:
    """The skinned hand in the world. foam: 0..1 of its skin under lather; wet: 0..1, its shine."""
    mesh: HandMesh = hand_geometry(look.hand_kind, look.shape)
    colour, gloss = _hand_colours(look.hand_kind, look.shape, look.skin_tone, look.seed)
    turns, shifts = pose_bones(mesh.rest, pose, look.shape, forearm)
    points, normals = carry(mesh.vertices, mesh.normals, mesh.bone, mesh.weight, turns, shifts)
    if foam > 0.0:
        pattern = _lather(look.hand_kind, look.shape, look.seed)
        cover = np.clip((foam - pattern) * 6.0, 0.0, 1.0)[:, None]
        bumps = 0.5 + 0.5 * np.sin(pattern * 190.0)[:, None]
        points = points + normals * cover * (0.0012 + 0.0022 * bumps)
        colour = colour + 0.85 * cover * (np.float32(0.93) - 0.06 * bumps - colour)
    # Wet skin is a little darker and shines several times as much (chosen by eye).
    return Soup(
        points.astype(np.float32),
        normals.astype(np.float32),
        (colour * (1.0 - 0.1 * wet)).astype(np.float32),
        (gloss * (1.0 + 4.0 * wet)).astype(np.float32),
        mesh.faces,
    )
