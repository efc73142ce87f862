"""From a short clip to the camera check: reading, tracking, judging, and a picture of it.

Joins the stages for :mod:`review.cameracheck`, which judges. Nothing is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from review.cameracheck import CameraCheck, check_camera, white_share
from review.facemesh import FACE_OVAL
from review.landmarks import Sampling, track_landmarks
from review.settings import CameraDetection
from review.tracks import LandmarkTrack
from review.video import probe, sample_frames
from review.words import Words

LOOKED_AT_S = 15.0
"""Of a longer clip only this much is looked at, so that the answer comes soon."""

FPS = 6.0
"""Pictures a second looked at: enough for where hands are, well under a full analysis's time."""

LIGHT, DARK = (255, 255, 255), (20, 20, 20)
"""Drawn one over the other, so that marks show on any picture and need no colour."""

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Looked:
    """A check with a picture, shape (height, width, 3), red-green-blue."""

    check: CameraCheck
    picture: Picture


def look_at(
    clip: Path,
    words: Words,
    settings: CameraDetection | None = None,
    progress: Callable[[float], None] | None = None,
) -> Looked:
    """Track the first seconds of a clip and judge where the camera stands.

    Args:
        clip: the file.
        words: in whose words the answers are given.
        settings: what is asked for.
        progress: told the share done, 0..1.

    Raises:
        VideoError: if the clip cannot be read.
    """
    settings = settings or CameraDetection()
    info = probe(clip)
    until_s = min(info.duration_s, LOOKED_AT_S)
    sampling = Sampling(fps=FPS)
    pictures: list[Picture] = []
    frames = sample_frames(clip, FPS, sampling.max_side_px)

    def first_seconds() -> Iterator[tuple[float, Picture]]:
        for time_s, picture in frames:
            if time_s >= LOOKED_AT_S:
                return
            pictures.append(picture)
            if progress is not None and until_s > 0:
                progress(min(time_s / until_s, 1.0))
            yield time_s, picture

    try:
        track = track_landmarks(first_seconds(), info, sampling)
    finally:
        frames.close()
    few = pictures[:: max(len(pictures) // 8, 1)]
    check = check_camera(track, info, words, settings, glare=white_share(few))
    best = int(np.argmin(np.abs(track.time.times_s - check.best_s)))
    return Looked(check, marked(pictures[best], track, best, settings))


def marked(
    picture: Picture, track: LandmarkTrack, place: int, settings: CameraDetection
) -> Picture:
    """The picture with the tracked hands and face, and a dashed frame for the hands to stay in.

    ``place`` is the sample's index; the picture is not changed.
    """
    out = picture.copy()
    height, width = out.shape[:2]
    margin = round(max(settings.edge_margin, 0.02) * width)
    _dashed(out, (margin, margin), (width - 1 - margin, height - 1 - margin))
    flip, radius = track.mirrored, max(width // 260, 2)
    for hand in track.hands[place]:
        for x, y in _pixels(hand, width, flip):
            cv2.circle(out, (x, y), radius, DARK, 3, cv2.LINE_AA)
            cv2.circle(out, (x, y), radius, LIGHT, 1, cv2.LINE_AA)
    oval = _pixels(track.face[place][list(FACE_OVAL)], width, flip)
    if oval:
        ring = np.array(oval, dtype=np.int32)
        cv2.polylines(out, [ring], True, DARK, 4, cv2.LINE_AA)
        cv2.polylines(out, [ring], True, LIGHT, 2, cv2.LINE_AA)
    return out


def _pixels(points: NDArray[np.float32], width: int, flip: bool) -> list[tuple[int, int]]:
    """Points (k, 3) in picture widths as pixels; those not seen are left out."""
    seen = points[np.isfinite(points[:, 0])]
    return [(round(float((1.0 - x if flip else x) * width)), round(float(y * width)))
            for x, y, _ in seen]  # fmt: skip


def _dashed(picture: Picture, first: tuple[int, int], last: tuple[int, int]) -> None:
    (left, top), (right, bottom) = first, last
    for start in range(left, right, 24):
        end = min(start + 12, right)
        for y in (top, bottom):
            cv2.line(picture, (start, y), (end, y), DARK, 4)
            cv2.line(picture, (start, y), (end, y), LIGHT, 2)
    for start in range(top, bottom, 24):
        end = min(start + 12, bottom)
        for x in (left, right):
            cv2.line(picture, (x, start), (x, end), DARK, 4)
            cv2.line(picture, (x, start), (x, end), LIGHT, 2)
