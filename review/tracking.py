"""A whole recording to landmarks: where to look closely, in pieces, on all cores.

First a glance a second over the whole recording (``survey``), then every picture the measures need
where hands work, and between these one picture every few seconds. The close spans are cut into
pieces that are tracked apart from each other, each after a short run-up in which the trackers find
hands and face, so that the pieces can go to several processes, and a run that was stopped goes on
with the pieces that are missing. What comes out depends on the recording and the sampling alone,
not on the number of processes nor on interruptions.
"""

from __future__ import annotations

import logging
import math
import os
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.crew import Crew, cores, is_crew
from review.landmarks import (
    Looks,
    Progress,
    Sampling,
    Tracker,
    in_cells,
    settle,
    thumbnail,
    track_landmarks,
)
from review.seeking import StreamIndex, Stretch, glance_pictures, read_index
from review.survey import (
    LEAST_CELLS,
    LOOK_EVERY_S,
    MOVED,
    Glances,
    close_spans,
    light_apart,
    working,
)
from review.timeline import Interval
from review.tracks import MOTION_GRID, LandmarkTrack
from review.video import VideoInfo, cell_of, probe, sample_frames

SURVEY_FROM_S = 240.0
"""Recordings shorter than this are looked at closely throughout: there is little to save."""

PIECE_S = 30.0
"""Longest piece. Shorter ones cost more run-ups, longer ones lose more when a run is stopped."""

RUN_UP_S = 1.5
"""Tracked before a piece and thrown away: trackers find hands and face within a second."""

CHUNK_S = 240.0
"""The survey is cut into parts of this length."""

MOST_WORKERS = 4
"""Processes at most; each takes about 300 MB."""

ALONE_BELOW_S = 40.0
"""Less close work than this is not worth starting processes that take seconds to come up."""

LONGEST_HOLD_S = 2.0 * LOOK_EVERY_S
"""What is held must not be older than this, whatever the survey says."""

SURVEY_SHARE = 0.2
"""Share of the progress bar for the survey; it takes about that part of the time."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Tracked:
    """A recording's landmarks and what they took.

    Attributes:
        track: the landmarks.
        info: the recording's facts as found while reading.
        frames_decoded: pictures decoded, glances included.
        frames_tracked: pictures in which hands and face were looked for.
        close_s: seconds looked at closely.
        resumed: pieces found from an earlier run.
    """

    track: LandmarkTrack
    info: VideoInfo
    frames_decoded: int
    frames_tracked: int
    close_s: float
    resumed: int = 0


@dataclass(frozen=True, slots=True)
class Survey:
    """Task: glance at [start_s, end_s)."""

    path: Path
    index: StreamIndex
    sampling: Sampling
    start_s: float
    end_s: float

    @property
    def name(self) -> str:
        """What it is called among the parts that are kept."""
        return f"survey-{round(self.start_s * 1000)}"


@dataclass(frozen=True, slots=True)
class Piece:
    """Task: track the pictures of grid cells ``first..last - 1``."""

    path: Path
    index: StreamIndex
    sampling: Sampling
    first: int
    last: int

    @property
    def name(self) -> str:
        """What it is called among the parts that are kept."""
        return f"piece-{self.first}-{self.last}"


Part = dict[str, NDArray[Any]]
"""What a task gives: named arrays, as they are kept."""


def track_recording(
    path: Path,
    sampling: Sampling,
    progress: Progress | None = None,
    *,
    keep: Path | None = None,
    workers: int | None = None,
) -> Tracked:
    """Find hands and face in a recording.

    Args:
        path: the recording.
        sampling: how to look at it; ``sampling.everywhere`` looks at everything alike.
        progress: told the share done, 0..1.
        keep: folder for finished parts, so that a stopped run can go on; it is the caller's to
            remove once the track is safe. None: nothing is kept.
        workers: processes; default one a core, at most ``MOST_WORKERS``.

    Raises:
        VideoError: if the recording cannot be read.
    """
    info = probe(path)
    index = None if sampling.everywhere else read_index(path, info)
    if index is None:
        return _from_the_start(path, sampling, info, progress)
    with _Work(keep, workers, progress) as work:
        return _in_pieces(path, sampling, info, index, work)


def _from_the_start(
    path: Path, sampling: Sampling, info: VideoInfo, progress: Progress | None
) -> Tracked:
    """Every sampled picture in one run."""
    frames = sample_frames(path, sampling.fps, sampling.max_side_px)
    try:
        track = track_landmarks(frames, info, sampling, progress)
    finally:
        frames.close()
    known = dict.fromkeys((*info.warnings, *frames.warnings))
    info = replace(info, duration_s=track.time.end_s, warnings=tuple(known))
    return Tracked(track, info, frames.frames_decoded, len(track.time), track.time.end_s)


def _in_pieces(
    path: Path, sampling: Sampling, info: VideoInfo, index: StreamIndex, work: _Work
) -> Tracked:
    """Survey, close spans in pieces, and all of it put together."""
    end_s = info.duration_s
    spans, seldom = [Interval(0.0, end_s)], Looks.none()
    decoded = tracked = 0
    if end_s >= SURVEY_FROM_S:
        chunks = [
            Survey(path, index, sampling, start, min(start + CHUNK_S, end_s))
            for start in np.arange(0.0, end_s, CHUNK_S).tolist()
        ]
        seconds = [chunk.end_s - chunk.start_s for chunk in chunks]
        parts = work.do(chunks, look_about, seconds, SURVEY_SHARE)
        glances, seldom = _surveyed(parts, index)
        spans = close_spans(glances, working(glances, info.height / info.width), end_s)
        decoded += int(sum(part["decoded"] for part in parts))
        tracked += len(seldom)
    pieces = [
        Piece(path, index, sampling, first, last)
        for span in spans
        for first, last in _cut(span, sampling.fps, end_s)
    ]
    seconds = [(piece.last - piece.first) / sampling.fps for piece in pieces]
    close = work.do(pieces, look_closely, seconds, 1.0)
    decoded += int(sum(part["decoded"] for part in close))
    tracked += int(sum(part["tracked"] for part in close))
    if not all(part["complete"] for part in close) or not (close or len(seldom)):
        # Damage that the index did not show: read from the start, which says what is missing.
        return _from_the_start(path, sampling, info, None)
    work.told_all()
    looks, held = _together(seldom, [_looks_of(part) for part in close], spans)
    track = settle(looks, info, sampling, held)
    info = replace(info, duration_s=track.time.end_s)
    return Tracked(
        track, info, decoded, tracked, sum(span.duration_s for span in spans), work.resumed
    )


def _cut(span: Interval, fps: float, end_s: float) -> Iterator[tuple[int, int]]:
    """Cells (first, one past the last) of pieces of about equal length that fill a span."""
    first = math.ceil(span.start_s * fps - 1e-6)
    last = min(math.ceil(span.end_s * fps - 1e-6), math.ceil(end_s * fps - 1e-6))
    count = max(1, math.ceil((last - first) / (PIECE_S * fps)))
    edges = [first + (last - first) * k // count for k in range(count + 1)]
    yield from ((a, b) for a, b in pairwise(edges) if b > a)


def _surveyed(parts: list[Part], index: StreamIndex) -> tuple[Glances, Looks]:
    """All glances, and the looks among them."""
    times = np.concatenate([part["glance_s"] for part in parts])
    seldom = Looks.joined(_looks_of(part) for part in parts)
    points = np.full((len(times), *seldom.points.shape[1:]), np.nan, dtype=np.float32)
    looked = np.concatenate([part["looked"] for part in parts])
    points[looked] = seldom.points
    change = np.concatenate([part["change"] for part in parts])
    return Glances(times, change, looked, points, index.bytes_between(times)), seldom


def _together(
    seldom: Looks, close: list[Looks], spans: list[Interval]
) -> tuple[Looks, NDArray[np.bool_]]:
    """Looks of the close spans and the seldom ones between them; and where they are held."""
    inside = np.zeros(len(seldom), dtype=np.bool_)
    for span in spans:
        inside |= (seldom.times_s >= span.start_s - 1e-6) & (seldom.times_s < span.end_s + 1e-6)
    looks = Looks.joined([seldom[~inside], *close])
    number = np.full(len(looks), -1)
    for which, span in enumerate(spans):
        number[(looks.times_s >= span.start_s - 0.1) & (looks.times_s < span.end_s + 0.1)] = which
    steps = np.diff(looks.times_s, append=looks.times_s[-1:])
    same = np.append((number[1:] == number[:-1]) & (number[1:] >= 0), number[-1:] >= 0)
    return looks, np.asarray(~same & (steps <= LONGEST_HOLD_S))


class _Work:
    """Tasks done here or by a crew, with finished parts kept and progress told."""

    def __init__(self, keep: Path | None, workers: int | None, progress: Progress | None) -> None:
        self.resumed = 0
        self._keep = keep
        self._progress = progress
        self._workers = workers or (1 if is_crew() else min(cores(), MOST_WORKERS))
        self._crew = Crew(self._workers)
        self._done = 0.0

    def __enter__(self) -> _Work:
        self._crew.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._crew.__exit__(*error)

    def do(
        self,
        tasks: Sequence[Survey] | Sequence[Piece],
        function: Callable[[Any, Callable[[float], None]], Part],
        amounts_s: Sequence[float],
        upto: float,
    ) -> list[Part]:
        """Results of all tasks, in their order.

        Args:
            tasks: what to do.
            function: does one.
            amounts_s: how much each is, seconds of recording.
            upto: where the progress stands afterwards, 0..1.
        """
        found = [self._kept(task.name) for task in tasks]
        missing = [number for number, part in enumerate(found) if part is None]
        self.resumed += len(tasks) - len(missing)
        shares = np.array([part is not None for part in found], dtype=np.float64)
        weights = np.asarray(amounts_s) / max(sum(amounts_s), 1e-9)

        def told(number: int, share: float) -> None:
            shares[number] = max(shares[number], min(share, 1.0))
            if self._progress is not None:
                self._progress(self._done + (upto - self._done) * float(shares @ weights))

        alone = self._workers == 1 or sum(amounts_s[k] for k in missing) < ALONE_BELOW_S
        for which, part in (
            self._here(function, [tasks[k] for k in missing], told, missing)
            if alone
            else self._crew.do(
                function, [tasks[k] for k in missing], lambda n, share: told(missing[n], share)
            )
        ):
            number = missing[which]
            found[number] = part
            self._put(tasks[number].name, part)
            told(number, 1.0)
        self._done = upto
        return [part for part in found if part is not None]

    def told_all(self) -> None:
        """Tell that everything is done."""
        if self._progress is not None:
            self._progress(1.0)

    def _here(
        self,
        function: Callable[[Any, Callable[[float], None]], Part],
        tasks: Sequence[Any],
        told: Callable[[int, float], None],
        numbers: Sequence[int],
    ) -> Iterator[tuple[int, Part]]:
        for which, task in enumerate(tasks):
            yield which, function(task, partial(told, numbers[which]))

    def _kept(self, name: str) -> Part | None:
        """A part of an earlier run, or None if there is none that can be used."""
        if self._keep is None or not (place := self._keep / f"{name}.npz").exists():
            return None
        try:
            with place.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
                return {key: archive[key] for key in archive.files}
        except (OSError, ValueError, EOFError, zipfile.BadZipFile, zlib.error) as error:
            _log.warning("%s is damaged (%s): that part is done again.", place, error)
            return None

    def _put(self, name: str, part: Part) -> None:
        """Keep a part: under its name only when it is whole."""
        if self._keep is None:
            return
        try:
            for folder in (self._keep.parent, self._keep):
                folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            handle, written = tempfile.mkstemp(dir=self._keep, suffix=".partial")
        except OSError as error:
            _log.warning("Parts cannot be kept in %s (%s).", self._keep, error)
            self._keep = None
            return
        try:
            with os.fdopen(handle, "wb") as stream:
                np.savez(stream, **part)
            os.replace(written, self._keep / f"{name}.npz")
        except OSError as error:
            _log.warning("Parts cannot be kept in %s (%s).", self._keep, error)
        finally:
            with suppress(OSError):
                os.unlink(written)


# --- the tasks, in whatever process --------------------------------------------------------------


def look_about(task: Survey, told: Callable[[float], None]) -> Part:
    """Glance at one chunk; hands are looked for where something moved, and now and then.

    Args:
        task: what to glance at.
        told: told the share done.
    """
    times, changes, looked, looks = [], [], [], []
    before: NDArray[np.uint8] | None = None
    decoded, last_look_s = 0, -math.inf
    # One more glance before the chunk, to compare its first one with.
    begin_s = max(0.0, task.start_s - LOOK_EVERY_S)
    pictures = glance_pictures(
        task.path, task.index, begin_s, task.end_s, task.sampling.max_side_px
    )
    with Tracker(task.sampling) as tracker:
        for time_s, picture in pictures:
            decoded += 1
            grey = thumbnail(picture)
            if task.sampling.mirrored:
                grey = np.ascontiguousarray(grey[:, ::-1])
            change = _cells(before, grey)
            before = grey
            if time_s < task.start_s - 1e-9:
                continue
            moved = bool((np.nan_to_num(change) > MOVED).sum() >= LEAST_CELLS)
            look = moved or time_s - last_look_s >= LOOK_EVERY_S - 1e-6
            if look:
                looks.append(tracker.look(time_s, picture))
                last_look_s = time_s
            times.append(time_s)
            changes.append(change)
            looked.append(look)
            told((time_s - task.start_s) / (task.end_s - task.start_s))
    part = _part_of(Looks.joined(looks))
    part |= {
        "glance_s": np.array(times, dtype=np.float64),
        "change": np.array(changes, dtype=np.float32).reshape(-1, *MOTION_GRID),
        "looked": np.array(looked, dtype=np.bool_),
        "decoded": np.array(decoded),
    }
    return part


def _cells(before: NDArray[np.uint8] | None, now: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Shape (18, 32): change of every cell with the light evened out; NaN without a picture."""
    if before is None or before.shape != now.shape:
        return np.full(MOTION_GRID, np.nan, dtype=np.float32)
    return in_cells(light_apart(before, now))


def look_closely(task: Piece, told: Callable[[float], None]) -> Part:
    """Track one piece after its run-up.

    Args:
        task: what to track.
        told: told the share done.
    """
    fps = task.sampling.fps
    begin = max(0, task.first - math.ceil(RUN_UP_S * fps))
    pictures = Stretch(task.path, task.index, (begin, task.last), fps, task.sampling.max_side_px)
    rows, tracked = [], 0
    with Tracker(task.sampling) as tracker:
        for time_s, picture in pictures:
            look = tracker.look(time_s, picture)
            tracked += 1
            if cell_of(time_s, fps) >= task.first:
                rows.append(look)
                told((time_s * fps - task.first) / (task.last - task.first))
    part = _part_of(Looks.joined(rows))
    part |= {
        "decoded": np.array(pictures.frames_decoded),
        "tracked": np.array(tracked),
        "complete": np.array(pictures.complete),
    }
    return part


def _part_of(looks: Looks) -> Part:
    return {f"look_{part.name}": getattr(looks, part.name) for part in fields(Looks)}


def _looks_of(part: Part) -> Looks:
    return Looks(*(part[f"look_{field.name}"] for field in fields(Looks)))
