"""The shipped defaults against the published figures they name.

WHO Guidelines on Hand Hygiene in Health Care, 2009 (ISBN 978-92-4-159790-6): the whole wash
takes 40-60 s, the whole hand rub 20-30 s. CDC/HICPAC, MMWR 2002;51(RR-16): rub hands
together for at least 15 s. NHS and CDC advice to the public: about 20 s. The figures are
well known from pages that reproduce them; the guidelines themselves were not opened.
"""

from __future__ import annotations

import pytest

from review.protocol import Protocol, load_protocol, shipped_protocols
from review.timeline import Phase, Surface

WHO_WASH_S = (40.0, 60.0)
WHO_RUB_S = (20.0, 30.0)
CDC_RUBBING_S = 15.0
PUBLIC_ADVICE_S = 20.0


@pytest.fixture(params=shipped_protocols())
def shipped(request: pytest.FixtureRequest) -> Protocol:
    return load_protocol(request.param)


def test_there_are_shipped_protocols() -> None:
    assert {"default", "practice"} <= set(shipped_protocols())


def test_the_whole_wash_is_held_against_who_and_flagged_by_public_advice(
    shipped: Protocol,
) -> None:
    target = shipped.target("wash.whole_time")
    assert target is not None
    assert (target.at_least, target.flag_below) == (WHO_WASH_S[0], PUBLIC_ADVICE_S)
    assert "WHO" in target.source and "2009" in target.source
    assert "NHS" in target.source and "CDC" in target.source


def test_rubbing_time_is_cdcs_and_not_mixed_with_the_whole_wash(shipped: Protocol) -> None:
    target = shipped.target("wash.rubbing_time")
    assert target is not None
    assert target.at_least == CDC_RUBBING_S
    assert "CDC" in target.source and "WHO" not in target.source


@pytest.mark.parametrize("measure", ["rub.before_connect", "rub.before_disconnect"])
def test_hand_rubs_are_held_against_who(shipped: Protocol, measure: str) -> None:
    target = shipped.target(measure)
    assert target is not None
    assert target.at_least == WHO_RUB_S[0]
    assert target.flag_below is not None and target.flag_below <= WHO_RUB_S[0]
    assert "WHO" in target.source and "2009" in target.source


def test_the_published_spans_are_believable_lengths(shipped: Protocol) -> None:
    """Prior lengths must not rule out a wash or a rub done as WHO 2009 prints it."""
    for step in shipped.steps:
        low, high = {Phase.WASH: WHO_WASH_S, Phase.HAND_RUB: WHO_RUB_S}.get(
            step.phase, (step.typical_s, step.typical_s)
        )
        assert step.min_s < low and high < step.max_s
        assert low <= step.typical_s <= high


def test_all_nine_surfaces_are_asked_for(shipped: Protocol) -> None:
    """WHO 2009: six movements, those with 'and vice versa' counted for both hands: nine."""
    movements = {
        "palm to palm": {Surface.PALMS},
        "palm over back of the other hand": {Surface.BACK_LEFT, Surface.BACK_RIGHT},
        "palm to palm, fingers interlaced": {Surface.BETWEEN_FINGERS},
        "backs of fingers to opposing palms": {Surface.BACKS_OF_FINGERS},
        "rotational rubbing of the thumb": {Surface.THUMB_LEFT, Surface.THUMB_RIGHT},
        "rotational rubbing of clasped fingertips": {
            Surface.FINGERTIPS_LEFT,
            Surface.FINGERTIPS_RIGHT,
        },
    }
    assert len(movements) == 6
    assert set.union(*movements.values()) == set(Surface)
    target = shipped.target("wash.surfaces_rubbed")
    assert target is not None and target.at_least == len(Surface) == 9


@pytest.mark.parametrize("measure", ["wait.drain", "wait.flush", "wait.fill"])
def test_waits_are_local_and_never_a_failure(shipped: Protocol, measure: str) -> None:
    """No published limit: common practice or unit setting, without a flag."""
    target = shipped.target(measure)
    assert target is not None
    assert target.flag_below is None and target.flag_above is None
    assert "common practice" in target.source or "unit setting" in target.source
