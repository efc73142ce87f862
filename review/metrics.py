"""Scores that compare what was found with what is true. Pure functions.

Conventions
-----------
* Times are seconds, intervals half-open; ``true`` always comes before ``found``.
* Scores are shares in 0..1 (papers print 100 times that). A score that is not defined, such
  as a recall with nothing to find, is ``None``, never 0 or 1.
* Counts add up over recordings before a ratio is taken (:class:`Counts`), as in the
  published evaluations.

Metrics
-------
* :func:`frame_accuracy`, :func:`edit_score`, :func:`segmental_counts` (F1 at an overlap):
  how well a recording was cut into phases.
* :func:`boundary_errors`: how far the edges of phases are off.
* :func:`interval_counts`: flagged moments, matched one to one by kind and time.
* :func:`time_counts`: F1 of one label by the time it covers.
* :func:`roc_auc`: how well a score separates two classes.
* :func:`time_error`, :func:`quantile`.

References
----------
* Lea C, Flynn MD, Vidal R, Reiter A, Hager GD. Temporal convolutional networks for action
  segmentation and detection. CVPR 2017 (arXiv 1611.05267): segmental F1 and edit score.
* Abu Farha Y, Gall J. MS-TCN: multi-stage temporal convolutional network for action
  segmentation. CVPR 2019 (arXiv 1903.01945): the same with background left out.
* Levenshtein VI. Binary codes capable of correcting deletions, insertions, and reversals.
  Soviet Physics Doklady 1966;10:707-710.
* Hanley JA, McNeil BJ. The meaning and use of the area under a receiver operating
  characteristic (ROC) curve. Radiology 1982;143:29-36: area = probability that a positive
  outscores a negative, ties counted half.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from review.timeline import Interval

Labelled = tuple[Hashable, Interval]
"""A label over an interval."""


@dataclass(frozen=True, slots=True)
class Counts:
    """Hits, false alarms and misses; numbers of things, or seconds of time.

    >>> (Counts(3, 1, 0) + Counts(0, 0, 1)).f1
    0.75
    """

    hits: float = 0.0
    false_alarms: float = 0.0
    misses: float = 0.0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.hits + other.hits,
            self.false_alarms + other.false_alarms,
            self.misses + other.misses,
        )

    @property
    def precision(self) -> float | None:
        """Share of what was found that is true; None where nothing was found."""
        return _ratio(self.hits, self.hits + self.false_alarms)

    @property
    def recall(self) -> float | None:
        """Share of what is true that was found; None where there was nothing to find."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def f1(self) -> float | None:
        """Harmonic mean of precision and recall; None where there was nothing at all."""
        return _ratio(2.0 * self.hits, 2.0 * self.hits + self.false_alarms + self.misses)


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole > 0 else None


def sum_counts(counts: Iterable[Counts]) -> Counts:
    """Counts over several recordings."""
    return sum(counts, Counts())


# --- cutting a recording into phases ---------------------------------------------------------


def runs_of(labels: Sequence[Hashable]) -> list[Labelled]:
    """Runs of equal labels per frame, as intervals in frames.

    >>> runs_of("aab")
    [('a', Interval(start_s=0, end_s=2)), ('b', Interval(start_s=2, end_s=3))]
    """
    runs: list[Labelled] = []
    for place, label in enumerate(labels):
        if runs and runs[-1][0] == label:
            runs[-1] = (label, Interval(runs[-1][1].start_s, place + 1))
        else:
            runs.append((label, Interval(place, place + 1)))
    return runs


def frame_accuracy(true: Sequence[Hashable], found: Sequence[Hashable]) -> float | None:
    """Share of frames with the right label, background included; None without frames.

    Raises:
        ValueError: if the lengths differ.
    """
    if len(true) != len(found):
        raise ValueError(f"{len(true)} true labels but {len(found)} found ones")
    return _ratio(sum(a == b for a, b in zip(true, found, strict=True)), len(true))


def edit_score(
    true: Sequence[Labelled], found: Sequence[Labelled], background: Collection[Hashable] = ()
) -> float | None:
    """Order of segments, whatever their lengths: 1 - edit distance / longer sequence.

    The Levenshtein distance between the two sequences of labels, ``background`` left out
    (not joined again: what it separated stays two segments). None when both are empty.
    Averaged over recordings by the caller, as published.
    """
    a = [label for label, _ in true if label not in background]
    b = [label for label, _ in found if label not in background]
    if not a and not b:
        return None
    row = list(range(len(b) + 1))
    for i, label in enumerate(a, start=1):
        above, row = row, [i]
        for j, other in enumerate(b, start=1):
            row.append(min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (label != other)))
    return 1.0 - row[-1] / max(len(a), len(b))


def overlap_ratio(a: Interval, b: Interval) -> float:
    """Intersection over union of two intervals, 0 where they do not meet."""
    shared = a.intersect(b)
    if shared is None:
        return 0.0
    return shared.duration_s / (a.duration_s + b.duration_s - shared.duration_s)


def segmental_counts(
    true: Sequence[Labelled],
    found: Sequence[Labelled],
    least_overlap: float,
    background: Collection[Hashable] = (),
) -> Counts:
    """Counts behind the segmental F1 at an overlap (F1@10: ``least_overlap`` 0.1).

    Each found segment takes the true segment of its label with the largest intersection
    over union; it is a hit if that reaches ``least_overlap`` and the true segment is not
    yet taken, else a false alarm (there is no second choice: exactly as published). True
    segments not taken are misses. ``background`` is left out of both.
    """
    wanted = [item for item in true if item[0] not in background]
    taken = [False] * len(wanted)
    hits = false_alarms = 0
    for label, span in found:
        if label in background:
            continue
        overlaps = [overlap_ratio(span, other) if label == name else 0.0 for name, other in wanted]
        best = int(np.argmax(overlaps)) if overlaps else -1
        if best >= 0 and overlaps[best] >= least_overlap and not taken[best] and overlaps[best] > 0:
            taken[best] = True
            hits += 1
        else:
            false_alarms += 1
    return Counts(hits, false_alarms, len(wanted) - hits)


def match_by_overlap(true: Sequence[Interval], found: Sequence[Interval]) -> list[tuple[int, int]]:
    """Pairs of places, one to one and in order, with the largest total overlap.

    Both sequences are sorted and without overlap of their own; only pairs that meet count.
    """
    best = np.zeros((len(true) + 1, len(found) + 1))
    shared = np.zeros((len(true), len(found)))
    for i, a in enumerate(true):
        for j, b in enumerate(found):
            common = a.intersect(b)
            shared[i, j] = common.duration_s if common else 0.0
            best[i + 1, j + 1] = max(best[i, j + 1], best[i + 1, j], best[i, j] + shared[i, j])
    pairs: list[tuple[int, int]] = []
    i, j = len(true), len(found)
    while i and j:
        if best[i, j] == best[i - 1, j]:
            i -= 1
        elif best[i, j] == best[i, j - 1]:
            j -= 1
        else:
            i, j = i - 1, j - 1
            pairs.append((i, j))
    return pairs[::-1]


def boundary_errors(
    true: Sequence[Labelled],
    found: Sequence[Labelled],
    extent: Interval,
    background: Collection[Hashable] = (),
) -> NDArray[np.float64]:
    """Absolute errors, in seconds, of the starts and ends of matched segments.

    Segments of one label are matched one to one by overlap. Edges that are the ends of the
    recording in truth are left out: nobody had to find them. Unmatched segments have no
    edges to compare and count in the segmental F1 instead.
    """
    errors: list[float] = []
    for label in dict.fromkeys(name for name, _ in true if name not in background):
        mine = [span for name, span in true if name == label]
        theirs = [span for name, span in found if name == label]
        for i, j in match_by_overlap(mine, theirs):
            if mine[i].start_s > extent.start_s:
                errors.append(abs(theirs[j].start_s - mine[i].start_s))
            if mine[i].end_s < extent.end_s:
                errors.append(abs(theirs[j].end_s - mine[i].end_s))
    return np.array(errors)


# --- flagged moments -------------------------------------------------------------------------


def gap_between(a: Interval, b: Interval) -> float:
    """Seconds between two intervals, 0 where they meet or touch."""
    return max(a.start_s - b.end_s, b.start_s - a.end_s, 0.0)


def match_intervals(
    true: Sequence[Labelled], found: Sequence[Labelled], tolerance_s: float
) -> list[tuple[int, int]]:
    """Pairs (true, found) of the same label at most ``tolerance_s`` apart, one to one.

    As many pairs as possible (augmenting paths); closer candidates are tried first.
    """
    candidates = [
        sorted(
            (gap_between(span, other), j)
            for j, (name, other) in enumerate(found)
            if name == label and gap_between(span, other) <= tolerance_s
        )
        for label, span in true
    ]
    owner: dict[int, int] = {}

    def place(i: int, tried: set[int]) -> bool:
        for _, j in candidates[i]:
            if j in tried:
                continue
            tried.add(j)
            if j not in owner or place(owner[j], tried):
                owner[j] = i
                return True
        return False

    for i in range(len(true)):
        place(i, set())
    return sorted((i, j) for j, i in owner.items())


def interval_counts(
    true: Sequence[Labelled], found: Sequence[Labelled], tolerance_s: float
) -> Counts:
    """Counts behind precision and recall of labelled intervals; see :func:`match_intervals`."""
    hits = len(match_intervals(true, found, tolerance_s))
    return Counts(hits, len(found) - hits, len(true) - hits)


# --- numbers per sample and per recording ----------------------------------------------------


def time_counts(
    true: Sequence[Hashable], found: Sequence[Hashable], widths_s: ArrayLike, label: Hashable
) -> Counts:
    """Seconds in which ``label`` was rightly found, wrongly found and missed.

    Args:
        true: the true label of each sample.
        found: the found label of each sample.
        widths_s: shape (n,), seconds each sample stands for.
        label: the label in question.

    Raises:
        ValueError: if the lengths differ.
    """
    seconds = np.asarray(widths_s, dtype=np.float64)
    if not len(true) == len(found) == seconds.size:
        raise ValueError(f"{len(true)} true, {len(found)} found labels, {seconds.size} widths")
    is_true = np.array([item == label for item in true], dtype=bool)
    is_found = np.array([item == label for item in found], dtype=bool)
    return Counts(
        float(seconds[is_true & is_found].sum()),
        float(seconds[~is_true & is_found].sum()),
        float(seconds[is_true & ~is_found].sum()),
    )


def roc_auc(positive: ArrayLike, scores: ArrayLike) -> float | None:
    """Area under the ROC curve: chance that a positive outscores a negative, ties half.

    Args:
        positive: shape (n,), whether each sample is of the class.
        scores: shape (n,); samples with NaN could not be scored and are left out.

    Returns:
        0..1, or None where a class has no scored sample.

    Raises:
        ValueError: if the shapes differ.
    """
    is_positive, values = np.asarray(positive, dtype=bool), np.asarray(scores, dtype=np.float64)
    if is_positive.shape != values.shape or values.ndim != 1:
        raise ValueError(f"{is_positive.shape} classes for {values.shape} scores")
    scored = ~np.isnan(values)
    is_positive, values = is_positive[scored], values[scored]
    positives = int(is_positive.sum())
    negatives = values.size - positives
    if not positives or not negatives:
        return None
    _, group, sizes = np.unique(values, return_inverse=True, return_counts=True)
    last_rank = np.cumsum(sizes)
    mid_rank = last_rank - 0.5 * (sizes - 1)
    above = float(mid_rank[group][is_positive].sum()) - 0.5 * positives * (positives + 1)
    return above / (positives * negatives)


@dataclass(frozen=True, slots=True)
class TimeError:
    """How far a measured duration is off: ``found - true`` in seconds, and over ``true``.

    ``relative`` is None where the true duration is 0.
    """

    seconds: float
    relative: float | None

    def within(self, seconds: float, share: float) -> bool:
        """Whether the error is at most ``seconds``, or at most ``share`` of the truth."""
        in_share = self.relative is not None and abs(self.relative) <= share
        return abs(self.seconds) <= seconds or in_share


def time_error(true_s: float, found_s: float | None) -> TimeError | None:
    """Error of a measured duration; None where it was not measured."""
    if found_s is None:
        return None
    return TimeError(found_s - true_s, _ratio(found_s - true_s, true_s))


def quantile(values: ArrayLike, share: float) -> float | None:
    """Quantile with linear interpolation, or None without values.

    >>> quantile([1.0, 2.0, 4.0], 0.5), quantile([], 0.5)
    (2.0, None)
    """
    array = np.asarray(values, dtype=np.float64)
    return float(np.quantile(array, share)) if array.size else None
