"""Mouths that the mesh cannot follow, and movement that is no speech: scripted, by numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from review.facemesh import OUTER_LIPS
from review.mask import MaskEvidence, behind_mask, judge_mask
from review.mouth import SMALL_FACE_PX, mouth_track
from review.openline import mouth_evidence
from review.picturechange import box_change
from review.settings import OpenLineDetection
from review.talking import talking_probability, talking_spans
from review.timeline import Interval
from review.tracks import MOTION_GRID, LandmarkTrack, TimeBase
from tests import builders

SETTINGS = OpenLineDetection()
AT = builders.times(14.0, 15.0)
SPEAKING = (AT >= 4.0) & (AT < 9.0)
SMALL, LARGE, SIZE_PX = 0.13, 0.3, (480, 270)
"""Heights of the built face in picture widths: 62 px and 144 px."""


def spans_of(track: LandmarkTrack) -> list[Interval]:
    probability = talking_probability(mouth_track(track), SETTINGS)
    return [span.interval for span in talking_spans(probability, SETTINGS)]


# --- change of the picture in a box --------------------------------------------------------------


def test_the_change_in_a_box_is_the_mean_of_the_picture_it_covers() -> None:
    """Reference: the same mean over the grid blown up to 40 x 40 points a cell."""
    rng = np.random.default_rng(1)
    motion = rng.random((6, *MOTION_GRID))
    aspect, fine = 9 / 16, 40
    low = rng.uniform([0.1, 0.05], [0.5, 0.25], (6, 2))
    high = low + rng.uniform(0.02, 0.3, (6, 2))
    blown = np.kron(motion, np.ones((1, fine, fine)))
    rows, columns = blown.shape[1:]
    x, y = (np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / rows * aspect
    expected = [
        picture[np.ix_((y > b) & (y < d), (x > a) & (x < c))].mean()
        for picture, (a, b), (c, d) in zip(blown, low, high, strict=True)
    ]
    np.testing.assert_allclose(box_change(motion, low, high, aspect), expected, rtol=0.03)


def test_a_box_outside_the_picture_or_unseen_has_no_change() -> None:
    motion = np.ones((3, *MOTION_GRID))
    motion[2] = np.nan
    low = np.array([[1.2, 0.1], [np.nan, 0.1], [0.1, 0.1]])
    assert np.isnan(box_change(motion, low, low + 0.2, 0.5625)).all()
    half = box_change(motion[:1], np.array([[-0.5, -0.5]]), np.array([[0.1, 0.1]]), 0.5625)
    assert half == pytest.approx(1.0)  # only the part inside the picture counts


# --- small faces ---------------------------------------------------------------------------------


def pictured(face: np.ndarray) -> LandmarkTrack:
    """A track of a small picture with this face in it."""
    return builders.make_track(AT, face=face, size_px=SIZE_PX)


def moving_picture(
    track: LandmarkTrack, when: np.ndarray, size: float, noise: float = 0.004
) -> LandmarkTrack:
    """The track with noise everywhere and more change from the mouth down at some times."""
    rng = np.random.default_rng(2)
    rows, columns = MOTION_GRID
    motion = rng.normal(noise, 0.1 * noise, (len(track.time), rows, columns))
    lips_y = track.face[0, list(OUTER_LIPS), 1].mean()
    first = int((lips_y - 0.1 * np.ptp(track.face[0, :, 1])) / (9 / 16) * rows)
    motion[when, first:, columns // 2 - 3 : columns // 2 + 3] += size
    return replace(track, motion=motion.astype(np.float32))


def test_a_mouth_that_moves_in_the_picture_alone_is_found_in_a_small_face_only() -> None:
    for height, found in ((SMALL, 1), (LARGE, 0)):
        face = builders.faces(np.full(len(AT), 0.02), height=height, jitter=0.0001,
                              rng=np.random.default_rng(4))  # fmt: skip
        track = moving_picture(pictured(face), SPEAKING, 1.5 / 255)
        spans = spans_of(track)
        assert len(spans) == found
        if found:
            assert spans[0].start_s == pytest.approx(4.0, abs=0.8)
            assert spans[0].end_s == pytest.approx(9.0, abs=0.8)
    assert SMALL_FACE_PX[0] > SMALL * SIZE_PX[0] and SMALL_FACE_PX[1] < LARGE * SIZE_PX[0]


def test_a_mesh_that_trembles_over_a_still_picture_is_no_speech() -> None:
    """The mesh of a dark face moves as in speech; the picture changes at the brow and no more."""
    rng = np.random.default_rng(5)
    opening = np.full(len(AT), 0.02)
    opening[SPEAKING] = builders.syllables(AT[SPEAKING], rng, size=0.05)
    track = pictured(builders.faces(opening, height=SMALL))
    assert len(spans_of(track)) == 1  # nothing is known of the picture
    still = moving_picture(track, np.zeros(len(AT), dtype=bool), 0.0, noise=0.004)
    # The head's noise is a little larger at the brow, as it is in drawn and real pictures.
    motion = still.motion.copy()
    motion[:, : int(0.2 / (9 / 16) * MOTION_GRID[0])] += np.float32(1.0 / 255)
    assert spans_of(replace(still, motion=motion)) == []
    spoken = moving_picture(track, SPEAKING, 1.5 / 255)
    assert len(spans_of(spoken)) == 1


def test_an_arm_that_moves_at_the_chin_of_a_small_face_makes_it_cannot_tell() -> None:
    inside, outside = (AT > 5.0) & (AT < 8.0), (AT < 3.0) | (AT > 10.0)
    for height, told in ((SMALL, False), (LARGE, True)):
        face = builders.faces(np.full(len(AT), 0.02), height=height, jitter=0.0001,
                              rng=np.random.default_rng(4))  # fmt: skip
        track = moving_picture(pictured(face), SPEAKING, 8.0 / 255)
        probability = talking_probability(mouth_track(track), SETTINGS).column("probability")
        assert spans_of(track) == []
        assert np.isfinite(probability[outside]).all()
        assert np.isfinite(probability[inside]).all() == told
        assert np.isnan(probability[inside]).all() == (not told)


def test_a_yawn_in_a_small_face_stays_a_yawn() -> None:
    opening = builders.one_bump(AT, 7.0, 4.0, 0.8)
    face = builders.faces(opening, height=SMALL, jitter=0.0001, rng=np.random.default_rng(6))
    track = moving_picture(pictured(face), np.abs(AT - 7.0) < 2.0, 1.2 / 255)
    assert spans_of(track) == []


# --- movement that is no speech ------------------------------------------------------------------


def irregular_chewing(at: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Cycles of 0.6 to 1.2 s, each of its own size, with pauses."""
    opening, moment = np.full(len(at), 0.01), at[0]
    while moment < at[-1]:
        length, size = rng.uniform(0.6, 1.2), rng.uniform(0.05, 0.12)
        inside = (at >= moment) & (at < moment + length)
        opening[inside] += size * (0.5 - 0.5 * np.cos(2 * np.pi * (at[inside] - moment) / length))
        moment += length + (rng.random() < 0.3) * rng.uniform(0.3, 0.8)
    return opening


Mouth = Callable[[np.ndarray, np.random.Generator], np.ndarray]
NOT_SPEECH: dict[str, Mouth] = {
    "a smile held and let go twice": lambda at, rng: (
        0.12 / (1 + np.exp(-(at - 4.0) * 5)) - 0.12 / (1 + np.exp(-(at - 7.0) * 5))
        + 0.12 / (1 + np.exp(-(at - 9.0) * 5)) - 0.12 / (1 + np.exp(-(at - 12.0) * 5))
    ),
    "lips licked three times": lambda at, rng: sum(
        builders.one_bump(at, moment, 0.8, 0.12) for moment in (4.0, 7.0, 10.0)
    ),
    "one short word": lambda at, rng: builders.one_bump(at, 7.0, 0.3, 0.25),
    "a sigh": lambda at, rng: builders.one_bump(at, 7.0, 2.5, 0.3),
    "slow, uneven chewing": irregular_chewing,
    "a cough and a yawn": lambda at, rng: (
        builders.one_bump(at, 4.0, 0.4, 0.4) + builders.one_bump(at, 9.0, 5.0, 0.8)
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", list(NOT_SPEECH))
def test_what_is_no_speech_gives_no_span(kind: str) -> None:
    for seed in range(3):
        rng = np.random.default_rng(seed)
        face = builders.faces(NOT_SPEECH[kind](AT, rng), jitter=0.0002, rng=rng)
        assert spans_of(builders.make_track(AT, face=face)) == [], f"{kind}, seed {seed}"


@pytest.mark.parametrize("swing", [10.0, 25.0])
def test_shaking_the_head_gives_no_span(swing: float) -> None:
    rng = np.random.default_rng(7)
    yaw = swing * np.sin(2 * np.pi * AT / 2.0)
    face = builders.faces(np.full(len(AT), 0.1), yaw_deg=yaw, jitter=0.0002, rng=rng)
    assert spans_of(builders.make_track(AT, face=face)) == []


# --- behind a mask --------------------------------------------------------------------------------


def masked_track(covered: np.ndarray) -> LandmarkTrack:
    """Guessed lips that speak all the time; colours of a mask or of a bare face."""
    rng = np.random.default_rng(8)
    track = builders.make_track(AT, face=builders.faces(builders.syllables(AT, rng)))
    colours = np.where(covered[:, None], [0.6, -0.05], [0.05, 0.2])
    return replace(track, lower_face=colours.astype(np.float32))


def test_lips_behind_a_mask_are_not_assessable_and_never_silent() -> None:
    everywhere = np.ones(len(AT), dtype=bool)
    probability = mouth_evidence(masked_track(everywhere), SETTINGS).probability
    assert np.isnan(probability.column("probability")).all()
    assert not probability.column("assessable").any()
    bare = mouth_evidence(masked_track(~everywhere), SETTINGS).probability
    assert np.isfinite(bare.column("probability")).all()


def test_a_mask_hides_also_the_moments_in_which_it_could_not_be_judged() -> None:
    time = TimeBase(AT, 14.0)
    judged = np.arange(len(AT)) % 10 == 0
    assert behind_mask(MaskEvidence(judged, judged), time).all()
    nothing = np.zeros(len(AT), dtype=bool)
    assert not behind_mask(MaskEvidence(nothing, nothing), time).any()
    # One wrong answer among many right ones hides nothing.
    once = nothing.copy()
    once[100] = True
    assert not behind_mask(MaskEvidence(~nothing, once), time).any()


def test_a_mask_is_the_surer_the_further_its_colours_are_from_the_limits() -> None:
    colours = np.repeat([[0.16, 0.02], [0.2, 0.01], [0.9, -0.3]], 60, axis=0)
    sure = judge_mask(colours, SETTINGS).confidence
    assert sure is not None
    just, more, surely = sure[20], sure[90], sure[160]
    assert 0.5 <= just < more < surely == 1.0
    bare = judge_mask(np.repeat([[0.02, 0.3]], 60, axis=0), SETTINGS)
    assert bare.confidence is not None and bare.confidence[30] > 0.9 and not bare.covered.any()
    unclear = judge_mask(np.repeat([[0.9, 0.3]], 60, axis=0), SETTINGS)
    assert unclear.confidence is not None and np.isnan(unclear.confidence).all()
