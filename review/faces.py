"""Whose face is the one at the line.

Others may come into the picture, and the tracker now and then sees a face in cloth. The whole
recording is looked at. Pure functions over arrays; coordinates are picture widths (x right,
y down), times are seconds, NaN = no detection.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from review.identity import palm_centres, palm_widths
from review.tracks import Floats

FACE_UNSTEADY = 0.06
"""A track whose shape changes by more than this (median, rms of points over rms radius) from
picture to picture is no face: real ones, talking too, were seen at 0.01-0.03, meshes that
latch on to cloth or arms at 0.08 and more."""

FACE_STEP = 1.0
"""A face further than this many face widths from its last place is another face."""

FAR_FROM_HANDS = 4.0
"""A face that is usually this many face widths beside the hands, or more, has other hands: people
work in front of themselves, within some 0.35 m (two and a half face widths) to either side; the
rest allows for a camera that looks from the side (common practice, no source)."""

FACE_PER_HAND = 2.0
"""A face speaks for its hands by its size up to this many breadths of the palms seen: grown
people's are some 1.7 wide (common practice, no source). The face of somebody nearer to the camera
looks larger, and is not the person's any more for that."""

FACE_LOST_S = 2.0
"""A face lost for longer than this starts a new track."""


def choose_face(
    times_s: Floats, faces: NDArray[np.float32], hands: NDArray[np.float32]
) -> NDArray[np.float32]:
    """The face of the person at the line, for each picture.

    Faces are followed through time; the one that is largest (up to a size that goes with the
    hands) and nearest (sideways) to the hands, summed over the recording, is the person. A face
    seen beside that one is someone else for as long as it is followed; one that never shows beside
    it is taken for the same person found again, unless it is far beside the hands: then it is
    somebody else, alone in view.

    Args:
        times_s: shape (n,), seconds.
        faces: shape (n, 2, k, 3), picture widths, NaN = none, in no particular order.
        hands: shape (n, 2, 21, 3), picture widths, NaN = not seen.

    Returns:
        shape (n, k, 3), NaN where the person's face was not seen.
    """
    chosen = np.full((len(times_s), *faces.shape[2:]), np.nan, dtype=np.float32)
    here = np.isfinite(faces).all(axis=(2, 3))
    if not here.any():
        return chosen
    centre = faces[..., :2].mean(axis=2)
    width = faces[..., 0].max(axis=2) - faces[..., 0].min(axis=2)
    owner = _follow_faces(times_s, here, centre, width)
    place = _hand_places(hands)
    beside = np.abs(centre[..., 0] - place[:, None])
    size = np.fmin(np.fmax(width, 1e-6), _most_size(hands))
    merit = np.where(here, size / (1.0 + np.nan_to_num(beside / size, nan=1.0)), 0.0)
    unsteady = _unsteadiness(faces, owner)
    far = _far_from_hands(beside / np.fmax(width, 1e-6), owner)
    totals = np.bincount(owner[here], weights=merit[here], minlength=unsteady.size)
    taken = np.zeros(len(times_s), dtype=bool)
    for track in np.argsort(-totals, kind="stable"):
        if unsteady[track] > FACE_UNSTEADY or far[track]:
            continue
        rows, slots = np.nonzero(owner == track)
        extent = slice(rows.min(), rows.max() + 1)
        if taken[extent].any():
            continue
        taken[extent] = True
        chosen[rows] = faces[rows, slots]
    return chosen


def _most_size(hands: NDArray[np.float32]) -> float:
    """Width up to which a face's size counts; NaN where no hand was seen."""
    palms = palm_widths(hands)
    seen = palms[np.isfinite(palms)]
    return FACE_PER_HAND * float(np.median(seen)) if seen.size else math.nan


def _far_from_hands(away: Floats, owner: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Shape (tracks,): whether a face's hands are elsewhere; not where no hands were seen.

    ``away`` (n, 2): sideways distance of each face from the hands in face widths, NaN unknown.
    """
    far = np.zeros(int(owner.max()) + 1, dtype=bool)
    for track in range(far.size):
        known = away[(owner == track) & np.isfinite(away)]
        far[track] = known.size > 0 and np.median(known) >= FAR_FROM_HANDS
    return far


def _unsteadiness(faces: NDArray[np.float32], owner: NDArray[np.intp]) -> Floats:
    """Shape (tracks,): median change of shape from one sighting to the next.

    Place and size taken out; 0 for a track of a single sighting.
    """
    changes = np.zeros(int(owner.max()) + 1)
    for track in range(changes.size):
        rows, slots = np.nonzero(owner == track)
        shape = faces[rows, slots, :, :2] - faces[rows, slots, :, :2].mean(axis=1, keepdims=True)
        shape = shape / np.sqrt((shape**2).sum(axis=2).mean(axis=1))[:, None, None]
        if len(rows) > 1:
            changes[track] = np.median(np.sqrt((np.diff(shape, axis=0) ** 2).sum(2).mean(1)))
    return changes


def _hand_places(hands: NDArray[np.float32]) -> Floats:
    """Shape (n,): mean x of the palms seen, NaN where none is."""
    x = palm_centres(hands)[..., 0]
    seen = np.isfinite(x)
    count = seen.sum(axis=1)
    total = np.where(seen, x, 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _follow_faces(
    times_s: Floats, here: NDArray[np.bool_], centre: Floats, width: Floats
) -> NDArray[np.intp]:
    """Shape (n, 2): number of the track each detection belongs to, -1 where there is none."""
    owner = np.full(here.shape, -1, dtype=np.intp)
    last: dict[int, tuple[float, float, float]] = {}
    count = 0
    for i, now in enumerate(times_s):
        slots = np.flatnonzero(here[i]).tolist()
        fresh = [t for t, seen in last.items() if now - seen[0] <= FACE_LOST_S]
        pairs = sorted(
            (math.hypot(centre[i, s, 0] - last[t][1], centre[i, s, 1] - last[t][2]), s, t)
            for s in slots
            for t in fresh
        )
        used: set[int] = set()
        for apart, slot, track in pairs:
            if owner[i, slot] < 0 and track not in used and apart <= FACE_STEP * width[i, slot]:
                owner[i, slot] = track
                used.add(track)
        for slot in slots:
            if owner[i, slot] < 0:
                owner[i, slot], count = count, count + 1
            last[int(owner[i, slot])] = (
                float(now),
                float(centre[i, slot, 0]),
                float(centre[i, slot, 1]),
            )
    return owner
