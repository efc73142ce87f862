"""A clip cut out of a recording for teaching: no face, no sound unless asked for, no metadata.

Every picture of the span is looked at for faces, the boxes are carried over the pictures in which
none was found (:mod:`review.facecover`), and what they cover is filled with grey before anything
is written. The clip is H.264 in MP4 and holds pictures, sound if wanted, and nothing else: no
place, device, date, name, and no note of what wrote it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, cast

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.container import OutputContainer
from av.video.frame import VideoFrame

from review.errors import VideoError
from review.faceboxes import FaceFinder
from review.facecover import Box, FoundFace, cover_faces, covered_share, fill
from review.playback import Clock, Rgb
from review.reviewcopy import (
    KEY_FRAME_EVERY_S,
    MAX_HEIGHT_PX,
    TICKS,
    add_pictures,
    add_voice,
    explained,
)
from review.video import (
    Trouble,
    decoded,
    first_frame,
    frame_orientation,
    frame_time_s,
    open_video,
    picture_of,
    seen_size,
)
from review.wholefile import whole_file

Progress = Callable[[float], None]

LONGEST_S: Final = 600.0
"""A clip for teaching shows a moment; looking for faces takes several times as long as it lasts."""

LOOKING: Final = 0.9
"""Share of the work that is looking for faces; writing is quick beside it."""

NOTHING_ELSE: Final = {"movflags": "faststart", "fflags": "+bitexact"}
"""The container writes neither a date nor its own name and version."""

UNSIGNED: Final = {"flags": "+bitexact"}
"""The encoders write no name and version of their own."""

CLIP_REMEDY: Final = "Choose another place, or free some space"

REMARKS: Final = "filter_units=remove_types=6"
"""Takes out what the encoder remarks on itself in the pictures' stream (H.264, supplemental
enhancement information, unit type 6; ITU-T H.264, table 7-1)."""


@dataclass(frozen=True, slots=True)
class SharedCopy:
    """What was made.

    Attributes:
        pictures: in the clip.
        pictures_found: of these, how many a face was found in.
        covered: mean share (0..1) of the picture that is covered.
        duration_s: from the first picture to the end of the last, seconds.
        sound: whether it has sound.
    """

    pictures: int
    pictures_found: int
    covered: float
    duration_s: float
    sound: bool


def make_shared_copy(
    source: Path | str,
    target: Path | str,
    *,
    start_s: float,
    end_s: float,
    sound: bool = False,
    looked_at: bool = False,
    progress: Progress | None = None,
) -> SharedCopy:
    """Cut out a span with every face covered, completely or not at all.

    Args:
        source: the recording.
        target: the clip's place, a new file ending in ``.mp4``.
        start_s: of the span, seconds from the recording's first picture.
        end_s: of the span.
        sound: keep the sound, if there is any.
        looked_at: a person watched the span and says that no face shows in it; asked for where
            no face was found at all.
        progress: told the share done, 0..1. What it raises stops the work and is raised on;
            nothing is left behind.

    Raises:
        VideoError: if the recording cannot be read, has nothing there, the clip cannot be
            written, or no face was found and nobody looked.
    """
    source, target = Path(source), Path(target)
    _check_span(source, start_s, end_s)
    tell = progress or (lambda share: None)
    size_px = _longest_side(source)
    times: list[float] = []
    found: list[tuple[FoundFace, ...]] = []
    with FaceFinder() as finder:
        for time_s, picture in span_pictures(source, start_s, end_s, size_px):
            times.append(time_s)
            found.append(finder.look(picture))
            tell(LOOKING * min((time_s - start_s) / (end_s - start_s), 1.0))
    if not times:
        raise VideoError(
            f"{source.name} has no picture from {start_s:g} s to {end_s:g} s: choose another span."
        )
    if not any(found) and not looked_at:
        raise VideoError(
            f"{source.name}: no face was found from {start_s:g} s to {end_s:g} s, which does not "
            "mean that there is none. Watch this span yourself; if no face shows, say so "
            "(--looked-at) and make the copy again."
        )
    covers = cover_faces(times, found)
    with explained(target, "clip", CLIP_REMEDY), whole_file(target) as partial:
        made = _write(source, partial, times, covers, (start_s, end_s), size_px, sound, tell)
    tell(1.0)
    seen = sum(map(bool, found))
    return SharedCopy(len(times), seen, made[0], made[1], made[2])


def share_task(progress: Progress, **arguments: Any) -> dict[str, Any]:
    """What a guarded child does; see :func:`make_shared_copy`."""
    made = make_shared_copy(progress=progress, **arguments)
    return {name: getattr(made, name) for name in SharedCopy.__slots__}


def span_pictures(
    path: Path, start_s: float, end_s: float, max_side_px: int
) -> Iterator[tuple[float, Rgb]]:
    """Every picture of a span, none left out, as :func:`review.video.sample_frames` gives them.

    Sides are even, which the encoder needs.
    """
    clock = Clock()
    with open_video(path) as (container, stream):
        for frame in decoded(container, stream, Trouble()):
            time_s = clock.read(frame_time_s(frame))
            if time_s is None or time_s < start_s:
                continue
            if time_s >= end_s:
                return
            picture = picture_of(frame, stream, max_side_px)
            if picture is not None:
                height, width = (side // 2 * 2 for side in picture.shape[:2])
                yield time_s, np.ascontiguousarray(picture[:height, :width])


def _check_span(source: Path, start_s: float, end_s: float) -> None:
    if not (0.0 <= start_s < end_s):  # not a number is refused, too
        raise VideoError(
            f"{source.name}: from {start_s:g} s to {end_s:g} s is no span; the end comes after "
            "the start."
        )
    if end_s - start_s > LONGEST_S:
        raise VideoError(
            f"{source.name}: {end_s - start_s:.0f} s are long for a clip; choose up to "
            f"{LONGEST_S:.0f} s."
        )


def _longest_side(source: Path) -> int:
    """Longer side of the clip's pictures: no taller than the review copy, never enlarged."""
    with open_video(source) as (container, stream):
        first = first_frame(container, stream, source)
        width, height = seen_size(first, stream, frame_orientation(first))
    return max(16, round(max(width, height) * min(1.0, MAX_HEIGHT_PX / height)))


# --- writing ---------------------------------------------------------------------------------


def _write(
    source: Path,
    place: Path,
    times: list[float],
    covers: tuple[tuple[Box, ...], ...],
    span: tuple[float, float],
    size_px: int,
    sound: bool,
    tell: Progress,
) -> tuple[float, float, bool]:
    """Write pictures and sound; gives the mean share covered, the length, and if it has sound."""
    covered, heard, step = 0.0, False, 1.0 / 30.0
    with av.open(str(place), "w", format="mp4", options=dict(NOTHING_ELSE)) as container:
        writer: _Pictures | None = None
        for number, (time_s, picture) in enumerate(span_pictures(source, *span, size_px)):
            if number >= len(times) or time_s != times[number]:
                raise VideoError(f"{source} changed while it was read: try again.")
            if writer is None:
                writer = _Pictures(container, picture)
                voice = _Voice(container, source, span) if sound else None
            writer.add(fill(picture, covers[number]), time_s - times[0])
            covered += covered_share(covers[number], picture.shape[1], picture.shape[0])
            step = time_s - times[number - 1] if number else step
            tell(LOOKING + (1.0 - LOOKING) * number / len(times))
        if writer is None or number + 1 != len(times):
            raise VideoError(f"{source} changed while it was read: try again.")
        writer.end()
        if voice is not None:
            heard = voice.add_all(times[0])
    return covered / len(times), times[-1] - times[0] + step, heard


class _Pictures:
    """The clip's pictures being written."""

    def __init__(self, container: OutputContainer, first: Rgb) -> None:
        height, width = first.shape[:2]
        stream = add_pictures(container, (width, height), UNSIGNED)
        self._container, self._stream, self._first = container, stream, first.shape
        self._quiet = av.BitStreamFilterContext(REMARKS, stream)
        self._last, self._next_key_s = -1, 0.0

    def add(self, picture: Rgb, time_s: float) -> None:
        """Write one picture; one that differs in size from the first is fitted to it."""
        ticks = round(time_s * TICKS)
        if ticks <= self._last:
            return
        frame = VideoFrame.from_ndarray(picture, format="rgb24").reformat(
            width=self._first[1], height=self._first[0], format="yuv420p"
        )
        frame.pts, frame.time_base = ticks, Fraction(1, TICKS)
        key = time_s >= self._next_key_s
        frame.pict_type = cast(Any, 1 if key else 0)
        if key:
            self._next_key_s = time_s + KEY_FRAME_EVERY_S
        self._last = ticks
        self._mux(self._stream.encode(frame))

    def end(self) -> None:
        """Write what the encoder still holds."""
        self._mux(self._stream.encode(None))

    def _mux(self, packets: list[Any]) -> None:
        for packet in packets:
            for silent in self._quiet.filter(packet):
                self._container.mux(silent)


class _Voice:
    """The sound of the span, if the recording has any."""

    def __init__(self, container: OutputContainer, source: Path, span: tuple[float, float]) -> None:
        self._container, self._source, self._span = container, source, span
        self._stream = None
        with open_video(source) as (reading, _):
            if reading.streams.audio:
                self._stream = add_voice(container, reading.streams.audio[0], UNSIGNED)

    def add_all(self, first_s: float) -> bool:
        """Write it, beginning with the clip's first picture; says whether there was any."""
        if self._stream is None:
            return False
        with open_video(self._source) as (container, stream):
            origin = frame_time_s(first_frame(container, stream, self._source)) or 0.0
        some = False
        with open_video(self._source) as (container, _):
            for frame in self._frames(container):
                at = float(frame.pts * frame.time_base) - origin - first_s
                if at >= self._span[1] - first_s:
                    break
                if at >= 0.0:
                    frame.pts = round(at / frame.time_base)
                    self._mux(self._stream.encode(frame))
                    some = True
        self._mux(self._stream.encode(None))
        return some

    def _frames(self, container: Any) -> Iterator[Any]:
        """Sounds with their times; what does not decode is left out."""
        packets = container.demux(container.streams.audio[0])
        while True:
            try:
                frames = next(packets).decode()
            except StopIteration:
                return
            except (av.FFmpegError, ValueError, OSError):
                continue
            for frame in frames:
                if isinstance(frame, AudioFrame) and frame.pts is not None and frame.time_base:
                    yield frame

    def _mux(self, packets: list[Any]) -> None:
        for packet in packets:
            self._container.mux(packet)
