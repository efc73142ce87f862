"""The open line: when it was open, who talked near it, and whether a mask was seen.

The first estimate of a window comes from the hands, with its uncertainty; a person may move
either edge, and everything here follows from the windows without tracking again. Frame and
units as in :class:`review.tracks.LandmarkTrack`; distances in hand widths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from review.emissions import Emissions
from review.facemesh import FACE_INDEX
from review.features import HandGrid, grid_hands, typical_hand_width
from review.mask import MaskEvidence, behind_mask, judge_mask
from review.measures import Measurement
from review.mouth import mouth_track
from review.settings import OpenLineDetection
from review.talking import TalkingSpan, talking_probability, talking_spans, with_voice
from review.timeline import Interval, Phase, Segment, Timeline, total_s
from review.touching import FaceContact, FieldExit, hand_to_face, left_clean_field
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase, spans_where

__all__ = [
    "FaceContact",
    "FieldExit",
    "OpenLineFindings",
    "OpenLineWindow",
    "TalkingNearLine",
    "hand_to_face",
    "left_clean_field",
    "mouth_to_hands",
    "open_line_windows",
    "pinch_distance",
    "review_open_line",
    "talking_near_line",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

OPEN_PHASES = (Phase.CONNECT, Phase.DISCONNECT)

PINCH_POINTS = (4, 8)
"""Tips of thumb and index finger."""

MERGED_S = 4.0
"""How long a hand that merged into the other is taken to be there still."""

HAND_EDGE_S = 0.5
PHASE_EDGE_S = 1.5
"""Uncertainty of an edge read off the hands, and of one where only the phase's own edge is
left (set on generated clips; the second is the decoder's own tolerance)."""


@dataclass(frozen=True, slots=True)
class OpenLineWindow:
    """A span in which the line's end was open to the air.

    Attributes:
        phase: connect or disconnect.
        interval: first estimate, or what a person set.
        uncertainty_s: how far either edge may be off (about one standard deviation).
        basis: what the estimate rests on; ``phase`` means that nothing better than the
            edges of the phase was seen.
    """

    phase: Phase
    interval: Interval
    uncertainty_s: float
    basis: Literal["hands", "model", "phase", "person"] = "hands"


@dataclass(frozen=True, slots=True)
class TalkingNearLine:
    """Talking inside an open-line window.

    Attributes:
        interval, probability: as of the talking span, cut to the window.
        phase: connect or disconnect.
        distance: median distance of the mouth to the nearer palm in hand widths, in the
            picture; NaN where hands and mouth were never seen together.
    """

    interval: Interval
    probability: float
    phase: Phase
    distance: float


@dataclass(frozen=True, slots=True)
class OpenLineFindings:
    """Everything about the open line in one recording.

    Attributes:
        windows: one per connect and disconnect phase.
        talking: talking inside the windows, in order.
        measurements: ``open_line.connect_time``, ``.disconnect_time``, ``.talking_time``
            and ``.mask_seen``.
        face_distance: median distance of the mouth to the nearer palm during the windows,
            hand widths; NaN if never seen together.
        probability: talking over the whole recording, see ``talking_probability``.
        mask_confidence: 0..1, how sure ``.mask_seen`` is, whichever way it went: the mean
            confidence of what agrees with it, over all that was judged; NaN where unknown.
    """

    windows: tuple[OpenLineWindow, ...]
    talking: tuple[TalkingNearLine, ...]
    measurements: tuple[Measurement, ...]
    face_distance: float
    probability: FeatureTrack
    mask_confidence: float = float("nan")


# --- windows ------------------------------------------------------------------------------------


def pinch_distance(grid: HandGrid, settings: OpenLineDetection) -> Array:
    """Shape (m,): distance of the two pinches (thumb and index tips) in hand widths.

    0 where one hand was lost near the other and that one is still seen, for up to
    ``MERGED_S``: a hand merged into the other is not a hand gone. NaN elsewhere.
    """
    pinch = grid.points[:, :, PINCH_POINTS, :2].mean(axis=2)
    apart: Array = np.linalg.norm(pinch[:, 0] - pinch[:, 1], axis=1) / grid.hand_width
    out, met_at = apart.copy(), -np.inf
    for i, value in enumerate(apart.tolist()):
        now = float(grid.time.times_s[i])
        if value == value:
            met_at = now if value < settings.merge_hand_widths else -np.inf
        elif now - met_at <= MERGED_S and grid.seen[i].any():
            out[i] = 0.0
    return out


def hands_apart(track: LandmarkTrack, settings: OpenLineDetection) -> FeatureTrack:
    """:func:`pinch_distance` over a recording, as column ``distance``; no phase changes it."""
    grid = grid_hands(track)
    distance = pinch_distance(grid, settings)
    return FeatureTrack(grid.time, ("distance",), ("hand widths",), distance[:, None])


def _together(distance: Array, settings: OpenLineDetection) -> Mask:
    """Shape (m,): hands working on one joint; unseen times keep the last state."""
    state, out = False, np.zeros(len(distance), dtype=bool)
    for i, value in enumerate(distance.tolist()):
        if value == value:
            limit = settings.join_hand_widths * (1.3 if state else 1.0)
            state = value < limit
        out[i] = state
    return out


def _from_hands(
    segment: Segment, time: TimeBase, distance: Array, settings: OpenLineDetection
) -> OpenLineWindow:
    """One window from when the hands part and when they come together again for good."""
    span = segment.interval
    inside = time.inside(span)
    if inside.sum() < 2 or not np.isfinite(distance[inside]).any():
        return OpenLineWindow(segment.phase, span, PHASE_EDGE_S, "phase")
    base = TimeBase(time.times_s[inside], max(span.end_s, time.times_s[inside][-1] + 0.1))
    together = _together(distance[inside], settings)
    runs = [r for r in spans_where(together, base) if r.duration_s >= settings.min_joined_s]
    unseen = float((~np.isfinite(distance[inside])).mean())
    if segment.phase is Phase.CONNECT:
        # Cap held with both hands, pulled off, ends brought together: the last coming
        # together is the joint; what lies before it, back to the parting, was open.
        start = runs[0].end_s - settings.parting_s if len(runs) > 1 else span.start_s
        end = runs[-1].start_s + settings.joining_s if runs else span.end_s
    else:
        # Both hands undo the joint and part; the next coming together puts the cap on.
        start = runs[0].end_s - settings.parting_s if runs else span.start_s
        end = runs[1].start_s + settings.min_joined_s if len(runs) > 1 else span.end_s
    if end - start < 0.2:
        return OpenLineWindow(segment.phase, span, PHASE_EDGE_S, "phase")
    found = len(runs) > 1
    guessed = max(PHASE_EDGE_S, 0.25 * (end - start))
    error = (HAND_EDGE_S if found else guessed) + 0.5 * unseen * (end - start)
    window = Interval(max(start, span.start_s), min(end, span.end_s))
    return OpenLineWindow(segment.phase, window, error)


def _from_model(segment: Segment, evidence: Emissions) -> OpenLineWindow | None:
    """The span with the largest sum of log odds of 'open', and the spread of its edges.

    Both edges are weighed over all positions by how much evidence each one would lose;
    the standard deviation of that distribution is the uncertainty.
    """
    inside = np.flatnonzero(evidence.time.inside(segment.interval))
    if inside.size < 3:
        return None
    chance = np.clip(evidence.open_prob[inside], 0.01, 0.99)
    sums = np.concatenate([[0.0], np.cumsum(np.log(chance / (1.0 - chance)))])
    lowest = np.minimum.accumulate(sums)
    last = int(np.argmax(sums - lowest))
    first = int(np.argmin(sums[: last + 1]))
    if last <= first or sums[last] - sums[first] < 1.0:
        return None
    bounds = np.append(evidence.time.times_s[inside], segment.interval.end_s)
    # Neighbouring samples say nearly the same: their evidence is tempered by a tenth.
    spread = [
        _spread(bounds[: last + 1], -sums[: last + 1] / 10.0),
        _spread(bounds[first:], sums[first:] / 10.0),
    ]
    step = float(np.median(np.diff(bounds)))
    return OpenLineWindow(
        segment.phase,
        Interval(float(bounds[first]), float(bounds[last])),
        max(step, *spread),
        "model",
    )


def _spread(at: Array, score: Array) -> float:
    """Standard deviation of positions weighted by exp(score)."""
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    mean = float(weight @ at)
    return float(np.sqrt(max(weight @ (at - mean) ** 2, 0.0)))


def open_line_windows(
    phases: Timeline,
    track: LandmarkTrack,
    settings: OpenLineDetection,
    evidence: Emissions | None = None,
    apart: FeatureTrack | None = None,
) -> tuple[OpenLineWindow, ...]:
    """First estimate of the open line in each connect and disconnect phase, in order.

    With ``evidence`` (a model's probability that the line is open) that decides; where it
    says nothing, or without it, the hands do: parting, and coming together again. ``apart``
    (see :func:`hands_apart`) may be given where it is known already.
    """
    segments = [segment for segment in phases if segment.phase in OPEN_PHASES]
    if not segments:
        return ()
    found = [_from_model(s, evidence) if evidence is not None else None for s in segments]
    if None in found:
        # Only now is it worth putting the hands on a grid: that is slow in a long recording.
        apart = apart or hands_apart(track, settings)
        distance = apart.column("distance")
        found = [
            window or _from_hands(segment, apart.time, distance, settings)
            for segment, window in zip(segments, found, strict=True)
        ]
    return tuple(window for window in found if window is not None)


# --- what happened in them ------------------------------------------------------------------------


def mouth_to_hands(track: LandmarkTrack) -> Array:
    """Shape (n,): distance of the mouth to the nearer palm, hand widths, NaN where not seen.

    In the picture, hence a lower limit of the distance in space.
    """
    grid_width = typical_hand_width(track.hands)
    mouth = track.face[:, (FACE_INDEX["upper_lip"], FACE_INDEX["lower_lip"]), :2].mean(axis=1)
    palms = track.hands[:, :, (0, 5, 9, 13, 17), :2].mean(axis=2)
    gap = np.linalg.norm(palms - mouth[:, None], axis=2)
    nearest = np.fmin(gap[:, 0], gap[:, 1]).astype(np.float64) / grid_width
    nearest[~track.face_seen] = np.nan
    return np.asarray(nearest)


def _median(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _share_seen(mask: Mask, inside: Mask, time: TimeBase) -> float:
    total = float(time.widths_s[inside].sum())
    return float(time.widths_s[inside & mask].sum() / total) if total > 0 else 0.0


def talking_near_line(
    windows: Sequence[OpenLineWindow],
    spans: Sequence[TalkingSpan],
    track: LandmarkTrack,
    settings: OpenLineDetection,
    distance: Array | None = None,
) -> tuple[TalkingNearLine, ...]:
    """Talking spans cut to the windows, with the face no further than ``near_hand_widths``.

    Where the distance could not be measured the span is kept: unseen is not far away.
    """
    if distance is None:
        distance = mouth_to_hands(track)
    found = []
    for window in windows:
        for span in spans:
            shared = window.interval.intersect(span.interval)
            if shared is None or shared.duration_s < settings.min_shared_s:
                continue
            apart = _median(distance[track.time.inside(shared)])
            if not apart > settings.near_hand_widths:
                found.append(TalkingNearLine(shared, span.probability, window.phase, apart))
    return tuple(sorted(found, key=lambda talk: talk.interval))


def _open_time(
    name: str, phase: Phase, windows: Sequence[OpenLineWindow], track: LandmarkTrack
) -> Measurement:
    spans = tuple(window.interval for window in windows if window.phase is phase)
    if not spans:
        return Measurement(name, None, "s", (), 0.0, f"No {phase.value} phase was found.")
    inside = track.time.inside_any(spans)
    seen = _share_seen(track.hand_seen.any(axis=1), inside, track.time)
    guessed = [w for w in windows if w.phase is phase and w.basis != "person"]
    why = "Set by a person."
    if guessed:
        error = max(window.uncertainty_s for window in guessed)
        why = f"First estimate from the hands; each edge may be off by about {error:.1f} s."
    return Measurement(name, float(total_s(spans)), "s", spans, seen, why)


def _total_time(windows: Sequence[OpenLineWindow], track: LandmarkTrack) -> Measurement:
    """How long the line was open in all; None with one of the two ends unknown."""
    name = "open_line.total_time"
    missing = [p.value for p in OPEN_PHASES if not any(w.phase is p for w in windows)]
    if missing:
        why = f"No {' and no '.join(missing)} phase was found."
        return Measurement(name, None, "s", (), 0.0, why)
    spans = tuple(sorted(window.interval for window in windows))
    inside = track.time.inside_any(spans)
    seen = _share_seen(track.hand_seen.any(axis=1), inside, track.time)
    return Measurement(name, float(total_s(spans)), "s", spans, seen, "The sum of both ends.")


def _masked(span: Interval, time: TimeBase, mask: MaskEvidence | None) -> bool:
    """Whether the lower face was covered for most of the time in ``span`` that could be judged.

    However little that was: lips behind a mask must not pass for a silent mouth.
    """
    if mask is None:
        return False
    width, inside = time.widths_s, time.inside(span)
    covered = float(width[inside & mask.covered].sum())
    return covered > 0.5 * float(width[inside & mask.judged].sum())


def _talking_time(
    windows: Sequence[OpenLineWindow],
    talking: Sequence[TalkingNearLine],
    probability: FeatureTrack,
    masked: bool,
    settings: OpenLineDetection,
) -> Measurement:
    name, spans = "open_line.talking_time", tuple(window.interval for window in windows)
    if not spans:
        return Measurement(name, None, "s", (), 0.0, "The line was never seen open.")
    inside = probability.time.inside_any(spans)
    seen = _share_seen(probability.column("assessable") > 0, inside, probability.time)
    said = tuple(talk.interval for talk in talking)
    if masked:
        why = "A mask was seen; lips hidden: nothing can be said about talking."
        return Measurement(name, None, "s", said, 0.0, why)
    if seen < settings.min_seen_fraction:
        why = "The mouth was turned away, hidden or too small for most of the open-line time."
        return Measurement(name, None, "s", said, seen, why)
    return Measurement(name, float(total_s(said)), "s", said, seen)


@dataclass(frozen=True, slots=True)
class MouthEvidence:
    """What the mouth does, before any window is known.

    Attributes:
        probability: talking over the whole recording, see ``talking_probability``.
        distance: shape (n,), see :func:`mouth_to_hands`.
    """

    probability: FeatureTrack
    distance: Array


def mouth_evidence(
    track: LandmarkTrack, settings: OpenLineDetection, voice: FeatureTrack | None = None
) -> MouthEvidence:
    """The part of :func:`review_open_line` that does not depend on the windows.

    ``voice``: what the sound says, where it may be used; see :func:`review.talking.with_voice`.
    """
    hidden = behind_mask(judge_mask(track.lower_face, settings), track.time)
    probability = talking_probability(mouth_track(track), settings, hidden)
    if voice is not None:
        probability = with_voice(probability, voice, settings)
    return MouthEvidence(probability, mouth_to_hands(track))


def review_open_line(
    windows: Sequence[OpenLineWindow],
    track: LandmarkTrack,
    settings: OpenLineDetection,
    mask: MaskEvidence | None = None,
    mouth: MouthEvidence | None = None,
) -> OpenLineFindings:
    """All measures of the open line.

    Args:
        windows: from :func:`open_line_windows`, or as a person set them.
        track: landmarks.
        settings: see :class:`review.settings.OpenLineDetection`.
        mask: what the colours of the lower face say, where they were kept.
        mouth: of this track, where it is known already.
    """
    mouth = mouth or mouth_evidence(track, settings)
    probability, distance = mouth.probability, mouth.distance
    spoken = talking_spans(probability, settings)
    talking = talking_near_line(windows, spoken, track, settings, distance)
    spans = tuple(window.interval for window in windows)
    inside = track.time.inside_any(spans)
    covered = _mask_seen(spans, inside, track, mask, settings)
    hidden = [span for span in spans if _masked(span, track.time, mask)]
    # Lips guessed behind a mask say nothing.
    talking = tuple(
        talk for talk in talking if not any(talk.interval.intersect(span) for span in hidden)
    )
    return OpenLineFindings(
        windows=tuple(windows),
        talking=talking,
        measurements=(
            _open_time("open_line.connect_time", Phase.CONNECT, windows, track),
            _open_time("open_line.disconnect_time", Phase.DISCONNECT, windows, track),
            _total_time(windows, track),
            _talking_time(windows, talking, probability, bool(hidden), settings),
            covered,
        ),
        face_distance=_median(distance[inside]),
        probability=probability,
        mask_confidence=_mask_confidence(inside, mask),
    )


def _mask_confidence(inside: Mask, mask: MaskEvidence | None) -> float:
    if mask is None or mask.confidence is None or not (inside & mask.judged).any():
        return float("nan")
    judged = inside & mask.judged
    mostly = bool(mask.covered[judged].mean() > 0.5)
    agreeing = judged & (mask.covered == mostly)
    return float(mask.confidence[agreeing].sum() / judged.sum())


def _mask_seen(
    spans: tuple[Interval, ...],
    inside: Mask,
    track: LandmarkTrack,
    mask: MaskEvidence | None,
    settings: OpenLineDetection,
) -> Measurement:
    """``open_line.mask_seen``: share of the judged open-line time with the lower face covered."""
    name = "open_line.mask_seen"
    if not spans:
        return Measurement(name, None, "share", (), 0.0, "The line was never seen open.")
    if mask is None:
        why = "Cannot tell: the landmarks alone do not show whether the lower face is covered."
        return Measurement(name, None, "share", spans, 0.0, why)
    seen = _share_seen(mask.judged, inside, track.time)
    if seen < settings.min_seen_fraction:
        why = "Cannot tell: the lower face was not seen clearly enough while the line was open."
        return Measurement(name, None, "share", spans, seen, why)
    width = track.time.widths_s
    covered = float(width[inside & mask.covered].sum() / width[inside & mask.judged].sum())
    sure = _mask_confidence(inside, mask)
    why = "" if sure != sure else f"From the colours of the lower face; sure: {sure:.0%}."
    return Measurement(name, covered, "share", spans, seen, why.replace("%", " %"))
