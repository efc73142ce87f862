"""From evidence per sample to a timeline of phases, with the protocol's order as a prior.

The graph has one state per step of the protocol (two hand rubs are two states with one
column of evidence) and, before, between and after them, states of ``other`` that remember
which step came last. Leaving a step out, jumping back and taking a step up again are
possible and cost a penalty; they are what the trainer needs to know, so they are reported
by :func:`review.order.order_report` rather than smoothed away. Step lengths come from the protocol.

Evidence is log-likelihood per sample. A sample is worth its seconds times
``evidence_per_s``, so the answer does not depend on the frame rate; a row with a NaN says
nothing. Scores are natural logs throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.order import MissingStep, OrderReport, order_report
from review.protocol import Protocol, Step
from review.semimarkov import Model, Run, RunLengths, geometric, posterior, viterbi_segments
from review.settings import PhaseDetection
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import TimeBase

__all__ = [
    "ExchangeEvidence",
    "MissingStep",
    "OrderReport",
    "PhaseGraph",
    "exchange_evidence",
    "find_phases",
    "jump_penalty",
    "order_report",
    "phase_graph",
    "step_lengths",
]

Floats = NDArray[np.float64]

EXPLICIT_CELLS = 600
"""Longest table of step lengths; longer stays fall geometrically. Bounds the work only."""

CONFIDENCE_CELLS = 4000
"""Cells used for confidence in long recordings. It is a mean over a span, so coarser cells
change it little; bounds the work only."""

BEYOND_MAX_Z = 1.645
"""Standard normal quantile of 0.95: a step outlasts its ``max_s`` one time in twenty."""

LEAST_SPREAD = 0.4
"""Least standard deviation of a step's log-length: people differ by half as much again,
whatever the protocol says."""


@dataclass(frozen=True, slots=True)
class PhaseGraph:
    """The decoder's states: steps 0..k-1 of the protocol, then ``other`` 0..k.

    Attributes:
        phases: phase of each state.
        model: how the states follow one another, on cells of ``hop_s`` seconds.
        hop_s: length of a cell in seconds.
    """

    phases: tuple[Phase, ...]
    model: Model
    hop_s: float


@dataclass(frozen=True, slots=True)
class ExchangeEvidence:
    """Log-likelihood (nats) by which the phases found beat ``other``.

    Attributes:
        mean: averaged by time over all segments that are not ``other``.
        total: summed over them, with ``evidence_per_s`` looks a second.
    """

    mean: float
    total: float


def find_phases(
    log_likelihood: NDArray[np.floating[Any]],
    phases: Sequence[Phase],
    time: TimeBase,
    protocol: Protocol,
) -> Timeline:
    """The most likely timeline, ``other`` included, that covers the whole recording.

    Args:
        log_likelihood: shape (n, P), natural-log likelihood of each sample under each
            phase, up to a constant per row. A row with a NaN, like a constant row, says
            nothing; ``-inf`` is bounded by ``max_log_ratio``.
        phases: P phases, one per column; holds ``other`` and every phase of the protocol.
        time: the n sample times.
        protocol: steps with their lengths, and ``detection.phases``.

    Returns:
        Segments that touch one another. ``confidence`` is the posterior probability of the
        segment's phase, averaged over the segment. When the found phases together beat
        ``other`` by less than ``exchange_evidence`` or ``exchange_evidence_total``, or are
        fewer than ``min_phases``, a single segment of ``other``.

    Raises:
        ValueError: if shapes disagree or a phase has no column.
    """
    settings = protocol.detection.phases
    evidence = _weighted(log_likelihood, phases, time, settings)
    hop_s = settings.hop_s
    runs, graph = _decode(evidence, phases, time, protocol, hop_s)
    spans = _to_samples(runs, graph, evidence, phases, time)
    inside, inside_hop_s = _confidence(evidence, phases, time, protocol, hop_s)
    segments = []
    for span, phase in spans:
        column = inside[:, list(phases).index(phase)]
        segments.append(Segment(span, phase, _mean_over(column, span, time, inside_hop_s)))
    timeline = Timeline(time.extent, tuple(segments))
    found = exchange_evidence(log_likelihood, phases, time, timeline, settings)
    too_little = found is not None and (
        found.mean < settings.exchange_evidence or found.total < settings.exchange_evidence_total
    )
    if too_little or _too_few(timeline, settings):
        other = float(np.clip(inside[:, list(phases).index(Phase.OTHER)].mean(), 0.0, 1.0))
        return Timeline(time.extent, (Segment(time.extent, Phase.OTHER, other),))
    return timeline


def _too_few(timeline: Timeline, settings: PhaseDetection) -> bool:
    """Whether the phases found are too few to be called an exchange, or part of one.

    A wash or a hand rub looks like nothing else; wiping, waiting or handling something alone
    is what people do at any table.
    """
    found = {segment.phase for segment in timeline} - {Phase.OTHER}
    return not found & {Phase.WASH, Phase.HAND_RUB} and len(found) < settings.min_phases


def exchange_evidence(
    log_likelihood: NDArray[np.floating[Any]],
    phases: Sequence[Phase],
    time: TimeBase,
    timeline: Timeline,
    settings: PhaseDetection,
) -> ExchangeEvidence | None:
    """By how much the phases of a timeline beat ``other`` all along.

    None where every segment is ``other``. Samples that say nothing count as 0. Arguments as
    :func:`find_phases`.
    """
    evidence = _weighted(log_likelihood, phases, time, settings)
    other = list(phases).index(Phase.OTHER)
    gained, seconds = 0.0, 0.0
    cumulative = _cumulative(evidence)
    bounds = np.append(time.times_s, time.end_s)
    for segment in timeline:
        if segment.phase is Phase.OTHER:
            continue
        ratio = cumulative[:, list(phases).index(segment.phase)] - cumulative[:, other]
        edges = (segment.interval.start_s, segment.interval.end_s)
        gained += float(np.diff(np.interp(edges, bounds, ratio))[0])
        seconds += segment.interval.duration_s
    if not seconds:
        return None
    return ExchangeEvidence(gained / (seconds * settings.evidence_per_s), gained)


def phase_graph(protocol: Protocol, hop_s: float) -> PhaseGraph:
    """The states for a protocol on cells of ``hop_s`` seconds; see the module's docstring."""
    settings, steps = protocol.detection.phases, protocol.steps
    count = len(steps)
    size = 2 * count + 1
    jump = np.array(
        [[jump_penalty(steps, i, j, settings) for j in range(count)] for i in range(-1, count)]
    )  # row 0: nothing done yet
    scores = np.full((size, size), -np.inf)
    scores[count:, :count] = -jump  # other i (last step i - 1) to step j
    for step in range(count):
        scores[step, count + step + 1] = 0.0
        for following in range(count):
            if steps[step].phase is not steps[following].phase:
                scores[step, following] = -jump[step + 1, following]
    scores -= np.logaddexp.reduce(scores, axis=1, keepdims=True)
    initial, final = np.full(size, -np.inf), np.full(size, -settings.cut_penalty)
    initial[:count] = -jump[0] - settings.cut_penalty
    initial[count] = 0.0
    final[count:] = 0.0
    other = geometric(
        max(settings.other_typical_s, settings.other_min_s) / hop_s,
        max(round(settings.other_min_s / hop_s), 1),
    )
    lengths = tuple(step_lengths(step, hop_s) for step in steps) + (other,) * (count + 1)
    names = tuple(step.phase for step in steps) + (Phase.OTHER,) * (count + 1)
    initial -= np.logaddexp.reduce(initial)
    return PhaseGraph(names, Model(initial, scores, lengths, final), hop_s)


def jump_penalty(
    steps: Sequence[Step], last: int, following: int, settings: PhaseDetection
) -> float:
    """What doing step ``following`` costs when ``last`` was the last one (-1: none yet).

    Next in order, or past optional steps only: 0. Each required step passed over:
    ``skip_penalty``, together at most ``order_break_penalty``. The same step again:
    ``resume_penalty``, or 0 where the protocol repeats it. Back: ``order_break_penalty``.
    """
    if following < last:
        return settings.order_break_penalty
    if following == last:
        return 0.0 if steps[last].repeats > 1 else settings.resume_penalty
    skipped = sum(step.required for step in steps[last + 1 : following])
    return min(skipped * settings.skip_penalty, settings.order_break_penalty)


def step_lengths(step: Step, hop_s: float) -> RunLengths:
    """Lengths of a step in cells of ``hop_s``: log-normal about ``typical_s``, broad.

    Never below ``min_s``; one in twenty beyond ``max_s``; beyond the table the fall of the
    log-normal at its end goes on. A step whose typical length lies beyond the table (a
    wait of half an hour) is geometric with that mean, so its length hardly matters.
    """
    shortest = max(round(step.min_s / hop_s), 1)
    typical = max(step.typical_s / hop_s, float(shortest))
    longest = max(round(step.max_s / hop_s), shortest)
    last = min(longest, shortest + EXPLICIT_CELLS - 1)
    if typical >= last:
        return geometric(typical + 1.0, shortest)
    spread = max(np.log(longest / typical) / BEYOND_MAX_Z, LEAST_SPREAD)
    cells = np.arange(shortest, last + 1)
    distance = np.log(cells / typical) / spread
    table = -0.5 * distance**2 - np.log(cells)
    tail = -(1.0 + distance[-1] / spread) / last
    beyond = table[-1] + tail - np.log(-np.expm1(tail))
    return RunLengths(shortest, table - np.logaddexp.reduce(np.append(table, beyond)), float(tail))


def _weighted(
    log_likelihood: NDArray[np.floating[Any]],
    phases: Sequence[Phase],
    time: TimeBase,
    settings: PhaseDetection,
) -> Floats:
    """Shape (n, P): evidence of each sample, its best phase at 0, bounded and weighted."""
    values = np.array(log_likelihood, dtype=np.float64)
    if values.shape != (len(time), len(phases)):
        raise ValueError(
            f"log-likelihoods must have shape {(len(time), len(phases))}, got {values.shape}"
        )
    if Phase.OTHER not in phases or len(set(phases)) != len(phases):
        raise ValueError("each phase needs one column, and 'other' must be among them")
    values[~(values.max(axis=1) < np.inf) | (values.max(axis=1) == -np.inf)] = 0.0
    values = np.maximum(values - values.max(axis=1, keepdims=True), -settings.max_log_ratio)
    weights = time.widths_s * settings.evidence_per_s
    return np.asarray(values * weights[:, None], dtype=np.float64)


def _cumulative(evidence: Floats) -> Floats:
    """Shape (n + 1, P): evidence before each sample bound."""
    return np.concatenate((np.zeros((1, evidence.shape[1])), np.cumsum(evidence, axis=0)))


def _cells(evidence: Floats, time: TimeBase, hop_s: float) -> tuple[Floats, Floats]:
    """Spread samples over equal cells: shape (m + 1,) cell edges in s, (m, P) evidence."""
    extent = time.extent
    count = max(round(extent.duration_s / hop_s), 1)
    edges = np.linspace(extent.start_s, extent.end_s, count + 1)
    bounds = np.append(time.times_s, time.end_s)
    at_edges = [np.interp(edges, bounds, column) for column in _cumulative(evidence).T]
    return edges, np.diff(np.stack(at_edges, axis=1), axis=0)


def _by_state(cells: Floats, phases: Sequence[Phase], graph: PhaseGraph) -> Floats:
    """Shape (m, S): each state's evidence is its phase's column."""
    missing = sorted(set(graph.phases) - set(phases))
    if missing:
        raise ValueError(f"the protocol has phases without evidence: {', '.join(missing)}")
    return cells[:, [list(phases).index(phase) for phase in graph.phases]]


def _decode(
    evidence: Floats, phases: Sequence[Phase], time: TimeBase, protocol: Protocol, hop_s: float
) -> tuple[list[tuple[float, float, Phase]], PhaseGraph]:
    """Best runs as (start, end, phase) in seconds, on cell edges."""
    edges, cells = _cells(evidence, time, hop_s)
    graph = phase_graph(protocol, float(edges[1] - edges[0]))
    runs: tuple[Run, ...] = viterbi_segments(_by_state(cells, phases, graph), graph.model)
    return [
        (float(edges[run.start]), float(edges[run.end]), graph.phases[run.state]) for run in runs
    ], graph


def _to_samples(
    runs: list[tuple[float, float, Phase]],
    graph: PhaseGraph,
    evidence: Floats,
    phases: Sequence[Phase],
    time: TimeBase,
) -> list[tuple[Interval, Phase]]:
    """Move each edge to the best sample bound within a cell of it; bounds stay in order."""
    cumulative = _cumulative(evidence)
    bounds = np.append(time.times_s, time.end_s)
    places = [0]
    for (_, edge, phase), (_, _, following) in pairwise(runs):
        low, high = np.searchsorted(bounds, (edge - graph.hop_s, edge + graph.hop_s))
        near = np.arange(low, high)
        if near.size == 0:
            near = np.array([int(np.argmin(np.abs(bounds - edge)))])
        near = near[np.argsort(np.abs(bounds[near] - edge), kind="stable")]
        here, then = list(phases).index(phase), list(phases).index(following)
        gain = cumulative[near, here] - cumulative[near, then]
        places.append(int(near[np.argmax(np.round(gain, 9))]))
    places.append(len(time))
    spans: list[tuple[Interval, Phase]] = []
    start = 0
    for end, (_, _, phase) in zip(places[1:], runs, strict=True):
        if end <= start:
            continue
        span = Interval(float(bounds[start]), float(bounds[end]))
        if spans and spans[-1][1] is phase:  # what lay between was shorter than a sample
            span = Interval(spans.pop()[0].start_s, span.end_s)
        spans.append((span, phase))
        start = end
    return spans


def _confidence(
    evidence: Floats, phases: Sequence[Phase], time: TimeBase, protocol: Protocol, hop_s: float
) -> tuple[Floats, float]:
    """Posterior per cell and phase, shape (m, P), and the length of its cells in seconds."""
    edges, cells = _cells(evidence, time, max(hop_s, time.extent.duration_s / CONFIDENCE_CELLS))
    graph = phase_graph(protocol, float(edges[1] - edges[0]))
    inside, _ = posterior(_by_state(cells, phases, graph), graph.model)
    column = np.array([list(phases).index(phase) for phase in graph.phases])
    by_phase = np.stack([inside[:, column == p].sum(axis=1) for p in range(len(phases))], axis=1)
    return by_phase, graph.hop_s


def _mean_over(values: Floats, span: Interval, time: TimeBase, hop_s: float) -> float:
    """Mean over ``span`` of a function that is constant on cells of ``hop_s``, in 0..1."""
    edges = time.extent.start_s + hop_s * np.arange(values.size + 1)
    integral = np.concatenate(([0.0], np.cumsum(values) * hop_s))
    area = np.diff(np.interp((span.start_s, span.end_s), edges, integral))[0]
    return float(np.clip(area / span.duration_s, 0.0, 1.0))
