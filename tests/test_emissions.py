"""The emission network: its arithmetic, its file, and how it is fitted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import builders
import numpy as np
import pytest
from scipy import signal

from review.degrade import degrade_track, hide_hands, mirror_track, still_hands
from review.emissions import (
    PHASES,
    STEPS,
    EmissionModel,
    forward,
    load_model,
    save_model,
    standardised,
)
from review.errors import LabelError, ReviewError
from review.features import compute_features
from review.labels import LabelFile
from review.timeline import Interval, Phase, Surface
from review.training import (
    Example,
    load_examples,
    step_index,
    targets_on_grid,
    train_model,
)
from review.training import main as train_main
from review.trainingfit import GOING_ON_RATE, initial_weights, rhythm_weights

DILATIONS = (1, 2, 4, 8, 16, 32, 64)


def hands_track(duration_s: float = 12.0, hz: float = 2.0):
    at_s = builders.times(duration_s, 15.0)
    left = np.stack([np.full(len(at_s), 0.42), 0.5 + 0.02 * np.sin(2 * np.pi * hz * at_s)], axis=1)
    return builders.make_track(at_s, builders.hands_at(left, left + [0.06, 0.0], len(at_s)))


def test_dilated_convolution_agrees_with_scipy(rng):
    # One input feature, one channel, one block: the response to a pulse is the kernel, spread
    # by the dilation; scipy.signal.convolve is the reference.
    weights = {name: np.zeros_like(value) for name, value in initial_weights(1, rng).items()}
    weights["in_w"][0, 0] = 1.0
    kernel = np.array([0.5, 1.0, 0.25])
    weights["conv0_w"][:, 0, 0] = kernel
    weights["mix0_w"][0, 0] = 1.0
    weights["open_w"][0, 0] = 1.0
    pulse = np.abs(rng.normal(size=40))
    _, _, opened, _ = forward(weights, (3,), pulse[:, None])
    spread = np.zeros(7)
    spread[[0, 3, 6]] = kernel[::-1]  # the network correlates, scipy convolves
    expected = pulse + signal.convolve(pulse, spread, mode="same")
    np.testing.assert_allclose(opened[:, 0], expected, rtol=1e-5)


def test_training_and_inference_run_the_same_network(rng):
    jnp = pytest.importorskip("jax.numpy")
    weights = initial_weights(5, rng)
    inputs = rng.normal(size=(50, 5)).astype(np.float32)
    for ours, theirs in zip(
        forward(weights, DILATIONS, inputs), forward(weights, DILATIONS, inputs, jnp), strict=True
    ):
        np.testing.assert_allclose(ours, np.asarray(theirs), atol=1e-3)


def test_the_shipped_model_gives_probabilities_and_says_how_it_was_made():
    model = load_model()
    assert model.recipe["seed"] is not None and model.recipe["recordings"] >= 20
    assert model.recipe["held_out_frame_accuracy"]["phase"] > 0.9
    scores = model.score(compute_features(hands_track()))
    for array in (scores.phase_prob, scores.step_prob):
        np.testing.assert_allclose(array.sum(axis=1), 1.0, atol=1e-6)
    assert ((scores.open_prob >= 0) & (scores.open_prob <= 1)).all()
    assert (scores.stroke_rate >= 0).all()
    seen = np.ones(len(scores.time), dtype=bool)
    assert scores.phase_log_likelihood(seen).shape == (len(scores.time), len(PHASES))


def test_without_hands_nothing_gains_evidence_but_waiting():
    made = load_model().score(compute_features(hands_track()))
    sure_of_washing = np.full_like(made.phase_prob, 0.01)
    sure_of_washing[:, PHASES.index(Phase.WASH)] = 1 - 0.01 * (len(PHASES) - 1)
    scores = replace(made, phase_prob=sure_of_washing)
    blind = scores.phase_log_likelihood(np.zeros(len(scores.time), dtype=bool))
    other = blind[:, [PHASES.index(Phase.OTHER)]]
    active = [i for i, phase in enumerate(PHASES) if phase not in (Phase.WAITING, Phase.OTHER)]
    assert (blind[:, active] <= other).all()
    seen = scores.phase_log_likelihood(np.ones(len(scores.time), dtype=bool))
    assert (seen[:, PHASES.index(Phase.WASH)] > other[:, 0]).all()
    np.testing.assert_array_equal(
        blind[:, PHASES.index(Phase.WAITING)], seen[:, PHASES.index(Phase.WAITING)]
    )


def test_a_recording_without_hands_is_scored_without_a_warning():
    scores = load_model().score(compute_features(builders.make_track(builders.times(6.0, 15.0))))
    assert np.isfinite(scores.phase_prob).all()


def test_saving_and_loading_keeps_the_model(tmp_path: Path):
    model = load_model()
    save_model(model, tmp_path / "again.npz")
    again = load_model(tmp_path / "again.npz")
    assert again.recipe == model.recipe and again.feature_names == model.feature_names
    for name, value in model.weights.items():
        np.testing.assert_array_equal(again.weights[name], value, err_msg=name)


@pytest.mark.parametrize("content", [b"", b"not a model", b"PK\x03\x04 half a zip"])
def test_a_file_that_is_no_model_is_named(tmp_path: Path, content: bytes):
    path = tmp_path / "broken.npz"
    path.write_bytes(content)
    with pytest.raises(ReviewError, match=r"broken\.npz"):
        load_model(path)


LABEL = LabelFile.model_validate(
    {
        "duration_s": 12.0,
        "labels": [
            {"start_s": 0.0, "end_s": 4.0, "phase": "wash", "step": "thumb_left", "strokes": 8},
            {"start_s": 4.0, "end_s": 8.0, "phase": "connect", "step": "join"},
            {"start_s": 8.0, "end_s": 12.0, "phase": "waiting", "step": "drain"},
        ],
        "open_line": [{"phase": "connect", "start_s": 5.0, "end_s": 6.0}],
    }
)


def test_labels_become_classes_on_the_grid():
    times = np.arange(0, 12, 0.1)
    targets = targets_on_grid(LABEL, times)
    assert PHASES[targets.phase[20]] is Phase.WASH
    assert STEPS[targets.step[20]] == Surface.THUMB_LEFT
    assert STEPS[targets.step[100]] == "waiting"
    assert targets.opened[55] == 1 and targets.opened[65] == 0
    np.testing.assert_allclose(targets.rate[5:35], 2.0)  # 8 strokes in 4 s
    assert np.isnan(targets.rate[60])


def test_stretched_and_mirrored_tracks_keep_their_labels():
    times = np.arange(0, 24, 0.1)
    targets = targets_on_grid(LABEL, times, stretch=2.0, swap_sides=True)
    assert STEPS[targets.step[40]] == Surface.THUMB_RIGHT
    np.testing.assert_allclose(targets.rate[10:70], 1.0)
    assert step_index("thumb_left", swap_sides=True) == step_index("thumb_right")
    assert step_index("palms", swap_sides=True) == step_index("palms")


def test_mirroring_twice_is_nothing():
    track = hands_track()
    twice = mirror_track(mirror_track(track))
    np.testing.assert_allclose(twice.hands, track.hands, atol=1e-6)
    np.testing.assert_allclose(twice.motion, track.motion)


def test_degraded_tracks_only_lose_and_move_hands(rng):
    track = hands_track()
    for _ in range(20):
        worse, stretch, _ = degrade_track(track, rng)
        assert 0.7 < stretch < 1.4
        assert len(worse.time) <= len(track.time)
        assert worse.time.end_s == pytest.approx(track.time.end_s * stretch)
        seen = worse.hand_seen
        assert np.isfinite(worse.hands[seen]).all() and np.isnan(worse.hands[~seen]).all()


def test_hidden_hands_are_gone_from_the_track_and_named_in_the_targets(rng):
    track = hands_track(30.0)
    for _ in range(10):
        covered, spans = hide_hands(track, rng)
        assert spans and all(span.duration_s > 1 for span in spans)
        inside = covered.time.inside_any(spans)
        assert not covered.hand_seen[inside].any()
        assert covered.motion[inside][2:].mean() <= track.motion.mean() + 0.01
    label = LABEL
    times = np.arange(0, 12, 0.1)
    targets = targets_on_grid(label, times, hidden=(Interval(2.0, 10.0),))
    assert STEPS[targets.step[25]] == "hidden" and np.isnan(targets.rate[25])
    assert STEPS[targets.step[60]] == "hidden"
    assert STEPS[targets.step[90]] == "waiting"  # hands at rest are no work that is hidden
    assert PHASES[targets.phase[25]] is Phase.WASH


def test_hands_held_still_keep_their_place_and_lose_their_rhythm(rng):
    track = hands_track(20.0)
    span = Interval(6.0, 12.0)
    rested = still_hands(track, (span,), rng)
    inside = track.time.inside(span)
    np.testing.assert_array_equal(rested.hands[~inside], track.hands[~inside])
    np.testing.assert_array_equal(rested.hand_seen, track.hand_seen)
    before, after = track.hands[inside, 0, 0, 1].std(), rested.hands[inside, 0, 0, 1].std()
    assert after < 0.5 * before
    targets = targets_on_grid(LABEL, np.arange(0, 12, 0.1), still=(Interval(1.0, 3.0),))
    assert STEPS[targets.step[20]] == "pause" and targets.rate[20] == 0
    assert targets.weight[20] > targets.weight[5]


def test_a_higher_temperature_is_less_sure_of_the_same_answer():
    model = load_model()
    track = hands_track(20.0)
    features = compute_features(track)
    assert model.temperature > 0
    doubled = replace(model, temperature=2 * model.temperature)
    sure, unsure = model.score(features).step_prob, doubled.score(features).step_prob
    assert unsure.max(axis=1).mean() < sure.max(axis=1).mean()
    np.testing.assert_array_equal(sure.argmax(axis=1), unsure.argmax(axis=1))


def test_a_small_network_learns_two_movements(tmp_path: Path):
    pytest.importorskip("jax")
    examples = []
    for number in range(4):
        track = hands_track(12.0, hz=1.5 + 0.2 * number)
        hands = track.hands.copy()
        hands[track.time.times_s >= 4.0] = np.nan  # hands down: waiting, in these labels
        label = LabelFile.model_validate(
            {
                "duration_s": 12.0,
                "labels": [
                    {"start_s": 0.0, "end_s": 4.0, "phase": "wash", "step": "palms"},
                    {"start_s": 4.0, "end_s": 12.0, "phase": "waiting", "step": "drain"},
                ],
            }
        )
        examples.append(
            Example(f"made_{number}", builders.make_track(track.time.times_s, hands), label)
        )
    model: EmissionModel = train_model(
        examples[:3], examples[3:], versions=0, steps=60, seed=3, recipe={},
        progress=lambda name, share: None,
    )  # fmt: skip
    assert model.recipe["held_out_frame_accuracy"]["phase"] > 0.85
    further = train_model(
        examples[:3], examples[3:], versions=0, steps=5, seed=4, recipe={},
        progress=lambda name, share: None, start=model,
    )  # fmt: skip
    np.testing.assert_array_equal(further.mean, model.mean)
    moved = max(np.abs(further.weights[n] - model.weights[n]).max() for n in model.weights)
    assert 0 < moved < 5 * GOING_ON_RATE  # five small steps from where it stood
    surfaces = train_model(
        examples[:3], examples[3:], versions=0, steps=5, seed=4, recipe={},
        progress=lambda name, share: None, start=model, only_surfaces=True,
    )  # fmt: skip
    track = compute_features(examples[3].track)
    before, after = model.score(track), surfaces.score(track)
    np.testing.assert_array_equal(after.phase_prob, before.phase_prob)
    np.testing.assert_array_equal(after.open_prob, before.open_prob)
    np.testing.assert_array_equal(surfaces.phase_prior, model.phase_prior)
    assert np.abs(after.step_prob - before.step_prob).max() > 0
    assert np.abs(after.stroke_rate - before.stroke_rate).max() > 0
    begun: list[str] = []
    with pytest.raises(ReviewError, match="--go-on-from"):
        train_model(
            examples[:3], (), versions=0, steps=1, seed=4, recipe={},
            progress=lambda name, share: begun.append(name),
            start=replace(model, feature_names=(*model.feature_names[1:], "of another release")),
        )  # fmt: skip
    assert not begun  # hours of work would have come first


def test_rhythms_are_turned_back_into_strokes_a_second(rng):
    names = ("left_seen", "left_tempo", "motion_tempo")
    mean, scale = np.array([0.5, 1.2, 2.0]), np.array([0.1, 0.3, 0.8])
    values = rng.uniform(0.8, 3.0, (20, 3))
    made = rhythm_weights(names, mean, scale)
    rates = standardised(values, mean, scale) @ made["tempo_w"] + made["tempo_b"]
    # The picture changes with every stroke there and every stroke back.
    np.testing.assert_allclose(rates, values[:, 1:] * [1.0, 0.5], atol=1e-5)


def test_the_strokes_are_those_of_the_rhythm_that_was_picked(rng):
    weights = initial_weights(4, rng, rhythms=2)
    weights["tempo_w"][:2] = np.eye(2)
    weights["pick_w"][:] = 0
    inputs = rng.normal(size=(30, 4)).astype(np.float32)
    own = None
    for picked in range(3):
        weights["pick_b"] = np.where(np.arange(3) == picked, 30, 0).astype(np.float32)
        rate = forward(weights, DILATIONS, inputs)[3][:, 0]
        if picked:
            np.testing.assert_allclose(rate, inputs[:, picked - 1], atol=1e-5)
        else:
            own = rate
    weights["pick_b"] = np.array([0, 0, -30], dtype=np.float32)
    half = forward(weights, DILATIONS, inputs)[3][:, 0]
    np.testing.assert_allclose(half, (own + inputs[:, 0]) / 2, atol=1e-5)


def test_surfaces_alone_are_fitted_on_top_of_a_model_only(tmp_path: Path):
    with pytest.raises(ReviewError, match="--go-on-from"):
        train_main(tmp_path, tmp_path, only_surfaces=True)


def test_an_empty_folder_is_named_with_the_remedy(tmp_path: Path):
    with pytest.raises(LabelError, match=r"make_clips\.py"):
        load_examples(tmp_path)
    (tmp_path / "broken.json").write_text(json.dumps({"labels": []}))
    with pytest.raises(LabelError, match=r"broken\.json"):
        load_examples(tmp_path)
