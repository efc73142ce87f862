"""Fit the emission network on labelled recordings (``exchange-review train``).

Training needs JAX, which MediaPipe already brings; running the result needs numpy only.
Every recording is used as tracked and in several degraded versions (``review.degrade``).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.degrade import degrade_track, hide_hands, still_hands
from review.emissions import (
    PHASES,
    STEPS,
    SURFACES,
    EmissionModel,
    forward,
    load_model,
    save_model,
    standardised,
)
from review.errors import LabelError, ReviewError
from review.features import compute_features
from review.labels import LabelFile, read_labels
from review.timeline import Interval, Phase
from review.tracks import LandmarkTrack
from review.trainingfit import DILATIONS, Targets, fit

WAITS = ("drain", "flush", "fill")
STILL_SHARE = 0.4
"""Share of the degraded versions in which some rubs stop for a moment."""

PAUSE_WEIGHT = 2.0
"""Pauses are short and few, and a wash's rubbing time hangs on them."""

HIDDEN_SHARE = 0.25
"""Share of the degraded versions in which something hides the hands for a while."""

EDGE_S = 0.2
"""Samples this close to a label's edge are left out of the loss: the edge itself is soft."""


@dataclass(frozen=True, slots=True)
class Example:
    """One labelled recording: its landmarks and its labels."""

    name: str
    track: LandmarkTrack
    label: LabelFile


def step_index(step: str, swap_sides: bool = False) -> int:
    """Index in STEPS of a label's step; ``swap_sides`` exchanges left and right."""
    if step in WAITS:
        return STEPS.index("waiting")
    if swap_sides and step.endswith(("_left", "_right")):
        base, _, side = step.rpartition("_")
        step = f"{base}_{'right' if side == 'left' else 'left'}"
    return STEPS.index(step) if step in STEPS else STEPS.index("none")


def targets_on_grid(
    label: LabelFile,
    times_s: NDArray[np.float64],
    *,
    stretch: float = 1.0,
    swap_sides: bool = False,
    hidden: Iterable[Interval] = (),
    still: Iterable[Interval] = (),
) -> Targets:
    """Turn labels into one class a grid step.

    Args:
        label: the labels (times in seconds of the unstretched recording).
        times_s: shape (m,), grid times.
        stretch: the track's times were multiplied by this.
        swap_sides: the track was mirrored.
        hidden: spans, in stretched time, in which the hands were hidden afterwards.
        still: the same for hands held still in the middle of a rub.
    """
    times = times_s / stretch
    phase = np.full(len(times), PHASES.index(Phase.OTHER))
    step = np.full(len(times), STEPS.index("none"))
    weight = np.ones(len(times), dtype=np.float32)
    rate = np.full(len(times), np.nan, dtype=np.float32)
    unseen = np.zeros(len(times), dtype=bool)
    for piece in label.labels:
        inside = (times >= piece.start_s) & (times < piece.end_s)
        if piece.strokes is not None:
            rate[inside] = piece.strokes / (piece.interval.duration_s * stretch)
        phase[inside] = PHASES.index(piece.phase)
        step[inside] = step_index(piece.step, swap_sides)
        unseen |= inside & piece.hidden
    for span in still:
        step[(times_s >= span.start_s) & (times_s < span.end_s)] = STEPS.index("pause")
    paused = step == STEPS.index("pause")
    rate[paused], weight[paused] = 0.0, PAUSE_WEIGHT
    for span in hidden:
        unseen |= (times_s >= span.start_s) & (times_s < span.end_s)
    # Hands at rest or away are 'waiting' or 'none' whether or not something hides them.
    unseen &= ~np.isin(step, [STEPS.index("waiting"), STEPS.index("none")])
    step[unseen], rate[unseen] = STEPS.index("hidden"), np.nan
    changes = np.flatnonzero((np.diff(step) != 0) | (np.diff(phase) != 0))
    for change in changes:
        weight[np.abs(times - times[change]) <= EDGE_S] *= 0.3
    opened = np.zeros(len(times), dtype=np.float32)
    for window in label.open_line or ():
        opened[(times >= window.start_s) & (times < window.end_s)] = 1.0
    return Targets(phase, step, opened, rate, weight)


def build_arrays(
    examples: Sequence[Example],
    versions: int,
    seed: int,
    progress: Callable[[float], None],
    names: tuple[str, ...] = (),
) -> tuple[tuple[str, ...], list[tuple[NDArray[np.float32], Targets]]]:
    """Features and targets of every example: as tracked, plus ``versions`` degraded ones.

    Returns:
        The features' names (``names``, or all where none are given), and for every version the
        features in that order, shape (m, f), with their targets.
    """
    arrays = []
    for number, example in enumerate(examples):
        rng = np.random.default_rng((seed, number))
        for version in range(versions + 1):
            track, stretch, swapped = example.track, 1.0, False
            hidden: tuple[Interval, ...] = ()
            still: tuple[Interval, ...] = ()
            if version:
                track, stretch, swapped = degrade_track(example.track, rng)
                if rng.random() < STILL_SHARE:
                    still = _rests(example.label, stretch, rng)
                    track = still_hands(track, still, rng)
                if rng.random() < HIDDEN_SHARE:
                    track, hidden = hide_hands(track, rng)
            features = compute_features(track)
            names = names or features.names
            values = np.stack([features.column(name) for name in names], axis=1)
            targets = targets_on_grid(
                example.label,
                features.time.times_s,
                stretch=stretch,
                swap_sides=swapped,
                hidden=hidden,
                still=still,
            )
            arrays.append((values.astype(np.float32), targets))
        progress((number + 1) / len(examples))
    return names, arrays


def _rests(label: LabelFile, stretch: float, rng: np.random.Generator) -> tuple[Interval, ...]:
    """Where one to four rubs stop for 0.9-2.5 s, in stretched time."""
    rubs = [
        piece.interval
        for piece in label.labels
        if piece.step in SURFACES and piece.interval.duration_s > 1.4
    ]
    spans = []
    for index in rng.permutation(len(rubs))[: int(rng.integers(1, 5))]:
        rub = rubs[index]
        length = min(float(rng.uniform(0.9, 2.5)), rub.duration_s)
        start = float(rng.uniform(rub.start_s, rub.end_s - length))
        spans.append(Interval(start * stretch, (start + length) * stretch))
    return tuple(sorted(spans))


def frame_accuracy(model: EmissionModel, examples: Iterable[Example]) -> dict[str, float]:
    """Share of grid steps whose most probable phase, and step, is the labelled one."""
    hits = {"phase": 0.0, "step": 0.0}
    total = 0
    for example in examples:
        features = compute_features(example.track)
        scores = model.score(features)
        targets = targets_on_grid(example.label, features.time.times_s)
        hits["phase"] += float((scores.phase_prob.argmax(axis=1) == targets.phase).sum())
        hits["step"] += float((scores.step_prob.argmax(axis=1) == targets.step).sum())
        total += len(targets.phase)
    return {name: hit / max(1, total) for name, hit in hits.items()}


def phase_prior(arrays: Sequence[tuple[NDArray[np.float32], Targets]]) -> NDArray[np.float64]:
    """Shape (7,): how common each phase is, none of them quite absent."""
    phases = np.concatenate([targets.phase for _, targets in arrays])
    counts = np.bincount(phases, minlength=len(PHASES)) + 1.0
    return np.asarray(counts / counts.sum())


def pause_shift(
    arrays: Sequence[tuple[NDArray[np.float32], Targets]], versions: int
) -> NDArray[np.float64]:
    """Shape (24,): the log ratio of pauses to rubbing as recorded and as trained on.

    Training makes pauses more common (``STILL_SHARE``) and heavier (``PAUSE_WEIGHT``) so that
    they are learned at all; probabilities are then put right by the ratio of the priors
    (Saerens M, Latinne P, Decaestecker C. Adjusting the outputs of a classifier to new a priori
    probabilities. Neural Computation 2002;14:21-41).

    Args:
        arrays: as of :func:`build_arrays`, each recording as tracked before its versions.
        versions: degraded versions of each recording.
    """
    pause, rubs = STEPS.index("pause"), [STEPS.index(name) for name in SURFACES]

    def odds(targets: Iterable[Targets], weighted: bool) -> float:
        paused = rubbed = 1e-9
        for target in targets:
            weight = target.weight if weighted else np.ones(len(target.weight))
            paused += float(weight[target.step == pause].sum())
            rubbed += float(weight[np.isin(target.step, rubs)].sum())
        return paused / rubbed

    recorded = odds((targets for _, targets in arrays[:: versions + 1]), weighted=False)
    trained = odds((targets for _, targets in arrays), weighted=True)
    shift = np.zeros(len(STEPS))
    if recorded > 1e-6:
        shift[pause] = float(np.log(recorded / trained))
    return shift


def fitted_temperature(model: EmissionModel, examples: Iterable[Example]) -> float:
    """The temperature that makes step probabilities most likely on recordings kept back.

    Temperature scaling: Guo C, Pleiss G, Sun Y, Weinberger KQ. On calibration of modern neural
    networks. ICML 2017. Degraded versions are used as well, as harder recordings will come.
    """
    _, arrays = build_arrays(list(examples), 3, 977, lambda share: None, model.feature_names)
    scores, truth, weights = [], [], []
    for values, targets in arrays:
        inputs = standardised(values, model.mean, model.scale)
        scores.append(forward(model.weights, model.dilations, inputs)[1].astype(np.float64))
        truth.append(targets.step)
        weights.append(targets.weight)
    logits, steps = np.concatenate(scores), np.concatenate(truth)
    weight = np.concatenate(weights)

    def loss(temperature: float) -> float:
        scaled = logits / temperature
        top = scaled.max(axis=1)
        log_sum = top + np.log(np.exp(scaled - top[:, None]).sum(axis=1))
        picked = scaled[np.arange(len(steps)), steps]
        return float(((log_sum - picked) * weight).sum())

    grid = np.exp(np.linspace(np.log(0.4), np.log(4.0), 93))
    return float(min(grid, key=loss))


def train_model(
    examples: Sequence[Example],
    held_out: Sequence[Example],
    *,
    versions: int,
    steps: int,
    seed: int,
    recipe: dict[str, Any],
    progress: Callable[[str, float], None],
    start: EmissionModel | None = None,
    only_surfaces: bool = False,
) -> EmissionModel:
    """Fit a model and write its recipe and held-out accuracy into it.

    Args:
        examples: what to fit on.
        held_out: what to measure it on; its probabilities are calibrated on these.
        versions: degraded versions of each example.
        steps: of the fit.
        seed: of the fit and of the degradations.
        recipe: what to write into the model about its data.
        progress: told what is being done and the share done.
        start: the model to go on from; None begins anew.
        only_surfaces: fit hand surfaces and strokes only; what ``start`` makes of phases and of
            the open line stays as it is.

    Raises:
        ReviewError: if ``start`` was made for other features; said before any work is done.
    """
    known = start.feature_names if start is not None else ()
    if not set(known) <= set(compute_features(examples[0].track).names):
        raise ReviewError(
            "The model to go on from needs features that this release does not compute. "
            "Begin anew: leave --go-on-from out."
        )
    names, arrays = build_arrays(
        examples, versions, seed, lambda share: progress("features", share), known
    )
    weights, mean, scale = fit(
        arrays,
        names,
        steps=steps,
        seed=seed,
        progress=lambda share: progress("fit", share),
        start=start,
        only_surfaces=only_surfaces,
    )
    model = EmissionModel(
        feature_names=names,
        mean=mean,
        scale=scale,
        weights=weights,
        dilations=DILATIONS,
        phase_prior=start.phase_prior if start and only_surfaces else phase_prior(arrays),
        recipe=recipe,
    )
    model = replace(model, step_shift=pause_shift(arrays, versions))
    if held_out:
        model = replace(model, temperature=fitted_temperature(model, held_out))
    return replace(
        model,
        recipe={
            **recipe,
            "recordings": len(examples),
            "degraded_versions": versions,
            "steps": steps,
            "seed": seed,
            "held_out_recordings": len(held_out),
            "held_out_frame_accuracy": frame_accuracy(model, held_out),
        },
    )


TRACKED_SUFFIX = ".landmarks.npz"
"""A packed track beside its label document: a recording drawn and tracked in one go."""

HELD_OUT_EVERY = 10
"""Every so-manieth recording is kept back to measure the fit; it is never fitted on."""


def load_examples(folder: Path, cache_dir: Path | None = None) -> list[Example]:
    """Every labelled recording of a folder, sorted by name.

    A label document ``NAME.json`` needs ``NAME.landmarks.npz`` (see
    ``sample_clips/make_clips.py --landmarks``) or ``NAME.mp4`` beside it.

    Raises:
        LabelError: if the folder holds none.
    """
    from review.cache import load_or_track, unpack_track
    from review.landmarks import Sampling

    examples = []
    for path in sorted(folder.glob("*.json")):
        label = read_labels(path)
        tracked, video = path.with_suffix(TRACKED_SUFFIX), path.with_suffix(".mp4")
        if tracked.is_file():
            with np.load(tracked, allow_pickle=False) as stored:
                track = unpack_track({name: stored[name] for name in stored.files})
        elif video.is_file():
            sampling = Sampling(mirrored=label.clip.mirrored)
            track, _, _ = load_or_track(video, sampling, cache_dir)
        else:
            continue
        examples.append(Example(path.stem, track, label))
    if not examples:
        raise LabelError(
            f"{folder}: there is no labelled recording here; make some with "
            "sample_clips/make_clips.py --variations N --landmarks --out FOLDER."
        )
    return examples


def main(
    folder: Path,
    out: Path,
    *,
    versions: int = 10,
    steps: int = 2400,
    seed: int = 1,
    start: Path | None = None,
    only_surfaces: bool = False,
) -> Path:
    """Train on every recording of ``folder`` and write the model into ``out``.

    Args:
        folder: labelled recordings, see :func:`load_examples`.
        out: where the model goes.
        versions: degraded versions of each recording.
        steps: of the fit.
        seed: of the fit.
        start: a model to go on from; its recipe is kept in the new one's.
        only_surfaces: see :func:`train_model`.

    Raises:
        ReviewError: if only the surfaces are to be fitted and there is no model to go on from.
    """
    from rich.progress import Progress

    if only_surfaces and start is None:
        raise ReviewError(
            "Fitting hand surfaces alone leaves the rest as it is in another model: name it with "
            "--go-on-from."
        )
    examples = load_examples(folder)
    held_out = examples[HELD_OUT_EVERY - 1 :: HELD_OUT_EVERY]
    kept_back = {example.name for example in held_out}
    fitted = [example for example in examples if example.name not in kept_back]
    seeds = sorted({example.name.rpartition("_")[0] for example in examples})
    recipe: dict[str, Any] = {"data": f"{len(examples)} rendered recordings: {', '.join(seeds)}"}
    going_on = None if start is None else load_model(start)
    if going_on is not None:
        recipe["went_on_from"] = dict(going_on.recipe)
        recipe["fitted"] = "hand surfaces and strokes" if only_surfaces else "everything"
    with Progress() as bar:
        tasks = {name: bar.add_task(name, total=1.0) for name in ("features", "fit")}
        model = train_model(
            fitted,
            held_out,
            versions=versions,
            steps=steps,
            seed=seed,
            recipe=recipe,
            progress=lambda name, share: bar.update(tasks[name], completed=share),
            start=going_on,
            only_surfaces=only_surfaces,
        )
    out.mkdir(parents=True, exist_ok=True)
    path = out / "emissions.npz"
    save_model(model, path)
    print(json.dumps(model.recipe, indent=1))
    return path
