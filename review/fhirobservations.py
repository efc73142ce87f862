"""What was measured and decided in a session, as FHIR Observations.

The number is the value, the answer its interpretation (met, not met, not assessable), the target
with its source the reference range. Where the answer is *not assessable* there is no value but a
reason, so that no reader holds a number from the little that was seen against the target; the
number itself then stands in a component that says what it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from review.analysis import Analysis, MeasureRecord, WashSurface
from review.fhircodes import (
    CATEGORY,
    RANGE_MEANING,
    Json,
    absent,
    coded,
    narrative,
    public,
    quantity,
    without_gaps,
)
from review.measures import REPORTED_ONLY, Result
from review.sessionfile import DecisionRecord, ReviewRecord, Session
from review.store.records import Outcome, Verdict
from review.summary import is_only_reported, measure_name, measured_text
from review.wording import FLAGS, RESULTS, SURFACES

OUTCOMES: Final = {
    Outcome.SIGNED_OFF: "Signed off",
    Outcome.PRACTISE_MORE: "To practise more",
}
VERDICTS: Final = {
    Verdict.AGREE: "The trainer agrees",
    Verdict.DISAGREE: "The trainer disagrees",
    Verdict.UNSURE: "The trainer is not sure",
}
CANNOT_TELL: Final = "The camera could not tell."


@dataclass(frozen=True, slots=True)
class Observed:
    """An observation without what all of a session share; ``key`` makes its id."""

    key: str
    content: Json


def observations(session: Session) -> Iterator[Observed]:
    """All of a session: length, measures, hand surfaces, then what the review said."""
    analysis, review = session.analysis, session.review
    method = _method(review)
    yield _observed(
        "recording.length",
        coded("recording.length", "Length of the recording"),
        {"valueQuantity": quantity(analysis.recording.duration_s, "s")},
        f"{analysis.recording.duration_s:g} s",
    )
    for record in analysis.measures:
        yield _measure(record, _bounds(analysis, record.name), method)
    for surface in analysis.wash_surfaces:
        yield _surface(surface, method)
    if review is not None:
        yield from _reviewed(session, review)


def _observed(key: str, code: Json, value: Json, words: str, **more: Any) -> Observed:
    text = narrative(f"{code['text']}: {words}")
    category = [public(CATEGORY, "procedure", "Procedure")]
    content = {"text": text, "category": category, "code": code, **value, **more}
    return Observed(key, without_gaps(content))


def _method(review: ReviewRecord | None) -> Json:
    if review is not None and review.basis == "corrected":
        words = "Measured from the recording, with phases or spans that a person set"
        return coded("by-camera-corrected", words)
    return coded("by-camera", "Measured by the program from the recording")


# --- measures ------------------------------------------------------------------------------------


def _bounds(analysis: Analysis, name: str) -> Json:
    """The target as the protocol in the analysis holds it; empty where there is none."""
    targets = analysis.protocol.content.get("targets", [])
    return next((target for target in targets if target.get("measure") == name), {})


def _measure(record: MeasureRecord, bounds: Json, method: Json) -> Observed:
    name, unit = measure_name(record), record.unit
    asked = record.target not in ("", REPORTED_ONLY)
    reported = is_only_reported(record)
    untold = record.value is None or (record.result is Result.NOT_ASSESSABLE and not reported)
    why = record.why or CANNOT_TELL
    components = [
        {
            "code": coded("seen_share", "Share of the time that matters that was seen"),
            "valueQuantity": quantity(record.seen_fraction, "share"),
        }
    ]
    value: Json
    if untold or record.value is None:
        value = {"dataAbsentReason": absent(why)}
        if record.value is not None:
            components.append(
                {
                    "code": coded("seen_part", "Measured in the part that was seen"),
                    "valueQuantity": quantity(record.value, unit),
                }
            )
    else:
        value = {"valueQuantity": quantity(record.value, unit)}
    said = why.rstrip(".") if untold else measured_text(record)
    words = f"{said}; asked: {record.target}; {RESULTS[record.result]}" if asked else said
    return _observed(
        f"measure/{record.name}",
        coded(record.name, name),
        value,
        words,
        interpretation=[_answer(record.result)] if asked else [],
        method=method,
        referenceRange=[_range(record, bounds)] if asked else [],
        component=components,
    )


def _answer(result: Result) -> Json:
    return coded(result.value, RESULTS[result].capitalize())


def _range(record: MeasureRecord, bounds: Json) -> Json:
    """The target and who asks for it."""
    content: Json = {}
    if "at_least" in bounds:
        content["low"] = quantity(bounds["at_least"], record.unit)
    if "at_most" in bounds:
        content["high"] = quantity(bounds["at_most"], record.unit)
    content["type"] = public(RANGE_MEANING, "recommended", "Recommended Range")
    source = f"; source: {record.source}" if record.source else ""
    content["text"] = f"{record.target}{source}"
    return content


def _surface(surface: WashSurface, method: Json) -> Observed:
    """Seconds on one hand surface, with strokes and rounds."""
    name = SURFACES[surface.surface]
    name = name[0].lower() + name[1:]
    told = surface.result is not Result.NOT_ASSESSABLE and surface.seconds is not None
    value: Json = {"dataAbsentReason": absent(CANNOT_TELL)}
    if told and surface.seconds is not None:
        value = {"valueQuantity": quantity(surface.seconds, "s")}
    components = [
        {
            "code": coded(code, display),
            **({"valueQuantity": quantity(count, code)} if told and count is not None
               else {"dataAbsentReason": absent(CANNOT_TELL)}),
        }
        for code, display, count in (
            ("strokes", "Strokes", surface.strokes),
            ("rounds", "Rounds", surface.rounds),
        )
    ]  # fmt: skip
    said = f"{surface.seconds:g} s" if told else CANNOT_TELL.rstrip(".")
    return _observed(
        f"surface/{surface.surface.value}",
        coded(f"wash.surface.{surface.surface.value}", f"Wash, {name}: rubbing time"),
        value,
        f"{said}; {RESULTS[surface.result]}",
        interpretation=[_answer(surface.result)],
        method=method,
        component=components,
    )


# --- what people said ----------------------------------------------------------------------------


def _reviewed(session: Session, review: ReviewRecord) -> Iterator[Observed]:
    decided = 0
    for number, decision in enumerate(review.decisions):
        if decision.flag is not None:
            decided += 1
            yield _decision(number, decision)
    left = len(session.analysis.flags) - decided
    yield _observed(
        "moments.undecided",
        coded("moments.undecided", "Flagged moments that nobody decided on"),
        {"valueQuantity": quantity(left, "moments")},
        str(left),
    )
    if review.sign_offs:
        last = review.sign_offs[-1]
        if last.recheck_on is not None:
            yield _observed(
                "recheck_on",
                coded("recheck_on", "To be looked at again on"),
                {"valueDateTime": last.recheck_on.isoformat()},
                last.recheck_on.isoformat(),
            )


def _decision(number: int, decision: DecisionRecord) -> Observed:
    """A flagged moment and what the trainer said about it; the flag alone is no finding."""
    said = VERDICTS[decision.verdict]
    components = [
        {"code": coded(code, display), "valueQuantity": quantity(at, "s")}
        for code, display, at in (
            ("start", "Begins, seconds from the first picture", decision.start_s),
            ("end", "Ends, seconds from the first picture", decision.end_s),
        )
    ]
    return _observed(
        f"decision/{number}",
        coded(f"moment.{decision.kind.value}", f"Flagged moment: {FLAGS[decision.kind]}"),
        {"valueCodeableConcept": coded(decision.verdict.value, said)},
        f"{decision.start_s:g} to {decision.end_s:g} s: {said}",
        component=components,
    )
