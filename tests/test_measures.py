"""The three answers: edges met exactly, and 'not seen' never turned into fine or fault."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from review.measures import (
    MEASURES,
    Measurement,
    Result,
    Target,
    explain,
    judge,
    near_miss,
    quantity,
    severity,
)

NUMBERS = st.floats(0.0, 1e4, allow_nan=False)
SHARES = st.floats(0.0, 1.0)


def wash(value: float | None, seen: float = 1.0, why: str = "") -> Measurement:
    return Measurement("wash.whole_time", value, "s", seen_fraction=seen, why=why)


def target(**bounds: float) -> Target:
    return Target.model_validate(
        {"measure": "wash.whole_time", "unit": "s", "source": "unit setting", **bounds}
    )


@pytest.mark.parametrize(
    ("value", "result", "level"),
    [
        (40.0, Result.MET, None),
        (60.0, Result.MET, None),
        (math.nextafter(40.0, 0.0), Result.NOT_MET, "note"),
        (math.nextafter(60.0, 99.0), Result.NOT_MET, "note"),
        (20.0, Result.NOT_MET, "note"),
        (math.nextafter(20.0, 0.0), Result.NOT_MET, "look"),
        (90.0, Result.NOT_MET, "note"),
        (math.nextafter(90.0, 99.0), Result.NOT_MET, "look"),
        (0.0, Result.NOT_MET, "look"),
        (None, Result.NOT_ASSESSABLE, None),
    ],
)
def test_bounds_at_their_exact_edges(
    value: float | None, result: Result, level: str | None
) -> None:
    asked = target(at_least=40, at_most=60, flag_below=20, flag_above=90)
    assert judge(wash(value), asked) is result
    assert severity(wash(value), asked) == level


@given(st.none() | NUMBERS, SHARES, st.none() | NUMBERS, st.none() | NUMBERS)
def test_no_number_or_no_bound_or_too_little_seen_is_never_a_verdict(
    value: float | None, seen: float, at_least: float | None, at_most: float | None
) -> None:
    assume(at_least is None or at_most is None or at_least <= at_most)
    bounds = {"at_least": at_least, "at_most": at_most, "min_seen_fraction": 0.5}
    asked = target(**{name: bound for name, bound in bounds.items() if bound is not None})
    result = judge(wash(value, seen), asked)
    blind = value is None or seen < 0.5 or (at_least is None and at_most is None)
    assert (result is Result.NOT_ASSESSABLE) == blind
    if blind:
        assert severity(wash(value, seen), asked) is None
        assert explain(wash(value, seen), asked)


@given(NUMBERS, SHARES, SHARES, NUMBERS)
def test_seeing_less_can_only_take_an_answer_away(
    value: float, seen: float, share: float, at_least: float
) -> None:
    asked = target(at_least=at_least)
    before, after = judge(wash(value, seen), asked), judge(wash(value, seen * share), asked)
    assert after in (before, Result.NOT_ASSESSABLE)


@given(NUMBERS, NUMBERS, NUMBERS)
def test_more_of_what_is_asked_never_makes_it_worse(
    value: float, more: float, at_least: float
) -> None:
    asked = target(at_least=at_least)
    if judge(wash(value), asked) is Result.MET:
        assert judge(wash(value + more), asked) is Result.MET


def test_without_a_target_nothing_is_judged() -> None:
    assert judge(wash(5.0), None) is Result.NOT_ASSESSABLE
    assert "no target" in explain(wash(5.0), None)


def test_a_target_for_another_measure_is_a_mistake() -> None:
    rub = Measurement("rub.before_connect", 20.0, "s")
    with pytest.raises(ValueError, match="cannot judge"):
        judge(rub, target(at_least=40))


def test_the_reason_given_by_the_stage_comes_first() -> None:
    assert explain(wash(None, why="The sink was out of view."), None) == "The sink was out of view."


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_is_finite_or_none(value: float) -> None:
    with pytest.raises(ValueError, match="finite or None"):
        wash(value)


def test_names_and_fractions_are_checked() -> None:
    with pytest.raises(ValueError, match="no measure is called"):
        Measurement("wash.colour", 1.0, "s")
    for seen in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="seen fraction"):
            wash(1.0, seen)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({"at_least": 40.0}, "at least 40 s"),
        ({"at_least": 40.0, "at_most": 60.0}, "at least 40 s, at most 60 s"),
        ({"at_most": 0.0}, "none"),
        ({}, "reported only"),
    ],
)
def test_targets_in_words(bounds: dict[str, float], words: str) -> None:
    assert target(**bounds).text == words


def test_quantities_in_words() -> None:
    assert quantity(59.94, "s") == "59.9 s"
    assert quantity(1200, "s") == "20 min"
    assert quantity(0.5, "share") == "50 %"


def test_a_far_word_gets_no_suggestion() -> None:
    assert near_miss("zzzz", MEASURES) == ""
