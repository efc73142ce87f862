"""Pictures of flagged moments for a printed report, with the face covered.

A picture is taken only at a moment at which the tracker saw the face, so that its place is known;
it is covered with an even grey over all that it reached a little before and after. Where the face
was not seen there is no picture, and words that say so: a face that the tracker missed would be
shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from review.analysis import Flag, FlagKind
from review.errors import VideoError
from review.facecover import PAD_BOTTOM, PAD_SIDE, PAD_TOP, STEADY_S, Box, fill
from review.playback import Rgb
from review.reportpdf import Still
from review.seeking import StreamIndex, Stretch, read_index
from review.tracks import LandmarkTrack
from review.video import probe, sample_frames
from review.wording import FLAGS, clock

WIDEST_PX: Final = 420
"""Longer side of a picture in the report: 27 mm at about 400 dots to the inch."""

QUALITY: Final = 82
"""JPEG quality (OpenCV's scale, 0 to 100)."""

LONGEST_READ_S: Final = 600.0
"""A recording without a usable index is read from its start; a longer one than this is not."""

NOTHING_TO_SEE: Final = frozenset({FlagKind.PHASE_MISSING})
"""Flags about something that is not there: a picture would show anything but it."""

NO_FACE: Final = (
    "No picture: the tracker did not see the face at this moment, so it could not be covered."
)
NO_VIDEO: Final = "No picture: the copy for reviewing is not kept here or cannot be read."
NO_LANDMARKS: Final = "No picture: where the face is, is not kept for this recording."
COVERED: Final = (
    "Faces are covered where the tracker saw them; other things that tell who it is are not: look "
    "first, then hand it on."
)


def flag_stills(
    video: Path | None, track: LandmarkTrack | None, flags: Mapping[str, Flag]
) -> dict[str, Still]:
    """A picture for each flag, or the reason why there is none.

    Args:
        video: the review copy of the recording; None where there is none.
        track: landmarks of the recording (hands are not needed; a face may be two corners).
        flags: by the letter they have in the report.
    """
    wanted = {letter: f for letter, f in flags.items() if f.kind not in NOTHING_TO_SEE}
    if video is None or not wanted:
        return {letter: Still(None, NO_VIDEO) for letter in wanted}
    if track is None:
        return {letter: Still(None, NO_LANDMARKS) for letter in wanted}
    samples = {letter: still_sample(track, flag) for letter, flag in wanted.items()}
    chosen = sorted({sample for sample in samples.values() if sample is not None})
    try:
        pictures = read_pictures(video, [float(track.time.times_s[i]) for i in chosen])
    except VideoError:
        return {letter: Still(None, NO_VIDEO) for letter in wanted}
    shown = dict(zip(chosen, pictures, strict=True))
    return {
        letter: _still(
            wanted[letter], track, sample, shown.get(sample) if sample is not None else None
        )
        for letter, sample in samples.items()
    }


def still_sample(track: LandmarkTrack, flag: Flag) -> int | None:
    """The sample nearest to the middle of a flag at which the face was seen; None for none.

    The three seconds that show the flag best are looked at where they were chosen.
    """
    start, end = (
        (flag.shown.start_s, flag.shown.end_s) if flag.shown else (flag.start_s, flag.end_s)
    )
    times = track.time.times_s
    inside = (times >= start) & (times <= end) & track.face_seen
    numbers = np.flatnonzero(inside & np.isfinite(track.face[:, :, 0]).any(axis=1))
    if not len(numbers):
        return None
    return int(numbers[np.argmin(np.abs(times[numbers] - (start + end) / 2))])


def face_box(track: LandmarkTrack, sample: int) -> Box:
    """What to cover in one sample's picture, in picture widths, as the video shows it.

    All places of the face within :data:`review.facecover.STEADY_S` before and after, padded.
    """
    times = track.time.times_s
    near = (np.abs(times - times[sample]) <= STEADY_S) & track.face_seen
    points: NDArray[np.float32] = track.face[near][..., :2].reshape(-1, 2)
    low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
    left, right = float(low[0]), float(high[0])
    if track.mirrored:  # landmarks are kept unmirrored; the video shows the mirror picture
        left, right = 1.0 - right, 1.0 - left
    wide, high_by = right - left, float(high[1] - low[1])
    return Box(
        left - PAD_SIDE * wide,
        float(low[1]) - PAD_TOP * high_by,
        right + PAD_SIDE * wide,
        float(high[1]) + PAD_BOTTOM * high_by,
    )


def _still(flag: Flag, track: LandmarkTrack, sample: int | None, picture: Rgb | None) -> Still:
    if sample is None:
        return Still(None, NO_FACE)
    if picture is None:
        return Still(None, NO_VIDEO)
    box, width = face_box(track, sample), picture.shape[1]
    in_pixels = Box(*(side * width for side in (box.left, box.top, box.right, box.bottom)))
    covered = fill(picture, [in_pixels])
    done, coded = cv2.imencode(
        ".jpg", np.ascontiguousarray(covered[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    when = clock(float(track.time.times_s[sample]))
    words = f"Picture at {when}, the face covered: {FLAGS[flag.kind]}"
    return Still(coded.tobytes(), words) if done else Still(None, NO_VIDEO)


def read_pictures(video: Path, times_s: list[float]) -> list[Rgb | None]:
    """The pictures nearest to the given times (increasing), small; None where one cannot be read.

    Raises:
        VideoError: if the file cannot be read, or only by reading all of a long recording.
    """
    if not times_s:
        return []
    info = probe(video)
    index = read_index(video, info)
    if index is not None:
        return [_picture_at(video, index, time_s) for time_s in times_s]
    if info.duration_s > LONGEST_READ_S:
        raise VideoError(f"{video} cannot be searched; export it again as MP4 (H.264).")
    found: list[Rgb | None] = [None] * len(times_s)
    wanted = np.asarray(times_s)
    for time_s, picture in sample_frames(video, RATE, WIDEST_PX):
        for place in np.flatnonzero(np.abs(wanted - time_s) <= 0.5 / RATE):
            found[int(place)] = picture
    return found


RATE: Final = 30.0
"""Pictures a second among which the nearest one is taken."""


def _picture_at(video: Path, index: StreamIndex, time_s: float) -> Rgb | None:
    cell = round(time_s * RATE)
    for _, picture in Stretch(video, index, (cell, cell + 1), RATE, WIDEST_PX):
        return picture
    return None
