"""Parts of a recording are the same pictures at the same times as reading from the start gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from review.errors import VideoError
from review.seeking import (
    GLANCE_S,
    LEAST_SPACING_S,
    StreamIndex,
    Stretch,
    glance_pictures,
    read_index,
)
from review.video import cell_of, probe, sample_frames
from tests import media

FPS = 15.0


def index_of(path: Path) -> StreamIndex:
    index = read_index(path, probe(path))
    assert index is not None
    return index


def uneven(count: int) -> list[float]:
    """Times of a phone whose frame rate wanders between about 20 and 40."""
    steps = 1 / 30 + 0.008 * np.sin(np.arange(count) / 7)
    return [0.0, *np.cumsum(steps)[:-1].tolist()]


RECORDINGS = {
    "steady": lambda p: media.write_video(p, media.steady(240, 30), (160, 120)),
    "uneven": lambda p: media.write_video(p, uneven(240), (160, 120)),
    "late": lambda p: media.write_video(p, [t + 3.2 for t in media.steady(240, 30)], (160, 120)),
    "few": lambda p: media.write_video(p, media.steady(80, 10), (160, 120)),
    "b_frames": lambda p: media.write_video(p, media.steady(240, 30), (160, 120), codec="libx265"),
    "turned": lambda p: media.set_matrix(
        media.write_video(p, media.steady(240, 30), (160, 120)), media.QUARTER_TURNS[90]
    ),
}


@pytest.fixture(scope="module", params=sorted(RECORDINGS))
def recording(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return RECORDINGS[request.param](tmp_path_factory.mktemp("made") / f"{request.param}.mp4")


def test_stretches_put_together_are_the_recording(recording: Path) -> None:
    whole = list(sample_frames(recording, FPS, 160))
    index, end = index_of(recording), round(probe(recording).duration_s * FPS)
    parts = [
        item
        for first in range(0, end, 37)
        for item in Stretch(recording, index, (first, min(first + 37, end)), FPS, 160)
    ]
    assert [time_s for time_s, _ in parts] == pytest.approx([time_s for time_s, _ in whole])
    for (_, mine), (_, theirs) in zip(parts, whole, strict=True):
        np.testing.assert_array_equal(mine, theirs)


def test_a_stretch_does_not_read_what_comes_before(recording: Path) -> None:
    index = index_of(recording)
    stretch = Stretch(recording, index, (90, 100), FPS, 160)
    assert 6 <= len(list(stretch)) <= 11
    assert stretch.complete
    assert stretch.frames_decoded < 120


def test_glances_are_pictures_of_the_recording(recording: Path) -> None:
    index = index_of(recording)
    every = {round(time_s, 4) for time_s, _ in sample_frames(recording, 120.0, 160)}
    times = [time_s for time_s, _ in glance_pictures(recording, index, 0.0, 99.0, 160)]
    assert times and {round(time_s, 4) for time_s in times} <= every
    assert np.diff(times).min() >= LEAST_SPACING_S - 1e-6
    assert np.diff(times).max() <= 2 * GLANCE_S + 0.2


def test_glances_of_two_halves_are_those_of_the_whole(recording: Path) -> None:
    index = index_of(recording)
    keys = [t for t, _ in glance_pictures(recording, index, 0.0, 99.0, 160)]
    middle = keys[len(keys) // 2]
    first = [t for t, _ in glance_pictures(recording, index, 0.0, middle, 160)]
    second = [t for t, _ in glance_pictures(recording, index, middle, 99.0, 160)]
    assert first + second == keys


def test_key_pictures_far_apart_are_helped_out(tmp_path: Path) -> None:
    path = media.write_video(
        tmp_path / "far.mp4", media.steady(300, 30), (160, 120), key_frame_every=299
    )
    index = index_of(path)
    assert index.gap_s > 9
    times = [time_s for time_s, _ in glance_pictures(path, index, 0.0, 99.0, 160)]
    assert len(times) >= 9 and np.diff(times).max() < 1.2


def test_bytes_between_add_up(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(120, 30), (160, 120))
    index = index_of(path)
    assert index.bytes_before[-1] < path.stat().st_size
    times = np.array([0.0, 1.0, 3.0])
    spans = np.array([1.0, 2.0, index.coded_s[-1] - 3.0])
    assert (index.bytes_between(times) * spans).sum() == pytest.approx(index.bytes_before[-1])


def test_what_cannot_be_relied_on_has_no_index(tmp_path: Path) -> None:
    cut = media.write_video(
        tmp_path / "cut.mp4", media.steady(150, 30), options={"movflags": "faststart"}
    )
    media.cut(cut, 0.6)
    leap = media.write_video(tmp_path / "leap.mp4", [0.0, 0.1, 0.2, 900.0, 900.1], (160, 120))
    one = media.write_video(tmp_path / "one.mp4", [0.0], (160, 120))
    for path in (cut, leap, one):
        assert read_index(path, probe(path)) is None, path.name


def test_damage_inside_is_noticed(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(300, 30), (160, 120))
    info = probe(path)
    index = read_index(path, info)
    assert index is not None
    media.scratch(path, 0.3, 0.6)
    try:
        stretch = Stretch(path, index, (0, 140), FPS, 160)
        found = list(stretch)
    except VideoError:
        return
    assert not stretch.complete or len(found) < 140


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, StreamIndex, list[float]]:
    """A recording, its index and the times of its sampled pictures."""
    path = media.write_video(tmp_path_factory.mktemp("made") / "s.mp4", uneven(260), (64, 48))
    return path, index_of(path), [time_s for time_s, _ in sample_frames(path, FPS, 64)]


@settings(max_examples=30)
@given(first=st.integers(0, 100), count=st.integers(1, 60))
def test_any_stretch_has_the_pictures_of_its_cells(
    shared: tuple[Path, StreamIndex, list[float]], first: int, count: int
) -> None:
    path, index, times = shared
    wanted = [t for t in times if first <= cell_of(t, FPS) < first + count]
    found = [t for t, _ in Stretch(path, index, (first, first + count), FPS, 64)]
    assert found == pytest.approx(wanted)
