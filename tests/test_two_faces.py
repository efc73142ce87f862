"""Two faces in view: the one whose hands are at the line is followed, the other says nothing.

The drawn scene is a sample clip made smaller, with a second drawn head near the camera.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pytest

from review.faces import FAR_FROM_HANDS, choose_face
from review.landmarks import Sampling, look_at, settle
from review.mouth import mouth_track
from review.openline import OpenLineWindow, review_open_line
from review.playback import Rgb
from review.settings import OpenLineDetection
from review.talking import talking_probability
from review.timeline import Interval, Phase
from review.tracks import LandmarkTrack
from review.video import probe, sample_frames
from sample_clips.studio.head import draw_head
from tests import builders

SETTINGS = OpenLineDetection()
AT = builders.times(14.0, 15.0)
SPEAKING = (AT >= 4.0) & (AT < 9.0)
PERSON, TRAINER = (0.4, 0.2), (0.7, 0.17)
WINDOW = OpenLineWindow(Phase.CONNECT, Interval(2.0, 12.0), 0.3)


def mouths(speaking: bool, seed: int) -> np.ndarray:
    """Lips at rest, or speaking from 4 to 9 s."""
    rng = np.random.default_rng(seed)
    opening = np.full(len(AT), 0.02)
    if speaking:
        opening[SPEAKING] = builders.syllables(AT[SPEAKING], rng)
    return opening


def face(opening: np.ndarray, centre: tuple[float, float], height: float = 0.2) -> np.ndarray:
    rng = np.random.default_rng(3)
    return builders.faces(opening, height=height, centre=centre, jitter=0.0002, rng=rng)


def both(
    person_speaks: bool,
    trainer_speaks: bool,
    trainer_height: float = 0.2,
    trainer_at: tuple[float, float] = TRAINER,
) -> np.ndarray:
    """Shape (n, 2, k, 3): both faces, in an order that changes from picture to picture."""
    one = face(mouths(person_speaks, 1), PERSON)
    two = face(mouths(trainer_speaks, 2), trainer_at, trainer_height)
    faces = np.stack([one, two], axis=1)
    faces[::3] = faces[::3, ::-1]
    return faces


def reviewed(faces: np.ndarray, hands_x: float = 0.42) -> tuple[LandmarkTrack, list[Interval]]:
    """The track with the face that was chosen, and the talking found near the open line."""
    way = np.tile([hands_x, 0.5], (len(AT), 1))
    hands = builders.hands_at(way + [0.06, 0.0], way - [0.06, 0.0], len(AT))
    chosen = choose_face(AT, faces.astype(np.float32), hands)
    track = builders.make_track(AT, hands=hands, face=chosen)
    found = review_open_line((WINDOW,), track, SETTINGS)
    return track, [talk.interval for talk in found.talking]


def test_a_trainer_who_speaks_is_not_flagged() -> None:
    track, talking = reviewed(both(person_speaks=False, trainer_speaks=True))
    assert talking == []
    x = np.nanmean(track.face[:, :, 0], axis=1)
    np.testing.assert_allclose(x, PERSON[0], atol=0.02)


def test_the_person_who_speaks_is_found_beside_a_silent_trainer() -> None:
    _, talking = reviewed(both(person_speaks=True, trainer_speaks=False))
    assert len(talking) == 1
    assert talking[0].start_s == pytest.approx(4.0, abs=0.6)
    assert talking[0].end_s == pytest.approx(9.0, abs=0.6)


@pytest.mark.parametrize("height", [0.1, 0.15, 0.22])
def test_a_trainer_further_away_or_a_little_nearer_is_not_taken_for_the_person(
    height: float,
) -> None:
    assert reviewed(both(False, True, trainer_height=height))[1] == []


def test_the_hands_decide_whose_face_it_is() -> None:
    """The same two faces with the hands below the other one: now that one is the person."""
    _, talking = reviewed(both(False, True), hands_x=TRAINER[0])
    assert len(talking) == 1


def test_a_trainer_seen_beside_the_person_stays_somebody_else_when_the_person_turns_away() -> None:
    faces = both(person_speaks=False, trainer_speaks=True)
    turned = (AT >= 5.0) & (AT < 8.0)
    near_person = np.abs(faces[..., 0].mean(axis=2) - PERSON[0]) < 0.1
    faces[turned[:, None] & near_person] = np.nan
    track, talking = reviewed(faces)
    assert talking == []
    unseen = np.isnan(talking_probability(mouth_track(track), SETTINGS).column("probability"))
    assert unseen[turned].all() and not unseen[~turned].all()


def test_a_trainer_alone_in_view_far_from_the_hands_is_not_assessed() -> None:
    alone = np.full_like(both(False, True), np.nan)
    width = 0.2 * 0.76  # of the built face
    alone[:, 0] = face(mouths(True, 2), (0.1 + (FAR_FROM_HANDS + 0.3) * width, 0.17))
    track, talking = reviewed(alone, hands_x=0.1)
    assert talking == [] and not track.face_seen.any()
    # As near as a person's own hands are, it is taken for the person.
    near, talking = reviewed(alone, hands_x=0.1 + 2.5 * width)
    assert near.face_seen.all() and len(talking) == 1


def test_without_hands_nobody_is_ruled_out() -> None:
    faces = both(False, True)
    nothing = np.full((len(AT), 2, 21, 3), np.nan, dtype=np.float32)
    chosen = choose_face(AT, faces.astype(np.float32), nothing)
    assert np.isfinite(chosen).all()


def test_a_face_much_larger_than_goes_with_the_hands_is_somebody_near_the_camera() -> None:
    """Three times as wide and well aside; the person's own hands are half a face width out."""
    faces = both(False, True, trainer_height=0.6, trainer_at=(0.95, 0.3))
    track, talking = reviewed(faces, hands_x=PERSON[0] + 0.5 * 0.2 * 0.76)
    assert talking == []
    np.testing.assert_allclose(np.nanmean(track.face[..., 0], axis=1), PERSON[0], atol=0.02)


# --- drawn ---------------------------------------------------------------------------------------

SIZE_PX = (640, 360)
PERSON_X, TRAINER_X = 0.24, 0.85


@dataclass(frozen=True, slots=True)
class Head:
    """A head for `draw_head`, turned a little towards the person."""

    mouth_open: float
    yaw: float = -0.3
    pitch: float = 0.1
    roll: float = 0.0
    smile: float = 0.0
    mask: bool = False


def two_heads(clip: Path, count: int) -> Iterator[tuple[float, Rgb]]:
    """Pictures of a wash: the person's face 38 pixels wide, a trainer's 117, speaking."""
    pictures = ((t, p) for t, p in sample_frames(clip, 15.0, SIZE_PX[0]) if t >= 20.0)
    for time_s, picture in islice(pictures, count):
        scene = np.full((*SIZE_PX[::-1], 3), (170, 175, 178), dtype=np.uint8)
        small = cv2.resize(picture, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
        scene[-small.shape[0] :, : small.shape[1]] = small[..., ::-1]
        head = Head(mouth_open=0.3 * abs(float(np.sin(9.0 * time_s))))
        draw_head(scene, (560, 130), 180, head, (120, 150, 200))
        yield time_s, np.ascontiguousarray(scene[..., ::-1])


@pytest.mark.slow
def test_a_trainer_near_the_camera_does_not_hide_the_person_at_the_line(project: Path) -> None:
    clip = project / "sample_clips" / "clean_exchange.mp4"
    info = probe(clip)
    looks = look_at(two_heads(clip, 24), Sampling())
    track = settle(looks, info, Sampling())
    assert track.face_seen.all()
    np.testing.assert_allclose(np.nanmean(track.face[..., 0], axis=1), PERSON_X, atol=0.02)
    # Without the second look the trainer's face is all that is ever seen.
    never = Sampling(beside_face_widths=100.0)
    alone = look_at(two_heads(clip, 6), never).faces
    assert np.isnan(alone[:, 1]).all()
    np.testing.assert_allclose(alone[:, 0, :, 0].mean(axis=1), TRAINER_X, atol=0.02)
