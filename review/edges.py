"""Moving the edges of phases and of open-line windows, as a person does on the timeline.

Pure functions from one timeline to another; the one that came in is never changed. Seconds.
What a person set carries ``source="person"`` and the confidence 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from review.errors import ReviewError
from review.timeline import Interval, Phase, Segment, Timeline

SHORTEST_S = 0.2
"""No phase or window is dragged shorter than this: two samples of the feature grid."""

SAME_S = 0.011
"""Two edges nearer than this are one: times travel to the page and back in milliseconds, and
the feature grid is coarser by far."""

Window = tuple[Phase, float, float]
"""An open-line window: connect or disconnect, start and end."""

Side = Literal["start", "end"]


class EdgeError(ReviewError):
    """An edge that is not there, or cannot go where it was put."""


@dataclass(frozen=True, slots=True)
class _Edge:
    """A place where a phase ends, another begins, or both."""

    before: int | None
    after: int | None


def move_edge(phases: Timeline, at_s: float, to_s: float) -> Timeline:
    """Move the edge at ``at_s``; where two phases touch, both follow.

    A neighbouring stretch of ``other`` is filler and may be used up; a named phase keeps
    :data:`SHORTEST_S` of itself, and across a gap the edge stops at the phase beyond.

    Raises:
        EdgeError: if no phase begins or ends at ``at_s``.
    """
    segments = list(phases.segments)
    edge = _edge_at(segments, at_s)
    low, high = phases.extent.start_s, phases.extent.end_s
    if edge.before is not None:
        low = segments[edge.before].interval.start_s + _least(segments[edge.before])
    elif edge.after:
        low = segments[edge.after - 1].interval.end_s
    if edge.after is not None:
        high = segments[edge.after].interval.end_s - _least(segments[edge.after])
    elif edge.before is not None and edge.before + 1 < len(segments):
        high = segments[edge.before + 1].interval.start_s
    if low > high:
        raise EdgeError("There is no room to move this edge.")
    to_s = _snapped(min(max(to_s, low), high), segments, edge)
    if edge.before is not None:
        old = segments[edge.before]
        segments[edge.before : edge.before + 1] = _cut(old, old.interval.start_s, to_s)
    if edge.after is not None:
        place = edge.after - (len(phases.segments) - len(segments))
        old = segments[place]
        segments[place : place + 1] = _cut(old, to_s, old.interval.end_s)
    return Timeline(phases.extent, tuple(segments))


def _least(segment: Segment) -> float:
    """What must be left of a phase when an edge is moved into it."""
    return 0.0 if segment.phase is Phase.OTHER else SHORTEST_S


def _snapped(to_s: float, segments: Sequence[Segment], edge: _Edge) -> float:
    """The far edge of a stretch of ``other`` of which next to nothing would be left."""
    if edge.before is not None and segments[edge.before].phase is Phase.OTHER:
        start = segments[edge.before].interval.start_s
        to_s = start if to_s - start < SHORTEST_S else to_s
    if edge.after is not None and segments[edge.after].phase is Phase.OTHER:
        end = segments[edge.after].interval.end_s
        to_s = end if end - to_s < SHORTEST_S else to_s
    return to_s


def _cut(old: Segment, start_s: float, end_s: float) -> list[Segment]:
    return [_set(old, start_s, end_s)] if end_s > start_s else []


def _edge_at(segments: Sequence[Segment], at_s: float) -> _Edge:
    before = [i for i, s in enumerate(segments) if abs(s.interval.end_s - at_s) <= SAME_S]
    after = [i for i, s in enumerate(segments) if abs(s.interval.start_s - at_s) <= SAME_S]
    if not before and not after:
        raise EdgeError("This edge is not there any more. Look at the timeline again.")
    return _Edge(before[0] if before else None, after[-1] if after else None)


def _set(old: Segment, start_s: float, end_s: float) -> Segment:
    return Segment(Interval(start_s, end_s), old.phase, 1.0, "person")


def place_phase(phases: Timeline, phase: Phase, start_s: float, end_s: float) -> Timeline:
    """Say that ``phase`` runs from ``start_s`` to ``end_s``; what lay there makes room.

    Raises:
        EdgeError: if the span is shorter than :data:`SHORTEST_S` or leaves the recording.
    """
    span = _span(start_s, end_s, phases.extent)
    kept = [piece for old in phases.segments for piece in _without(old, span)]
    new = Segment(span, phase, 1.0, "person")
    return Timeline(phases.extent, tuple(sorted((*kept, new), key=lambda s: s.interval)))


def change_phase(
    phases: Timeline, number: int, phase: Phase, start_s: float, end_s: float
) -> Timeline:
    """Give the phase at place ``number`` (from 0) another name, start or end.

    A neighbour that touched it follows an edge that moved away; one that is now covered makes
    room.

    Raises:
        EdgeError: if there is no such phase, or the span cannot be.
    """
    if not 0 <= number < len(phases.segments):
        raise EdgeError("This phase is not there any more. Look at the timeline again.")
    span = _span(start_s, end_s, phases.extent)
    old = phases.segments[number].interval
    kept: list[Segment] = []
    for place, segment in enumerate(phases.segments):
        if place == number:
            continue
        start, end = segment.interval.start_s, segment.interval.end_s
        if place == number - 1 and abs(end - old.start_s) <= SAME_S and old.contains(span.start_s):
            end = span.start_s
        if place == number + 1 and abs(start - old.end_s) <= SAME_S and old.contains(span.end_s):
            start = span.end_s
        if (start, end) != (segment.interval.start_s, segment.interval.end_s):
            segment = _set(segment, start, end)
        kept += _without(segment, span)
    new = Segment(span, phase, 1.0, "person")
    return Timeline(phases.extent, tuple(sorted((*kept, new), key=lambda s: s.interval)))


def _without(segment: Segment, span: Interval) -> list[Segment]:
    """What is left of a segment outside ``span``; slivers are dropped."""
    whole = segment.interval
    if whole.intersect(span) is None:
        return [segment]
    rests = ((whole.start_s, span.start_s), (span.end_s, whole.end_s))
    return [_set(segment, a, b) for a, b in rests if b - a >= SHORTEST_S]


def _span(start_s: float, end_s: float, extent: Interval) -> Interval:
    if not extent.start_s <= start_s < end_s <= extent.end_s + SAME_S:
        raise EdgeError("The end must come after the start, and both must lie in the recording.")
    if end_s - start_s < SHORTEST_S - 1e-9:
        raise EdgeError(f"This is shorter than {SHORTEST_S} s, too short to be told apart.")
    return Interval(start_s, min(end_s, extent.end_s))


# --- open-line windows -----------------------------------------------------------------------


def move_window_edge(
    windows: Iterable[Window], at_s: float, side: Side, to_s: float, extent: Interval
) -> tuple[Window, ...]:
    """Move the start or end of the window whose edge lies at ``at_s``.

    It stops at the recording's ends, at the neighbouring windows, and short of its own other
    edge.

    Raises:
        EdgeError: if no window has that edge.
    """
    rows = sorted(windows, key=lambda window: window[1:])
    for place, (phase, start, end) in enumerate(rows):
        if abs((start if side == "start" else end) - at_s) > SAME_S:
            continue
        low = rows[place - 1][2] if place else extent.start_s
        high = rows[place + 1][1] if place + 1 < len(rows) else extent.end_s
        if side == "start":
            start = min(max(to_s, low), end - SHORTEST_S)
        else:
            end = max(min(to_s, high), start + SHORTEST_S)
        rows[place] = (phase, start, end)
        return tuple(rows)
    raise EdgeError("This edge is not there any more. Look at the timeline again.")


def place_window(
    windows: Iterable[Window],
    number: int | None,
    phase: Phase,
    start_s: float,
    end_s: float,
    extent: Interval,
) -> tuple[Window, ...]:
    """Change the window at place ``number`` (from 0), or add one with None.

    Raises:
        EdgeError: if there is no such window, the span cannot be, or it overlaps another.
    """
    rows = sorted(windows, key=lambda window: window[1:])
    if number is not None:
        if not 0 <= number < len(rows):
            raise EdgeError("This span is not there any more. Look at the timeline again.")
        del rows[number]
    span = _span(start_s, end_s, extent)
    if any(span.intersect(Interval(start, end)) for _, start, end in rows):
        raise EdgeError("Two open-line spans cannot overlap. Change or remove the other one first.")
    return tuple(sorted((*rows, (phase, span.start_s, span.end_s)), key=lambda row: row[1:]))


def remove_window(windows: Iterable[Window], number: int) -> tuple[Window, ...]:
    """All windows but the one at place ``number`` (from 0).

    Raises:
        EdgeError: if there is no such window.
    """
    rows = sorted(windows, key=lambda window: window[1:])
    if not 0 <= number < len(rows):
        raise EdgeError("This span is not there any more. Look at the timeline again.")
    return tuple(row for place, row in enumerate(rows) if place != number)
