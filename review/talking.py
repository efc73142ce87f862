"""How probable it is that somebody is talking, from the movement of the mouth.

Pictures alone show that a mouth moves, not that a voice sounds: every result here is for a
person to look at. A mouth that is not in view, turned away, too small, hidden by a hand or
sampled too seldom is not assessable (NaN), never silent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.liprhythm import MAX_STEP_S
from review.mouth import SMALL_FACE_PX, mouth_track
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
    "with_voice",
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


FOLLOWED_RATE = (0.15, 0.3)
"""A mesh whose opening changes this fast (resting mouth widths a second) stands still, and is
following the mouth: then it also tells a yawn or a smile from speech, which the picture cannot."""

PICTURE_WEIGHTS: tuple[float, float, float] = (0.6, 1600.0, -0.5)
PICTURE_RANGE = (-0.5 / 255, 1.5 / 255)
"""For a small face: weight of the score from the mesh, weight of the change of the picture at the
mouth (luma, held to the range), and an offset.

Near a logistic regression on five drawn recordings with faces 54-73 px high (each left out in
turn changes the area under the curve in it by 0.01 at most); four short clips of real speakers
have larger faces and do not use it.
"""


VOICE_HEARD = 0.3
VOICE_RAISES, VOICE_LOWERS = 1.0, 1.5
"""From which value a voice is heard, and by how much (log odds) a clear voice raises the
probability of talking and silence lowers it (common practice, no source)."""

LEAST_CHANGE = 0.1 / 255
TREMBLING_MOST = -1.0 / 255
TREMBLING_WEIGHT = 1500.0
"""Speech changes the picture at a small mouth by this much more than at the brow (luma, in a
fifteenth of a second; 95 % of it on the same recordings); how much less counts against it, down to
the most. Most and weight were chosen with the settings of spans on 128 drawn recordings."""

MOSTLY = 0.7
"""Least share of a long span's time that must have been assessed (common practice, no source)."""

BESIDE_CHANGE = 2.0 / 255
"""From which change beside the lower face the picture no longer says what the mouth does.

In drawn recordings with small faces 0-4 % of the samples lie above it, 18 % in the one whose sleeve
moves before the chin, there mostly at 2-12 levels of 255; given up only where the mesh is still."""


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
    ``min_face_px`` high, its lips not behind a hand, and sampled often enough. Nor can it be
    judged where the picture has to speak for a small face whose mesh stands still, and something
    else moves at its chin.
    """
    small, still = _picture_speaks(mouth)
    with np.errstate(invalid="ignore"):
        return np.asarray(
            np.isfinite(mouth.column("opening_rate"))
            & (np.abs(mouth.column("yaw")) <= settings.max_yaw_deg)
            & (mouth.column("face_height") >= settings.min_face_px)
            & (mouth.column("lower_face_seen") > 0.5)
            & (mouth.column("step") <= MAX_STEP_S)
            & ~((small * still > 0.5) & (mouth.column("beside_change") > BESIDE_CHANGE))
        )


def _picture_speaks(mouth: FeatureTrack) -> tuple[Array, Array]:
    """Shapes (n,), 0..1: how small the face is, and how still its mesh."""
    full, none = SMALL_FACE_PX
    low, high = FOLLOWED_RATE
    small = np.clip((none - mouth.column("face_height")) / (none - full), 0.0, 1.0)
    still = np.clip((high - mouth.column("opening_rate")) / (high - low), 0.0, 1.0)
    return small, still


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


def talking_probability(
    mouth: FeatureTrack,
    settings: OpenLineDetection,
    hidden: NDArray[np.bool_] | None = None,
) -> FeatureTrack:
    """How probable it is, at each sample, that the mouth moves as in talking.

    A logistic combination of four numbers: how much faster the opening changes than a rigid
    part of the face seems to, to and fro (one-way movement, such as a yawn, counts little);
    how often it turns; how evenly and slowly it goes (chewing, against); how fast the head
    turns (against). For small faces the change of the picture at the mouth speaks, too.

    Args:
        mouth: see :func:`review.mouth.mouth_track`.
        settings: see :class:`review.settings.OpenLineDetection`.
        hidden: shape (n,), where a mask hides the lips, which the tracker then only guesses.

    Returns:
        Columns ``probability`` (0..1, NaN where not assessable), ``assessable`` (0 or 1) and
        ``local_rate`` (from the mouth track, to find the edges of spans).
    """
    usable = assessable(mouth, settings)
    if hidden is not None:
        usable &= ~hidden
    score = _with_picture(
        talking_features(mouth) @ np.array(TALKING_WEIGHTS) + TALKING_OFFSET, mouth
    )
    with np.errstate(over="ignore"):
        probability = np.where(usable, 1.0 / (1.0 + np.exp(-score)), np.nan)
    return FeatureTrack(
        time=mouth.time,
        names=("probability", "assessable", "local_rate"),
        units=("1", "1", "1/s"),
        values=np.stack([probability, usable.astype(float), mouth.column("local_rate")], axis=1),
    )


def with_voice(
    talking: FeatureTrack, voice: FeatureTrack, settings: OpenLineDetection
) -> FeatureTrack:
    """The probability of talking, raised or lowered by what the sound says.

    Raised only where the mouth alone already makes talking possible: a voice without a moving
    mouth is somebody else's. Lowered everywhere, by a limited amount: people whisper. What
    could not be assessed stays so.

    Args:
        talking: from :func:`talking_probability`.
        voice: from :func:`review.voice.voice_track`.
        settings: see :class:`review.settings.OpenLineDetection`.
    """
    times = talking.time.times_s
    number = np.searchsorted(voice.time.times_s, times, side="right") - 1
    known = (number >= 0) & (times < voice.time.end_s)
    heard = np.where(known, voice.column("voice")[np.maximum(number, 0)], np.nan)
    values = np.array(talking.values)
    place = talking.names.index("probability")
    alone = values[:, place]
    with np.errstate(invalid="ignore", divide="ignore"):
        more = VOICE_RAISES * np.where(alone >= settings.talking_off_probability, heard, 0.0)
        change = np.where(heard >= VOICE_HEARD, more, -VOICE_LOWERS * (1 - heard / VOICE_HEARD))
        score = np.log(alone / (1.0 - alone)) + change
        values[:, place] = np.where(known, 1.0 / (1.0 + np.exp(-score)), alone)
    return FeatureTrack(talking.time, talking.names, talking.units, values)


def _with_picture(score: Array, mouth: FeatureTrack) -> Array:
    """The score from the mesh, and for small faces what the picture about the mouth says.

    Where the mesh stands still the picture speaks for or against; where it moves, only against:
    a picture that changes no more at the mouth than at the brow shows that the mesh trembles.
    """
    change = mouth.column("mouth_change")
    small, still = _picture_speaks(mouth)
    of_mesh, of_picture, offset = PICTURE_WEIGHTS
    both = of_mesh * score + of_picture * np.clip(change, *PICTURE_RANGE) + offset
    trembling = score + TREMBLING_WEIGHT * np.clip(change - LEAST_CHANGE, TREMBLING_MOST, 0.0)
    told = small * (still * both + (1.0 - still) * trembling) + (1.0 - small) * score
    return np.asarray(np.where(np.isfinite(change), told, score))


def talking_spans(
    probability: FeatureTrack, settings: OpenLineDetection
) -> tuple[TalkingSpan, ...]:
    """Spans of talking, with hysteresis.

    A span starts where the probability rises to ``talking_on_probability`` and reaches both
    ways as far as it stays at ``talking_off_probability`` or above, less the edges in which
    the mouth hardly moved; spans nearer to each
    other than ``talking_merge_gap_s`` are one, shorter ones than ``min_span_s`` are dropped, and
    those up to ``short_span_s`` whose mean probability is below ``short_span_probability``.
    A stretch that could not be assessed ends a span. Besides, there is talking where nothing of
    that is found but the mean over ``long_span_s`` is ``long_span_probability`` or more.
    """
    time, values = probability.time, probability.column("probability")
    with np.errstate(invalid="ignore"):
        possible = spans_where(values >= settings.talking_off_probability, time)
        certain = values >= settings.talking_on_probability
    kept = [_trim(span, probability) for span in possible if certain[time.part(span)].any()]
    found = [
        span
        for span in _merged(kept, probability, settings)
        if span.interval.duration_s > settings.short_span_s
        or span.probability >= settings.short_span_probability
    ]
    lasting = [
        span
        for span in _lasting(possible, probability, settings)
        if not any(span.interval.intersect(other.interval) for other in found)
    ]
    return tuple(sorted((*found, *lasting), key=lambda span: span.interval.start_s))


def _merged(
    spans: Sequence[Interval], probability: FeatureTrack, settings: OpenLineDetection
) -> list[TalkingSpan]:
    values, part = probability.column("probability"), probability.time.part
    return [
        TalkingSpan(span, float(np.nanmean(values[part(span)])))
        for span in merge_intervals(spans, settings.talking_merge_gap_s)
        if span.duration_s >= settings.min_span_s
    ]


def _lasting(
    possible: Sequence[Interval], probability: FeatureTrack, settings: OpenLineDetection
) -> list[TalkingSpan]:
    """Spans over which talking is likely enough for long enough, sure or not.

    For each stretch in which the mean over ``long_span_s`` around is high enough and most of that
    time was assessed: all of ``possible`` in it or, with breaks up to ``talking_merge_gap_s``,
    reaching into it.
    """
    time, values = probability.time, probability.column("probability")
    known = np.isfinite(values)
    weight = np.where(known, time.widths_s, 0.0)
    sums = np.append(0.0, np.cumsum(weight * np.where(known, values, 0.0)))
    seconds = np.append(0.0, np.cumsum(weight))
    half = settings.long_span_s / 2
    first = np.searchsorted(time.times_s, time.times_s - half)
    last = np.searchsorted(time.times_s, time.times_s + half)
    assessed = seconds[last] - seconds[first]
    mean = (sums[last] - sums[first]) / np.maximum(assessed, 1e-9)
    likely = known & (assessed >= MOSTLY * settings.long_span_s)
    likely &= mean >= settings.long_span_probability
    possible = merge_intervals(possible, settings.talking_merge_gap_s)
    spans = []
    for stretch in spans_where(likely, time):
        inside = [span for span in possible if span.intersect(stretch)]
        if inside:
            spans.append(Interval(inside[0].start_s, inside[-1].end_s))
    return _merged(spans, probability, settings)


def _trim(span: Interval, probability: FeatureTrack) -> Interval:
    """The span without the edges in which the mouth hardly moved."""
    inside = probability.time.part(span)
    rate = probability.column("local_rate")[inside]
    if not np.isfinite(rate).any():
        return span
    # Unmeasured samples compare as False: an edge without a measured movement is cut off.
    with np.errstate(invalid="ignore"):
        moving = np.flatnonzero(rate >= EDGE_SHARE * np.nanmedian(rate)) + inside.start
    bound = probability.time.bound
    return Interval(bound(int(moving[0])), bound(int(moving[-1]) + 1))
