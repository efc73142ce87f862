"""Parts of a recording: a picture a second, or all pictures of one stretch.

A key picture can be decoded by itself, so looking only at them costs a small part of reading
everything; and to read a stretch it is enough to begin at the key picture before it. Both give
the same pictures at the same times as reading from the start does (``video.sample_frames``).
That needs a file whose index can be relied on; :func:`read_index` says which can.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from review.playback import LEAP_S, Rgb
from review.video import (
    Trouble,
    VideoInfo,
    decoded,
    first_frame,
    frame_time_s,
    nearest_frames,
    open_video,
    picture_of,
)

LEAST_SPACING_S = 0.5
"""Glances nearer to each other than this are passed over: nothing at the hands is so short that
it needs more, and some cameras make every picture a key picture."""

LONGEST_GAP_S = 2.2
"""With key pictures further apart than this, other pictures are glanced at, too. Phones write one
a second (common practice, no source); programs that cut films leave up to ten seconds."""

GLANCE_S = 1.0
"""Distance of the glances then, seconds."""

BEGIN_EARLIER_S = 0.5
"""A stretch is looked for this much before its start: the index gives the times at which pictures
are decoded, which run ahead of those at which they are shown."""


@dataclass(frozen=True, slots=True)
class StreamIndex:
    """What the file's own index says.

    Attributes:
        origin_s: time stamp of the first picture, in the file's own seconds.
        gap_s: the longest stretch without a key picture, seconds.
        coded_s: shape (p,), about when each picture comes, seconds from the first one.
        bytes_before: shape (p + 1,), bytes of all pictures before each; the last is the sum.
    """

    origin_s: float
    gap_s: float
    coded_s: NDArray[np.float64]
    bytes_before: NDArray[np.float64]

    def bytes_between(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape (m,): bytes a second of the pictures from each time up to the next one."""
        at = self.bytes_before[np.searchsorted(self.coded_s, times_s)]
        end_s = float(self.coded_s[-1])
        spans = np.maximum(np.diff(times_s, append=end_s), 1e-3)
        return np.asarray(np.diff(at, append=self.bytes_before[-1]) / spans)


def read_index(path: Path, info: VideoInfo) -> StreamIndex | None:
    """The recording's index, or None where it has none that can be relied on.

    None for files without a whole index, with damaged or missing parts, and with time stamps
    that jump, go backwards or do not fit the stated duration: those are read from the start.

    Raises:
        VideoError: if the file cannot be opened.
    """
    with open_video(path) as (container, stream):
        entries = stream.index_entries
        count = len(entries)
        base = float(stream.time_base or 0)
        if count < 2 or base <= 0 or info.warnings:
            return None
        table = [entries[i] for i in range(count)]
        stamps = np.array([entry.timestamp for entry in table], dtype=np.float64) * base
        keys = np.array([entry.is_keyframe for entry in table], dtype=np.bool_)
        sizes = np.array([entry.size for entry in table], dtype=np.float64)
        first = frame_time_s(first_frame(container, stream, path))
    steps = np.diff(stamps)
    whole = abs(stamps[-1] - stamps[0] - info.duration_s) <= max(1.0, 0.02 * info.duration_s)
    if first is None or not keys[0] or not whole or (steps <= 0).any() or steps.max() > LEAP_S:
        return None
    coded_s = stamps - stamps[0]
    key_s = coded_s[keys]
    return StreamIndex(
        origin_s=first,
        gap_s=float(np.diff(key_s, append=max(info.duration_s, key_s[-1])).max()),
        coded_s=coded_s,
        bytes_before=np.concatenate([[0.0], np.cumsum(sizes)]),
    )


def glance_pictures(
    path: Path, index: StreamIndex, start_s: float, end_s: float, max_side_px: int
) -> Iterator[tuple[float, Rgb]]:
    """About one picture a second shown within [start_s, end_s), as ``(time_s, picture)``.

    Key pictures where they are near enough to each other, else those that no other needs are
    passed over in decoding.

    Raises:
        VideoError: if the file cannot be opened.
    """
    with open_video(path) as (container, stream):
        keys_alone = index.gap_s <= LONGEST_GAP_S
        stream.codec_context.skip_frame = "NONKEY" if keys_alone else "NONREF"
        spacing_s = LEAST_SPACING_S if keys_alone else GLANCE_S
        _go_to(container, stream, index, start_s)
        last_s = -math.inf
        for frame in decoded(container, stream, Trouble()):
            time_s = _time_of(frame, index)
            if time_s is None or time_s < start_s - 1e-9 or time_s - last_s < spacing_s - 1e-6:
                continue
            if time_s >= end_s - 1e-9:
                return
            picture = picture_of(frame, stream, max_side_px)
            if picture is not None:
                last_s = time_s
                yield time_s, picture


class Stretch(Iterator[tuple[float, Rgb]]):
    """The pictures of cells ``first..last - 1`` of the grid ``k / fps``; iterate over it once.

    The same ones that ``sample_frames`` gives for these cells, with the same times.

    Attributes:
        frames_decoded: pictures decoded so far.
        complete: whether, at the end, every part of the stretch could be read.
    """

    def __init__(
        self,
        path: Path,
        index: StreamIndex,
        cells: tuple[int, int],
        fps: float,
        max_side_px: int,
    ) -> None:
        self.frames_decoded = 0
        self.complete = True
        self._pictures = self._run(path, index, cells, fps, max_side_px)

    def __next__(self) -> tuple[float, Rgb]:
        return next(self._pictures)

    def _run(
        self,
        path: Path,
        index: StreamIndex,
        cells: tuple[int, int],
        fps: float,
        max_side_px: int,
    ) -> Iterator[tuple[float, Rgb]]:
        with open_video(path) as (container, stream):
            _go_to(container, stream, index, (cells[0] - 1) / fps)
            trouble = Trouble()
            timed = self._timed(decoded(container, stream, trouble), index)
            for cell, time_s, frame in nearest_frames(timed, fps):
                if cell >= cells[1]:
                    break
                if cell < cells[0]:
                    continue
                picture = picture_of(frame, stream, max_side_px)
                if picture is None:
                    self.complete = False
                else:
                    yield time_s, picture
                if cell == cells[1] - 1:
                    break
            self.complete = self.complete and not trouble.packets

    def _timed(
        self, frames: Iterator[VideoFrame], index: StreamIndex
    ) -> Iterator[tuple[float, VideoFrame]]:
        for frame in frames:
            self.frames_decoded += 1
            time_s = _time_of(frame, index)
            if time_s is not None:
                yield time_s, frame


def _go_to(
    container: InputContainer, stream: VideoStream, index: StreamIndex, start_s: float
) -> None:
    """Go on reading at the last key picture that comes surely before ``start_s``."""
    aim_s = start_s - BEGIN_EARLIER_S
    if aim_s > 0 and stream.time_base:
        stamp = round((index.origin_s + aim_s) / float(stream.time_base))
        container.seek(stamp, backward=True, any_frame=False, stream=stream)


def _time_of(frame: VideoFrame, index: StreamIndex) -> float | None:
    stamp = frame_time_s(frame)
    return None if stamp is None else stamp - index.origin_s
