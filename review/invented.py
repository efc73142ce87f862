"""Made-up analyses for the demonstration unit, each saying of itself that it is invented.

They follow the same rules as real ones: every measure is judged against the protocol, every
flag says its reason, and what is 'not seen' has no number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from review.analysis import (
    Analysis,
    Flag,
    FlagKind,
    FlagLevel,
    MeasureRecord,
    OpenLine,
    PhaseRecord,
    ProtocolUsed,
    Recording,
    WashSurface,
)
from review.measures import MEASURES, Measurement, Result, Target, quantity, severity
from review.protocol import Protocol
from review.timeline import Interval, Phase, Surface
from review.wording import SURFACES

INVENTED: Final = "Invented for the demonstration: nobody was filmed, there is no video."
NOT_SEEN: Final = "The hands were out of view for most of the wash."

_AROUND_RUBBING_S: Final = 19.0
"""Wetting, soaping, rinsing and drying of an invented wash, seconds."""


@dataclass(frozen=True, slots=True)
class Story:
    """What happens in an invented session.

    Attributes:
        rubbing_s: rubbing time of the wash, None where the hands were out of view.
        missed, unclear: surfaces not rubbed, and those that could not be told.
        rub_before_connect_s: hand rub before connecting, 0 for none.
        talking_s: mouth movement while the line is open.
        hand_to_face: whether a hand goes to the face after the wash.
    """

    rubbing_s: float | None
    missed: tuple[Surface, ...] = ()
    unclear: tuple[Surface, ...] = ()
    rub_before_connect_s: float = 22.0
    talking_s: float = 0.0
    hand_to_face: bool = False


@dataclass(frozen=True, slots=True)
class _Course:
    """When the phases of an invented session take place."""

    wash: Interval
    wipe: Interval
    rub: Interval | None
    connect: Interval
    wait: Interval
    rub_off: Interval
    disconnect: Interval

    @property
    def end_s(self) -> float:
        return self.disconnect.end_s + 2.0


def _course(story: Story) -> _Course:
    """One phase after the other with two seconds between."""
    at = 2.0

    def next_span(lasts_s: float) -> Interval:
        nonlocal at
        span = Interval(round(at, 1), round(at + lasts_s, 1))
        at = span.end_s + 2.0
        return span

    return _Course(
        wash=next_span((story.rubbing_s or 16.0) + _AROUND_RUBBING_S),
        wipe=next_span(9.0),
        rub=next_span(story.rub_before_connect_s) if story.rub_before_connect_s else None,
        connect=next_span(15.0),
        wait=next_span(20.0),
        rub_off=next_span(21.5),
        disconnect=next_span(13.0),
    )


def invent_analysis(story: Story, protocol: Protocol) -> Analysis:
    """The analysis document of an invented session."""
    course = _course(story)
    measurements = tuple(_measurements(story, course))
    return Analysis(
        recording=Recording(
            file="invented session",
            duration_s=course.end_s,
            fps=None,
            width=0,
            height=0,
        ),
        protocol=ProtocolUsed.of(protocol),
        phases=tuple(
            PhaseRecord(phase=phase, start_s=span.start_s, end_s=span.end_s, confidence=0.97)
            for phase, span in _phases(course)
        ),
        open_line=tuple(_windows(course)),
        measures=tuple(MeasureRecord.of(m, protocol.target(m.name)) for m in measurements),
        wash_surfaces=tuple(_surface(surface, story) for surface in Surface),
        flags=tuple(_flags(story, course, measurements, protocol)),
        warnings=(INVENTED,),
    )


def _phases(course: _Course) -> Iterator[tuple[Phase, Interval]]:
    yield Phase.WASH, course.wash
    yield Phase.SURFACE_PREP, course.wipe
    if course.rub is not None:
        yield Phase.HAND_RUB, course.rub
    yield Phase.CONNECT, course.connect
    yield Phase.WAITING, course.wait
    yield Phase.HAND_RUB, course.rub_off
    yield Phase.DISCONNECT, course.disconnect


def _windows(course: _Course) -> Iterator[OpenLine]:
    for phase, span in ((Phase.CONNECT, course.connect), (Phase.DISCONNECT, course.disconnect)):
        yield OpenLine.model_validate(
            {
                "phase": phase,
                "start_s": span.start_s + 4.0,
                "end_s": span.start_s + 9.5,
                "uncertainty_s": 0.5,
                "basis": "invented",
            }
        )


def _measurements(story: Story, course: _Course) -> Iterator[Measurement]:
    def measured(name: str, value: float | None, *spans: Interval, **more: Any) -> Measurement:
        return Measurement(name, value, MEASURES[name][0], spans, **more)

    start = course.wash.start_s + 8.0
    if story.rubbing_s is None:
        hidden: dict[str, Any] = {"seen_fraction": 0.2, "why": NOT_SEEN}
        yield measured("wash.whole_time", None, course.wash, **hidden)
        yield measured("wash.rubbing_time", None, course.wash, **hidden)
        yield measured("wash.surfaces_rubbed", None, course.wash, **hidden)
    else:
        rubbed = len(Surface) - len(story.missed) - len(story.unclear)
        yield measured("wash.whole_time", course.wash.duration_s, course.wash)
        yield measured(
            "wash.rubbing_time", story.rubbing_s, Interval(start, start + story.rubbing_s)
        )
        yield measured(
            "wash.surfaces_rubbed",
            # With none missed and some unclear, the number of surfaces is not known.
            None if story.unclear and not story.missed else float(rubbed),
            course.wash,
        )
    rub = (course.rub,) if course.rub else ()
    yield measured("rub.before_connect", round(story.rub_before_connect_s, 1), *rub)
    yield measured("rub.before_disconnect", course.rub_off.duration_s, course.rub_off)
    yield measured("surface.covered", 0.97, course.wipe)
    yield measured("surface.gone_over_again", 0.02, course.wipe)
    yield measured("open_line.connect_time", 5.5, course.connect)
    yield measured("open_line.disconnect_time", 5.5, course.disconnect)
    talking = (_talking(story, course),) if story.talking_s else ()
    yield measured("open_line.talking_time", round(story.talking_s, 1), *talking)


def _talking(story: Story, course: _Course) -> Interval:
    start = course.connect.start_s + 4.2
    return Interval(start, start + round(story.talking_s, 1))


def _surface(surface: Surface, story: Story) -> WashSurface:
    if surface in story.unclear or story.rubbing_s is None:
        return WashSurface(
            surface=surface, seconds=None, strokes=None, rounds=None, result=Result.NOT_ASSESSABLE
        )
    if surface in story.missed:
        return WashSurface(surface=surface, seconds=0, strokes=0, rounds=0, result=Result.NOT_MET)
    seconds = round(story.rubbing_s / (len(Surface) - len(story.missed)), 1)
    return WashSurface(
        surface=surface, seconds=max(seconds, 1.6), strokes=5, rounds=1, result=Result.MET
    )


def _flags(
    story: Story, course: _Course, measurements: tuple[Measurement, ...], protocol: Protocol
) -> Iterator[Flag]:
    by_name = {m.name: m for m in measurements}

    def flag(kind: FlagKind, span: Interval, message: str, measure: str = "",
             level: FlagLevel = FlagLevel.LOOK) -> Flag:  # fmt: skip
        return Flag(
            kind=kind,
            start_s=span.start_s,
            end_s=span.end_s,
            level=level,
            confidence=0.9,
            message=message,
            measure=measure,
        )

    if story.rubbing_s is None:
        yield flag(
            FlagKind.NOT_SEEN, course.wash, f"Hand wash: {NOT_SEEN}", "wash.rubbing_time",
            FlagLevel.CANNOT_TELL,
        )  # fmt: skip
    for name, kind, words, place in (
        ("wash.rubbing_time", FlagKind.WASH_SHORT, "Rubbing took", course.wash),
        ("rub.before_connect", FlagKind.HAND_RUB_SHORT, "The hand rub took", course.rub),
    ):
        measurement, target = by_name[name], protocol.target(name)
        level = severity(measurement, target)
        if level is not None and target is not None and place is not None:
            yield flag(kind, place, _sentence(words, measurement, target), name, FlagLevel(level))
    if story.missed:
        names = ", ".join(SURFACES[surface].lower() for surface in story.missed)
        yield flag(
            FlagKind.WASH_SURFACE_MISSED, course.wash, f"Not seen rubbed: {names}.",
            "wash.surfaces_rubbed",
        )  # fmt: skip
    if course.rub is None:
        yield flag(
            FlagKind.HAND_RUB_MISSING, course.connect, "No hand rub was found before connecting.",
            "rub.before_connect",
        )  # fmt: skip
    if story.hand_to_face:
        at = course.connect.start_s - 1.8
        yield flag(
            FlagKind.HAND_TO_FACE, Interval(at, at + 1.5),
            "The right hand was at the face or hair for 1.5 s, and no new rub or wash was seen.",
        )  # fmt: skip
    if story.talking_s:
        span = _talking(story, course)
        yield flag(
            FlagKind.TALKING_NEAR_OPEN_LINE, span,
            f"The mouth moved as in talking for {quantity(span.duration_s, 's')} while the line "
            "was open.", "open_line.talking_time",
        )  # fmt: skip


def _sentence(words: str, measurement: Measurement, target: Target) -> str:
    assert measurement.value is not None
    return f"{words} {quantity(measurement.value, measurement.unit)}; target {target.text}."
