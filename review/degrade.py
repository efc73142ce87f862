"""Harder versions of a landmark track, for training: what other cameras and people would give.

Real hands are harder than drawn ones: on contact the tracker loses one for long stretches,
mixes them up and jitters. Times, framing, tempo and frame rate differ. Everything here is
random but seeded, and none of it runs when a recording is analysed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from review.features import hand_breadth
from review.tracks import LandmarkTrack, TimeBase


def mirror_track(track: LandmarkTrack) -> LandmarkTrack:
    """The same recording seen in a mirror: x flipped, left and right exchanged."""
    hands = track.hands[:, ::-1].copy()
    hands[..., 0] = 1.0 - hands[..., 0]
    world = track.hands_world[:, ::-1].copy()
    world[..., 0] *= -1
    face = track.face.copy()
    face[..., 0] = 1.0 - face[..., 0]
    return replace(
        track,
        hands=hands,
        hands_world=world,
        hand_score=track.hand_score[:, ::-1].copy(),
        face=face,
        motion=track.motion[:, :, ::-1].copy(),
    )


def _random_spans(
    rng: np.random.Generator, count: int, rate: float, low: float, high: float, fps: float
) -> NDArray[np.bool_]:
    """Shape (count,): union of random spans, ``rate`` a minute, ``low``..``high`` s long."""
    mask = np.zeros(count, dtype=bool)
    for _ in range(rng.poisson(rate * count / fps / 60)):
        start = rng.integers(0, count)
        mask[start : start + max(1, int(rng.uniform(low, high) * fps))] = True
    return mask


def degrade_track(
    track: LandmarkTrack, rng: np.random.Generator
) -> tuple[LandmarkTrack, float, bool]:
    """A harder version of a track, as other cameras, people and trackers would give it.

    Returns:
        The track, the factor its times were stretched by, and whether it was mirrored.
    """
    mirrored = bool(rng.random() < 0.5)
    if mirrored:
        track = mirror_track(track)
    if rng.random() < 0.35:  # fewer frames a second
        keep = max(1, round(1 / rng.uniform(0.4, 0.9)))
        index = np.arange(0, len(track.time), keep)
        if rng.random() < 0.5:
            index = np.flatnonzero(rng.random(len(track.time)) < rng.uniform(0.5, 0.9))
        if len(index) > 2:
            track = _take(track, index)
    stretch = float(rng.uniform(0.75, 1.33))
    times = track.time.times_s * stretch
    hands, world = track.hands.copy(), track.hands_world.copy()
    score = track.hand_score.copy()
    count, fps = len(times), len(times) / max(1e-6, track.time.end_s * stretch)

    width = hand_breadth(hands)
    typical = np.nanmedian(width) if np.isfinite(width).any() else 0.1
    palms = hands[:, :, (0, 5, 9, 13, 17), :2].mean(axis=2)
    apart = np.linalg.norm(palms[:, 0] - palms[:, 1], axis=1) / typical
    contact = np.nan_to_num(apart, nan=0.0) < rng.uniform(1.0, 1.8)
    lose = rng.random()
    if lose < 0.75:
        # Real footage: the second hand is gone in nearly every frame of a contact.
        rate = rng.choice([4.0, 12.0, 60.0])
        for side in rng.permutation(2)[: 1 if rng.random() < 0.7 else 2]:
            gone = contact & _random_spans(rng, count, rate, 0.3, 6.0, fps)
            hands[gone, side], world[gone, side], score[gone, side] = np.nan, np.nan, 0
    for side in range(2):
        gone = _random_spans(rng, count, rng.choice([0.0, 3.0, 12.0]), 0.1, 1.0, fps)
        hands[gone, side], world[gone, side], score[gone, side] = np.nan, np.nan, 0
    if rng.random() < 0.4:
        swap = contact & _random_spans(rng, count, 6.0, 0.2, 2.0, fps)
        hands[swap] = hands[swap][:, ::-1]
        world[swap] = world[swap][:, ::-1]
    angle = rng.normal(0, np.radians(8))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    hands[..., :2] = (hands[..., :2] - 0.5) @ turn.T + 0.5
    hands[..., 0] = 0.5 + (hands[..., 0] - 0.5) * rng.uniform(0.85, 1.15)  # oblique camera
    world[..., :2] = world[..., :2] @ turn.T
    tilt = rng.normal(0, np.radians(10))
    lean = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    world[..., 1:] = world[..., 1:] @ lean.T
    jitter = typical * rng.choice([0.01, 0.03, 0.06])
    hands = hands + rng.normal(0, jitter, hands.shape)
    hands = hands + rng.normal(0, 1.5 * jitter, (count, 2, 1, 3))
    world = world + rng.normal(0, 0.004 * rng.random(), world.shape)
    motion = track.motion * float(np.exp(rng.normal(0, 0.6)))
    motion = motion + rng.exponential(0.004 * rng.random(), motion.shape)
    return (
        replace(
            track,
            time=TimeBase(times, track.time.end_s * stretch),
            hands=hands.astype(np.float32),
            hands_world=world.astype(np.float32),
            hand_score=score,
            motion=motion.astype(np.float32),
        ),
        stretch,
        mirrored,
    )


def _take(track: LandmarkTrack, index: NDArray[np.intp]) -> LandmarkTrack:
    """Keep some samples; skipped picture change is gathered into the next kept one."""
    per_frame = {
        name: getattr(track, name)[index]
        for name in (
            "hands",
            "hands_world",
            "hand_score",
            "face",
            "face_score",
            "luma",
            "motion",
            "lower_face",
        )
    }
    return replace(track, time=TimeBase(track.time.times_s[index], track.time.end_s), **per_frame)
