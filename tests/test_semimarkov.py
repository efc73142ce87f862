"""The duration decoder against brute force and against a reference HMM library."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hmmlearn.hmm import CategoricalHMM
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from review.semimarkov import (
    Model,
    Run,
    RunLengths,
    geometric,
    path_score,
    posterior,
    viterbi_segments,
)


def all_segmentations(n: int, states: int, start: int = 0) -> Iterator[tuple[Run, ...]]:
    """Every way to cut the cells start..n into runs and to give each run a state."""
    if start == n:
        yield ()
        return
    for end in range(start + 1, n + 1):
        for rest in all_segmentations(n, states, end):
            for state in range(states):
                yield (Run(start, end, state), *rest)


def by_brute_force(
    log_lik: NDArray[np.float64], model: Model
) -> tuple[float, NDArray[np.float64], float]:
    """Best score, posterior (n, S) and total log-score, by listing every segmentation."""
    n, states = log_lik.shape
    paths = list(all_segmentations(n, states))
    assert len(paths) == states * (states + 1) ** (n - 1)  # nothing left out
    scores = np.array([path_score(log_lik, model, path) for path in paths])
    total = float(np.logaddexp.reduce(scores))
    inside = np.zeros((n, states))
    if not np.isfinite(total):
        return total, inside, total
    for path, weight in zip(paths, np.exp(scores - total), strict=True):
        for run in path:
            inside[run.start : run.end, run.state] += weight
    return float(scores.max()), inside, total


def random_model(rng: np.random.Generator, states: int, open_ends: bool) -> Model:
    """Random scores, some transitions forbidden, tables with and without a tail."""
    lengths = []
    for _ in range(states):
        table = np.log(rng.dirichlet(np.ones(int(rng.integers(1, 5)))))
        tail = -np.inf if rng.random() < 0.4 else float(np.log(rng.uniform(0.2, 0.9)))
        lengths.append(RunLengths(int(rng.integers(1, 4)), table, tail))
    transition = rng.normal(size=(states, states))
    transition[rng.random((states, states)) < 0.2] = -np.inf
    return Model(
        log_initial=rng.normal(size=states),
        log_transition=transition,
        lengths=tuple(lengths),
        log_final=rng.normal(size=states),
        open_ends=open_ends,
    )


@pytest.mark.parametrize("open_ends", [True, False])
@pytest.mark.parametrize("seed", range(12))
def test_best_path_and_posterior_agree_with_every_segmentation(seed: int, open_ends: bool) -> None:
    rng = np.random.default_rng(seed)
    states, n = int(rng.integers(1, 4)), int(rng.integers(1, 7))
    model = random_model(rng, states, open_ends)
    log_lik = rng.normal(scale=2.0, size=(n, states))
    best, inside, total = by_brute_force(log_lik, model)
    if not np.isfinite(best):
        with pytest.raises(ValueError, match="no segmentation"):
            viterbi_segments(log_lik, model)
        with pytest.raises(ValueError, match="no segmentation"):
            posterior(log_lik, model)
        return
    runs = viterbi_segments(log_lik, model)
    assert path_score(log_lik, model, runs) == pytest.approx(best, abs=1e-9)
    found, found_total = posterior(log_lik, model)
    assert found.shape == inside.shape
    np.testing.assert_allclose(found, inside, atol=1e-9)
    assert found_total == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize("open_ends", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_quick_states_between_slow_ones_agree_with_every_segmentation(
    seed: int, open_ends: bool
) -> None:
    """A pause of one cell between steps of two or three is left within the block it began in."""
    rng = np.random.default_rng(700 + seed)
    model = random_model(rng, 4, open_ends)
    lengths = [
        RunLengths(shortest, item.log_prob, item.tail)
        for item, shortest in zip(model.lengths, (3, 1, 2, 1), strict=True)
    ]
    transition = model.log_transition.copy()
    transition[np.ix_((1, 3), (1, 3))] = -np.inf
    model = replace(model, lengths=tuple(lengths), log_transition=transition)
    log_lik = rng.normal(scale=2.0, size=(6, 4))
    best, inside, total = by_brute_force(log_lik, model)
    runs = viterbi_segments(log_lik, model)
    assert path_score(log_lik, model, runs) == pytest.approx(best, abs=1e-9)
    found, found_total = posterior(log_lik, model)
    np.testing.assert_allclose(found, inside, atol=1e-9)
    assert found_total == pytest.approx(total, abs=1e-9)


def test_seven_cells_and_three_states_agree_with_all_12288_segmentations() -> None:
    rng = np.random.default_rng(81)
    model = random_model(rng, 3, open_ends=True)
    log_lik = rng.normal(size=(7, 3))
    best, inside, _ = by_brute_force(log_lik, model)
    assert path_score(log_lik, model, viterbi_segments(log_lik, model)) == pytest.approx(best)
    np.testing.assert_allclose(posterior(log_lik, model)[0], inside, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_no_random_change_of_the_path_is_better(seed: int) -> None:
    """Long sequences, where listing is impossible: moved boundaries never score higher."""
    rng = np.random.default_rng(seed)
    model = random_model(rng, 3, open_ends=True)
    log_lik = rng.normal(size=(60, 3))
    runs = viterbi_segments(log_lik, model)
    assert runs[0].start == 0 and runs[-1].end == 60
    best = path_score(log_lik, model, runs)
    for place in range(len(runs) - 1):
        for shift in (-2, -1, 1, 2):
            edge = runs[place].end + shift
            if not runs[place].start < edge < runs[place + 1].end:
                continue
            moved = list(runs)
            moved[place] = Run(runs[place].start, edge, runs[place].state)
            moved[place + 1] = Run(edge, runs[place + 1].end, runs[place + 1].state)
            assert path_score(log_lik, model, moved) <= best + 1e-9


@pytest.mark.parametrize("seed", range(6))
def test_geometric_lengths_are_a_hidden_markov_model(seed: int) -> None:
    """Reference: hmmlearn's CategoricalHMM (Viterbi, posterior and log-likelihood).

    With stay probability a, lengths are geometric, a run cut off by the end scores
    a ** (length - 1), and leaving is split as the remaining transitions. An HMM knows how
    it starts, so the first run is complete: its start probability carries that.
    """
    rng = np.random.default_rng(seed)
    states, symbols, n = 4, 6, 200
    stay = rng.uniform(0.6, 0.95, states)
    leave = rng.dirichlet(np.ones(states - 1), states)
    matrix = np.diag(stay)
    for row in range(states):
        matrix[row, np.arange(states) != row] = (1 - stay[row]) * leave[row]
    reference = CategoricalHMM(n_components=states, n_features=symbols, init_params="")
    reference.startprob_ = rng.dirichlet(np.ones(states))
    reference.transmat_ = matrix
    reference.emissionprob_ = rng.dirichlet(np.ones(symbols), states)
    seen = rng.integers(0, symbols, size=(n, 1))

    onward = np.log(matrix / (1 - stay)[:, None])
    np.fill_diagonal(onward, -np.inf)
    lengths = tuple(RunLengths(1, np.log([1 - a]), float(np.log(a))) for a in stay)
    # Complete runs: the last one is completed by leaving, whose score is taken out again.
    model = Model(np.log(reference.startprob_), onward, lengths, -np.log(1 - stay), open_ends=False)
    log_lik = np.log(reference.emissionprob_[:, seen[:, 0]]).T

    reference_score, reference_states = reference.decode(seen, algorithm="viterbi")
    runs = viterbi_segments(log_lik, model)
    decoded = np.concatenate([np.full(run.end - run.start, run.state) for run in runs])
    assert path_score(log_lik, model, runs) == pytest.approx(reference_score)
    np.testing.assert_array_equal(decoded, reference_states)

    total, inside = reference.score_samples(seen)
    found, found_total = posterior(log_lik, model)
    assert found.shape == inside.shape
    np.testing.assert_allclose(found, inside, atol=1e-8)
    assert found_total == pytest.approx(total)


def test_lengths_sum_to_one_and_survival_is_what_is_left() -> None:
    rng = np.random.default_rng(5)
    table = np.log(rng.dirichlet(np.ones(7)) * 0.8)
    stay = 0.5  # last entry scaled so that the tail holds the remaining mass
    table[-1] = np.log(0.2 * (1 - stay) / stay)
    lengths = RunLengths(3, table, np.log(stay))
    mass = np.exp(lengths.exactly(200))
    assert mass[:2].tolist() == [0.0, 0.0]
    np.testing.assert_allclose(
        np.exp(lengths.at_least(150)), mass[::-1].cumsum()[::-1][:150], atol=1e-12
    )
    np.testing.assert_allclose(lengths.exactly(4), lengths.exactly(200)[:4])
    np.testing.assert_allclose(lengths.at_least(4), lengths.at_least(200)[:4])


def test_geometric_has_the_asked_mean_and_minimum() -> None:
    mass = np.exp(geometric(mean=12.0, shortest=5).exactly(2000))
    assert mass.sum() == pytest.approx(1.0)
    assert mass @ np.arange(1, 2001) == pytest.approx(12.0)
    assert not mass[:4].any()


def test_a_run_is_never_shorter_than_its_shortest_length_except_at_the_ends() -> None:
    lengths = (geometric(10.0), RunLengths(5, np.log([0.5]), np.log(0.5)))
    swap = np.array([[-np.inf, 0.0], [0.0, -np.inf]])
    model = Model(np.zeros(2), swap, lengths, np.zeros(2))
    log_lik = np.zeros((20, 2))
    log_lik[:, 1] = -3.0
    log_lik[9:11, 1] = 3.0  # a blip of two cells
    log_lik[18:, 1] = 3.0  # the same, cut off by the end
    runs = viterbi_segments(log_lik, model)
    assert runs == (Run(0, 18, 0), Run(18, 20, 1))


def test_cells_that_say_nothing_follow_the_prior() -> None:
    swap = np.array([[-np.inf, -1.0], [-1.0, -np.inf]])
    model = Model(np.log([0.6, 0.4]), swap, (geometric(50.0), geometric(50.0)), np.zeros(2))
    assert viterbi_segments(np.zeros((1, 2)), model) == (Run(0, 1, 0),)
    inside, _ = posterior(np.zeros((1, 2)), model)
    np.testing.assert_allclose(inside, [[0.6, 0.4]])


@pytest.mark.parametrize(
    "evidence", [np.zeros((0, 2)), np.zeros((4, 3)), np.full((4, 2), np.nan), np.zeros(4)]
)
def test_wrong_evidence_is_refused(evidence: NDArray[np.float64]) -> None:
    model = Model(np.zeros(2), np.zeros((2, 2)), (geometric(3.0), geometric(3.0)), np.zeros(2))
    with pytest.raises(ValueError, match="evidence must"):
        viterbi_segments(evidence, model)


def test_wrong_models_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit 2 states"):
        Model(np.zeros(3), np.zeros((2, 2)), (geometric(3.0),) * 2, np.zeros(2))
    with pytest.raises(ValueError, match="tail below 0"):
        RunLengths(1, np.zeros(1), 0.0)
    with pytest.raises(ValueError, match="non-empty table"):
        RunLengths(0, np.zeros(1))


def test_forty_minutes_decode_to_the_end() -> None:
    """12,000 cells and 15 states, seven of them with 600 explicit lengths."""
    rng = np.random.default_rng(1)
    table = np.full(600, -np.log(600.0))
    lengths = (geometric(50.0, 5),) * 8 + (RunLengths(15, table, -0.01),) * 7
    transition = rng.normal(size=(15, 15)) - 5.0
    np.fill_diagonal(transition, -np.inf)
    model = Model(np.zeros(15), transition, lengths, np.zeros(15))
    log_lik = rng.normal(size=(12_000, 15))
    runs = viterbi_segments(log_lik, model)
    assert runs[-1].end == 12_000
