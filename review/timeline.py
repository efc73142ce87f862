"""Intervals, segments and timelines.

Convention, fixed once for the whole project: time is float seconds from the first
frame of the recording, and every interval is half-open, ``[start_s, end_s)``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

Source = Literal["machine", "person"]


class Phase(StrEnum):
    """The phases of one bag exchange, plus ``OTHER`` for everything else."""

    WASH = "wash"
    SURFACE_PREP = "surface_prep"
    HAND_RUB = "hand_rub"
    CONNECT = "connect"
    WAITING = "waiting"
    DISCONNECT = "disconnect"
    OTHER = "other"


class Surface(StrEnum):
    """The nine hand surfaces a wash should rub (left/right are the subject's own)."""

    PALMS = "palms"
    BACK_LEFT = "back_left"
    BACK_RIGHT = "back_right"
    BETWEEN_FINGERS = "between_fingers"
    BACKS_OF_FINGERS = "backs_of_fingers"
    THUMB_LEFT = "thumb_left"
    THUMB_RIGHT = "thumb_right"
    FINGERTIPS_LEFT = "fingertips_left"
    FINGERTIPS_RIGHT = "fingertips_right"

    @property
    def other_side(self) -> Surface:
        """The same surface of the other hand (itself where there is only one)."""
        if self.value.endswith("_left"):
            return Surface(self.value.removesuffix("_left") + "_right")
        if self.value.endswith("_right"):
            return Surface(self.value.removesuffix("_right") + "_left")
        return self


@dataclass(frozen=True, slots=True, order=True)
class Interval:
    """A half-open span of time ``[start_s, end_s)`` in seconds.

    Raises:
        ValueError: if an edge is not finite, or the span is empty or reversed.

    >>> Interval(1.0, 3.0).duration_s
    2.0
    >>> Interval(1.0, 3.0).contains(3.0)
    False
    """

    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.start_s) and math.isfinite(self.end_s)):
            raise ValueError(f"an interval needs finite edges, got {self.start_s}..{self.end_s}")
        if self.start_s >= self.end_s:
            raise ValueError(
                f"an interval must end after it starts, got {self.start_s}..{self.end_s}"
            )

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s

    def contains(self, time_s: float) -> bool:
        """Whether ``time_s`` lies inside; the end itself does not."""
        return self.start_s <= time_s < self.end_s

    def intersect(self, other: Interval) -> Interval | None:
        """The shared span, or None where there is none.

        >>> Interval(0, 2).intersect(Interval(1, 3))
        Interval(start_s=1, end_s=2)
        >>> Interval(0, 1).intersect(Interval(1, 2)) is None
        True
        """
        start, end = max(self.start_s, other.start_s), min(self.end_s, other.end_s)
        return Interval(start, end) if start < end else None

    def pad(self, before_s: float, after_s: float) -> Interval:
        """The span grown by ``before_s`` and ``after_s`` seconds."""
        return Interval(self.start_s - before_s, self.end_s + after_s)


def merge_intervals(intervals: Iterable[Interval], gap_s: float = 0.0) -> tuple[Interval, ...]:
    """The union of ``intervals`` as sorted, separate spans; gaps up to ``gap_s`` are closed.

    >>> merge_intervals([Interval(0, 2), Interval(1, 3), Interval(5, 6)])
    (Interval(start_s=0, end_s=3), Interval(start_s=5, end_s=6))
    """
    merged: list[Interval] = []
    for span in sorted(intervals):
        if merged and span.start_s <= merged[-1].end_s + gap_s:
            merged[-1] = Interval(merged[-1].start_s, max(merged[-1].end_s, span.end_s))
        else:
            merged.append(span)
    return tuple(merged)


def total_s(intervals: Iterable[Interval]) -> float:
    """Seconds covered by the union of ``intervals`` (overlaps count once).

    >>> total_s([Interval(0, 2), Interval(1, 3)])
    3
    """
    return sum((span.duration_s for span in merge_intervals(intervals)), 0)


@dataclass(frozen=True, slots=True, order=True)
class Segment:
    """A phase over an interval.

    ``confidence`` is a probability in [0, 1]; ``source`` says whether a machine proposed
    it or a person set it.
    """

    interval: Interval
    phase: Phase
    confidence: float = 1.0
    source: Source = "machine"


@dataclass(frozen=True, slots=True)
class Timeline:
    """Sorted segments without overlap inside ``extent``.

    Unlabelled time is a gap, never a guess: segments and gaps add up to the extent.

    Raises:
        ValueError: if segments overlap, are unsorted or leave the extent.
    """

    extent: Interval
    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        previous_end = self.extent.start_s
        for segment in self.segments:
            if segment.interval.start_s < previous_end:
                raise ValueError(f"segment {segment} starts before {previous_end} s")
            previous_end = segment.interval.end_s
        if previous_end > self.extent.end_s:
            raise ValueError(f"segments end at {previous_end} s, after the extent {self.extent}")

    def __iter__(self) -> Iterator[Segment]:
        return iter(self.segments)

    def gaps(self) -> tuple[Interval, ...]:
        """The spans of the extent that no segment covers."""
        gaps: list[Interval] = []
        cursor = self.extent.start_s
        for segment in self.segments:
            if segment.interval.start_s > cursor:
                gaps.append(Interval(cursor, segment.interval.start_s))
            cursor = segment.interval.end_s
        if cursor < self.extent.end_s:
            gaps.append(Interval(cursor, self.extent.end_s))
        return tuple(gaps)

    def of(self, phase: Phase) -> tuple[Segment, ...]:
        """All segments of one phase, in order."""
        return tuple(segment for segment in self.segments if segment.phase == phase)

    def phase_at(self, time_s: float) -> Phase | None:
        """The phase at ``time_s``, or None in a gap."""
        for segment in self.segments:
            if segment.interval.contains(time_s):
                return segment.phase
        return None
