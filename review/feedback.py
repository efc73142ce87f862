"""What a patient is told about one practice: first what went well, then at most two things.

A pure function from an analysis, what the nurse decided and the person's own earlier sessions
to short texts in the person's language. The numbers come from the analysis; the words come from
the catalogue. Nothing here compares one person with another, and what could not be seen is
said apart, as neither good nor bad.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from review.analysis import Analysis, Flag, FlagKind, FlagLevel, MeasureRecord
from review.earlier import (
    Comparison,
    EarlierSession,
    compare_with_earlier,
    target_of,
    whole_seconds,
)
from review.measures import Result
from review.store.records import Answer, ChecklistAnswer, Decision, Verdict, match_decisions
from review.timeline import Phase
from review.wording import PHASES
from review.words import Words

MOST_TO_PRACTISE: Final = 2
"""More than two things at once are hard to keep in mind (common practice, no source)."""

MOST_GONE_WELL: Final = 4

LEAD_IN_S: Final = 2.0
"""The clip starts this much before the moment, so that one sees what comes."""

LONGEST_CLIP_S: Final = 15.0
"""A few seconds are shown, not the whole wash."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Point:
    """One thing said to the patient.

    Attributes:
        topic: what it is about, a key of the catalogue.
        title: a few words.
        saw: what was seen, one or two sentences.
        do: what to do next time; empty for what went well.
        clip: seconds of the recording that show it, half-open; None where no span does.
        checked: whether the nurse has agreed with it, or noted it; always true for what went
            well, which rests on a measurement.
    """

    topic: str
    title: str
    saw: str
    do: str = ""
    clip: Span | None = None
    checked: bool = True


@dataclass(frozen=True, slots=True)
class Feedback:
    """Everything on the patient's page, in one language, in reading order.

    Attributes:
        language: code for the HTML ``lang`` attribute.
        well: what went well; never empty.
        practise: at most two things to practise, the most important first.
        more: a sentence about further things the nurse will go over; empty for none.
        told: whether enough was seen to say that nothing needs a change.
        hidden: a sentence about what could not be seen; empty for nothing.
        comparisons: with the person's own earlier sessions; empty for a first session.
        touch: what to do if the open line was touched, step by step. Always there.
    """

    language: str
    taken_on: date
    well: tuple[Point, ...]
    practise: tuple[Point, ...]
    more: str
    told: bool
    hidden: str
    comparisons: tuple[Comparison, ...]
    touch: tuple[str, ...]


def make_feedback(
    analysis: Analysis,
    words: Words,
    *,
    taken_on: date,
    decisions: Sequence[Decision] = (),
    answers: Sequence[ChecklistAnswer] = (),
    critical: Iterable[str] = (),
    earlier: Sequence[EarlierSession] = (),
) -> Feedback:
    """Turn one analysis into what the patient is told.

    A flag that the nurse disagreed with, or is unsure about, is left out; one she agreed with
    goes before one that she has not looked at. Flags of the level 'cannot tell' are never
    things to practise.

    Args:
        analysis: the latest one of the recording, corrections included.
        words: the catalogue of the person's language.
        taken_on: the day of the session.
        decisions: the nurse's latest decision on each flag.
        answers: the nurse's checklist.
        critical: texts of the checklist's critical items; one answered 'not done' is noted.
        earlier: the same person's earlier sessions, in any order.
    """
    live, disputed = _live_flags(analysis, decisions)
    candidates = [
        *_noted(answers, frozenset(critical), words),
        *(point for flag in live for point in _practise(flag, analysis, words)),
    ]
    ranked = sorted(_one_each(candidates), key=_urgency)
    raised = {_group(point.topic) for point in ranked} | {
        _group(topic) for flag in (*live, *disputed) for topic in _topics(flag)
    }
    well = [point for point in _went_well(analysis, words) if _group(point.topic) not in raised]
    left = len(ranked) - MOST_TO_PRACTISE
    return Feedback(
        language=words.language,
        taken_on=taken_on,
        well=tuple(well[:MOST_GONE_WELL]) or (_fallback(words),),
        practise=tuple(ranked[:MOST_TO_PRACTISE]),
        more=words.count("more", left) if left > 0 else "",
        told=bool(well or ranked),
        hidden=_hidden(analysis, words),
        comparisons=compare_with_earlier(analysis, taken_on, earlier, words),
        touch=tuple(words.say(f"touch.step{number}") for number in range(1, 5)),
    )


def _live_flags(
    analysis: Analysis, decisions: Sequence[Decision]
) -> tuple[list[tuple[Flag, bool]], list[tuple[Flag, bool]]]:
    """Flags to speak of with whether the nurse agreed, and those she did not agree with."""
    live: list[tuple[Flag, bool]] = []
    disputed: list[tuple[Flag, bool]] = []
    matched = match_decisions(analysis.flags, decisions)
    for flag, decision in zip(analysis.flags, matched, strict=True):
        if flag.level is FlagLevel.CANNOT_TELL:
            continue
        agreed = decision is not None and decision.verdict is Verdict.AGREE
        (live if decision is None or agreed else disputed).append((flag, agreed))
    return live, disputed


# --- what to practise -------------------------------------------------------------------------

_ORDER: Final = (
    "noted",
    "face",
    "quiet",
    "mask",
    "rub_connect",
    "rub_disconnect",
    "wash_time",
    "wash_surfaces",
    "missing",
    "stay",
    "order",
    "rub_connect_short",
    "rub_disconnect_short",
    "wipe_once",
    "wipe_all",
)
"""Most important first: hands and mouth near the open line, then the wash, then the table
(common practice, no source)."""

_SIMPLE: Final = {
    FlagKind.TALKING_NEAR_OPEN_LINE: "quiet",
    FlagKind.HAND_TO_FACE: "face",
    FlagKind.LEFT_CLEAN_FIELD: "stay",
    FlagKind.WASH_SHORT: "wash_time",
    FlagKind.WASH_SURFACE_MISSED: "wash_surfaces",
    FlagKind.SURFACE_REWIPED: "wipe_once",
    FlagKind.SURFACE_AREA_MISSED: "wipe_all",
    FlagKind.PHASE_MISSING: "missing",
    FlagKind.PHASE_OUT_OF_ORDER: "order",
    FlagKind.MASK_MISSING: "mask",
}
"""Topic of each kind of flag that has one; those about a hand rub depend on its place."""

NO_TOPIC: Final = frozenset({FlagKind.WAIT_SHORT, FlagKind.NOT_SEEN})
"""Kinds that no person is told to practise: a short wait is a matter of the unit's system, and what
the camera could not see is said apart."""


def _topics(judged: tuple[Flag, bool]) -> tuple[str, ...]:
    """The topics a flag speaks about; none for what is no matter of practice."""
    flag = judged[0]
    if flag.kind in (FlagKind.HAND_RUB_MISSING, FlagKind.HAND_RUB_SHORT):
        place = flag.measure.removeprefix("rub.before_")
        if place not in ("connect", "disconnect"):
            return ()
        return (f"rub_{place}" + ("_short" if flag.kind is FlagKind.HAND_RUB_SHORT else ""),)
    return (_SIMPLE[flag.kind],) if flag.kind in _SIMPLE else ()


def _group(topic: str) -> str:
    """A short rub and a missing rub are about the same thing."""
    return topic.removesuffix("_short")


def _practise(judged: tuple[Flag, bool], analysis: Analysis, words: Words) -> Iterable[Point]:
    flag, agreed = judged
    first, last = (
        (flag.shown.start_s, flag.shown.end_s) if flag.shown else (flag.start_s, flag.end_s)
    )
    for topic in _topics(judged):
        saw = _saw(topic, flag, analysis, words)
        if saw:
            yield Point(
                topic=topic,
                title=words.say(f"practise_title.{topic}"),
                saw=saw,
                do=words.say(f"do.{topic}"),
                clip=_clip(first, last, analysis),
                checked=agreed,
            )


def _saw(topic: str, flag: Flag, analysis: Analysis, words: Words) -> str:
    """What was seen, in words; empty where the analysis cannot say it truly."""
    if topic == "wash_time":
        return _short_of(analysis, ("wash.rubbing_time", "wash.whole_time"), words)
    if topic.endswith("_short"):
        return _short_of(analysis, (flag.measure,), words)
    if topic == "wash_surfaces":
        missed = [s.surface for s in analysis.wash_surfaces if s.result is Result.NOT_MET]
        parts = words.listing([words.say(f"surfaces.{surface}") for surface in missed])
        return words.say("saw.wash_surfaces", parts=parts) if parts else ""
    if topic == "quiet":
        seconds = max(math.ceil(round(flag.end_s - flag.start_s, 3)), 1)
        return words.say("saw.quiet", time=words.count("seconds", seconds))
    if topic in ("missing", "order"):
        phase = _phase_of(flag, topic, analysis)
        return words.say(f"saw.{topic}", phase=words.say(f"phases.{phase}")) if phase else ""
    return words.say(f"saw.{topic}")


def _phase_of(flag: Flag, topic: str, analysis: Analysis) -> Phase | None:
    """Which phase a flag about the order is about.

    One out of order is the phase that lies at the flag. A missing one is a required phase of
    the protocol that the recording does not hold and that the flag's message begins with.
    """
    if topic == "order":
        same = (p for p in analysis.phases if (p.start_s, p.end_s) == (flag.start_s, flag.end_s))
        return next((record.phase for record in same), None)
    return next((p for p, name in PHASES.items() if flag.message.startswith(name)), None)


def _short_of(analysis: Analysis, names: Sequence[str], words: Words) -> str:
    """The first of the named times that fell short of its target, in words."""
    for name in names:
        record, target = analysis.measure(name), target_of(analysis, name)
        if (
            record is not None
            and record.result is Result.NOT_MET
            and record.value is not None
            and target is not None
            and target.at_least is not None
        ):
            key = {"wash.rubbing_time": "wash_time", "wash.whole_time": "wash_whole"}.get(
                name, f"rub_{name.removeprefix('rub.before_')}_short"
            )
            return words.say(
                f"saw.{key}",
                time=whole_seconds(record.value, words),
                aim=words.count("seconds", math.ceil(target.at_least)),
            )
    return ""


def _noted(
    answers: Sequence[ChecklistAnswer], critical: frozenset[str], words: Words
) -> Iterable[Point]:
    """Critical items the nurse saw left out; the unit's own words for them."""
    for answer in answers:
        if answer.answer is Answer.NOT_DONE and answer.item in critical:
            yield Point(
                topic="noted",
                title=words.say("practise_title.noted"),
                saw=words.say("saw.noted", item=answer.item),
                do=words.say("do.noted"),
            )


def _one_each(points: Sequence[Point]) -> list[Point]:
    """One point a topic (each noted item counts as its own), an agreed one if there is one."""
    kept: dict[tuple[str, str], Point] = {}
    for point in points:
        key = (point.topic, point.saw if point.topic in ("noted", "missing", "order") else "")
        if key not in kept or (point.checked and not kept[key].checked):
            kept[key] = point
    return list(kept.values())


def _urgency(point: Point) -> tuple[bool, int, float]:
    start = point.clip[0] if point.clip else 0.0
    return not point.checked, _ORDER.index(point.topic), start


# --- what went well ---------------------------------------------------------------------------

_WELL: Final = (
    ("wash_time", "wash.rubbing_time"),
    ("wash_surfaces", "wash.surfaces_rubbed"),
    ("rub_connect", "rub.before_connect"),
    ("rub_disconnect", "rub.before_disconnect"),
    ("quiet", "open_line.talking_time"),
    ("wipe_all", "surface.covered"),
    ("wipe_once", "surface.gone_over_again"),
)
"""Topics that a measure can speak well of, the ones that matter most first."""


def _went_well(analysis: Analysis, words: Words) -> Iterable[Point]:
    for topic, name in _WELL:
        record = analysis.measure(name)
        if record is None or record.result is not Result.MET or record.value is None:
            continue
        if name == "wash.surfaces_rubbed" and not _every_surface_seen(analysis):
            continue
        target = target_of(analysis, name)
        values = _values(topic, record, words)
        if record.unit == "s" and target is not None and target.at_least is not None:
            values["aim"] = words.count("seconds", math.ceil(target.at_least))
        yield Point(
            topic=topic,
            title=words.say(f"well_title.{topic}"),
            saw=words.say(f"well.{topic}", **values),
            clip=_clip(*record.spans[0], analysis) if record.spans else None,
        )


def _every_surface_seen(analysis: Analysis) -> bool:
    """'All parts' is said only when each of them was seen rubbed."""
    return bool(analysis.wash_surfaces) and all(
        surface.result is Result.MET for surface in analysis.wash_surfaces
    )


def _values(topic: str, record: MeasureRecord, words: Words) -> dict[str, object]:
    assert record.value is not None
    if topic == "wash_surfaces":
        return {"n": round(record.value)}
    return {"time": whole_seconds(record.value, words)} if record.unit == "s" else {}


def _fallback(words: Words) -> Point:
    """Something true and kind where no measure speaks: the person filmed the practice."""
    return Point(topic="fallback", title="", saw=words.say("page.fallback"))


# --- what could not be seen -------------------------------------------------------------------


def _hidden(analysis: Analysis, words: Words) -> str:
    """One sentence naming what the protocol asks about and the camera could not tell."""
    things = []
    for topic, name in _WELL:
        record, target = analysis.measure(name), target_of(analysis, name)
        asked = target is not None and target.has_bounds
        if record is not None and asked and record.result is Result.NOT_ASSESSABLE:
            things.append(words.say(f"hidden.{topic}"))
        elif topic == "wash_surfaces":
            unclear = [
                words.say(f"surfaces.{surface.surface}")
                for surface in analysis.wash_surfaces
                if surface.result is Result.NOT_ASSESSABLE
            ]
            if unclear:
                things.append(words.say("hidden.parts", parts=words.listing(unclear)))
    return words.say("hidden.all", things=words.listing(things)) if things else ""


# --- small things -----------------------------------------------------------------------------


def _clip(start_s: float, end_s: float, analysis: Analysis) -> Span:
    """The few seconds of the recording that show a moment, a little lead-in included."""
    start = max(start_s - LEAD_IN_S, 0.0)
    end = min(end_s + 1.0, start + LONGEST_CLIP_S, max(analysis.recording.duration_s, end_s))
    return round(start, 1), round(max(end, start + 0.1), 1)
