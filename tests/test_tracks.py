"""Arrays over time: durations from true timestamps, NaN for what was not seen, read-only."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.timeline import Interval, total_s
from review.tracks import MOTION_GRID, FeatureTrack, LandmarkTrack, TimeBase, spans_where


@st.composite
def time_bases(draw: st.DrawFn) -> TimeBase:
    """Uneven sample times in eighths of a second: exact in binary."""
    steps = draw(st.lists(st.integers(1, 16), min_size=1, max_size=30))
    edges = np.cumsum([0, *steps]) / 8
    return TimeBase(edges[:-1], float(edges[-1]))


def landmark_track(n: int = 3, **changes: object) -> LandmarkTrack:
    """A track in which nothing was seen."""
    fields: dict[str, object] = {
        "time": TimeBase(np.arange(n) / 15, n / 15),
        "hands": np.full((n, 2, 21, 3), np.nan, np.float32),
        "hands_world": np.full((n, 2, 21, 3), np.nan, np.float32),
        "hand_score": np.zeros((n, 2), np.float32),
        "face": np.full((n, 40, 3), np.nan, np.float32),
        "face_score": np.zeros(n, np.float32),
        "motion": np.zeros((n, *MOTION_GRID), np.float32),
        "luma": np.full(n, 0.5, np.float32),
        "frame_size_px": (640, 360),
    }
    return LandmarkTrack(**(fields | changes))  # type: ignore[arg-type]


@given(time_bases())
def test_widths_add_up_to_the_extent(time: TimeBase) -> None:
    assert time.widths_s.shape == (len(time),)
    assert float(time.widths_s.sum()) == time.extent.duration_s


def test_twenty_seconds_at_2997_frames_a_second_are_twenty_seconds() -> None:
    """599.4 frames at 30000/1001 Hz: counting frames over a rounded rate gives 20.66 s."""
    times = np.arange(900) * 1001 / 30000
    time = TimeBase(times, 900 * 1001 / 30000)
    spans = spans_where(time.inside(Interval(0.0, 20.0)), time)
    assert len(spans) == 1
    assert spans[0].duration_s == pytest.approx(20.0, abs=1001 / 30000)


@given(time_bases(), st.data())
def test_spans_where_rebuild_the_mask(time: TimeBase, data: st.DataObject) -> None:
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(time), max_size=len(time))))
    spans = spans_where(mask, time)
    again = np.zeros(len(time), dtype=bool)
    for span in spans:
        again |= time.inside(span)
    np.testing.assert_array_equal(again, mask)
    assert total_s(spans) == float(time.widths_s[mask].sum())
    for before, after in itertools.pairwise(spans):
        assert before.end_s < after.start_s


@given(time_bases(), st.data())
def test_spans_within_are_those_of_the_samples_within(time: TimeBase, data: st.DataObject) -> None:
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(time), max_size=len(time))))
    ends = st.floats(time.extent.start_s - 1.0, time.extent.end_s + 1.0)
    start, end = sorted((data.draw(ends), data.draw(ends)))
    within = Interval(start, end + 1e-3)
    assert spans_where(mask, time, within) == spans_where(mask & time.inside(within), time)


def test_spans_reach_to_the_end_of_the_recording() -> None:
    time = TimeBase(np.array([0.0, 1.0, 2.0]), 2.5)
    assert spans_where(np.array([False, True, True]), time) == (Interval(1.0, 2.5),)
    assert spans_where(np.zeros(3, dtype=bool), time) == ()


def test_a_mask_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="mask of shape"):
        spans_where(np.array([True]), TimeBase(np.array([0.0, 1.0]), 2.0))


@pytest.mark.parametrize(
    ("times", "end_s"),
    [
        ([], 1.0),
        ([0.0, 0.0], 1.0),
        ([1.0, 0.5], 2.0),
        ([0.0, np.nan], 2.0),
        ([0.0, 1.0], 1.0),
        ([0.0, 1.0], np.nan),
        ([[0.0, 1.0]], 2.0),
    ],
)
def test_wrong_sample_times_are_refused(times: list[float], end_s: float) -> None:
    with pytest.raises(ValueError, match=r"sample times|the end"):
        TimeBase(np.array(times), end_s)


def test_the_half_open_span_leaves_its_end_out() -> None:
    time = TimeBase(np.array([0.0, 1.0, 2.0, 3.0]), 4.0)
    assert time.inside(Interval(1.0, 3.0)).tolist() == [False, True, True, False]


@pytest.mark.parametrize(
    "write",
    [
        lambda track: track.hands.__setitem__(0, 0.0),
        lambda track: track.time.times_s.__setitem__(0, 9.0),
        lambda track: setattr(track, "mirrored", True),
    ],
)
def test_tracks_cannot_be_changed(write: Callable[[LandmarkTrack], None]) -> None:
    with pytest.raises((ValueError, AttributeError)):
        write(landmark_track())


def test_a_time_base_keeps_its_own_copy() -> None:
    times = np.array([0.0, 1.0])
    time = TimeBase(times, 2.0)
    times[0] = 0.5
    assert time.times_s[0] == 0.0


@pytest.mark.parametrize(
    ("field", "shape"),
    [
        ("hands", (3, 21, 3)),
        ("hands_world", (2, 2, 21, 3)),
        ("hand_score", (3,)),
        ("face", (3, 40)),
        ("face_score", (4,)),
        ("motion", (3, 18, 31)),
        ("luma", (3, 1)),
    ],
)
def test_a_wrong_shape_is_named(field: str, shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=rf"^{field} must have shape"):
        landmark_track(**{field: np.zeros(shape, np.float32)})


def test_not_seen_is_nan_never_zero() -> None:
    track = landmark_track()
    assert not track.hand_seen.any()
    assert not track.face_seen.any()
    hands = np.full((3, 2, 21, 3), np.nan, np.float32)
    hands[1, 0] = 0.0
    seen = landmark_track(hands=hands).hand_seen
    assert seen.tolist() == [[False, False], [True, False], [False, False]]


def test_features_are_found_by_name_only() -> None:
    time = TimeBase(np.array([0.0, 1.0]), 2.0)
    features = FeatureTrack(time, ("speed", "turn"), ("hw/s", "deg"), np.array([[1.0, 2], [3, 4]]))
    np.testing.assert_array_equal(features.column("turn"), [2.0, 4.0])
    with pytest.raises(KeyError, match="no feature called 'spin'"):
        features.column("spin")


@pytest.mark.parametrize(
    ("names", "units", "shape"),
    [(("a",), ("s",), (2, 2)), (("a", "a"), ("s", "s"), (2, 2)), (("a", "b"), ("s",), (2, 2))],
)
def test_features_that_do_not_fit_are_refused(
    names: tuple[str, ...], units: tuple[str, ...], shape: tuple[int, int]
) -> None:
    with pytest.raises(ValueError, match=r"shape|one unit and a name"):
        FeatureTrack(TimeBase(np.array([0.0, 1.0]), 2.0), names, units, np.zeros(shape))


def test_colours_of_the_lower_face_are_unknown_unless_given() -> None:
    track = landmark_track()
    assert track.lower_face.shape == (3, 2) and track.lower_face.dtype == np.float32
    assert np.isnan(track.lower_face).all() and not track.lower_face.flags.writeable
    given_colours = np.arange(6, dtype=np.float32).reshape(3, 2)
    np.testing.assert_array_equal(
        landmark_track(lower_face=given_colours).lower_face, given_colours
    )
    with pytest.raises(ValueError, match="lower_face"):
        landmark_track(lower_face=np.zeros((2, 2), np.float32))
