"""Scores of hand-surface recognition against labels. Pure functions.

Conventions
-----------
* Samples are taken every ``washsteps.STEP_S`` in true washes and hand rubs.
  The classes are the nine surfaces and 'none'; a found answer may also be 'cannot tell'.
* Time in which the hands are labelled as hidden is left out of everything but abstention: there
  'cannot tell' is the right answer. Elsewhere 'cannot tell' is a miss, never a false alarm.
* A score with nothing to rest on is None, never 0. Counts add up before a ratio is taken.
* Times are seconds, spans half-open; 'true' comes before 'found'.

References
----------
* Guo C, Pleiss G, Sun Y, Weinberger KQ. On calibration of modern neural networks. ICML 2017
  (arXiv 1706.04599): reliability curve and expected calibration error.
* Efron B. Bootstrap methods: another look at the jackknife. Ann Statist 1979;7:1-26; here
  whole recordings are drawn, because samples of one recording are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from review.emissions import SURFACES
from review.labels import LabelFile
from review.metrics import Counts
from review.rubbing import SurfaceCourse
from review.timeline import Surface
from review.tracks import freeze
from review.washsteps import NONE, UNTOLD, found_at, hygiene_runs, middles, true_steps

EDGE_S = 0.3
"""Samples no further than this from a true change are those 'at edges'."""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WashSamples:
    """Truth and answer at n moments of true washes and hand rubs.

    Attributes:
        true: shape (n,), 0..8 a surface, ``NONE``.
        found: shape (n,), 0..8 a surface, ``NONE`` or ``UNTOLD``.
        hidden: shape (n,), whether the hands are labelled as hidden.
        at_edge: shape (n,), whether a true change is at most :data:`EDGE_S` away.
        top: shape (n,), the most probable of the nine surfaces and ``NONE``.
        confidence: shape (n,), its probability.
        both_seen: shape (n,), share of the true step in which both hands were tracked; NaN
            outside steps and where it is not known.
    """

    true: Ints
    found: Ints
    hidden: Bools
    at_edge: Bools
    top: Ints
    confidence: Floats
    both_seen: Floats

    def __post_init__(self) -> None:
        for name in ("found", "hidden", "at_edge", "top", "confidence", "both_seen"):
            if getattr(self, name).shape != self.true.shape or self.true.ndim != 1:
                raise ValueError(f"{name} must have shape {self.true.shape}")
        freeze(self)

    def __len__(self) -> int:
        return int(self.true.size)

    def where(self, keep: Bools) -> WashSamples:
        """The samples at which ``keep`` (shape (n,)) holds."""
        return WashSamples(
            self.true[keep], self.found[keep], self.hidden[keep], self.at_edge[keep],
            self.top[keep], self.confidence[keep], self.both_seen[keep],
        )  # fmt: skip


def join_samples(parts: Sequence[WashSamples]) -> WashSamples:
    """The samples of several recordings one after another."""

    def joined(name: str, kind: type) -> NDArray[np.generic]:
        return np.concatenate([np.empty(0, kind), *(getattr(part, name) for part in parts)])

    return WashSamples(
        joined("true", np.int64).astype(np.int64),
        joined("found", np.int64).astype(np.int64),
        joined("hidden", np.bool_).astype(np.bool_),
        joined("at_edge", np.bool_).astype(np.bool_),
        joined("top", np.int64).astype(np.int64),
        joined("confidence", np.float64).astype(np.float64),
        joined("both_seen", np.float64).astype(np.float64),
    )


# --- by time ---------------------------------------------------------------------------------


def sample_clip(
    labels: LabelFile, course: SurfaceCourse, both_seen: Bools | None = None
) -> WashSamples:
    """Truth and answer of one recording every ``washsteps.STEP_S``.

    Args:
        labels: the truth.
        course: what was found.
        both_seen: shape (m,) on the samples of ``course``, whether both hands were tracked.
    """
    runs = hygiene_runs(labels)
    times = np.concatenate([np.empty(0), *(middles(span) for _, span in runs)])
    numbers = labels.piece_numbers(times)
    pieces = labels.labels
    classes = np.array(
        [SURFACES.index(piece.step) if piece.step in SURFACES else NONE for piece in pieces]
    )
    hidden = np.array([piece.hidden for piece in pieces])
    found, probabilities = found_at(course, times)
    top = probabilities.argmax(axis=1)
    return WashSamples(
        true=classes[numbers].astype(np.int64),
        found=found,
        hidden=hidden[numbers].astype(np.bool_),
        at_edge=_near(times, _changes(labels, classes), EDGE_S),
        top=top.astype(np.int64),
        confidence=np.take_along_axis(probabilities, top[:, None], axis=1)[:, 0],
        both_seen=_both_seen_at(labels, course, both_seen, times),
    )


def _changes(labels: LabelFile, classes: Ints) -> Floats:
    """Times at which the true class changes, or a wash or rub begins or ends."""
    pieces = labels.labels
    edges = [edge for _, span in hygiene_runs(labels) for edge in (span.start_s, span.end_s)]
    changed = np.flatnonzero(np.diff(classes)) + 1
    return np.array([*edges, *(pieces[number].start_s for number in changed)])


def _near(times: Floats, edges: Floats, within_s: float) -> Bools:
    if not edges.size or not times.size:
        return np.zeros(times.shape, dtype=np.bool_)
    # The tolerance keeps a sample exactly at the limit in, whatever rounding does.
    return np.asarray(np.abs(times[:, None] - edges).min(axis=1) <= within_s + 1e-9)


def _both_seen_at(
    labels: LabelFile, course: SurfaceCourse, both_seen: Bools | None, times: Floats
) -> Floats:
    shares = np.full(times.shape, np.nan)
    if both_seen is None:
        return shares
    for step in true_steps(labels):
        inside = course.time.inside(step.interval)
        if inside.any():
            mine = (times >= step.interval.start_s) & (times < step.interval.end_s)
            shares[mine] = both_seen[inside].mean()
    return shares


def confusion(samples: WashSamples, *, without_edges: bool = False) -> Ints:
    """Shape (10, 11): true class by found answer, hidden samples left out."""
    keep = ~samples.hidden
    if without_edges:
        keep &= ~samples.at_edge
    matrix = np.zeros((NONE + 1, UNTOLD + 1), dtype=np.int64)
    np.add.at(matrix, (samples.true[keep], samples.found[keep]), 1)
    return matrix


def surface_counts(matrix: Ints) -> dict[Surface, Counts]:
    """Hits, false alarms and misses of each surface, in samples."""
    counts = {}
    for number, name in enumerate(SURFACES):
        hits = float(matrix[number, number])
        false_alarms = float(matrix[:, number].sum()) - hits
        counts[Surface(name)] = Counts(hits, false_alarms, float(matrix[number].sum()) - hits)
    return counts


def macro_f1(matrix: Ints) -> float | None:
    """Mean F1 over the surfaces that truly occur; None where none does.

    A surface that never occurs but is found lowers the precision of nothing here; it shows in
    the confusion matrix and in the recall of what it was mistaken for.
    """
    return _mean_over_true(matrix, "f1")


def macro_precision(matrix: Ints) -> float | None:
    """Mean precision over the surfaces that truly occur and were found at all."""
    return _mean_over_true(matrix, "precision")


def macro_recall(matrix: Ints) -> float | None:
    """Mean recall over the surfaces that truly occur."""
    return _mean_over_true(matrix, "recall")


def _mean_over_true(matrix: Ints, score: str) -> float | None:
    occurring = [c for c in surface_counts(matrix).values() if c.hits + c.misses > 0]
    values = [value for c in occurring if (value := getattr(c, score)) is not None]
    return float(np.mean(values)) if values else None


def macro_f1_interval(
    matrices: Sequence[Ints], draws: int = 1000, seed: int = 0
) -> tuple[float, float] | None:
    """95 % bootstrap interval of the macro F1 over recordings; None for fewer than two."""
    if len(matrices) < 2:
        return None
    stacked, rng = np.stack(matrices), np.random.default_rng(seed)
    drawn = rng.integers(len(matrices), size=(draws, len(matrices)))
    scores = [macro_f1(stacked[numbers].sum(axis=0)) for numbers in drawn]
    defined = [score for score in scores if score is not None]
    if not defined:
        return None
    low, high = np.quantile(defined, [0.025, 0.975])
    return float(low), float(high)


# --- calibration -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reliability:
    """How often answers of a given confidence are right.

    Attributes:
        edges: shape (b + 1,), bins ``(edges[i], edges[i + 1]]`` of confidence.
        count: shape (b,), answers in each.
        confidence, accuracy: shape (b,), means in each; NaN where there is no answer.
    """

    edges: Floats
    count: Ints
    confidence: Floats
    accuracy: Floats

    def __post_init__(self) -> None:
        freeze(self)


def reliability(confidence: ArrayLike, right: ArrayLike, bins: int = 10) -> Reliability:
    """Bins of equal width over 0..1 (Guo et al. 2017, section 2).

    Args:
        confidence: shape (n,), probability given to each answer, 0..1.
        right: shape (n,), whether it was right.
        bins: how many.

    Raises:
        ValueError: if the shapes differ or a confidence lies outside 0..1.
    """
    p, hit = np.asarray(confidence, dtype=np.float64), np.asarray(right, dtype=np.bool_)
    if p.shape != hit.shape or p.ndim != 1:
        raise ValueError(f"{p.shape} confidences for {hit.shape} answers")
    if not ((p >= 0) & (p <= 1 + 1e-9)).all():
        raise ValueError("a confidence lies outside 0..1")
    edges = np.linspace(0.0, 1.0, bins + 1)
    place = np.clip(np.searchsorted(edges, p, side="left") - 1, 0, bins - 1)
    count = np.bincount(place, minlength=bins)
    with np.errstate(invalid="ignore"):
        means = np.bincount(place, p, bins) / count
        shares = np.bincount(place, hit.astype(np.float64), bins) / count
    return Reliability(edges, count.astype(np.int64), means, shares)


def expected_calibration_error(curve: Reliability) -> float | None:
    """Mean of |accuracy - confidence| over bins, weighted by their answers (Guo et al. 2017)."""
    total = int(curve.count.sum())
    if not total:
        return None
    gaps = np.abs(np.nan_to_num(curve.accuracy) - np.nan_to_num(curve.confidence))
    return float((gaps * curve.count).sum() / total)


def sample_reliability(samples: WashSamples, bins: int = 10) -> Reliability:
    """Reliability of the most probable class where an answer was given and hands were visible."""
    given = ~samples.hidden & (samples.found != UNTOLD)
    right = samples.top[given] == samples.true[given]
    return reliability(np.clip(samples.confidence[given], 0.0, 1.0), right, bins)
