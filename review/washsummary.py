"""Scores of washes added up and broken down. Pure functions.

Counts are added before a ratio is taken; a score with nothing to rest on is None, never 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from review.evaluation import Scores, grouped
from review.labels import ClipInfo
from review.metrics import quantile
from review.timeline import Surface
from review.washscores import (
    WashSamples,
    confusion,
    expected_calibration_error,
    join_samples,
    macro_f1,
    macro_precision,
    macro_recall,
    sample_reliability,
    surface_counts,
)
from review.washsteps import (
    HygieneTime,
    StepScore,
    abstention,
    rubbing_error,
    strokes_right,
    surface_time_error,
)

GOALS: Mapping[str, tuple[Literal["at least", "at most"], float]] = {
    "macro_f1": ("at least", 0.90),
    "skin_tone_gap": ("at most", 0.03),
    "handed_gap": ("at most", 0.03),
    "rubbing_time_error": ("at most", 0.05),
    "calibration_error": ("at most", 0.05),
    "strokes_right": ("at least", 0.90),
    "abstained_hidden": ("at least", 0.90),
    "abstained_visible": ("at most", 0.05),
    "inference_ms": ("at most", 100.0),
}
"""What this project asks of itself; no published limits."""

NAMES: Mapping[str, str] = {
    "clips": "Recordings",
    "samples": "Samples (every 0.2 s, hands visible)",
    "macro_f1": "Surfaces, macro F1",
    "macro_f1_low": "  95 % interval over washes, from",
    "macro_f1_high": "  95 % interval over washes, to",
    "macro_f1_without_edges": "  without samples within 0.3 s of a change",
    "macro_precision": "Surfaces, macro precision",
    "macro_recall": "Surfaces, macro recall",
    "skin_tone_gap": "Worst skin tone, F1 below the whole",
    "handed_gap": "Worst handedness, F1 below the whole",
    "rubbing_time_error": "Rubbing time, mean error over truth",
    "rubbing_time_median": "Rubbing time, median error over truth",
    "rubbing_time_bias": "Rubbing time, found over true, less 1",
    "surface_time_error": "Surface times, seconds off over truth",
    "calibration_error": "Expected calibration error (10 bins)",
    "strokes_right": "Strokes within 1 of the truth, share of steps",
    "abstained_hidden": "'Cannot tell' on hidden steps",
    "abstained_visible": "'Cannot tell' on visible steps",
    "inference_ms": "From landmarks to answers, ms for 60 s (median)",
}
"""Every score of :func:`summarise` in words, in the order of the table."""


@dataclass(frozen=True, slots=True)
class WashClip:
    """One recording scored.

    Attributes:
        file: the recording.
        clip: how it was made.
        samples: truth and answers by time.
        steps: its true steps.
        times: rubbing time of its washes and rubs.
        inference_ms: milliseconds from landmarks to answers for 60 s of recording.
    """

    file: str
    clip: ClipInfo
    samples: WashSamples
    steps: tuple[StepScore, ...]
    times: tuple[HygieneTime, ...]
    inference_ms: float | None = None


def _band(value: float | None, edges: Sequence[float], unit: str) -> str:
    """A band of a number in words; bands of one kind sort in their order as text.

    >>> _band(15.0, (15, 25), "/s"), _band(15.1, (15, 25), "/s"), _band(30.0, (15, 25), "/s")
    ('15 /s or less', '15 to 25 /s', 'above 25 /s')
    """
    if value is None:
        return "not said"
    if value <= edges[0]:
        return f"{edges[0]:g} {unit} or less"
    for low, high in pairwise(edges):
        if value <= high:
            return f"{low:g} to {high:g} {unit}"
    return f"above {edges[-1]:g} {unit}"


GROUPINGS: Mapping[str, Callable[[ClipInfo], str]] = {
    "Skin tone": lambda clip: "not said" if clip.skin_tone is None else str(clip.skin_tone),
    "Handedness": lambda clip: clip.handed or "not said",
    "Picture": lambda clip: "mirrored" if clip.mirrored else "not mirrored",
    "Viewpoint": lambda clip: clip.viewpoint or "not said",
    "Distance": lambda clip: _band(clip.distance_m, (0.4, 0.7), "m"),
    "Tempo": lambda clip: _band(clip.tempo_hz, (1.2, 2.0), "strokes/s"),
    "Picture height": lambda clip: _band(clip.height, (480, 720), "px"),
    "Frame rate": lambda clip: _band(clip.fps, (15, 25), "pictures/s"),
    "Hand geometry": lambda clip: clip.geometry or "not said",
    "Kind": lambda clip: clip.kind.replace("_", " "),
}
"""Headings and the group a recording belongs to."""

HAND_LOSS = (
    ("both seen in under 25 % of the step", -0.01, 0.25),
    ("both seen in 25 to 75 %", 0.25, 0.75),
    ("both seen in 75 % or more", 0.75, 1.01),
)
"""Name and half-open range of the share of a step with both hands tracked."""


def summarise(clips: Sequence[WashClip]) -> Scores:
    """The scores of some recordings taken together (no interval, no gaps between groups)."""
    samples = join_samples([clip.samples for clip in clips])
    matrix = confusion(samples)
    steps = [step for clip in clips for step in clip.steps]
    times = [time for clip in clips for time in clip.times]
    errors = [abs(error) for time in times if (error := time.relative_error) is not None]
    true_s = sum(time.true_s for time in times)
    return {
        "clips": len(clips),
        "samples": int(matrix.sum()),
        "macro_f1": macro_f1(matrix),
        "macro_f1_without_edges": macro_f1(confusion(samples, without_edges=True)),
        "macro_precision": macro_precision(matrix),
        "macro_recall": macro_recall(matrix),
        "rubbing_time_error": rubbing_error(times),
        "rubbing_time_median": quantile(errors, 0.5),
        "rubbing_time_bias": sum(t.found_s for t in times) / true_s - 1.0 if true_s > 0 else None,
        "surface_time_error": surface_time_error(times),
        "calibration_error": expected_calibration_error(sample_reliability(samples)),
        "strokes_right": strokes_right(steps),
        "abstained_hidden": abstention(steps, hidden=True),
        "abstained_visible": abstention(steps, hidden=False),
        "inference_ms": quantile(
            [clip.inference_ms for clip in clips if clip.inference_ms is not None], 0.5
        ),
    }


def _hand_loss(clips: Sequence[WashClip], low: float, high: float) -> Scores:
    """Scores by time of the steps whose share with both hands lies in ``[low, high)``."""
    samples = join_samples([clip.samples for clip in clips])
    kept = samples.where((samples.both_seen >= low) & (samples.both_seen < high))
    matrix = confusion(kept)
    return {
        "clips": sum(
            bool(((c.samples.both_seen >= low) & (c.samples.both_seen < high)).any()) for c in clips
        ),
        "samples": int(matrix.sum()),
        "macro_f1": macro_f1(matrix),
        "macro_precision": macro_precision(matrix),
        "macro_recall": macro_recall(matrix),
        "calibration_error": expected_calibration_error(sample_reliability(kept)),
    }


def worst_gap(whole: float | None, groups: Mapping[str, Scores]) -> float | None:
    """How far the worst group's macro F1 lies below that of the whole; None without groups.

    >>> worst_gap(0.9, {"1": {"macro_f1": 0.92}, "2": {"macro_f1": 0.875}})
    0.025
    """
    values = [value for scores in groups.values() if (value := scores["macro_f1"]) is not None]
    return round(whole - min(values), 12) if whole is not None and values else None


def group_scores(clips: Sequence[WashClip]) -> dict[str, dict[str, Scores]]:
    """The scores by kind of recording, and by how much of the hands was tracked."""
    found = grouped(clips, GROUPINGS, summarise)
    found["Hand loss"] = {
        name: scores
        for name, low, high in HAND_LOSS
        if (scores := _hand_loss(clips, low, high))["samples"]
    }
    return found


def surface_scores(clips: Sequence[WashClip]) -> dict[Surface, Scores]:
    """Scores of each of the nine surfaces over all recordings; samples are its true ones."""
    counts = surface_counts(confusion(join_samples([clip.samples for clip in clips])))
    times = [time for clip in clips for time in clip.times]
    return {
        surface: {
            "samples": int(counts[surface].hits + counts[surface].misses),
            "precision": counts[surface].precision,
            "recall": counts[surface].recall,
            "f1": counts[surface].f1,
            "time_error": surface_time_error(times, surface),
        }
        for surface in Surface
    }


def meets_goal(name: str, value: float | None) -> str:
    """'met', 'not met', or '-' where there is no goal or nothing to hold against it."""
    if name not in GOALS or value is None:
        return "-"
    side, bound = GOALS[name]
    return "met" if (value >= bound if side == "at least" else value <= bound) else "not met"
