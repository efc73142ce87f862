"""Flags about the open line: talking and masks while it was open, hands that touched before it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

import numpy as np

from review.analysis import Flag, FlagKind, FlagLevel
from review.flagging import UNSURE, against, flag_of, hull
from review.measures import Measurement, Result, explain, judge, quantity, severity
from review.openline import OPEN_PHASES, OpenLineFindings, TalkingNearLine
from review.protocol import Protocol
from review.timeline import Timeline
from review.touching import FaceContact, FieldExit
from review.wording import PHASES as PHASE_WORDS

AFTER_TOUCH = (
    "If an open end may have been touched: stop, close the line, do not run fluid in, "
    "call the unit."
)

BREATH_S = 2.0
"""Talking goes on after a pause of up to this (common practice, no source)."""

CLEAN_HANDS = "common practice: clean hands touch nothing else before the line; no published number"
"""Who asks that clean hands stay away from the face and in the clean field."""

Touch = TypeVar("Touch", FaceContact, FieldExit)


def touch_flags(
    contacts: Sequence[FaceContact], exits: Sequence[FieldExit], phases: Timeline
) -> Iterable[Flag]:
    """Hands at the face, and hands out of the clean field, before the line was handled.

    Args:
        contacts: hands at the face.
        exits: hands that left the clean field.
        phases: of the recording.
    """
    for group in _together([c for c in contacts if _matters(c, phases)]):
        span, hands = hull([c.interval for c in group]), _hands(group)
        yield flag_of(
            FlagKind.HAND_TO_FACE,
            span,
            FlagLevel.LOOK,
            max(c.confidence for c in group),
            f"{hands} at the face or hair for {quantity(span.duration_s, 's')}, and no new rub "
            f"or wash was seen before the line was handled; target none ({CLEAN_HANDS}). "
            f"{AFTER_TOUCH}",
        )
    for away in _together([e for e in exits if _matters(e, phases)]):
        span, hands = hull([e.interval for e in away]), _hands(away)
        furthest = max(e.distance for e in away)
        # Out of view counts as away once the hand was seen to leave, so how far it went beyond
        # the margin says how sure this is, not how much of the way was seen.
        confidence = 0.5 + 0.25 * furthest
        where = (
            f"outside the work area for {quantity(span.duration_s, 's')} (up to {furthest:.0f} "
            "hand widths beyond it)"
            if furthest > 0
            else f"out of the picture for {quantity(span.duration_s, 's')}"
        )
        yield flag_of(
            FlagKind.LEFT_CLEAN_FIELD,
            span,
            FlagLevel.LOOK,
            confidence,
            f"{hands} {where}, and no new rub or wash was seen before the line was handled; target "
            f"none ({CLEAN_HANDS}).",
        )


def _matters(event: FaceContact | FieldExit, phases: Timeline) -> bool:
    """Whether the line is handled after the event, with no rub or wash between."""
    handled = any(
        s.phase in OPEN_PHASES and s.interval.end_s > event.interval.end_s for s in phases
    )
    return handled and not event.rubbed_after


def _together(events: Sequence[Touch]) -> list[list[Touch]]:
    """Events of either hand that overlap in time: one moment to look at, not two."""
    groups: list[list[Touch]] = []
    for event in events:
        if groups and event.interval.start_s < max(e.interval.end_s for e in groups[-1]):
            groups[-1].append(event)
        else:
            groups.append([event])
    return groups


def _hands(events: Sequence[FaceContact] | Sequence[FieldExit]) -> str:
    hands = {event.hand for event in events}
    return "Both hands were" if len(hands) == 2 else f"The {hands.pop()} hand was"


def open_line_flags(found: OpenLineFindings, protocol: Protocol) -> Iterable[Flag]:
    """Talking, a mask that was not seen, and what of both could not be told.

    Args:
        found: about the open line.
        protocol: what the unit asks.
    """
    by_name = {m.name: m for m in found.measurements}
    target = protocol.target("open_line.talking_time")
    if target is not None and target.has_bounds:
        for talks in _sentences(found.talking):
            distance = min((t.distance for t in talks if np.isfinite(t.distance)), default=np.nan)
            near = (
                f" with the mouth about {distance:.0f} hand widths from the hands"
                if np.isfinite(distance)
                else ""
            )
            spoken_s = sum(talk.interval.duration_s for talk in talks)
            yield flag_of(
                FlagKind.TALKING_NEAR_OPEN_LINE,
                hull([talk.interval for talk in talks]),
                FlagLevel.LOOK,
                max(talk.probability for talk in talks),
                f"The mouth moved as in talking for {quantity(spoken_s, 's')} "
                f"while the line was open ({PHASE_WORDS[talks[0].phase].lower()}){near}; "
                f"target {target.text} ({target.source}).",
                "open_line.talking_time",
            )
        spoken = by_name["open_line.talking_time"]
        if spoken.value is None and found.windows:
            yield from _mouth_not_seen(found, spoken)
    yield from _mask_flags(found, by_name["open_line.mask_seen"], protocol)


def _sentences(talking: Sequence[TalkingNearLine]) -> list[list[TalkingNearLine]]:
    """Talking with a breath between in one phase: one moment to look at, not several."""
    groups: list[list[TalkingNearLine]] = []
    for talk in talking:
        before = groups[-1][-1] if groups else None
        if (
            before is not None
            and before.phase is talk.phase
            and talk.interval.start_s - before.interval.end_s <= BREATH_S
        ):
            groups[-1].append(talk)
        else:
            groups.append([talk])
    return groups


def _mask_flags(found: OpenLineFindings, seen: Measurement, protocol: Protocol) -> Iterable[Flag]:
    """Nothing unless the unit asks for a mask; then what was missing, or could not be told."""
    target = protocol.target(seen.name)
    if target is None or not target.has_bounds or not found.windows:
        return
    longest = max((w.interval for w in found.windows), key=lambda span: span.duration_s)
    if judge(seen, target) is Result.NOT_ASSESSABLE:
        yield flag_of(
            FlagKind.NOT_SEEN,
            longest,
            FlagLevel.CANNOT_TELL,
            1.0,
            "Whether a mask was worn while the line was open cannot be told. "
            f"{explain(seen, target)}",
            seen.name,
        )
    elif (level := severity(seen, target)) is not None:
        sure = found.mask_confidence
        yield flag_of(
            FlagKind.MASK_MISSING,
            longest,
            FlagLevel(level),
            sure if np.isfinite(sure) else UNSURE,
            against("A mask was seen for this share of the open-line time:", seen, target),
            seen.name,
        )


def _mouth_not_seen(found: OpenLineFindings, spoken: Measurement) -> Iterable[Flag]:
    for window in found.windows:
        yield flag_of(
            FlagKind.NOT_SEEN,
            window.interval,
            FlagLevel.CANNOT_TELL,
            1.0,
            f"Whether there was talking while the line was open "
            f"({PHASE_WORDS[window.phase].lower()}) cannot be told. {spoken.why}",
            spoken.name,
        )
