"""Hands where they should not be: at the face or hair, and away from the clean field.

A touch here is 'for a person to look at': the picture shows that hand and face overlap, and
only a hint of whether they meet. Frame and units as in :class:`review.tracks.LandmarkTrack`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from review.facemesh import FACE_OVAL
from review.handgrid import hand_breadth, typical_hand_width
from review.settings import OpenLineDetection
from review.timeline import Interval, Phase, Timeline, merge_intervals
from review.tracks import LEFT, RIGHT, LandmarkTrack, spans_where

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Hand = Literal["left", "right"]

HAND_NAMES: tuple[tuple[int, Hand], ...] = ((LEFT, "left"), (RIGHT, "right"))

CLEANED = (Phase.WASH, Phase.HAND_RUB)
"""Phases that make the hands clean."""

FIELD_PHASES = (Phase.SURFACE_PREP, Phase.CONNECT, Phase.DISCONNECT)
"""Phases whose hand places show where the clean field is."""

AT_ONCE = 2000
"""Samples worked on together: some ten megabytes."""

MIN_FIELD_SAMPLES = 10
"""Fewer seen palms than this do not show where a field is."""

FIELD_QUANTILES = (0.02, 0.98)
"""Range of the palms, per axis, that counts as where the hands work; the rest is strays."""


@dataclass(frozen=True, slots=True)
class FaceContact:
    """A hand inside the outline of the face or hair.

    Attributes:
        interval: from the first to the last sample inside.
        hand: the subject's own.
        depth: how far the deepest keypoint was inside, in hand widths (0 at the outline).
        confidence: 0..1; lower where the face was hidden at the time, where the hand looks
            much too large to be as far away as the face, or where the contact was short.
        rubbed_after: whether a hand rub or wash followed before the line was touched next.
        seen_fraction: share of the span in which the hand was tracked.
    """

    interval: Interval
    hand: Hand
    depth: float
    confidence: float
    rubbed_after: bool
    seen_fraction: float


@dataclass(frozen=True, slots=True)
class FieldExit:
    """A hand away from where the hands work, between cleaning and connecting.

    Attributes:
        interval: from leaving to coming back (or to the phase that ended it).
        hand: the subject's own.
        distance: furthest the palm was beyond the field, hand widths.
        out_of_view: whether the hand was out of the picture for part of it.
        rubbed_after: whether a hand rub or wash followed before the line was touched next.
        seen_fraction: share of the watched time in which this hand was tracked.
    """

    interval: Interval
    hand: Hand
    distance: float
    out_of_view: bool
    rubbed_after: bool
    seen_fraction: float


def rubbed_before_line(phases: Timeline, after_s: float) -> bool:
    """Whether a wash or rub starts at or after ``after_s`` and before the line is next touched."""
    for segment in phases:
        if segment.interval.end_s <= after_s:
            continue
        if segment.phase in CLEANED and segment.interval.start_s >= after_s:
            return True
        if segment.phase in (Phase.CONNECT, Phase.DISCONNECT):
            return False
    return False


# --- hand to face --------------------------------------------------------------------------------


def _face_outline(face: Array, settings: OpenLineDetection) -> Array:
    """Shape (n, 36, 2): the oval, widened by the padding and raised over the hair."""
    oval = face[:, list(FACE_OVAL), :2]
    middle = oval.mean(axis=1, keepdims=True)
    up = oval[:, :1] - middle  # from the middle to the top of the forehead
    half = np.linalg.norm(up, axis=2, keepdims=True)
    axis = up / np.maximum(half, 1e-9)
    away = oval - middle
    along = (away * axis).sum(axis=2, keepdims=True)
    raised = np.clip(along / np.maximum(half, 1e-9), 0.0, 1.0) * 2.0 * half
    grown = away * (1.0 + 2.0 * settings.face_padding)
    return np.asarray(middle + grown + axis * raised * settings.hair_margin)


def _held_outline(track: LandmarkTrack, settings: OpenLineDetection) -> tuple[Array, Mask]:
    """The outline at each sample, (n, 36, 2), kept for a while after the face is lost.

    Returns:
        Outlines, NaN where there is none, and which samples are kept ones (n,).
    """
    outline = _face_outline(track.face.astype(np.float64), settings)
    seen = track.face_seen & np.isfinite(outline[:, 0, 0])
    index = np.arange(len(seen))
    last = np.maximum.accumulate(np.where(seen, index, -1))
    age = track.time.times_s - track.time.times_s[np.maximum(last, 0)]
    usable = (last >= 0) & (age <= settings.face_hold_s)
    held = np.where(usable[:, None, None], outline[np.maximum(last, 0)], np.nan)
    return held, usable & ~seen


def _depth_inside(points: Array, outline: Array) -> Array:
    """Shape (n,): how deep the deepest of points (n, p, 2) lies in outlines (n, k, 2).

    Distance to the nearest edge line, positive inside, for outlines that are nearly convex;
    NaN where either is not seen.
    """
    depth = np.full(len(points), np.nan)
    seen = np.flatnonzero(np.isfinite(points[:, 0, 0]) & np.isfinite(outline[:, 0, 0]))
    for part in np.array_split(seen, max(1, len(seen) // AT_ONCE)):
        corner = outline[part]
        edge = np.roll(corner, -1, axis=1) - corner
        normal = np.stack([-edge[..., 1], edge[..., 0]], axis=-1)
        normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-12)
        inward = ((corner.mean(axis=1, keepdims=True) - corner) * normal).sum(axis=2, keepdims=True)
        normal *= np.sign(inward)
        level = (corner * normal).sum(axis=2)
        # (p, 21, 2) times (p, 2, k): each point's distance beyond each edge line.
        away = points[part] @ normal.transpose(0, 2, 1) - level[:, None]
        depth[part] = away.min(axis=2).max(axis=1)
    return depth


@dataclass(frozen=True, slots=True)
class FaceDepths:
    """How deep each hand lies in the face's outline, before any phase is known.

    Attributes:
        depth: shape (n, 2), picture widths, left hand and right; NaN where not seen.
        size: shape (n, 2), breadth of each hand, picture widths.
        width: shape (n,), of the face, picture widths.
        kept: shape (n,), whether the outline is one kept from a moment before.
    """

    depth: Array
    size: Array
    width: Array
    kept: Mask


def face_depths(track: LandmarkTrack, settings: OpenLineDetection) -> FaceDepths:
    """The part of :func:`hand_to_face` that does not depend on the phases."""
    outline, kept = _held_outline(track, settings)
    width = np.ptp(outline[:, :, 0], axis=1) / (1.0 + 2.0 * settings.face_padding)
    hands = track.hands[..., :2].astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = np.stack([_depth_inside(hands[:, side], outline) for side in (0, 1)], axis=1)
    return FaceDepths(depth, hand_breadth(hands), width, kept)


def hand_to_face(
    track: LandmarkTrack,
    phases: Timeline,
    settings: OpenLineDetection,
    depths: FaceDepths | None = None,
) -> tuple[FaceContact, ...]:
    """Contacts of either hand with face or hair once the hands were first cleaned, in order.

    Counted from the end of the first wash or rub (from the first phase of the exchange, if
    the hands were never cleaned) to the end of the recording, outside washing and rubbing.
    ``depths`` of this track may be given where they are known already.
    """
    start = _first_clean(phases)
    if start is None:
        return ()
    depths = depths or face_depths(track, settings)
    width, kept = depths.width, depths.kept
    watched = track.time.times_s >= start
    for segment in phases:
        if segment.phase in CLEANED:
            watched &= ~track.time.inside(segment.interval)
    contacts = []
    for side, name in HAND_NAMES:
        depth, size = depths.depth[:, side], depths.size[:, side]
        with np.errstate(invalid="ignore"):
            inside = watched & (depth > 0)
        spans = merge_intervals(spans_where(inside, track.time), settings.contact_gap_s)
        for span in spans:
            if span.duration_s < settings.min_contact_s:
                continue
            during = track.time.inside(span)
            touching = during & inside
            ratio = float(np.median(size[touching] / width[touching]))
            if ratio > settings.max_hand_to_face_size:
                continue
            deep = float(np.max(depth[touching] / size[touching]))
            contacts.append(
                FaceContact(
                    span,
                    name,
                    deep,
                    _contact_confidence(span, deep, ratio, kept[touching].mean(), settings),
                    rubbed_before_line(phases, span.end_s),
                    float(np.isfinite(depth[during]).mean()),
                )
            )
    return tuple(sorted(contacts, key=lambda contact: contact.interval))


def _contact_confidence(
    span: Interval, depth: float, ratio: float, kept: float, settings: OpenLineDetection
) -> float:
    """0..1 from how long, how deep, how plausible in size, and how much the face was seen."""
    long = min(1.0, span.duration_s / (2.0 * settings.min_contact_s))
    deep = min(1.0, 0.5 + depth)
    fitting = float(np.clip(2.0 * (1.0 - ratio / settings.max_hand_to_face_size) + 0.3, 0.3, 1.0))
    return float(long * deep * fitting * (1.0 - 0.3 * kept))


def _first_clean(phases: Timeline) -> float | None:
    """When the hands were first clean, else when the exchange began; None without either."""
    cleaned = [segment.interval.end_s for segment in phases if segment.phase in CLEANED]
    if cleaned:
        return min(cleaned)
    begun = [s.interval.start_s for s in phases if s.phase in FIELD_PHASES]
    return min(begun) if begun else None


# --- leaving the clean field ---------------------------------------------------------------------


def clean_field(
    track: LandmarkTrack,
    phases: Timeline,
    settings: OpenLineDetection,
    hand_width: float | None = None,
) -> tuple[Array, Array] | None:
    """Where the hands work: lower and upper corner (2,) in picture widths, margin included.

    Learned from both palms while the surface is prepared and the line handled; None where
    they were hardly seen. ``hand_width``, see :func:`review.handgrid.typical_hand_width`, may be
    given where it is known already.
    """
    inside = track.time.inside_any(s.interval for s in phases if s.phase in FIELD_PHASES)
    points = _palms(track.hands[inside]).reshape(-1, 2)
    points = points[np.isfinite(points[:, 0])]
    if len(points) < MIN_FIELD_SAMPLES:
        return None
    width = typical_hand_width(track.hands) if hand_width is None else hand_width
    margin = settings.clean_field_margin_hand_widths * width
    low, high = np.quantile(points, FIELD_QUANTILES, axis=0)
    return low - margin, high + margin


def _palms(hands: NDArray[np.float32]) -> Array:
    """Shape (n, 2, 2): palm centres of hands (n, 2, 21, 3)."""
    return np.asarray(hands[:, :, (0, 5, 9, 13, 17), :2].mean(axis=2), dtype=np.float64)


def _beyond(palm: Array, field: tuple[Array, Array]) -> Array:
    """Shape (n,): distance of palms (n, 2) outside the field, 0 inside, NaN unseen."""
    low, high = field
    outside = np.maximum(np.maximum(low - palm, palm - high), 0.0)
    return np.asarray(np.linalg.norm(outside, axis=1))


def _watched_stretches(phases: Timeline) -> list[Interval]:
    """From each cleaning to the next cleaning or connecting, whichever comes first."""
    stretches: list[Interval] = []
    clean_at: float | None = None
    for segment in phases:
        span = segment.interval
        ends_watch = segment.phase in CLEANED or segment.phase is Phase.CONNECT
        if ends_watch and clean_at is not None and span.start_s > clean_at:
            stretches.append(Interval(clean_at, span.start_s))
        if segment.phase in CLEANED:
            clean_at = span.end_s
        elif segment.phase is Phase.CONNECT:
            clean_at = None
    return stretches


def left_clean_field(
    track: LandmarkTrack,
    phases: Timeline,
    settings: OpenLineDetection,
    contacts: tuple[FaceContact, ...] | None = None,
    hand_width: float | None = None,
) -> tuple[FieldExit, ...]:
    """Hands leaving the clean field between cleaning and connecting, in order.

    The way from the sink to the table does not count: a hand can only leave the field once
    it has been in it. A hand that went outside and then out of sight stays outside until it
    is seen again; one that vanishes inside the field (merged, blurred) did not leave, unless that
    was at the left or right edge of the picture, away from the other hand. A hand that went to the
    face is that finding, not this one. ``contacts``, and ``hand_width`` as for :func:`clean_field`,
    may be given where they are known already.
    """
    width = typical_hand_width(track.hands) if hand_width is None else hand_width
    field = clean_field(track, phases, settings, width)
    if field is None:
        return ()
    if contacts is None:
        contacts = hand_to_face(track, phases, settings)
    exits = []
    for stretch in _watched_stretches(phases):
        during = track.time.part(stretch)
        palms = _palms(track.hands[during])
        for side, name in HAND_NAMES:
            beyond = _beyond(palms[:, side], field)
            away = _away(beyond)
            mask = np.zeros(len(track.time), dtype=bool)
            mask[during] = away | _out_at_the_side(
                palms, side, beyond, track.time.times_s[during], width, settings
            )
            spans = merge_intervals(spans_where(mask, track.time), settings.contact_gap_s)
            seen = float(np.isfinite(beyond).mean()) if beyond.size else 0.0
            for span in spans:
                at = beyond[track.time.inside(span)[during]]
                known = at[np.isfinite(at)]
                to_face = any(c.hand == name and c.interval.intersect(span) for c in contacts)
                if span.duration_s < settings.min_away_s or to_face:
                    continue
                exits.append(
                    FieldExit(
                        span,
                        name,
                        float(known.max(initial=0.0) / width),
                        bool(known.size < at.size),
                        rubbed_before_line(phases, span.end_s),
                        seen,
                    )
                )
    return tuple(sorted(exits, key=lambda left: left.interval))


def _out_at_the_side(
    palms: Array,
    side: int,
    beyond: Array,
    times_s: Array,
    width: float,
    settings: OpenLineDetection,
) -> Mask:
    """Shape (n,): where a hand that had been in the field was out at a side of the picture.

    Args:
        palms: shape (n, 2, 2), both hands' palms in picture widths.
        side: which of them.
        beyond: shape (n,), how far that hand was outside the field, NaN where not seen.
        times_s: shape (n,).
        width: a hand's, in picture widths.
        settings: see :class:`review.settings.OpenLineDetection`.
    """
    out = np.zeros(len(beyond), dtype=bool)
    seen = np.flatnonzero(np.isfinite(beyond))
    for before, after in pairwise([*seen.tolist(), len(beyond)]):
        last = after == len(beyond)
        lost_s = float(times_s[-1 if last else after] - times_s[before])
        if (
            after - before < 2
            or lost_s < settings.min_away_s
            or not (beyond[: before + 1] == 0).any()
        ):
            continue
        ends = [before] if last else [before, after]
        at_side = [
            min(palms[i, side, 0], 1.0 - palms[i, side, 0]) < settings.side_hand_widths * width
            for i in ends
        ]
        apart = np.linalg.norm(palms[ends, side] - palms[ends, 1 - side], axis=1) / width
        # A hand lost behind the other one, or together with it, may be anywhere.
        alone = np.isfinite(apart).any() and not (apart < settings.merge_hand_widths).any()
        if any(at_side) and alone:
            out[before + 1 : after] = True
    return out


def _away(beyond: Array) -> Mask:
    """Shape (n,): outside after having been inside; unseen samples keep the last state."""
    out = np.zeros(len(beyond), dtype=bool)
    arrived, away = False, False
    for i, value in enumerate(beyond.tolist()):
        if value == value:
            arrived = arrived or value == 0.0
            away = arrived and value > 0.0
        out[i] = away
    return out
