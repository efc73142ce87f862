"""Scores of the open-line review against labels, one recording at a time. Pure functions.

Conventions
-----------
* Talking by time: one sample every :data:`STEP_S` where the label says that the mouth can be
  seen; a sample that the analysis could not assess counts as such, never as silent.
* Talking by span: a true span in view (at least :data:`MIN_SPAN_S`) is one positive; silent
  footage in view, :data:`EDGE_S` away from any talking, is cut into pieces of
  :data:`SILENT_PIECE_S`, each a negative. The score of either is its mean probability.
* A true span is found when a found one meets it. A found span that meets no talking, seen or
  unseen, is false; false spans are told per 30 minutes of silent footage with the mouth in
  view, wherever they were found.
* Touches count where the review looks for them: once the hands were first clean, outside washing
  and rubbing. A true and a found touch are a pair when at most :data:`TOUCH_TOLERANCE_S` apart.
* Times are seconds, spans half-open; 'true' comes before 'found'. Undefined is None, never 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from review.evaluation import TalkingSamples
from review.labels import ClipInfo, LabelFile
from review.metrics import Counts, TimeError, boundary_errors, match_intervals, time_error
from review.openline import OpenLineWindow
from review.surface import WipingFindings
from review.talking import TalkingSpan
from review.timeline import Interval, Phase, merge_intervals
from review.touching import CLEANED, FaceContact
from review.tracks import FeatureTrack
from review.waiting import WAITS

STEP_S = 0.1
"""Step of talking by time, seconds."""

EDGE_S = 0.5
"""Silence nearer to talking than this is left out of the negatives: edges are scored apart."""

MIN_SPAN_S = 0.5
"""A shorter true talking span is not asked for, as in the labels' own rule for flags."""

JOINED_S = 1.0
"""True talking with a shorter pause is one span, as in the labels' own rule for flags."""

SILENT_PIECE_S = 3.0
"""Length of one negative, about that of a short talking span; at least half of it at the end."""

TOUCH_TOLERANCE_S = 1.0
"""Most seconds between a true and a found touch that still are a pair."""

AREA_WITHIN = 0.05
"""A share of the work surface is right when off by at most five percentage points."""

WAIT_WITHIN_S, WAIT_WITHIN_SHARE = 2.0, 0.05
"""A wait is right when off by at most 2 s or 5 % of the truth."""


@dataclass(frozen=True, slots=True)
class OpenLineTrace:
    """What the analysis of one recording says about the open line.

    Attributes:
        probability: column ``probability`` of talking over time, NaN where it cannot be told.
        spoken: talking spans at the protocol's threshold, anywhere in the recording.
        windows: when the line was open.
        contacts: hands at the face.
        wiping: with the work area found from the wiping itself.
        wiping_in_area: with the work area drawn as the labels have it; None where they do not.
        measures: every measure's value, None where it could not be measured.
    """

    probability: FeatureTrack
    spoken: tuple[TalkingSpan, ...]
    windows: tuple[OpenLineWindow, ...]
    contacts: tuple[FaceContact, ...]
    wiping: WipingFindings
    wiping_in_area: WipingFindings | None
    measures: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class OpenLineClip:
    """Scores of one recording, kept so that they can be added up in any grouping.

    Attributes:
        file: the recording.
        clip: how it was made.
        talking: by time.
        spans: by span: scores of true spans and of silent pieces, NaN where not assessed.
        found_spans: true spans found, false spans, true spans missed.
        silent_s: silent time with the mouth in view.
        window_errors_s: edges of open-line windows.
        windows: true windows found, found windows that are none, missed ones.
        touches: hands at the face.
        right_hand: of the touches found, how many named the right hand, and how many there were.
        area_errors: per measure of the wiping, found less true share; None: not measured.
        waits: per wait, true seconds and the error; None: not measured.
        masked: whether a mask is worn; None where the labels do not say.
        mask_answer: share of the open-line time in which a mask was seen; None: cannot tell.
        talking_time: ``open_line.talking_time``; None: not assessable.
    """

    file: str
    clip: ClipInfo
    talking: TalkingSamples
    spans: TalkingSamples
    found_spans: Counts
    silent_s: float
    window_errors_s: tuple[float, ...] = ()
    windows: Counts = field(default_factory=Counts)
    touches: Counts = field(default_factory=Counts)
    right_hand: tuple[int, int] = (0, 0)
    area_errors: Mapping[str, float | None] | None = None
    waits: Mapping[str, tuple[float, TimeError | None]] | None = None
    masked: bool | None = None
    mask_answer: float | None = None
    talking_time: float | None = None

    @property
    def silent_behind_mask(self) -> bool:
        """Whether a mouth that a mask hides was given as silent: this must never be."""
        return bool(self.masked) and self.talking_time == 0.0


def score_open_line(labels: LabelFile, trace: OpenLineTrace, file: str) -> OpenLineClip:
    """Score one recording; ``file`` is how tables call it."""
    touches, contacts = true_touches(labels), trace.contacts
    pairs = match_intervals(
        [("touch", span) for span, _ in touches],
        [("touch", contact.interval) for contact in contacts],
        TOUCH_TOLERANCE_S,
    )
    named = [(touches[i][1], contacts[j].hand) for i, j in pairs if touches[i][1] is not None]
    errors, windows = _windows(labels, trace.windows)
    return OpenLineClip(
        file=file,
        clip=labels.clip,
        talking=_by_time(labels, trace.probability),
        spans=_by_span(labels, trace.probability),
        found_spans=_found_spans(labels, trace.spoken),
        silent_s=total(_silent(labels, 0.0)),
        window_errors_s=errors,
        windows=windows,
        touches=Counts(len(pairs), len(contacts) - len(pairs), len(touches) - len(pairs)),
        right_hand=(sum(a == b for a, b in named), len(named)),
        area_errors=_area_errors(labels, trace),
        waits=_waits(labels, trace.measures),
        masked=labels.clip.mask,
        mask_answer=trace.measures.get("open_line.mask_seen"),
        talking_time=trace.measures.get("open_line.talking_time"),
    )


# --- talking ----------------------------------------------------------------------------------


def total(spans: Iterable[Interval]) -> float:
    """Seconds of spans that do not overlap."""
    return float(sum(span.duration_s for span in spans))


def true_talking(labels: LabelFile) -> tuple[Interval, ...]:
    """When the person talks, seen or not."""
    return merge_intervals(piece.interval for piece in labels.labels if piece.talking)


def _visible(labels: LabelFile) -> tuple[Interval, ...]:
    if labels.mouth_visible is None:
        return (labels.extent,)
    return merge_intervals(Interval(start, end) for start, end in labels.mouth_visible)


def _shared(first: Sequence[Interval], second: Sequence[Interval]) -> list[Interval]:
    return [both for a in first for b in second if (both := a.intersect(b)) is not None]


def seen_talking(labels: LabelFile) -> tuple[Interval, ...]:
    """True talking spans in view, short pauses joined, shorter than :data:`MIN_SPAN_S` left out."""
    joined = merge_intervals(_shared(true_talking(labels), _visible(labels)), JOINED_S)
    return tuple(span for span in joined if span.duration_s >= MIN_SPAN_S)


def _silent(labels: LabelFile, margin_s: float) -> list[Interval]:
    """Silent time in view, at least ``margin_s`` away from any talking."""
    talking = merge_intervals(span.pad(margin_s, margin_s) for span in true_talking(labels))
    left = list(_visible(labels))
    for span in talking:
        left = [part for piece in left for part in _without(piece, span)]
    return left


def _without(span: Interval, taken: Interval) -> list[Interval]:
    edges = [
        (span.start_s, min(span.end_s, taken.start_s)),
        (max(span.start_s, taken.end_s), span.end_s),
    ]
    return [Interval(start, end) for start, end in edges if start < end]


def _at(track: FeatureTrack, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    numbers = np.searchsorted(track.time.times_s, times_s, side="right") - 1
    inside = (numbers >= 0) & (times_s < track.time.end_s)
    values = track.column("probability")[np.maximum(numbers, 0)]
    return np.where(inside, values, np.nan)


def _by_time(labels: LabelFile, probability: FeatureTrack) -> TalkingSamples:
    count = max(round(labels.duration_s / STEP_S), 1)
    times = (np.arange(count) + 0.5) * STEP_S
    seen = labels.mouth_visible_at(times)
    return TalkingSamples(labels.talking_at(times)[seen], _at(probability, times)[seen])


def _by_span(labels: LabelFile, probability: FeatureTrack) -> TalkingSamples:
    talking = seen_talking(labels)
    silent = [piece for span in _silent(labels, EDGE_S) for piece in _pieces(span)]
    scores = [_mean(probability, span) for span in (*talking, *silent)]
    truth = np.arange(len(scores)) < len(talking)
    return TalkingSamples(truth, np.array(scores, dtype=np.float64))


def _pieces(span: Interval) -> list[Interval]:
    starts = np.arange(span.start_s, span.end_s - SILENT_PIECE_S / 2, SILENT_PIECE_S).tolist()
    return [Interval(start, min(start + SILENT_PIECE_S, span.end_s)) for start in starts]


def _mean(probability: FeatureTrack, span: Interval) -> float:
    values = probability.column("probability")[probability.time.inside(span)]
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _found_spans(labels: LabelFile, spoken: Sequence[TalkingSpan]) -> Counts:
    found = [span.interval for span in spoken]
    wanted, talking = seen_talking(labels), true_talking(labels)
    hits = sum(any(span.intersect(other) for other in found) for span in wanted)
    false = sum(not any(span.intersect(other) for other in talking) for span in found)
    return Counts(hits, false, len(wanted) - hits)


# --- windows, touches, wiping, waits ------------------------------------------------------------


def _windows(
    labels: LabelFile, windows: Sequence[OpenLineWindow]
) -> tuple[tuple[float, ...], Counts]:
    if labels.open_line is None:
        return (), Counts()
    true = [(item.phase, item.interval) for item in labels.open_line]
    found = [(w.phase, w.interval) for w in sorted(windows, key=lambda w: w.interval)]
    hits = len(match_intervals(true, found, 0.0))
    counts = Counts(hits, len(found) - hits, len(true) - hits)
    return tuple(boundary_errors(true, found, labels.extent).tolist()), counts


def true_touches(labels: LabelFile) -> list[tuple[Interval, str | None]]:
    """True touches of the face where the review looks for them, with the hand if it is known.

    What is found elsewhere, such as during a wash, matches none of them and so is false.
    """
    touches: list[tuple[Interval, str | None]]
    if labels.touches is None:
        spans = merge_intervals(p.interval for p in labels.labels if "hand_to_face" in p.events)
        touches = [(span, None) for span in spans]
    else:
        touches = [(touch.interval, touch.hand) for touch in labels.touches]
    cleaning = [s.interval for s in labels.timeline if s.phase in CLEANED]
    first = min((span.end_s for span in cleaning), default=0.0)
    return [
        (span, hand)
        for span, hand in touches
        if span.start_s >= first and not any(span.intersect(other) for other in cleaning)
    ]


def _area_errors(labels: LabelFile, trace: OpenLineTrace) -> dict[str, float | None]:
    """Found less true share, per measure; ``in_area`` where the area is drawn, not guessed."""
    truth = labels.surface
    if truth is None or not labels.timeline.of(Phase.SURFACE_PREP):
        return {}
    again = truth.gone_over_again if truth.gone_back is None else truth.gone_back
    errors = {}
    for name, wiping in (("", trace.wiping), ("in_area.", trace.wiping_in_area)):
        if wiping is not None:
            errors[f"{name}covered"] = _less(wiping.covered.value, truth.covered)
            errors[f"{name}again"] = _less(wiping.gone_over_again.value, again)
    return errors


def _less(found: float | None, true: float) -> float | None:
    return None if found is None else found - true


def _waits(
    labels: LabelFile, measures: Mapping[str, float | None]
) -> dict[str, tuple[float, TimeError | None]]:
    """Per wait that the labels name: from the hand work that starts it to that of the next."""
    found = {}
    for name in WAITS:
        spans = [
            piece.interval
            for piece in labels.labels
            if piece.phase is Phase.WAITING and piece.step == name
        ]
        if spans:
            true = spans[-1].end_s - spans[0].start_s
            found[name] = (true, time_error(true, measures.get(f"wait.{name}")))
    return found
