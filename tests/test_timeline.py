"""The interval algebra: half-open, never empty, durations on the union."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.timeline import (
    Interval,
    Phase,
    Segment,
    Surface,
    Timeline,
    merge_intervals,
    total_s,
)

QUARTERS = st.integers(0, 400).map(lambda n: n / 4)
"""Quarter seconds: exact in binary, so sums can be compared exactly."""


@st.composite
def intervals(draw: st.DrawFn) -> Interval:
    start = draw(QUARTERS)
    return Interval(start, start + draw(st.integers(1, 80)) / 4)


@st.composite
def timelines(draw: st.DrawFn) -> Timeline:
    edges = sorted(draw(st.sets(st.integers(0, 400), max_size=12)))
    segments = tuple(
        Segment(Interval(a / 4, b / 4), draw(st.sampled_from(Phase)))
        for a, b in zip(edges[::2], edges[1::2], strict=False)
    )
    return Timeline(Interval(0.0, 100.0), segments)


@pytest.mark.parametrize(
    ("start", "end"),
    [(1.0, 1.0), (2.0, 1.0), (math.nan, 1.0), (0.0, math.nan), (0.0, math.inf)],
)
def test_an_interval_is_finite_and_never_empty(start: float, end: float) -> None:
    with pytest.raises(ValueError, match="an interval"):
        Interval(start, end)


@given(intervals(), QUARTERS)
def test_the_start_belongs_and_the_end_does_not(span: Interval, time_s: float) -> None:
    assert span.contains(span.start_s)
    assert not span.contains(span.end_s)
    assert span.contains(time_s) == (span.start_s <= time_s < span.end_s)


@given(intervals(), intervals())
def test_intersection_is_symmetric_and_inside_both(a: Interval, b: Interval) -> None:
    shared = a.intersect(b)
    assert shared == b.intersect(a)
    overlap = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    assert (shared.duration_s if shared else 0.0) == max(overlap, 0.0)


@given(intervals())
def test_an_interval_shares_all_of_itself(span: Interval) -> None:
    assert span.intersect(span) == span


def brute_force_union(spans: list[Interval]) -> Fraction:
    """Length of a union counted quarter second by quarter second."""
    ticks = {tick for s in spans for tick in range(round(s.start_s * 4), round(s.end_s * 4))}
    return Fraction(len(ticks), 4)


@given(st.lists(intervals(), max_size=8))
def test_total_is_that_of_the_union(spans: list[Interval]) -> None:
    assert Fraction(total_s(spans)) == brute_force_union(spans)


@given(st.lists(intervals(), max_size=8), st.integers(0, 20).map(lambda n: n / 4))
def test_merged_spans_are_sorted_and_further_apart_than_the_gap(
    spans: list[Interval], gap_s: float
) -> None:
    merged = merge_intervals(spans, gap_s)
    for before, after in itertools.pairwise(merged):
        assert after.start_s - before.end_s > gap_s
    assert all(any(s.intersect(m) == s for m in merged) for s in spans)
    assert merge_intervals(merged, gap_s) == merged


@given(st.lists(intervals(), max_size=6), QUARTERS)
def test_shifting_time_shifts_every_edge(spans: list[Interval], shift_s: float) -> None:
    moved = merge_intervals([Interval(s.start_s + shift_s, s.end_s + shift_s) for s in spans])
    assert moved == tuple(
        Interval(s.start_s + shift_s, s.end_s + shift_s) for s in merge_intervals(spans)
    )


def test_padding_grows_both_sides() -> None:
    assert Interval(5.0, 6.0).pad(1.0, 2.0) == Interval(4.0, 8.0)


@given(timelines())
def test_segments_and_gaps_fill_the_extent(timeline: Timeline) -> None:
    spans = [segment.interval for segment in timeline] + list(timeline.gaps())
    assert total_s(spans) == timeline.extent.duration_s
    assert sum(span.duration_s for span in spans) == timeline.extent.duration_s


@given(timelines(), QUARTERS)
def test_the_phase_at_a_time_is_that_of_the_segment_around_it(
    timeline: Timeline, time_s: float
) -> None:
    around = [s.phase for s in timeline if s.interval.start_s <= time_s < s.interval.end_s]
    assert timeline.phase_at(time_s) == (around[0] if around else None)


@given(timelines())
def test_every_segment_is_found_by_its_phase(timeline: Timeline) -> None:
    assert sorted(s for phase in Phase for s in timeline.of(phase)) == sorted(timeline)


@pytest.mark.parametrize("spans", [[(0, 2), (1, 3)], [(2, 3), (0, 1)], [(-1, 1)], [(9, 11)]])
def test_overlapping_unsorted_or_outside_segments_are_refused(
    spans: list[tuple[float, float]],
) -> None:
    segments = tuple(Segment(Interval(a, b), Phase.WASH) for a, b in spans)
    with pytest.raises(ValueError, match="segment"):
        Timeline(Interval(0.0, 10.0), segments)


def test_other_side_is_its_own_inverse_and_pairs_left_with_right() -> None:
    for surface in Surface:
        assert surface.other_side.other_side is surface
    swapped = {surface for surface in Surface if surface.other_side is not surface}
    assert {surface.value.rsplit("_", 1)[1] for surface in swapped} == {"left", "right"}
    assert len(swapped) == 6
