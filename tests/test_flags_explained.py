"""Every kind of flag says what, how much, what is asked and by whom, where to look, its doubt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from review.analysis import Flag, FlagKind, FlagLevel
from review.flags import Findings, find_flags
from review.handevents import hand_events
from review.measures import Measurement, Target
from review.openline import TalkingNearLine
from review.protocol import Protocol
from review.showing import SHOWN_S
from review.timeline import Interval, Phase, Surface
from review.touching import FaceContact, FieldExit
from review.waiting import MORE
from review.wording import DOUBTS, DRAWN_AREA_DOUBT
from tests.test_flags import END_S, PROTOCOL, SPANS, clean, hygiene, surfaces


def asking(measure: str, **asked: float | str) -> Protocol:
    """The practice protocol of a unit that asks for something more."""
    target = Target.model_validate({"measure": measure, "source": "unit setting", **asked})
    others = (t for t in PROTOCOL.targets if t.measure != measure)
    return PROTOCOL.model_copy(update={"targets": (*others, target)})


MASKED = asking("open_line.mask_seen", at_least=0.8, flag_below=0.8, unit="share")
LONG_DRAIN = asking("wait.drain", at_least=600.0, unit="s")


def with_open_line(findings: Findings, **values: float | None) -> Findings:
    """The findings with measures of the open line set, keys with '__' for '.'."""
    named = {name.replace("__", "."): value for name, value in values.items()}
    line = findings.open_line
    measured = tuple(
        replace(m, value=named.get(m.name, m.value), why="The camera saw too little.")
        for m in line.measurements
    )
    return replace(findings, open_line=replace(line, measurements=measured))


def without(*phases: Phase) -> Findings:
    return clean(tuple(row for row in SPANS if row[0] not in phases))


def moved_prep() -> Findings:
    """The surface prepared before the wash."""
    spans = [(Phase.SURFACE_PREP, 0, 8), (Phase.WASH, 8, 50), *SPANS[4:]]
    return clean(tuple(spans))


def examples() -> Iterator[tuple[FlagKind, Findings, Protocol]]:
    """One recording for each kind."""
    base = clean()
    said = (TalkingNearLine(Interval(89, 92), 0.93, Phase.CONNECT, 7.4),)
    touch = FaceContact(Interval(83, 84), "left", 0.5, 0.9, False, 1.0)
    away = FieldExit(Interval(82, 84), "right", 3.0, False, False, 0.9)
    again = replace(base.wiping.gone_over_again, value=0.4)
    little = replace(base.wiping.covered, value=0.5)
    wait = Measurement("wait.drain", 60.0, "s", (Interval(98, 114),))
    no_rub = without(Phase.HAND_RUB)
    yield (
        FlagKind.TALKING_NEAR_OPEN_LINE,
        replace(base, open_line=replace(base.open_line, talking=said)),
        PROTOCOL,
    )
    yield FlagKind.HAND_TO_FACE, clean(contacts=(touch,)), PROTOCOL
    yield FlagKind.LEFT_CLEAN_FIELD, clean(exits=(away,)), PROTOCOL
    yield FlagKind.HAND_RUB_MISSING, no_rub, PROTOCOL
    yield (
        FlagKind.HAND_RUB_SHORT,
        replace(base, hygiene=hygiene(base, rub__before_connect=9.0)),
        PROTOCOL,
    )
    yield FlagKind.WASH_SHORT, replace(base, hygiene=hygiene(base, wash__whole_time=15.0)), PROTOCOL
    yield (
        FlagKind.WASH_SURFACE_MISSED,
        replace(base, hygiene=replace(base.hygiene, surfaces=surfaces(Surface.PALMS))),
        PROTOCOL,
    )
    yield (
        FlagKind.SURFACE_REWIPED,
        replace(base, wiping=replace(base.wiping, gone_over_again=again)),
        PROTOCOL,
    )
    yield (
        FlagKind.SURFACE_AREA_MISSED,
        replace(base, wiping=replace(base.wiping, covered=little)),
        PROTOCOL,
    )
    yield FlagKind.PHASE_MISSING, without(Phase.WASH), PROTOCOL
    yield FlagKind.PHASE_OUT_OF_ORDER, moved_prep(), PROTOCOL
    yield FlagKind.WAIT_SHORT, clean(waits=(wait,)), LONG_DRAIN
    yield FlagKind.MASK_MISSING, with_open_line(base, open_line__mask_seen=0.1), MASKED
    yield FlagKind.NOT_SEEN, with_open_line(base, open_line__talking_time=None), PROTOCOL


CASES = {kind: (findings, protocol) for kind, findings, protocol in examples()}

NO_NUMBER = {
    FlagKind.PHASE_MISSING, FlagKind.PHASE_OUT_OF_ORDER, FlagKind.NOT_SEEN,
    FlagKind.HAND_RUB_MISSING,
}  # fmt: skip
"""What was not found, or not seen, has no number of its own."""

NO_TARGET = {FlagKind.PHASE_MISSING, FlagKind.PHASE_OUT_OF_ORDER, FlagKind.NOT_SEEN}
"""The order of the protocol is what is asked, and the message says so; unseen asks nothing."""


def flag_of(kind: FlagKind) -> Flag:
    findings, protocol = CASES[kind]
    return next(flag for flag in find_flags(findings, protocol) if flag.kind is kind)


def test_waits_told_by_a_choice_are_less_sure() -> None:
    wait = Measurement("wait.drain", 60.0, "s", (Interval(98, 114),))
    sure, doubtful = (
        next(f for f in find_flags(clean(waits=(w,)), LONG_DRAIN) if f.kind is FlagKind.WAIT_SHORT)
        for w in (wait, replace(wait, why=MORE))
    )
    share = LONG_DRAIN.detection.waits.chosen_confidence
    assert doubtful.confidence == pytest.approx(share * sure.confidence, abs=0.006)


def test_there_is_a_recording_for_every_kind() -> None:
    assert set(CASES) == set(FlagKind) == set(DOUBTS)


@pytest.mark.parametrize("kind", list(FlagKind))
def test_a_flag_is_explained_whole(kind: FlagKind) -> None:
    flag = flag_of(kind)
    assert flag.message.endswith(".") and flag.message[0].isupper()
    if kind not in NO_NUMBER:
        assert any(sign.isdigit() for sign in flag.message), flag.message
    if kind not in NO_TARGET:
        assert "target" in flag.message, flag.message
        sources = ("WHO", "CDC", "common practice", "unit setting")
        assert any(source in flag.message for source in sources), flag.message
    assert flag.doubt == DOUBTS[kind] and flag.doubt.endswith(".")
    assert flag.shown is not None
    assert flag.shown.duration_s == pytest.approx(SHOWN_S)
    assert flag.shown.start_s >= 0 and flag.shown.end_s <= END_S


def test_a_drawn_area_has_a_doubt_of_its_own() -> None:
    findings, protocol = CASES[FlagKind.SURFACE_AREA_MISSED]
    drawn = replace(findings.wiping, corners=np.zeros((4, 2)))
    (flag,) = find_flags(replace(findings, wiping=drawn), protocol)
    assert flag.doubt == DRAWN_AREA_DOUBT


# --- masks ---------------------------------------------------------------------------------------


def mask_flags(value: float | None, protocol: Protocol, sure: float = 0.9) -> list[Flag]:
    findings = with_open_line(clean(), open_line__mask_seen=value)
    line = replace(findings.open_line, mask_confidence=sure)
    flags = find_flags(replace(findings, open_line=line), protocol)
    return [flag for flag in flags if flag.measure == "open_line.mask_seen"]


def test_a_missing_mask_is_flagged_only_where_the_unit_asks_for_one() -> None:
    (flag,) = mask_flags(0.1, MASKED)
    assert (flag.kind, flag.level) == (FlagKind.MASK_MISSING, FlagLevel.LOOK)
    assert flag.confidence == 0.9 and "10 %" in flag.message and "80 %" in flag.message
    assert mask_flags(0.1, PROTOCOL) == []
    assert mask_flags(0.95, MASKED) == []


def test_a_mask_that_cannot_be_told_is_not_seen_and_never_missing() -> None:
    (flag,) = mask_flags(None, MASKED)
    assert (flag.kind, flag.level) == (FlagKind.NOT_SEEN, FlagLevel.CANNOT_TELL)
    assert mask_flags(None, PROTOCOL) == []


# --- hands in the document ------------------------------------------------------------------------


def test_the_document_names_hand_span_and_rub_of_every_event_flagged_or_not() -> None:
    healed = FaceContact(Interval(58.5, 59.5), "right", 0.2, 0.8, True, 0.75)
    touch = FaceContact(Interval(83, 84), "left", 0.5, 0.9, False, 1.0)
    away = FieldExit(Interval(82, 84), "right", 3.0, True, False, 0.9)
    events = hand_events((healed, touch), (away,))
    assert [(e.what, e.start_s, e.end_s, e.hand, e.rubbed_after) for e in events] == [
        ("at_face", 58.5, 59.5, "right", True),
        ("left_field", 82.0, 84.0, "right", False),
        ("at_face", 83.0, 84.0, "left", False),
    ]
    assert events[0].confidence == 0.8 and events[0].seen_fraction == 0.75
    assert events[1].confidence is None and events[1].out_of_view and events[1].distance == 3.0
