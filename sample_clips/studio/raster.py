"""A small z-buffer renderer for triangles, compiled to machine code.

Two passes: `cover` finds what each sub-pixel sees (two by two to a pixel), `shade` lights it with
wrapped diffuse light, a soft highlight, a shadow map and darkening near contacts. Points are in
the camera frame: metres, x right, y down, z away from the lens. Pixel (0, 0) is the centre of the
top left pixel; sub-pixel (i, j) of a window that starts at pixel (left, top) lies at
(left + j / 2 - 1/4, top + i / 2 - 1/4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Single = NDArray[np.float32]
Ints = NDArray[np.int32]

FINER = 2  # sub-pixels to a pixel, each way
NEAR_M = 0.05  # triangles with a corner nearer than this are left out
# Triangles whose corners' normals all turn away by more than this (a cosine) are left out: every
# surface drawn here is closed, so that something nearer hides them.
BACK = 0.25


@dataclass(frozen=True, slots=True)
class Light:
    """Lighting, directions in the camera frame.

    towards (3,): unit vector to the lamp. up (3,): the world's up. key, ambient: strengths, sum
    about 1. gloss: strength of the highlight.
    """

    towards: tuple[float, float, float]
    up: tuple[float, float, float]
    key: float = 0.62
    ambient: float = 0.46
    gloss: float = 0.10


@dataclass(frozen=True, slots=True, eq=False)
class Soup:
    """Triangles ready to draw.

    points (V,3), normals (V,3) outward, colour (V,3) BGR 0..1, gloss (V,), faces (F,3).
    """

    points: Single
    normals: Single
    colour: Single
    gloss: Single
    faces: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Shadows:
    """A depth map seen from the lamp.

    axes (3,3): rows are the map's x, y and its depth away from the lamp, in the camera frame.
    corner (2,): map coordinates, metres, of the first texel. depth (n,n): metres; large = open.
    """

    axes: Single
    corner: Single
    step: float
    depth: Single


@njit(cache=True, fastmath=True)
def _cover(
    screen: Single, away: Single, faces: Ints, depth: Single, owner: Ints, bary: Single
) -> None:  # pragma: no cover - compiled
    height, width = depth.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if min(away[a], away[b], away[c]) > BACK:
            continue
        ax, ay, az = screen[a, 0], screen[a, 1], screen[a, 2]
        bx, by, bz = screen[b, 0], screen[b, 1], screen[b, 2]
        cx, cy, cz = screen[c, 0], screen[c, 1], screen[c, 2]
        if az < NEAR_M or bz < NEAR_M or cz < NEAR_M:
            continue
        x0 = max(int(np.ceil(min(ax, bx, cx))), 0)
        x1 = min(int(np.floor(max(ax, bx, cx))), width - 1)
        y0 = max(int(np.ceil(min(ay, by, cy))), 0)
        y1 = min(int(np.floor(max(ay, by, cy))), height - 1)
        if x1 < x0 or y1 < y0:
            continue
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-9:
            continue
        over = 1.0 / area
        ia, ib, ic = 1.0 / az, 1.0 / bz, 1.0 / cz
        ua_x, ua_y = (by - cy) * over, (cx - bx) * over
        ub_x, ub_y = (cy - ay) * over, (ax - cx) * over
        for y in range(y0, y1 + 1):
            wa = ua_x * (x0 - cx) + ua_y * (y - cy)
            wb = ub_x * (x0 - cx) + ub_y * (y - cy)
            for x in range(x0, x1 + 1):
                wc = 1.0 - wa - wb
                if wa >= 0.0 and wb >= 0.0 and wc >= 0.0:
                    z = 1.0 / (wa * ia + wb * ib + wc * ic)
                    if z < depth[y, x]:
                        depth[y, x] = z
                        owner[y, x] = f
                        # Shares corrected for perspective, so that colours do not swim.
                        bary[y, x, 0] = wa * ia * z
                        bary[y, x, 1] = wb * ib * z
                wa += ua_x
                wb += ub_x


@njit(cache=True, fastmath=True)
def _lamp_depth(
    flat: Single, away: Single, faces: Ints, depth: Single
) -> None:  # pragma: no cover - compiled
    height, width = depth.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if min(away[a], away[b], away[c]) > BACK:
            continue
        ax, ay, bx, by = flat[a, 0], flat[a, 1], flat[b, 0], flat[b, 1]
        cx, cy = flat[c, 0], flat[c, 1]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-9:
            continue
        over = 1.0 / area
        x0 = max(int(np.ceil(min(ax, bx, cx))), 0)
        x1 = min(int(np.floor(max(ax, bx, cx))), width - 1)
        y0 = max(int(np.ceil(min(ay, by, cy))), 0)
        y1 = min(int(np.floor(max(ay, by, cy))), height - 1)
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                wa = ((by - cy) * (x - cx) + (cx - bx) * (y - cy)) * over
                wb = ((cy - ay) * (x - cx) + (ax - cx) * (y - cy)) * over
                wc = 1.0 - wa - wb
                if wa >= 0.0 and wb >= 0.0 and wc >= 0.0:
                    z = wa * flat[a, 2] + wb * flat[b, 2] + wc * flat[c, 2]
                    if z < depth[y, x]:
                        depth[y, x] = z


@njit(cache=True, fastmath=True)
def _lit(
    x: float, y: float, z: float, axes: Single, corner: Single, step: float, depth: Single
) -> float:  # pragma: no cover - compiled
    """Share of the lamp seen from a point, from the four texels round it."""
    u = (axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z - corner[0]) / step
    v = (axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z - corner[1]) / step
    d = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z - 0.007
    i, j = int(np.floor(v)), int(np.floor(u))
    if i < 1 or j < 1 or i >= depth.shape[0] - 2 or j >= depth.shape[1] - 2:
        return 1.0
    fv, fu = v - i, u - j
    near = (1.0 - fu) * (d < depth[i, j]) + fu * (d < depth[i, j + 1])
    far = (1.0 - fu) * (d < depth[i + 1, j]) + fu * (d < depth[i + 1, j + 1])
    # The ring outside softens the edge of the shadow.
    ring = 1.0 * (d < depth[i - 1, j]) + 1.0 * (d < depth[i + 2, j + 1])
    ring += 1.0 * (d < depth[i, j + 2]) + 1.0 * (d < depth[i + 1, j - 1])
    return 0.6 * ((1.0 - fv) * near + fv * far) + 0.1 * ring


@njit(cache=True, fastmath=True)
def _open_share(
    depth: Single, i: int, j: int, z: float, reach: float, ring: Single
) -> float:  # pragma: no cover - compiled
    """1 in the open, less where something stands a little in front close by."""
    height, width = depth.shape
    hidden = 0.0
    turn = ((i >> 1) + 2 * (j >> 1)) & 3
    for k in range(ring.shape[1]):
        y = i + int(reach * ring[turn, k, 0])
        x = j + int(reach * ring[turn, k, 1])
        if 0 <= y < height and 0 <= x < width:
            step = z - depth[y, x]
            if step > 0.004 and step < 0.10:
                hidden += min((step - 0.004) / 0.010, 1.0) * (1.0 - step / 0.10)
    return 1.0 - 0.62 * min(hidden / 6.0, 1.0)


def _ring(spots: int = 10, turns: int = 4) -> Single:
    """Places (turns,spots,2) round a point, spiralling out to 1, in four turned versions."""
    angle = 2.399963 * np.arange(spots)[None] + 0.7 * np.arange(turns)[:, None]
    radius = 0.35 + 0.65 * np.arange(spots) / (spots - 1)
    return np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=2).astype(np.float32)


_RING = _ring()


@njit(cache=True, fastmath=True)
def _shade(
    image: Single,
    depth: Single,
    owner: Ints,
    bary: Single,
    faces: Ints,
    normals: Single,
    colour: Single,
    gloss: Single,
    lens: Single,
    light: Single,
    axes: Single,
    corner: Single,
    step: float,
    lamp: Single,
    ring: Single,
) -> None:  # pragma: no cover - compiled
    height, width = image.shape[0], image.shape[1]
    focal, left, top, mid_x, mid_y = lens[0], lens[1], lens[2], lens[3], lens[4]
    for i in range(height):
        for j in range(width):
            covered = 0
            nx, ny, nz, cb, cg, cr, shine, zs = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            nearest = 1e9
            for k in range(4):
                nearest = min(nearest, depth[2 * i + (k >> 1), 2 * j + (k & 1)])
            taken = 0
            for k in range(4):
                y, x = 2 * i + (k >> 1), 2 * j + (k & 1)
                f = owner[y, x]
                if f < 0:
                    continue
                covered += 1
                wa, wb = bary[y, x, 0], bary[y, x, 1]
                wc = 1.0 - wa - wb
                a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
                cb += wa * colour[a, 0] + wb * colour[b, 0] + wc * colour[c, 0]
                cg += wa * colour[a, 1] + wb * colour[b, 1] + wc * colour[c, 1]
                cr += wa * colour[a, 2] + wb * colour[b, 2] + wc * colour[c, 2]
                # Light is worked out for the nearest surface; colours blend at edges.
                if depth[y, x] < nearest + 0.006:
                    taken += 1
                    nx += wa * normals[a, 0] + wb * normals[b, 0] + wc * normals[c, 0]
                    ny += wa * normals[a, 1] + wb * normals[b, 1] + wc * normals[c, 1]
                    nz += wa * normals[a, 2] + wb * normals[b, 2] + wc * normals[c, 2]
                    shine += wa * gloss[a] + wb * gloss[b] + wc * gloss[c]
                    zs += depth[y, x]
            if covered == 0:
                continue
            z = zs / taken
            px = (left + j - mid_x) / focal * z
            py = (top + i - mid_y) / focal * z
            size = np.sqrt(nx * nx + ny * ny + nz * nz) + 1e-9
            nx, ny, nz = nx / size, ny / size, nz / size
            if nx * px + ny * py + nz * z > 0.0:
                nx, ny, nz = -nx, -ny, -nz
            lx, ly, lz = light[0], light[1], light[2]
            facing = nx * lx + ny * ly + nz * lz
            seen = _lit(px, py, z, axes, corner, step, lamp)
            room = _open_share(depth, 2 * i, 2 * j, z, 2.0 * focal * 0.013 / z, ring)
            red = max((facing + 0.42) / 1.42, 0.0) * (0.35 + 0.65 * seen)
            blue = max((facing + 0.26) / 1.26, 0.0) * (0.26 + 0.74 * seen)
            sky = 0.80 + 0.20 * (nx * light[3] + ny * light[4] + nz * light[5])
            base = light[7] * sky * room
            away = np.sqrt(px * px + py * py + z * z)
            hx, hy, hz = lx - px / away, ly - py / away, lz - z / away
            half = np.sqrt(hx * hx + hy * hy + hz * hz) + 1e-9
            glint = max((nx * hx + ny * hy + nz * hz) / half, 0.0) ** 18
            glint *= light[8] * shine / taken * seen * room
            # Skin darkens towards its outline, which keeps touching fingers apart.
            rim = -(nx * px + ny * py + nz * z) / away
            edge = 0.74 + 0.26 * min(rim * 2.2, 1.0)
            share = covered / 4.0
            key = light[6] * (0.45 + 0.55 * room)
            low = (base + key * blue) * edge
            high = (base + key * red) * edge
            image[i, j, 0] = image[i, j, 0] * (1 - share) + cb / 4.0 * low + glint * share
            mean = 0.6 * low + 0.4 * high
            image[i, j, 1] = image[i, j, 1] * (1 - share) + cg / 4.0 * mean + glint * share
            image[i, j, 2] = image[i, j, 2] * (1 - share) + cr / 4.0 * high + glint * share


@njit(cache=True, fastmath=True)
def _fall(
    image: Single,
    depth: Single,
    owner: Ints,
    lens: Single,
    axes: Single,
    corner: Single,
    step: float,
    lamp: Single,
    strength: float,
) -> None:  # pragma: no cover - compiled
    focal, left, top, mid_x, mid_y = lens[0], lens[1], lens[2], lens[3], lens[4]
    for i in range(image.shape[0]):
        for j in range(image.shape[1]):
            if owner[2 * i, 2 * j] >= 0 and owner[2 * i + 1, 2 * j + 1] >= 0:
                continue
            z = depth[2 * i, 2 * j]
            if z > 3.0:
                continue
            px = (left + j - mid_x) / focal * z
            py = (top + i - mid_y) / focal * z
            seen = 1.0 - strength * (1.0 - _lit(px, py, z, axes, corner, step, lamp))
            for k in range(3):
                image[i, j, k] *= seen


def cast_shadows(soup: Soup, towards: tuple[float, float, float], texels: int = 288) -> Shadows:
    """The lamp's depth map of the triangles, fitted to them. `towards`: unit, camera frame."""
    away = -np.asarray(towards, dtype=np.float64)
    side = np.cross(away, [0.0, 1.0, 0.0] if abs(away[1]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    axes = np.stack([side, np.cross(away, side), away]).astype(np.float32)
    flat = soup.points @ axes.T
    # Something far away (an arm out of view) must not coarsen the map for the rest.
    middle = np.median(flat[:, :2], axis=0)
    low = np.maximum(flat[:, :2].min(axis=0), middle - 0.55)
    high = np.minimum(flat[:, :2].max(axis=0), middle + 0.55)
    step = max(float(np.max(high - low)) / (texels - 8), 0.0015)
    corner = (low - 4 * step).astype(np.float32)
    flat[:, :2] = (flat[:, :2] - corner) / step
    depth = np.full((texels, texels), 1e6, dtype=np.float32)
    turned = np.ascontiguousarray(soup.normals @ axes[2])
    _lamp_depth(np.ascontiguousarray(flat), turned, soup.faces, depth)
    return Shadows(axes, corner, step, depth)


def window(
    soup: Soup, focal: float, middle: tuple[float, float], width: int, height: int, margin: int
) -> tuple[int, int, int, int]:
    """The part of the picture (left, top, right, bottom) that the triangles can touch."""
    seen = soup.points[soup.points[:, 2] > NEAR_M]
    if len(seen) == 0:
        return 0, 0, 0, 0
    px = seen[:, :2] / seen[:, 2:] * focal + np.asarray(middle)
    low = np.floor(px.min(axis=0)).astype(int) - margin
    high = np.ceil(px.max(axis=0)).astype(int) + margin + 1
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right, bottom = min(int(high[0]), width), min(int(high[1]), height)
    return left, top, max(right, left), max(bottom, top)


def cover(
    soup: Soup,
    focal: float,
    middle: tuple[float, float],
    box: tuple[int, int, int, int],
    behind: Single | None = None,
) -> tuple[Single, Ints, Single]:
    """What each sub-pixel of the window `box` (left, top, right, bottom) sees.

    behind (h,w): depth in metres of what stands there already, of the window; None = nothing.
    Returns depth (2h,2w) metres, the face (2h,2w; -1 = none) and the perspective-correct shares
    (2h,2w,2) of its first two corners.
    """
    left, top, right, bottom = box
    rows, columns = FINER * (bottom - top), FINER * (right - left)
    if behind is None:
        depth = np.full((rows, columns), 1e9, dtype=np.float32)
    else:
        depth = np.repeat(np.repeat(behind, FINER, axis=0), FINER, axis=1)
    owner = np.full((rows, columns), -1, dtype=np.int32)
    bary = np.empty((rows, columns, 2), dtype=np.float32)
    z = soup.points[:, 2]
    screen = np.empty((len(z), 3), dtype=np.float32)
    over = focal / np.maximum(z, 1e-6)
    offset = (FINER - 1) / 2.0
    screen[:, 0] = (soup.points[:, 0] * over + (middle[0] - left)) * FINER + offset
    screen[:, 1] = (soup.points[:, 1] * over + (middle[1] - top)) * FINER + offset
    screen[:, 2] = z
    away = np.einsum("vi,vi->v", soup.normals, soup.points)
    away /= np.sqrt(np.einsum("vi,vi->v", soup.points, soup.points)) + np.float32(1e-9)
    _cover(screen, away, soup.faces, depth, owner, bary)
    return depth, owner, bary


def draw(
    image: Single,
    behind: Single,
    soup: Soup,
    focal: float,
    middle: tuple[float, float],
    light: Light,
    fall: float = 0.35,
) -> None:
    """Draw triangles into `image` (h,w,3) BGR 0..1, in place.

    behind (h,w): depth in metres of what the picture shows already. fall: how much a shadow of
    the triangles darkens it, 0..1.
    """
    height, width = behind.shape
    margin = 60 if fall > 0 else 1
    box = window(soup, focal, middle, width, height, margin)
    left, top, right, bottom = box
    if right <= left or bottom <= top:
        return
    part = image[top:bottom, left:right]
    depth, owner, bary = cover(soup, focal, middle, box, behind[top:bottom, left:right])
    shadows = cast_shadows(soup, light.towards)
    lens = np.array([focal, left, top, middle[0], middle[1]], dtype=np.float32)
    lamp = (shadows.axes, shadows.corner, shadows.step, shadows.depth)
    if fall > 0:
        _fall(part, depth, owner, lens, *lamp, fall)
    packed = np.array(
        [*light.towards, *light.up, light.key, light.ambient, light.gloss], dtype=np.float32
    )
    _shade(
        part,
        depth,
        owner,
        bary,
        soup.faces,
        soup.normals,
        soup.colour,
        soup.gloss,
        lens,
        packed,
        *lamp,
        _RING,
    )
