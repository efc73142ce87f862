"""The review copy: what is in it, that its times are the recording's, and that it is whole."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
import numpy as np
import pytest

from review import reviewcopy
from review.errors import VideoError
from review.reviewcopy import make_review_copy, review_copy_name
from review.video import probe, sample_frames
from review.wholefile import whole_file
from tests import media

# Presentation times of a phone that records unsteadily: 30 pictures a second with drop-outs.
UNSTEADY = [n / 30 for n in range(90) if n % 7 != 3 and not 40 <= n < 52]


def pictures(path: Path) -> list[tuple[float, bool]]:
    """Time in seconds and whether it is a key frame, of every picture, by the library alone."""
    with av.open(str(path)) as container:
        return [
            (float(frame.pts * frame.time_base), bool(frame.key_frame))
            for frame in container.decode(video=0)
            if frame.pts is not None and frame.time_base
        ]


def boxes(path: Path) -> list[str]:
    """Names of the top-level boxes (ISO/IEC 14496-12: 32-bit size, then four letters)."""
    data, at, names = path.read_bytes(), 0, []
    while at < len(data):
        size, name = struct.unpack(">I4s", data[at : at + 8])
        if size == 1:
            (size,) = struct.unpack(">Q", data[at + 8 : at + 16])
        names.append(name.decode())
        at += size
    return names


@pytest.fixture
def unsteady(tmp_path: Path) -> Path:
    return media.write_video(tmp_path / "unsteady.mp4", UNSTEADY, sound=True)


def test_every_time_in_the_copy_is_the_time_in_the_recording(
    unsteady: Path, tmp_path: Path
) -> None:
    copy = make_review_copy(unsteady, tmp_path / "copies" / "c.mp4", sound=False)
    times = [time_s for time_s, _ in pictures(copy)]
    np.testing.assert_allclose(times, UNSTEADY, rtol=0, atol=1e-3)


def test_times_count_from_the_first_picture_also_where_the_file_starts_late(
    tmp_path: Path,
) -> None:
    late = media.write_video(tmp_path / "late.mkv", [5.0 + t for t in UNSTEADY], sound=True)
    copy = make_review_copy(late, tmp_path / "c.mp4", sound=True)
    np.testing.assert_allclose([t for t, _ in pictures(copy)], UNSTEADY, rtol=0, atol=2e-3)


def test_the_same_picture_stands_at_the_same_time(unsteady: Path, tmp_path: Path) -> None:
    """The card's bar grows with the picture's number, so each picture can be told."""
    copy = make_review_copy(unsteady, tmp_path / "c.mp4", sound=False)

    def bars(path: Path) -> list[tuple[float, int]]:
        return [
            (round(time_s, 2), round(16 * float((picture[120, :, 0] < 64).mean())))
            for time_s, picture in sample_frames(path, 30.0)
        ]

    assert bars(copy) == bars(unsteady)
    assert len(set(bars(copy))) > 60


def test_it_is_what_browsers_play(unsteady: Path, tmp_path: Path) -> None:
    copy = make_review_copy(unsteady, tmp_path / "c.mp4", sound=True)
    with av.open(str(copy)) as container:
        video, sound = container.streams.video[0], container.streams.audio[0]
        assert (video.codec_context.name, video.pix_fmt) == ("h264", "yuv420p")
        assert sound.codec_context.name == "aac"
        assert "mp4" in container.format.name
    names = boxes(copy)
    assert names.index("moov") < names.index("mdat"), "playing starts before all is loaded"


def test_there_is_a_key_frame_a_second(tmp_path: Path) -> None:
    times = media.steady(300, 25.0)
    long = media.write_video(tmp_path / "v.mp4", times, (64, 48), key_frame_every=300)
    copy = make_review_copy(long, tmp_path / "c.mp4", sound=False)
    keys = [time_s for time_s, key in pictures(copy) if key]
    assert keys[0] == 0.0 and len(keys) == 12
    assert max(np.diff(keys)) <= 1.0 + 1 / 25


@pytest.mark.parametrize("sound", [True, False])
def test_sound_is_there_only_when_allowed(unsteady: Path, tmp_path: Path, sound: bool) -> None:
    assert probe(unsteady).has_audio
    copy = make_review_copy(unsteady, tmp_path / "c.mp4", sound=sound)
    assert probe(copy).has_audio is sound


def test_sound_stays_beside_the_pictures(tmp_path: Path) -> None:
    """A tone that begins at 1.0 s begins there in the copy too, to a hundredth of a second."""
    original = tmp_path / "v.mkv"
    with av.open(str(original), "w") as container:
        video = container.add_stream("libx264", rate=25)
        video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
        voice = container.add_stream("pcm_s16le", rate=16_000, layout="mono")
        for number in range(75):
            frame = av.VideoFrame.from_ndarray(media.card(number, 64, 48), format="rgb24")
            frame.pts = number
            container.mux(video.encode(frame))
        container.mux(video.encode())
        wave = np.zeros(48_000, dtype=np.int16)
        wave[16_000:] = 12_000 * np.sign(np.sin(np.arange(32_000) * 2 * np.pi * 440 / 16_000))
        sound = av.AudioFrame.from_ndarray(wave[None], format="s16", layout="mono")
        sound.sample_rate, sound.pts = 16_000, 0
        container.mux(voice.encode(sound))
        container.mux(voice.encode())

    def onset_s(path: Path) -> float:
        with av.open(str(path)) as container:
            for frame in container.decode(audio=0):
                loud = np.abs(frame.to_ndarray().astype(float)).max(axis=0)
                scale = 32_768.0 if frame.format.name.startswith("s16") else 1.0
                above = np.flatnonzero(loud / scale > 0.15)
                if above.size and frame.time is not None:
                    return frame.time + float(above[0]) / frame.sample_rate
        raise AssertionError("there is no tone")

    copy = make_review_copy(original, tmp_path / "c.mp4", sound=True)
    assert onset_s(original) == pytest.approx(1.0, abs=0.001)
    assert onset_s(copy) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_the_way_up_is_part_of_the_picture(tmp_path: Path, degrees: int) -> None:
    """A recording with the matrix taken away must look as the player showed it with it."""
    original = media.write_video(tmp_path / "v.mp4", media.steady(12, 12.0), (320, 240))
    media.set_matrix(original, media.QUARTER_TURNS[degrees])
    copy = make_review_copy(original, tmp_path / "c.mp4", sound=False)
    info, wanted = probe(copy), probe(original)
    assert info.rotation_deg == 0 and wanted.rotation_deg == degrees
    assert (info.width, info.height) == (wanted.width, wanted.height)
    _, seen = next(iter(sample_frames(original)))
    _, shown = next(iter(sample_frames(copy)))
    assert media.corners_of(shown) == media.corners_of(seen)


@pytest.mark.parametrize(
    ("size", "height", "wanted"),
    [
        ((1920, 1080), 720, (1280, 720)),
        ((640, 480), 720, (640, 480)),
        ((322, 242), 100, (134, 100)),
        ((242, 322), 720, (242, 322)),
    ],
)
def test_the_picture_is_shrunk_and_never_enlarged(
    tmp_path: Path, size: tuple[int, int], height: int, wanted: tuple[int, int]
) -> None:
    original = media.write_video(tmp_path / "v.mp4", media.steady(3, 10.0), size)
    copy = make_review_copy(original, tmp_path / "c.mp4", max_height=height, sound=False)
    info = probe(copy)
    assert (info.width, info.height) == wanted


def test_colours_stay(tmp_path: Path) -> None:
    original = media.write_video(tmp_path / "v.mp4", media.steady(5, 10.0), (640, 480))
    copy = make_review_copy(original, tmp_path / "c.mp4", max_height=240, sound=False)
    _, picture = next(iter(sample_frames(copy)))
    np.testing.assert_allclose(picture[20, 20].astype(int), media.CORNERS["top_left"], atol=12)
    assert media.corners_of(picture) == {name: name for name in media.CORNERS}


def test_a_place_and_a_device_named_in_the_file_are_not_taken_over(tmp_path: Path) -> None:
    original = tmp_path / "v.mp4"
    with av.open(str(original), "w", options={"movflags": "use_metadata_tags"}) as container:
        container.metadata["location"] = "+12.3456-098.7654/"
        container.metadata["comment"] = "invented device"
        stream = container.add_stream("libx264", rate=10)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number in range(10):
            picture = media.card(number, 64, 48)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())
    assert b"12.3456" in original.read_bytes()
    copy = make_review_copy(original, tmp_path / "c.mp4", sound=True)
    assert b"12.3456" not in copy.read_bytes() and b"invented" not in copy.read_bytes()


def test_progress_ends_at_one(unsteady: Path, tmp_path: Path) -> None:
    shares: list[float] = []
    make_review_copy(unsteady, tmp_path / "c.mp4", sound=True, progress=shares.append)
    assert shares == sorted(shares) and shares[-1] == 1.0 and len(shares) > 50


def test_stopped_on_the_way_nothing_is_left_and_an_older_copy_stays(tmp_path: Path) -> None:
    original = media.write_video(tmp_path / "v.mp4", media.steady(200, 25.0), (64, 48))
    target = tmp_path / "copies" / "c.mp4"
    target.parent.mkdir()
    target.write_text("an older copy")

    def stop(share: float) -> None:
        if share > 0.7:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_review_copy(original, target, sound=False, progress=stop)
    assert [path.name for path in target.parent.iterdir()] == ["c.mp4"]
    assert target.read_text() == "an older copy"


def test_what_cannot_be_copied(tmp_path: Path) -> None:
    with pytest.raises(VideoError, match="does not exist"):
        make_review_copy(tmp_path / "none.mp4", tmp_path / "c.mp4", sound=True)
    with pytest.raises(VideoError, match="sound only"):
        make_review_copy(media.write_sound_only(tmp_path / "s.mp4"), tmp_path / "c.mp4", sound=True)
    original = media.write_video(tmp_path / "v.mp4", media.steady(3, 10.0), (64, 48))
    (tmp_path / "file").write_text("x")
    with pytest.raises(VideoError, match="cannot be written here"):
        make_review_copy(original, tmp_path / "file" / "c.mp4", sound=True)
    with pytest.raises(ValueError, match="max_height"):
        make_review_copy(original, tmp_path / "c.mp4", max_height=8, sound=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "s.mp4", "v.mp4"]


def test_a_full_disk_is_said_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linux: /dev/full answers every write with 'no space left on device'."""

    @contextmanager
    def full(target: Path) -> Iterator[Path]:
        with whole_file(target) as partial:
            partial.unlink()
            partial.symlink_to("/dev/full")
            yield partial

    monkeypatch.setattr(reviewcopy, "whole_file", full)
    original = media.write_video(tmp_path / "v.mp4", media.steady(200, 25.0), (320, 240))
    target = tmp_path / "copies" / "c.mp4"
    target.parent.mkdir()
    with pytest.raises(VideoError, match="cannot be written here"):
        make_review_copy(original, target, sound=False)
    assert list(target.parent.iterdir()) == []


def test_a_cut_off_recording_is_copied_as_far_as_it_goes(tmp_path: Path) -> None:
    original = media.write_video(
        tmp_path / "v.mp4", media.steady(100, 25.0), options={"movflags": "faststart"}
    )
    data = original.read_bytes()
    original.write_bytes(data[: len(data) * 6 // 10])
    copy = make_review_copy(original, tmp_path / "c.mp4", sound=False)
    assert 1.0 < probe(copy).duration_s < 3.5


def test_names_tell_silent_and_sounding_copies_apart() -> None:
    names = {review_copy_name("ab" * 32, sound=sound) for sound in (True, False)}
    assert len(names) == 2 and all(name.endswith(".mp4") for name in names)
