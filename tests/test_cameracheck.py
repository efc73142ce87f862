"""Whether the camera stands well: projected hands at known distances, and the drawn samples."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from review.cameracheck import (
    CameraCheck,
    CameraDetection,
    check_camera,
    hand_distance_m,
    white_share,
)
from review.cameralook import look_at, marked
from review.errors import VideoError
from review.measures import Result
from review.tracks import LandmarkTrack
from review.video import VideoInfo
from review.words import load_words
from sample_clips.studio.camera import Camera
from sample_clips.studio.skeleton import HandPose, HandShape, joints, mirror_pose
from tests.builders import hands_at, make_track, times

EN = load_words("en")
SIZE = (1280, 720)
INFO = VideoInfo(Path("clip.mp4"), 10.0, 30.0, *SIZE, 0, "h264", False, False)
AT = times(10.0, 6.0)
N = len(AT)


def path_at(x: float, y: float) -> NDArray[np.float64]:
    return np.tile([x, y], (N, 1)).astype(np.float64)


def still_hands(left: float = 0.35, right: float = 0.65, y: float = 0.35) -> NDArray[np.float32]:
    return hands_at(path_at(left, y), path_at(right, y), N, width=0.05)


def seen_face(n: int) -> NDArray[np.float64]:
    return np.full((n, 90, 3), 0.3)


def good_track() -> LandmarkTrack:
    """Both hands open in the middle, a face, an evenly lit still picture."""
    return make_track(AT, still_hands(), seen_face(N), SIZE)


def check(track: LandmarkTrack, info: VideoInfo = INFO, **more: float) -> CameraCheck:
    return check_camera(track, info, EN, **more)  # type: ignore[arg-type]


def answers(checked: CameraCheck) -> dict[str, Result]:
    return {finding.name: finding.result for finding in checked.findings}


def advice(checked: CameraCheck, name: str) -> str:
    return next(finding.advice for finding in checked.findings if finding.name == name)


def test_a_good_place_is_called_ready() -> None:
    checked = check(good_track())
    assert checked.ready
    assert set(answers(checked).values()) == {Result.MET}
    assert (checked.any_hand, checked.both_hands, checked.face) == pytest.approx((1, 1, 1))


def test_the_share_of_time_is_told() -> None:
    """Hands in 3 of 10 s, one hand in 2 more: 50 % and 30 %."""
    hands = still_hands()
    hands[18:30, 0] = np.nan
    hands[30:] = np.nan
    checked = check(make_track(AT, hands, seen_face(N), SIZE))
    assert checked.any_hand == pytest.approx(0.5)
    assert checked.both_hands == pytest.approx(0.3)
    assert answers(checked)["hands"] is Result.NOT_MET
    saw = next(f.saw for f in checked.findings if f.name == "hands")
    assert saw == "A hand was seen 50 % of the time, both hands 30 %."


def test_what_was_not_seen_is_cannot_tell_and_not_fine() -> None:
    checked = check(make_track(AT, None, None, SIZE))
    assert answers(checked)["distance"] is Result.NOT_ASSESSABLE
    assert answers(checked)["edges"] is Result.NOT_ASSESSABLE
    assert checked.distance_m is None
    assert not checked.ready


@pytest.mark.parametrize(
    ("left", "right", "y", "side"),
    [(0.03, 0.6, 0.3, "left"), (0.5, 0.97, 0.3, "right"), (0.3, 0.6, 0.04, "up"),
     (0.3, 0.6, 0.54, "down"), (0.03, 0.97, 0.3, "back")],
)  # fmt: skip
def test_hands_at_an_edge_say_where_to_turn(left: float, right: float, y: float, side: str) -> None:
    checked = check(make_track(AT, still_hands(left, right, y), seen_face(N), SIZE))
    assert answers(checked)["edges"] is Result.NOT_MET
    assert side in advice(checked, "edges")


def test_a_mirrored_clip_turns_to_the_side_that_is_seen() -> None:
    """A flipped track's hands at its left edge are at the right edge of the picture seen."""
    hands = still_hands(0.03, 0.6)
    track = replace(make_track(AT, hands, seen_face(N), SIZE), mirrored=True)
    assert "to the right" in advice(check(track), "edges").split(",")[0]


@pytest.mark.parametrize(
    ("luma", "glare", "word"),
    [(0.1, None, "lamp in front"), (0.95, None, "Turn off"), (0.5, 0.4, "window"), (0.5, 0.0, "")],
)
def test_light(luma: float, glare: float | None, word: str) -> None:
    track = replace(good_track(), luma=np.full(N, luma, dtype=np.float32))
    checked = check_camera(track, INFO, EN, glare=glare)
    assert word in advice(checked, "light")
    assert answers(checked)["light"] is (Result.NOT_MET if word else Result.MET)


def test_dark_skin_in_good_light_is_no_reason_for_a_lamp() -> None:
    """Light is told from the whole picture alone: the hands' own pixels have no say."""
    assert "luma" not in check.__annotations__
    track = good_track()
    assert answers(check(track))["light"] is Result.MET


def test_a_moving_phone_is_noticed_and_moving_hands_are_not() -> None:
    motion = np.zeros_like(good_track().motion)
    motion[:, :9] = 0.3  # half of the picture: hands at work
    assert answers(check(replace(good_track(), motion=motion)))["steady"] is Result.MET
    motion = np.full_like(motion, 0.05)
    motion[0] = np.nan
    assert answers(check(replace(good_track(), motion=motion)))["steady"] is Result.NOT_MET


@pytest.mark.parametrize(
    ("change", "name"),
    [({"width": 720, "height": 1280}, "shape"), ({"width": 426, "height": 240}, "sharp"),
     ({"fps": 8.0}, "sharp"), ({"duration_s": 2.0}, "length")],
)  # fmt: skip
def test_the_files_own_troubles(change: dict[str, float], name: str) -> None:
    info = replace(INFO, **change)  # type: ignore[arg-type]
    checked = check(good_track(), info)
    assert answers(checked)[name] is Result.NOT_MET
    assert advice(checked, name)


def test_an_unknown_frame_rate_is_cannot_tell() -> None:
    checked = check(good_track(), replace(INFO, fps=float("nan")))
    assert answers(checked)["sharp"] is Result.NOT_ASSESSABLE


def test_white_share() -> None:
    picture = np.zeros((10, 10, 3), dtype=np.uint8)
    picture[:4] = 255
    picture[4] = (255, 255, 0)  # yellow is not white
    assert white_share([picture]) == pytest.approx(0.4)
    assert white_share([]) is None


# --- distance: hands of a known size through a known camera -----------------------------------


def projected(distance_m: float, camera: Camera) -> LandmarkTrack:
    """Two open hands, palms to the camera, straight in front of it."""
    curl, spread = np.zeros((5, 3)), np.zeros(5)
    right = HandPose("right", np.array([-0.12, -0.09, -distance_m]), np.array([0.0, 1, 0]),
                     np.array([0.0, 0, 1]), curl, spread)  # fmt: skip
    hands = np.zeros((2, 21, 3))
    for side, pose in enumerate((mirror_pose(right), right)):
        px, _ = camera.project(joints(pose, HandShape()))
        hands[side, :, :2] = px / camera.width
    stacked = np.tile(hands, (N, 1, 1, 1))
    return make_track(AT, stacked, seen_face(N), (camera.width, camera.height))


def camera_for(settings: CameraDetection) -> Camera:
    """At the origin, looking along -Z, with the settings' width of view."""
    half = np.tan(np.radians(settings.field_of_view_deg) / 2) * SIZE[1] / SIZE[0]
    fov = float(np.degrees(2 * np.arctan(half)))
    return Camera((0.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0), fov, *SIZE)


@pytest.mark.parametrize("distance_m", [0.5, 0.8, 1.2, 1.6, 2.5])
def test_the_distance_of_a_hand_of_middling_size(distance_m: float) -> None:
    """Within 15 %: the drawn hand's palm is not exactly the assumed 9.5 cm."""
    settings = CameraDetection()
    found = hand_distance_m(projected(distance_m, camera_for(settings)), settings)
    assert found == pytest.approx(distance_m, rel=0.15)


@pytest.mark.parametrize(("distance_m", "word"), [(0.45, "back"), (2.9, "nearer")])
def test_following_the_advice_makes_the_distance_fine(distance_m: float, word: str) -> None:
    settings = CameraDetection()
    camera = camera_for(settings)
    said = advice(check(projected(distance_m, camera)), "distance")
    assert word in said
    metres = int("".join(filter(str.isdigit, said))) / 100
    there = distance_m + (metres if word == "back" else -metres)
    assert answers(check(projected(there, camera)))["distance"] is Result.MET


def test_an_upright_picture_gives_the_same_distance() -> None:
    """The same camera on its side: the width of view is now the shorter one."""
    settings = CameraDetection()
    wide = camera_for(settings)
    tall = replace(wide, fov=settings.field_of_view_deg, width=SIZE[1], height=SIZE[0])
    distances = [hand_distance_m(projected(1.2, camera), settings) for camera in (wide, tall)]
    assert distances[0] == pytest.approx(distances[1], rel=1e-6)


# --- the drawn samples ------------------------------------------------------------------------


def shown(track: LandmarkTrack) -> NDArray[np.uint8]:
    return np.full((SIZE[1], SIZE[0], 3), 120, dtype=np.uint8)


def test_the_picture_is_marked_and_the_original_kept() -> None:
    track = good_track()
    picture = shown(track)
    out = marked(picture, track, 0, CameraDetection())
    assert out.shape == picture.shape
    assert (picture == 120).all()
    x, y = (track.hands[0, 1, 9, :2] * SIZE[0]).round().astype(int)
    assert (out[y - 8 : y + 9, x - 8 : x + 9] != 120).any()


def first_seconds(names: Sequence[str], project: Path) -> list[tuple[Path, float]]:
    found = []
    for name in names:
        labels = json.loads((project / "sample_clips" / f"{name}.json").read_text("utf-8"))
        found.append((project / "sample_clips" / f"{name}.mp4", labels["clip"]["distance_m"]))
    return found


@pytest.mark.slow
def test_a_drawn_sample_is_ready_and_its_distance_is_right(project: Path) -> None:
    """The camera's distance stands in the sample's labels; hands lie a little off its target."""
    ((clip, distance_m),) = first_seconds(["clean_exchange"], project)
    told: list[float] = []
    looked = look_at(clip, EN, progress=told.append)
    assert looked.check.distance_m == pytest.approx(distance_m, rel=0.35)
    assert answers(looked.check)["face"] is Result.MET
    assert answers(looked.check)["light"] is Result.MET
    assert answers(looked.check)["steady"] is Result.MET
    assert looked.picture.shape == (360, 640, 3)
    assert told == sorted(told)
    assert 0.9 < told[-1] <= 1.0
    length = next(f for f in looked.check.findings if f.name == "length")
    assert "first 15 seconds" in length.advice


def test_a_file_that_is_no_video(tmp_path: Path) -> None:
    path = tmp_path / "note.mp4"
    path.write_text("not a video")
    with pytest.raises(VideoError):
        look_at(path, EN)
