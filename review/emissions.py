"""What each moment looks like: phase and action probabilities from features.

A small temporal convolutional network (residual blocks of dilated convolutions) reads
about 25 s around each moment. It was fitted on rendered variations (``review.training``);
here it only runs, in numpy, from a weights file that carries its own recipe. Its output
is evidence for the phase decoder, never the answer: order and durations come from the
unit's protocol.

It has two parts that share nothing but what they read: one for phases and the open line, one for
hand surfaces and strokes. So either can be fitted further without moving the other's answers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from review.errors import ReviewError
from review.timeline import Phase, Surface
from review.tracks import FeatureTrack, TimeBase, freeze

MODEL_SCHEMA = "exchange-review.emissions/2"
SHIPPED_MODEL = "emissions.npz"

SURFACES: tuple[str, ...] = tuple(surface.value for surface in Surface)
STEPS: tuple[str, ...] = (
    *SURFACES,
    "wet",
    "soap",
    "pause",
    "rinse",
    "dry",
    "wipe",
    "expose",
    "join",
    "twist",
    "undo",
    "part",
    "cap",
    "waiting",
    "hidden",
    "none",
)
"""What the hands do at one moment: ``hidden`` while they work where the camera does not see
them, ``none`` for everything the protocol does not name."""

PHASES: tuple[Phase, ...] = tuple(Phase)
SURFACE_PART = "surface_"
"""Before the names of the weights that hand surfaces and strokes have of their own."""

STILL_ODDS = 3.0
"""Log-odds (95 %) against any work of the hands while they are seen to hold still."""

WAITING_ODDS = 1.0
"""Least log-odds (73 %) for waiting against anything else while hands hold still."""

FEATURE_CLIP = 6.0
"""Standardised features are clipped here, so that one wild landmark cannot decide."""


@dataclass(frozen=True, slots=True)
class Emissions:
    """Probabilities on the feature grid.

    Attributes:
        time: m grid times.
        phase_prob: shape (m, 7), rows sum to 1, columns as :data:`PHASES`.
        step_prob: shape (m, 24), rows sum to 1, columns as :data:`STEPS`.
        open_prob: shape (m,), probability that the line is open.
        stroke_rate: shape (m,), strokes to and fro a second; means something only where the
            hands rub.
        phase_prior: shape (7,), how common each phase was in the training data.
    """

    time: TimeBase
    phase_prob: NDArray[np.float64]
    step_prob: NDArray[np.float64]
    open_prob: NDArray[np.float64]
    stroke_rate: NDArray[np.float64]
    phase_prior: NDArray[np.float64]

    def __post_init__(self) -> None:
        count = len(self.time)
        for name, width in (("phase_prob", len(PHASES)), ("step_prob", len(STEPS))):
            if getattr(self, name).shape != (count, width):
                raise ValueError(f"{name} must have shape {(count, width)}")
        for name in ("open_prob", "stroke_rate"):
            if getattr(self, name).shape != (count,):
                raise ValueError(f"{name} must have shape {(count,)}")
        if self.phase_prior.shape != (len(PHASES),):
            raise ValueError(f"phase_prior must have shape {(len(PHASES),)}")
        freeze(self)

    def step(self, *names: str) -> NDArray[np.float64]:
        """Shape (m,): summed probability of the named steps."""
        return np.asarray(self.step_prob[:, [STEPS.index(name) for name in names]].sum(axis=1))

    @property
    def rubbing(self) -> NDArray[np.float64]:
        """Shape (m,): probability that any hand surface is being rubbed."""
        return self.step(*SURFACES)

    def phase_log_likelihood(
        self,
        hands_about: NDArray[np.bool_],
        still: NDArray[np.bool_] | None = None,
        held: NDArray[np.bool_] | None = None,
        still_odds: float = STILL_ODDS,
        waiting_odds: float = WAITING_ODDS,
    ) -> NDArray[np.float64]:
        """Shape (m, 7): log of the phase probability over its prior (a scaled likelihood).

        Args:
            hands_about: shape (m,), whether a hand was seen a moment ago. Elsewhere nothing
                that hands do can gain evidence: at best it is as likely as ``other``.
                Waiting is exempt, because people put their hands down.
            still: shape (m,), whether hands, or the whole picture, are known not to move: then
                nobody works, and who does not work in an exchange waits. None: nowhere known.
            held: shape (m,), whether a picture now and then was enough because nothing moved near
                hands: what moved elsewhere says nothing against waiting. None: nowhere.
            still_odds: see :data:`STILL_ODDS`; a unit's own where it has some.
            waiting_odds: see :data:`WAITING_ODDS`; likewise.
        """
        floor = 1e-4
        scores = np.log(np.maximum(self.phase_prob, floor)) - np.log(self.phase_prior)
        other = scores[:, [PHASES.index(Phase.OTHER)]]
        idle = [PHASES.index(phase) for phase in (Phase.WAITING, Phase.OTHER)]
        bounded = np.minimum(scores, other)
        bounded[:, idle] = scores[:, idle]
        scores = np.where(hands_about[:, None], scores, bounded)
        waiting = PHASES.index(Phase.WAITING)
        if held is not None:
            scores[held, waiting] = np.maximum(scores[held, waiting], other[held, 0])
        if still is None or not still.any():
            return scores
        at_rest = np.minimum(scores, other - still_odds)
        at_rest[:, idle] = scores[:, idle]
        at_rest[:, waiting] = np.maximum(scores[:, waiting], other[:, 0] + waiting_odds)
        return np.where(still[:, None], at_rest, scores)


@dataclass(frozen=True, slots=True)
class EmissionModel:
    """Weights of the network and how they came about.

    Attributes:
        feature_names: the columns it reads, in order.
        mean, scale: shape (f,), standardisation of the features.
        weights: of each part ``in_w`` (f, c), ``in_b`` (c,) and per block k ``conv{k}_w``
            (3, c, c), ``conv{k}_b`` (c,), ``mix{k}_w`` (c, c), ``mix{k}_b`` (c,), those of the
            part for hand surfaces with :data:`SURFACE_PART` before their names; heads
            ``phase_*`` and ``open_*`` on the first, ``step_*``, ``rate_*`` and ``pick_*`` on the
            second; ``tempo_w`` (f, r) and ``tempo_b`` (r,): r rhythms in strokes a second.
        dilations: one per block, in grid steps.
        phase_prior: shape (7,).
        temperature: what step scores are divided by, so that probabilities mean what they say
            (temperature scaling, Guo et al. 2017), fitted on recordings kept out of the fit.
        step_shift: shape (24,), added to the log of step probabilities: how much rarer a step
            is in recordings than it was made in training (Saerens et al. 2002).
        recipe: how it was trained: data, seed, steps, and its own evaluation.
    """

    feature_names: tuple[str, ...]
    mean: NDArray[np.float64]
    scale: NDArray[np.float64]
    weights: Mapping[str, NDArray[np.float32]]
    dilations: tuple[int, ...]
    phase_prior: NDArray[np.float64]
    recipe: Mapping[str, Any]
    temperature: float = 1.0
    step_shift: NDArray[np.float64] = field(default_factory=lambda: np.zeros(len(STEPS)))

    def inputs(self, features: FeatureTrack) -> NDArray[np.float32]:
        """Shape (m, f): standardised features, 0 (the mean) where not measured."""
        values = np.stack([features.column(name) for name in self.feature_names], axis=1)
        return standardised(values, self.mean, self.scale)

    def score(self, features: FeatureTrack) -> Emissions:
        """Run the network over a recording's features."""
        phase, step, opened, rate = forward(self.weights, self.dilations, self.inputs(features))
        return Emissions(
            time=features.time,
            phase_prob=_softmax(phase),
            step_prob=_softmax(step / self.temperature + self.step_shift),
            open_prob=1.0 / (1.0 + np.exp(-np.clip(opened[:, 0], -30, 30))),
            stroke_rate=np.maximum(rate[:, 0].astype(np.float64), 0.0),
            phase_prior=np.array(self.phase_prior),
        )


def standardised(
    values: NDArray[np.floating[Any]], mean: NDArray[np.float64], scale: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Shape (m, f): features (m, f) as the network reads them, 0 (the mean) where not measured."""
    standard = np.clip((values - mean) / scale, -FEATURE_CLIP, FEATURE_CLIP)
    return np.nan_to_num(standard).astype(np.float32)


def forward(
    weights: Mapping[str, Any], dilations: tuple[int, ...], inputs: Any, xp: Any = np
) -> tuple[Any, Any, Any, Any]:
    """The network itself, for numpy or any array module with numpy's names.

    Args:
        weights: see :class:`EmissionModel`.
        dilations: one per block.
        inputs: shape (m, f).
        xp: the array module (training passes its own).

    Returns:
        Scores before softmax / sigmoid: phases (m, 7), steps (m, 24), open line (m, 1); and
        the stroke rate (m, 1) in strokes a second.
    """
    work = _part(weights, "", dilations, inputs, xp)
    rubbing = _part(weights, SURFACE_PART, dilations, inputs, xp)
    return (
        work @ weights["phase_w"] + weights["phase_b"],
        rubbing @ weights["step_w"] + weights["step_b"],
        work @ weights["open_w"] + weights["open_b"],
        _stroke_rate(weights, inputs, rubbing, xp),
    )


def _part(
    weights: Mapping[str, Any], name: str, dilations: tuple[int, ...], inputs: Any, xp: Any
) -> Any:
    """Shape (m, c): what one part of the network makes of the inputs (m, f)."""
    count = inputs.shape[0]
    x = xp.maximum(inputs @ weights[f"{name}in_w"] + weights[f"{name}in_b"], 0)
    for block, dilation in enumerate(dilations):
        padded = xp.pad(x, ((dilation, dilation), (0, 0)))
        w = weights[f"{name}conv{block}_w"]
        y = padded[:count] @ w[0] + x @ w[1] + padded[2 * dilation :] @ w[2]
        y = xp.maximum(y + weights[f"{name}conv{block}_b"], 0)
        x = x + y @ weights[f"{name}mix{block}_w"] + weights[f"{name}mix{block}_b"]
    return x


def _stroke_rate(weights: Mapping[str, Any], inputs: Any, rubbing: Any, xp: Any) -> Any:
    """Shape (m, 1): strokes a second.

    A mean of the rhythms that the features hold (of each hand, its fingers, ...) and of a rate of
    the network's own, weighted by what suits the grip: in palms on palms the hands beat, in
    fingertips on a palm the fingers do.
    """
    own = rubbing @ weights["rate_w"] + weights["rate_b"]
    rhythms = inputs @ weights["tempo_w"] + weights["tempo_b"]
    pick = rubbing @ weights["pick_w"] + weights["pick_b"]
    shares = xp.exp(pick - pick.max(axis=1, keepdims=True))
    shares = shares / shares.sum(axis=1, keepdims=True)
    return (shares * xp.concatenate([own, rhythms], axis=1)).sum(axis=1, keepdims=True)


def _softmax(scores: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    shifted = np.exp(scores.astype(np.float64) - scores.max(axis=1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=1, keepdims=True))


def save_model(model: EmissionModel, path: Path) -> None:
    """Write a model as one npz file (half-precision weights, recipe as JSON)."""
    header = {
        "schema": MODEL_SCHEMA,
        "feature_names": model.feature_names,
        "dilations": model.dilations,
        "phases": PHASES,
        "steps": STEPS,
        "temperature": model.temperature,
        "recipe": model.recipe,
    }
    np.savez_compressed(
        path,
        header=np.array(json.dumps(header)),
        mean=model.mean,
        scale=model.scale,
        phase_prior=model.phase_prior,
        step_shift=model.step_shift,
        **{f"w_{name}": value.astype(np.float16) for name, value in model.weights.items()},
    )


def load_model(path: Path | None = None) -> EmissionModel:
    """Read a model file, or the shipped one.

    Raises:
        ReviewError: if the file is missing or not one of ours.
    """
    if path is None:
        return _shipped_model()
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as stored:
            header = json.loads(str(stored["header"]))
            arrays = {name: stored[name] for name in stored.files if name != "header"}
    except (OSError, ValueError, KeyError, EOFError, BadZipFile) as error:
        raise ReviewError(
            f"{path}: this is not a model file ({error}); train one with "
            "'exchange-review train' or leave the option out to use the shipped one."
        ) from error
    if header["schema"] != MODEL_SCHEMA or tuple(header["steps"]) != STEPS:
        raise ReviewError(
            f"{path}: the model was made by another version ({header['schema']}); train it "
            "again with 'exchange-review train'."
        )
    return EmissionModel(
        feature_names=tuple(header["feature_names"]),
        mean=arrays["mean"],
        scale=arrays["scale"],
        weights={
            name.removeprefix("w_"): value.astype(np.float32)
            for name, value in arrays.items()
            if name.startswith("w_")
        },
        dilations=tuple(header["dilations"]),
        phase_prior=arrays["phase_prior"],
        recipe=header["recipe"],
        temperature=float(header.get("temperature", 1.0)),
        step_shift=arrays.get("step_shift", np.zeros(len(STEPS))),
    )


@lru_cache(maxsize=1)
def _shipped_model() -> EmissionModel:
    with resources.as_file(resources.files("review") / "models" / SHIPPED_MODEL) as path:
        return load_model(path)
