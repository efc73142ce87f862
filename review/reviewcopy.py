"""The copy of a recording that every browser plays, made once.

H.264 in MP4 with its index in front, a key frame a second for quick seeking, turned as seen and
no taller than a laptop needs. Times are kept: a moment in the copy is the same moment in the
recording, both counted in seconds from the first picture. Sound is left out unless asked for, and
nothing else of the file (place, device, names) is taken over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, cast

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer, OutputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from review.errors import VideoError
from review.playback import Clock, Orientation
from review.sealed import SUFFIX, SealedWriter, is_sealed, vault_of
from review.video import (
    first_frame,
    frame_orientation,
    frame_time_s,
    open_video,
    probe,
    seen_size,
    square_size,
)
from review.wholefile import whole_file

Progress = Callable[[float], None]

MAX_HEIGHT_PX: Final = 720
"""Fills a laptop's window beside the timeline; a unit's 1080p phone recordings shrink to 44 %."""

KEY_FRAME_EVERY_S: Final = 1.0
"""Seconds between pictures that a player can start from."""

TICKS: Final = 90_000
"""Time base of the copy, ticks a second; usual in MPEG, and a multiple of 24, 25, 30 and 60."""

QUALITY: Final = {"preset": "veryfast", "crf": "23", "bf": "0", "forced-idr": "1"}
"""x264: its default quality, a quick search. No pictures are stored out of order (``bf``), so
that the first picture is at time 0 without an edit list, which not every player heeds."""

SOUND_RATES: Final = (48_000, 44_100, 32_000, 24_000, 16_000)
"""Samples a second kept as they are; other rates become the first."""


def review_copy_name(sha256: str, *, sound: bool, sealed: bool = False) -> str:
    """File name of the copy of the recording with this hash; encrypted like the recording."""
    name = f"{sha256[:32]}-{'with-sound' if sound else 'silent'}.mp4"
    return name + SUFFIX if sealed else name


def make_review_copy(
    source: Path | str,
    target: Path | str,
    *,
    max_height: int = MAX_HEIGHT_PX,
    sound: bool,
    progress: Progress | None = None,
) -> Path:
    """Make the copy, completely or not at all, and say where it is.

    Args:
        source: the recording.
        target: the copy's place; its folder is made if needed, an older copy is replaced. With
            a sealed name it is encrypted with the key of the source, which must be sealed, too.
        max_height: of the picture as seen, pixels; smaller pictures are not enlarged.
        sound: keep the sound, if there is any.
        progress: told the share done, 0..1. What it raises stops the copying and is raised on;
            nothing is left behind.

    Raises:
        VideoError: if the recording cannot be read or the copy cannot be written.
        ValueError: if ``max_height`` is less than 16.
    """
    if max_height < 16:
        raise ValueError(f"max_height must be 16 or more, got {max_height}")
    source, target = Path(source), Path(target)
    duration_s = probe(source).duration_s
    with open_video(source) as (container, stream):
        first = first_frame(container, stream, source)
        start_s = frame_time_s(first) or 0.0
        size = _copy_size(seen_size(first, stream, frame_orientation(first)), max_height)
    with explained(target, "review copy", "Free some space, or allow writing to the folder"):
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with whole_file(target) as partial, open_video(source) as (container, stream):
            voice = _voice(container) if sound else None
            vault = vault_of(source) if is_sealed(target) else None
            copy = _Copy(partial, size, start_s, stream, voice, vault)
            with copy.opened():
                for frame in _frames(container, stream, voice):
                    time_s = copy.add(frame)
                    if progress is not None and time_s is not None and duration_s > 0:
                        progress(min(1.0, time_s / duration_s))
    if progress is not None:
        progress(1.0)
    return target


def _copy_size(seen: tuple[int, int], max_height: int) -> tuple[int, int]:
    """Width and height in even numbers, which the format needs."""
    width, height = seen
    scale = min(1.0, max_height / height)
    return tuple(max(2, 2 * round(side * scale / 2)) for side in (width, height))  # type: ignore[return-value]


@contextmanager
def explained(target: Path, what: str, remedy: str) -> Iterator[None]:
    """Words for a copy that cannot be written; reading has words of its own."""
    try:
        yield
    except (av.FFmpegError, OSError) as error:
        reason = getattr(error, "strerror", None) or error
        raise VideoError(
            f"{target}: the {what} cannot be written here ({reason}). {remedy}, then try again."
        ) from error


def add_pictures(
    container: OutputContainer, size: tuple[int, int], options: Mapping[str, str] | None = None
) -> VideoStream:
    """The stream of pictures of a copy, (width, height) pixels; times count in ``TICKS``."""
    chosen = QUALITY | dict(options or {})
    video = container.add_stream("libx264", rate=30, options=chosen)
    video.width, video.height = size
    video.pix_fmt = "yuv420p"
    video.time_base = video.codec_context.time_base = Fraction(1, TICKS)
    # Key frames are placed by time; this only keeps the encoder from adding its own.
    video.codec_context.gop_size = 10_000
    return video


def add_voice(
    container: OutputContainer, source: AudioStream, options: Mapping[str, str] | None = None
) -> AudioStream:
    """The stream of sound of a copy, like that of the recording."""
    voice = container.add_stream(
        "aac",
        rate=source.rate if source.rate in SOUND_RATES else SOUND_RATES[0],
        layout="mono" if source.channels == 1 else "stereo",
        options=dict(options or {}),
    )
    return voice


def _voice(container: InputContainer) -> AudioStream | None:
    streams = container.streams.audio
    return streams[0] if streams else None


def _frames(
    container: InputContainer, stream: VideoStream, voice: AudioStream | None
) -> Iterator[VideoFrame | AudioFrame]:
    """All pictures and sounds that decode, as they come; what does not decode is left out."""
    packets = container.demux(*[s for s in (stream, voice) if s is not None])
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except (av.FFmpegError, ValueError, OSError):
            return  # the container is broken here; nothing behind this point can be found
        try:
            frames = packet.decode()
        except (av.FFmpegError, ValueError, OSError):
            continue
        for frame in frames:
            if isinstance(frame, VideoFrame | AudioFrame):
                yield frame


@contextmanager
def _output(place: Path, vault: bytes | None) -> Iterator[tuple[Any, dict[str, str]]]:
    """What to write the copy to, and how.

    An encrypted one has its index at the end: putting it in front means to read back what was
    written, and our players ask for any part of the file anyway.
    """
    if vault is None:
        yield str(place), {"movflags": "faststart"}
        return
    with place.open("wb") as stream:
        writer = SealedWriter(stream, vault)
        yield writer, {}
        writer.finish()


class _Copy:
    """The copy being written."""

    def __init__(
        self,
        place: Path,
        size: tuple[int, int],
        start_s: float,
        source: VideoStream,
        voice: AudioStream | None,
        vault: bytes | None = None,
    ) -> None:
        self._place, self._size, self._start_s, self._vault = place, size, start_s, vault
        self._source, self._source_voice = source, voice
        self._clock = Clock()
        self._last_pts = -1
        self._next_key_s = 0.0

    @contextmanager
    def opened(self) -> Iterator[None]:
        """The file open for writing; complete when the block ends without an error."""
        with (
            _output(self._place, self._vault) as (place, options),
            av.open(place, "w", format="mp4", options=options) as container,
        ):
            self._container = container
            self._add_streams()
            yield
            self._mux(self._video.encode(None))
            if self._audio is not None:
                self._mux(self._audio.encode(None))

    def _add_streams(self) -> None:
        self._video = add_pictures(self._container, self._size)
        self._audio: AudioStream | None = None
        if self._source_voice is not None:
            self._audio = add_voice(self._container, self._source_voice)

    def add(self, frame: VideoFrame | AudioFrame) -> float | None:
        """Write one frame; gives a picture's time in seconds, None for what was not a picture."""
        if isinstance(frame, AudioFrame):
            self._add_sound(frame)
            return None
        time_s = self._clock.read(frame_time_s(frame))
        pts = -1 if time_s is None else round(time_s * TICKS)
        if time_s is None or pts <= self._last_pts:
            return None
        picture = self._picture(frame)
        picture.pts, picture.time_base = pts, Fraction(1, TICKS)
        # A decoded frame remembers how it was stored; the copy decides for itself.
        key = time_s >= self._next_key_s
        picture.pict_type = cast(Any, 1 if key else 0)
        if key:
            self._next_key_s = time_s + KEY_FRAME_EVERY_S
        self._last_pts = pts
        self._mux(self._video.encode(picture))
        return time_s

    def _picture(self, frame: VideoFrame) -> VideoFrame:
        """Shrunk, turned as seen, with square pixels."""
        turn = frame_orientation(frame)
        if turn == Orientation():
            return self._shrunk(frame, self._size, "yuv420p")
        width, height = self._size
        lying = (height, width) if turn.transpose else (width, height)
        small = np.asarray(self._shrunk(frame, lying, "rgb24").to_ndarray(), dtype=np.uint8)
        turned = VideoFrame.from_ndarray(turn.apply(small), format="rgb24")
        return turned.reformat(format="yuv420p")

    def _shrunk(self, frame: VideoFrame, size: tuple[int, int], form: str) -> VideoFrame:
        smaller = size[1] < square_size(frame, self._source)[1]
        return frame.reformat(
            width=size[0],
            height=size[1],
            format=form,
            interpolation="AREA" if smaller else "BILINEAR",
        )

    def _add_sound(self, frame: AudioFrame) -> None:
        """Sound keeps its place beside the pictures; what lies before the first is dropped."""
        if self._audio is None or frame.pts is None or not frame.time_base:
            return
        frame.pts -= round(self._start_s / frame.time_base)
        if frame.pts >= 0:
            self._mux(self._audio.encode(frame))

    def _mux(self, packets: list[Any]) -> None:
        for packet in packets:
            self._container.mux(packet)
