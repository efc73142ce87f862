"""When the line was open: a window in each connect and disconnect phase.

The first estimate comes from the model or from the hands, with its uncertainty; a person may move
either edge. Frame and units as in :class:`review.tracks.LandmarkTrack`; distances in hand widths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from review.emissions import Emissions
from review.handgrid import HandGrid, grid_hands
from review.settings import OpenLineDetection
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase, spans_where

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
