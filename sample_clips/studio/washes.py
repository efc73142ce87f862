"""Clips of a hand wash alone, as varied as washes and cameras are.

An exchange holds one wash among much else; to learn and to test which surface is rubbed, a clip
of a wash is cheaper and can vary more: nearer and higher cameras, slow and quick strokes, wet
shine, motion blur, and somebody who stands in the way for a while.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from review.timeline import Interval, Phase, Surface, merge_intervals
from sample_clips.studio import motions as mo
from sample_clips.studio.blocks import (
    LATHER,
    LEAD_S,
    Setting,
    furnished,
    other_part,
    rub_parts,
    wash_parts,
)
from sample_clips.studio.camera import Camera
from sample_clips.studio.scenery import plan_mouth, sample_look
from sample_clips.studio.script import ExchangeScript, Part, View, joined

SIZES = (
    (480, 360), (640, 360), (640, 360), (640, 480), (640, 480), (640, 480), (854, 480), (854, 480),
    (960, 540), (1280, 720), (1920, 1080),
)  # fmt: skip
RATES = (10.0, 12.0, 15.0, 15.0, 20.0, 24.0, 25.0, 30.0, 30.0, 60.0)
TEMPO_HZ = (0.8, 3.0)
"""Slowest and quickest strokes a second that people are drawn with (common practice)."""

WORK_M = 0.15
"""Half of what the picture must show around the place where the hands rub, metres."""

VIEWS = {"front": (4, 20), "raised": (20, 40), "high": (40, 60), "overhead": (62, 82)}
"""Elevation of the camera in degrees, from and to, by the view's name."""


def wash_view(
    rng: np.random.Generator, basin: tuple[float, float, float], size: tuple[int, int] | None = None
) -> View:
    """A camera 0.25-1 m from the hands, from level to nearly straight down."""
    kind = str(rng.choice(list(VIEWS), p=[0.3, 0.3, 0.2, 0.2]))
    up, around = np.radians(rng.uniform(*VIEWS[kind])), np.radians(rng.uniform(-25, 25))
    way = np.array([np.cos(up) * np.sin(around), np.sin(up), np.cos(up) * np.cos(around)])
    target = np.asarray(basin) + rng.uniform([-0.03, -0.03, -0.03], [0.06, 0.03, 0.03])
    distance, shown = float(rng.uniform(0.25, 1.0)), WORK_M * float(rng.uniform(1.0, 1.8))
    lean = np.radians(rng.normal(0, 3.0))
    upright = (float(np.sin(lean)), float(np.cos(lean)), 0.0)
    if kind == "overhead":
        upright = (float(np.sin(lean)), 0.0, -float(np.cos(lean)))
    eye = target + distance * way
    width, height = size or SIZES[int(rng.integers(len(SIZES)))]
    fov = float(np.clip(np.degrees(2 * np.arctan(shown / distance)), 16.0, 74.0))
    camera = Camera(
        eye=(float(eye[0]), float(eye[1]), float(eye[2])),
        target=(float(target[0]), float(target[1]), float(target[2])),
        up=upright, fov=fov, width=width, height=height,
    )  # fmt: skip
    return View(
        name=kind,
        elevation_deg=float(np.degrees(up)),
        distance_m=distance,
        camera=camera,
        fps=float(rng.choice(RATES)),
        jitter=float(rng.uniform(0.05, 0.3)) if rng.random() < 0.25 else 0.0,
        shutter=float(rng.uniform(0.3, 0.7)) if rng.random() < 0.25 else 0.0,
    )


def _shining(parts: Sequence[Part], most: float) -> list[Part]:
    """The same parts with wet skin from the first water until the towel."""
    wet = False
    made = []
    for part in parts:
        wet = (wet or part.step == "wet") and part.step != "dry"
        made.append(replace(part, wet=most if wet else 0.0))
    return made


def _in_the_way(rng: np.random.Generator, washing: Interval) -> tuple[Interval, ...]:
    """One or two spans of 4-11 s inside the wash in which the camera sees no hands."""
    spans = []
    for _ in range(int(rng.integers(1, 3))):
        length = min(float(rng.uniform(4.0, 11.0)), 0.4 * washing.duration_s)
        start = float(rng.uniform(washing.start_s, washing.end_s - length))
        spans.append(Interval(start, start + length))
    return merge_intervals(spans, 1.0)


def schedule_wash(
    rng: np.random.Generator,
    name: str,
    seed: int,
    hand_kind: str = "smooth",
    skin_tone: int | None = None,
    left_handed: bool | None = None,
) -> ExchangeScript:
    """A clip of 25-95 s: rest, a wash, now and then a hand rub after it, rest.

    A skin tone or handedness that is given takes the place of the one drawn by lot; all else
    stays as it would have been, but for the lather, which depends on the tone.
    """
    left = bool(rng.random() < 0.4)
    left = left if left_handed is None else left_handed
    side: Literal["left", "right"] = "left" if rng.random() < 0.7 else "right"
    sink = 1.0 if (side == "left") != left else -1.0
    look = sample_look(rng, side, hand_kind, mirrored=bool(rng.random() < 0.3))
    look = look if skin_tone is None else replace(look, skin_tone=skin_tone)
    habit = mo.Habit.sample(rng, look.shape)
    tempo = float(np.exp(rng.uniform(*np.log(TEMPO_HZ))))
    setting = Setting(
        rng=rng, habit=habit, line=mo.Line.sample(rng, habit), sink=sink, tempo_hz=tempo,
        lather=LATHER[look.skin_tone - 1],
    )  # fmt: skip
    left_out = int(rng.integers(1, 4)) if rng.random() < 0.3 else 0
    count = len(Surface) - left_out
    seconds = count * (5.2 / min(tempo, 2.8) + LEAD_S) * float(rng.uniform(1.0, 1.3))
    wash = wash_parts(setting, left_out=left_out, rub_s=max(seconds, 14.0))
    parts = [other_part(setting), *_shining(wash, float(rng.uniform(0.0, 1.0)))]
    if rng.random() < 0.35:
        parts += [other_part(setting), *rub_parts(setting, short=bool(rng.random() < 0.3))]
    parts.append(other_part(setting))
    x, y, z = setting.basin
    view = wash_view(rng, (-x if left else x, y, z))
    script = ExchangeScript(
        name=name, seed=seed, kind="wash", parts=joined(furnished(setting, parts)), mouth=(),
        look=look, view=view, left_handed=left, tempo_hz=tempo,
    )  # fmt: skip
    washing = [
        span for span, part in zip(script.spans, script.parts, strict=True)
        if part.phase is Phase.WASH
    ]  # fmt: skip
    hidden = ()
    if rng.random() < 0.4:
        hidden = _in_the_way(rng, Interval(washing[0].start_s, washing[-1].end_s))
    return replace(script, mouth=plan_mouth(rng, script.duration_s, ()), hidden=hidden)
