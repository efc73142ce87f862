"""Features against movements whose numbers are known by construction."""

from __future__ import annotations

import builders
import numpy as np
import pytest

from review.degrade import mirror_track
from review.features import compute_features, rub_energy
from review.handgrid import HOP_S, hand_breadth, hold, moving_mean, resample


def moving_hands(at_s: np.ndarray, left: np.ndarray | None, right: np.ndarray | None):
    return builders.make_track(at_s, builders.hands_at(left, right, len(at_s)))


def path(at_s: np.ndarray, x: float, y: float = 0.4, speed: float = 0.0) -> np.ndarray:
    return np.stack([x + speed * at_s, np.full(len(at_s), y)], axis=1)


def test_speed_of_a_hand_moving_evenly_is_its_speed_in_hand_widths():
    at_s = builders.times(6.0, 30.0)
    speed = 0.05  # picture widths a second
    features = compute_features(moving_hands(at_s, path(at_s, 0.3), path(at_s, 0.4, speed=speed)))
    breadth = float(hand_breadth(builders.hands_at(path(at_s, 0.3), None, len(at_s))[0, 0]))
    found = features.column("right_speed_x")
    np.testing.assert_allclose(found[2:-2], speed / breadth, rtol=1e-3)
    np.testing.assert_allclose(features.column("left_speed_x")[2:-2], 0.0, atol=1e-4)


def test_distance_between_hands_is_counted_in_hand_widths_whatever_the_zoom():
    at_s = builders.times(3.0, 15.0)
    distances = []
    for zoom in (0.5, 1.0, 2.0):
        hands = builders.hands_at(path(at_s, 0.3), path(at_s, 0.5), len(at_s)) * zoom
        distances.append(
            np.median(compute_features(builders.make_track(at_s, hands)).column("apart"))
        )
    np.testing.assert_allclose(distances, distances[1], rtol=1e-5)


def test_mirrored_recording_gives_the_same_numbers_for_the_other_hand():
    at_s = builders.times(4.0, 15.0)
    wave = path(at_s, 0.3)
    wave[:, 1] += 0.02 * np.sin(2 * np.pi * 2 * at_s)
    track = moving_hands(at_s, wave, path(at_s, 0.55, y=0.5))
    features, mirrored = compute_features(track), compute_features(mirror_track(track))
    for name, sign in (("x", -1), ("y", 1), ("rub", 1), ("palm_z", 1), ("straight_index", 1)):
        np.testing.assert_allclose(
            features.column(f"left_{name}"),
            sign * mirrored.column(f"right_{name}"),
            atol=1e-4,
            err_msg=name,
        )
    np.testing.assert_allclose(features.column("apart_x"), mirrored.column("apart_x"), atol=1e-4)
    np.testing.assert_allclose(features.column("apart_y"), -mirrored.column("apart_y"), atol=1e-4)


def test_rub_energy_of_a_sine_is_its_root_mean_square_and_slow_drift_gives_none():
    at_s = np.arange(0, 20, HOP_S)
    amplitude = 0.7
    fast = amplitude * np.sin(2 * np.pi * 2.0 * at_s)[:, None]
    middle = rub_energy(fast, HOP_S)[40:-40]
    # A 1.1 s moving mean leaves sinc(2.2) of a 2 Hz sine, about 0.08 of it.
    np.testing.assert_allclose(middle, amplitude / np.sqrt(2), rtol=0.15)
    drift = 0.1 * at_s[:, None]
    assert rub_energy(drift, HOP_S)[40:-40].max() < 0.01


def test_no_hands_gives_nan_everywhere_and_no_made_up_place():
    at_s = builders.times(5.0, 15.0)
    features = compute_features(builders.make_track(at_s))
    assert features.column("left_seen").sum() == 0
    for name in ("left_x", "right_speed_y", "apart", "held_apart", "motion_near_hands"):
        assert np.isnan(features.column(name)).all(), name


def test_a_hand_lost_in_contact_keeps_its_last_place_for_a_while_only():
    at_s = builders.times(12.0, 10.0)
    left, right = path(at_s, 0.40), path(at_s, 0.44)
    hands = builders.hands_at(left, right, len(at_s))
    hands[20:, 1] = np.nan
    features = compute_features(builders.make_track(at_s, hands))
    assert np.isnan(features.column("apart")[25:]).all()
    assert np.isfinite(features.column("held_apart")[25:55]).all()
    assert np.isnan(features.column("held_apart")[70:]).all()
    assert features.column("right_age")[-1] == pytest.approx(4.0)


def test_resample_bridges_short_gaps_by_a_line_and_long_ones_not_at_all():
    times = np.array([0.0, 0.2, 0.4, 2.0])
    values = np.array([[0.0], [2.0], [4.0], [20.0]])
    found = resample(values, times, np.array([0.1, 0.3, 1.2, 2.0]), max_gap_s=0.25)
    assert found.shape == (4, 1)
    np.testing.assert_allclose(found[[0, 1, 3], 0], [1.0, 3.0, 20.0])
    assert np.isnan(found[2, 0])


def test_hold_and_moving_mean_on_small_examples():
    values = np.array([[np.nan], [1.0], [np.nan], [np.nan], [np.nan]])
    held, age = hold(values, limit=2)
    np.testing.assert_array_equal(held[:, 0], [np.nan, 1.0, 1.0, 1.0, np.nan])
    np.testing.assert_array_equal(age, [np.inf, 0, 1, 2, 3])
    np.testing.assert_allclose(moving_mean(np.array([1.0, np.nan, 5.0]), 3), [1.0, 3.0, 5.0])


def test_shifting_the_clock_shifts_nothing_but_the_clock():
    at_s = builders.times(4.0, 15.0)
    hands = builders.hands_at(path(at_s, 0.3), path(at_s, 0.5, speed=0.01), len(at_s))
    first = compute_features(builders.make_track(at_s, hands))
    second = compute_features(builders.make_track(at_s + 3.0, hands))
    np.testing.assert_allclose(first.values, second.values, atol=1e-6)
    np.testing.assert_allclose(second.time.times_s - first.time.times_s, 3.0)
