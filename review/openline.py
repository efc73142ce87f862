"""The open line: when it was open, who talked near it, and whether a mask was seen.

The windows come from :mod:`review.openlinewindows`; a person may move either edge, and everything
here follows from the windows without tracking again. Frame and
units as in :class:`review.tracks.LandmarkTrack`; distances in hand widths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.facemesh import FACE_INDEX
from review.handgrid import typical_hand_width
from review.mask import MaskEvidence, behind_mask, judge_mask
from review.measures import Measurement
from review.mouth import mouth_track
from review.openlinewindows import (
    OPEN_PHASES,
    OpenLineWindow,
    hands_apart,
    open_line_windows,
    pinch_distance,
)
from review.settings import OpenLineDetection
from review.talking import TalkingSpan, talking_probability, talking_spans, with_voice
from review.timeline import Interval, Phase, total_s
from review.touching import FaceContact, FieldExit, hand_to_face, left_clean_field
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase

__all__ = [
    "OPEN_PHASES",
    "FaceContact",
    "FieldExit",
    "OpenLineFindings",
    "OpenLineWindow",
    "TalkingNearLine",
    "hand_to_face",
    "hands_apart",
    "left_clean_field",
    "mouth_to_hands",
    "open_line_windows",
    "pinch_distance",
    "review_open_line",
    "talking_near_line",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


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
    spoken: Sequence[TalkingSpan] | None = None,
) -> OpenLineFindings:
    """All measures of the open line.

    Args:
        windows: from :func:`open_line_windows`, or as a person set them.
        track: landmarks.
        settings: see :class:`review.settings.OpenLineDetection`.
        mask: what the colours of the lower face say, where they were kept.
        mouth: of this track, where it is known already.
        spoken: all talking by that, near the line or not, where it is known already.
    """
    mouth = mouth or mouth_evidence(track, settings)
    probability, distance = mouth.probability, mouth.distance
    spoken = talking_spans(probability, settings) if spoken is None else spoken
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
