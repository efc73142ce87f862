"""A made-up wash with its labels and what was found of it, small enough to score by hand.

The recording lasts 20 s and is looked at 10 times a second:

====== ========= ================================ ======================
from   phase     step                             strokes
====== ========= ================================ ======================
0      other
2      wash      palms                            4
6      wash      pause
8      wash      thumb_left                       2.5
10     wash      thumb_left, hands hidden         2.5
12     wash      rinse
14     other
15     hand_rub  palms                            3
18     other
====== ========= ================================ ======================
"""

from __future__ import annotations

from typing import Any

import numpy as np

from review.emissions import SURFACES
from review.labels import LabelFile
from review.rubbing import CANNOT_TELL, NO_SURFACE, SurfaceCourse
from review.tracks import TimeBase

DURATION_S = 20.0
HZ = 10

PIECES: tuple[dict[str, Any], ...] = (
    {"start_s": 0, "end_s": 2, "phase": "other", "step": "rest"},
    {"start_s": 2, "end_s": 6, "phase": "wash", "step": "palms", "strokes": 4.0},
    {"start_s": 6, "end_s": 8, "phase": "wash", "step": "pause"},
    {"start_s": 8, "end_s": 10, "phase": "wash", "step": "thumb_left", "strokes": 2.5},
    {
        "start_s": 10, "end_s": 12, "phase": "wash", "step": "thumb_left", "strokes": 2.5,
        "hidden": True,
    },
    {"start_s": 12, "end_s": 14, "phase": "wash", "step": "rinse"},
    {"start_s": 14, "end_s": 15, "phase": "other", "step": "rest"},
    {"start_s": 15, "end_s": 18, "phase": "hand_rub", "step": "palms", "strokes": 3.0},
    {"start_s": 18, "end_s": 20, "phase": "other", "step": "rest"},
)  # fmt: skip

PERFECT = ((2, 6, "palms"), (8, 10, "thumb_left"), (10, 12, "cannot_tell"), (15, 18, "palms"))
"""What a perfect reviewer would answer; none of the surfaces elsewhere."""

Answers = tuple[tuple[float, float, str], ...]


def wash_content(**clip: Any) -> dict[str, Any]:
    """The label document; ``clip`` says how the recording was made."""
    return {
        "duration_s": DURATION_S,
        "labels": [dict(piece) for piece in PIECES],
        "clip": {"kind": "wash", **clip},
    }


def wash_labels(**clip: Any) -> LabelFile:
    return LabelFile.model_validate(wash_content(**clip))


def wash_course(
    answers: Answers = PERFECT, probability: float = 0.8, strokes_per_s: float = 1.0
) -> SurfaceCourse:
    """A course with the given answers, each given ``probability`` (the rest goes to none)."""
    count = round(DURATION_S * HZ)
    times = np.arange(count) / HZ
    shares = np.zeros((count, len(SURFACES)))
    hidden, answer = np.zeros(count), np.full(count, NO_SURFACE)
    for start, end, name in answers:
        inside = (times >= start - 1e-9) & (times < end - 1e-9)
        if name == "cannot_tell":
            hidden[inside], answer[inside] = probability, CANNOT_TELL
        else:
            shares[inside, SURFACES.index(name)] = probability
            answer[inside] = SURFACES.index(name)
    rate = np.full(count, strokes_per_s)
    return SurfaceCourse(TimeBase(times, DURATION_S), shares, hidden, answer, rate)
