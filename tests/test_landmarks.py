"""Detections to hands and faces, and the tracker behind them.

Closed forms: hands that move on given paths with given labels, so that the right answer is
known. Independent values: MediaPipe's own published connection lists for the face points;
the generated clips' drawing for which hand is which.
"""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from review import landmarks
from review.errors import VideoError
from review.facemesh import FACE_OVAL_MESH, FACE_POINTS, INNER_LIPS_MESH, OUTER_LIPS_MESH
from review.faces import choose_face
from review.identity import RawHands, assign_hands, keep_two, palm_centres, palm_widths
from review.landmarks import Sampling, model_version, track_landmarks
from review.tracks import LEFT, RIGHT, LandmarkTrack
from review.video import VideoInfo, probe, sample_frames
from tests import media

FPS = 15.0
PALM = 0.06
"""Knuckle breadth of the test hand, picture widths."""

SURE_RIGHT, SURE_LEFT = 0.97, 0.03


def hand_at(x: float, y: float, flip: bool = False) -> NDArray[np.float32]:
    """An open hand, fingers up, palm centre at (x, y); shape (21, 3). Invented proportions."""
    points = np.zeros((21, 3))
    points[0, :2] = 0.0, 1.0
    for finger in range(5):
        side = -0.75 if finger == 0 else (finger - 1) / 3 - 0.5
        for joint in range(4):
            points[1 + 4 * finger + joint, :2] = side, -0.35 * joint + (0.5 if finger == 0 else 0.0)
    if flip:
        points[:, 0] *= -1
    points *= PALM
    points[:, :2] += np.array([x, y]) - points[[0, 5, 9, 13, 17], :2].mean(axis=0)
    return points.astype(np.float32)


Detection = tuple[float, float, float]
"""Palm centre x, y and the tracker's probability that it is the right hand."""


def raw_of(frames: Sequence[Sequence[Detection]], slots: int = 4, fps: float = FPS) -> RawHands:
    """Detections as the tracker would give them; ``world`` repeats the picture's points."""
    n = len(frames)
    points = np.full((n, slots, 21, 3), np.nan, dtype=np.float32)
    right = np.full((n, slots), np.nan, dtype=np.float32)
    for i, found in enumerate(frames):
        for k, (x, y, probability) in enumerate(found):
            points[i, k] = hand_at(x, y, flip=probability > 0.5)
            right[i, k] = probability
    return RawHands(np.arange(n) / fps, points, points.copy(), right)


def x_of(raw: RawHands) -> NDArray[np.float32]:
    """Shape (n, 2): x of the left and the right palm, NaN where not seen."""
    return palm_centres(assign_hands(raw)[0])[..., 0]


# --- which hand is which ---------------------------------------------------------------------


def test_hands_go_where_their_labels_say() -> None:
    raw = raw_of([[(0.3, 0.5, SURE_RIGHT), (0.7, 0.5, SURE_LEFT)]] * 30)
    hands, world, score = assign_hands(raw)
    np.testing.assert_allclose(hands[:, RIGHT], raw.points[:, 0])
    np.testing.assert_allclose(hands[:, LEFT], raw.points[:, 1])
    np.testing.assert_allclose(world[:, LEFT], raw.world[:, 1])
    np.testing.assert_allclose(score, 0.97, atol=1e-6)
    assert hands.dtype == world.dtype == score.dtype == np.float32


def test_nothing_seen_is_nan_with_score_zero() -> None:
    hands, world, score = assign_hands(raw_of([[]] * 5))
    assert hands.shape == (5, 2, 21, 3) and np.isnan(hands).all() and np.isnan(world).all()
    assert (score == 0).all()


def test_one_picture() -> None:
    assert x_of(raw_of([[(0.3, 0.5, SURE_RIGHT)]]))[0, RIGHT] == pytest.approx(0.3, abs=1e-4)


def test_a_lone_hand_keeps_its_side_through_a_flicker() -> None:
    wrong = {10, 11, 12, 20}
    raw = raw_of([[(0.4, 0.5, SURE_LEFT if i in wrong else SURE_RIGHT)] for i in range(40)])
    x = x_of(raw)
    assert np.isfinite(x[:, RIGHT]).all() and np.isnan(x[:, LEFT]).all()


def test_two_hands_with_the_same_label_become_left_and_right() -> None:
    clear = [[(0.3, 0.5, SURE_RIGHT), (0.7, 0.5, SURE_LEFT)]] * 20
    both_right = [[(0.3, 0.5, 0.95), (0.7, 0.5, 0.98)]] * 15
    x = x_of(raw_of(clear + both_right + clear))
    np.testing.assert_allclose(x[:, RIGHT], 0.3, atol=1e-3)
    np.testing.assert_allclose(x[:, LEFT], 0.7, atol=1e-3)


def approach(i: int, start: int, end: int) -> float:
    """0 apart, 1 together: hands come together at ``start`` and part at ``end``."""
    return float(np.clip(min(i - start, end - i) / 8.0, 0.0, 1.0))


@pytest.mark.parametrize("seed", range(8))
def test_labels_that_flicker_in_contact_do_not_swap_the_hands(
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    frames: list[list[Detection]] = []
    for i in range(150):
        closeness = approach(i, 30, 110)
        gap = 0.2 - 0.17 * closeness  # palm centres end one palm width apart
        chance = rng.random(2) if closeness > 0.5 else np.array([SURE_RIGHT, SURE_LEFT])
        found = [(0.5 - gap, 0.5, float(chance[0])), (0.5 + gap, 0.5, float(chance[1]))]
        frames.append(found if rng.random() < 0.5 else found[::-1])
    x = x_of(raw_of(frames))
    assert (x[:, RIGHT] < 0.5).all() and (x[:, LEFT] > 0.5).all()


@pytest.mark.parametrize("seed", range(8))
def test_one_hand_lost_in_contact_leaves_the_other_who_it_was(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames: list[list[Detection]] = []
    for i in range(150):
        gap = 0.2 - 0.16 * approach(i, 30, 110)
        right = (0.5 - gap, 0.5, SURE_RIGHT)
        left = (0.5 + gap, 0.5, SURE_LEFT)
        if 40 <= i <= 100:
            frames.append([(*right[:2], float(rng.choice([SURE_RIGHT, 0.3])))])
        else:
            frames.append([left, right])
    x = x_of(raw_of(frames))
    assert (x[:, RIGHT] < 0.5).all()
    assert np.isnan(x[40:101, LEFT]).all()


def test_hands_that_really_cross_are_followed() -> None:
    frames: list[list[Detection]] = []
    for i in range(60):
        s = float(np.clip((i - 15) / 20.0, 0.0, 1.0))
        frames.append([(0.3 + 0.4 * s, 0.40, SURE_RIGHT), (0.7 - 0.4 * s, 0.60, SURE_LEFT)])
    x = x_of(raw_of(frames))
    assert x[0, RIGHT] == pytest.approx(0.3, abs=1e-3)
    assert x[-1, RIGHT] == pytest.approx(0.7, abs=1e-3)
    assert (np.abs(np.diff(x, axis=0)) < 0.05).all()


def test_a_track_that_hops_to_the_other_hand_in_contact_is_put_right_later() -> None:
    # The single detection is the right hand until contact and the left hand from then on.
    frames: list[list[Detection]] = [
        [(0.5 - 0.2 * (1 - i / 20), 0.5, SURE_RIGHT), (0.5 + 0.2 * (1 - i / 20), 0.5, SURE_LEFT)]
        for i in range(20)
    ]
    frames += [[(0.5, 0.5, 0.5)]] * 10
    frames += [[(0.5 + 0.2 * i / 20, 0.5, SURE_LEFT)] for i in range(40)]
    x = x_of(raw_of(frames))
    assert np.isfinite(x[-35:, LEFT]).all() and np.isnan(x[-35:, RIGHT]).all()
    assert np.isfinite(x[:20]).all()


@pytest.mark.parametrize("away_s", [1.2, 5.0])
def test_after_a_long_loss_labels_decide_again(away_s: float) -> None:
    before = [[(0.3, 0.5, SURE_RIGHT)]] * 30
    gone: list[list[Detection]] = [[]] * round(away_s * FPS)
    # The other hand comes back at the same place; its first two labels are wrong.
    after = [[(0.3, 0.5, SURE_RIGHT)]] * 2 + [[(0.3, 0.5, SURE_LEFT)]] * 30
    x = x_of(raw_of(before + gone + after))
    assert np.isfinite(x[:30, RIGHT]).all()
    assert np.isfinite(x[-32:, LEFT]).all() and np.isnan(x[-32:, RIGHT]).all()


def test_labels_wrong_for_seconds_yield_to_the_order_of_the_arms() -> None:
    # As seen on real hands that grasp a cup: one hand is called the other for two seconds.
    clear = [[(0.25, 0.5, SURE_RIGHT), (0.75, 0.5, SURE_LEFT)]] * 60
    wrong = [[(0.25, 0.5, SURE_LEFT), (0.75, 0.5, SURE_LEFT)]] * 30
    gone: list[list[Detection]] = [[]] * 20
    x = x_of(raw_of(clear + gone + wrong))
    np.testing.assert_allclose(x[-30:, RIGHT], 0.25, atol=1e-3)


def test_behind_the_shoulder_the_right_hand_lies_at_larger_x() -> None:
    clear = [[(0.75, 0.5, SURE_RIGHT), (0.25, 0.5, SURE_LEFT)]] * 60
    wrong = [[(0.75, 0.5, SURE_LEFT), (0.25, 0.5, SURE_LEFT)]] * 30
    gone: list[list[Detection]] = [[]] * 20
    x = x_of(raw_of(clear + gone + wrong))
    np.testing.assert_allclose(x[-30:, RIGHT], 0.75, atol=1e-3)


# --- ghosts ----------------------------------------------------------------------------------


def test_one_hand_reported_twice_counts_once() -> None:
    frames = [[(0.3, 0.5, SURE_RIGHT), (0.3 + 0.1 * PALM, 0.5, 0.9)]] * 20
    x = x_of(raw_of(frames))
    np.testing.assert_allclose(x[:, RIGHT], 0.3, atol=1e-3)
    assert np.isnan(x[:, LEFT]).all()


def test_two_hands_one_palm_apart_are_two_hands() -> None:
    present = keep_two(raw_of([[(0.5, 0.5, SURE_RIGHT), (0.5 + PALM, 0.5, SURE_LEFT)]]))
    assert present.sum() == 2


def test_a_third_hand_is_left_out() -> None:
    # Half a palm from the hand it doubles, and less sure: too far off to be called a ghost.
    third = (0.7 + 0.5 * PALM, 0.5, 0.8)
    raw = raw_of([[(0.3, 0.5, SURE_RIGHT), third, (0.7, 0.5, SURE_LEFT)]] * 10)
    assert keep_two(raw).tolist() == [[True, False, True, False]] * 10
    np.testing.assert_allclose(x_of(raw)[:, LEFT], 0.7, atol=1e-3)


# --- invariants ------------------------------------------------------------------------------


def wandering(seed: int, n: int = 60) -> list[list[Detection]]:
    """Two hands wandering at random, each seen in 80 % of pictures, labels right in 85 %."""
    rng = np.random.default_rng(seed)
    place = np.array([[0.3, 0.5], [0.7, 0.5]])
    frames = []
    for _ in range(n):
        place = np.clip(place + rng.normal(0, 0.02, (2, 2)), 0.05, 0.95)
        found = []
        for k, truth in enumerate((SURE_RIGHT, SURE_LEFT)):
            if rng.random() < 0.8:
                p = truth if rng.random() < 0.85 else 1 - truth
                found.append((float(place[k, 0]), float(place[k, 1]), p))
        frames.append(found)
    return frames


@given(st.integers(0, 10_000))
def test_the_order_of_detections_does_not_matter(seed: int) -> None:
    frames = wandering(seed)
    a = assign_hands(raw_of(frames))
    b = assign_hands(raw_of([found[::-1] for found in frames], slots=2))
    for mine, other in zip(a, b, strict=True):
        np.testing.assert_array_equal(mine, other)


@given(st.integers(0, 10_000))
def test_mirroring_swaps_hands_and_nothing_else(seed: int) -> None:
    frames = wandering(seed)
    x = x_of(raw_of(frames))
    mirrored = x_of(raw_of([[(1 - a, b, 1 - p) for a, b, p in found] for found in frames]))
    np.testing.assert_allclose(mirrored[:, ::-1], 1 - x, atol=1e-5)


@given(st.integers(0, 10_000))
def test_every_believed_detection_is_used_once(seed: int) -> None:
    raw = raw_of(wandering(seed))
    hands, _, score = assign_hands(raw)
    seen = np.isfinite(hands[..., 0, 0])
    np.testing.assert_array_equal(seen.sum(axis=1), keep_two(raw).sum(axis=1))
    np.testing.assert_array_equal(seen, score > 0)


def test_wrong_shapes_are_refused() -> None:
    raw = raw_of([[(0.3, 0.5, SURE_RIGHT)]] * 3)
    with pytest.raises(ValueError, match=r"world must have shape \(3, 4, 21, 3\)"):
        dataclasses.replace(raw, world=raw.world[:2])


def test_palm_width_of_the_test_hand() -> None:
    # Wrist to middle knuckle is 1.01 palm widths here, times 0.8: the breadth is larger.
    assert palm_widths(hand_at(0.5, 0.5)) == pytest.approx(PALM, rel=1e-3)


# --- whose face ------------------------------------------------------------------------------


def face_at(x: float, size: float = 0.1, unrest: float = 0.0, seed: int = 0) -> NDArray[np.float32]:
    """A ring of points; shape (40, 3)."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    points = np.stack([0.5 * np.cos(angle), 0.6 * np.sin(angle), 0 * angle], axis=1)
    points += np.random.default_rng(seed).normal(0, unrest, points.shape)
    return (points * size + [x, 0.3, 0.0]).astype(np.float32)


def faces_of(frames: Sequence[Sequence[NDArray[np.float32]]]) -> NDArray[np.float32]:
    faces = np.full((len(frames), 2, 40, 3), np.nan, dtype=np.float32)
    for i, found in enumerate(frames):
        for k, face in enumerate(found):
            faces[i, k] = face
    return faces


def chosen_x(frames: Sequence[Sequence[NDArray[np.float32]]], hand_x: float) -> NDArray[np.float32]:
    n = len(frames)
    hands = np.full((n, 2, 21, 3), np.nan, dtype=np.float32)
    hands[:, RIGHT] = hand_at(hand_x, 0.7)
    return choose_face(np.arange(n) / FPS, faces_of(frames), hands)[:, :, 0].mean(axis=1)


def test_the_face_above_the_hands_is_the_persons() -> None:
    frames = [[face_at(0.2), face_at(0.7)] if i % 2 else [face_at(0.7), face_at(0.2)]
              for i in range(30)]  # fmt: skip
    np.testing.assert_allclose(chosen_x(frames, 0.65), 0.7, atol=1e-3)
    np.testing.assert_allclose(chosen_x(frames, 0.25), 0.2, atol=1e-3)


def test_a_visitor_passing_by_is_not_taken_for_the_person() -> None:
    both = [[face_at(0.5), face_at(0.8, 0.12)]] * 20
    visitor_alone = [[face_at(0.8, 0.12)]] * 5
    x = chosen_x([[face_at(0.5)]] * 40 + both + visitor_alone + both, 0.5)
    np.testing.assert_allclose(x[:60], 0.5, atol=1e-3)
    assert np.isnan(x[60:65]).all()
    np.testing.assert_allclose(x[65:], 0.5, atol=1e-3)


def test_a_face_found_again_is_the_same_person() -> None:
    gone: list[list[NDArray[np.float32]]] = [[]] * 60
    x = chosen_x([[face_at(0.5)]] * 10 + gone + [[face_at(0.55)]] * 10, 0.5)
    assert np.isfinite(x[:10]).all() and np.isnan(x[10:70]).all() and np.isfinite(x[70:]).all()


def test_a_face_seen_in_cloth_is_none() -> None:
    # Real faces were measured at 0.01-0.03 (rms over rms radius), false ones from 0.08 on.
    cloth = [[face_at(0.5, 0.2, unrest=0.05, seed=i)] for i in range(30)]
    assert np.isnan(chosen_x(cloth, 0.5)).all()
    beside = [[found[0], face_at(0.4, 0.1)] for found in cloth]
    np.testing.assert_allclose(chosen_x(beside, 0.5), 0.4, atol=1e-3)


def test_no_face_at_all() -> None:
    assert np.isnan(chosen_x([[]] * 4, 0.5)).all()


# --- the tracker itself ----------------------------------------------------------------------


def info_of(n: int, fps: float, size: tuple[int, int]) -> VideoInfo:
    return VideoInfo(Path("made.mp4"), n / fps, fps, *size, 0, "h264", False, False)


def track_pictures(
    pictures: Sequence[media.Rgb], fps: float = FPS, sampling: Sampling | None = None
) -> LandmarkTrack:
    height, width = pictures[0].shape[:2]
    frames = [(i / fps, picture) for i, picture in enumerate(pictures)]
    return track_landmarks(
        frames, info_of(len(frames), fps, (width, height)), sampling or Sampling()
    )


def test_change_and_brightness_of_plain_pictures() -> None:
    black = np.zeros((180, 320, 3), dtype=np.uint8)
    half = black.copy()
    half[:, 160:] = 255
    track = track_pictures([black, black, half, np.full_like(black, 255)])
    assert np.isnan(track.motion[0]).all()
    np.testing.assert_array_equal(track.motion[1], 0.0)
    np.testing.assert_allclose(track.motion[2, :, :16], 0.0, atol=1e-6)
    np.testing.assert_allclose(track.motion[2, :, 16:], 1.0, atol=1e-6)
    np.testing.assert_allclose(track.motion[3, :, :16], 1.0, atol=1e-6)
    np.testing.assert_allclose(track.luma, [0.0, 0.0, 0.5, 1.0], atol=1e-6)
    assert not track.hand_seen.any() and not track.face_seen.any()
    assert track.face.shape == (4, len(FACE_POINTS), 3)
    assert track.frame_size_px == (320, 180)
    assert track.time.end_s == pytest.approx(4 / FPS)


def test_a_mirrored_recording_has_its_columns_turned_round() -> None:
    black = np.zeros((180, 320, 3), dtype=np.uint8)
    left = black.copy()
    left[:, :160] = 255
    track = track_pictures([black, left], sampling=Sampling(mirrored=True))
    assert track.mirrored
    np.testing.assert_allclose(track.motion[1, :, :16], 0.0, atol=1e-6)
    np.testing.assert_allclose(track.motion[1, :, 16:], 1.0, atol=1e-6)


def test_no_pictures_is_an_error_that_names_the_file() -> None:
    with pytest.raises(VideoError, match=r"made\.mp4 holds no picture"):
        track_landmarks([], info_of(0, 15, (64, 64)), Sampling())


def test_progress_runs_from_start_to_one() -> None:
    told: list[float] = []
    black = np.zeros((64, 64, 3), dtype=np.uint8)
    frames = [(i / FPS, black) for i in range(6)]
    track_landmarks(frames, info_of(6, FPS, (64, 64)), Sampling(), told.append)
    assert told == sorted(told) and told[0] == 0.0 and told[-1] == 1.0


def test_a_header_that_promises_more_than_there_is_does_not_stretch_the_end() -> None:
    black = np.zeros((64, 64, 3), dtype=np.uint8)
    frames = [(i / FPS, black) for i in range(5)]
    track = track_landmarks(frames, info_of(900, FPS, (64, 64)), Sampling())
    assert track.time.end_s == pytest.approx(5 / FPS)


@pytest.fixture(scope="module")
def drawn_hands() -> list[media.Rgb]:
    """Twelve generated pictures of both open hands, right one at smaller x."""
    from sample_clips.studio.camera import Camera
    from sample_clips.studio.render import render
    from sample_clips.studio.scene import FrameState, Look
    from sample_clips.studio.skeleton import HandPose, mirror_pose

    pictures = []
    for tick in range(12):
        right = HandPose(
            side="right",
            wrist=np.array([-0.14 + 0.002 * tick, 0.14, 0.34]),
            fingers=np.array([0.0, 0.9, 0.436]),
            palm=np.array([0.0, -0.436, 0.9]),
            curl=np.full((5, 3), 0.12),
            spread=np.full(5, 0.15),
        )
        state = FrameState(left=mirror_pose(right), right=right, tick=tick)
        bgr, _ = render(state, Look(sink_side="none"), Camera())
        pictures.append(np.ascontiguousarray(bgr[:, :, ::-1]))
    return pictures


def test_the_subjects_own_right_hand_is_called_right(drawn_hands: list[media.Rgb]) -> None:
    # Drawn facing the camera: the subject's right hand is at smaller x. The tracker itself
    # calls it 'Left', because it expects a mirror picture.
    track = track_pictures(drawn_hands)
    x = palm_centres(track.hands)[..., 0]
    assert track.hand_seen[2:].mean() > 0.9
    assert np.nanmax(x[:, RIGHT]) < 0.5 < np.nanmin(x[:, LEFT])


def test_a_mirrored_picture_gives_the_same_track(drawn_hands: list[media.Rgb]) -> None:
    plain = track_pictures(drawn_hands)
    flipped = [np.ascontiguousarray(p[:, ::-1]) for p in drawn_hands]
    undone = track_pictures(flipped, sampling=Sampling(mirrored=True))
    np.testing.assert_array_equal(plain.hands, undone.hands)
    np.testing.assert_array_equal(plain.hands_world, undone.hands_world)
    np.testing.assert_array_equal(plain.motion, undone.motion)
    # Not told of the mirror, the tracker takes each hand for the other: the true right hand
    # now lies at larger x.
    x = palm_centres(track_pictures(flipped).hands)[..., 0]
    assert np.nanmax(x[:, RIGHT]) < 0.5 < np.nanmin(x[:, LEFT])


def test_lengths_are_the_same_in_both_directions(drawn_hands: list[media.Rgb]) -> None:
    # The same hands in a taller picture: y in picture widths must not shrink.
    taller = [np.pad(p, ((0, 200), (0, 0), (0, 0)), mode="edge") for p in drawn_hands]
    a, b = track_pictures(drawn_hands), track_pictures(taller)
    length = [
        np.nanmedian(np.linalg.norm(t.hands[:, :, 0, :2] - t.hands[:, :, 9, :2], axis=-1))
        for t in (a, b)
    ]
    assert length[1] == pytest.approx(length[0], rel=0.1)


def test_world_coordinates_are_metres(drawn_hands: list[media.Rgb]) -> None:
    # Adult wrist-to-middle-knuckle length is about 0.08-0.11 m (common practice, no source).
    track = track_pictures(drawn_hands)
    reach = np.linalg.norm(track.hands_world[:, :, 0] - track.hands_world[:, :, 9], axis=-1)
    assert 0.06 < float(np.nanmedian(reach)) < 0.13


def test_face_points_are_those_of_the_published_lists() -> None:
    from mediapipe.python.solutions import face_mesh_connections as lists

    lips = {point for edge in lists.FACEMESH_LIPS for point in edge}
    assert set(INNER_LIPS_MESH) | set(OUTER_LIPS_MESH) == lips
    assert set(FACE_OVAL_MESH) == {point for edge in lists.FACEMESH_FACE_OVAL for point in edge}
    assert len(set(FACE_POINTS)) == len(FACE_POINTS)


# --- settings and versions -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"fps": 0.0}, "fps"),
        ({"max_side_px": 10}, "max_side_px"),
        ({"complexity": 2}, "complexity"),
    ],
)
def test_sampling_out_of_range(wrong: dict[str, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Sampling(**wrong)  # type: ignore[arg-type]


def test_model_version_names_what_made_the_landmarks() -> None:
    version = model_version(1)
    assert version.startswith("mediapipe 0.10.21 complexity 1")
    assert version != model_version(0)
    assert model_version(1) == version


def test_importing_does_not_load_the_tracker() -> None:
    code = "import sys, review.landmarks, review.cache; print('mediapipe' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


TRACK_ALONE = """
import sys
import skimage.data
from pathlib import Path
from review.landmarks import Sampling, track_landmarks
from review.video import VideoInfo
picture = skimage.data.astronaut()
wide = picture[:400]
info = VideoInfo(Path("a.mp4"), 0.2, 15.0, 512, 400, 0, "h264", False, False)
track = track_landmarks([(0.0, wide), (0.1, wide)], info, Sampling())
print(int(track.face_seen.sum()))
"""


def test_nothing_is_printed_and_no_network_is_needed(project: Path) -> None:
    """Tracks a photograph in a process of its own; without any network where that can be cut."""
    command = [sys.executable, "-c", TRACK_ALONE]
    cut_off = ["unshare", "--net", "--map-root-user"]
    try:
        able = subprocess.run([*cut_off, "true"], capture_output=True, check=False).returncode == 0
    except OSError:
        able = False
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("GLOG", "TF_CPP"))}
    environment["PYTHONPATH"] = str(project)
    done = subprocess.run(
        [*(cut_off if able else []), *command],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    assert done.stdout.strip() == "2"
    assert done.stderr == ""


def test_from_file_to_track(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "five.mp4", media.steady(150, 30))
    info = probe(path)
    track = track_landmarks(sample_frames(path, 5.0, 320), info, Sampling(fps=5.0, max_side_px=320))
    assert len(track.time) == 25
    assert track.time.end_s == pytest.approx(5.0, abs=0.05)
    np.testing.assert_allclose(track.time.widths_s.sum(), track.time.end_s)


def test_the_public_names_are_there() -> None:
    for name in landmarks.__all__:
        assert hasattr(landmarks, name)


@pytest.mark.slow
@pytest.mark.parametrize(("x", "mirrored"), [(0, False), (190, False), (384, True)])
def test_a_small_face_is_found_where_it_is_and_its_colours_measured(x: int, mirrored: bool) -> None:
    """Reference picture: the astronaut portrait (NASA, public domain) of scikit-image.

    At 256 of 640 pixels its face is about 0.1 picture widths high. The large picture, in which
    the face is tracked easily, says where the points must be.
    """
    from skimage import data

    portrait = np.ascontiguousarray(data.astronaut())
    large = track_pictures([portrait] * 3)
    wide = np.full((360, 640, 3), 128, dtype=np.uint8)
    wide[:256, x : x + 256] = cv2.resize(portrait, (256, 256), interpolation=cv2.INTER_AREA)
    shown = np.ascontiguousarray(wide[:, ::-1]) if mirrored else wide
    small = track_pictures([shown] * 6, sampling=Sampling(mirrored=mirrored))
    assert large.face_seen.all() and small.face_seen[2:].all()
    expected = large.face[-1, :, :2] * 256 / 640 + np.array([x / 640, 0.0])
    # Within a fiftieth of the portrait's own width (0.4 picture widths).
    np.testing.assert_allclose(small.face[-1, :, :2], expected, atol=0.008)
    hue, redness = small.lower_face[-1]
    assert hue < 0.3 and redness > 0.045  # bare, as the settings for bare faces have it
    assert np.isnan(small.lower_face[~small.face_seen]).all()


def test_colours_belong_to_the_face_that_was_chosen() -> None:
    faces = np.full((3, 2, 4, 3), np.nan, dtype=np.float32)
    faces[0, 1], faces[1, 0], faces[1, 1] = 0.2, 0.7, 0.3
    colours = np.arange(12, dtype=np.float32).reshape(3, 2, 2)
    chosen = np.full((3, 4, 3), np.nan, dtype=np.float32)
    chosen[0], chosen[1] = 0.2, 0.3
    kept = landmarks._of_chosen(colours, faces, chosen)
    np.testing.assert_array_equal(kept, [colours[0, 1], colours[1, 1], [np.nan, np.nan]])


@pytest.mark.slow
def test_no_face_is_seen_in_a_picture_of_hands(drawn_hands: list[media.Rgb]) -> None:
    assert not track_pictures(drawn_hands).face_seen.any()
