"""Which hand surface is rubbed from moment to moment, and what cannot be told.

The likeliest course through the network's step probabilities gives one answer a sample: a
surface, none of them, or *cannot tell* while the hands are hidden from the camera. The same
probabilities, smoothed over about a stroke, say how sure that is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.emissions import STEPS, SURFACES, Emissions
from review.features import hands_seen
from review.handgrid import moving_mean
from review.settings import WashDetection
from review.timeline import Interval, Phase, Surface, Timeline, merge_intervals
from review.tracks import FeatureTrack, TimeBase, freeze, spans_where

SMOOTH_S = 0.7
"""Window over which step probabilities are averaged: about one slow stroke."""

FLOOR = 1e-3
"""Least probability of a state, so that one sample cannot forbid it."""

NO_SURFACE = -1
CANNOT_TELL = -2

RUBBED_IN = (Phase.WASH, Phase.HAND_RUB)


@dataclass(frozen=True, slots=True)
class SurfaceCourse:
    """The rubbing of a recording over time.

    Attributes:
        time: m samples.
        probability: shape (m, 9), of each surface (columns as ``emissions.SURFACES``); what is
            missing to 1 is the probability that no surface is rubbed or that none can be seen.
        hidden: shape (m,), probability that the hands are hidden.
        answer: shape (m,), 0..8 a surface, ``NO_SURFACE`` or ``CANNOT_TELL``; ``NO_SURFACE``
            outside washes and hand rubs.
        stroke_rate: shape (m,), strokes to and fro a second.
    """

    time: TimeBase
    probability: NDArray[np.float64]
    hidden: NDArray[np.float64]
    answer: NDArray[np.int64]
    stroke_rate: NDArray[np.float64]

    def __post_init__(self) -> None:
        count = len(self.time)
        if self.probability.shape != (count, len(SURFACES)):
            raise ValueError(f"probability must have shape {(count, len(SURFACES))}")
        for name in ("hidden", "answer", "stroke_rate"):
            if getattr(self, name).shape != (count,):
                raise ValueError(f"{name} must have shape {(count,)}")
        freeze(self)

    def strokes_between(self, start_s: float, end_s: float) -> float:
        """Strokes to and fro between two times: the rate summed over the rubbing in between."""
        starts = self.time.times_s
        ends = starts + self.time.widths_s
        shared = np.clip(np.minimum(ends, end_s) - np.maximum(starts, start_s), 0.0, None)
        return float((self.stroke_rate * shared)[self.answer >= 0].sum())

    def hidden_s(self, span: Interval) -> float:
        """Seconds of ``span`` for which the answer is 'cannot tell'."""
        inside = self.time.inside(span) & (self.answer == CANNOT_TELL)
        return float(self.time.widths_s[inside].sum())


def seconds_to_hands(features: FeatureTrack) -> NDArray[np.float64]:
    """Shape (m,): time to the nearest sample in which a hand was seen; inf without any."""
    times = features.time.times_s
    at = times[hands_seen(features)]
    if not at.size:
        return np.full(len(times), np.inf)
    after = np.clip(np.searchsorted(at, times), 0, at.size - 1)
    before = np.maximum(after - 1, 0)
    return np.asarray(np.minimum(np.abs(at[after] - times), np.abs(at[before] - times)))


def likeliest_course(probability: NDArray[np.float64], penalty: float) -> NDArray[np.intp]:
    """The sequence of states with the highest summed log-probability less ``penalty`` a change.

    Args:
        probability: shape (n, k), of each of k states at n samples.
        penalty: natural-log units. 0 takes the most probable state of every sample.

    Returns:
        Shape (n,), number of the state. (Viterbi's algorithm with one price for all changes:
        Rabiner LR. Proc IEEE 1989;77:257-286, section III-B.)
    """
    # Plain lists: a row is so short that arrays would cost more than they save.
    first, *rest = np.log(np.maximum(probability, FLOOR)).tolist()
    stays = range(probability.shape[1])
    came_from: list[list[int]] = []
    total = first
    for score in rest:
        highest = max(total)
        best, moved = total.index(highest), highest - penalty
        came_from.append([best if moved > t else s for s, t in zip(stays, total, strict=True)])
        total = [(moved if moved > t else t) + s for t, s in zip(total, score, strict=True)]
    path = [total.index(max(total))]
    for row in reversed(came_from):
        path.append(row[path[-1]])
    return np.array(path[::-1], dtype=np.intp)


@dataclass(frozen=True, slots=True)
class SurfaceOdds:
    """What :func:`surface_course` rests on besides the phases.

    Attributes:
        probability, hidden: as in :class:`SurfaceCourse`.
        states: shape (m, surfaces + 2), of each surface, no surface and hidden, not smoothed.
    """

    probability: NDArray[np.float64]
    hidden: NDArray[np.float64]
    states: NDArray[np.float64]


def surface_odds(
    emissions: Emissions, features: FeatureTrack, settings: WashDetection
) -> SurfaceOdds:
    """How probable each surface is over the whole recording; see :func:`surface_course`."""
    hop = float(np.median(emissions.time.widths_s))
    smooth = moving_mean(emissions.step_prob, 2 * round(SMOOTH_S / hop / 2) + 1)
    unseen = seconds_to_hands(features) > settings.max_unseen_s
    probability = np.where(unseen[:, None], 0.0, smooth[:, : len(SURFACES)])
    hidden = np.where(unseen, 1.0, smooth[:, STEPS.index("hidden")])
    sharp = np.where(unseen[:, None], 0.0, emissions.step_prob[:, : len(SURFACES)])
    covered = np.where(unseen, 1.0, emissions.step("hidden"))
    rest = np.clip(1.0 - sharp.sum(axis=1) - covered, 0.0, 1.0)
    return SurfaceOdds(probability, hidden, np.column_stack([sharp, rest, covered]))


def surface_course(
    emissions: Emissions,
    features: FeatureTrack,
    phases: Timeline,
    settings: WashDetection,
    odds: SurfaceOdds | None = None,
) -> SurfaceCourse:
    """The answer at every sample of ``emissions``.

    Inside each wash and hand rub the answers are the likeliest course through surfaces, no
    surface and hidden, where every change costs ``change_penalty`` (see :func:`likeliest_course`).
    Hands are hidden, too, where neither was seen for ``max_unseen_s`` before and after: whatever
    the network makes of that.

    Args:
        emissions: step probabilities.
        features: on the same grid.
        phases: only washes and hand rubs are looked at.
        settings: ``[detection.wash]`` of the protocol.
        odds: of the same emissions, features and settings, where they are known already.
    """
    odds = odds or surface_odds(emissions, features, settings)
    answers = np.array([*range(len(SURFACES)), NO_SURFACE, CANNOT_TELL])
    answer = np.full(len(emissions.time), NO_SURFACE)
    for segment in phases:
        inside = np.flatnonzero(emissions.time.inside(segment.interval))
        if segment.phase in RUBBED_IN and inside.size:
            path = likeliest_course(odds.states[inside], settings.change_penalty)
            answer[inside] = answers[path]
    return SurfaceCourse(
        emissions.time, odds.probability, odds.hidden, answer, emissions.stroke_rate
    )


def surface_runs(
    course: SurfaceCourse, span: Interval, settings: WashDetection
) -> tuple[tuple[Surface, Interval], ...]:
    """Which surface is rubbed when: sorted runs inside ``span``, pauses left out.

    Runs shorter than ``pause_gap_s`` are flicker and dropped, and breaks shorter than that are
    closed.
    """
    inside = course.time.inside(span)
    runs: list[tuple[Surface, Interval]] = []
    for index, name in enumerate(SURFACES):
        spans = merge_intervals(
            spans_where(inside & (course.answer == index), course.time), settings.pause_gap_s
        )
        runs += [
            (Surface(name), clipped)
            for found in spans
            if found.duration_s >= settings.pause_gap_s
            and (clipped := found.intersect(span)) is not None
        ]
    return tuple(sorted(runs, key=lambda run: run[1]))
