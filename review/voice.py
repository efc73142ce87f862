"""Whether a voice may be heard, from the sound alone: energy of speech and its rhythm.

Speech puts most of its energy into the telephone band and lets it rise and fall with the
syllables, two to eight times a second; water, fans and hums do not. This is evidence beside the
moving mouth and never more: whose voice it is cannot be heard, and a radio speaks, too. All numpy;
the sound is read by :mod:`review.sound`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.tracks import FeatureTrack, TimeBase

Array = NDArray[np.float64]

RATE_HZ = 8000
"""Sound is looked at at this rate: twice the upper edge of the band and a little."""

BAND_HZ = (300.0, 3400.0)
"""The telephone band (ITU-T G.711 / G.712; from memory), in which speech is understood."""

FRAME_S, HOP_S = 0.02, 0.01
"""Length of a frame, over which a voice hardly changes, and the step from one to the next."""

SYLLABLES_HZ = (2.0, 8.0)
"""Rise and fall of speech; its modulation spectrum peaks near 4 Hz (Houtgast and Steeneken 1985;
from memory)."""

WINDOW_S = 1.0
"""Over which the rise and fall is looked at: two cycles of the slowest."""

FLOOR_WINDOW_S = 10.0
FLOOR_SHARE = 0.1
"""The ground noise is what this share of the frames of some seconds around lies below."""

FULL_MODULATION, NO_MODULATION = 0.35, 0.12
"""Root mean square of the band of syllables over the mean level: speech has some 0.4 to 0.9,
steady noise of this frame length 0.05 (the spread of its own energy)."""

LOUD_DB, FAINT_DB = 10.0, 4.0
"""Level over the ground noise from which a sound counts in full, and up to which not at all."""

SILENT_LEVEL = 1e-4
"""Sound that never gets louder than this (full scale is 1) was switched off, and says nothing."""

OUT_HZ = 10.0


def frame_levels(samples: NDArray[np.floating[Any]], rate_hz: int = RATE_HZ) -> Array:
    """Root mean square of the 300-3400 Hz part of each frame, shape (m,), a frame every 10 ms.

    Args:
        samples: shape (n,), one channel.
        rate_hz: samples a second.
    """
    size, hop = round(FRAME_S * rate_hz), round(HOP_S * rate_hz)
    if len(samples) < size:
        return np.empty(0)
    frames = np.lib.stride_tricks.sliding_window_view(np.asarray(samples, dtype=float), size)[::hop]
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    power = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    band = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    # One-sided: each of these lines stands for two of the whole spectrum (Parseval).
    mean_square = 2.0 * power[:, band].sum(axis=1) / (size * (window @ window))
    return np.asarray(np.sqrt(mean_square))


def levels_of(blocks: Iterable[NDArray[np.floating[Any]]], rate_hz: int = RATE_HZ) -> Array:
    """:func:`frame_levels` of sound that comes in blocks, kept in memory one at a time."""
    size, hop = round(FRAME_S * rate_hz), round(HOP_S * rate_hz)
    found, left = [], np.empty(0)
    for block in blocks:
        left = np.concatenate([left, np.asarray(block, dtype=float)])
        count = max(0, (len(left) - size) // hop + 1)
        if count:
            found.append(frame_levels(left[: (count - 1) * hop + size], rate_hz))
            left = left[count * hop :]
    return np.concatenate(found) if found else np.empty(0)


def voice_track(levels: Array, end_s: float) -> FeatureTrack | None:
    """How much the sound is like a voice, ten times a second; None where there is no sound.

    Args:
        levels: from :func:`frame_levels`, beginning with the recording.
        end_s: end of the recording.

    Returns:
        Column ``voice``, 0 (none heard) to 1 (like speech in level and rhythm).
    """
    window = round(WINDOW_S / HOP_S)
    if len(levels) < window or levels.max() < SILENT_LEVEL:
        return None
    step = round(1.0 / (OUT_HZ * HOP_S))
    centres = np.arange(0, len(levels), step)
    padded = np.pad(levels, window // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, window)[centres]
    mean = windows.mean(axis=1)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)
    spectrum = np.abs(np.fft.rfft((windows - mean[:, None]) * hann, axis=1)) ** 2
    frequency = np.fft.rfftfreq(window, HOP_S)
    band = (frequency >= SYLLABLES_HZ[0]) & (frequency <= SYLLABLES_HZ[1])
    swing = np.sqrt(2.0 * spectrum[:, band].sum(axis=1) / (window * (hann @ hann)))
    depth = np.divide(swing, mean, out=np.zeros_like(mean), where=mean > 1e-9)
    floor = _floor(levels, centres)
    over_db = 20.0 * np.log10(np.maximum(mean, 1e-9) / np.maximum(floor, 1e-9))
    rhythm = np.clip((depth - NO_MODULATION) / (FULL_MODULATION - NO_MODULATION), 0.0, 1.0)
    loud = np.clip((over_db - FAINT_DB) / (LOUD_DB - FAINT_DB), 0.0, 1.0)
    times = centres * HOP_S
    inside = times < end_s
    if not inside.any():
        return None
    return FeatureTrack(
        TimeBase(times[inside], max(end_s, float(times[inside][-1]) + 1e-3)),
        ("voice",),
        ("1",),
        (rhythm * loud)[inside][:, None],
    )


def _floor(levels: Array, centres: NDArray[np.intp]) -> Array:
    """Level of the ground noise about each centre."""
    half = round(FLOOR_WINDOW_S / HOP_S / 2)
    step = max(1, half // 5)
    places = np.arange(0, len(levels) + step, step)
    found = [
        np.quantile(levels[max(0, p - half) : p + half + 1], FLOOR_SHARE)
        for p in np.minimum(places, len(levels) - 1)
    ]
    return np.asarray(np.interp(centres, places, found))
