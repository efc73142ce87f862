"""Reading recordings: true times, the right way up, and kind words for broken files.

Independent values: OpenCV's own reader (a different timestamp and rotation code over the
same file), ISO/IEC 14496-12 for the track matrix, hashlib over the whole file.
"""

from __future__ import annotations

import gc
import hashlib
import itertools
from pathlib import Path

import cv2
import numpy as np
import pytest
from av.video.frame import VideoFrame

from review.errors import VideoError
from review.video import file_sha256, probe, sample_frames
from tests import media


def times_of(path: Path, fps: float = 15.0) -> list[float]:
    return [time_s for time_s, _ in sample_frames(path, fps, 160)]


# --- probe -----------------------------------------------------------------------------------


def test_probe_of_a_plain_recording(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "plain.mp4", media.steady(150, 30), sound=True)
    info = probe(path)
    assert (info.width, info.height, info.rotation_deg) == (320, 240, 0)
    assert info.duration_s == pytest.approx(5.0, abs=0.05)
    assert info.fps == pytest.approx(30.0, rel=0.01)
    assert info.codec == "h264"
    assert info.has_audio and not info.variable_frame_rate
    assert info.warnings == ()
    assert info.path == path


def test_probe_without_sound(tmp_path: Path) -> None:
    assert not probe(media.write_video(tmp_path / "a.mp4", media.steady(10, 30))).has_audio


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "mov"])
@pytest.mark.parametrize("fps", [24.0, 30000 / 1001, 60.0])
def test_a_steady_rate_is_steady_in_every_container(
    tmp_path: Path, suffix: str, fps: float
) -> None:
    # Matroska rounds times to whole milliseconds: 60 a second becomes 16, 17, 17 ms.
    path = media.write_video(tmp_path / f"steady.{suffix}", media.steady(90, fps))
    info = probe(path)
    assert not info.variable_frame_rate
    assert info.fps == pytest.approx(fps, rel=0.03)


def test_a_varying_rate_is_seen(tmp_path: Path) -> None:
    steps = [1 / 30, 1 / 30, 1 / 12, 1 / 30, 1 / 20] * 20
    path = media.write_video(tmp_path / "phone.mp4", np.cumsum([0.0, *steps]).tolist())
    assert probe(path).variable_frame_rate


def test_duration_of_a_file_that_states_none(tmp_path: Path) -> None:
    # A raw stream has no header at all; its packets carry the only times there are.
    path = media.write_video(tmp_path / "live.mkv", media.steady(60, 30), options={"live": "1"})
    assert probe(path).duration_s == pytest.approx(2.0, abs=0.1)


# --- times -----------------------------------------------------------------------------------


def test_thirty_a_second_give_every_second_picture(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(60, 30))
    np.testing.assert_allclose(times_of(path), np.arange(30) / 15, atol=1e-4)


def test_not_one_more_at_the_end(tmp_path: Path) -> None:
    # The picture at 4.967 s is nearest to the grid point at 5 s, where the recording ends.
    path = media.write_video(tmp_path / "five.mp4", media.steady(150, 30))
    np.testing.assert_allclose(times_of(path, fps=5.0), np.arange(25) / 5, atol=1e-4)


def test_a_slow_recording_gives_what_it_has_and_nothing_twice(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "slow.mp4", media.steady(30, 10))
    np.testing.assert_allclose(times_of(path), np.arange(30) / 10, atol=1e-4)


def test_one_picture_a_second(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "one.mp4", media.steady(6, 1))
    assert probe(path).fps == pytest.approx(1.0, rel=0.2)
    np.testing.assert_allclose(times_of(path), np.arange(6.0), atol=1e-4)


def test_the_picture_nearest_to_each_grid_point_is_taken(tmp_path: Path) -> None:
    times = [0.0, 0.06, 0.07, 0.12, 0.131, 0.16, 0.21]
    path = media.write_video(tmp_path / "vfr.mp4", times)
    # Grid at 0, 1/15, 2/15, 3/15: nearest are 0, 0.07, 0.131, 0.21; 0.16 belongs to 2/15.
    np.testing.assert_allclose(times_of(path), [0.0, 0.07, 0.131, 0.21], atol=1e-4)


def test_times_count_from_the_first_picture(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "late.mkv", [4.0 + t for t in media.steady(15, 15)])
    np.testing.assert_allclose(times_of(path), np.arange(15) / 15, atol=2e-3)


def test_times_agree_with_another_reader(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    times = np.cumsum(np.r_[0.0, rng.uniform(0.02, 0.12, 60)]).tolist()
    path = media.write_video(tmp_path / "phone.mp4", times)
    reader = cv2.VideoCapture(str(path))
    others = []
    while reader.read()[0]:
        others.append(reader.get(cv2.CAP_PROP_POS_MSEC) / 1000.0)
    reader.release()
    mine = times_of(path, fps=120.0)
    assert len(mine) == len(others) == 61
    np.testing.assert_allclose(mine, others, atol=1e-3)


@pytest.mark.parametrize("fps", [5.0, 15.0, 29.97])
def test_never_more_than_asked_for_and_always_increasing(tmp_path: Path, fps: float) -> None:
    rng = np.random.default_rng(11)
    times = np.cumsum(np.r_[0.0, rng.exponential(0.03, 200) + 0.002]).tolist()
    mine = np.array(times_of(media.write_video(tmp_path / "wild.mkv", times), fps))
    assert (np.diff(mine) > 0).all()
    cells = np.round(mine * fps)
    assert len(set(cells.tolist())) == len(cells)
    # Matroska keeps whole milliseconds.
    assert np.abs(mine[:, None] - np.array(times)).min(axis=1).max() < 0.0011


def test_the_pictures_belong_to_their_times(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(16, 15), size=(320, 240))
    for number, (_, picture) in enumerate(sample_frames(path)):
        dark = (picture[120, :, :].max(axis=1) < 60).sum()
        assert dark == pytest.approx((number + 1) * 20, abs=6)


def test_counts_and_end(tmp_path: Path) -> None:
    frames = sample_frames(media.write_video(tmp_path / "a.mp4", media.steady(90, 30)))
    assert len(list(frames)) == 45
    assert frames.frames_decoded == 90
    assert frames.end_s == pytest.approx(3.0, abs=0.01)
    assert frames.warnings == ()


def test_absurd_times_still_run_forward(tmp_path: Path) -> None:
    # A jump of ten hours, as a clock change makes it, then back again.
    times = [0.0, 0.1, 0.2, 36000.0, 36000.1, 36000.2]
    path = media.write_video(tmp_path / "jump.mkv", times)
    frames = sample_frames(path)
    mine = [t for t, _ in frames]
    assert len(mine) == 6
    assert (np.diff(mine) > 0).all() and mine[-1] < 2.0
    assert any("impossible times" in note for note in frames.warnings)


@pytest.mark.parametrize("fps", [0.0, -1.0, float("nan"), float("inf")])
def test_a_senseless_rate_is_refused(tmp_path: Path, fps: float) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(3, 30))
    with pytest.raises(ValueError, match="fps > 0"):
        sample_frames(path, fps)


# --- pictures --------------------------------------------------------------------------------

TURNED = {  # which card corner a viewer sees in each corner after turning it clockwise
    0: ("top_left", "top_right", "bottom_left", "bottom_right"),
    90: ("bottom_left", "top_left", "bottom_right", "top_right"),
    180: ("bottom_right", "bottom_left", "top_right", "top_left"),
    270: ("top_right", "bottom_right", "top_left", "bottom_left"),
}


@pytest.mark.parametrize("turn", sorted(media.QUARTER_TURNS))
def test_a_phone_held_any_way_comes_out_upright(tmp_path: Path, turn: int) -> None:
    path = media.write_video(tmp_path / "phone.mp4", media.steady(5, 15), size=(320, 240))
    media.set_matrix(path, media.QUARTER_TURNS[turn])
    info = probe(path)
    assert info.rotation_deg == turn
    assert (info.width, info.height) == ((240, 320) if turn in (90, 270) else (320, 240))
    for _, picture in sample_frames(path, max_side_px=160):
        assert picture.shape == ((160, 120, 3) if turn in (90, 270) else (120, 160, 3))
        assert tuple(media.corners_of(picture).values()) == TURNED[turn]


@pytest.mark.parametrize("turn", sorted(media.QUARTER_TURNS))
def test_turning_agrees_with_another_reader(tmp_path: Path, turn: int) -> None:
    path = media.write_video(tmp_path / "phone.mp4", media.steady(2, 15), size=(320, 240))
    media.set_matrix(path, media.QUARTER_TURNS[turn])
    reader = cv2.VideoCapture(str(path))
    reader.set(cv2.CAP_PROP_ORIENTATION_AUTO, 1)
    theirs = reader.read()[1][:, :, ::-1]
    reader.release()
    _, mine = next(sample_frames(path, max_side_px=320))
    assert mine.shape == theirs.shape
    assert np.abs(mine.astype(int) - theirs.astype(int)).mean() < 4.0


def test_a_flipped_picture_comes_out_flipped(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "selfie.mp4", media.steady(2, 15))
    media.set_matrix(path, media.SIDEWAYS_FLIP)
    assert probe(path).rotation_deg == 0
    _, picture = next(sample_frames(path))
    assert tuple(media.corners_of(picture).values()) == (
        "top_right", "top_left", "bottom_right", "bottom_left",
    )  # fmt: skip


def test_small_pictures_are_not_enlarged(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(2, 15), size=(320, 240))
    _, picture = next(sample_frames(path, max_side_px=960))
    assert picture.shape == (240, 320, 3) and picture.dtype == np.uint8
    assert picture.flags.c_contiguous


def test_eight_k(tmp_path: Path) -> None:
    still = media.card(3, 7680, 4320)
    path = media.write_video(
        tmp_path / "8k.mp4", media.steady(2, 15), size=(7680, 4320), pictures=[still, still]
    )
    info = probe(path)
    assert (info.width, info.height) == (7680, 4320)
    pictures = [picture for _, picture in sample_frames(path, max_side_px=960)]
    assert [p.shape for p in pictures] == [(540, 960, 3)] * 2
    assert tuple(media.corners_of(pictures[0]).values()) == TURNED[0]


# --- files that cannot be read ---------------------------------------------------------------


def everything(path: Path) -> None:
    probe(path)
    list(sample_frames(path))


@pytest.mark.parametrize("call", [everything, file_sha256])
def test_missing_folder_empty(tmp_path: Path, call) -> None:  # type: ignore[no-untyped-def]
    empty = tmp_path / "empty.mp4"
    empty.touch()
    for path, words in (
        (tmp_path / "none.mp4", "does not exist: check"),
        (tmp_path, "is a folder: name one"),
        (empty, "is empty: copy"),
    ):
        with pytest.raises(VideoError, match=words) as caught:
            call(path)
        assert str(path) in str(caught.value)
        assert "\n" not in str(caught.value)


def write_text(path: Path) -> None:
    path.write_text("This is a letter and not a film.\n" * 50)


def write_noise(path: Path) -> None:
    path.write_bytes(np.random.default_rng(3).bytes(50_000))


def write_still(path: Path) -> None:
    path.write_bytes(cv2.imencode(".png", media.card(0, 64, 48))[1].tobytes())


def write_playlist(path: Path) -> None:
    other = media.write_video(path.with_name("other.mp4"), media.steady(5, 15))
    path.write_text(f"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n{other}\n#EXT-X-ENDLIST\n")


def write_headless(path: Path) -> None:
    media.cut(media.write_video(path, media.steady(60, 30)), 0.7)


@pytest.mark.parametrize(
    ("write", "words"),
    [
        (write_text, "is not a video this program can read: choose"),
        (write_noise, "is not a video this program can read: choose"),
        (write_still, "is not a video this program can read: choose"),
        (write_playlist, "is not a video this program can read: choose"),
        (write_headless, "cut off before its index was written.*copy it again"),
        (media.write_sound_only, "holds sound only: choose a recording with video"),
    ],
)
@pytest.mark.parametrize("look", [probe, lambda path: list(sample_frames(path))])
def test_not_a_video(tmp_path: Path, write, words: str, look) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "file.mp4"
    write(path)
    with pytest.raises(VideoError, match=words) as caught:
        look(path)
    assert "file.mp4" in str(caught.value) and "\n" not in str(caught.value)


def test_a_recording_without_a_single_picture(tmp_path: Path) -> None:
    path = media.write_video(
        tmp_path / "a.mp4",
        media.steady(20, 15),
        options={"movflags": "frag_keyframe+empty_moov"},
    )
    # Keep the headers only: pictures follow in 'moof' boxes, each after four bytes of length.
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moof") - 4])
    for look in (probe, lambda p: list(sample_frames(p))):
        with pytest.raises(VideoError, match="holds no picture that can be decoded"):
            look(path)


# --- files that can be read in part ----------------------------------------------------------


def test_cut_off_midway_uses_what_is_there(tmp_path: Path) -> None:
    path = media.write_video(
        tmp_path / "short.mp4", media.steady(150, 30), options={"movflags": "faststart"}
    )
    media.cut(path, 0.6)
    info = probe(path)
    assert 1.5 < info.duration_s < 4.5
    assert any("ends early" in note for note in info.warnings)
    frames = sample_frames(path)
    mine = [t for t, _ in frames]
    assert 20 <= len(mine) <= 65
    assert frames.end_s < 4.5
    assert any("pictures end at" in note for note in frames.warnings)


def test_damage_in_the_middle_is_passed_over(tmp_path: Path) -> None:
    path = media.write_video(
        tmp_path / "hurt.mp4", media.steady(150, 30), options={"movflags": "faststart"}
    )
    media.scratch(path, 0.45, 0.55)
    frames = sample_frames(path)
    mine = [t for t, _ in frames]
    assert min(mine) == 0.0 and max(mine) > 4.5
    assert any("damaged" in note for note in frames.warnings)


def test_no_damage_anywhere_lets_a_decoder_error_out(tmp_path: Path) -> None:
    whole = media.write_video(tmp_path / "whole.mp4", media.steady(45, 30)).read_bytes()
    path = tmp_path / "hurt.mp4"
    read = 0
    for part, width in itertools.product(range(10), (0.02, 0.3)):
        path.write_bytes(whole)
        media.scratch(path, part / 10, part / 10 + width, seed=part)
        try:
            everything(path)
            file_sha256(path)
            read += 1
        except VideoError as error:
            assert "hurt.mp4" in str(error)
    assert 0 < read < 20


def test_checksum(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(5, 30))
    assert file_sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_pictures_that_were_used_are_gone_at_once(tmp_path: Path) -> None:
    clip = media.write_video(tmp_path / "clip.mp4", media.steady(90, 30))
    # A frame that waits for Python's collector holds three megabytes at 1080p.
    gc.collect()
    gc.disable()
    try:
        count = sum(1 for _ in sample_frames(clip, 30.0, 320))
        left = sum(isinstance(thing, VideoFrame) for thing in gc.get_objects())
    finally:
        gc.enable()
    assert count >= 20 and left <= 2
