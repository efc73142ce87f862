"""Reading a recording: what it is, and its pictures at true times.

The only module that touches the decoder (PyAV). Time is seconds from the first picture,
taken from the file's presentation timestamps, so that a phone's varying frame rate does not
bend it. Pictures come out as a person would see them: turned and flipped as the file's display
matrix says, with square pixels, no larger than asked for. Every failure is one
``VideoError`` line that names the file and the way out; no decoder exception leaves here.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import av
import numpy as np
from av.container import InputContainer
from av.sidedata.sidedata import SideDataContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from review.errors import VideoError
from review.playback import Clock, Orientation, Rgb, varies
from review.sealed import SealError, is_sealed, open_bytes, size_of

DEFAULT_FPS = 15.0
"""Samples a second: resolves hand strokes of up to about 4 a second and lip movement to 7 Hz."""

DEFAULT_MAX_SIDE_PX = 960
"""Longer side of a sampled picture; the trackers look at crops of about 200 px."""

FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpeg,mpegts,mpegvideo,flv,asf,ogg,mxf,h264,hevc"
)
"""Containers accepted. Playlists, still pictures and text are refused, so that a file cannot
make the decoder open another file or an address."""

EARLY_END_S = 1.0
"""Missing pictures at the end are reported from this much on; less is ordinary rounding."""

HALF_CELL = 0.5 + 1e-6
"""Half a grid step; a picture midway between two grid points belongs to the earlier one."""

RATE_PACKETS = 2000
"""How many packets are looked at to tell a steady frame rate from a varying one."""


@dataclass(frozen=True, slots=True)
class VideoInfo:
    """What is known of a recording before its pictures are looked at.

    Attributes:
        path: the file.
        duration_s: seconds from the first picture to the end of the last one, as the file
            states it or, where it does not or cannot be right, as its packets show.
        fps: average pictures a second (NaN if the file gives no way to tell).
        width, height: pixels as seen, after rotation and with square pixels.
        rotation_deg: quarter turns clockwise (0, 90, 180, 270) that the file asks for; already
            applied to ``width`` and ``height`` and to every picture read.
        codec: the decoder's name of the picture format, for instance ``h264``.
        has_audio: whether there is sound.
        variable_frame_rate: whether the distance between pictures varies.
        warnings: what is wrong with the file although it can be used, one sentence each.
    """

    path: Path
    duration_s: float
    fps: float
    width: int
    height: int
    rotation_deg: int
    codec: str
    has_audio: bool
    variable_frame_rate: bool
    warnings: tuple[str, ...] = ()


def file_sha256(path: Path | str) -> str:
    """SHA-256 of the file's bytes in hexadecimal, read piece by piece.

    Raises:
        VideoError: if the file is missing, a folder, empty or not readable.
    """
    path = _usable_file(path)
    try:
        with open_bytes(path) as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise VideoError(_cannot_open(path, error)) from None


def probe(path: Path | str) -> VideoInfo:
    """Look at a recording without reading it through.

    Decodes one picture (so a file that cannot be decoded fails here) and looks at the
    file's index or first packets for the rate.

    Raises:
        VideoError: missing, a folder, empty, not a video, sound only, cut off before its
            index, or without a picture that can be decoded.
    """
    path = _usable_file(path)
    with open_video(path) as (container, stream):
        first = first_frame(container, stream, path)
        turn = frame_orientation(first)
        width, height = seen_size(first, stream, turn)
    with open_video(path) as (container, stream):
        times = _packet_times(container, stream)
        codec = stream.codec_context.name
        has_audio = bool(container.streams.audio)
        variable = varies(times, float(stream.time_base or 0))
        fps = _average_rate(stream, times)
        stated = _stated_duration(container, stream)
        warnings: list[str] = []
        present = _indexed_share(stream, path)
        if present < 1.0:
            warnings.append(
                f"{path.name} ends early: about {present:.0%} of it is there. "
                "What is there is used; copy the file again if it should be whole."
            )
    measured = stated * present if stated is not None else _measured_duration(path, fps)
    return VideoInfo(
        path=path,
        duration_s=measured,
        fps=fps,
        width=width,
        height=height,
        rotation_deg=turn.clockwise_deg,
        codec=codec,
        has_audio=has_audio,
        variable_frame_rate=variable,
        warnings=tuple(warnings),
    )


class SampledFrames(Iterator[tuple[float, Rgb]]):
    """The pictures of a recording nearest to a regular grid; iterate over it once.

    Yields ``(time_s, picture)``: the picture's own presentation time in seconds from the
    recording's first picture (strictly increasing), and a uint8 array of shape
    (height, width, 3), red-green-blue, rows from the top, turned as seen.

    Attributes:
        frames_decoded: pictures decoded so far.
        end_s: end of the last picture decoded so far, seconds.
        warnings: what went wrong on the way, complete once the iteration has ended.

    Raises:
        VideoError: while iterating, if not one picture could be decoded.
    """

    def __init__(self, path: Path, fps: float, max_side_px: int) -> None:
        self.frames_decoded = 0
        self.end_s = 0.0
        self.warnings: tuple[str, ...] = ()
        self._frames = self._run(path, fps, max_side_px)

    def __next__(self) -> tuple[float, Rgb]:
        return next(self._frames)

    def close(self) -> None:
        """Release the file before the end is reached."""
        self._frames.close()  # type: ignore[attr-defined]

    def _timed(
        self, frames: Iterator[VideoFrame], clock: Clock
    ) -> Iterator[tuple[float, VideoFrame]]:
        """Frames with their times; those without a time of their own are left out."""
        for frame in frames:
            self.frames_decoded += 1
            time_s = clock.read(frame_time_s(frame))
            if time_s is not None:
                self.end_s = time_s + clock.step_s
                yield time_s, frame

    def _run(self, path: Path, fps: float, max_side_px: int) -> Iterator[tuple[float, Rgb]]:
        """Decode all, choose by time, and convert only what was chosen."""
        clock, trouble = Clock(), Trouble()
        with open_video(path) as (container, stream):
            stated = _stated_duration(container, stream)
            timed = self._timed(decoded(container, stream, trouble), clock)
            count = 0
            for cell, time_s, frame in nearest_frames(timed, fps):
                # A grid point at or behind the end is not in the recording.
                if cell and cell / fps >= self.end_s - 1e-6:
                    continue
                picture = picture_of(frame, stream, max_side_px)
                if picture is None:
                    trouble.packets += 1
                    continue
                count += 1
                yield time_s, picture
        if not count:
            raise VideoError(_no_picture(path))
        self.warnings = _reading_notes(path, clock, trouble, stated, self.end_s)


def cell_of(time_s: float, fps: float) -> int:
    """The point of the grid ``k / fps`` that a picture belongs to."""
    return math.ceil(time_s * fps - HALF_CELL)


def nearest_frames(
    timed: Iterator[tuple[float, VideoFrame]], fps: float
) -> Iterator[tuple[int, float, VideoFrame]]:
    """Of the frames around each grid point ``k / fps`` the nearest one, with ``k``; none twice."""
    best: tuple[int, float, VideoFrame] | None = None
    for time_s, frame in timed:
        cell = cell_of(time_s, fps)
        if best is None or best[0] != cell:
            if best is not None:
                yield best
            best = (cell, time_s, frame)
        elif abs(time_s - cell / fps) < abs(best[1] - cell / fps):
            best = (cell, time_s, frame)
    if best is not None:
        yield best


def sample_frames(
    path: Path | str, fps: float = DEFAULT_FPS, max_side_px: int = DEFAULT_MAX_SIDE_PX
) -> SampledFrames:
    """The pictures nearest to ``0, 1/fps, 2/fps, ...`` seconds, none of them twice.

    Where the recording has fewer pictures than ``fps``, all of them come and none is made
    up. ``max_side_px`` limits the longer side; smaller pictures are not enlarged.

    Raises:
        VideoError: if the file cannot be opened, or (while iterating) holds no picture.
        ValueError: if ``fps`` or ``max_side_px`` is not positive.
    """
    if not (math.isfinite(fps) and fps > 0) or max_side_px < 16:
        raise ValueError(f"need fps > 0 and max_side_px >= 16, got {fps} and {max_side_px}")
    return SampledFrames(_usable_file(path), fps, max_side_px)


# --- opening ---------------------------------------------------------------------------------


def _usable_file(path: Path | str) -> Path:
    """The path, if there is a file with something in it."""
    path = Path(path)
    try:
        if path.is_dir():
            raise VideoError(f"{path} is a folder: name one video file in it.")
        if not path.exists():
            raise VideoError(f"{path} does not exist: check the name and the folder.")
        if not path.is_file():
            raise VideoError(f"{path} is no ordinary file: choose a recording.")  # a pipe, a device
        if path.stat().st_size == 0:
            raise VideoError(f"{path} is empty: copy the recording again from the device.")
    except OSError as error:
        raise VideoError(_cannot_open(path, error)) from None
    return path


@contextmanager
def open_video(path: Path) -> Iterator[tuple[InputContainer, VideoStream]]:
    """The container and its first real video stream (cover pictures of music do not count)."""
    try:
        container = av.open(
            # Absolute: a relative name such as 'concat:x' would be taken for an address.
            open_bytes(path) if is_sealed(path) else str(path.absolute()),
            mode="r",
            options={"protocol_whitelist": "file", "format_whitelist": FORMATS},
            metadata_errors="replace",
        )
    except (av.FFmpegError, ValueError, OSError) as error:
        raise VideoError(_cannot_open(path, error)) from None
    with container:
        streams = [s for s in container.streams.video if not _is_cover(s)]
        if not streams:
            what = "holds sound only" if container.streams.audio else "holds no pictures"
            raise VideoError(f"{path} {what}: choose a recording with video.")
        stream = streams[0]
        stream.thread_type = "AUTO"
        yield container, stream


def _is_cover(stream: VideoStream) -> bool:
    return "attached_pic" in str(stream.disposition)


def _cannot_open(path: Path, error: BaseException) -> str:
    """One line for a file that does not open; tells a cut-off file from another kind of file."""
    if isinstance(error, SealError):
        return f"{path}: {error}"
    if isinstance(error, PermissionError):
        return f"{path} may not be read: check its permissions."
    head = b""
    try:
        with path.open("rb") as stream:
            head = stream.read(12)
    except OSError:
        return f"{path} cannot be read: check the disk and the file's permissions."
    if head[4:8] in (b"ftyp", b"mdat", b"moov", b"wide", b"free"):
        return (
            f"{path} was cut off before its index was written, so it cannot be played: "
            "copy it again from the device that recorded it."
        )
    return f"{path} is not a video this program can read: choose an MP4, MOV, MKV or WebM file."


def _no_picture(path: Path) -> str:
    return (
        f"{path} holds no picture that can be decoded: play it in a video player, and if it "
        "plays there, export it again as MP4 (H.264)."
    )


# --- decoding --------------------------------------------------------------------------------


class Trouble:
    """Counts what the decoder could not read."""

    def __init__(self) -> None:
        self.packets = 0


def decoded(
    container: InputContainer, stream: VideoStream, trouble: Trouble
) -> Iterator[VideoFrame]:
    """All frames that decode; a packet that does not is counted and passed over."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except (av.FFmpegError, ValueError, OSError):
            # The container itself is broken here; nothing behind this point can be found.
            trouble.packets += 1
            return
        try:
            frames = packet.decode()
        except (av.FFmpegError, ValueError, OSError):
            trouble.packets += 1
            continue
        for frame in frames:
            if isinstance(frame, VideoFrame) and frame.width > 0 and frame.height > 0:
                yield frame


def first_frame(container: InputContainer, stream: VideoStream, path: Path) -> VideoFrame:
    """The first picture that can be decoded.

    Raises:
        VideoError: if there is none.
    """
    for frame in decoded(container, stream, Trouble()):
        return frame
    raise VideoError(_no_picture(path))


def _reading_notes(
    path: Path, clock: Clock, trouble: Trouble, stated_s: float | None, end_s: float
) -> tuple[str, ...]:
    """What the reader should know about how the file read."""
    notes = []
    if trouble.packets:
        notes.append(
            f"{path.name} is damaged in {trouble.packets} place(s); the pictures there are missing."
        )
    if clock.broken or clock.left_out:
        notes.append(
            f"{path.name} has {clock.broken + clock.left_out} picture(s) with impossible times; "
            "times after them may be off."
        )
    if stated_s is not None and stated_s - end_s > EARLY_END_S:
        notes.append(
            f"{path.name} says it lasts {stated_s:.1f} s but its pictures end at {end_s:.1f} s; "
            "the rest is treated as not recorded."
        )
    return tuple(notes)


# --- pictures --------------------------------------------------------------------------------


def frame_orientation(frame: VideoFrame) -> Orientation:
    """How the picture must be turned to stand upright, as the file says."""
    # Not frame.side_data: the frame would keep that, and that the frame, so that pictures of
    # several megabytes each would wait by the hundred for the collector of such circles.
    matrix = cast(Any, SideDataContainer)(frame).get("DISPLAYMATRIX")
    return Orientation() if matrix is None else Orientation.of(bytes(cast(Any, matrix)))


def frame_time_s(frame: VideoFrame) -> float | None:
    """The presentation time the file gives this frame, seconds, if it gives one."""
    if frame.pts is None or not frame.time_base:
        return None
    return float(frame.pts * frame.time_base)


def _pixel_aspect(stream: VideoStream) -> float:
    """Width of a pixel over its height; 1 where the file says nothing believable."""
    ratio: Any = stream.sample_aspect_ratio
    value = float(ratio) if ratio else 1.0
    return value if 0.1 < value < 10.0 else 1.0


def square_size(frame: VideoFrame, stream: VideoStream) -> tuple[float, float]:
    """Width and height as they would be with square pixels, before turning."""
    return frame.width * _pixel_aspect(stream), float(frame.height)


def seen_size(frame: VideoFrame, stream: VideoStream, turn: Orientation) -> tuple[int, int]:
    """Width and height in pixels as a person sees the picture: square pixels, turned upright."""
    width, height = (round(side) for side in square_size(frame, stream))
    return (height, width) if turn.transpose else (width, height)


def picture_of(frame: VideoFrame, stream: VideoStream, max_side_px: int) -> Rgb | None:
    """Resize while converting (once), then turn: turning the small picture is cheap.

    None for a frame in a form that cannot be converted.
    """
    width, height = square_size(frame, stream)
    scale = min(1.0, max_side_px / max(width, height))
    try:
        small = frame.reformat(
            width=max(1, round(width * scale)),
            height=max(1, round(height * scale)),
            format="rgb24",
            interpolation="AREA" if scale < 1.0 else "BILINEAR",
        )
        pixels = np.asarray(small.to_ndarray(), dtype=np.uint8)
    except (av.FFmpegError, ValueError, OSError):
        return None
    return frame_orientation(frame).apply(pixels)


# --- times and rates -------------------------------------------------------------------------


def _packet_times(container: InputContainer, stream: VideoStream) -> tuple[float, ...]:
    """Sorted presentation times of the first packets, seconds (empty if there are none)."""
    times: list[float] = []
    try:
        for packet in container.demux(stream):
            if packet.pts is not None and packet.time_base:
                times.append(float(packet.pts * packet.time_base))
            if len(times) >= RATE_PACKETS:
                break
    except (av.FFmpegError, ValueError, OSError):
        return tuple(sorted(times))
    return tuple(sorted(times))


def _average_rate(stream: VideoStream, times: tuple[float, ...]) -> float:
    """Average pictures a second: counted by the file, else from packet times, else as stated.

    A container that counts no pictures states the rate it was meant to have, which may be wrong.
    """
    stated = float(stream.average_rate) if stream.average_rate else math.nan
    if stream.frames and math.isfinite(stated):
        return stated
    if len(times) > 1 and times[-1] > times[0]:
        return (len(times) - 1) / (times[-1] - times[0])
    return stated


def _stated_duration(container: InputContainer, stream: VideoStream) -> float | None:
    """The duration the file states, seconds, or None where it states none."""
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.duration and container.duration > 0:
        return float(container.duration) / float(av.time_base)
    return None


def _indexed_share(stream: VideoStream, path: Path) -> float:
    """Share of the indexed pictures whose bytes are in the file (1.0 without an index)."""
    entries = stream.index_entries
    count = len(entries)
    if not count:
        return 1.0
    size = size_of(path)
    last = entries[count - 1]
    if last.pos + last.size <= size:
        return 1.0
    inside = sum(1 for entry in entries if entry.pos + entry.size <= size)
    return inside / count


def _measured_duration(path: Path, fps: float) -> float:
    """From the first to past the last packet, for files that state no duration."""
    first, last, count = math.inf, -math.inf, 0
    with open_video(path) as (container, stream):
        try:
            for packet in container.demux(stream):
                if packet.pts is not None and packet.time_base:
                    time_s = float(packet.pts * packet.time_base)
                    first, last, count = min(first, time_s), max(last, time_s), count + 1
        except (av.FFmpegError, ValueError, OSError):
            count = max(count, 1)
    step = 1.0 / fps if math.isfinite(fps) and fps > 0 else 1.0 / DEFAULT_FPS
    return (last - first if count else 0.0) + step
