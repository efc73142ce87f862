"""Steps and durations of true washes and hand rubs, and what was found of them. Pure functions.

A step is one surface rubbed without a break. Strokes, 'cannot tell' and seconds are scored a
step or a wash at a time; scores by time are in :mod:`review.washscores`, whose conventions
hold here too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from review.emissions import SURFACES
from review.labels import EDGE_TOLERANCE_S, LabelFile
from review.rubbing import CANNOT_TELL, RUBBED_IN, SurfaceCourse, surface_runs
from review.settings import WashDetection
from review.timeline import Interval, Phase, Surface, total_s
from review.washing import rubbing_spans

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP_S = 0.2
"""Step of scores by time, seconds."""

MIN_STEP_S = 1.0
"""Shorter pieces of a step are not scored as a step: they hold no whole stroke at 1 a second."""

STROKES_WITHIN = 1.0
"""A count of strokes is right when off by at most this many."""

NONE, UNTOLD = len(SURFACES), len(SURFACES) + 1
ANSWERS: tuple[str, ...] = (*SURFACES, "none", "cannot_tell")
"""Names of classes; the first nine and 'none' can be true, all of them can be found."""


@dataclass(frozen=True, slots=True)
class TrueStep:
    """One surface rubbed without a break, all of it visible or all of it hidden.

    ``strokes`` is None where the labels do not say.
    """

    surface: Surface
    interval: Interval
    hidden: bool
    strokes: float | None


def hygiene_runs(labels: LabelFile) -> tuple[tuple[Phase, Interval], ...]:
    """The true washes and hand rubs, in order."""
    return tuple((s.phase, s.interval) for s in labels.timeline if s.phase in RUBBED_IN)


def true_steps(labels: LabelFile) -> tuple[TrueStep, ...]:
    """The true steps of washes and hand rubs: neighbouring pieces of one surface joined."""
    steps: list[TrueStep] = []
    phases: list[Phase] = []
    for piece in labels.labels:
        if piece.phase not in RUBBED_IN or piece.step not in SURFACES:
            continue
        step = TrueStep(Surface(piece.step), piece.interval, piece.hidden, piece.strokes)
        if steps and phases[-1] is piece.phase and _continues(steps[-1], step):
            steps[-1] = _joined(steps[-1], step)
        else:
            steps.append(step)
            phases.append(piece.phase)
    return tuple(steps)


def _continues(step: TrueStep, after: TrueStep) -> bool:
    gap = abs(after.interval.start_s - step.interval.end_s)
    alike = step.surface is after.surface and step.hidden == after.hidden
    return alike and gap <= EDGE_TOLERANCE_S


def _joined(step: TrueStep, after: TrueStep) -> TrueStep:
    known = step.strokes is not None and after.strokes is not None
    return TrueStep(
        step.surface,
        Interval(step.interval.start_s, after.interval.end_s),
        step.hidden,
        (step.strokes or 0.0) + (after.strokes or 0.0) if known else None,
    )


def middles(span: Interval) -> Floats:
    """The middles of steps of :data:`STEP_S` in a span."""
    count = int(np.floor(span.duration_s / STEP_S + 1e-6))
    return span.start_s + (np.arange(count) + 0.5) * STEP_S


def found_at(course: SurfaceCourse, times: Floats) -> tuple[Ints, Floats]:
    """Answers (n,), and probabilities (n, 10) of the surfaces and of none of them."""
    numbers = np.searchsorted(course.time.times_s, times, side="right") - 1
    inside = (numbers >= 0) & (times < course.time.end_s)
    numbers = np.maximum(numbers, 0)
    answer = np.where(inside, course.answer[numbers], -1)
    found = np.where(answer >= 0, answer, np.where(answer == CANNOT_TELL, UNTOLD, NONE))
    surfaces = course.probability[numbers] * inside[:, None]
    none = np.clip(1.0 - surfaces.sum(axis=1) - course.hidden[numbers] * inside, 0.0, 1.0)
    return found.astype(np.int64), np.column_stack([surfaces, none])


# --- steps -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StepScore:
    """What became of one true step.

    Attributes:
        step: the truth.
        untold: share of its samples answered with 'cannot tell'.
        strokes: strokes found in it.
    """

    step: TrueStep
    untold: float
    strokes: float

    @property
    def abstained(self) -> bool:
        """Whether at least half of it was answered with 'cannot tell'."""
        return self.untold >= 0.5


def score_steps(labels: LabelFile, course: SurfaceCourse) -> tuple[StepScore, ...]:
    """Every true step of at least :data:`MIN_STEP_S`."""
    scores = []
    for step in true_steps(labels):
        if step.interval.duration_s < MIN_STEP_S - 1e-6:
            continue
        found, _ = found_at(course, middles(step.interval))
        strokes = course.strokes_between(step.interval.start_s, step.interval.end_s)
        scores.append(StepScore(step, float((found == UNTOLD).mean()), strokes))
    return tuple(scores)


def strokes_right(steps: Sequence[StepScore]) -> float | None:
    """Share of visible steps with known strokes that are off by at most :data:`STROKES_WITHIN`."""
    errors = stroke_errors(steps)
    return float(np.mean(np.abs(errors) <= STROKES_WITHIN + 1e-9)) if errors.size else None


def stroke_errors(steps: Sequence[StepScore]) -> Floats:
    """Found less true strokes of the visible steps with known strokes."""
    return np.array(
        [
            score.strokes - score.step.strokes
            for score in steps
            if score.step.strokes is not None and not score.step.hidden
        ]
    )


def abstention(steps: Sequence[StepScore], hidden: bool) -> float | None:
    """Share of the hidden (or of the visible) steps that were abstained from."""
    answers = [score.abstained for score in steps if score.step.hidden is hidden]
    return float(np.mean(answers)) if answers else None


# --- durations -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HygieneTime:
    """Rubbing time of one true wash or hand rub, in all and by surface, hidden time left out.

    ``surfaces`` holds (true, found) seconds of each of the nine.
    """

    phase: Phase
    true_s: float
    found_s: float
    surfaces: dict[Surface, tuple[float, float]]

    @property
    def relative_error(self) -> float | None:
        """Found less true over true; None where nothing was to be found."""
        return (self.found_s - self.true_s) / self.true_s if self.true_s > 0 else None


def hygiene_times(
    labels: LabelFile, course: SurfaceCourse, settings: WashDetection
) -> tuple[HygieneTime, ...]:
    """Rubbing times of every true wash and rub, as they would be told to people.

    What was found counts up to half-way to the next wash or rub, so that rubbing found before
    or after it is an error too.
    """
    runs = hygiene_runs(labels)
    spans = [span for _, span in runs]
    edges = [labels.extent.start_s]
    edges += [(a.end_s + b.start_s) / 2 for a, b in pairwise(spans)]
    edges.append(labels.extent.end_s)
    steps = [step for step in true_steps(labels) if not step.hidden]
    times = []
    for number, (phase, span) in enumerate(runs):
        window = Interval(edges[number], edges[number + 1])
        mine = [step for step in steps if span.intersect(step.interval) is not None]
        found = surface_runs(course, window, settings)
        surfaces = {
            surface: (
                float(sum(s.interval.duration_s for s in mine if s.surface is surface)),
                float(total_s(interval for name, interval in found if name is surface)),
            )
            for surface in Surface
        }
        times.append(
            HygieneTime(
                phase=phase,
                true_s=float(sum(step.interval.duration_s for step in mine)),
                found_s=float(total_s(rubbing_spans(course, window, settings))),
                surfaces=surfaces,
            )
        )
    return tuple(times)


def rubbing_error(times: Sequence[HygieneTime]) -> float | None:
    """Mean size of the relative error of rubbing time over washes and rubs."""
    errors = [abs(error) for time in times if (error := time.relative_error) is not None]
    return float(np.mean(errors)) if errors else None


def surface_time_error(
    times: Sequence[HygieneTime], surface: Surface | None = None
) -> float | None:
    """Seconds off over true seconds, added up over washes and over one or all surfaces."""
    wanted = tuple(Surface) if surface is None else (surface,)
    pairs = [time.surfaces[name] for time in times for name in wanted]
    true = sum(pair[0] for pair in pairs)
    return float(sum(abs(found - real) for real, found in pairs) / true) if true > 0 else None
