"""What must be covered in every picture so that no face shows: boxes over time. Pure functions.

A detector looks at one picture and misses a face now and then: a hand before it, a turn of the
head, a blur. People do not vanish in a thirtieth of a second, so a box that was found stays and
grows until the face is found again, in both directions of time: what comes *before* a first
detection is covered like what comes after a last one. Too much covered costs a little; a face that
shows for one picture cannot be taken back.

Boxes are in pixels of the upright picture, origin at the top left; times are seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from review.playback import Rgb

PAD_SIDE: Final = 0.35
PAD_TOP: Final = 0.6
PAD_BOTTOM: Final = 0.3
"""Added to a detection, in its own widths and heights: detectors frame brows to chin, and ears,
hair and jaw tell who somebody is, too (measured: `tests/test_facecover.py`)."""

SPEED: Final = 2.0
"""Widths of the face a second by which each side of a box that is not confirmed moves outward. A
head of 0.16 m that moves at 0.3 m/s (leaning over the work; common practice, no source)."""

GROWTH: Final = 0.75
"""Most widths by which each side grows; a lost face is hidden or has left by then."""

STEADY_S: Final = 0.3
"""A box covers what was found this long before and after it, too, so that a detection which frames
only a part of a half-hidden face, or trembles, uncovers nothing."""

SAME: Final = 0.75
"""A detection this many widths beyond a box, or nearer, is the same face moved on."""

ALIKE: Final = 1.8
"""The same face is at most this many times wider or narrower from one detection to the next."""

LEAP_S: Final = 3.0
LEAP: Final = 6.0
"""A face that ends and another that begins within this many seconds and widths may be one that
moved unseen: all between the two places is covered meanwhile."""

RUN_S: Final = 1.0
FEW: Final = 5
DOUBTFUL_S: Final = 1.0
"""Detections with at most ``RUN_S`` between them are a run. One of fewer than ``FEW``, or without
a single sure one, is covered for ``DOUBTFUL_S`` before and after each detection, not to the end:
it may be a cushion, or knuckles (such places come up for a moment now and then)."""

GREY: Final = (118, 118, 118)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: ``left`` and ``top`` inside, ``right`` and ``bottom`` just outside, pixels."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """Pixels."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Pixels."""
        return self.bottom - self.top

    def hull(self, other: Box) -> Box:
        """The smallest box that holds both."""
        return Box(
            min(self.left, other.left),
            min(self.top, other.top),
            max(self.right, other.right),
            max(self.bottom, other.bottom),
        )

    def grown(self, by: float) -> Box:
        """Every side moved outward by ``by`` widths."""
        step = by * self.width
        return Box(self.left - step, self.top - step, self.right + step, self.bottom + step)

    def away(self, other: Box) -> float:
        """Pixels between the nearest edges of the two, 0 where they touch."""
        x = max(other.left - self.right, self.left - other.right, 0.0)
        y = max(other.top - self.bottom, self.top - other.bottom, 0.0)
        return float(np.hypot(x, y))


@dataclass(frozen=True, slots=True)
class FoundFace:
    """What a detector framed, and whether it was sure of it."""

    box: Box
    sure: bool


def cover_faces(
    times_s: Sequence[float], found: Sequence[Sequence[FoundFace]]
) -> tuple[tuple[Box, ...], ...]:
    """The boxes to cover in every picture; none anywhere if no face was found at all.

    Args:
        times_s: of the pictures, increasing.
        found: what was found in each of them.

    Raises:
        ValueError: if the two differ in length.
    """
    if len(times_s) != len(found):
        raise ValueError(f"{len(times_s)} times but {len(found)} pictures")
    tracks = _tracks(times_s, found)
    covers: list[list[Box]] = [[] for _ in times_s]
    for track in tracks:
        _cover(track, times_s, covers)
    _cover_leaps(tracks, times_s, covers)
    return tuple(tuple(boxes) for boxes in covers)


@dataclass(slots=True)
class _Track:
    """One face through time: where it was found, by picture number, in order of time."""

    places: dict[int, Box]
    sure: set[int]

    @property
    def first(self) -> int:
        return next(iter(self.places))

    @property
    def last(self) -> int:
        return next(reversed(self.places))

    def add(self, number: int, face: FoundFace) -> None:
        """Add the detection of a picture after all others."""
        self.places[number] = face.box
        if face.sure:
            self.sure.add(number)

    def take(self, other: _Track) -> None:
        """Make another track's detections this one's."""
        mine = self.places
        for number in sorted(mine.keys() | other.places.keys()):
            theirs, box = other.places.get(number), mine.pop(number, None)
            mine[number] = _hull([b for b in (box, theirs) if b is not None])
        self.sure |= other.sure

    @property
    def size(self) -> tuple[float, float]:
        """Usual width and height of the face, pixels."""
        boxes = list(self.places.values())
        return (
            float(np.median([box.width for box in boxes])),
            float(np.median([box.height for box in boxes])),
        )

    def confirmed(self, times_s: Sequence[float]) -> tuple[int, ...]:
        """Numbers of the detections that belong to a run of enough of them."""
        runs: list[list[int]] = []
        for number in self.places:
            if not runs or times_s[number] - times_s[runs[-1][-1]] > RUN_S:
                runs.append([])
            runs[-1].append(number)
        return tuple(
            number
            for run in runs
            if len(run) >= FEW and any(number in self.sure for number in run)
            for number in run
        )


def _tracks(times_s: Sequence[float], found: Sequence[Sequence[FoundFace]]) -> list[_Track]:
    """Detections sorted into faces: the nearest pairs of detection and face belong together."""
    tracks: list[_Track] = []
    for number, faces in enumerate(found):
        left = dict(enumerate(_merged(faces)))
        pairs = [
            (apart, which, track)
            for which, face in left.items()
            for track in tracks
            if (apart := _apart(track, face.box, number, times_s)) is not None
        ]
        for _, which, track in sorted(pairs, key=lambda pair: pair[:2]):
            if which in left and track.last < number:
                track.add(number, left.pop(which))
                for other in [other for other in tracks if _found_again(other, track, number)]:
                    track.take(other)
                    tracks.remove(other)
        for face in left.values():
            tracks.append(_Track({}, set()))
            tracks[-1].add(number, face)
    return tracks


def _found_again(other: _Track, track: _Track, number: int) -> bool:
    """Whether a face that is found here stands where another was last found that is not.

    Then they are one face, or one before the other. Kept apart, the lost one would be covered
    and grow beside the one that is found. Should a second face come out again, all before its
    first detection is covered once more.
    """
    box, last = track.places[number], other.places[other.last]
    return other.last < number and _alike(box, last) and _overlap(last, box) > 0.5


def _apart(track: _Track, box: Box, number: int, times_s: Sequence[float]) -> float | None:
    """Widths between the middles of a detection and of a face; None if it cannot be that face."""
    last = track.places[track.last]
    if not _alike(box, last):
        return None
    grown = last.grown(_growth(times_s[number] - times_s[track.last]))
    if grown.away(box) > SAME * box.width:
        return None
    x = (box.left + box.right - last.left - last.right) / 2.0
    y = (box.top + box.bottom - last.top - last.bottom) / 2.0
    return float(np.hypot(x, y)) / max(box.width, 1.0)


def _merged(faces: Sequence[FoundFace]) -> list[FoundFace]:
    """Detections of one picture with those joined that frame one face, by more than half.

    One far larger than the other stays by itself: what is framed wrongly about a face must not be
    taken to be as sure as the face.
    """
    kept: list[FoundFace] = []
    for face in sorted(faces, key=lambda face: -face.box.width):
        for place, other in enumerate(kept):
            if _overlap(face.box, other.box) > 0.5 and _alike(face.box, other.box):
                kept[place] = FoundFace(other.box.hull(face.box), other.sure or face.sure)
                break
        else:
            kept.append(face)
    return kept


def _alike(one: Box, other: Box) -> bool:
    """Whether two boxes may frame one face, by their widths."""
    return 1.0 / ALIKE <= one.width / max(other.width, 1e-9) <= ALIKE


def _overlap(one: Box, other: Box) -> float:
    """Shared area over the smaller one's."""
    wide = min(one.right, other.right) - max(one.left, other.left)
    high = min(one.bottom, other.bottom) - max(one.top, other.top)
    smaller = min(one.width * one.height, other.width * other.height)
    return max(wide, 0.0) * max(high, 0.0) / max(smaller, 1e-9)


def _growth(seconds: float) -> float:
    """Widths that a box grows in so long without a detection."""
    return min(SPEED * abs(seconds), GROWTH)


def _padded(box: Box, size: tuple[float, float] = (0.0, 0.0)) -> Box:
    """With what belongs to the face around it.

    ``size``: the face's usual width and height. Of a face that comes into the picture only a
    part is framed at first, and what is around that part is as large as around the whole.
    """
    width, height = max(box.width, size[0]), max(box.height, size[1])
    side, top, bottom = PAD_SIDE * width, PAD_TOP * height, PAD_BOTTOM * height
    return Box(box.left - side, box.top - top, box.right + side, box.bottom + bottom)


def _cover(track: _Track, times_s: Sequence[float], covers: list[list[Box]]) -> None:
    """Add one face's boxes to every picture in which it may be."""
    times = np.asarray(times_s, dtype=np.float64)
    every = np.array(list(track.places))
    kept = np.array(track.confirmed(times_s), dtype=int)
    size = track.size
    for number, time_s in enumerate(times):
        # What was found just before and just after, whatever it is worth; it grows only where
        # a detector was sure, for what is framed wrongly is often large.
        for place in _around(every, times, time_s):
            if abs(times[place] - time_s) <= DOUBTFUL_S:
                seconds = times[place] - time_s if place in track.sure else 0.0
                covers[number].append(_held(track.places[place], seconds, size))
        near = every[np.abs(times[every] - time_s) <= STEADY_S]
        if near.size:
            boxes = [track.places[int(n)] for n in near]
            covers[number].append(_padded(_hull(boxes), size))
        # What was found before and what will be found, however long it takes.
        around = _around(kept, times, time_s)
        covers[number] += [_held(track.places[n], times[n] - time_s, size) for n in around]
        if len(around) == 2 and times[around[1]] - times[around[0]] <= LEAP_S:
            way = _hull([track.places[n] for n in around])
            gap = min(abs(times[n] - time_s) for n in around)
            covers[number].append(_padded(way, size).grown(_growth(gap)))


def _around(
    numbers: NDArray[np.int64], times: NDArray[np.float64], time_s: float
) -> tuple[int, ...]:
    """Of some pictures the one at a time, or else the last one before and the first one after."""
    after = int(np.searchsorted(times[numbers], time_s))
    if after < len(numbers) and times[numbers[after]] == time_s:
        return (int(numbers[after]),)
    return tuple(int(numbers[n]) for n in (after - 1, after) if 0 <= n < len(numbers))


def _held(box: Box, seconds: float, size: tuple[float, float]) -> Box:
    """A detection's box as it has grown so many seconds away from it."""
    return _padded(box, size).grown(_growth(seconds))


def _hull(boxes: Sequence[Box]) -> Box:
    whole = boxes[0]
    for box in boxes[1:]:
        whole = whole.hull(box)
    return whole


def _cover_leaps(
    tracks: Sequence[_Track], times_s: Sequence[float], covers: list[list[Box]]
) -> None:
    """Cover the way between a face that ends and one that begins soon after, not far away."""
    spans = [(track, track.confirmed(times_s)) for track in tracks]
    for one, found in spans:
        for other, later in spans:
            if one is other or not found or not later:
                continue
            last, first = found[-1], later[0]
            start, end = one.places[last], other.places[first]
            if not 0 < times_s[first] - times_s[last] <= LEAP_S:
                continue
            if start.away(end) > LEAP * max(start.width, end.width):
                continue
            way = _padded(start.hull(end))
            for number in range(last, first + 1):
                covers[number].append(way)


def fill(picture: Rgb, boxes: Sequence[Box]) -> Rgb:
    """The picture, shape (h, w, 3), with an even grey in place of what the boxes cover.

    A fill and no blur or mosaic: those keep something of every picture of the face, many pictures
    put together keep more, and programs exist that guess a face from them. A grey that does not
    depend on the face keeps nothing. The picture given is not changed.
    """
    out = picture.copy()
    height, width = out.shape[:2]
    for box in boxes:
        left, top = max(int(np.floor(box.left)), 0), max(int(np.floor(box.top)), 0)
        right = min(int(np.ceil(box.right)), width)
        bottom = min(int(np.ceil(box.bottom)), height)
        if left < right and top < bottom:
            out[top:bottom, left:right] = GREY
    return out


def covered_share(boxes: Sequence[Box], width: int, height: int) -> float:
    """Share (0..1) of a picture of that size that the boxes cover."""
    mask = np.zeros((height, width, 3), dtype=np.uint8)
    return float((fill(mask, boxes)[..., 0] > 0).mean())
