"""Open-line windows, talking and masks inside them, touches of the face, leaving the field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from review.emissions import PHASES, STEPS, Emissions
from review.facemesh import FACE_OVAL
from review.mask import MaskEvidence
from review.measures import Measurement
from review.openline import (
    OpenLineFindings,
    OpenLineWindow,
    hand_to_face,
    left_clean_field,
    mouth_to_hands,
    open_line_windows,
    review_open_line,
)
from review.settings import OpenLineDetection
from review.timeline import Interval, Phase, Timeline
from review.touching import _depth_inside, _face_outline, clean_field, rubbed_before_line
from review.tracks import LandmarkTrack, TimeBase
from tests import builders

SETTINGS = OpenLineDetection()
WIDTH = builders.HAND_WIDTH

# The pinches of the built hands (palms facing, thumbs inward) touch when the palm centres
# are this far apart: twice the mean of thumb tip (-1.0) and index tip (-0.5) across.
TOUCHING = 2 * 0.75 * WIDTH


def pair(at: np.ndarray, gaps: list[tuple[float, float]]) -> np.ndarray:
    """Hands about (0.5, 0.5) with the gap between the pinches following (time, hand widths)."""
    gap = np.interp(at, *np.array(gaps).T) * WIDTH + TOUCHING
    # The subject's left hand is on the right of an unmirrored picture from the front.
    left = np.stack([0.5 + gap / 2, np.full(len(at), 0.5)], axis=1)
    right = np.stack([0.5 - gap / 2, np.full(len(at), 0.5)], axis=1)
    hands = builders.hands_at(left, right, len(at))
    # Built with the thumbs at smaller x for the right hand; here they face each other.
    middle = hands[:, :, (0, 5, 9, 13, 17), :1].mean(axis=2, keepdims=True)
    hands[..., :1] = 2 * middle - hands[..., :1]
    return hands


CONNECT = [(0, 4), (2, 4), (2.2, 0), (5, 0), (5.4, 4), (9, 4), (9.4, 0), (14, 0)]
"""Cap taken at 2.2 s and pulled off from 5.0 s; ends together at 9.4 s."""

DISCONNECT = [(0, 0), (4, 0), (4.4, 4), (8, 4), (8.4, 0), (12, 0)]
"""Undone until 4.0 s, parted; the cap meets the line at 8.4 s."""


def one_phase(phase: Phase, end_s: float) -> Timeline:
    return builders.phases((phase, 0.0, end_s))


# --- windows ------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", [10.0, 15.0, 30.0])
def test_connect_window_from_pulling_the_cap_to_the_joint(fps: float) -> None:
    at = builders.times(14.0, fps)
    track = builders.make_track(at, hands=pair(at, CONNECT))
    (window,) = open_line_windows(one_phase(Phase.CONNECT, 14.0), track, SETTINGS)
    assert window.basis == "hands"
    assert window.interval.start_s == pytest.approx(5.0, abs=0.5)
    assert window.interval.end_s == pytest.approx(9.4 + SETTINGS.joining_s, abs=0.5)
    assert window.uncertainty_s <= 1.0


@pytest.mark.parametrize("lost", [0, 1])
def test_a_hand_lost_while_it_touches_the_other_changes_little(lost: int) -> None:
    at = builders.times(14.0, 15)
    hands = pair(at, CONNECT)
    gap = np.interp(at, *np.array(CONNECT).T)
    hands[gap < 1.0, lost] = np.nan
    track = builders.make_track(at, hands=hands)
    (window,) = open_line_windows(one_phase(Phase.CONNECT, 14.0), track, SETTINGS)
    assert window.interval.start_s == pytest.approx(5.0, abs=0.7)
    assert window.interval.end_s == pytest.approx(9.4 + SETTINGS.joining_s, abs=0.7)


def test_disconnect_window_from_parting_to_the_cap() -> None:
    at = builders.times(12.0, 15)
    track = builders.make_track(at, hands=pair(at, DISCONNECT))
    (window,) = open_line_windows(one_phase(Phase.DISCONNECT, 12.0), track, SETTINGS)
    assert window.interval.start_s == pytest.approx(4.0, abs=0.5)
    assert window.interval.end_s == pytest.approx(8.4 + SETTINGS.min_joined_s, abs=0.5)


def test_mirrored_hands_give_the_same_window() -> None:
    at = builders.times(14.0, 15)
    hands = pair(at, CONNECT)
    flipped = hands[:, ::-1].copy()
    flipped[..., 0] = 1.0 - flipped[..., 0]
    phases = one_phase(Phase.CONNECT, 14.0)
    one = open_line_windows(phases, builders.make_track(at, hands=hands), SETTINGS)
    two = open_line_windows(phases, builders.make_track(at, hands=flipped), SETTINGS)
    assert one == two


def test_without_hands_the_phase_itself_is_the_window_and_uncertain() -> None:
    track = builders.make_track(builders.times(14.0, 15))
    (window,) = open_line_windows(one_phase(Phase.CONNECT, 14.0), track, SETTINGS)
    assert window.basis == "phase" and window.interval == Interval(0.0, 14.0)
    assert window.uncertainty_s > 1.0


def test_no_line_phase_no_window() -> None:
    track = builders.make_track(builders.times(5.0, 15))
    assert open_line_windows(one_phase(Phase.WASH, 5.0), track, SETTINGS) == ()


def evidence(opened: np.ndarray) -> Emissions:
    count = len(opened)
    return Emissions(
        TimeBase(np.arange(count) / 10, count / 10),
        np.full((count, len(PHASES)), 1 / len(PHASES)),
        np.full((count, len(STEPS)), 1 / len(STEPS)),
        opened,
        np.zeros(count),
        np.full(len(PHASES), 1 / len(PHASES)),
    )


def test_model_evidence_gives_the_span_of_most_evidence() -> None:
    grid = np.arange(140) / 10
    track = builders.make_track(builders.times(14.0, 15))
    opened = np.where((grid >= 3) & (grid < 8), 0.95, 0.05)
    opened[60] = 0.1  # one doubtful sample does not split the window
    phases = one_phase(Phase.CONNECT, 14.0)
    (window,) = open_line_windows(phases, track, SETTINGS, evidence(opened))
    assert window.basis == "model"
    assert (window.interval.start_s, window.interval.end_s) == pytest.approx((3.0, 8.0), abs=0.11)
    blurred = np.interp(grid, [1, 5, 6, 10], [0.05, 0.9, 0.9, 0.05])
    (soft,) = open_line_windows(phases, track, SETTINGS, evidence(blurred))
    assert soft.uncertainty_s > window.uncertainty_s


def test_model_evidence_that_says_nothing_leaves_it_to_the_hands() -> None:
    at = builders.times(14.0, 15)
    track = builders.make_track(at, hands=pair(at, CONNECT))
    phases = one_phase(Phase.CONNECT, 14.0)
    found = open_line_windows(phases, track, SETTINGS, evidence(np.full(140, 0.02)))
    assert found == open_line_windows(phases, track, SETTINGS)


# --- talking and masks in the windows -----------------------------------------------------------


def speaking(
    spans: list[tuple[float, float]], duration_s: float = 30.0, yaw_deg: float = 0.0
) -> LandmarkTrack:
    """Hands at work below a face that talks in the given spans."""
    rng = np.random.default_rng(3)
    at = builders.times(duration_s, 15)
    opening = np.full(len(at), 0.02)
    for start, end in spans:
        inside = (at >= start) & (at < end)
        opening[inside] = builders.syllables(at[inside], rng)
    face = builders.faces(opening, yaw_deg=yaw_deg, jitter=0.0002, rng=rng)
    return builders.make_track(at, hands=pair(at, [(0, 1), (30, 1)]), face=face)


def reviewed(
    track: LandmarkTrack, *windows: tuple[Phase, float, float], mask: MaskEvidence | None = None
) -> OpenLineFindings:
    records = [OpenLineWindow(p, Interval(a, b), 0.0, "person") for p, a, b in windows]
    return review_open_line(records, track, SETTINGS, mask)


def value_of(found: OpenLineFindings, name: str) -> Measurement:
    return next(m for m in found.measurements if m.name == f"open_line.{name}")


def test_talking_counts_only_inside_the_windows() -> None:
    track = speaking([(2.0, 6.0), (12.0, 18.0)])
    found = reviewed(track, (Phase.CONNECT, 10.0, 15.0), (Phase.DISCONNECT, 22.0, 28.0))
    assert value_of(found, "connect_time").value == pytest.approx(5.0)
    assert value_of(found, "disconnect_time").value == pytest.approx(6.0)
    assert value_of(found, "talking_time").value == pytest.approx(3.0, abs=0.6)
    (talk,) = found.talking
    assert talk.phase is Phase.CONNECT and talk.probability > 0.75
    assert talk.interval.start_s == pytest.approx(12.0, abs=0.6)
    assert talk.interval.end_s == pytest.approx(15.0, abs=1e-6)
    # Palms at y 0.5, mouth a quarter of a 0.2 face below its centre at y 0.2, half a gap aside.
    aside = (WIDTH + TOUCHING) / 2
    assert talk.distance == pytest.approx(np.hypot(0.25, aside) / WIDTH, rel=0.05)


def test_moving_a_window_moves_what_depends_on_it() -> None:
    track = speaking([(2.0, 6.0)])
    assert reviewed(track, (Phase.CONNECT, 10.0, 15.0)).talking == ()
    assert len(reviewed(track, (Phase.CONNECT, 1.0, 15.0)).talking) == 1


def test_silence_is_zero_and_not_none() -> None:
    found = reviewed(speaking([]), (Phase.CONNECT, 10.0, 15.0))
    assert value_of(found, "talking_time").value == 0.0
    assert value_of(found, "talking_time").seen_fraction == pytest.approx(1.0)


def test_a_face_turned_away_is_not_silent() -> None:
    found = reviewed(speaking([], yaw_deg=65.0), (Phase.CONNECT, 10.0, 15.0))
    talking = value_of(found, "talking_time")
    assert talking.value is None and talking.seen_fraction == 0.0 and talking.why


def test_no_window_is_not_assessable() -> None:
    found = reviewed(speaking([(2.0, 6.0)]))
    assert all(m.value is None and m.why for m in found.measurements)


@pytest.mark.parametrize(
    ("judged", "covered", "share", "talking"),
    [(True, True, 1.0, None), (True, False, 0.0, 0.0), (False, False, None, 0.0)],
)
def test_the_three_answers_about_a_mask(
    judged: bool, covered: bool, share: float | None, talking: float | None
) -> None:
    track = speaking([])
    count = len(track.time)
    mask = MaskEvidence(np.full(count, judged), np.full(count, covered))
    found = reviewed(track, (Phase.CONNECT, 10.0, 15.0), mask=mask)
    assert value_of(found, "mask_seen").value == share
    assert value_of(found, "talking_time").value == talking


def test_behind_a_mask_no_talking_is_claimed_and_no_silence() -> None:
    track = speaking([(10.5, 14.5)])
    count = len(track.time)
    mask = MaskEvidence(np.ones(count, dtype=bool), np.ones(count, dtype=bool))
    assert len(reviewed(track, (Phase.CONNECT, 10.0, 15.0)).talking) == 1
    found = reviewed(track, (Phase.CONNECT, 10.0, 15.0), mask=mask)
    talking = value_of(found, "talking_time")
    assert found.talking == () and talking.value is None and talking.spans == ()
    assert talking.seen_fraction == 0.0 and "mask was seen; lips hidden" in talking.why


@pytest.mark.parametrize(("covered_s", "silent"), [(3.0, False), (1.0, True)])
def test_a_still_mouth_counts_as_silent_only_if_bare_for_most_of_the_time(
    covered_s: float, silent: bool
) -> None:
    track = speaking([])
    covered = track.time.inside(Interval(10.0, 10.0 + covered_s))
    mask = MaskEvidence(np.ones(len(track.time), dtype=bool), covered)
    talking = value_of(reviewed(track, (Phase.CONNECT, 10.0, 15.0), mask=mask), "talking_time")
    assert talking.value == (0.0 if silent else None)


def test_a_mask_in_one_window_leaves_the_talking_of_the_other_but_not_its_total() -> None:
    track = speaking([(10.5, 14.5), (20.5, 24.5)])
    covered = track.time.inside(Interval(0.0, 17.0))
    found = reviewed(
        track,
        (Phase.CONNECT, 10.0, 15.0),
        (Phase.DISCONNECT, 20.0, 25.0),
        mask=MaskEvidence(np.ones(len(track.time), dtype=bool), covered),
    )
    assert [talk.phase for talk in found.talking] == [Phase.DISCONNECT]
    assert value_of(found, "talking_time").value is None


def test_a_mask_seen_in_few_pictures_still_hides_the_lips() -> None:
    """The colours could be judged in a third of the time only, and said mask each time."""
    track = speaking([])
    judged = track.time.inside(Interval(10.0, 11.7))
    found = reviewed(track, (Phase.CONNECT, 10.0, 15.0), mask=MaskEvidence(judged, judged))
    assert value_of(found, "mask_seen").value is None
    assert value_of(found, "talking_time").value is None


def test_without_colours_a_mask_cannot_be_told() -> None:
    mask = value_of(reviewed(speaking([]), (Phase.CONNECT, 10.0, 15.0)), "mask_seen")
    assert mask.value is None and "annot tell" in mask.why


def test_talking_far_from_the_hands_is_not_near() -> None:
    track = speaking([(11.0, 14.0)])
    near = SETTINGS.model_copy(update={"near_hand_widths": 2.0})
    window = OpenLineWindow(Phase.CONNECT, Interval(10.0, 15.0), 0.0)
    assert np.nanmin(mouth_to_hands(track)) > 2.0
    assert len(review_open_line([window], track, SETTINGS).talking) == 1
    assert review_open_line([window], track, near).talking == ()


# --- hand to face -------------------------------------------------------------------------------

EXCHANGE = (
    (Phase.WASH, 0.0, 5.0),
    (Phase.SURFACE_PREP, 5.0, 10.0),
    (Phase.OTHER, 10.0, 20.0),
    (Phase.CONNECT, 20.0, 30.0),
)
TABLE = (0.45, 0.55)
FACE = (0.5, 0.22)


def visit(
    place: tuple[float, float],
    start_s: float,
    end_s: float,
    side: str = "right",
    hide_face: bool = False,
) -> LandmarkTrack:
    """Both hands at the table; one of them at ``place`` from ``start_s`` to ``end_s``."""
    at = builders.times(30.0, 15)
    table = np.tile(TABLE, (len(at), 1)) + 0.01 * np.sin(at)[:, None]
    away = table.copy()
    there = (at >= start_s) & (at < end_s)
    away[there] = place
    other = table + [0.15, 0.0]
    hands = builders.hands_at(*((other, away) if side == "right" else (away, other)), len(at))
    face = builders.faces(np.full(len(at), 0.02), height=0.25)
    if hide_face:
        face[there] = np.nan
    return builders.make_track(at, hands=hands, face=face)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("hide_face", [False, True])
def test_a_hand_at_the_face_is_found_with_its_span_and_side(side: str, hide_face: bool) -> None:
    track = visit(FACE, 12.0, 13.2, side, hide_face)
    (contact,) = hand_to_face(track, builders.phases(*EXCHANGE), SETTINGS)
    assert contact.hand == side
    assert contact.interval.start_s == pytest.approx(12.0, abs=0.07)
    assert contact.interval.end_s == pytest.approx(13.2, abs=0.07)
    assert contact.depth > 0.3 and not contact.rubbed_after
    assert 0.3 < contact.confidence <= 1.0


def test_a_hidden_face_is_held_for_a_while_only_and_trusted_less() -> None:
    phases = builders.phases(*EXCHANGE)
    (long,) = hand_to_face(visit(FACE, 12.0, 17.0, hide_face=True), phases, SETTINGS)
    assert long.interval.duration_s == pytest.approx(SETTINGS.face_hold_s, abs=0.1)
    (seen,) = hand_to_face(visit(FACE, 12.0, 17.0), phases, SETTINGS)
    assert long.confidence < seen.confidence


def test_hair_counts_and_beside_the_face_does_not() -> None:
    phases = builders.phases(*EXCHANGE)
    top = 0.2 - 0.25 / 2
    # Wrist and knuckles lie 0.75 below and up to 1.3 above the palm's centre.
    reach = 0.75 * WIDTH
    hair = visit((0.5, top - 0.01 - reach), 12.0, 13.0)
    assert len(hand_to_face(hair, phases, SETTINGS)) == 1
    above = visit((0.5, top - 0.12 - reach), 12.0, 13.0)
    assert hand_to_face(above, phases, SETTINGS) == ()
    beside = visit((0.5 + 0.38 * 0.25 + 0.03 + WIDTH, 0.22), 12.0, 13.0)
    assert hand_to_face(beside, phases, SETTINGS) == ()


def test_passing_by_and_before_the_wash_do_not_count() -> None:
    phases = builders.phases(*EXCHANGE)
    assert hand_to_face(visit(FACE, 12.0, 12.2), phases, SETTINGS) == ()
    assert hand_to_face(visit(FACE, 1.0, 3.0), phases, SETTINGS) == ()


def test_a_rub_after_the_touch_is_told() -> None:
    phases = builders.phases(
        *EXCHANGE[:2],
        (Phase.OTHER, 10.0, 14.0),
        (Phase.HAND_RUB, 14.0, 20.0),
        EXCHANGE[3],
    )
    (contact,) = hand_to_face(visit(FACE, 12.0, 13.0), phases, SETTINGS)
    assert contact.rubbed_after
    assert rubbed_before_line(phases, 13.0) and not rubbed_before_line(phases, 14.5)


def test_a_hand_much_nearer_to_the_camera_is_in_front_of_the_face() -> None:
    at = builders.times(30.0, 15)
    near = builders.hands_at(None, np.tile(FACE, (len(at), 1)), len(at), width=0.3)
    track = builders.make_track(at, hands=near, face=builders.faces(np.full(len(at), 0.02)))
    assert hand_to_face(track, builders.phases(*EXCHANGE), SETTINGS) == ()


@pytest.mark.parametrize("seed", range(5))
def test_inside_the_face_outline_agrees_with_shapely(seed: int) -> None:
    # Reference: shapely, distance to the outline and whether it covers a point.
    rng = np.random.default_rng(seed)
    plain = SETTINGS.model_copy(update={"hair_margin": 0.0, "face_padding": 0.0})
    face = builders.faces(np.full(40, 0.1), height=0.3)
    points = np.array([0.5, 0.2]) + rng.normal(0, 0.12, (40, 1, 2))
    outline = _face_outline(face, plain)
    np.testing.assert_allclose(outline[0], face[0, list(FACE_OVAL), :2], atol=1e-12)
    depth = _depth_inside(points, outline)
    shape = Polygon(outline[0])
    for point, found in zip(points[:, 0], depth, strict=True):
        place = shapely.Point(point)
        assert (found > 0) == shape.covers(place)
        if found > 0:
            assert found == pytest.approx(shape.exterior.distance(place), rel=1e-6)


# --- leaving the clean field --------------------------------------------------------------------


def test_leaving_the_field_is_found_with_its_span_and_side() -> None:
    track = visit((0.95, 0.2), 12.0, 15.0, "left")
    (left,) = left_clean_field(track, builders.phases(*EXCHANGE), SETTINGS)
    assert left.hand == "left" and not left.out_of_view and not left.rubbed_after
    assert left.interval.start_s == pytest.approx(12.0, abs=0.07)
    assert left.interval.end_s == pytest.approx(15.0, abs=0.07)
    assert left.seen_fraction == pytest.approx(1.0)


def test_the_way_from_the_sink_to_the_table_does_not_count() -> None:
    track = visit((0.95, 0.2), 0.0, 6.5)
    assert left_clean_field(track, builders.phases(*EXCHANGE), SETTINGS) == ()


def test_a_hand_gone_out_of_the_picture_stays_outside_and_a_merged_one_does_not() -> None:
    phases = builders.phases(*EXCHANGE)
    out = visit((0.95, 0.2), 12.0, 16.0)
    hands = out.hands.copy()
    gone = (out.time.times_s >= 12.5) & (out.time.times_s < 16.0)
    hands[gone, 1] = np.nan
    face = out.face
    (left,) = left_clean_field(
        builders.make_track(out.time.times_s, hands=hands, face=face), phases, SETTINGS
    )
    assert left.out_of_view and left.interval.end_s == pytest.approx(16.0, abs=0.07)
    assert left.seen_fraction < 0.9
    stays = visit(TABLE, 12.0, 16.0)
    hands = stays.hands.copy()
    hands[gone, 1] = np.nan
    track = builders.make_track(stays.time.times_s, hands=hands, face=face)
    assert left_clean_field(track, phases, SETTINGS) == ()


@pytest.mark.parametrize(
    ("place", "left_it"), [((0.97, 0.55), True), ((0.03, 0.55), True), ((0.80, 0.55), False)]
)
def test_a_hand_lost_at_a_side_of_the_picture_went_out_of_it(
    place: tuple[float, float], left_it: bool
) -> None:
    """Where the field reaches to the edge nothing outside it is ever seen."""
    track = visit(place, 12.0, 16.0)
    times = track.time.times_s
    hands = track.hands.copy()
    hands[(times >= 12.5) & (times < 15.5), 1] = np.nan
    wide = SETTINGS.model_copy(update={"clean_field_margin_hand_widths": 20.0})
    found = left_clean_field(
        builders.make_track(times, hands=hands, face=track.face), builders.phases(*EXCHANGE), wide
    )
    assert bool(found) is left_it
    for exit in found:
        assert exit.hand == "right" and exit.out_of_view and exit.distance == 0.0
        assert exit.interval.start_s == pytest.approx(12.5, abs=0.1)
        assert exit.interval.end_s == pytest.approx(15.5, abs=0.1)


def test_short_trips_and_trips_while_connecting_do_not_count() -> None:
    phases = builders.phases(*EXCHANGE)
    assert left_clean_field(visit((0.95, 0.2), 12.0, 12.6), phases, SETTINGS) == ()
    assert left_clean_field(visit((0.95, 0.2), 24.0, 25.5), phases, SETTINGS) == ()


def test_without_hands_there_is_no_field_and_no_finding() -> None:
    track = builders.make_track(builders.times(30.0, 15))
    phases = builders.phases(*EXCHANGE)
    assert clean_field(track, phases, SETTINGS) is None
    assert left_clean_field(track, phases, SETTINGS) == ()
    assert hand_to_face(track, phases, SETTINGS) == ()


def test_an_open_line_set_by_a_person_is_no_estimate():
    at_s = builders.times(20.0, 15.0)
    track = builders.make_track(at_s)
    window = OpenLineWindow(Phase.CONNECT, Interval(4.0, 9.0), 0.0, "person")
    found = review_open_line((window,), track, OpenLineDetection())
    measured = {m.name: m for m in found.measurements}["open_line.connect_time"]
    assert measured.value == pytest.approx(5.0) and measured.why == "Set by a person."
    guessed = replace(window, uncertainty_s=0.6, basis="hands")
    found = review_open_line((guessed,), track, OpenLineDetection())
    assert "0.6 s" in {m.name: m for m in found.measurements}["open_line.connect_time"].why


def test_the_line_open_in_all_needs_both_ends():
    track = builders.make_track(builders.times(40.0, 15.0))
    one = OpenLineWindow(Phase.CONNECT, Interval(4.0, 9.0), 0.5, "hands")
    two = OpenLineWindow(Phase.DISCONNECT, Interval(30.0, 33.0), 0.5, "hands")

    def total(*windows):
        found = review_open_line(windows, track, OpenLineDetection())
        return {m.name: m for m in found.measurements}["open_line.total_time"]

    assert total(one, two).value == pytest.approx(8.0)
    assert total(one).value is None and "disconnect" in total(one).why
    assert total().value is None
