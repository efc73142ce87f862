"""The seconds that show a flag, on spans whose best moment is known."""

from __future__ import annotations

import builders
import numpy as np
import pytest

from review.analysis import FlagKind
from review.showing import LEAD_S, SHOWN_S, moment_to_show
from review.timeline import Interval
from review.tracks import FeatureTrack
from review.wording import DOUBTS

WHOLE = Interval(0.0, 100.0)


@pytest.mark.parametrize("kind", list(FlagKind))
@pytest.mark.parametrize("span", [Interval(0.0, 0.4), Interval(20.0, 60.0), Interval(99.0, 100.0)])
def test_it_is_three_seconds_inside_the_recording_for_every_kind(kind, span):
    shown = moment_to_show(kind, span, WHOLE)
    assert shown.duration_s == pytest.approx(SHOWN_S)
    assert WHOLE.intersect(shown) == shown
    assert shown.intersect(span.pad(SHOWN_S, SHOWN_S)) is not None


def test_a_short_recording_is_shown_whole():
    short = Interval(0.0, 2.0)
    assert moment_to_show(FlagKind.HAND_TO_FACE, Interval(0.5, 1.0), short) == short


def test_what_ended_too_soon_shows_its_end_and_what_is_missing_the_time_before():
    wash = Interval(10.0, 25.0)
    assert moment_to_show(FlagKind.WASH_SHORT, wash, WHOLE).contains(24.9)
    line = Interval(50.0, 60.0)
    before = moment_to_show(FlagKind.HAND_RUB_MISSING, line, WHOLE)
    assert before.start_s < 50.0 - 2.0 and before.end_s == pytest.approx(50.0 + LEAD_S)
    touch = moment_to_show(FlagKind.HAND_TO_FACE, Interval(30.0, 31.0), WHOLE)
    assert touch.start_s == pytest.approx(30.0 - LEAD_S)


def test_long_talking_shows_where_it_is_likeliest():
    at_s = builders.times(100.0, 10.0)
    chance = np.where((at_s >= 42) & (at_s < 45), 0.99, 0.6)
    chance[at_s > 48] = np.nan  # what could not be told is no talking
    track = FeatureTrack(builders.TimeBase(at_s, 100.0), ("probability",), ("1",), chance[:, None])
    shown = moment_to_show(FlagKind.TALKING_NEAR_OPEN_LINE, Interval(36.0, 50.0), WHOLE, track)
    assert shown.start_s == pytest.approx(42.0, abs=0.11)


def test_every_kind_says_why_it_might_be_wrong():
    assert set(DOUBTS) == set(FlagKind)
    assert all(words.endswith(".") for words in DOUBTS.values())
