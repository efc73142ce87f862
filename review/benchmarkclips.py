"""Long recordings for the benchmark: a drawn exchange whose waits are as long as at home.

Hand work comes from a sample recording, enlarged to what phones record. Between its parts stand
minutes of waiting: the sample's own moments of rest, to and fro, with fresh noise, flickering
light, somebody passing behind now and then and, if asked for, a short burst of hand work. Every
part is encoded once and then copied as often as a recording needs it, as cameras write: one key
picture a second, each other one built on the one before.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import cast

import av
import cv2
import numpy as np
from av.video.stream import VideoStream
from numpy.typing import NDArray

from review.errors import VideoError
from review.video import sample_frames

Picture = NDArray[np.uint8]

FPS = 30
"""Pictures a second of ordinary phone recordings."""

TILE_S = 60.0
"""Length of one encoded minute of waiting."""

TILES = 3
"""Different minutes of waiting; the second one has somebody passing."""

NOISE = 2.5
"""Standard deviation of the sensor noise, grey levels of 255 (a phone by room light; common
practice, no source)."""

FLICKER = 0.015
"""Share by which the light swings, once in 1.3 s (mains flicker as a camera shows it)."""

LONG_WAITS = ("drain", "fill")
"""What takes minutes at home; flushing takes seconds."""

LEAST_REST_S = 4.0
"""Shorter moments of rest would be seen to repeat."""

REST_S = 1.6
"""Length of the moment of rest that is played to and fro."""

CODECS = {"h264": "libx264", "hevc": "libx265"}


@dataclass(frozen=True, slots=True)
class Sample:
    """A short recording of an exchange and where it waits.

    Attributes:
        video: the recording.
        rest: (start, end) of a moment of waiting with nothing going on, seconds.
        breaks_s: where waiting is put in, seconds.
    """

    video: Path
    rest: tuple[float, float]
    breaks_s: tuple[float, ...]


def sample_of(video: Path) -> Sample:
    """The sample with the waits that its label file names.

    Raises:
        VideoError: if there is no label file or no long wait in it.
    """
    place = video.with_suffix(".json")
    if not place.exists():
        raise VideoError(f"{video}: its label file {place.name} is not beside it.")
    waits: list[tuple[str, float, float]] = []
    for piece in json.loads(place.read_text(encoding="utf-8"))["labels"]:
        step, start, end = str(piece["step"]), float(piece["start_s"]), float(piece["end_s"])
        if piece["phase"] != "waiting":
            continue
        if waits and waits[-1][0] == step and start - waits[-1][2] < 1e-3:
            waits[-1] = (step, waits[-1][1], end)
        else:
            waits.append((step, start, end))
    long = [(a, b) for step, a, b in waits if step in LONG_WAITS and b - a >= LEAST_REST_S]
    if not long:
        raise VideoError(f"{video}: no long wait is labelled in it.")
    rest = max(long, key=lambda span: span[1] - span[0])
    return Sample(video, (rest[0] + 0.4, rest[1] - 0.4), tuple((a + b) / 2 for a, b in long))


@dataclass(frozen=True, slots=True)
class Form:
    """How a recording is written.

    Attributes:
        name: part of its file name.
        width, height: pixels.
        codec: ``h264`` or ``hevc``.
        bit_rate: bits a second.
    """

    name: str
    width: int
    height: int
    codec: str
    bit_rate: int


FORMS = {
    "1080p": Form("1080p", 1920, 1080, "h264", 12_000_000),
    "hevc": Form("hevc", 1920, 1080, "hevc", 8_000_000),
    "4k": Form("4k", 3840, 2160, "h264", 40_000_000),
}
"""What phones write; the bit rates are those of ordinary settings (common practice, no source)."""


class Studio:
    """Makes the parts of one form, once, and recordings of any length from them.

    Args:
        sample: where hand work and rest come from.
        form: how to write.
        folder: where parts and recordings are kept; what is there is used again.
        seed: of noise and order.
    """

    def __init__(self, sample: Sample, form: Form, folder: Path, seed: int = 1) -> None:
        self._sample, self._form, self._folder, self._seed = sample, form, folder, seed
        rng = np.random.default_rng([seed, form.width])
        shape = (form.height + 64, form.width + 64)
        self._noise = [
            cv2.merge([np.rint(rng.normal(0.0, NOISE, shape)).astype(np.int16)] * 3)
            for _ in range(4)
        ]
        self._rng = rng

    def recording(
        self, minutes: float, burst_s: float = 0.0, told: Callable[[str], None] | None = None
    ) -> Path:
        """A recording of about so many minutes, from the parts.

        Args:
            minutes: its length; what is over the exchange itself is waiting.
            burst_s: length of a burst of hand work in every third minute of waiting; 0: none.
            told: told what is being made.
        """
        mark = f"-bursts{burst_s:g}" if burst_s else ""
        place = self._folder / f"{self._form.name}-{minutes:g}min{mark}.mp4"
        if place.exists():
            return place
        self._folder.mkdir(parents=True, exist_ok=True)
        edges = [0.0, *self._sample.breaks_s, float("inf")]
        work = [
            self._part(f"work{k}", lambda k=k: self._work(edges[k], edges[k + 1]), told)  # type: ignore[misc]
            for k in range(len(edges) - 1)
        ]
        waits = [
            self._part(f"wait{k}", lambda k=k: self._wait(k, 0.0), told)  # type: ignore[misc]
            for k in range(TILES)
        ]
        if burst_s:
            waits[0] = self._part(f"burst{burst_s:g}", lambda: self._wait(0, burst_s), told)
        spare_s = minutes * 60.0 - sum(map(_length_s, work))
        tiles = max(0, round(spare_s / TILE_S))
        rng = np.random.default_rng([self._seed, tiles])
        order = [waits[k] for k in rng.permutation(np.arange(tiles) % TILES)]
        # Half of the waiting in the first break, the rest shared among the others.
        shares = np.array([0.5, *[0.5 / max(1, len(work) - 2)] * (len(work) - 2)])
        ends = np.rint(np.cumsum(shares / shares.sum()) * tiles).astype(int).tolist()
        parts, begin = [work[0]], 0
        for end, piece in zip(ends, work[1:], strict=True):
            parts += [*order[begin:end], piece]
            begin = end
        _join(parts, place)
        if burst_s:
            starts = np.cumsum([0.0, *map(_length_s, parts)])
            at = [starts[k] + TILE_S / 2 for k, part in enumerate(parts) if part == waits[0]]
            spans = [[float(start), float(start) + burst_s] for start in at]
            bursts_beside(place).write_text(json.dumps(spans), encoding="utf-8")
        return place

    def _part(
        self,
        name: str,
        pictures: Callable[[], Iterator[Picture]],
        told: Callable[[str], None] | None,
    ) -> Path:
        place = self._folder / f"{self._form.name}-{name}.part.mp4"
        if not place.exists():
            if told is not None:
                told(f"{self._form.name}: drawing {name}")
            partial = place.with_suffix(".partial")
            _encode(pictures(), self._form, partial)
            partial.rename(place)
        return place

    def _enlarged(self, picture: Picture, light: float = 1.0) -> Picture:
        """To the form's size, with noise of its own; a new RGB picture."""
        form = self._form
        large = cv2.resize(picture, (form.width, form.height), interpolation=cv2.INTER_LINEAR)
        noise = self._noise[self._rng.integers(len(self._noise))]
        y, x = self._rng.integers(64, size=2)
        grain = noise[y : y + form.height, x : x + form.width]
        lit = large if light == 1.0 else cv2.convertScaleAbs(large, alpha=light)
        return np.asarray(cv2.add(lit, grain, dtype=cv2.CV_8U), dtype=np.uint8)

    def _pictures(self, start_s: float, end_s: float) -> list[tuple[float, Picture]]:
        frames = sample_frames(self._sample.video, 120.0, 4096)
        found = []
        for time_s, picture in frames:
            if time_s >= end_s:
                break
            if time_s >= start_s:
                found.append((time_s, picture))
        frames.close()
        return found

    def _work(self, start_s: float, end_s: float) -> Iterator[Picture]:
        """A part of the sample at 30 pictures a second, each between its neighbours."""
        found = self._pictures(start_s, end_s)
        times = np.array([time_s for time_s, _ in found])
        for time_s in np.arange(times[0], times[-1], 1.0 / FPS).tolist():
            yield self._enlarged(_between(found, times, time_s))

    def _wait(self, number: int, burst_s: float) -> Iterator[Picture]:
        """A minute of rest, to and fro."""
        rest = _quietest(self._pictures(*self._sample.rest))
        times = np.array([time_s for time_s, _ in rest]) - rest[0][0]
        span = float(times[-1])
        moving = self._pictures(*self._burst_span(burst_s)) if burst_s else []
        for k in range(round(TILE_S * FPS)):
            now = k / FPS
            swing = now % (2 * span)
            picture = _between(rest, times, swing if swing < span else 2 * span - swing)
            since = now - TILE_S / 2
            if moving and 0.0 <= since < burst_s:
                at = np.array([time_s for time_s, _ in moving]) - moving[0][0]
                picture = _between(moving, at, since)
            if number == 1 and 20.0 <= now < 26.0:
                picture = _passing(picture, (now - 20.0) / 6.0)
            yield self._enlarged(picture, 1.0 + FLICKER * np.sin(2 * np.pi * now / 1.3))

    def _burst_span(self, burst_s: float) -> tuple[float, float]:
        """So many seconds of the sample's first hand work: of its first wash or rub."""
        labels = json.loads(self._sample.video.with_suffix(".json").read_text(encoding="utf-8"))
        start = next(
            float(piece["start_s"])
            for piece in labels["labels"]
            if piece["phase"] == "hand_rub" and piece["end_s"] - piece["start_s"] >= burst_s
        )
        return start, start + burst_s


def _quietest(found: list[tuple[float, Picture]]) -> list[tuple[float, Picture]]:
    """The pictures of the ``REST_S`` seconds in which least moves."""
    small = [cv2.resize(picture, (160, 90), interpolation=cv2.INTER_AREA) for _, picture in found]
    count = max(2, round(REST_S * len(found) / (found[-1][0] - found[0][0])))
    changes = [
        max(float(cv2.absdiff(small[k], small[j]).mean()) for j in range(k, k + count))
        for k in range(max(1, len(found) - count))
    ]
    best = int(np.argmin(changes))
    return found[best : best + count]


def bursts_beside(recording: Path) -> Path:
    """The file that says when the bursts of a made recording are: (start, end) in seconds."""
    return recording.with_suffix(".bursts.json")


def _between(found: list[tuple[float, Picture]], times: NDArray[np.float64], now: float) -> Picture:
    """The picture at a time, mixed from the two around it."""
    after = int(np.clip(np.searchsorted(times, now), 1, len(times) - 1))
    step = times[after] - times[after - 1]
    share = float(np.clip((now - times[after - 1]) / step, 0.0, 1.0))
    mixed = cv2.addWeighted(found[after - 1][1], 1.0 - share, found[after][1], share, 0.0)
    return np.asarray(mixed, dtype=np.uint8)


def _passing(picture: Picture, share: float) -> Picture:
    """Somebody walks through the back of the room: a dark shape behind the upper part."""
    height, width = picture.shape[:2]
    out = picture.copy()
    x = int((share * 1.4 - 0.2) * width)
    cv2.rectangle(out, (x, 0), (x + width // 10, height // 4), (70, 66, 80), thickness=cv2.FILLED)
    return out


def _encode(pictures: Iterator[Picture], form: Form, place: Path) -> None:
    """Write pictures as cameras do; the same settings every time, so that parts can be joined."""
    with av.open(str(place), "w", format="mp4") as container:
        stream = cast(VideoStream, container.add_stream(CODECS[form.codec], rate=FPS))
        stream.width, stream.height, stream.pix_fmt = form.width, form.height, "yuv420p"
        stream.bit_rate = form.bit_rate
        stream.time_base = Fraction(1, FPS * 512)
        options: dict[str, object] = {"preset": "ultrafast", "g": str(FPS), "bf": "0"}
        options["keyint_min"] = str(FPS)
        if form.codec == "hevc":
            options["x265-params"] = "bframes=0:log-level=error:open-gop=0"
        stream.options = options
        stream.codec_context.gop_size = FPS
        for picture in pictures:
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def _length_s(place: Path) -> float:
    with av.open(str(place)) as container:
        return container.streams.video[0].frames / FPS


def _join(parts: list[Path], place: Path) -> None:
    """Parts one after another, copied without being encoded again."""
    partial = place.with_suffix(".partial")
    with av.open(str(parts[0])) as first, av.open(str(partial), "w", format="mp4") as out:
        stream = out.add_stream_from_template(first.streams.video[0])
        begin = 0
        for part in parts:
            with av.open(str(part)) as container:
                source = container.streams.video[0]
                base = source.time_base or Fraction(1, FPS)
                step = round(1 / (FPS * base))
                for packet in container.demux(source):
                    if packet.dts is None or packet.pts is None:
                        continue
                    packet.pts += begin
                    packet.dts += begin
                    packet.stream = stream
                    out.mux(packet)
                begin += source.frames * step
    partial.rename(place)
