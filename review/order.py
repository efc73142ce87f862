"""How a timeline differs from the protocol's order: missing, out of order, repeated.

The order is no law and a unit's trainer decides what matters; this module only says what
was found where. It works on any timeline, the machine's or a corrected one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby, pairwise

from review.protocol import Protocol, Step
from review.timeline import Phase, Segment, Timeline


@dataclass(frozen=True, slots=True)
class MissingStep:
    """A required step that was not found.

    Attributes:
        step: its place in the protocol's steps, from 0.
        phase: what it is.
        after, before: the found segments between which it was due, None at the ends.
    """

    step: int
    phase: Phase
    after: Segment | None
    before: Segment | None


@dataclass(frozen=True, slots=True)
class OrderReport:
    """How a timeline differs from the protocol's order.

    Attributes:
        matched: per step of the protocol, the segments that stand for it, in order; empty
            where there are none in the right place.
        missing: required steps found neither in place nor elsewhere.
        out_of_order: segments of steps done at another place than the protocol's.
        repeated: segments of steps done again after they had been done.
        unplanned: segments of phases the protocol does not have.
    """

    matched: tuple[tuple[Segment, ...], ...]
    missing: tuple[MissingStep, ...]
    out_of_order: tuple[Segment, ...]
    repeated: tuple[Segment, ...]
    unplanned: tuple[Segment, ...] = ()


def order_report(timeline: Timeline, protocol: Protocol) -> OrderReport:
    """Hold a timeline against the protocol's order.

    Segments of one phase with nothing but ``other`` or gaps between them form one group.
    As many groups as possible are matched to steps in order; of two ways the one that keeps
    the earlier groups, so of two steps that changed places the one that came late is named.
    A group left over is ``out_of_order`` when a step of its phase
    has no match, else ``repeated``. Within a matched group, going on after more than
    ``resume_gap_s`` counts as doing the step again, and beyond the step's ``repeats`` as
    ``repeated``; waiting is made of separate waits and never counts as repeated this way.
    """
    steps = protocol.steps
    known = {step.phase for step in steps}
    found = [segment for segment in timeline if segment.phase is not Phase.OTHER]
    planned = [segment for segment in found if segment.phase in known]
    groups = [tuple(group) for _, group in groupby(planned, key=lambda segment: segment.phase)]
    pairs = _best_matching(groups, steps)

    matched: list[tuple[Segment, ...]] = [()] * len(steps)
    out_of_order: list[Segment] = []
    repeated: list[Segment] = []
    elsewhere: set[int] = set()
    for place, group in enumerate(groups):
        if place in pairs:
            step = pairs[place]
            kept = _within_repeats(group, steps[step], protocol.detection.phases.resume_gap_s)
            matched[step] = kept
            repeated.extend(group[len(kept) :])
            continue
        taken = elsewhere | set(pairs.values())
        free = [
            k for k, step in enumerate(steps) if step.phase is group[0].phase and k not in taken
        ]
        if free:
            elsewhere.add(free[0])
            out_of_order.extend(group)
        else:
            repeated.extend(group)
    missing = [
        MissingStep(k, step.phase, _last(matched[:k]), _first(matched[k + 1 :]))
        for k, step in enumerate(steps)
        if step.required and not matched[k] and k not in elsewhere
    ]
    return OrderReport(
        matched=tuple(matched),
        missing=tuple(missing),
        out_of_order=tuple(out_of_order),
        repeated=tuple(repeated),
        unplanned=tuple(segment for segment in found if segment.phase not in known),
    )


def _best_matching(groups: list[tuple[Segment, ...]], steps: tuple[Step, ...]) -> dict[int, int]:
    """Longest common subsequence of groups and steps, the earlier groups among equals.

    Returns group number -> step number, increasing in both.
    """
    # best[i][k]: matches among groups i.. and steps k.., and minus the matched group numbers.
    best = [[(0, 0)] * (len(steps) + 1) for _ in range(len(groups) + 1)]

    def with_match(i: int, k: int) -> tuple[int, int]:
        count, earliness = best[i + 1][k + 1]
        return count + 1, earliness - i

    def fits(i: int, k: int) -> bool:
        return groups[i][0].phase is steps[k].phase

    for i in reversed(range(len(groups))):
        for k in reversed(range(len(steps))):
            best[i][k] = max(best[i + 1][k], best[i][k + 1])
            if fits(i, k):
                best[i][k] = max(best[i][k], with_match(i, k))
    pairs: dict[int, int] = {}
    i = k = 0
    while i < len(groups) and k < len(steps):
        if fits(i, k) and best[i][k] == with_match(i, k):
            pairs[i] = k
            i, k = i + 1, k + 1
        elif best[i][k] == best[i + 1][k]:
            i += 1
        else:
            k += 1
    return pairs


def _within_repeats(
    group: tuple[Segment, ...], step: Step, resume_gap_s: float
) -> tuple[Segment, ...]:
    """The first segments of a group that stay within the step's ``repeats``."""
    if step.phase is Phase.WAITING:
        return group
    goes, kept = 1, [group[0]]
    for earlier, segment in pairwise(group):
        goes += segment.interval.start_s - earlier.interval.end_s > resume_gap_s
        if goes > step.repeats:
            break
        kept.append(segment)
    return tuple(kept)


def _last(matched: list[tuple[Segment, ...]]) -> Segment | None:
    return next((segments[-1] for segments in reversed(matched) if segments), None)


def _first(matched: list[tuple[Segment, ...]]) -> Segment | None:
    return next((segments[0] for segments in matched if segments), None)
