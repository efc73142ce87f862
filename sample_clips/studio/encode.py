"""Writes pictures with exact times as an H.264 mp4 that every browser plays.

Times are seconds from the first frame; they may be unevenly spaced. The file appears under
its own name only when it is complete.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

TIME_BASE = Fraction(1, 90_000)
"""Clock of the stored times: the usual 90 kHz of MPEG systems (ISO/IEC 13818-1)."""


def frame_times(
    duration_s: float, fps: float, rng: np.random.Generator | None = None, jitter: float = 0.0
) -> NDArray[np.float64]:
    """Shape (n,): times of the frames of one clip, from 0, on the grid of `TIME_BASE`.

    With `jitter` (0..0.45, a share of the frame interval) every frame but the first is moved
    at random, as phones do that record at a variable rate.

    Raises:
        ValueError: for a clip without frames, or a jitter that could swap two of them.
    """
    if not (duration_s > 0 and fps > 0):
        raise ValueError(f"a clip needs a duration and a frame rate, got {duration_s}, {fps}")
    if not 0 <= jitter <= 0.45:
        raise ValueError(f"jitter must lie in 0..0.45 of a frame, got {jitter}")
    times = np.arange(max(1, round(duration_s * fps))) / fps
    if jitter:
        if rng is None:
            raise ValueError("jittered times need a random generator")
        times[1:] += rng.uniform(-jitter, jitter, times.size - 1) / fps
    ticks = np.round(times / float(TIME_BASE))
    exact: NDArray[np.float64] = ticks * float(TIME_BASE)
    return exact


def write_video(
    path: Path, frames: Iterable[tuple[float, NDArray[np.uint8]]], fps: float, crf: int = 26
) -> int:
    """Encode (time_s, BGR picture) pairs to `path`; returns the number of frames.

    Pictures must share one even size; times must increase. `crf` is x264's quality, lower is
    better. A key frame comes every two seconds, so that a page can jump about.

    Raises:
        ValueError: without frames, for uneven sizes, or for times that do not increase.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    count = 0
    try:
        with av.open(
            str(partial), "w", format="mp4", options={"movflags": "+faststart"}
        ) as container:
            stream = container.add_stream("libx264", rate=Fraction(fps).limit_denominator(1001))
            stream.pix_fmt = "yuv420p"
            stream.time_base = TIME_BASE
            stream.codec_context.time_base = TIME_BASE
            stream.codec_context.gop_size = max(1, round(2 * fps))
            stream.options = {"crf": str(crf), "preset": "medium"}
            last = -1
            for time_s, picture in frames:
                height, width = picture.shape[:2]
                if count == 0:
                    if width % 2 or height % 2:
                        raise ValueError(f"H.264 needs even sizes, got {width}x{height}")
                    stream.width, stream.height = width, height
                elif (width, height) != (stream.width, stream.height):
                    raise ValueError(f"frame {count} is {width}x{height}, unlike the first")
                tick = round(time_s / float(TIME_BASE))
                if tick <= last:
                    raise ValueError(f"frame {count} at {time_s} s does not come after the last")
                frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
                frame.pts, frame.time_base, last = tick, TIME_BASE, tick
                container.mux(stream.encode(frame))
                count += 1
            if count == 0:
                raise ValueError(f"no frames to write to {path.name}")
            container.mux(stream.encode())
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
    return count
