"""Wash and rub measures on probabilities and movements whose answer is known."""

from __future__ import annotations

import builders
import numpy as np
import pytest

from review.emissions import PHASES, STEPS, Emissions
from review.features import compute_features
from review.measures import Result, judge
from review.protocol import load_protocol
from review.rubbing import CANNOT_TELL, NO_SURFACE, surface_course, surface_runs
from review.settings import WashDetection
from review.timeline import Interval, Phase, Surface
from review.washing import measure_hygiene, measure_surfaces, rub_before

SETTINGS = WashDetection()


def course_of(step: Emissions, washing: tuple[float, float] = (0.0, 20.0), hands=None):
    """The surface course of ``step`` with one wash over ``washing``."""
    hands = rubbing_hands(step.time.end_s) if hands is None else hands
    return surface_course(step, hands, builders.phases((Phase.WASH, *washing)), SETTINGS)


def measured(step: Emissions, hands, span: Interval):
    """Surface records of one wash that lasts ``span``."""
    course = course_of(step, (span.start_s, span.end_s), hands)
    return measure_surfaces(course, hands, span, SETTINGS)


def emissions(
    duration_s: float, spans: list[tuple[str, float, float]], sure: float = 0.95, rate: float = 2.0
):
    """Step probabilities that are ``sure`` of each (step, start, end) and of 'none' elsewhere."""
    at_s = np.arange(0, duration_s, 0.1)
    step = np.full((len(at_s), len(STEPS)), (1 - sure) / (len(STEPS) - 1))
    which = np.full(len(at_s), STEPS.index("none"))
    for name, start, end in spans:
        which[(at_s >= start - 1e-9) & (at_s < end - 1e-9)] = STEPS.index(name)
    step[np.arange(len(at_s)), which] = sure
    flat = np.full((len(at_s), len(PHASES)), 1 / len(PHASES))
    return Emissions(
        builders.TimeBase(at_s, duration_s),
        flat,
        step,
        np.zeros(len(at_s)),
        np.full(len(at_s), rate),
        flat[0].copy(),
    )


def rubbing_hands(duration_s: float, hz: float = 2.0, hidden: tuple[float, float] | None = None):
    at_s = builders.times(duration_s, 15.0)
    left = np.stack([np.full(len(at_s), 0.45), np.full(len(at_s), 0.5)], axis=1)
    right = left + [0.05, 0.0]
    right[:, 1] += 0.02 * np.sin(2 * np.pi * hz * at_s)
    hands = builders.hands_at(left, right, len(at_s))
    if hidden:
        hands[(at_s >= hidden[0]) & (at_s < hidden[1])] = np.nan
    return compute_features(builders.make_track(at_s, hands))


def test_seconds_of_each_surface_add_up_and_pauses_are_left_out():
    spans = [("palms", 2.0, 6.0), ("thumb_left", 6.0, 9.0), ("palms", 12.0, 15.0)]
    found = measured(emissions(20, spans), rubbing_hands(20), Interval(0, 20))
    seconds = {record.surface: record.seconds for record in found}
    assert seconds[Surface.PALMS] == pytest.approx(7.0, abs=0.4)
    assert seconds[Surface.THUMB_LEFT] == pytest.approx(3.0, abs=0.3)
    assert seconds[Surface.THUMB_RIGHT] == 0
    assert [record.surface for record in found] == list(Surface)


def test_met_not_met_and_not_assessable_are_three_different_answers():
    step = emissions(20, [("palms", 2.0, 6.0)])
    answers = {
        record.surface: record.result
        for record in measured(step, rubbing_hands(20), Interval(0, 20))
    }
    assert answers[Surface.PALMS] is Result.MET
    assert answers[Surface.BACK_LEFT] is Result.NOT_MET
    hidden = measured(step, rubbing_hands(20, hidden=(0.0, 20.0)), Interval(0, 20))
    assert {record.result for record in hidden} == {Result.NOT_ASSESSABLE}


def test_a_surface_may_have_been_rubbed_while_the_hands_came_and_went():
    step = emissions(20, [("palms", 2.0, 6.0)])
    at_s = builders.times(20.0, 15.0)
    place = np.tile([0.45, 0.5], (len(at_s), 1))
    hands = builders.hands_at(place, place + [0.05, 0.0], len(at_s))
    # Out of view for under a second at a time, a third of it all: no gap is long enough to count
    # as hidden, but together they are.
    hands[(at_s % 3.0) > 2.0] = np.nan
    seen = compute_features(builders.make_track(at_s, hands))
    answers = {r.surface: r.result for r in measured(step, seen, Interval(0, 20))}
    assert answers[Surface.PALMS] is Result.MET
    assert answers[Surface.BACK_LEFT] is Result.NOT_ASSESSABLE


def test_a_rub_that_was_hardly_seen_says_so():
    phases = builders.phases((Phase.HAND_RUB, 0, 30), (Phase.CONNECT, 31, 45))
    step = emissions(45, [("palms", 5, 25)])
    found = measure_hygiene(phases, step, rubbing_hands(45, hidden=(4.0, 30.0)), SETTINGS)
    rub = next(m for m in found.measurements if m.name == "rub.before_connect")
    assert rub.value is None and "out of view" in rub.why


def test_time_torn_between_two_surfaces_is_cannot_tell_not_missed():
    step = emissions(20, [("palms", 2.0, 10.0)])
    doubtful = step.step_prob.copy()
    doubtful[20:100] = 0.001
    doubtful[20:100, STEPS.index("thumb_left")] = 0.55
    doubtful[20:100, STEPS.index("thumb_right")] = 0.45 - 0.001 * (len(STEPS) - 2)
    torn = Emissions(
        step.time,
        step.phase_prob,
        doubtful,
        step.open_prob,
        step.stroke_rate,
        step.phase_prior,
    )
    answers = {
        record.surface: record.result
        for record in measured(torn, rubbing_hands(20), Interval(0, 20))
    }
    assert answers[Surface.THUMB_LEFT] is Result.MET
    assert answers[Surface.THUMB_RIGHT] is Result.NOT_ASSESSABLE
    assert answers[Surface.PALMS] is Result.NOT_MET


def test_hidden_hands_are_cannot_tell_and_never_a_missed_surface():
    spans = [("palms", 2.0, 6.0), ("hidden", 6.0, 12.0), ("thumb_left", 12.0, 15.0)]
    step = emissions(20, spans)
    course = course_of(step)
    at = course.time.times_s
    assert (course.answer[(at > 7) & (at < 11)] == CANNOT_TELL).all()
    assert (course.answer[(at > 16)] == NO_SURFACE).all()
    assert course.hidden_s(Interval(0, 20)) == pytest.approx(6.0, abs=0.6)
    answers = {r.surface: r.result for r in measured(step, rubbing_hands(20), Interval(0, 20))}
    assert answers[Surface.PALMS] is Result.MET
    assert Result.NOT_MET not in answers.values()
    hygiene = measure_hygiene(
        builders.phases((Phase.WASH, 0, 20)), step, rubbing_hands(20), SETTINGS
    )
    rubbing = next(m for m in hygiene.measurements if m.name == "wash.rubbing_time")
    assert rubbing.value == pytest.approx(7.0, abs=0.6) and "hidden" in rubbing.why


def test_without_hands_for_long_nothing_is_claimed_whatever_the_network_says():
    step = emissions(20, [("palms", 0.0, 20.0)])
    hands = rubbing_hands(20, hidden=(4.0, 16.0))
    course = course_of(step, (0.0, 20.0), hands)
    at = course.time.times_s
    assert (course.answer[(at > 7.5) & (at < 12.5)] == CANNOT_TELL).all()
    assert course.probability[(at > 7.5) & (at < 12.5)].sum() == 0
    # Short of the limit, as when fingers interlace, motion and neighbours still speak.
    assert (course.answer[(at > 4.5) & (at < 6.5)] == 0).all()
    blind = course_of(step, (0.0, 20.0), rubbing_hands(20, hidden=(0.0, 20.0)))
    assert (blind.answer == CANNOT_TELL).all()


def test_a_wash_hidden_for_most_of_its_time_is_not_assessable():
    step = emissions(20, [("hidden", 1.0, 18.0)])
    hygiene = measure_hygiene(
        builders.phases((Phase.WASH, 0, 20)), step, rubbing_hands(20), SETTINGS
    )
    assert [m.value for m in hygiene.measurements[:3]] == [None, None, None]


def test_outside_washes_and_rubs_no_surface_is_claimed():
    step = emissions(20, [("palms", 2.0, 18.0)])
    phases = builders.phases((Phase.CONNECT, 0, 10), (Phase.HAND_RUB, 10, 20))
    course = surface_course(step, rubbing_hands(20), phases, SETTINGS)
    at = course.time.times_s
    assert (course.answer[at < 10] == NO_SURFACE).all()
    assert (course.answer[(at > 11) & (at < 17)] == 0).all()
    assert course.strokes_between(0.0, 10.0) == 0.0
    assert course.strokes_between(11.0, 15.0) == pytest.approx(8.0, abs=0.3)


@pytest.mark.parametrize("rate", [0.8, 1.5, 3.0])
def test_strokes_are_the_rate_summed_over_the_time(rate):
    step = emissions(20, [("palms", 2.0, 12.0)], rate=rate)
    palms = measured(step, rubbing_hands(20), Interval(0, 20))[0]
    assert palms.strokes == pytest.approx(10 * rate, abs=0.5 + 0.4 * rate)


def test_rounds_count_visits_of_five_strokes_as_en_1499_and_en_1500_do():
    # Five strokes to and fro a step: EN 1499 / EN 1500 standard technique (value from memory).
    assert SETTINGS.strokes_per_round == 5
    spans = [("palms", 1.0, 4.0), ("back_left", 4.0, 7.0), ("palms", 7.0, 10.0), ("palms", 14, 15)]
    found = measured(emissions(20, spans), rubbing_hands(20), Interval(0, 20))
    palms = found[0]
    assert palms.rounds == 2  # the last visit is two strokes only
    assert palms.strokes == pytest.approx(14, abs=1)


def test_flicker_shorter_than_a_pause_is_not_a_surface():
    step = emissions(10, [("palms", 1.0, 5.0), ("thumb_left", 7.0, 7.2)])
    assert {
        surface
        for surface, _ in surface_runs(course_of(step, (0.0, 10.0)), Interval(0, 10), SETTINGS)
    } == {Surface.PALMS}


def test_whole_time_and_rubbing_time_are_two_numbers():
    phases = builders.phases(
        (Phase.OTHER, 0, 5), (Phase.WASH, 5, 50), (Phase.CONNECT, 60, 70), (Phase.OTHER, 70, 80)
    )
    step = emissions(80, [("wet", 5, 8), ("palms", 10, 24), ("rinse", 40, 45), ("dry", 45, 50)])
    found = measure_hygiene(phases, step, rubbing_hands(80), SETTINGS)
    values = {measurement.name: measurement.value for measurement in found.measurements}
    assert values["wash.whole_time"] == pytest.approx(45)
    assert values["wash.rubbing_time"] == pytest.approx(14, abs=0.4)
    assert values["rub.before_connect"] == 0.0
    assert values["rub.before_disconnect"] is None  # no disconnect: nothing to judge


def test_default_targets_are_those_of_who_2009_and_cdc_2002():
    # WHO Guidelines on Hand Hygiene in Health Care (2009): whole wash 40-60 s, rub 20-30 s.
    # Boyce & Pittet, CDC/HICPAC, MMWR 2002;51(RR-16): rub hands together at least 15 s.
    protocol = load_protocol("default")
    who_wash, who_rub = protocol.target("wash.whole_time"), protocol.target("rub.before_connect")
    cdc = protocol.target("wash.rubbing_time")
    assert who_wash is not None and who_wash.at_least == 40 and "WHO" in who_wash.source
    assert who_rub is not None and who_rub.at_least == 20 and "WHO" in who_rub.source
    assert cdc is not None and cdc.at_least == 15 and "CDC" in cdc.source


def test_the_time_from_a_rub_to_the_line_is_measured_and_unknown_without_one():
    phases = builders.phases(
        (Phase.WASH, 0, 40), (Phase.HAND_RUB, 41, 65), (Phase.CONNECT, 68.5, 80),
        (Phase.DISCONNECT, 90, 99),
    )  # fmt: skip
    step = emissions(100, [("palms", 2, 30)])
    found = measure_hygiene(phases, step, rubbing_hands(100), SETTINGS)
    values = {measurement.name: measurement.value for measurement in found.measurements}
    assert values["rub.to_connect"] == pytest.approx(3.5)
    assert values["rub.to_disconnect"] is None


def test_a_rub_counts_only_after_the_last_touch():
    phases = builders.phases(
        (Phase.WASH, 0, 40), (Phase.HAND_RUB, 41, 65), (Phase.SURFACE_PREP, 66, 80),
        (Phase.CONNECT, 85, 95),
    )  # fmt: skip
    rub, gap = rub_before(phases, phases.of(Phase.CONNECT)[0])
    assert rub is None
    assert gap == Interval(80, 85)


def test_hands_out_of_view_before_connecting_cannot_be_called_a_missing_rub():
    phases = builders.phases((Phase.WASH, 0, 30), (Phase.OTHER, 30, 60), (Phase.CONNECT, 60, 70))
    step = emissions(70, [("palms", 5, 25)])
    seen = measure_hygiene(phases, step, rubbing_hands(70), SETTINGS)
    hidden = measure_hygiene(phases, step, rubbing_hands(70, hidden=(30, 60)), SETTINGS)
    target = load_protocol("default").target("rub.before_connect")
    assert judge(seen.measurements[3], target) is Result.NOT_MET
    assert hidden.measurements[3].value is None
    assert judge(hidden.measurements[3], target) is Result.NOT_ASSESSABLE
