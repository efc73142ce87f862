"""What a corrected session teaches, and how well values do on it.

A lesson is one session that a trainer went through: its landmarks' evidence as the shipped network
gives it, the phases as they were corrected, and what was decided about its flags.

What counts as right and wrong
------------------------------
* Edges of phases against the corrected ones: each corrected edge that is no end of the recording
  has an error in seconds, at most :data:`MOST_ERROR_S`, which also counts for an edge that was not
  found at all.
* Flags of level ``look``. One that a trainer agreed with is right, one that was disagreed with is
  wrong; one that nobody decided about is wrong where it goes away as soon as the phases are as
  corrected, else it does not count. ``unsure`` does not count.
* A flag that was agreed with and is not shown is missed; so is a moment that a trainer added with
  no flag near.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from review.analysis import Flag, FlagLevel
from review.emissions import PHASES
from review.features import nobody_works
from review.flags import Findings, find_flags
from review.metrics import match_by_overlap
from review.pipeline import Corrections, Evidence, phases_of, review_track
from review.protocol import Protocol
from review.refitapply import adjusted, inputs_of, with_values
from review.refitfit import PhaseRows, whole_lengths
from review.refitvalues import UnitValues
from review.store.records import NEAR_S, Decision, Moment, Verdict, gap_s, match_decisions
from review.timeline import Interval, Phase, Timeline
from review.tracks import LandmarkTrack

MOST_ERROR_S: Final = 5.0
"""An edge that is further off than this, or was not found, is simply wrong (unit setting)."""

ROW_S: Final = 0.4
"""One row of the fit every so many seconds: neighbouring moments say the same."""

MACHINES_SHARE: Final = 0.5
"""What a segment counts that a trainer left as the machine had it, in a session corrected
elsewhere: it was seen and let stand, which says less than an edge that was set."""


@dataclass(frozen=True)
class Lesson:
    """One corrected session.

    Attributes:
        person: code of the person who practised.
        name: how messages call the session.
        protocol: what it is held against, without a unit's own values.
        track: of the landmarks, what the stages after the evidence need.
        series: evidence as shipped; the features hold what the phases need.
        corrections: what a person set; its phases are never None.
        decisions: those that count now.
        moments: that trainers added.
    """

    person: str
    name: str
    protocol: Protocol
    track: LandmarkTrack
    series: Evidence
    corrections: Corrections
    decisions: tuple[Decision, ...] = ()
    moments: tuple[Moment, ...] = ()

    @property
    def truth(self) -> Timeline:
        """The corrected phases."""
        assert self.corrections.phases is not None
        return self.corrections.phases

    @cached_property
    def rows(self) -> PhaseRows:
        """What it says about phases."""
        emissions = self.series.emissions
        hop_s = float(np.median(emissions.time.widths_s))
        every = max(round(ROW_S / hop_s), 1)
        at = np.arange(every // 2, len(emissions.time), every)
        times = emissions.time.times_s[at] + hop_s / 2
        label = np.full(at.size, PHASES.index(Phase.OTHER), dtype=np.intp)
        weight = np.full(at.size, every * hop_s)
        for segment in self.truth:
            inside = (times >= segment.interval.start_s) & (times < segment.interval.end_s)
            label[inside] = PHASES.index(segment.phase)
            if segment.source == "machine":
                weight[inside] *= MACHINES_SHARE
        return PhaseRows(
            inputs_of(emissions)[at],
            emissions.phase_prob[at],
            label,
            weight,
            nobody_works(self.series.features)[at],
            whole_lengths(self.truth),
        )

    @cached_property
    def settled(self) -> tuple[Flag, ...]:
        """Flags as shipped once the phases are as corrected."""
        findings = review_track(
            self.track, self.protocol, corrections=self.corrections, evidence=self.series
        )
        return look_flags(find_flags(findings, self.protocol))


def showing_all(protocol: Protocol) -> Protocol:
    """The same, with every flag shown, however unsure."""
    flags = protocol.detection.flags.model_copy(
        update={
            name: 0.0
            for name in type(protocol.detection.flags).model_fields
            if name.startswith("min_confidence")
        }
    )
    unit = protocol.detection.unit
    unit = unit.model_copy(update={"flags": {}}) if unit else None
    detection = protocol.detection.model_copy(update={"flags": flags, "unit": unit})
    return protocol.model_copy(update={"detection": detection})


def look_flags(flags: Sequence[Flag]) -> tuple[Flag, ...]:
    """Those that ask for a look."""
    return tuple(flag for flag in flags if flag.level is FlagLevel.LOOK)


def fitted_series(lesson: Lesson, values: UnitValues | None) -> Evidence:
    """The lesson's evidence as values see it."""
    own = values.phases if values else None
    return replace(lesson.series, emissions=adjusted(lesson.series.emissions, own))


def phases_with(lesson: Lesson, values: UnitValues | None) -> Timeline:
    """The phases that would be found with values, corrections left aside."""
    series = fitted_series(lesson, values)
    return phases_of(series.features, series.emissions, with_values(lesson.protocol, values))


def findings_with(lesson: Lesson, values: UnitValues | None) -> Findings:
    """All that would be found with values, corrections left aside."""
    series = fitted_series(lesson, values)
    return review_track(lesson.track, with_values(lesson.protocol, values), evidence=series)


# --- how well values do -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Score:
    """How far off values are on one lesson.

    Attributes:
        edges_s: error of each corrected edge, seconds.
        false_flags, missed: see the module's docstring.
        right: flags that are shown and were agreed with.
    """

    edges_s: tuple[float, ...]
    false_flags: int
    missed: int
    right: int


def score_lesson(lesson: Lesson, values: UnitValues | None) -> Score:
    """Hold what values find against what the trainer said."""
    findings = findings_with(lesson, values)
    flags = look_flags(find_flags(findings, with_values(lesson.protocol, values)))
    judged = judged_flags(lesson, flags)
    agreed = [d for d in lesson.decisions if d.verdict is Verdict.AGREE]
    met = {d.id for d in match_decisions(flags, agreed) if d is not None}
    unmet = sum(not any(gap_s(flag, m) <= NEAR_S for flag in flags) for m in lesson.moments)
    return Score(
        edge_errors(lesson.truth, findings.phases),
        sum(right is False for right in judged),
        len(agreed) - len(met) + unmet,
        sum(right is True for right in judged),
    )


def judged_flags(lesson: Lesson, flags: Sequence[Flag]) -> tuple[bool | None, ...]:
    """Whether each flag is right, wrong, or not known."""
    matched = match_decisions(flags, lesson.decisions)
    return tuple(
        _judged(lesson, flag, decision) for flag, decision in zip(flags, matched, strict=True)
    )


def _judged(lesson: Lesson, flag: Flag, decision: Decision | None) -> bool | None:
    if decision is not None:
        return {Verdict.AGREE: True, Verdict.DISAGREE: False}.get(decision.verdict)
    if any(gap_s(flag, moment) <= NEAR_S for moment in lesson.moments):
        return True
    alike = (other for other in lesson.settled if other.kind is flag.kind)
    return None if any(gap_s(flag, other) <= NEAR_S for other in alike) else False


def edge_errors(true: Timeline, found: Timeline) -> tuple[float, ...]:
    """Error of each true edge in seconds, at most :data:`MOST_ERROR_S`.

    Segments of one phase are matched by overlap, as in :func:`review.metrics.boundary_errors`;
    unlike there an edge of a segment that was not found counts, with the most.
    """
    errors: list[float] = []
    extent = true.extent
    for phase in PHASES:
        if phase is Phase.OTHER:
            continue
        mine = [segment.interval for segment in true.of(phase)]
        theirs = [segment.interval for segment in found.of(phase)]
        pairs = dict(match_by_overlap(mine, theirs))
        for number, span in enumerate(mine):
            other = theirs[pairs[number]] if number in pairs else None
            errors += _edges_of(span, other, extent)
    return tuple(errors)


def _edges_of(span: Interval, other: Interval | None, extent: Interval) -> list[float]:
    edges = []
    if span.start_s > extent.start_s:
        edges.append(MOST_ERROR_S if other is None else abs(other.start_s - span.start_s))
    if span.end_s < extent.end_s:
        edges.append(MOST_ERROR_S if other is None else abs(other.end_s - span.end_s))
    return [min(edge, MOST_ERROR_S) for edge in edges]
