"""Targets met, in all, over time and since the first sessions; charts with few sessions."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.change import by_person, change_in, target_change
from review.charts import p_chart, run_chart
from review.measures import Result
from review.pages.overtime import limits_trouble, limits_words, run_words
from review.pages.timeplot import change_plot, interval_plot, p_plot, run_plot
from review.proportions import Proportion
from review.spotcheck import Band, group, wash_time
from review.store.records import RecordingState
from review.store.standard_records import TargetResults
from review.targets import (
    each_session,
    over_time,
    period_of,
    periods_between,
    target_rows,
    times_over_time,
)
from tests.test_spotcheck import DAY, session

MET, NOT_MET, UNCLEAR = Result.MET, Result.NOT_MET, Result.NOT_ASSESSABLE
RUB, WASH = "rub.before_connect", "wash.whole_time"


def results(
    answers: Mapping[int, Result], measure: str = RUB, target: str = "at least 20 s"
) -> dict[int, TargetResults]:
    return {number: {measure: (answer, target)} for number, answer in answers.items()}


# --- targets ---------------------------------------------------------------


def test_what_cannot_be_told_is_counted_apart_with_its_sessions() -> None:
    rows = [session(n) for n in range(1, 6)]
    (row,) = target_rows(rows, results({1: MET, 2: MET, 3: NOT_MET, 4: UNCLEAR}))
    assert row.share == Proportion(2, 3, 1)
    assert [r.recording_id for r in row.met] == [1, 2]
    assert [r.recording_id for r in row.not_met] == [3]
    assert [r.recording_id for r in row.cannot_tell] == [4]


def test_a_changed_target_has_a_row_of_its_own() -> None:
    rows = [session(1), session(2)]
    found = target_rows(rows, results({1: MET}) | results({2: NOT_MET}, target="at least 25 s"))
    assert [(row.target, row.share) for row in found] == [
        ("at least 20 s", Proportion(1, 1)),
        ("at least 25 s", Proportion(0, 1)),
    ]


def test_targets_come_in_the_order_of_the_measures_and_unknown_ones_last() -> None:
    answers = {1: {name: (MET, "t") for name in ("later.measure", RUB, WASH)}}
    assert [row.measure for row in target_rows([session(1)], answers)] == [
        WASH,
        RUB,
        "later.measure",
    ]


def test_a_recording_that_is_not_ready_is_in_no_number() -> None:
    row = session(1, state=RecordingState.FAILED)
    assert target_rows([row], results({1: MET})) == ()
    assert over_time([row], results({1: MET}), RUB, "month") == ()


# --- over time ---------------------------------------------------------------


def test_a_month_without_a_session_is_not_left_out() -> None:
    rows = [
        session(1, taken_on=date(2023, 11, 30)),
        session(2, taken_on=date(2024, 2, 1)),
        session(3, taken_on=date(2024, 2, 29)),
    ]
    found = over_time(rows, results({1: MET, 2: NOT_MET, 3: UNCLEAR}), RUB, "month")
    assert [(row.period, row.share) for row in found] == [
        ("2023-11", Proportion(1, 1)),
        ("2023-12", Proportion(0, 0)),
        ("2024-01", Proportion(0, 0)),
        ("2024-02", Proportion(0, 1, 1)),
    ]
    quarters = over_time(rows, results({1: MET, 2: NOT_MET, 3: UNCLEAR}), RUB, "quarter")
    assert [(row.period, row.share.n) for row in quarters] == [("2023 Q4", 1), ("2024 Q1", 1)]


def test_wash_times_by_month() -> None:
    rows = [session(1), session(2, wash_rubbing_s=10.0), session(3, wash_rubbing_s=None)]
    (row,) = times_over_time(rows, "rubbing_time", "month")
    assert (row.median_s, len(row.told), len(row.cannot_tell)) == (15.0, 2, 1)
    (whole,) = times_over_time(rows, "whole_time", "month")
    assert whole.median_s == 45.0


def test_a_wash_time_session_by_session() -> None:
    rows = [session(2), session(1, wash_rubbing_s=None), session(3, taken_on=date(2024, 3, 8))]
    found = each_session(rows, "rubbing_time")
    assert [(row.period, row.median_s) for row in found] == [
        ("2024-03-08", 20.0),
        ("2024-03-09", None),
        ("2024-03-09 (2)", 20.0),
    ]


@given(st.dates(date(1990, 1, 1), date(2090, 1, 1)), st.dates(date(1990, 1, 1), date(2090, 1, 1)))
def test_periods_follow_one_another(one: date, other: date) -> None:
    first, last = min(one, other), max(one, other)
    for period, a_year in (("month", 12), ("quarter", 4)):
        names = list(periods_between(period_of(first, period), period_of(last, period), period))  # type: ignore[arg-type]
        assert names == sorted(set(names))
        assert names[0] == period_of(first, period)  # type: ignore[arg-type]
        assert names[-1] == period_of(last, period)  # type: ignore[arg-type]
        assert abs(len(names) - (last - first).days / 365.25 * a_year) < 2


# --- charts of few sessions ---------------------------------------------------------------


def test_too_few_sessions_for_limits_are_said_and_not_judged() -> None:
    chart = p_chart([(5, 6), (0, 6), (30, 60)])
    assert [point.judged for point in chart.points] == [False, False, True]
    assert chart.points[1].rules == ()
    trouble = limits_trouble(chart)
    assert "at 2 of 3 points" in trouble[0]
    assert "a point needs 11 sessions" in trouble[0]
    assert "Limits from 1 point are still uncertain" in trouble[1]


def test_a_chart_without_any_answer_or_with_only_one() -> None:
    assert "could it be told" in limits_trouble(p_chart([(0, 0), (0, 0)]))[0]
    assert p_chart([]).mean is None
    always = p_chart([(5, 5), (9, 9)])
    assert always.judged == 0
    assert "met in every session" in limits_trouble(always)[0]
    assert "nothing is judged" in limits_words(always)
    assert "met in no session" in limits_trouble(p_chart([(0, 5)]))[0]


def test_a_run_chart_of_few_points_says_nothing_yet() -> None:
    chart = run_chart([1.0, 2, 3, 4, 5, 6])
    assert chart.longest_limit is None
    assert not chart.signal
    assert "nothing can be said yet" in run_words(chart)
    assert run_chart([]).median is None
    assert run_chart([]).runs == 0
    level = run_chart([3.0] * 20)
    assert (level.useful, level.crossings, level.longest) == (0, 0, 0)


def test_what_a_chart_says_goes_with_its_numbers() -> None:
    shifted = run_chart([1.0, 2.0] * 6 + [8.0, 9.0] * 6)
    assert "something changed" in run_words(shifted)
    assert "e113825" in run_words(shifted)
    quiet = run_chart([1.0, 5.0, 2.0, 6.0] * 5)
    assert "No sign of a change" in run_words(quiet)
    chart = p_chart([(10, 50)] * 20 + [(30, 50)])
    assert chart.points[-1].rules[0] == 1
    assert "rule 1: one point beyond" in limits_words(chart)
    assert "Western Electric" in limits_words(chart)


def test_what_is_drawn_is_told_without_colour() -> None:
    names = [str(n) for n in range(24)]
    shifted = run_chart([1.0, 2.0] * 6 + [8.0, 9.0] * 6)
    drawn = run_plot(names, [1.0, 2.0] * 6 + [8.0, 9.0] * 6, shifted, "s")
    assert drawn.count('<rect x="') == 2 * 12  # a square and its frame for each of the long run
    assert drawn.count("<circle") == 12
    assert "median 5 s" in drawn
    chart = p_chart([(10, 50)] * 20 + [(30, 50)])
    limits_drawn = p_plot([str(n) for n in range(21)], chart)
    assert limits_drawn.count('stroke-dasharray="6 4"') == 42
    assert limits_drawn.count("<rect") == 2 * sum(bool(p.rules) for p in chart.points)
    assert 'font-weight="bold">1' in limits_drawn
    gap = interval_plot(["a", "b"], [Proportion(1, 2), Proportion(0, 0, 3)], "Share")
    assert gap.count("<circle") == 1


# --- since the first sessions ---------------------------------------------------------------


def days(number: int, after: int, **more: object) -> object:
    return session(number, taken_on=date.fromordinal(DAY.toordinal() + after), **more)


def test_each_person_is_compared_with_themselves() -> None:
    rows = [
        days(1, 0, wash_rubbing_s=10.0), days(2, 1, wash_rubbing_s=12.0),
        days(3, 2, wash_rubbing_s=None), days(4, 3, wash_rubbing_s=20.0),
        days(5, 4, wash_rubbing_s=22.0), days(6, 5, wash_rubbing_s=24.0),
        days(7, 0, person="P-2", wash_rubbing_s=9.0), days(8, 1, person="P-2", wash_rubbing_s=5.0),
        days(9, 0, person="P-3", wash_rubbing_s=9.0),
    ]  # fmt: skip
    found = change_in(by_person(rows), lambda row: wash_time(row, "rubbing_time"), 2)  # type: ignore[arg-type]
    assert [(p.person, p.before, p.after, p.change) for p in found.persons] == [
        ("P-1", 11.0, 23.0, 12.0),
        ("P-2", 9.0, 5.0, -4.0),
    ]
    assert [row.recording_id for row in found.persons[0].first] == [1, 2]
    assert [row.recording_id for row in found.persons[0].latest] == [5, 6]
    assert (found.left_out, found.middle, found.interval) == (1, 4.0, None)
    assert change_plot(found.persons, "s").count("<circle") == 4


@given(st.integers(0, 9), st.integers(1, 5))
def test_no_session_counts_on_both_sides(sessions: int, each: int) -> None:
    rows = [days(n, n) for n in range(sessions)]
    found = change_in(by_person(rows), lambda row: 1.0, each)  # type: ignore[arg-type]
    for person in found.persons:
        assert not set(person.first) & set(person.latest)
        assert len(person.first) == len(person.latest) == min(each, sessions // 2)
    assert len(found.persons) + found.left_out == (sessions > 0)
    with pytest.raises(ValueError, match="a session each"):
        change_in({}, lambda row: None, 0)


def test_a_target_in_the_first_and_the_latest_session_that_could_be_told() -> None:
    rows = [days(10 * p + n, n, person=f"P-{p}") for p in range(5) for n in range(3)]
    answers = {
        0: NOT_MET, 1: MET, 2: MET,  # gained
        10: UNCLEAR, 11: NOT_MET, 12: MET,  # gained, the first could not be told
        20: MET, 21: MET, 22: NOT_MET,  # lost
        30: MET, 31: NOT_MET, 32: MET,  # stayed
        40: MET, 41: UNCLEAR, 42: UNCLEAR,  # only one could be told
    }  # fmt: skip
    found = target_change(by_person(rows), results(answers), RUB)  # type: ignore[arg-type]
    assert [(a.recording_id, b.recording_id) for a, b in found.gained] == [(0, 2), (11, 12)]
    assert [(a.recording_id, b.recording_id) for a, b in found.lost] == [(20, 22)]
    assert (found.people, found.left_out) == (4, 1)
    assert (found.first, found.latest) == (Proportion(2, 4), Proportion(3, 4))
    assert found.to_met == Proportion(2, 3)


# --- both wash times ---------------------------------------------------------------


def test_the_whole_wash_and_the_rubbing_are_never_mixed() -> None:
    rows = [session(n, wash_rubbing_s=10.0 + n, wash_whole_s=40.0 + n) for n in range(4)]
    bands = {"practice": Band(42.0, None)}
    (whole,) = group(rows, "person", bands, "whole_time")
    assert whole.times_s == (40.0, 41.0, 42.0, 43.0)
    assert whole.long_enough == Proportion(2, 4)
    assert whole.middle_half_s == (40.75, 42.25)
    (rubbing,) = group(rows, "person", {})
    assert rubbing.times_s == (10.0, 11.0, 12.0, 13.0)
    (few,) = group(rows[:3], "person", {})
    assert few.middle_half_s is None
