"""How an opening changes over time: to and fro, its energy in the band of speech, chewing.

Moving windows over a regular grid. Pure functions over arrays of one number a time; NaN where
nothing was seen, and near gaps wherever a window would reach into one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAX_STEP_S = 0.13
"""Samples further apart than this (slower than about 8 a second) cannot show talking."""

BAND_HZ = (2.0, 8.0)
"""Band of the energy feature, cut at half the sampling rate."""

ENERGY_WINDOW_S = 1.0

CHEWING_WINDOW_S = 4.0
CHEWING_HZ = (0.8, 1.8)
"""Chewing is a regular movement of 1-1.5 Hz (common practice, no source)."""


def to_grid(values: Array, times: Array, hz: float) -> tuple[Array, Array]:
    """Samples smoothed by a triangle of half width 1/hz and put on a grid of ``hz``.

    Returns:
        Grid times (m,) and values (m,); NaN where the neighbours lie further apart than
        ``MAX_STEP_S``.
    """
    known = np.isfinite(values)
    times, values = times[known], values[known]
    grid = np.arange(int(np.floor((times[-1] - times[0]) * hz + 1e-9)) + 1) / hz + times[0]
    weight, total = np.ones_like(values), values.copy()
    for step in range(1, 1 + int(np.ceil(1.0 / hz / max(np.median(np.diff(times)), 1e-3)))):
        near = np.clip(1.0 - (times[step:] - times[:-step]) * hz, 0.0, None)
        total[step:] += near * values[:-step]
        total[:-step] += near * values[step:]
        weight[step:] += near
        weight[:-step] += near
    out = np.interp(grid, times, total / weight)
    after = np.clip(np.searchsorted(times, grid), 1, len(times) - 1)
    out[times[after] - times[after - 1] > MAX_STEP_S] = np.nan
    return grid, out


def windowed(values: Array, half_width: int) -> Array:
    """Triangle-weighted mean over ``2 * half_width + 1`` finite neighbours, (m,) -> (m,)."""
    kernel = 1.0 - np.abs(np.arange(-half_width, half_width + 1)) / (half_width + 1.0)
    known = np.isfinite(values)
    total = np.convolve(np.where(known, values, 0.0), kernel, mode="full")
    weight = np.convolve(known.astype(float), kernel, mode="full")
    keep = slice(half_width, half_width + len(values))
    total, weight = total[keep], weight[keep]
    return np.divide(total, weight, out=np.full_like(total, np.nan), where=weight > 1e-9)


def _spectra(values: Array, hz: float, window_s: float) -> tuple[Array, Array]:
    """Power spectra of Hann-weighted, linearly detrended windows around each grid time.

    Args:
        values: shape (m,). A window touching a NaN gives NaN.
        hz: grid rate.
        window_s: length of a window.

    Returns:
        Frequencies (f,) in Hz and one-sided power density (m, f), scaled so that the sum
        over frequencies times their spacing is the mean square of the window's signal.
    """
    size = max(4, round(window_s * hz))
    before = size // 2
    padded = np.concatenate([np.full(before, np.nan), values, np.full(size - before - 1, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)
    slope = np.arange(size) - (size - 1) / 2
    mean = windows.mean(axis=1, keepdims=True)
    tilt = (windows @ slope / (slope @ slope))[:, None]
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    spectrum = np.fft.rfft((windows - mean - tilt * slope) * hann, axis=1)
    power = np.abs(spectrum) ** 2 / (hz * (hann @ hann))
    power[:, 1 : (size + 1) // 2] *= 2.0
    return np.fft.rfftfreq(size, 1.0 / hz), power


def band_energy(values: Array, hz: float) -> Array:
    """Mean square of the 2-8 Hz part in the 1 s around each grid time, (m,) -> (m,).

    The band ends at half of ``hz`` where that is lower. A window that reaches over a gap or
    over either end is NaN.
    """
    frequencies, power = _spectra(values, hz, ENERGY_WINDOW_S)
    band = (frequencies >= BAND_HZ[0]) & (frequencies <= BAND_HZ[1])
    return np.asarray(power[:, band].sum(axis=1) * (frequencies[1] - frequencies[0]))


def chewing_share(values: Array, hz: float) -> Array:
    """Share (0..1) of the movement above 0.5 Hz that sits in one narrow 0.8-1.8 Hz peak.

    Over the 4 s around each grid time, (m,) -> (m,); NaN near gaps and ends. The peak and
    its two neighbours (a Hann window's main lobe) count; even, slow chewing gives nearly 1.
    """
    frequencies, power = _spectra(values, hz, CHEWING_WINDOW_S)
    moving = frequencies >= 0.5
    slow = np.flatnonzero((frequencies >= CHEWING_HZ[0]) & (frequencies <= CHEWING_HZ[1]))
    if slow.size == 0:
        return np.full(len(values), np.nan)
    lobes = np.stack([power[:, i - 1 : i + 2].sum(axis=1) for i in slow], axis=1).max(axis=1)
    total = power[:, moving].sum(axis=1)
    share = np.divide(lobes, total, out=np.zeros_like(total), where=total > 1e-9)
    share[~np.isfinite(total)] = np.nan
    return np.asarray(np.clip(share, 0.0, 1.0))


def nearest_known(values: Array, reach: int) -> Array:
    """NaN replaced by the nearest finite value up to ``reach`` samples away, (m,) -> (m,)."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size == 0:
        return values
    index = np.arange(len(values))
    after = known[np.clip(np.searchsorted(known, index), 0, known.size - 1)]
    before = known[np.clip(np.searchsorted(known, index, side="right") - 1, 0, known.size - 1)]
    nearest = np.where(np.abs(after - index) < np.abs(index - before), after, before)
    return np.where(np.abs(nearest - index) <= reach, values[nearest], np.nan)


def turning_points(values: Array, size: Array) -> NDArray[np.bool_]:
    """Shape (m,): where the opening turns after moving more than ``size`` and before it again.

    ``size`` has shape (m,): what counts as a movement at each time.

    A zigzag filter: small wobbles within a movement do not count. A gap starts afresh.
    """
    turns = np.zeros(len(values), dtype=bool)
    direction, extreme, at = 0, np.nan, -1
    for i, (value, least) in enumerate(zip(values.tolist(), size.tolist(), strict=True)):
        if value != value or extreme != extreme:  # NaN on either side: start afresh
            direction, extreme, at = 0, value, i
        elif direction == 0:
            if abs(value - extreme) > least:
                direction, extreme, at = (1 if value > extreme else -1), value, i
        elif (value - extreme) * direction >= 0:
            extreme, at = value, i
        elif (extreme - value) * direction > least:
            turns[at] = True
            direction, extreme, at = -direction, value, i
    return turns
