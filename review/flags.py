"""From measures to flagged moments: what is worth the nurse's look, and why.

Every flag is one plain sentence with the number, the target and the reason. A thing that
was not seen is never a fault: it becomes a ``cannot_tell`` flag of kind ``not_seen``, or
nothing where the protocol asks nothing. A person decides about each of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from review.analysis import Flag, FlagKind, FlagLevel
from review.emissions import PHASES, Emissions
from review.flagging import against, flag_of, hull
from review.handgrid import moving_mean
from review.measures import Measurement, Result, judge, quantity, severity
from review.openline import OpenLineFindings
from review.openlineflags import open_line_flags, touch_flags
from review.order import MissingStep, OrderReport
from review.protocol import Protocol
from review.refitapply import excess, values_by_name, worth_showing
from review.settings import FlagDetection
from review.showing import moment_to_show
from review.surface import WipingFindings
from review.timeline import Interval, Phase, Segment, Timeline
from review.touching import FaceContact, FieldExit
from review.tracks import FeatureTrack
from review.washing import WashFindings, hands_seen_share, seen_fraction
from review.wording import DOUBTS, DRAWN_AREA_DOUBT
from review.wording import PHASES as PHASE_WORDS
from review.wording import SURFACES as SURFACE_WORDS


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything the rules look at, for one recording."""

    phases: Timeline
    order: OrderReport
    emissions: Emissions
    features: FeatureTrack
    hygiene: WashFindings
    wiping: WipingFindings
    open_line: OpenLineFindings
    contacts: tuple[FaceContact, ...]
    exits: tuple[FieldExit, ...]
    waits: tuple[Measurement, ...]


def find_flags(findings: Findings, protocol: Protocol) -> tuple[Flag, ...]:
    """All flags of a recording, sorted by time.

    When no phase of an exchange was recognised the only flag is one of kind ``not_seen``:
    a missing exchange is not a list of faults.
    """
    extent = findings.phases.extent
    if all(segment.phase is Phase.OTHER for segment in findings.phases):
        return (_explained(_nothing_recognised(findings, extent), findings),)
    flags = [
        *_order_flags(findings, protocol),
        *_wash_flags(findings, protocol),
        *_rub_flags(findings, protocol),
        *_wiping_flags(findings, protocol),
        *touch_flags(findings.contacts, findings.exits, findings.phases),
        *open_line_flags(findings.open_line, protocol),
        *_wait_flags(findings, protocol),
    ]
    found = values_by_name(
        (
            *findings.hygiene.measurements,
            *findings.wiping.measurements,
            *findings.open_line.measurements,
            *findings.waits,
        )
    )
    kept = (_explained(flag, findings) for flag in flags if _certain_enough(flag, protocol, found))
    return tuple(sorted(kept, key=lambda flag: (flag.start_s, flag.end_s, flag.kind)))


def _explained(flag: Flag, findings: Findings) -> Flag:
    """The same flag with the seconds that show it and why it might be wrong."""
    span = Interval(flag.start_s, max(flag.end_s, flag.start_s + 1e-3))
    drawn = flag.kind is FlagKind.SURFACE_AREA_MISSED and findings.wiping.corners is not None
    shown = moment_to_show(flag.kind, span, findings.phases.extent, findings.open_line.probability)
    return flag.model_copy(
        update={
            "doubt": DRAWN_AREA_DOUBT if drawn else DOUBTS[flag.kind],
            "shown_start_s": max(shown.start_s, 0.0),
            "shown_end_s": shown.end_s,
        }
    )


def _certain_enough(flag: Flag, protocol: Protocol, found: Mapping[str, float | None]) -> bool:
    """Whether a flag is sure enough to be shown; 'cannot tell' is always shown."""
    if flag.level is FlagLevel.CANNOT_TELL:
        return True
    detection = protocol.detection
    own = detection.unit.flags.get(flag.kind.value) if detection.unit else None
    missed_by = excess(flag, found, protocol) if own else 0.0
    return worth_showing(flag, own, detection.flags, missed_by)


def _nothing_recognised(findings: Findings, extent: Interval) -> Flag:
    seen = seen_fraction(findings.features, (extent,))
    reason = (
        f"hands were in view for {quantity(seen, 'share')} of it"
        if seen > 0
        else "no hands were seen in it"
    )
    return flag_of(
        FlagKind.NOT_SEEN,
        extent,
        FlagLevel.CANNOT_TELL,
        1.0,
        f"No bag exchange was recognised in this recording; {reason}. "
        "Nothing can be said about technique.",
    )


# --- order ------------------------------------------------------------------------------------


def _order_flags(findings: Findings, protocol: Protocol) -> Iterable[Flag]:
    settings = protocol.detection.flags
    for missing in findings.order.missing:
        # A missing rub is judged by its own measure, with its own words.
        if missing.phase is not Phase.HAND_RUB:
            yield _missing_flag(missing, findings, settings)
    for segment in findings.order.out_of_order:
        if segment.phase is not Phase.HAND_RUB:
            yield flag_of(
                FlagKind.PHASE_OUT_OF_ORDER,
                segment.interval,
                FlagLevel.LOOK,
                segment.confidence,
                f"{PHASE_WORDS[segment.phase]} came at another place than the protocol's order.",
            )


def _missing_flag(missing: MissingStep, findings: Findings, settings: FlagDetection) -> Flag:
    extent = findings.phases.extent
    start = missing.after.interval.end_s if missing.after else extent.start_s
    end = missing.before.interval.start_s if missing.before else extent.end_s
    due = Interval(start, end) if start < end else None
    # With next to no time between its neighbours there was no room for the phase at all.
    place = due or _around(start, extent)
    room = due if due and due.duration_s >= settings.min_room_s else None
    words = PHASE_WORDS[missing.phase]
    # One hand in view is not enough: the other may be the one at work.
    seen = hands_seen_share(findings.features, room) if room else 1.0
    # Hands out of view are the normal look of waiting, and a gap too short for it hides none.
    if missing.phase is not Phase.WAITING and 1.0 - seen > settings.max_not_seen_fraction:
        return flag_of(
            FlagKind.NOT_SEEN,
            place,
            FlagLevel.CANNOT_TELL,
            1.0,
            f"{words} was not seen, but the hands were out of view for "
            f"{quantity(1.0 - seen, 'share')} of the time in which it was due "
            "(both hands counted).",
        )
    return flag_of(
        FlagKind.PHASE_MISSING,
        place,
        FlagLevel.LOOK,
        1.0 - _likeliest(findings.emissions, missing.phase, room),
        f"{words} was not found where the protocol asks for it.",
    )


def _around(time_s: float, extent: Interval, half_s: float = 0.5) -> Interval:
    """A second about a moment, inside the recording: an empty gap still needs a place to look."""
    start = max(extent.start_s, min(time_s - half_s, extent.end_s - 2 * half_s))
    return Interval(start, min(extent.end_s, start + 2 * half_s))


def _likeliest(emissions: Emissions, phase: Phase, span: Interval | None) -> float:
    """Highest probability of ``phase`` held for about 3 s anywhere in ``span``."""
    if span is None:
        return 0.0
    hop = float(np.median(emissions.time.widths_s))
    smooth = moving_mean(emissions.phase_prob[:, PHASES.index(phase)], 2 * round(1.5 / hop) + 1)
    inside = emissions.time.inside(span)
    return float(smooth[inside].max()) if inside.any() else 0.0


# --- washing and rubbing ----------------------------------------------------------------------


def _wash_flags(findings: Findings, protocol: Protocol) -> Iterable[Flag]:
    wash = findings.hygiene.wash
    if wash is None:
        return
    by_name = {m.name: m for m in findings.hygiene.measurements}
    whole, rubbing = by_name["wash.whole_time"], by_name["wash.rubbing_time"]
    if whole.value is None:
        yield _not_seen(wash, whole)
        return
    reasons = [
        (severity(measurement, target), against(words, measurement, target), measurement.name)
        for words, measurement in (("The whole wash took", whole), ("Rubbing took", rubbing))
        if (target := protocol.target(measurement.name)) is not None
        and judge(measurement, target) is Result.NOT_MET
        and target.at_least is not None
        and measurement.value is not None
        and measurement.value < target.at_least
    ]
    if reasons:
        level = FlagLevel.LOOK if any(r[0] == "look" for r in reasons) else FlagLevel.NOTE
        yield flag_of(
            FlagKind.WASH_SHORT,
            wash.interval,
            level,
            wash.confidence,
            " ".join(text for _, text, _ in reasons),
            reasons[0][2],
        )
    missed = [s for s in findings.hygiene.surfaces if s.result is Result.NOT_MET]
    if missed:
        names = ", ".join(SURFACE_WORDS[s.surface].lower() for s in missed)
        least = protocol.detection.wash.min_surface_s
        target = protocol.target("wash.surfaces_rubbed")
        asked = f"; target {target.text} ({target.source})" if target is not None else ""
        yield flag_of(
            FlagKind.WASH_SURFACE_MISSED,
            wash.interval,
            FlagLevel.LOOK,
            wash.confidence,
            f"Not seen rubbed for {quantity(least, 's')} or more: {names}{asked}.",
            "wash.surfaces_rubbed",
        )


def _rub_flags(findings: Findings, protocol: Protocol) -> Iterable[Flag]:
    by_name = {m.name: m for m in findings.hygiene.measurements}
    for phase, rub in findings.hygiene.rubs:
        name = f"rub.before_{phase.value}"
        measurement, target = by_name[name], protocol.target(name)
        line = next(iter(findings.phases.of(phase)), None)
        if line is None or target is None:
            continue
        words = f"before {PHASE_WORDS[phase].lower()}ing"
        if measurement.value is None:
            yield flag_of(
                FlagKind.NOT_SEEN,
                line.interval,
                FlagLevel.CANNOT_TELL,
                1.0,
                f"Whether the hands were rubbed {words} cannot be told: {measurement.why}",
                name,
            )
        elif rub is None:
            if judge(measurement, target) is Result.NOT_MET:
                yield flag_of(
                    FlagKind.HAND_RUB_MISSING,
                    line.interval,
                    FlagLevel.LOOK,
                    line.confidence,
                    f"No hand rub was found {words}, after the last thing touched "
                    f"(target {target.text}; {target.source}).",
                    name,
                )
        elif (level := severity(measurement, target)) is not None:
            yield flag_of(
                FlagKind.HAND_RUB_SHORT,
                rub.interval,
                FlagLevel(level),
                rub.confidence,
                against(f"The hand rub {words} took", measurement, target),
                name,
            )


def _not_seen(segment: Segment, measurement: Measurement) -> Flag:
    return flag_of(
        FlagKind.NOT_SEEN,
        segment.interval,
        FlagLevel.CANNOT_TELL,
        1.0,
        f"{PHASE_WORDS[segment.phase]}: {measurement.why}",
        measurement.name,
    )


# --- work surface -----------------------------------------------------------------------------


def _wiping_flags(findings: Findings, protocol: Protocol) -> Iterable[Flag]:
    segments = findings.phases.of(Phase.SURFACE_PREP)
    if not segments:
        return
    confidence = max(segment.confidence for segment in segments)
    for measurement, kind, words in (
        (
            findings.wiping.gone_over_again,
            FlagKind.SURFACE_REWIPED,
            "Cleaned surface was gone over again:",
        ),
        (
            findings.wiping.covered,
            FlagKind.SURFACE_AREA_MISSED,
            "Part of the work surface was not wiped; covered:",
        ),
    ):
        target = protocol.target(measurement.name)
        level = severity(measurement, target)
        if measurement.value is None:
            if kind is FlagKind.SURFACE_REWIPED:
                yield _not_seen(segments[0], measurement)
        elif level is not None and target is not None:
            longest = max(segments, key=lambda segment: segment.interval.duration_s)
            yield flag_of(
                kind,
                longest.interval,
                FlagLevel(level),
                confidence,
                against(words, measurement, target),
                measurement.name,
            )


# --- waiting ----------------------------------------------------------------------------------


def _wait_flags(findings: Findings, protocol: Protocol) -> Iterable[Flag]:
    for wait in findings.waits:
        target = protocol.target(wait.name)
        if target is None or severity(wait, target) is None or not wait.spans:
            continue
        if target.at_least is None or wait.value is None or wait.value >= target.at_least:
            continue
        yield flag_of(
            FlagKind.WAIT_SHORT,
            hull(wait.spans),
            # Local practice differs and fluid cannot be seen: a note, never a failure.
            FlagLevel.NOTE,
            max((s.confidence for s in findings.phases.of(Phase.WAITING)), default=0.0)
            * (protocol.detection.waits.chosen_confidence if wait.why else 1.0),
            against(f"The {wait.name.removeprefix('wait.')} took about", wait, target),
            wait.name,
        )
