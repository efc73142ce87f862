"""Explicit-duration (semi-Markov) decoding: best path and posterior, in plain numpy.

Conventions
-----------
There are ``n`` cells of equal length and ``S`` states. Boundaries are numbered 0..n; a
run ``[start, end)`` of state ``s`` scores its evidence ``sum(log_lik[start:end, s])``, the
log-probability of its length, and the transition into it. All scores are natural logs;
``-inf`` means impossible.

With ``open_ends`` the first and the last run may be cut off by the ends of the sequence:
their length then scores the log-probability of lasting *at least* that long, so that any
length from one cell on is possible there. Without, every run is complete.

A plain hidden Markov model is the special case of geometric lengths with open ends at the
right; the tests hold the decoder against one, and against all segmentations by brute force.

Method
------
No state can be left sooner than the shortest length of any state, so the recursion moves
in blocks of that many boundaries, each one array operation over (states, block, lengths).
Where the quickest states never follow one another, as a pause between two steps does not,
blocks are as long as the shortest of the other states.
Lengths beyond the explicit table fall geometrically and are carried in a running maximum
(or sum), so that a wait of an hour costs no more than one of a minute. The posterior uses
the same recursion with sums, once forwards and once backwards: the chance that a state
covers a cell is the running sum of its starts minus its ends.

References: Yu S-Z. Hidden semi-Markov models. Artificial Intelligence 2010;174:215-243;
Rabiner LR. A tutorial on hidden Markov models. Proc IEEE 1989;77:257-286 (sections III, IV-D).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

PADDED = 2.0
"""Length tables are worked on together with the longest one up to this many times as long."""

Floats = NDArray[np.float64]
Rule = Literal["max", "sum"]


@dataclass(frozen=True, slots=True)
class RunLengths:
    """How long a run of one state lasts, in cells.

    Attributes:
        shortest: least length, at least 1.
        log_prob: shape (k,), k >= 1, log-probability of the lengths
            ``shortest .. shortest + k - 1``.
        tail: what each cell beyond the table adds (log, below 0); ``-inf`` where the table
            holds every possible length.

    Raises:
        ValueError: if the table is empty or not a vector, or ``tail`` is not below 0.
    """

    shortest: int
    log_prob: Floats
    tail: float = -np.inf

    def __post_init__(self) -> None:
        table = np.array(self.log_prob, dtype=np.float64)
        if self.shortest < 1 or table.ndim != 1 or table.size == 0:
            raise ValueError("run lengths need a shortest length >= 1 and a non-empty table")
        if np.isnan(table).any() or not self.tail < 0:
            raise ValueError("log-probabilities must be numbers and the tail below 0")
        table.setflags(write=False)
        object.__setattr__(self, "log_prob", table)

    def exactly(self, count: int) -> Floats:
        """Shape (count,): log-probability of the lengths 1..count."""
        table = np.full(count, -np.inf)
        known = self.log_prob[: max(count - self.shortest + 1, 0)]
        table[self.shortest - 1 : self.shortest - 1 + known.size] = known
        beyond = count - (self.shortest - 1 + self.log_prob.size)
        if beyond > 0 and np.isfinite(self.tail):
            table[-beyond:] = self.log_prob[-1] + self.tail * np.arange(1, beyond + 1)
        return table

    def at_least(self, count: int) -> Floats:
        """Shape (count,): log-probability of lasting at least 1..count cells."""
        size = max(count, self.shortest - 1 + self.log_prob.size)
        table = np.append(self.exactly(size), -np.inf)
        if np.isfinite(self.tail):  # the geometric series of everything after the table
            table[-1] = table[-2] + self.tail - np.log(-np.expm1(self.tail))
        return np.asarray(np.logaddexp.accumulate(table[::-1])[::-1][:count])


def geometric(mean: float, shortest: int = 1) -> RunLengths:
    """Geometric lengths from ``shortest`` on, with the given mean (both in cells)."""
    stay = 1.0 - 1.0 / max(mean - shortest + 1.0, 1.0 + 1e-9)
    return RunLengths(shortest, np.array([np.log1p(-stay)]), float(np.log(stay)))


@dataclass(frozen=True, slots=True)
class Run:
    """Cells ``[start, end)`` in one state."""

    start: int
    end: int
    state: int


@dataclass(frozen=True, slots=True)
class Model:
    """S states: where a sequence may start and end, how it moves, how long it stays.

    Attributes:
        log_initial, log_final: shape (S,).
        log_transition: shape (S, S), from row to column; the diagonal is the score of two
            runs of one state in a row (``-inf`` to forbid it).
        lengths: S run-length models.
        open_ends: whether the ends of the sequence may cut runs off.

    Raises:
        ValueError: if the shapes do not agree.
    """

    log_initial: Floats
    log_transition: Floats
    lengths: tuple[RunLengths, ...]
    log_final: Floats
    open_ends: bool = True

    def __post_init__(self) -> None:
        count = len(self.lengths)
        shapes = self.log_initial.shape, self.log_transition.shape, self.log_final.shape
        if count == 0 or shapes != ((count,), (count, count), (count,)):
            raise ValueError(f"initial, transition and final scores do not fit {count} states")

    def reversed(self) -> Model:
        """The same model read from the end to the start."""
        return Model(
            self.log_final, self.log_transition.T, self.lengths, self.log_initial, self.open_ends
        )


@dataclass(frozen=True, slots=True)
class _Scores:
    """Scores at the boundaries 0..n, shape (S, n + 1) each.

    ``entry[s, u]``: everything before a run of s that starts at u, its transition included.
    ``ended[s, v]``: everything up to a run of s that ends at v, that run included.
    ``evidence``: cumulative evidence, so a run's own is a difference of two columns.
    """

    entry: Floats
    ended: Floats
    evidence: Floats


def viterbi_segments(log_lik: Floats, model: Model) -> tuple[Run, ...]:
    """The best segmentation of ``log_lik`` (shape (n, S), finite) as runs in order.

    Ties go to the state with the smaller number, then to the longer run.

    Raises:
        ValueError: if the evidence has the wrong shape or is not finite, or no
            segmentation is possible.
    """
    scores = _recursion(_checked(log_lik, model), model, "max")
    end = scores.ended.shape[1] - 1
    n = end
    state = int(np.argmax(scores.ended[:, n] + model.log_final))
    if not np.isfinite(scores.ended[state, n] + model.log_final[state]):
        raise ValueError(f"no segmentation of {n} cells is possible")
    runs: list[Run] = []
    while True:
        lengths = model.lengths[state]
        cut = model.open_ends and end == n
        prior = (lengths.at_least if cut else lengths.exactly)(end)[::-1].copy()
        if model.open_ends:
            prior[0] = lengths.at_least(end)[-1]
        before = scores.entry[state, :end] - scores.evidence[state, :end] + prior
        start = int(np.argmax(before))
        runs.append(Run(start, end, state))
        if start == 0:
            return tuple(reversed(runs))
        end = start
        state = int(np.argmax(scores.ended[:, end] + model.log_transition[:, state]))


def path_score(log_lik: Floats, model: Model, runs: Sequence[Run]) -> float:
    """Log-score of one given segmentation (the quantity the decoder maximises)."""
    evidence = _checked(log_lik, model)
    n = evidence.shape[0]
    total = float(model.log_initial[runs[0].state] + model.log_final[runs[-1].state])
    for earlier, run in zip((None, *runs[:-1]), runs, strict=True):
        if earlier is not None:
            total += float(model.log_transition[earlier.state, run.state])
        lengths = model.lengths[run.state]
        cut = model.open_ends and (run.start == 0 or run.end == n)
        total += float((lengths.at_least if cut else lengths.exactly)(run.end - run.start)[-1])
        total += float(evidence[run.start : run.end, run.state].sum())
    return total


def posterior(log_lik: Floats, model: Model) -> tuple[Floats, float]:
    """Probability of each state in each cell, over all segmentations.

    Args:
        log_lik: shape (n, S), finite.
        model: the states.

    Returns:
        Shape (n, S), rows sum to 1; and the log of the summed score of all segmentations.

    Raises:
        ValueError: as :func:`viterbi_segments`.
    """
    evidence = _checked(log_lik, model)
    ahead = _recursion(evidence, model, "sum")
    back = _recursion(evidence[::-1], model.reversed(), "sum")
    total = float(np.logaddexp.reduce(ahead.ended[:, -1] + model.log_final))
    if not np.isfinite(total):
        raise ValueError(f"no segmentation of {evidence.shape[0]} cells is possible")
    # A run starts at u: everything before, then everything from it on; an end likewise.
    starts = np.exp(ahead.entry + back.ended[:, ::-1] - total)[:, :-1]
    ends = np.exp(ahead.ended + back.entry[:, ::-1] - total)[:, :-1]
    inside = np.clip(np.cumsum(starts - ends, axis=1), 0.0, 1.0).T
    return inside / inside.sum(axis=1, keepdims=True), total


def _checked(log_lik: Floats, model: Model) -> Floats:
    evidence = np.asarray(log_lik, dtype=np.float64)
    if evidence.ndim != 2 or evidence.shape[0] == 0 or evidence.shape[1] != len(model.lengths):
        raise ValueError(
            f"evidence must have shape (n >= 1, {len(model.lengths)}), got {evidence.shape}"
        )
    if not np.isfinite(evidence).all():
        raise ValueError("evidence must be finite; give cells that say nothing a row of zeros")
    return evidence


def _join(values: Floats, rule: Rule) -> Floats:
    """Maximum or log-sum over the last axis; the log of 0 is meant (-inf, impossible)."""
    if values.shape[-1] == 1:
        return values[..., 0]
    best: Floats = np.maximum.reduce(values, axis=-1)
    if rule == "max":
        return best
    safe = np.where(np.isfinite(best), best, 0.0)
    values = np.exp(values - safe[..., None])
    return np.asarray(np.log(np.add.reduce(values, axis=-1)) + safe)


@np.errstate(divide="ignore")
def _recursion(log_lik: Floats, model: Model, rule: Rule) -> _Scores:
    """Fill the boundary scores from left to right; see the module's method."""
    n, count = log_lik.shape
    pair = np.maximum if rule == "max" else np.logaddexp
    block, quick = _blocks(model)
    block = min(block, n)
    sizes = np.array([lengths.log_prob.size for lengths in model.lengths])
    order = np.lexsort((-sizes, quick))  # the quick last, longest table first
    lengths = [model.lengths[s] for s in order]
    evidence = np.zeros((count, n + 1))
    np.cumsum(log_lik.T[order], axis=1, out=evidence[:, 1:])
    transition = model.log_transition[np.ix_(order, order)].T[:, None, :]  # to, -, from

    entry = np.full((count, n + 1), -np.inf)
    ended = np.full((count, n + 1), -np.inf)
    entry[:, 0] = model.log_initial[order]
    if model.open_ends:
        whole = np.stack([item.at_least(n) for item in lengths])
        ended[:, 1:] = entry[:, :1] + whole + evidence[:, 1:]
    slow_count = count - int(quick.sum())
    layers = [
        _Layer.of(members, lengths[members], n, None if model.open_ends else entry[members, 0])
        for members in (slice(0, slow_count), slice(slow_count, count))
        if members.stop > members.start
    ]
    slow = slice(0, slow_count)
    for first in range(1, n + 1, block):
        here = slice(first, min(first + block, n + 1))
        for layer in layers:
            if layer.members != slow:  # entered from the slow ones alone, which are known by now
                layer.enter(here, entry, evidence, ended[slow], transition[:, :, slow], rule)
            fresh = layer.finish(here, rule) + evidence[layer.members, here]
            ended[layer.members, here] = pair(ended[layer.members, here], fresh)
        layers[0].enter(here, entry, evidence, ended, transition, rule)
    if model.open_ends:
        starts = entry[:, :n] - evidence[:, :n] + whole[:, ::-1]
        ended[:, n] = _join(starts, rule) + evidence[:, n]
    back = np.argsort(order)
    return _Scores(entry[back], ended[back], evidence[back])


def _blocks(model: Model) -> tuple[int, NDArray[np.bool_]]:
    """How many boundaries go at once, and shape (S,): which states may end sooner than that.

    Such quick states must not follow one another: then those entered and left within a block are
    entered from slow ones, whose ends in the block rest on earlier blocks alone.
    """
    shortest = np.array([lengths.shortest for lengths in model.lengths])
    block, quick = int(shortest.min()), np.zeros(shortest.size, dtype=np.bool_)
    for longer in np.unique(shortest)[1:]:
        sooner = shortest < longer
        if np.isfinite(model.log_transition[np.ix_(sooner, sooner)]).any():
            break
        block, quick = int(longer), sooner
    return block, quick


@dataclass(frozen=True, slots=True)
class _Layer:
    """States that are taken together within a block, longest table first.

    Attributes:
        members: which of all states.
        shortest: shape (S,), their shortest lengths.
        flipped: per group of states with tables of about one size, (slice of the members, table
            of shape (states, 1, size) with the longest length first, ``-inf`` before shorter ones).
        width: size of the largest table.
        sizes, slope, base: shape (S,), table size; tail slope (0 where there is none);
            last table entry (``-inf`` where there is no tail).
        waiting: shape (S, width + n + longest ``shortest`` + 1); ``waiting[s, width + w]`` is
            entry less evidence of runs old enough to end at w, that is, from w - shortest on;
            padded on the left so that every window is full.
        windows: per group, a live view of shape (states, columns, size): each column's window.
        older: shape (S, width + n + 1), running maximum (or sum) over starts.
    """

    members: slice
    shortest: NDArray[np.intp]
    flipped: tuple[tuple[slice, Floats], ...]
    width: int
    sizes: NDArray[np.intp]
    slope: Floats
    base: Floats
    waiting: Floats
    windows: tuple[Floats, ...]
    older: Floats

    @classmethod
    def of(
        cls, members: slice, lengths: Sequence[RunLengths], n: int, initial: Floats | None
    ) -> _Layer:
        """Stack the tables; lengths beyond the ``n`` cells there are cannot matter.

        Args:
            members: which of all states.
            lengths: theirs, longest table first.
            n: cells.
            initial: shape (S,), scores of complete runs that start at 0; None where ``whole``
                ones are reckoned apart.
        """
        kept = [item.log_prob[:n] for item in lengths]
        sizes = np.array([item.size for item in kept])
        shortest = np.array([item.shortest for item in lengths])
        groups, first = [], 0
        while first < sizes.size:
            size = int(sizes[first])
            # A few padded cells cost less than another round of calls for every block.
            end = first + int(np.count_nonzero(sizes[first:] > size / PADDED))
            table = np.full((end - first, 1, size), -np.inf)
            for row, item in enumerate(kept[first:end]):
                table[row, 0, size - item.size :] = item[::-1]
            groups.append((slice(first, end), table))
            first = end
        tails = np.array([item.tail for item in lengths])
        width = int(sizes.max())
        waiting = np.full((sizes.size, width + n + int(shortest.max()) + 1), -np.inf)
        if initial is not None:
            waiting[np.arange(sizes.size), width + shortest] = initial
        return cls(
            members,
            shortest,
            tuple(groups),
            width,
            sizes,
            slope=np.where(np.isfinite(tails), tails, 0.0),
            base=np.where(np.isfinite(tails), [item[-1] for item in kept], -np.inf),
            waiting=waiting,
            windows=tuple(
                sliding_window_view(waiting[states], table.shape[-1], axis=1)
                for states, table in groups
            ),
            older=np.full((sizes.size, width + n + 1), -np.inf),
        )

    def enter(
        self,
        here: slice,
        entry: Floats,
        evidence: Floats,
        ended: Floats,
        transition: Floats,
        rule: Rule,
    ) -> None:
        """Fill ``entry`` at the boundaries of a block from the runs that ended there.

        Args:
            here: the boundaries.
            entry: of all states, shape (all, n + 1).
            evidence: likewise.
            ended: of the states to come from, shape (from, n + 1).
            transition: shape (all, 1, from).
            rule: maximum or sum.
        """
        entry[self.members, here] = _join(ended[:, here].T[None] + transition[self.members], rule)
        columns = self.width + np.arange(here.start, here.stop) + self.shortest[:, None]
        self.waiting[np.arange(self.sizes.size)[:, None], columns] = (
            entry[self.members, here] - evidence[self.members, here]
        )

    def finish(self, here: slice, rule: Rule) -> Floats:
        """Shape (S, block): best (or summed) score of runs that end in a block, evidence apart."""
        pair = np.maximum if rule == "max" else np.logaddexp
        block = np.arange(here.start, here.stop)
        result = np.empty((self.sizes.size, block.size))
        for (states, table), view in zip(self.flipped, self.windows, strict=True):
            start = self.width + here.start - table.shape[-1] + 1
            result[states] = _join(view[:, start : start + block.size] + table, rule)
        # Beyond the tables: the slope is taken out, so that one running value serves every later
        # boundary.
        columns = slice(self.width + here.start, self.width + here.stop)
        fresh = self.waiting[:, columns] - self.slope[:, None] * block
        fresh[:, 0] = pair(fresh[:, 0], self.older[:, columns.start - 1])
        pair.accumulate(fresh, axis=1, out=self.older[:, columns])
        beyond = block - self.sizes[:, None]
        old = self.older[np.arange(self.sizes.size)[:, None], self.width + beyond]
        tail = old + self.base[:, None] + self.slope[:, None] * (beyond + 1)
        return np.asarray(pair(result, tail))
