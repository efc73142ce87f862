"""Who is filmed, where and from where, and what the mouth does: the choices around the hands.

Everything is drawn from a seeded generator; people and places are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from review.timeline import Interval
from sample_clips.studio.camera import Camera
from sample_clips.studio.head import FaceLook
from sample_clips.studio.scene import Colour, Look
from sample_clips.studio.script import MouthEvent, MouthKind, View
from sample_clips.studio.skeleton import HandShape

SIZES = (
    (480, 270), (640, 360), (640, 360), (640, 360), (640, 480), (640, 480), (480, 360),
    (854, 480), (960, 540), (1280, 720),
)  # fmt: skip
"""Picture sizes that variations use; small ones more often, because they render faster."""

RATES = (10.0, 12.0, 15.0, 15.0, 15.0, 20.0, 24.0, 30.0)
MAX_FOV_DEG = 62.0
"""Widest vertical field of view of the invented camera; it steps back rather than go wider."""

SEEN_HEAD = ((0.0, 0.715, 0.1), (-0.12, 0.62, 0.1), (0.12, 0.62, 0.1))
SEEN_HANDS = (
    (-0.25, 0.02, 0.48), (0.25, 0.02, 0.48), (0.0, 0.0, 0.51), (-0.2, 0.25, 0.3), (0.2, 0.25, 0.3)
)  # fmt: skip
SEEN_WRISTS = ((-0.24, 0.05, 0.16), (0.24, 0.05, 0.16), (0.0, 0.2, 0.2))
"""World points (metres) that must be in the picture; the wrists where the head need not be.
The sink is added on its own side."""


@dataclass(frozen=True, slots=True)
class ViewWish:
    """How a camera should stand. Angles in degrees; `face`: whether the head must be in view."""

    name: str
    elevation_deg: float
    around_deg: float
    distance_m: float
    roll_deg: float
    face: bool = True


def fit_camera(wish: ViewWish, size: tuple[int, int], sink_x: float) -> Camera:
    """A camera that stands as wished and has everything that matters in its picture.

    Aim and field of view follow from what must be seen; where that would need a wider lens
    than `MAX_FOV_DEG`, the camera steps back.
    """
    points = [*SEEN_HANDS, (sink_x * 1.25, 0.05, 0.35), (sink_x, 0.2, 0.35)]
    points += SEEN_HEAD if wish.face else SEEN_WRISTS
    cloud = np.array(points)
    up, around = np.radians(wish.elevation_deg), np.radians(wish.around_deg)
    way = np.array([np.cos(up) * np.sin(around), np.sin(up), np.cos(up) * np.cos(around)])
    lean = np.radians(wish.roll_deg)
    upright: tuple[float, float, float] = (float(np.sin(lean)), float(np.cos(lean)), 0.0)
    if wish.elevation_deg > 60:
        upright = (float(np.sin(lean)), 0.0, -float(np.cos(lean)))
    target = np.array([0.3 * sink_x, 0.3 if wish.face else 0.08, 0.25])
    distance = wish.distance_m
    for _ in range(12):
        eye = target + distance * way
        camera = Camera(
            eye=_row(eye), target=_row(target), up=upright, width=size[0], height=size[1]
        )
        seen = camera.to_camera(cloud)
        flat = seen[:, :2] / np.maximum(seen[:, 2:], 0.05)
        middle = 0.5 * (flat.min(axis=0) + flat.max(axis=0))
        target = target + distance * (middle @ camera.rotation[:2])
        half = 0.5 * (flat.max(axis=0) - flat.min(axis=0))
        need = 1.03 * max(float(half[1]), float(half[0]) * size[1] / size[0])
        fov = float(np.degrees(2 * np.arctan(need)))
        if fov > MAX_FOV_DEG:
            distance *= 1.06
    eye = target + distance * way
    return Camera(
        eye=_row(eye),
        target=_row(target),
        up=upright,
        fov=min(max(fov, 20.0), 75.0),
        width=size[0],
        height=size[1],
    )


def _row(point: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


def sample_view(
    rng: np.random.Generator,
    sink_x: float,
    size: tuple[int, int] | None = None,
    fps: float | None = None,
    face_needed: bool = False,
) -> View:
    """A camera standing as people stand one: mostly in front, a little above, sometimes high.

    With `face_needed` it never stands so high that the face is hidden or out of the picture.
    """
    shares = [0.55, 0.45, 0.0, 0.0] if face_needed else [0.4, 0.35, 0.13, 0.12]
    kind = str(rng.choice(["front", "raised", "high", "overhead"], p=shares))
    low, high = {"front": (4, 20), "raised": (20, 36), "high": (36, 50), "overhead": (62, 80)}[kind]
    wish = ViewWish(
        name=kind,
        elevation_deg=float(rng.uniform(low, high)),
        around_deg=float(rng.uniform(-14, 14)),
        distance_m=float(rng.uniform(0.8, 1.35)),
        roll_deg=float(rng.normal(0, 1.5)),
        face=kind != "overhead",
    )
    if size is None:
        size = SIZES[int(rng.integers(len(SIZES)))]
    camera = fit_camera(wish, size, sink_x)
    return View(
        name=kind,
        elevation_deg=wish.elevation_deg,
        distance_m=float(np.linalg.norm(np.subtract(camera.eye, camera.target))),
        camera=camera,
        fps=float(rng.choice(RATES)) if fps is None else fps,
        jitter=float(rng.uniform(0.05, 0.3)) if rng.random() < 0.25 else 0.0,
    )


_CLOTHES: tuple[Colour, ...] = (
    (120, 92, 66), (70, 84, 62), (96, 70, 92), (58, 60, 72), (150, 140, 132), (84, 104, 150)
)  # fmt: skip
_WALLS: tuple[Colour, ...] = ((196, 204, 206), (180, 190, 186), (206, 200, 190), (160, 176, 188))
_TABLES: tuple[Colour, ...] = ((170, 190, 205), (196, 200, 202), (120, 148, 176), (150, 160, 158))


def sample_look(
    rng: np.random.Generator,
    sink_side: Literal["left", "right", "none"],
    hand_kind: str = "smooth",
    skin_tone: int | None = None,
    mirrored: bool = False,
) -> Look:
    """Skin, clothes, room and light of one clip."""
    dim = rng.random() < 0.3
    clothes = _CLOTHES[int(rng.integers(len(_CLOTHES)))]
    return Look(
        skin_tone=int(rng.integers(1, 7)) if skin_tone is None else skin_tone,
        light=float(rng.uniform(0.5, 0.75) if dim else rng.uniform(0.8, 1.15)),
        light_from=(float(rng.uniform(-0.6, 0.6)), 0.85, float(rng.uniform(0.3, 0.8))),
        warmth=float(rng.uniform(-0.6, 0.8)),
        noise=float(rng.uniform(4, 8) if dim else rng.uniform(0.5, 4)),
        blur=float(rng.uniform(0.3, 0.9)),
        sleeve=float(rng.choice([0.0, 0.25, 0.4, 0.6])),
        sleeve_bgr=clothes,
        clothes_bgr=clothes,
        wall_bgr=_WALLS[int(rng.integers(len(_WALLS)))],
        table_bgr=_TABLES[int(rng.integers(len(_TABLES)))],
        face=FaceLook.sample(rng),
        sink_side=sink_side,
        mirrored=mirrored,
        seed=int(rng.integers(1 << 31)),
        hand_kind=hand_kind,
        shape=HandShape.sample(rng),
    )


# ---------------------------------------------------------------- what the mouth does


def _free_place(
    rng: np.random.Generator, length: float, within: Interval, taken: Sequence[Interval]
) -> Interval | None:
    """A span of `length` inside `within` that keeps 0.8 s clear of everything taken."""
    if within.duration_s <= length + 0.2:
        return None
    for _ in range(20):
        start = float(rng.uniform(within.start_s, within.end_s - length))
        span = Interval(start, start + length)
        if not any(span.pad(0.8, 0.8).intersect(other) for other in taken):
            return span
    return None


_LENGTHS: dict[MouthKind, tuple[float, float]] = {
    "smile": (2.5, 6.0), "yawn": (2.0, 3.2), "cough": (0.7, 0.9), "lick": (0.5, 0.9),
    "chew": (4.0, 9.0), "talking": (2.5, 8.0),
}  # fmt: skip


def plan_mouth(
    rng: np.random.Generator,
    duration_s: float,
    windows: Sequence[Interval],
    talk_in: Sequence[Interval] = (),
) -> tuple[MouthEvent, ...]:
    """Mouth events over a clip.

    People talk now and then (never inside a window of the open line, nor within 0.8 s of one,
    unless it is listed in `talk_in`, which is then talked through), smile, yawn, cough, lick
    their lips and chew, inside the windows too.
    """
    events: list[MouthEvent] = []
    taken: list[Interval] = []

    def add(kind: MouthKind, span: Interval | None) -> None:
        if span is not None:
            events.append(MouthEvent(kind, span, seed=len(events)))
            taken.append(span)

    for window in talk_in:
        length = min(window.duration_s - 0.2, float(rng.uniform(2.5, 5.0)))
        start = float(rng.uniform(window.start_s + 0.1, window.end_s - length - 0.05))
        add("talking", Interval(start, start + length))
    for window in windows:
        if window not in talk_in and rng.random() < 0.4:
            kind: MouthKind = rng.choice(["smile", "yawn", "cough", "lick", "chew"])
            length = min(float(rng.uniform(*_LENGTHS[kind])), window.duration_s - 0.4)
            add(kind, _free_place(rng, length, window, taken))
    whole = Interval(0.0, duration_s)
    for _ in range(int(rng.integers(1, 4))):
        length = float(rng.uniform(*_LENGTHS["talking"]))
        add("talking", _free_place(rng, length, whole, [*taken, *windows]))
    for kind in ("smile", "yawn", "cough", "lick", "chew"):
        if rng.random() < 0.35:
            add(kind, _free_place(rng, float(rng.uniform(*_LENGTHS[kind])), whole, taken))
    return tuple(sorted(events, key=lambda event: event.span))
