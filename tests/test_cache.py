"""Landmarks on disk: the same again, never half a file, never someone else's."""

from __future__ import annotations

import dataclasses
import logging
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review import cache
from review.cache import default_cache_dir, load_or_track, pack_track, unpack_track
from review.errors import VideoError
from review.landmarks import Sampling
from review.tracks import LandmarkTrack, TimeBase
from tests import media

ARRAYS = (
    "hands",
    "hands_world",
    "hand_score",
    "face",
    "face_score",
    "motion",
    "luma",
    "lower_face",
)


def some_track(seed: int, n: int = 40, faces: int = 97) -> LandmarkTrack:
    """Random numbers in plausible ranges, with gaps; partly outside the picture."""
    rng = np.random.default_rng(seed)
    hands = rng.uniform(-0.3, 1.3, (n, 2, 21, 3)).astype(np.float32)
    world = rng.normal(0, 0.1, (n, 2, 21, 3)).astype(np.float32)
    score = rng.uniform(0.5, 1.0, (n, 2)).astype(np.float32)
    gone = rng.random((n, 2)) < rng.random()
    hands[gone], world[gone], score[gone] = np.nan, np.nan, 0.0
    face = rng.uniform(0, 1, (n, faces, 3)).astype(np.float32)
    no_face = rng.random(n) < rng.random()
    face[no_face] = np.nan
    colours = rng.normal(0.1, 0.5, (n, 2)).astype(np.float32)
    colours[no_face] = np.nan
    motion = (rng.random((n, 18, 32)) ** 4).astype(np.float32)
    motion[0] = np.nan
    return LandmarkTrack(
        time=TimeBase(np.cumsum(rng.uniform(0.01, 0.2, n)), 60.0),
        hands=hands,
        hands_world=world,
        hand_score=score,
        face=face,
        face_score=np.where(no_face, 0, 1).astype(np.float32),
        motion=motion,
        luma=rng.random(n).astype(np.float32),
        frame_size_px=(1280, 720),
        mirrored=bool(seed % 2),
        lower_face=colours,
        held=rng.random(n) < 0.3,
    )


def same(a: LandmarkTrack, b: LandmarkTrack) -> None:
    np.testing.assert_array_equal(a.time.times_s, b.time.times_s)
    assert a.time.end_s == b.time.end_s
    assert (a.frame_size_px, a.mirrored) == (b.frame_size_px, b.mirrored)
    np.testing.assert_array_equal(a.held, b.held)
    for name in ARRAYS:
        assert getattr(a, name).dtype == np.float32
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


@given(st.integers(0, 10_000), st.integers(1, 30))
def test_packing_keeps_everything_to_within_its_steps(seed: int, n: int) -> None:
    track = some_track(seed, n)
    back = unpack_track(pack_track(track))
    np.testing.assert_array_equal(back.time.times_s, track.time.times_s)
    np.testing.assert_array_equal(back.hand_seen, track.hand_seen)
    np.testing.assert_array_equal(back.face_seen, track.face_seen)
    for name, step in (("hands", 1 / 16384), ("hands_world", 1 / 20000), ("face", 1 / 16384)):
        np.testing.assert_allclose(getattr(back, name), getattr(track, name), atol=0.51 * step)
    np.testing.assert_allclose(back.hand_score, track.hand_score, atol=0.51 / 255)
    np.testing.assert_allclose(back.luma, track.luma, atol=1e-5)
    np.testing.assert_allclose(back.lower_face, track.lower_face, atol=0.51 / 8192)
    np.testing.assert_allclose(np.sqrt(back.motion), np.sqrt(track.motion), atol=0.51 / 127)


@given(st.integers(0, 10_000))
def test_packing_twice_changes_nothing_more(seed: int) -> None:
    once = unpack_track(pack_track(some_track(seed)))
    same(once, unpack_track(pack_track(once)))


def test_a_track_packed_without_colours_has_none() -> None:
    packed = pack_track(some_track(4))
    del packed["lower_face"]
    back = unpack_track(packed)
    assert back.lower_face.shape == (len(back.time), 2) and np.isnan(back.lower_face).all()


def test_values_out_of_range_are_held_at_the_edge() -> None:
    track = some_track(2, n=3)
    wide = dataclasses.replace(
        track,
        hands=np.full_like(track.hands, 7.5),
        hands_world=np.zeros_like(track.hands_world),
        hand_score=np.full_like(track.hand_score, 0.9),
    )
    assert unpack_track(pack_track(wide)).hands.max() == pytest.approx(2.0, abs=1e-3)


# --- load_or_track ---------------------------------------------------------------------------

SAMPLING = Sampling(fps=5.0, max_side_px=160)


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    return media.write_video(tmp_path / "clip.mp4", media.steady(15, 15))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "kept"


def forbid_tracking(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> None:
        raise AssertionError("tracked although the landmarks were stored")

    monkeypatch.setattr(cache, "track_recording", refuse)


def test_the_second_time_comes_from_disk(
    clip: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, info, timing = load_or_track(clip, SAMPLING, folder)
    assert not timing.from_cache
    assert (timing.frames_decoded, timing.frames_tracked) == (15, 5)
    assert timing.analysed_s > 0
    forbid_tracking(monkeypatch)
    told: list[float] = []
    again, info_again, timing_again = load_or_track(clip, SAMPLING, folder, told.append)
    same(first, again)
    assert info_again == info
    assert timing_again.from_cache and timing_again.frames_decoded == 15
    assert told == [1.0]


def test_a_moved_recording_is_known_by_its_content(
    clip: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_or_track(clip, SAMPLING, folder)
    forbid_tracking(monkeypatch)
    moved = clip.rename(clip.with_name("moved.mp4"))
    assert load_or_track(moved, SAMPLING, folder)[1].path == moved


@pytest.mark.parametrize(
    "other",
    [
        Sampling(fps=4.0, max_side_px=160),
        Sampling(fps=5.0, max_side_px=128),
        Sampling(fps=5.0, max_side_px=160, complexity=0),
        Sampling(fps=5.0, max_side_px=160, mirrored=True),
        Sampling(fps=5.0, max_side_px=160, everywhere=True),
    ],
)
def test_another_sampling_is_another_file(clip: Path, folder: Path, other: Sampling) -> None:
    load_or_track(clip, SAMPLING, folder)
    assert not load_or_track(clip, other, folder)[2].from_cache
    assert len(list(folder.iterdir())) == 2


def test_another_model_is_another_file(
    clip: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_or_track(clip, SAMPLING, folder)
    monkeypatch.setattr(cache, "model_version", lambda complexity: "a later tracker")
    assert not load_or_track(clip, SAMPLING, folder)[2].from_cache


def test_a_changed_recording_is_tracked_again(clip: Path, folder: Path) -> None:
    load_or_track(clip, SAMPLING, folder)
    media.write_video(clip, media.steady(30, 15))
    assert len(load_or_track(clip, SAMPLING, folder)[0].time) == 10


@pytest.mark.parametrize("harm", ["empty", "cut", "text", "noise", "other"])
def test_a_damaged_file_is_made_anew_and_said_so(
    clip: Path, folder: Path, harm: str, caplog: pytest.LogCaptureFixture
) -> None:
    whole, _, _ = load_or_track(clip, SAMPLING, folder)
    (kept,) = folder.iterdir()
    data = kept.read_bytes()
    if harm == "empty":
        kept.write_bytes(b"")
    elif harm == "cut":
        kept.write_bytes(data[: len(data) // 2])
    elif harm == "text":
        kept.write_text("nothing of the kind")
    elif harm == "noise":
        media.scratch(kept, 0.2, 0.8)
    else:
        np.savez(kept, times_s=np.arange(3))
    with caplog.at_level(logging.WARNING):
        track, _, timing = load_or_track(clip, SAMPLING, folder)
    assert not timing.from_cache
    assert "damaged" in caplog.text and kept.name in caplog.text
    same(whole, track)
    caplog.clear()
    assert load_or_track(clip, SAMPLING, folder)[2].from_cache
    assert caplog.text == ""


def test_no_damaged_byte_gives_other_landmarks(clip: Path, folder: Path) -> None:
    """Wherever one byte is changed: the same landmarks, or none; never others, never a crash."""
    whole, info, _ = load_or_track(clip, SAMPLING, folder)
    (kept,) = folder.iterdir()
    data = kept.read_bytes()
    made_from = cache._made_from(clip, SAMPLING)
    for at in range(0, len(data), max(1, len(data) // 150)):
        harmed = bytearray(data)
        harmed[at] ^= 0xFF
        kept.write_bytes(harmed)
        found = cache._load(kept, made_from, clip)
        if found is not None:
            same(whole, found[0])
            assert found[1] == info


@pytest.mark.parametrize("interruption", [KeyboardInterrupt, MemoryError])
def test_an_interrupted_write_leaves_parts_alone(
    clip: Path,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    interruption: type[BaseException],
) -> None:
    def write_half(stream: Any, **_: Any) -> None:
        stream.write(b"half")
        raise interruption

    monkeypatch.setattr(cache.np, "savez_compressed", write_half)
    with pytest.raises(interruption):
        load_or_track(clip, SAMPLING, folder)
    (parts,) = folder.iterdir()
    assert parts.suffix == cache.PARTS
    monkeypatch.undo()
    load_or_track(clip, SAMPLING, folder)
    (kept,) = folder.iterdir()
    assert kept.suffix == ".npz"


def test_an_interrupted_tracking_leaves_nothing(clip: Path, folder: Path) -> None:
    def interrupt(share: float) -> None:
        if share > 0.3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load_or_track(clip, SAMPLING, folder, interrupt)
    assert not folder.exists()


def test_a_folder_that_cannot_be_written_is_done_without(
    clip: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    track, _, timing = load_or_track(clip, SAMPLING, blocked / "kept")
    assert len(track.time) == 5 and not timing.from_cache
    assert "cannot be kept" in caplog.text


def test_without_the_cache_nothing_is_read_or_written(clip: Path, folder: Path) -> None:
    load_or_track(clip, SAMPLING, folder, use_cache=False)
    assert not folder.exists()
    kept, _, _ = load_or_track(clip, SAMPLING, folder)
    again, _, timing = load_or_track(clip, SAMPLING, folder, use_cache=False)
    assert not timing.from_cache
    same(kept, again)


def test_only_the_owner_may_look(clip: Path, folder: Path) -> None:
    load_or_track(clip, SAMPLING, folder)
    assert folder.stat().st_mode & 0o077 == 0
    assert all(kept.stat().st_mode & 0o077 == 0 for kept in folder.iterdir())


def test_warnings_are_kept_and_the_duration_is_the_real_one(tmp_path: Path, folder: Path) -> None:
    path = media.write_video(
        tmp_path / "short.mp4", media.steady(150, 30), options={"movflags": "faststart"}
    )
    media.cut(path, 0.6)
    track, info, _ = load_or_track(path, SAMPLING, folder)
    assert info.duration_s == track.time.end_s < 4.5
    assert len(info.warnings) == 2
    assert load_or_track(path, SAMPLING, folder)[1] == info


def test_what_is_no_video_is_no_video_here_either(tmp_path: Path, folder: Path) -> None:
    path = tmp_path / "letter.mp4"
    path.write_text("Dear all,")
    with pytest.raises(VideoError, match=r"letter\.mp4 is not a video"):
        load_or_track(path, SAMPLING, folder)
    assert not folder.exists()


def test_where_landmarks_are_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(cache.CACHE_VARIABLE, str(tmp_path / "named"))
    assert default_cache_dir() == tmp_path / "named"
    monkeypatch.delenv(cache.CACHE_VARIABLE)
    monkeypatch.setattr(cache.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert default_cache_dir() == tmp_path / "xdg" / "exchange-review"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert default_cache_dir() == Path.home() / ".cache" / "exchange-review"


def test_the_named_folder_is_used(
    clip: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(cache.CACHE_VARIABLE, str(folder))
    load_or_track(clip, SAMPLING)
    assert len(list(folder.iterdir())) == 1
