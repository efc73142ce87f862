"""The rules from findings to flags: each fault alone, and 'not seen' never a fault."""

from __future__ import annotations

from dataclasses import replace

import builders
import numpy as np
import pytest

from review.analysis import Flag, FlagKind, FlagLevel
from review.emissions import PHASES, STEPS, Emissions
from review.features import compute_features
from review.flags import Findings, find_flags
from review.measures import Measurement, Result
from review.openline import OpenLineFindings, OpenLineWindow, TalkingNearLine
from review.order import order_report
from review.protocol import load_protocol
from review.rubbing import surface_course
from review.surface import WipingFindings
from review.timeline import Interval, Phase, Segment, Surface, Timeline
from review.touching import FaceContact, FieldExit
from review.tracks import FeatureTrack, TimeBase
from review.washing import SurfaceRubbing, WashFindings

PROTOCOL = load_protocol("practice")
END_S = 150.0
SPANS = (
    (Phase.OTHER, 0, 2),
    (Phase.WASH, 2, 47),
    (Phase.OTHER, 47, 50),
    (Phase.SURFACE_PREP, 50, 58),
    (Phase.HAND_RUB, 60, 82),
    (Phase.CONNECT, 84, 98),
    (Phase.WAITING, 98, 114),
    (Phase.HAND_RUB, 115, 136),
    (Phase.DISCONNECT, 137, 148),
)

# No rule looks at the series itself, only at what was read off it.
MOUTH = FeatureTrack(
    TimeBase(np.zeros(1), END_S), ("probability",), ("1",), np.full((1, 1), np.nan)
)


def seen_hands(hidden: tuple[float, float] | None = None, side: int | slice = slice(None)):
    at_s = builders.times(END_S, 10.0)
    still = np.tile([0.4, 0.5], (len(at_s), 1))
    hands = builders.hands_at(still, still + [0.2, 0.0], len(at_s))
    if hidden:
        hands[(at_s >= hidden[0]) & (at_s < hidden[1]), side] = np.nan
    return compute_features(builders.make_track(at_s, hands))


def quiet_emissions() -> Emissions:
    at_s = np.arange(0, END_S, 0.1)
    phase = np.full((len(at_s), len(PHASES)), 0.01)
    phase[:, PHASES.index(Phase.OTHER)] = 1 - 0.01 * (len(PHASES) - 1)
    step = np.full((len(at_s), len(STEPS)), 1 / len(STEPS))
    zeros = np.zeros(len(at_s))
    return Emissions(
        TimeBase(at_s, END_S), phase, step, zeros, zeros.copy(), np.full(len(PHASES), 1 / 7)
    )


def seconds(name: str, value: float | None, span: Interval | None = None, why: str = ""):
    return Measurement(name, value, "s", (span,) if span else (), 1.0, why)


def surfaces(*missed: Surface, unclear: Surface | None = None) -> tuple[SurfaceRubbing, ...]:
    answers = {surface: Result.MET for surface in Surface}
    answers |= {surface: Result.NOT_MET for surface in missed}
    if unclear:
        answers[unclear] = Result.NOT_ASSESSABLE
    return tuple(SurfaceRubbing(s, 3.0, 6, 1, (), answer) for s, answer in answers.items())


def clean(spans=SPANS, **changes) -> Findings:
    """An exchange without a fault, with what a test changes."""
    phases = Timeline(
        Interval(0, END_S), tuple(Segment(Interval(a, b), phase, 0.95) for phase, a, b in spans)
    )
    wash = next(iter(phases.of(Phase.WASH)), None)
    rubs = phases.of(Phase.HAND_RUB)
    connect_rub = rubs[0] if rubs else None
    disconnect_rub = rubs[1] if len(rubs) > 1 else None
    base = Findings(
        phases=phases,
        order=order_report(phases, PROTOCOL),
        emissions=quiet_emissions(),
        features=seen_hands(),
        hygiene=WashFindings(
            (
                seconds("wash.whole_time", 45.0 if wash else None),
                seconds("wash.rubbing_time", 26.0 if wash else None),
                Measurement("wash.surfaces_rubbed", 9.0, "surfaces"),
                seconds("rub.before_connect", 22.0 if connect_rub else 0.0),
                seconds("rub.before_disconnect", 21.0 if disconnect_rub else 0.0),
            ),
            surfaces(),
            wash,
            ((Phase.CONNECT, connect_rub), (Phase.DISCONNECT, disconnect_rub)),
            ((), ()),
            surface_course(quiet_emissions(), seen_hands(), phases, PROTOCOL.detection.wash),
        ),
        wiping=WipingFindings(
            Measurement("surface.covered", 0.98, "share"),
            Measurement("surface.gone_over_again", 0.05, "share"),
            None,
            None,
        ),
        open_line=OpenLineFindings(
            (OpenLineWindow(Phase.CONNECT, Interval(88, 94), 0.3),),
            (),
            (
                seconds("open_line.connect_time", 6.0),
                seconds("open_line.disconnect_time", None),
                seconds("open_line.talking_time", 0.0),
                Measurement("open_line.mask_seen", None, "share"),
            ),
            8.0,
            MOUTH,
        ),
        contacts=(),
        exits=(),
        waits=(),
    )
    return replace(base, **changes)


def hygiene(findings: Findings, **values: float | None) -> WashFindings:
    """The findings' hygiene with some measurements set, keys with '__' for '.'."""
    named = {name.replace("__", "."): value for name, value in values.items()}
    return replace(
        findings.hygiene,
        measurements=tuple(
            replace(m, value=named.get(m.name, m.value)) for m in findings.hygiene.measurements
        ),
    )


def kinds(findings: Findings, protocol=PROTOCOL) -> list[FlagKind]:
    return [flag.kind for flag in find_flags(findings, protocol)]


def only(findings: Findings, protocol=PROTOCOL) -> Flag:
    (flag,) = find_flags(findings, protocol)
    return flag


def test_an_exchange_without_a_fault_raises_nothing():
    assert find_flags(clean(), PROTOCOL) == ()


def test_no_exchange_is_one_cannot_tell_not_a_list_of_faults():
    flag = only(clean(((Phase.OTHER, 0, END_S),)))
    assert flag.kind is FlagKind.NOT_SEEN and flag.level is FlagLevel.CANNOT_TELL
    assert (flag.start_s, flag.end_s) == (0, END_S)


@pytest.mark.parametrize(
    ("whole", "rubbing", "level"),
    [(15.0, 8.0, FlagLevel.LOOK), (30.0, 20.0, FlagLevel.NOTE), (45.0, 10.0, FlagLevel.LOOK)],
)
def test_a_short_wash_says_number_target_and_source(whole, rubbing, level):
    base = clean()
    flag = only(
        replace(base, hygiene=hygiene(base, wash__whole_time=whole, wash__rubbing_time=rubbing))
    )
    assert flag.kind is FlagKind.WASH_SHORT and flag.level is level
    assert (flag.start_s, flag.end_s) == (2, 47)
    short = whole if whole < 40 else rubbing
    assert f"{short:g} s" in flag.message
    assert ("WHO" if whole < 40 else "CDC") in flag.message


def test_missed_surfaces_are_named_in_one_flag_and_unclear_ones_are_not():
    base = clean()
    missed = surfaces(Surface.THUMB_LEFT, Surface.BACK_RIGHT, unclear=Surface.PALMS)
    flag = only(replace(base, hygiene=replace(base.hygiene, surfaces=missed)))
    assert flag.kind is FlagKind.WASH_SURFACE_MISSED
    assert "left thumb" in flag.message and "back of right hand" in flag.message
    assert "palms" not in flag.message


def test_a_missing_rub_and_a_short_rub_are_told_apart():
    without = clean(tuple(span for span in SPANS if span[1] != 60))
    without = replace(
        without,
        hygiene=replace(
            hygiene(without, rub__before_connect=0.0, rub__before_disconnect=21.0),
            rubs=((Phase.CONNECT, None), (Phase.DISCONNECT, without.phases.of(Phase.HAND_RUB)[0])),
        ),
    )
    flag = only(without)
    assert flag.kind is FlagKind.HAND_RUB_MISSING and flag.start_s == 84
    base = clean()
    short = only(replace(base, hygiene=hygiene(base, rub__before_connect=9.0)))
    assert short.kind is FlagKind.HAND_RUB_SHORT and short.start_s == 60


def test_a_rub_that_could_not_be_seen_is_cannot_tell():
    base = clean()
    flag = only(replace(base, hygiene=hygiene(base, rub__before_connect=None)))
    assert flag.kind is FlagKind.NOT_SEEN and flag.level is FlagLevel.CANNOT_TELL


def test_a_missing_phase_is_a_fault_only_where_the_hands_were_seen():
    spans = tuple(span for span in SPANS if span[0] is not Phase.SURFACE_PREP)
    assert kinds(clean(spans)) == [FlagKind.PHASE_MISSING]
    hidden = clean(spans, features=seen_hands(hidden=(47.0, 60.0)))
    flag = only(hidden)
    assert flag.kind is FlagKind.NOT_SEEN and flag.level is FlagLevel.CANNOT_TELL


def test_one_hand_in_view_does_not_make_a_phase_missing():
    spans = tuple(span for span in SPANS if span[0] is not Phase.SURFACE_PREP)
    flag = only(clean(spans, features=seen_hands(hidden=(47.0, 60.0), side=1)))
    assert flag.kind is FlagKind.NOT_SEEN and flag.level is FlagLevel.CANNOT_TELL
    assert "both hands counted" in flag.message


def test_a_phase_that_may_have_been_there_is_not_called_missing():
    spans = tuple(span for span in SPANS if span[0] is not Phase.SURFACE_PREP)
    doubtful = quiet_emissions()
    phase = doubtful.phase_prob.copy()
    phase[490:580] = 0.01
    phase[490:580, PHASES.index(Phase.SURFACE_PREP)] = 0.94
    assert kinds(clean(spans, emissions=replace(doubtful, phase_prob=phase))) == []


def test_a_phase_that_had_no_room_is_missing_whatever_its_neighbours_look_like():
    """The recording begins with wiping, whose first second looks like washing."""
    spans = ((Phase.OTHER, 0, 1), (Phase.SURFACE_PREP, 1, 58), *SPANS[4:])
    doubtful = quiet_emissions()
    phase = doubtful.phase_prob.copy()
    phase[:40] = 0.01
    phase[:40, PHASES.index(Phase.WASH)] = 0.94
    found = kinds(clean(spans, emissions=replace(doubtful, phase_prob=phase)))
    assert FlagKind.PHASE_MISSING in found


def test_a_wash_after_the_wiping_is_out_of_order():
    spans = (
        (Phase.SURFACE_PREP, 2, 10),
        (Phase.WASH, 12, 57),
        *(span for span in SPANS if span[1] >= 60),
    )
    assert FlagKind.PHASE_OUT_OF_ORDER in kinds(clean(spans))


def test_wiping_twice_and_leaving_out():
    base = clean()
    again = replace(base.wiping.gone_over_again, value=0.5)
    assert kinds(replace(base, wiping=replace(base.wiping, gone_over_again=again))) == [
        FlagKind.SURFACE_REWIPED
    ]
    little = replace(base.wiping.covered, value=0.5)
    assert kinds(replace(base, wiping=replace(base.wiping, covered=little))) == [
        FlagKind.SURFACE_AREA_MISSED
    ]


def contact(start: float, end: float, hand="left", rubbed=False, sure=0.9) -> FaceContact:
    return FaceContact(Interval(start, end), hand, 0.5, sure, rubbed, 1.0)


def test_a_hand_to_the_face_matters_only_without_a_new_rub_before_the_line():
    assert kinds(clean(contacts=(contact(83, 84),))) == [FlagKind.HAND_TO_FACE]
    assert kinds(clean(contacts=(contact(58.5, 59.5, rubbed=True),))) == []
    assert kinds(clean(contacts=(contact(148.5, 149.5),))) == []  # the line is done with
    assert kinds(clean(contacts=(contact(83, 84, sure=0.2),))) == []


def test_both_hands_at_once_are_one_moment():
    flag = only(clean(contacts=(contact(83, 84), contact(83.2, 84.4, hand="right"))))
    assert flag.message.startswith("Both hands")
    assert (flag.start_s, flag.end_s) == (83, 84.4)
    assert "call the unit" in flag.message


def test_leaving_the_clean_field():
    away = FieldExit(Interval(82, 84), "right", 3.0, False, False, 0.9)
    assert kinds(clean(exits=(away,))) == [FlagKind.LEFT_CLEAN_FIELD]
    gone = FieldExit(Interval(82, 84), "right", 0.0, True, False, 0.9)
    flag = only(clean(exits=(gone,)))
    assert flag.kind is FlagKind.LEFT_CLEAN_FIELD and "out of the picture for 2 s" in flag.message


def test_talking_in_the_open_window_and_a_mouth_that_was_not_seen():
    base = clean()
    said = TalkingNearLine(Interval(89, 92), 0.93, Phase.CONNECT, 7.4)
    flag = only(replace(base, open_line=replace(base.open_line, talking=(said,))))
    assert flag.kind is FlagKind.TALKING_NEAR_OPEN_LINE and "3 s" in flag.message
    breath = TalkingNearLine(Interval(93, 94), 0.95, Phase.CONNECT, 6.0)
    flag = only(replace(base, open_line=replace(base.open_line, talking=(said, breath))))
    assert (flag.start_s, flag.end_s) == (89, 94), "a breath between: one moment to look at"
    assert "for 4 s" in flag.message and "about 6 hand widths" in flag.message
    later = replace(breath, interval=Interval(95, 96))
    both = replace(base, open_line=replace(base.open_line, talking=(said, later)))
    assert kinds(both) == [FlagKind.TALKING_NEAR_OPEN_LINE] * 2
    blind = tuple(
        replace(m, value=None, why="The mouth was turned away.")
        if m.name == "open_line.talking_time"
        else m
        for m in base.open_line.measurements
    )
    flag = only(replace(base, open_line=replace(base.open_line, measurements=blind)))
    assert flag.kind is FlagKind.NOT_SEEN and flag.level is FlagLevel.CANNOT_TELL


def test_a_short_wait_is_a_note_never_more():
    protocol = load_protocol("default")
    wait = Measurement("wait.drain", 60.0, "s", (Interval(98, 114),))
    target = protocol.target("wait.drain")
    assert target is not None and "common practice" in target.source
    levels = {flag.level for flag in find_flags(clean(waits=(wait,)), protocol)}
    assert levels <= {FlagLevel.NOTE}


def test_no_message_calls_anything_contaminated_or_names_a_fault_of_the_person():
    base = clean(contacts=(contact(83, 84),))
    for flag in find_flags(base, PROTOCOL):
        assert "contaminat" not in flag.message.lower()
