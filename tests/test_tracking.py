"""A recording in pieces: the same as in one run, whoever does it and however often it stops."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from review import tracking
from review.cache import load_or_track
from review.features import compute_features
from review.landmarks import Looks, Sampling
from review.picturemotion import motion_rate
from review.timeline import Interval
from review.tracking import Tracked, track_recording
from review.tracks import LandmarkTrack
from tests import media
from tests.test_cache import some_track

SAMPLING = Sampling(fps=5.0, max_side_px=160)
PLAIN = Sampling(fps=5.0, max_side_px=160, everywhere=True)
ARRAYS = ("hands", "hands_world", "hand_score", "face", "motion", "luma", "lower_face", "held")


def same(a: LandmarkTrack, b: LandmarkTrack) -> None:
    np.testing.assert_array_equal(a.time.times_s, b.time.times_s)
    assert a.time.end_s == b.time.end_s
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


@pytest.fixture
def short_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracking, "PIECE_S", 3.0)


@pytest.fixture
def surveyed(monkeypatch: pytest.MonkeyPatch, short_pieces: None) -> None:
    """Short recordings are surveyed too, in short parts."""
    monkeypatch.setattr(tracking, "SURVEY_FROM_S", 1.0)
    monkeypatch.setattr(tracking, "CHUNK_S", 7.0)


@pytest.fixture(scope="module")
def moving(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve seconds of the test card with its growing bar."""
    path = tmp_path_factory.mktemp("made") / "moving.mp4"
    return media.write_video(path, media.steady(180, 15), (160, 120))


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty seconds of one picture."""
    path = tmp_path_factory.mktemp("made") / "still.mp4"
    pictures = [media.card(5, 160, 120)] * 300
    return media.write_video(
        path, media.steady(300, 15), (160, 120), pictures=pictures, key_frame_every=15
    )


def test_pieces_are_the_recording(moving: Path, short_pieces: None) -> None:
    whole, pieces = (track_recording(moving, sampling) for sampling in (PLAIN, SAMPLING))
    np.testing.assert_array_equal(pieces.track.time.times_s, whole.track.time.times_s)
    assert pieces.track.time.end_s == whole.track.time.end_s
    # Each piece's first picture is compared with the last one of its run-up.
    np.testing.assert_array_equal(pieces.track.motion, whole.track.motion)
    np.testing.assert_array_equal(pieces.track.luma, whole.track.luma)
    assert not pieces.track.held.any()
    assert whole.frames_decoded == 180 < pieces.frames_decoded
    assert pieces.close_s == pytest.approx(12.0, abs=0.1)


def test_where_nothing_moves_a_picture_now_and_then_is_enough(still: Path, surveyed: None) -> None:
    found = track_recording(still, SAMPLING)
    steps = np.diff(found.track.time.times_s)
    assert found.close_s == 0.0
    assert len(found.track.time) < 12 and steps.max() <= 4.1
    assert found.track.held[:-1].all()
    assert found.track.time.end_s == pytest.approx(20.0, abs=0.1)
    assert found.frames_tracked < 12 and found.frames_decoded < 40


def test_processes_change_nothing(
    moving: Path, surveyed: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tracking, "ALONE_BELOW_S", 0.0)
    same(
        track_recording(moving, SAMPLING, workers=1).track,
        track_recording(moving, SAMPLING, workers=2).track,
    )


class Stop(Exception):
    """Stands for any interruption."""


@pytest.mark.parametrize("at", [0.15, 0.4, 0.7, 0.95])
@pytest.mark.parametrize("everything_close", [True, False])
def test_a_stopped_run_goes_on_and_gives_the_same(
    moving: Path,
    surveyed: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    at: float,
    everything_close: bool,
) -> None:
    if everything_close:
        monkeypatch.setattr(tracking, "working", lambda glances, _: glances.times_s >= 0)
    unbroken = track_recording(moving, SAMPLING)
    assert (unbroken.close_s > 0) == everything_close

    def stop(share: float) -> None:
        if at <= share < 1.0:
            raise Stop

    kept = tmp_path / "parts"
    with suppress(Stop):
        track_recording(moving, SAMPLING, stop, keep=kept, workers=1)
    done = len(list(kept.glob("*.npz"))) if kept.exists() else 0
    again = track_recording(moving, SAMPLING, keep=kept, workers=1)
    assert again.resumed == done
    same(unbroken.track, again.track)
    assert not list(kept.glob("*.partial"))


def test_a_damaged_part_is_done_again(moving: Path, short_pieces: None, tmp_path: Path) -> None:
    kept = tmp_path / "parts"
    first = track_recording(moving, SAMPLING, keep=kept)
    parts = sorted(kept.glob("*.npz"))
    assert len(parts) == 4
    parts[1].write_bytes(parts[1].read_bytes()[:200])
    again = track_recording(moving, SAMPLING, keep=kept)
    assert again.resumed == 3
    same(first.track, again.track)


def test_parts_are_gone_once_the_landmarks_are_kept(
    moving: Path, short_pieces: None, tmp_path: Path
) -> None:
    def stop(share: float) -> None:
        if share > 0.6:
            raise Stop

    with pytest.raises(Stop):
        load_or_track(moving, SAMPLING, tmp_path, stop)
    (parts,) = tmp_path.iterdir()
    assert parts.is_dir() and parts.stat().st_mode & 0o077 == 0
    load_or_track(moving, SAMPLING, tmp_path)
    (kept,) = tmp_path.iterdir()
    assert kept.is_file()


def test_progress_never_goes_back(moving: Path, surveyed: None) -> None:
    told: list[float] = []
    track_recording(moving, SAMPLING, told.append, workers=1)
    assert told == sorted(told) and told[-1] == pytest.approx(1.0)


def test_a_file_without_a_good_index_is_read_from_the_start(tmp_path: Path) -> None:
    path = media.write_video(
        tmp_path / "short.mp4", media.steady(150, 30), options={"movflags": "faststart"}
    )
    media.cut(path, 0.6)
    found = track_recording(path, SAMPLING)
    assert found.track.time.end_s < 4.5 and len(found.info.warnings) == 2


def test_damage_that_the_index_hides_is_told(tmp_path: Path, short_pieces: None) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(300, 30), (160, 120))
    media.scratch(path, 0.35, 0.55)
    found: Tracked = track_recording(path, SAMPLING)
    assert any("damaged" in warning for warning in found.info.warnings)


def test_close_pieces_take_the_place_of_seldom_looks() -> None:
    def looks(times: list[float]) -> Looks:
        one = Looks.none()
        rows = {
            name: np.zeros((len(times), *getattr(one, name).shape[1:]), dtype=np.float32)
            for name in ("points", "world", "right", "faces", "colours", "motion", "luma")
        }
        return Looks(np.array(times), **rows)

    joined, held = tracking._together(
        looks([0.0, 4.0, 8.0, 12.0, 16.0]),
        [looks([7.0, 7.5, 8.5, 9.0])],
        [Interval(6.8, 9.3)],
    )
    assert joined.times_s.tolist() == [0.0, 4.0, 7.0, 7.5, 8.5, 9.0, 12.0, 16.0]
    assert held.tolist() == [True, True, False, False, False, True, True, True]


def test_held_hands_stay_where_they_are_in_the_features() -> None:
    """Between two sightings a straight line; what was seen once counts for half the stretch."""
    track = some_track(3, n=4)
    fields: dict[str, Any] = {
        name: getattr(track, name)
        for name in (
            "hand_score", "face", "face_score", "motion", "luma", "frame_size_px", "mirrored",
            "lower_face",
        )
    }  # fmt: skip
    hands = np.repeat(some_track(9, n=1).hands[:1], 4, axis=0)
    hands[:] = np.linspace(0.2, 0.4, 42).reshape(1, 2, 21, 1)
    hands[2:, 1] = np.nan
    time = type(track.time)(np.array([0.0, 3.0, 6.0, 9.0]), 10.0)
    world = np.where(np.isnan(hands), np.nan, 0.01 + hands * 0.1).astype(np.float32)
    made = {"time": time, "hands": hands, "hands_world": world, **fields}
    held = LandmarkTrack(**made, held=np.array([True, True, True, False]))
    loose = LandmarkTrack(**made)
    features, without = compute_features(held), compute_features(loose)
    at = features.time.times_s
    np.testing.assert_array_equal(features.column("left_seen") > 0, at < 9.15)
    np.testing.assert_array_equal(features.column("right_seen") > 0, at < 4.5)
    assert without.column("left_seen").sum() < 15
    np.testing.assert_allclose(np.nanstd(features.column("left_x")), 0.0, atol=1e-6)


def test_change_over_a_held_stretch_counts_as_noise_of_one_step() -> None:
    track = some_track(11, n=5)
    change = np.full_like(track.motion, 0.02)
    change[0] = np.nan
    time = type(track.time)(np.array([0.0, 0.1, 0.2, 4.2, 4.3]), 5.0)
    made = replace(
        track, time=time, motion=change, held=np.array([False, False, True, False, False])
    )
    np.testing.assert_allclose(motion_rate(made)[1:], 0.2, rtol=1e-5)
    loose = replace(made, held=np.zeros(5, dtype=bool))
    np.testing.assert_allclose(motion_rate(loose)[3], 0.005, rtol=1e-5)
