"""Drain, flush and fill from bursts of hand work at known times."""

from __future__ import annotations

import builders
import numpy as np
import pytest

from review.features import compute_features
from review.settings import WaitDetection
from review.timeline import Interval, Phase
from review.tracks import FeatureTrack
from review.waiting import ANY, MORE, hand_work, measure_waits, quiet_spans

SETTINGS = WaitDetection()
PHASES = builders.phases((Phase.CONNECT, 0, 10), (Phase.WAITING, 10, 50), (Phase.OTHER, 50, 60))


def working_hands(*bursts: tuple[float, float], hidden: tuple[float, float] | None = None):
    """Both hands still, but for quick work in each burst."""
    at_s = builders.times(60.0, 15.0)
    left = np.tile([0.45, 0.5], (len(at_s), 1))
    for start, end in bursts:
        inside = (at_s >= start) & (at_s < end)
        left[inside, 0] += 0.06 * np.sin(2 * np.pi * 1.5 * at_s[inside])
    hands = builders.hands_at(left, left + [0.2, 0.0], len(at_s))
    if hidden:
        hands[(at_s >= hidden[0]) & (at_s < hidden[1])] = np.nan
    return compute_features(builders.make_track(at_s, hands))


def test_three_quiet_spans_are_drain_flush_and_fill():
    features = working_hands((10, 12), (25, 27), (32, 34))
    waits = {m.name: m.value for m in measure_waits(PHASES, features, SETTINGS)}
    assert waits["wait.drain"] == pytest.approx(15, abs=0.8)  # clamp at 10 to clamp at 25
    assert waits["wait.flush"] == pytest.approx(7, abs=0.8)
    assert waits["wait.fill"] == pytest.approx(18, abs=0.8)


@pytest.mark.parametrize(
    "bursts", [((10, 12),), ((10, 12), (20, 22), (28, 30), (38, 40))], ids=["one", "four"]
)
def test_another_number_of_waits_cannot_be_told_apart(bursts):
    for measurement in measure_waits(PHASES, working_hands(*bursts), SETTINGS):
        assert measurement.value is None
        assert "40 s in all" in measurement.why


def test_hands_put_down_are_quiet_and_a_fidget_is_no_burst():
    features = working_hands((10, 12), (20.0, 20.3), hidden=(12.0, 48.0))
    assert len(quiet_spans(features, Interval(10, 50), SETTINGS)[0]) == 1
    assert len(hand_work(features, Interval(10, 50), SETTINGS)) == 1


def test_no_waiting_no_waits():
    phases = builders.phases((Phase.CONNECT, 0, 10), (Phase.OTHER, 10, 60))
    found = measure_waits(phases, working_hands(), SETTINGS)
    assert [m.value for m in found] == [None, None, None]
    assert [m.name for m in found] == ["wait.drain", "wait.flush", "wait.fill"]


def clamped_hands(pause_s: float, apart: float) -> FeatureTrack:
    """Two bursts of work a pause apart, the hands' tips ``apart`` picture widths meanwhile."""
    at_s = builders.times(60.0, 15.0)
    left = np.tile([0.40, 0.5], (len(at_s), 1))
    # Built hands point their pinches inward: palms 0.18 apart hold one thing, 0.4 do not.
    for start in (20.0, 21.0 + pause_s):
        inside = (at_s >= start) & (at_s < start + 1.0)
        left[inside, 0] += 0.06 * np.sin(2 * np.pi * 1.5 * at_s[inside])
    hands = builders.hands_at(left, np.tile([0.40 + apart, 0.5], (len(at_s), 1)), len(at_s))
    return compute_features(builders.make_track(at_s, hands))


@pytest.mark.parametrize(
    ("pause_s", "apart", "bursts"),
    [(2.0, 0.18, 1), (2.0, 0.4, 2), (1.0, 0.4, 1), (4.5, 0.18, 2)],
    ids=["a clamp held", "hands apart", "too short to be a wait", "too long to be a pause"],
)
def test_a_pause_with_both_hands_on_one_thing_is_work(
    pause_s: float, apart: float, bursts: int
) -> None:
    features = clamped_hands(pause_s, apart)
    assert len(hand_work(features, Interval(10, 50), SETTINGS)) == bursts


def hands_at_work(
    both: tuple[tuple[float, float], ...], alone: tuple[tuple[float, float], ...]
) -> FeatureTrack:
    """Spans in which both hands move, and spans in which the right one moves alone."""
    at_s = builders.times(60.0, 15.0)
    places = [np.tile(place, (len(at_s), 1)) for place in ([0.3, 0.5], [0.7, 0.5])]
    for start, end in (*both, *alone):
        inside = (at_s >= start) & (at_s < end)
        sway = 0.06 * np.sin(2 * np.pi * 1.5 * at_s[inside])
        places[1][inside, 0] += sway
        if (start, end) in both:
            places[0][inside, 1] += sway
    hands = builders.hands_at(places[0], places[1], len(at_s))
    return compute_features(builders.make_track(at_s, hands))


@pytest.mark.parametrize(
    ("both", "alone", "doubt"),
    [
        (((10.0, 12.0), (25.0, 27.0), (32.0, 34.0)), (), ""),
        (((10.0, 12.0), (17.0, 18.0), (25.0, 27.0), (32.0, 34.0)), (), MORE),
        (((10.0, 12.0), (25.0, 27.0)), ((32.0, 34.0),), ANY),
    ],
)
def test_waits_that_needed_a_choice_say_so(
    both: tuple[tuple[float, float], ...], alone: tuple[tuple[float, float], ...], doubt: str
) -> None:
    found = measure_waits(PHASES, hands_at_work(both, alone), SETTINGS)
    assert {m.why for m in found} == {doubt}
    assert all(m.value for m in found)


@pytest.mark.parametrize(
    ("alone", "what"),
    [
        (((22.5, 25.0),), "a scratch that goes over into the clamp"),
        (((17.0, 20.0),), "a scratch while draining"),
        (((17.0, 18.0),), "a short fidget"),
        (((15.0, 16.0), (19.0, 20.0)), "two of them"),
    ],
)
def test_what_one_hand_does_meanwhile_starts_no_wait(
    alone: tuple[tuple[float, float], ...], what: str
) -> None:
    clamps = ((10.0, 12.0), (25.0, 27.0), (32.0, 34.0))
    found = measure_waits(PHASES, hands_at_work(clamps, alone), SETTINGS)
    waits = {m.name: m.value for m in found}
    assert waits["wait.drain"] == pytest.approx(15, abs=0.8), what
    assert waits["wait.flush"] == pytest.approx(7, abs=0.8), what
    assert waits["wait.fill"] == pytest.approx(18, abs=0.8), what
