"""Tempo from movement: tones of known rate, noise, gaps; scipy's periodogram as reference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import periodogram

from review.rhythm import FASTEST_HZ, SLOWEST_HZ, WINDOW_S, dominant_rate

HOP_S = 0.1
TIMES = np.arange(0, 30, HOP_S)
INNER = slice(15, -15)


@pytest.mark.parametrize("hz", [0.8, 1.0, 1.37, 1.9, 2.5, 3.0, 3.4])
def test_a_tone_has_its_own_rate_and_nearly_all_the_power(hz):
    rate, strength = dominant_rate(np.sin(2 * np.pi * hz * TIMES)[:, None], HOP_S)
    np.testing.assert_allclose(rate[INNER], hz, atol=0.07)
    assert (strength[INNER] > 0.8).all()


def test_a_drift_and_an_offset_change_nothing(rng):
    tone = np.sin(2 * np.pi * 1.6 * TIMES)[:, None]
    plain, _ = dominant_rate(tone, HOP_S)
    moved, _ = dominant_rate(tone + 3.0 + 0.2 * TIMES[:, None], HOP_S)
    np.testing.assert_allclose(moved[INNER], plain[INNER], atol=0.03)


def test_noise_has_no_rhythm(rng):
    _, noise = dominant_rate(rng.normal(size=(300, 4)), HOP_S)
    _, tone = dominant_rate(
        np.sin(2 * np.pi * 2 * TIMES)[:, None] + rng.normal(0, 0.3, (300, 1)), HOP_S
    )
    assert np.median(noise) < 0.5 < np.median(tone)


def test_the_strongest_rate_is_that_of_scipy_on_one_window(rng):
    size = 2 * round(WINDOW_S / HOP_S / 2) + 1
    for _ in range(20):
        hz = rng.uniform(0.9, 3.3)
        signal = np.sin(2 * np.pi * hz * np.arange(size) * HOP_S + rng.uniform(0, 6))
        signal += rng.normal(0, 0.15, size)
        frequencies, power = periodogram(
            signal, 1 / HOP_S, window="hann", nfft=4096, detrend="linear"
        )
        looked_at = (frequencies >= SLOWEST_HZ) & (frequencies <= FASTEST_HZ)
        expected = frequencies[looked_at][(power * frequencies)[looked_at].argmax()]
        rate, _ = dominant_rate(signal[:, None], HOP_S)
        assert rate[size // 2] == pytest.approx(expected, abs=0.08)


def test_what_was_not_measured_is_not_told_and_short_gaps_do_no_harm():
    tone = np.sin(2 * np.pi * 2.0 * TIMES)
    holes = tone.copy()
    holes[::7] = np.nan
    rate, _ = dominant_rate(holes[:, None], HOP_S)
    np.testing.assert_allclose(rate[INNER], 2.0, atol=0.1)
    gone = tone.copy()
    gone[100:200] = np.nan
    rate, strength = dominant_rate(gone[:, None], HOP_S)
    assert np.isnan(rate[120:180]).all() and np.isnan(strength[120:180]).all()
    still = dominant_rate(np.zeros((50, 2)), HOP_S)
    assert np.isnan(still[0]).all()


def test_signals_are_weighed_together():
    quiet = 0.1 * np.sin(2 * np.pi * 1.0 * TIMES)
    loud = np.sin(2 * np.pi * 2.4 * TIMES)
    rate, _ = dominant_rate(np.stack([quiet, loud], axis=1), HOP_S)
    np.testing.assert_allclose(rate[INNER], 2.4, atol=0.06)
