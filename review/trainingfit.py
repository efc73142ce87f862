"""The fit itself: from features and targets of many recordings to the network's weights.

Needs JAX, which MediaPipe brings; everything else of the package runs without it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.emissions import (
    PHASES,
    STEPS,
    SURFACE_PART,
    EmissionModel,
    forward,
    standardised,
)

WIDTH = 72
DILATIONS = (1, 2, 4, 8, 16, 32, 64)
CROP = 768
BATCH = 12
FIRST_RATE, GOING_ON_RATE = 2e-3, 5e-4
"""Highest step size of Adam for a fit begun anew, and for one that goes on from a model: small
enough that what is not in the new recordings is not unlearnt."""

GOING_ON_SHARE = 0.7
"""How far weights go from those of the model that was gone on from to those fitted.

Between the two lies what serves the old recordings and the new ones best (Wortsman M et al. Robust
fine-tuning of zero-shot models. CVPR 2022, arXiv 2109.01903). Tried on exchanges with the other
hand mesh and on washes kept back: 0.3, 0.5, 0.7, 0.85, 1 and 1.2."""

PICTURE_STROKES = 0.5
"""The picture changes at twice the rate of the strokes, see ``features``."""

RATE_LOSS = 2.0
"""Weight of a stroke rate off by one a second against a step taken for another."""

SURFACE_HEADS = ("step_", "rate_", "pick_", "tempo_")


@dataclass(frozen=True, slots=True)
class Targets:
    """Labels on a feature grid, each shape (m,).

    Attributes:
        phase, step: indices in PHASES and STEPS.
        opened: 1 while the line is open.
        rate: strokes a second, NaN where it is not known.
        weight: of the sample in the loss.
    """

    phase: NDArray[np.int64]
    step: NDArray[np.int64]
    opened: NDArray[np.float32]
    rate: NDArray[np.float32]
    weight: NDArray[np.float32]

    @property
    def arrays(self) -> tuple[NDArray[Any], ...]:
        """All of them, in order."""
        return self.phase, self.step, self.opened, self.rate, self.weight


def initial_weights(
    inputs: int, rng: np.random.Generator, rhythms: int = 6
) -> dict[str, NDArray[np.float32]]:
    """He-initialised weights; the residual mixes start small, the ``rhythms`` at nothing."""

    def normal(*shape: int, fan: int, gain: float = 2.0) -> NDArray[np.float32]:
        return rng.normal(0, np.sqrt(gain / fan), shape).astype(np.float32)

    def zeros(count: int) -> NDArray[np.float32]:
        return np.zeros(count, dtype=np.float32)

    weights = {}
    for part in ("", SURFACE_PART):
        weights[f"{part}in_w"] = normal(inputs, WIDTH, fan=inputs)
        weights[f"{part}in_b"] = zeros(WIDTH)
        for block in range(len(DILATIONS)):
            weights[f"{part}conv{block}_w"] = normal(3, WIDTH, WIDTH, fan=3 * WIDTH)
            weights[f"{part}conv{block}_b"] = zeros(WIDTH)
            weights[f"{part}mix{block}_w"] = normal(WIDTH, WIDTH, fan=WIDTH, gain=0.2)
            weights[f"{part}mix{block}_b"] = zeros(WIDTH)
    heads = {"phase": len(PHASES), "step": len(STEPS), "open": 1, "rate": 1, "pick": 1 + rhythms}
    for head, count in heads.items():
        weights[f"{head}_w"] = normal(WIDTH, count, fan=WIDTH, gain=1.0)
        weights[f"{head}_b"] = zeros(count)
    weights["tempo_w"], weights["tempo_b"] = np.zeros((inputs, rhythms), np.float32), zeros(rhythms)
    return weights


def rhythm_weights(
    names: Sequence[str], mean: NDArray[np.float64], scale: NDArray[np.float64]
) -> dict[str, NDArray[np.float32]]:
    """``tempo_w`` (f, r) and ``tempo_b`` (r,) that turn features back into strokes a second.

    Args:
        names: of the features; the r rhythms among them are those that end in ``_tempo``.
        mean: of the features, shape (f,).
        scale: of the features, shape (f,).
    """
    columns = [number for number, name in enumerate(names) if name.endswith("_tempo")]
    strokes = np.array([PICTURE_STROKES if names[n] == "motion_tempo" else 1.0 for n in columns])
    weights = np.zeros((len(names), len(columns)), np.float32)
    weights[columns, np.arange(len(columns))] = scale[columns] * strokes
    return {"tempo_w": weights, "tempo_b": (mean[columns] * strokes).astype(np.float32)}


def _crop(
    values: NDArray[np.float32], targets: Targets, rng: np.random.Generator
) -> tuple[NDArray[Any], ...]:
    """A random window of CROP steps; a short recording is padded with weight 0."""
    start = int(rng.integers(0, max(1, len(values) - CROP + 1)))
    part = slice(start, start + CROP)
    pad = max(0, CROP - len(values[part]))
    x = np.pad(values[part], ((0, pad), (0, 0)))
    hidden = rng.random(x.shape[1]) < 0.08  # whole features missing now and then
    return (
        np.where(hidden, np.float32(0), x),
        *(np.pad(array[part], (0, pad)) for array in targets.arrays),
    )


def standardisation(
    arrays: Sequence[tuple[NDArray[np.float32], Targets]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and scale of each feature, shape (f,), from values inside its 1st..99th percentile."""
    stacked = np.concatenate([values for values, _ in arrays[:: max(1, len(arrays) // 400)]])
    # A feature that was never measured stays at its mean, 0.
    stacked[:, ~np.isfinite(stacked).any(axis=0)] = 0.0
    low, high = np.nanpercentile(stacked, [1, 99], axis=0)
    clipped = np.clip(stacked, low, high)
    mean = np.nanmean(clipped, axis=0).astype(np.float64)
    return mean, np.maximum(np.nanstd(clipped, axis=0), 1e-3).astype(np.float64)


def _update_rule() -> Callable[..., Any]:
    """One compiled step of Adam on the summed losses of the heads.

    Only weights that have moments are moved; the others stay to the bit.
    """
    import jax
    import jax.numpy as jnp

    def one(weights: Any, x: Any) -> Any:
        return forward(weights, DILATIONS, x, jnp)

    network: Any = jax.vmap(one, in_axes=(None, 0))

    def cross(scores: Any, target: Any, smooth: float = 0.05) -> Any:
        log = jax.nn.log_softmax(scores)
        picked = jnp.take_along_axis(log, target[..., None], axis=-1)[..., 0]
        return -(1 - smooth) * picked - smooth * log.mean(axis=-1)

    def loss(
        moved: Any, fixed: Any, x: Any, phase: Any, step: Any, opened: Any, rate: Any, weight: Any
    ) -> Any:
        weights = {**fixed, **moved}
        phase_score, step_score, open_score, rate_score = network(weights, x)
        line = jnp.logaddexp(0, open_score[..., 0]) - opened * open_score[..., 0]
        known = jnp.isfinite(rate)
        off = jnp.abs(rate_score[..., 0] - jnp.where(known, rate, 0.0)) * known
        total = cross(phase_score, phase) + cross(step_score, step) + 0.5 * line + RATE_LOSS * off
        decay = sum((value**2).sum() for name, value in moved.items() if name.endswith("_w"))
        return (total * weight).sum() / jnp.maximum(weight.sum(), 1) + 1e-5 * decay

    def update(weights: Any, first: Any, second: Any, t: Any, rate: Any, batch: Any) -> Any:
        fixed = {name: value for name, value in weights.items() if name not in first}
        gradient = jax.grad(loss)({name: weights[name] for name in first}, fixed, *batch)
        norm = jnp.sqrt(sum((g**2).sum() for g in gradient.values()))
        limit = jnp.minimum(1.0, 1.0 / (norm + 1e-6))
        new: tuple[dict[str, Any], dict[str, Any], dict[str, Any]] = (fixed, {}, {})
        for name, raw in gradient.items():
            g = raw * limit
            new[1][name] = 0.9 * first[name] + 0.1 * g
            new[2][name] = 0.999 * second[name] + 0.001 * g**2
            step_size = (new[1][name] / (1 - 0.9**t)) / (
                jnp.sqrt(new[2][name] / (1 - 0.999**t)) + 1e-8
            )
            new[0][name] = weights[name] - rate * step_size
        return new

    compiled: Callable[..., Any] = jax.jit(update)
    return compiled


def _first_weights(
    names: Sequence[str],
    mean: NDArray[np.float64],
    scale: NDArray[np.float64],
    rng: np.random.Generator,
) -> dict[str, NDArray[np.float32]]:
    rhythms = rhythm_weights(names, mean, scale)
    return initial_weights(len(names), rng, len(rhythms["tempo_b"])) | rhythms


def fit(
    arrays: Sequence[tuple[NDArray[np.float32], Targets]],
    names: Sequence[str],
    *,
    steps: int,
    seed: int,
    progress: Callable[[float], None],
    start: EmissionModel | None = None,
    only_surfaces: bool = False,
) -> tuple[dict[str, NDArray[np.float32]], NDArray[np.float64], NDArray[np.float64]]:
    """Fit the network by Adam (Kingma and Ba 2015) with a warm-up and a cosine schedule.

    Args:
        arrays: features, shape (m, f), and targets of every recording and version.
        names: of the features.
        steps: of the fit.
        seed: of weights, batches and crops.
        progress: told the share done.
        start: go on from this model, in smaller steps and with its standardisation; the same
            features as those of ``arrays``. None begins anew.
        only_surfaces: fit hand surfaces and strokes; phases and the open line stay as they are.

    Returns:
        The weights, and the mean and scale of the features, shape (f,) each.
    """
    rng = np.random.default_rng(seed)
    mean, scale = (start.mean, start.scale) if start else standardisation(arrays)
    ready = [(standardised(values, mean, scale), targets) for values, targets in arrays]
    update = _update_rule()
    weights: Any = dict(start.weights) if start else _first_weights(names, mean, scale, rng)
    highest = GOING_ON_RATE if start else FIRST_RATE
    surface = (SURFACE_PART, *SURFACE_HEADS)
    moved = [name for name in weights if not only_surfaces or name.startswith(surface)]
    first = {name: np.zeros_like(weights[name]) for name in moved}
    second = {name: np.zeros_like(weights[name]) for name in moved}
    lengths = np.array([len(values) for values, _ in ready], dtype=float)
    chance = np.sqrt(lengths) / np.sqrt(lengths).sum()
    for number in range(1, steps + 1):
        picks = rng.choice(len(ready), BATCH, p=chance)
        crops = [_crop(ready[pick][0], ready[pick][1], rng) for pick in picks]
        batch = tuple(np.stack(column) for column in zip(*crops, strict=True))
        rate = min(1.0, number / 100) * highest * (1 + np.cos(np.pi * number / steps)) / 2
        weights, first, second = update(weights, first, second, number, rate, batch)
        if number % 20 == 0 or number == steps:
            progress(number / steps)
    fitted = {name: np.asarray(value) for name, value in weights.items()}
    if start is not None:
        for name in moved:
            before = start.weights[name]
            fitted[name] = before + np.float32(GOING_ON_SHARE) * (fitted[name] - before)
    return fitted, mean, scale
