"""Harder versions of a landmark track, for training: what other cameras and people would give.

Real hands are harder than drawn ones: on contact the tracker loses one for long stretches,
mixes them up and jitters. Times, framing, tempo and frame rate differ. Everything here is
random but seeded, and none of it runs when a recording is analysed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.handgrid import FINGERS, hand_breadth
from review.timeline import Interval, merge_intervals
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


def hide_hands(
    track: LandmarkTrack, rng: np.random.Generator, reach: float = 2.5
) -> tuple[LandmarkTrack, tuple[Interval, ...]]:
    """The same recording with something in front of the hands for one to three spans.

    Both hands are gone then, and the picture rests within ``reach`` hand widths of where they
    were; the coming and going of what hides them moves it for one sample.

    Returns:
        The track, and the hidden spans in its own time.
    """
    times = track.time.times_s
    hands, world = track.hands.copy(), track.hands_world.copy()
    score, motion = track.hand_score.copy(), track.motion.copy()
    width = hand_breadth(hands)
    if not np.isfinite(width).any():
        return track, ()
    near = reach * float(np.nanmedian(width))
    rows, cols = motion.shape[1:]
    aspect = track.frame_size_px[1] / track.frame_size_px[0]
    x = (np.arange(cols) + 0.5) / cols
    y = (np.arange(rows) + 0.5) / rows * aspect
    palms = hands[:, :, (0, 5, 9, 13, 17), :2].mean(axis=2).reshape(len(times), 4)
    spans = []
    for _ in range(int(rng.integers(1, 4))):
        start = float(rng.uniform(0.0, max(track.time.end_s - 3.0, 0.1)))
        span = Interval(start, min(start + float(rng.uniform(3.0, 12.0)), track.time.end_s))
        inside = np.flatnonzero(track.time.inside(span))
        about = palms[np.abs(times - start) < 3.0].reshape(-1, 2)
        about = about[np.isfinite(about[:, 0])]
        if inside.size < 3 or not len(about):
            continue
        centre = np.median(about, axis=0)
        covered = np.hypot(x[None, :] - centre[0], y[:, None] - centre[1]) < near
        hands[inside], world[inside], score[inside] = np.nan, np.nan, 0
        still = motion[inside]
        still[:, covered] = rng.exponential(0.002, (len(inside), int(covered.sum())))
        still[0, covered] += 0.3 * rng.random()
        motion[inside] = still
        spans.append(Interval(float(times[inside[0]]), float(times[inside[-1]])))
    hidden = replace(track, hands=hands, hands_world=world, hand_score=score, motion=motion)
    return hidden, merge_intervals(spans)


def still_hands(
    track: LandmarkTrack, spans: Iterable[Interval], rng: np.random.Generator
) -> LandmarkTrack:
    """The same recording with the hands held still, as they lie, during ``spans``.

    A pause in the middle of a rub: the grip stays, the rhythm is gone. Each hand keeps its mean
    place but for a slow drift and the tracker's jitter, and is seen as often as before.
    """
    hands, world = track.hands.copy(), track.hands_world.copy()
    motion = track.motion.copy()
    breadth = hand_breadth(track.hands)
    if not np.isfinite(breadth).any():
        return track
    width = float(np.nanmedian(breadth))
    for span in spans:
        inside = np.flatnonzero(track.time.inside(span))
        if inside.size < 3:
            continue
        for array, jitter in ((hands, 0.015 * width), (world, 0.0008)):
            for side in range(2):
                part = array[inside, side]
                seen = np.isfinite(part[:, 0, 0])
                if not seen.any():
                    continue
                drift = np.cumsum(rng.normal(0, 0.3 * jitter, (len(inside), 1, 3)), axis=0)
                held = part[seen].mean(axis=0) + drift + rng.normal(0, jitter, part.shape)
                part[seen] = held[seen]
                array[inside, side] = part
        quiet = np.quantile(motion[inside], 0.2, axis=0)
        motion[inside] = np.minimum(motion[inside], 1.3 * quiet + 0.002)
    return replace(track, hands=hands, hands_world=world, motion=motion)


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
    hands, world = _other_fingers(rng, hands, world)
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


def _other_fingers(
    rng: np.random.Generator, hands: NDArray[np.floating[Any]], world: NDArray[np.floating[Any]]
) -> tuple[NDArray[np.floating[Any]], NDArray[np.floating[Any]]]:
    """Both hands with fingers of other lengths, as other people's are (up to about 15 %)."""
    hands, world = hands.copy(), world.copy()
    for root, *rest in FINGERS:
        factor = float(np.clip(rng.normal(1.0, 0.06), 0.85, 1.15))
        for points in (hands, world):
            base = points[:, :, [root]]
            points[:, :, rest] = base + factor * (points[:, :, rest] - base)
    return hands, world


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
            "held",
        )
    }
    return replace(track, time=TimeBase(track.time.times_s[index], track.time.end_s), **per_frame)
