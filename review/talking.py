"""How probable it is that somebody is talking, from the movement of the mouth.

Pictures alone show that a mouth moves, not that a voice sounds: every result here is for a
person to look at. A mouth that is not in view, turned away, too small, hidden by a hand or
sampled too seldom is not assessable (NaN), never silent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.mouth import MAX_STEP_S, mouth_track
from review.settings import OpenLineDetection
from review.timeline import Interval, merge_intervals
from review.tracks import FeatureTrack, spans_where

__all__ = [
    "TalkingSpan",
    "assessable",
    "mouth_track",
    "talking_features",
    "talking_probability",
    "talking_spans",
]

Array = NDArray[np.float64]

EDGE_SHARE = 0.4
"""A talking span begins and ends where the opening changes, over +-0.14 s, at no less than
this share of the span's median rate: the wider windows of the features reach beyond its edges."""

TALKING_WEIGHTS: tuple[float, ...] = (2.14, 1.18, -12.7, -2.25)
TALKING_OFFSET = -0.26
"""Logistic regression over :func:`talking_features`.

Fitted on 540 generated mouth movements of 12 s (speech-like syllables at 2.5-5.5 Hz against
yawns, coughs, licking, chewing, smiles, head turns, slow drift and tracking jitter; faces
60-250 px high, 10-30 samples a second; speech weighted fourfold). The two window lengths
were chosen, and the whole checked, on four short clips of real speakers. Which probability
counts is a setting, these weights are not.
"""


@dataclass(frozen=True, slots=True)
class TalkingSpan:
    """A span in which the mouth moved as in talking.

    Attributes:
        interval: when.
        probability: mean probability over the span, 0..1.
    """

    interval: Interval
    probability: float


def assessable(mouth: FeatureTrack, settings: OpenLineDetection) -> NDArray[np.bool_]:
    """Shape (n,): whether the mouth could be judged at all.

    A face must be tracked, turned towards the camera by at most ``max_yaw_deg``, at least
    ``min_face_px`` high, its lips not behind a hand, and sampled often enough.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(
            np.isfinite(mouth.column("opening_rate"))
            & (np.abs(mouth.column("yaw")) <= settings.max_yaw_deg)
            & (mouth.column("face_height") >= settings.min_face_px)
            & (mouth.column("lower_face_seen") > 0.5)
            & (mouth.column("step") <= MAX_STEP_S)
        )


def talking_features(mouth: FeatureTrack) -> Array:
    """Shape (n, 4): the inputs of the logistic combination, see :func:`talking_probability`."""
    rate = mouth.column("opening_rate") * np.sqrt(np.clip(mouth.column("to_and_fro"), 0.0, 1.0))
    jitter = mouth.column("jitter_rate")
    excess = np.log((rate + 0.01) / (0.1 + np.nan_to_num(jitter)))
    return np.stack(
        [
            excess,
            np.log(mouth.column("turning_rate") + 0.5),
            np.maximum(np.nan_to_num(mouth.column("chewing")) - 0.5, 0.0) * 2.0,
            np.clip((np.nan_to_num(mouth.column("turn_rate")) - 20.0) / 30.0, 0.0, 2.0),
        ],
        axis=1,
    )


def talking_probability(mouth: FeatureTrack, settings: OpenLineDetection) -> FeatureTrack:
    """How probable it is, at each sample, that the mouth moves as in talking.

    A logistic combination of four numbers: how much faster the opening changes than a rigid
    part of the face seems to, to and fro (one-way movement, such as a yawn, counts little);
    how often it turns; how evenly and slowly it goes (chewing, against); how fast the head
    turns (against).

    Returns:
        Columns ``probability`` (0..1, NaN where not assessable), ``assessable`` (0 or 1) and
        ``local_rate`` (from the mouth track, to find the edges of spans).
    """
    usable = assessable(mouth, settings)
    score = talking_features(mouth) @ np.array(TALKING_WEIGHTS) + TALKING_OFFSET
    with np.errstate(over="ignore"):
        probability = np.where(usable, 1.0 / (1.0 + np.exp(-score)), np.nan)
    return FeatureTrack(
        time=mouth.time,
        names=("probability", "assessable", "local_rate"),
        units=("1", "1", "1/s"),
        values=np.stack([probability, usable.astype(float), mouth.column("local_rate")], axis=1),
    )


def talking_spans(
    probability: FeatureTrack, settings: OpenLineDetection
) -> tuple[TalkingSpan, ...]:
    """Spans of talking, with hysteresis.

    A span starts where the probability rises to ``talking_on_probability`` and reaches both
    ways as far as it stays at ``talking_off_probability`` or above, less the edges in which
    the mouth hardly moved; spans nearer to each
    other than ``talking_merge_gap_s`` are one, shorter ones than ``min_span_s`` are dropped.
    A stretch that could not be assessed ends a span.
    """
    time, values = probability.time, probability.column("probability")
    with np.errstate(invalid="ignore"):
        possible = spans_where(values >= settings.talking_off_probability, time)
        certain = values >= settings.talking_on_probability
    kept = [_trim(span, probability) for span in possible if (certain & time.inside(span)).any()]
    return tuple(
        TalkingSpan(span, float(np.nanmean(values[time.inside(span)])))
        for span in merge_intervals(kept, settings.talking_merge_gap_s)
        if span.duration_s >= settings.min_span_s
    )


def _trim(span: Interval, probability: FeatureTrack) -> Interval:
    """The span without the edges in which the mouth hardly moved."""
    inside = np.flatnonzero(probability.time.inside(span))
    rate = probability.column("local_rate")[inside]
    if not np.isfinite(rate).any():
        return span
    # Unmeasured samples compare as False: an edge without a measured movement is cut off.
    with np.errstate(invalid="ignore"):
        moving = inside[rate >= EDGE_SHARE * np.nanmedian(rate)]
    bounds = np.append(probability.time.times_s, probability.time.end_s)
    return Interval(float(bounds[moving[0]]), float(bounds[moving[-1] + 1]))
