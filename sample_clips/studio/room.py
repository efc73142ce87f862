"""The still part of the picture: wall, table, basin with its tap, and the seated torso."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_clips.studio.camera import Camera
from sample_clips.studio.raster import Light, Soup, draw
from sample_clips.studio.scene import Look
from sample_clips.studio.shapes import gather, plain, skin_bgr, tube

Array = NDArray[np.float64]
Single = NDArray[np.float32]

TABLE_X, TABLE_Z = (-0.80, 0.80), (0.14, 0.95)  # metres; the top is at y = 0
SINK_X, SINK_Z, SINK_DEPTH = 0.42, 0.37, 0.13
WATER_Z, SPOUT_Y = 0.34, 0.265  # where the water comes out, high enough for hands below it
SINK_HALF = np.array([0.145, 0.125])
WALL_Z, FLOOR_Y = -0.65, -0.75
_STEEL = np.array([0.72, 0.70, 0.68])


def lamp(look: Look, camera: Camera) -> Light:
    """The room's lighting, in the camera frame."""
    towards = np.asarray(look.light_from) / np.linalg.norm(look.light_from)
    seen, up = camera.rotation @ towards, camera.rotation @ np.array([0.0, 1.0, 0.0])
    return Light(
        (float(seen[0]), float(seen[1]), float(seen[2])),
        (float(up[0]), float(up[1]), float(up[2])),
    )


def to_camera(soup: Soup, camera: Camera) -> Soup:
    """Triangles moved from the world into the camera frame."""
    turn = camera.rotation.astype(np.float32)
    eye = np.asarray(camera.eye, dtype=np.float32)
    return Soup(
        (soup.points - eye) @ turn.T, soup.normals @ turn.T, soup.colour, soup.gloss, soup.faces
    )


def _patches(x: Array, y: Array, cell: float, seed: int) -> Array:
    """Smooth seeded noise, about -1..1, at positions in metres."""
    grid = np.random.default_rng(seed).uniform(-1, 1, (128, 128)).astype(np.float32)
    u = np.mod(x / cell + 62.0, 124.0).astype(np.float32) + 1
    v = np.mod(y / cell + 62.0, 124.0).astype(np.float32) + 1
    return np.asarray(cv2.remap(grid, u, v, cv2.INTER_CUBIC), dtype=np.float64)


def _rays(camera: Camera) -> Array:
    """Directions (h,w,3) in the world; length 1 along the line of sight."""
    columns, rows = np.meshgrid(np.arange(camera.width), np.arange(camera.height))
    seen = np.stack([columns, rows, np.ones_like(rows)], axis=-1) @ np.linalg.inv(camera.matrix).T
    return np.asarray(seen @ camera.rotation)


def _wall(look: Look, x: Array, y: Array) -> Array:
    colour = np.asarray(look.wall_bgr) / 255.0
    glow = 1.0 - 0.10 * np.abs(x - 0.3) + 0.05 * y + 0.012 * _patches(x, y, 0.21, look.seed)
    shade = np.clip(glow, 0.6, 1.05)[..., None] * colour
    rng = np.random.default_rng(look.seed + 1)
    left, low = rng.uniform(-1.0, 0.5), rng.uniform(0.55, 0.75)
    frame = (np.abs(x - left - 0.2) < 0.2) & (np.abs(y - low - 0.15) < 0.15)
    inner = (np.abs(x - left - 0.2) < 0.175) & (np.abs(y - low - 0.15) < 0.125)
    shade[frame] *= 0.72
    shade[inner] = shade[inner] * 0.5 + rng.uniform(0.35, 0.65, 3) * 0.6
    return np.asarray(shade)


def _table(look: Look, x: Array, z: Array) -> Array:
    colour = np.asarray(look.table_bgr) / 255.0
    grain = 0.020 * _patches(x * 0.35, z, 0.006, look.seed + 2)
    cloud = 0.025 * _patches(x, z, 0.09, look.seed + 3)
    near = 0.92 + 0.10 * np.clip((z - TABLE_Z[0]) / 0.6, 0, 1)
    return np.asarray((near + grain + cloud)[..., None] * colour)


def _basin(inside: Array, drop: Array) -> Array:
    """Steel bowl: inside (...,2) position over the half size, drop 0 at the rim, 1 at the floor."""
    edge = np.max(np.abs(inside), axis=-1)
    tone = 0.98 - 0.32 * drop - 0.10 * (1 - np.clip(edge, 0, 1)) * drop
    hole = np.hypot(inside[..., 0], inside[..., 1] * 0.86) < 0.14
    tone = np.where(hole & (drop > 0.98), 0.25, tone)
    return np.asarray(tone[..., None] * _STEEL)


def _cast(look: Look, camera: Camera) -> tuple[Array, Array]:
    """Colour (h,w,3) BGR 0..1 and depth (h,w) metres of wall, floor, table and basin."""
    ray, eye = _rays(camera), np.asarray(camera.eye)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_wall = (WALL_Z - eye[2]) / ray[..., 2]
        to_floor = (FLOOR_Y - eye[1]) / ray[..., 1]
        to_table = (0.0 - eye[1]) / ray[..., 1]
    far = 50.0
    to_wall = np.where(to_wall > 0, np.minimum(to_wall, far), far)
    to_floor = np.where(to_floor > 0, np.minimum(to_floor, far), far)
    depth = np.minimum(to_wall, to_floor)
    hit = eye + ray * depth[..., None]
    image = _wall(look, hit[..., 0], hit[..., 1])
    floor = to_floor < to_wall
    image[floor] = np.asarray(look.wall_bgr) / 255.0 * 0.45
    spot = eye + ray * np.where(np.isfinite(to_table), to_table, 0.0)[..., None]
    x, z = spot[..., 0], spot[..., 2]
    on = (to_table > 0) & (to_table < depth) & (x > TABLE_X[0]) & (x < TABLE_X[1])
    on &= (z > TABLE_Z[0]) & (z < TABLE_Z[1])
    image = np.where(on[..., None], _table(look, x, z), image)
    depth = np.where(on, to_table, depth)
    if look.sink_side == "none":
        return image, depth
    middle = np.array([SINK_X if look.sink_side == "left" else -SINK_X, SINK_Z])
    inside = (np.stack([x, z], axis=-1) - middle) / SINK_HALF
    bowl = on & ((np.abs(inside) ** 5).sum(axis=-1) < 1.0)
    rim = on & ~bowl & ((np.abs(inside) ** 5).sum(axis=-1) < 1.55)
    image[rim] = _STEEL * 1.12
    # Follow the ray below the table until it meets the side or the floor of the bowl.
    drop = np.zeros_like(depth)
    place = inside.copy()
    step = ray / np.maximum(-ray[..., 1:2], 1e-6)
    for down in np.linspace(0.0, SINK_DEPTH, 27):
        at = inside + step[..., [0, 2]] * down / SINK_HALF
        still = (np.abs(at) ** 5).sum(axis=-1) < 1.0
        drop = np.where(still, down / SINK_DEPTH, drop)
        place = np.where(still[..., None], at, place)
    image = np.where(bowl[..., None], _basin(place, drop), image)
    return image, depth


def _torso(look: Look) -> list[Soup]:
    rows = np.array(
        [
            [-0.60, 0.175, 0.120],
            [-0.10, 0.170, 0.115],
            [0.15, 0.185, 0.120],
            [0.30, 0.200, 0.115],
            [0.40, 0.212, 0.100],
            [0.45, 0.190, 0.082],
            [0.478, 0.135, 0.070],
            [0.50, 0.072, 0.064],
            [0.508, 0.056, 0.058],
        ]
    )
    fine = np.linspace(rows[0, 0], rows[-1, 0], 40)
    radii = np.stack([np.interp(fine, rows[:, 0], rows[:, k]) for k in (1, 2)], axis=1)
    line = np.stack([np.zeros(40), fine, np.full(40, -0.02)], axis=1)
    cloth = np.asarray(look.clothes_bgr) / 255.0
    body = plain(*tube(line, radii, np.tile([1.0, 0, 0], (40, 1)), 28), cloth, 0.03)
    neck = np.array([[0.0, 0.46, -0.022], [0.0, 0.51, -0.018], [0.0, 0.65, 0.022]])
    skin = plain(
        *tube(neck, np.full((3, 2), 0.049), np.tile([1.0, 0, 0], (3, 1)), 16),
        skin_bgr(look.skin_tone) * 0.86,
        0.3,
    )
    return [body, skin]


def _tap(look: Look) -> list[Soup]:
    x = SINK_X if look.sink_side == "left" else -SINK_X
    back = SINK_Z - SINK_HALF[1] - 0.035
    bend = np.linspace(0.0, np.pi, 14)
    radius = (WATER_Z - back) / 2.0
    rise = SPOUT_Y + 0.02
    arc = np.stack([0 * bend, rise + radius * np.sin(bend), back + radius * (1 - np.cos(bend))], 1)
    line = np.concatenate([[[0, 0.0, back]], arc, [[0, SPOUT_Y, WATER_Z]]])
    line[:, 0] += x
    across = np.tile([1.0, 0, 0], (len(line), 1))
    return [plain(*tube(line, np.full((len(line), 2), 0.013), across, 12), _STEEL, 2.5)]


def water_line(look: Look) -> Array:
    """The middle of the running water (n,3), from the tap into the basin, world metres."""
    x = SINK_X if look.sink_side == "left" else -SINK_X
    fall = np.linspace(SPOUT_Y, -0.10, 8)
    return np.stack([np.full(8, x), fall, np.full(8, WATER_Z)], axis=1)


@lru_cache(maxsize=8)
def backdrop(look: Look, camera: Camera) -> tuple[NDArray[np.uint8], Single]:
    """The still picture (h,w,3) BGR and its depth (h,w) metres; made once for a look and camera.

    Both arrays are shared: do not write to them.
    """
    colour, far = _cast(look, camera)
    image, depth = colour.astype(np.float32), far.astype(np.float32)
    things = _torso(look) + ([] if look.sink_side == "none" else _tap(look))
    middle = ((camera.width - 1) / 2.0, (camera.height - 1) / 2.0)
    soup = to_camera(gather(things), camera)
    draw(image, depth, soup, camera.focal_px, middle, lamp(look, camera), fall=0.3)
    still = np.clip(image * 255.0 + 0.5, 0, 255).astype(np.uint8)
    still.setflags(write=False)
    depth.setflags(write=False)
    return still, depth
