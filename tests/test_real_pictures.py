"""The tracker on real photographs and real film.

Photographs: the astronaut that scikit-image carries in its package (NASA, public domain) and
the naval officer that matplotlib carries (US Navy, public domain). Neither shows a hand; nothing is
downloaded. The face box to compare with is that of scikit-image's cascade detector, a
method and a model of its own.

Film: open-licence clips in the folder that EXCHANGE_REVIEW_REAL_CLIPS names, with a manifest of
checksums and of intervals labelled by looking at the frames. Skipped where it is not set.
"""

from __future__ import annotations

import json
import os
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import skimage.data
from matplotlib import cbook
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon
from skimage.feature import Cascade

from review.facemesh import FACE_INDEX, FACE_OVAL, INNER_LIP_PAIRS, INNER_LIPS
from review.identity import palm_centres
from review.landmarks import Sampling, track_landmarks
from review.timeline import Interval
from review.tracks import LEFT, RIGHT, LandmarkTrack
from review.video import VideoInfo, file_sha256, probe, sample_frames
from tests import media

# --- photographs -----------------------------------------------------------------------------


@cache
def photograph(name: str) -> media.Rgb:
    if name == "astronaut":
        return np.asarray(skimage.data.astronaut(), dtype=np.uint8)
    path = str(cbook.get_sample_data("grace_hopper.jpg", asfileobj=False))
    return np.ascontiguousarray(cv2.imread(path)[:, :, ::-1])


PHOTOGRAPHS = ("astronaut", "officer")


@cache
def tracked(name: str) -> LandmarkTrack:
    picture = photograph(name)
    height, width = picture.shape[:2]
    info = VideoInfo(Path(name), 0.3, 10.0, width, height, 0, "png", False, False)
    return track_landmarks([(i / 10, picture) for i in range(3)], info, Sampling(fps=10))


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_the_face_is_found_and_no_hand_is_made_up(name: str) -> None:
    track = tracked(name)
    assert track.face_seen.all()
    assert not track.hand_seen.any()


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_the_mouth_lies_inside_the_face(name: str) -> None:
    face = tracked(name).face[-1]
    oval = Polygon(face[list(FACE_OVAL), :2].astype(float))
    assert oval.is_valid
    assert all(oval.contains(Point(*point)) for point in face[list(INNER_LIPS), :2].astype(float))
    y = {part: float(face[FACE_INDEX[part], 1]) for part in FACE_INDEX}
    order = ("forehead", "nose_bridge", "nose_tip", "nose_base", "upper_lip", "chin")
    assert [y[part] for part in order] == sorted(y[part] for part in order)
    x = {part: float(face[FACE_INDEX[part], 0]) for part in FACE_INDEX}
    eyes = ("right_eye_outer", "right_eye_inner", "left_eye_inner", "left_eye_outer")
    assert [x[part] for part in eyes] == sorted(x[part] for part in eyes)


def test_the_face_is_where_another_detector_sees_one() -> None:
    picture = photograph("astronaut")
    boxes = Cascade(skimage.data.lbp_frontal_face_cascade_filename()).detect_multi_scale(
        picture, scale_factor=1.2, step_ratio=1, min_size=(60, 60), max_size=(200, 200)
    )
    width = picture.shape[1]
    oval = tracked("astronaut").face[-1][list(FACE_OVAL), :2] * width
    middle = (oval.min(axis=0) + oval.max(axis=0)) / 2
    assert any(
        box["c"] < middle[0] < box["c"] + box["width"]
        and box["r"] < middle[1] < box["r"] + box["height"]
        and 0.5 < np.ptp(oval[:, 0]) / box["width"] < 1.5
        for box in boxes
    )


def test_a_phone_held_sideways_still_shows_an_upright_face(tmp_path: Path) -> None:
    # Lying in the file, upright for a viewer: only a reader that turns it finds the eyes above
    # the mouth.
    lying = np.ascontiguousarray(np.rot90(photograph("astronaut")))
    path = media.write_video(
        tmp_path / "phone.mp4", media.steady(6, 15), size=(512, 512), pictures=[lying] * 6
    )
    media.set_matrix(path, media.QUARTER_TURNS[90])
    track = track_landmarks(sample_frames(path), probe(path), Sampling())
    assert track.face_seen.all()
    still = tracked("astronaut").face[-1]
    np.testing.assert_allclose(track.face[-1, :, :2], still[:, :2], atol=0.01)


def test_smaller_pictures_give_the_same_places() -> None:
    picture = photograph("astronaut")
    small = cv2.resize(picture, (256, 256), interpolation=cv2.INTER_AREA)
    info = VideoInfo(Path("small"), 0.3, 10.0, 256, 256, 0, "png", False, False)
    track = track_landmarks([(i / 10, small) for i in range(3)], info, Sampling(fps=10))
    np.testing.assert_allclose(
        track.face[-1, :, :2], tracked("astronaut").face[-1, :, :2], atol=0.015
    )


# --- film ------------------------------------------------------------------------------------

FOLDER = os.environ.get("EXCHANGE_REVIEW_REAL_CLIPS", "")
needs_clips = pytest.mark.skipif(
    not FOLDER, reason="EXCHANGE_REVIEW_REAL_CLIPS names no folder of real clips"
)


@cache
def manifest() -> dict[str, dict[str, Any]]:
    entries = json.loads((Path(FOLDER) / "manifest.json").read_text())
    return {entry["file"]: entry for entry in entries}


@cache
def film(name: str) -> LandmarkTrack:
    path = Path(FOLDER) / name
    assert file_sha256(path) == manifest()[name]["sha256"]
    return track_landmarks(sample_frames(path), probe(path), Sampling())


def hands_in(track: LandmarkTrack, start_s: float, end_s: float) -> NDArray[np.int64]:
    """How many hands were tracked in each sample of the span."""
    return np.asarray(track.hand_seen[track.time.inside(Interval(start_s, end_s))].sum(axis=1))


@needs_clips
@pytest.mark.parametrize(
    "name", ["sentence_1.mpg", "sentence_2.mpg", "sentence_3.mpg", "sentence_open_at_rest.mpg"]
)
def test_a_speaker_has_a_face_and_no_hands(name: str) -> None:
    track = film(name)
    assert track.face_seen.mean() > 0.95
    assert track.hand_seen.mean() < 0.05


@needs_clips
@pytest.mark.parametrize("name", ["sentence_1.mpg", "sentence_2.mpg", "sentence_3.mpg"])
def test_lips_change_more_in_speech_than_in_silence(name: str) -> None:
    track = film(name)
    upper, lower = (list(side) for side in zip(*INNER_LIP_PAIRS, strict=True))
    opening = np.linalg.norm(track.face[:, upper, :2] - track.face[:, lower, :2], axis=2).mean(1)
    change = np.abs(np.diff(opening, prepend=opening[:1]))
    label = {}
    for entry in manifest()[name]["labels"]:
        inside = track.time.inside(Interval(max(entry["t0"], 0.05), entry["t1"]))
        label.setdefault(entry["label"], []).append(change[inside])
    talking, silent = (np.concatenate(label[kind]).mean() for kind in ("talking", "silent"))
    assert talking > 2.0 * silent


@needs_clips
def test_one_open_hand_is_followed_throughout_as_the_right_one() -> None:
    # Seen from the front, the arm comes from the picture's left: the person's own right.
    track = film("one_open_hand.mp4")
    assert track.hand_seen[:, RIGHT].mean() > 0.95
    assert track.hand_seen[:, LEFT].mean() < 0.05
    wrist = track.hands[:, RIGHT, 0, :2]
    assert (wrist[:, 0] < 0.6).all()
    # The hand hangs from its arm: fingertips below the wrist once it is held out (from 2.5 s).
    late = track.time.inside(Interval(2.5, 8.0))
    assert (track.hands[late, RIGHT][:, [8, 12, 16, 20], 1].min(axis=1) > wrist[late, 1]).all()


@needs_clips
def test_two_hands_at_cups_keep_their_sides_through_two_crossings() -> None:
    # Frames looked at: facing the camera; hands cross at 3.3 and 5.0 s for less than 0.6 s.
    track = film("cups_two_hands.mp4")
    count = hands_in(track, 1.5, 9.2)
    assert (count >= 1).mean() > 0.9
    assert (count == 2).mean() > 0.4
    x = palm_centres(track.hands)[..., 0]
    time_s = track.time.times_s
    apart = (time_s > 1.5) & (np.abs(time_s - 3.4) > 0.4) & (np.abs(time_s - 5.0) > 0.4)
    both = apart & np.isfinite(x).all(axis=1)
    assert (x[both, RIGHT] < x[both, LEFT]).mean() > 0.97
    # Each alone: the left hand works on the picture's right side, the right hand on its left.
    assert (x[apart & np.isfinite(x[:, LEFT]), LEFT] > 0.45).mean() > 0.97
    assert (x[apart & np.isfinite(x[:, RIGHT]), RIGHT] < 0.6).mean() > 0.97


@needs_clips
def test_hands_that_meet_are_seen_when_they_are_up() -> None:
    track = film("hands_crossed.mkv")
    assert (hands_in(track, 0.0, 0.4) == 0).all()
    assert (hands_in(track, 0.8, 1.7) >= 1).mean() > 0.9
    assert track.face_seen.mean() > 0.95
    # One hand is nearly always lost while the palms touch; the one seen stays one and the same.
    seen = track.hand_seen[track.time.inside(Interval(0.9, 1.7))]
    assert max(seen.mean(axis=0)) > 0.9


@needs_clips
def test_a_mesh_that_latches_on_to_a_shirt_is_not_the_face() -> None:
    # From 0.7 s on the tracker reports a second, larger 'face' on the chest.
    track = film("palm_and_pick.mkv")
    assert track.face_seen.mean() > 0.95
    nose = track.face[:, FACE_INDEX["nose_tip"], :2]
    assert (np.abs(np.diff(nose, axis=0)) < 0.03).all()


@needs_clips
@pytest.mark.parametrize(
    "name", ["cups_two_hands.mp4", "palm_and_pick.mkv", "index_fingers_meet.mkv", "sentence_2.mpg"]
)
def test_times_agree_with_another_reader(name: str) -> None:
    reader = cv2.VideoCapture(str(Path(FOLDER) / name))
    others = []
    while reader.read()[0]:
        others.append(reader.get(cv2.CAP_PROP_POS_MSEC) / 1000.0)
    reader.release()
    mine = [time_s for time_s, _ in sample_frames(Path(FOLDER) / name, 120.0, 64)]
    np.testing.assert_allclose(mine, np.array(others) - others[0], atol=2e-3)
