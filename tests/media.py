"""Recordings made for the tests: sound ones, odd ones and broken ones.

Every picture is the ``card``: four corners of known colours, a grey middle, and a bar whose width
grows with the picture number, so that a test can tell which way up a picture is and which
one it is. Everything is generated; nothing here shows a person.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]

CORNERS = {
    "top_left": (220, 30, 30),
    "top_right": (30, 200, 30),
    "bottom_left": (30, 30, 220),
    "bottom_right": (230, 230, 230),
}
"""Colours of the card's corners, red-green-blue."""

TICKS = 90_000
"""Time base of written recordings: ticks a second."""

# Matrices of the track header that turn the picture clockwise, in 16.16 fixed point
# (ISO/IEC 14496-12, track header box: row vectors times [a b u; c d v; x y w]).
QUARTER_TURNS = {0: (1, 0, 0, 1), 90: (0, 1, -1, 0), 180: (-1, 0, 0, -1), 270: (0, -1, 1, 0)}
SIDEWAYS_FLIP = (-1, 0, 0, 1)


def card(number: int, width: int, height: int) -> Rgb:
    """The test picture, shape (height, width, 3)."""
    picture = np.full((height, width, 3), 128, dtype=np.uint8)
    y, x = height // 3, width // 3
    picture[:y, :x] = CORNERS["top_left"]
    picture[:y, -x:] = CORNERS["top_right"]
    picture[-y:, :x] = CORNERS["bottom_left"]
    picture[-y:, -x:] = CORNERS["bottom_right"]
    bar = (number % 16 + 1) * width // 16
    picture[height // 2 - height // 12 : height // 2 + height // 12, :bar] = 0
    return picture


def corners_of(picture: Rgb) -> dict[str, str]:
    """Which card corner's colour lies in each corner of ``picture``."""
    height, width = picture.shape[:2]
    y, x = height // 6, width // 6
    places = {
        "top_left": picture[y, x],
        "top_right": picture[y, -x],
        "bottom_left": picture[-y, x],
        "bottom_right": picture[-y, -x],
    }
    return {
        place: min(
            CORNERS, key=lambda name: float(np.abs(colour.astype(int) - CORNERS[name]).sum())
        )
        for place, colour in places.items()
    }


def steady(count: int, fps: float) -> list[float]:
    """Times of ``count`` pictures at a steady rate, seconds."""
    return [i / fps for i in range(count)]


def write_video(
    path: Path,
    times_s: Sequence[float],
    size: tuple[int, int] = (320, 240),
    *,
    codec: str = "libx264",
    options: dict[str, str] | None = None,
    pictures: Sequence[Rgb] | None = None,
    sound: bool = False,
    key_frame_every: int = 12,
) -> Path:
    """A recording with the given presentation times; the card unless ``pictures`` are given."""
    width, height = size
    with av.open(str(path), "w", options=options or {}) as container:
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, TICKS)
        stream.codec_context.gop_size = key_frame_every
        if codec == "libx264":
            stream.options = {"preset": "ultrafast", "crf": "20"}
        audio = container.add_stream("aac", rate=16_000) if sound else None
        for number, time_s in enumerate(times_s):
            picture = card(number, width, height) if pictures is None else pictures[number]
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = round(time_s * TICKS), Fraction(1, TICKS)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
        if audio is not None:
            for block in _tone(max(times_s) + 0.1):
                container.mux(audio.encode(block))
            container.mux(audio.encode())
    return path


def _tone(seconds: float) -> Iterator[av.AudioFrame]:
    """A quiet 220 Hz tone in blocks of 1024 samples at 16 kHz."""
    total = round(seconds * 16_000)
    for start in range(0, total, 1024):
        at = np.arange(start, start + 1024) / 16_000
        wave = (3000 * np.sin(2 * np.pi * 220 * at)).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(wave[None], format="s16", layout="mono")
        frame.sample_rate, frame.pts = 16_000, start
        yield frame


def write_sound_only(path: Path, seconds: float = 1.0) -> Path:
    """An MP4 with sound and no picture."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=16_000)
        for block in _tone(seconds):
            container.mux(stream.encode(block))
        container.mux(stream.encode())
    return path


def set_matrix(path: Path, matrix: tuple[int, int, int, int]) -> Path:
    """Write (a, b, c, d) into the first track header of an MP4, as a phone held upright does.

    Version 0 of the box: the matrix starts 40 bytes after the box's name.
    """
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40
    a, b, c, d = (value << 16 for value in matrix)
    data[at : at + 36] = struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 1 << 30)
    path.write_bytes(data)
    return path


def cut(path: Path, share: float) -> Path:
    """Keep only the first ``share`` (0..1) of the file's bytes."""
    data = path.read_bytes()
    path.write_bytes(data[: round(len(data) * share)])
    return path


def scratch(path: Path, start: float, end: float, seed: int = 7) -> Path:
    """Overwrite the bytes between two shares of the file with noise."""
    data = bytearray(path.read_bytes())
    a, b = round(len(data) * start), round(len(data) * end)
    data[a:b] = np.random.default_rng(seed).integers(0, 256, b - a, dtype=np.uint8).tobytes()
    path.write_bytes(data)
    return path
