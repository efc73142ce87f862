"""Pictures of flagged moments: the right one, the face covered, and none where that cannot be."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from review.analysis import Flag
from review.facecover import GREY
from review.stills import NO_FACE, NO_LANDMARKS, NO_VIDEO, face_box, flag_stills, still_sample
from review.tracks import LandmarkTrack
from tests import builders, media

SIZE = (320, 240)
FPS = 15.0
CENTRE = (0.3, 0.3)
"""Of the built face, picture widths; it is 0.2 high and 0.152 wide."""


def track(
    seen: slice = slice(None), *, mirrored: bool = False, seconds: float = 4.0
) -> LandmarkTrack:
    at_s = builders.times(seconds, FPS)
    face = builders.faces(np.zeros(len(at_s)), centre=CENTRE)
    hidden = np.ones(len(at_s), dtype=bool)
    hidden[seen] = False
    face[hidden] = np.nan
    made = builders.make_track(at_s, face=face, size_px=SIZE)
    if not mirrored:
        return made
    return LandmarkTrack(
        made.time, made.hands, made.hands_world, made.hand_score, made.face, made.face_score,
        made.motion, made.luma, made.frame_size_px, mirrored=True,
    )  # fmt: skip


def flag(start_s: float, end_s: float, kind: str = "hand_to_face") -> Flag:
    return Flag.model_validate(
        {
            "kind": kind, "start_s": start_s, "end_s": end_s, "level": "look",
            "confidence": 0.9, "message": "m",
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def video(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Each picture is evenly bright, brighter from one to the next."""
    times = media.steady(60, FPS)
    pictures = [np.full((SIZE[1], SIZE[0], 3), 10 + 4 * n, dtype=np.uint8) for n in range(60)]
    place = tmp_path_factory.mktemp("video") / "bright.mp4"
    return media.write_video(place, times, SIZE, pictures=pictures)


def decoded(content: bytes | None) -> np.ndarray:
    assert content is not None
    return np.asarray(cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR))


def test_the_picture_is_of_the_middle_of_the_moment(video: Path) -> None:
    still = flag_stills(video, track(), {"A": flag(2.0, 3.0)})["A"]
    picture = decoded(still.jpeg)
    number = (float(picture[-20:, -20:].mean()) - 10) / 4  # away from the face
    assert abs(number - 2.5 * FPS) <= 1.5
    assert still.words.startswith("Picture at 0:02.5, the face covered: Hand to the face")


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_face_and_all_about_it_is_grey(video: Path, mirrored: bool) -> None:
    content = flag_stills(video, track(mirrored=mirrored), {"A": flag(3.2, 3.8)})["A"].jpeg
    picture = decoded(content).astype(int)
    covered = (np.abs(picture - GREY[0]) < 14).all(axis=2)
    width = picture.shape[1]
    x = (1 - CENTRE[0] if mirrored else CENTRE[0]) * width
    y, half = CENTRE[1] * width, 0.076 * width
    face = covered[
        round(y - 0.1 * width) : round(y + 0.1 * width), round(x - half) : round(x + half)
    ]
    assert face.all()
    assert 1.5 * 0.152 * 0.2 * width**2 < covered.sum() < 4.5 * 0.152 * 0.2 * width**2


def test_the_box_holds_where_the_face_was_just_before_and_after() -> None:
    at_s = builders.times(2.0, FPS)
    face = builders.faces(np.zeros(len(at_s)), centre=CENTRE)
    face[:, :, 0] += 0.1 * at_s[:, None]  # a tenth of a width a second to the right
    moving = builders.make_track(at_s, face=face, size_px=SIZE)
    still_box, moving_box = face_box(track(), 15), face_box(moving, 15)
    assert moving_box.width > still_box.width + 0.05


def test_no_face_no_picture(video: Path) -> None:
    """It was seen in the first second only."""
    stills = flag_stills(video, track(slice(0, 15)), {"A": flag(2.0, 3.0), "B": flag(0.5, 2.0)})
    assert stills["A"].jpeg is None and stills["A"].words == NO_FACE
    assert stills["B"].jpeg is not None


def test_a_moment_just_after_the_face_was_lost_is_not_used() -> None:
    seen = track(slice(0, 15))
    assert still_sample(seen, flag(0.5, 2.0)) == 14
    assert still_sample(seen, flag(1.0, 2.0)) is None


def test_without_video_or_landmarks_it_says_why(video: Path, tmp_path: Path) -> None:
    flags = {"A": flag(1.0, 2.0)}
    assert flag_stills(None, track(), flags)["A"].words == NO_VIDEO
    assert flag_stills(video, None, flags)["A"].words == NO_LANDMARKS
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"nothing")
    assert flag_stills(broken, track(), flags)["A"].words == NO_VIDEO


def test_what_is_not_there_has_no_picture(video: Path) -> None:
    assert flag_stills(video, track(), {"A": flag(1.0, 2.0, "phase_missing")}) == {}
