"""A still of the recording to lay the wiping over, with every face covered in its pixels."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import cv2

from review.analysis import Analysis
from review.errors import VideoError
from review.facecover import cover_faces, fill
from review.playback import Rgb
from review.video import Trouble, decoded, first_frame, frame_time_s, open_video, picture_of

AROUND_S: Final = 0.6
"""Faces are looked for this long before and after the still, too: a single picture can hide one
from the detectors. At least one second in all, as long as a doubtful face stays covered."""

EVERY_S: Final = 0.1
"""Time between two pictures that are looked at."""

SIDE_PX: Final = 960
QUALITY: Final = 85


def still_time_s(analysis: Analysis) -> float | None:
    """When the whole work surface shows best: when the wiping ends; None where none was found."""
    surface = analysis.work_surface
    if surface is None or not surface.path or not surface.path[-1]:
        return None
    return surface.path[-1][-1][0]


def covered_still(path: Path, time_s: float, *, mirrored: bool = False) -> bytes:
    """A JPEG of the recording at a time, unmirrored, faces filled with grey.

    Args:
        path: the recording, sealed or not.
        time_s: seconds from the first frame.
        mirrored: whether the recording is a mirror picture; it is then flipped back.

    Raises:
        VideoError: if the recording cannot be read or has no picture there.
    """
    from review.faceboxes import FaceFinder

    times, pictures = _about(path, time_s)
    if not pictures:
        raise VideoError(f"{path} has no picture at {time_s:.1f} s: choose an earlier time.")
    with FaceFinder() as finder:
        found = [finder.look(picture) for picture in pictures]
    wanted = min(range(len(times)), key=lambda number: abs(times[number] - time_s))
    picture = fill(pictures[wanted], cover_faces(times, found)[wanted])
    if mirrored:
        picture = picture[:, ::-1]
    done, jpeg = cv2.imencode(
        ".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    if not done:
        raise VideoError(f"{path}: a still could not be made of it.")
    return bytes(jpeg.tobytes())


def _about(path: Path, time_s: float) -> tuple[list[float], list[Rgb]]:
    """Pictures about a time, read from the key picture before them.

    A file whose timestamps jump may give those of another moment; a backdrop can bear that.
    """
    times, pictures = list[float](), list[Rgb]()
    with open_video(path) as (container, stream):
        origin_s = frame_time_s(first_frame(container, stream, path)) or 0.0
        begin_s = max(time_s - AROUND_S, 0.0)
        if stream.time_base:
            stamp = round((origin_s + begin_s) / float(stream.time_base))
            container.seek(stamp, backward=True, any_frame=False, stream=stream)
        for frame in decoded(container, stream, Trouble()):
            now = (frame_time_s(frame) or 0.0) - origin_s
            if now > time_s + AROUND_S:
                break
            if now < begin_s or (times and now < times[-1] + EVERY_S):
                continue
            if (picture := picture_of(frame, stream, SIDE_PX)) is not None:
                times.append(now)
                pictures.append(picture)
    return times, pictures
