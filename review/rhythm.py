"""How fast something goes to and fro, and how steadily: the rhythm of rubbing hands.

A short-time Fourier transform over a couple of strokes; its strongest rate, between those that
hands rub at, is the tempo, and the share of the power about it says how much of a rhythm there is.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_S = 2.5
"""Two strokes of the slowest rub; longer windows would mix two movements."""

SLOWEST_HZ, FASTEST_HZ, STEP_HZ = 0.6, 3.6, 0.1
"""Rates looked at. Hands rub at about 0.8-3 strokes a second (common practice, no source)."""

LOBE_HZ = 0.4
"""Half the main lobe of the window (1 / WINDOW_S): power this near belongs to one rate."""

MIN_SEEN = 0.5
"""Least share of the window that must have been measured."""


def dominant_rate(signals: Array, hop_s: float) -> tuple[Array, Array]:
    """The strongest rate of movement around each sample, over all signals together.

    Args:
        signals: shape (m, c), any one unit; NaN where not measured.
        hop_s: time between samples, seconds.

    Returns:
        Rate in 1/s and strength, shape (m,) each. Strength is the share (0..1) of the power
        between ``SLOWEST_HZ`` and ``FASTEST_HZ`` that lies about that rate: about 0.3 for
        noise, near 1 for a steady rhythm. NaN where less than ``MIN_SEEN`` of the window was
        measured, or nothing moved.
    """
    size = 2 * round(WINDOW_S / hop_s / 2) + 1
    at_s = (np.arange(size) - size // 2) * hop_s
    taper = np.hanning(size + 2)[1:-1]
    rates = np.arange(SLOWEST_HZ, FASTEST_HZ + STEP_HZ / 2, STEP_HZ)
    turns = np.exp(-2j * np.pi * rates[None, :] * at_s[:, None]) * taper[:, None]
    basis = np.concatenate([turns.real, turns.imag], axis=1)
    # A mean and a trend are no rhythm: both are taken out of the basis instead of every window.
    slow = np.stack([np.ones(size), at_s], axis=1)
    basis -= slow @ np.linalg.lstsq(slow, basis, rcond=None)[0]
    power = np.zeros((len(signals), len(rates)))
    seen = np.zeros(len(signals))
    for column in signals.T:
        windows, known = _windows(column, size)
        waves = windows @ basis
        power += waves[:, : len(rates)] ** 2 + waves[:, len(rates) :] ** 2
        seen = np.maximum(seen, known)
    # Steps back and forth along a drift weigh on the slowest rates: movement, not place, counts.
    power *= rates[None, :]
    total = power.sum(axis=1)
    best = power.argmax(axis=1)
    usable = (seen >= MIN_SEEN) & (total > 0)
    near = np.abs(rates[None, :] - rates[best][:, None]) <= LOBE_HZ + 1e-9
    strength = np.divide((power * near).sum(axis=1), total, out=np.zeros_like(total), where=usable)
    rate = rates[best] + STEP_HZ * _vertex(power, best)
    return np.where(usable, rate, np.nan), np.where(usable, strength, np.nan)


def _windows(column: Array, size: int) -> tuple[Array, Array]:
    """Windows (m, size) about every sample with their mean where not measured; shares known."""
    half = size // 2
    padded = np.pad(column, half, constant_values=np.nan)
    windows = sliding_window_view(padded, size)
    known = np.isfinite(windows)
    count = known.sum(axis=1)
    mean = np.divide(
        np.where(known, windows, 0.0).sum(axis=1),
        count,
        out=np.zeros(len(column)),
        where=count > 0,
    )
    return np.where(known, windows - mean[:, None], 0.0), count / size


def _vertex(power: Array, best: NDArray[np.intp]) -> Array:
    """Where between its neighbours the top of each row lies, -0.5..0.5 of a step."""
    rows = np.arange(len(power))
    inner = (best > 0) & (best < power.shape[1] - 1)
    low = power[rows, np.maximum(best - 1, 0)]
    high = power[rows, np.minimum(best + 1, power.shape[1] - 1)]
    bend = low - 2 * power[rows, best] + high
    shift = np.divide(0.5 * (low - high), bend, out=np.zeros(len(power)), where=inner & (bend < 0))
    return np.asarray(np.clip(shift, -0.5, 0.5))
