"""The work area that a person draws: in order, stored, measured, shown."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import MultiPoint, Polygon
from streamlit.testing.v1 import AppTest

from review.analysis import Analysis, WorkSurface
from review.convex import square_homography
from review.desk import open_desk
from review.deskwork import act
from review.prepared import Evidence, prepare
from review.protocol import load_protocol
from review.settings import SurfaceDetection
from review.store import StoreError, open_store
from review.surface import measure_wiping, sweep
from review.timeline import Interval, Phase
from review.tracks import LandmarkTrack
from review.workarea import AreaError, guessed_area, work_area
from tests import builders
from tests.stores import analysed_store

AREA = ((0.25, 0.3), (0.75, 0.3), (0.9, 0.5), (0.1, 0.5))
ASPECT = 9 / 16
SETTINGS = SurfaceDetection(approach_s=0.0)
SPAN = Interval(0.0, 8.0)


def wiping_track(rows: tuple[float, ...] = (0.34, 0.42), fps: float = 15.0) -> LandmarkTrack:
    """A right hand that wipes along x from 0.3 to 0.7 and back, 4 s a row."""
    at = builders.times(4.0 * len(rows), fps)
    row = np.minimum((at // 4.0).astype(int), len(rows) - 1)
    share = at % 4.0 / 4.0
    x = 0.3 + 0.4 * np.where(row % 2 == 0, share, 1.0 - share)
    path = np.stack([x, np.array(rows)[row]], axis=1)
    return builders.make_track(at, hands=builders.hands_at(None, path, len(at)))


def on_table(places: np.ndarray) -> np.ndarray:
    """Places (n, 2) in the picture as they lie on the table: the area is the unit square there."""
    u, v, w = square_homography(np.array(AREA)) @ np.vstack([places.T, np.ones(len(places))])
    return np.stack([u / w, v / w], axis=1)


# --- measuring -----------------------------------------------------------------------------------


def test_the_covered_share_of_a_slanted_area_agrees_with_shapely_on_the_table() -> None:
    """Reference: shapely; outlines of the hand brought to the table plane, united, cut, measured.

    Not one cell of the grid is used: only the homography is shared, and that is checked on its
    own corners.
    """
    track, corners = wiping_track(), np.array(AREA)
    phases = builders.phases((Phase.SURFACE_PREP, SPAN.start_s, SPAN.end_s))
    found = measure_wiping(phases, track, SETTINGS, corners)
    _, _, path, _ = sweep(track, [SPAN], SETTINGS, corners)
    width = builders.HAND_WIDTH
    outlines = []
    for hand in path[np.isfinite(path).all(axis=(1, 2))]:
        hull = np.array(MultiPoint(hand).convex_hull.exterior.coords[:-1])
        middle = hull.mean(axis=0)
        away = hull - middle
        length = np.linalg.norm(away, axis=1, keepdims=True)
        rim = SETTINGS.cloth_hand_widths * width
        # Straight lines stay straight on the table, so corners are enough.
        outlines.append(Polygon(on_table(middle + away * (1.0 + rim / length))))
    square = shapely.box(0.0, 0.0, 1.0, 1.0)
    expected = shapely.union_all(outlines).intersection(square).area
    assert found.covered.value == pytest.approx(expected, abs=0.02)
    assert 0.3 < expected < 0.9  # neither nothing nor everything


@pytest.mark.parametrize("rows", [(0.34,), (0.34, 0.42), (0.34, 0.42, 0.34, 0.42)])
def test_changes_of_direction_are_one_less_than_the_strokes(rows: tuple[float, ...]) -> None:
    phases = builders.phases((Phase.SURFACE_PREP, 0.0, 4.0 * len(rows)))
    assert measure_wiping(phases, wiping_track(rows), SETTINGS).reversals == len(rows) - 1


# --- four corners --------------------------------------------------------------------------------


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_corners_in_any_order_give_one_area(order: tuple[int, ...]) -> None:
    # Reference: shapely, the polygon is valid and has the area of the hull.
    found = work_area([AREA[i] for i in order], ASPECT)
    assert set(found) == set(AREA)
    shape = Polygon(found)
    assert shape.is_valid and shape.area == pytest.approx(Polygon(AREA).area)
    assert found == work_area(AREA, ASPECT)
    square_homography(np.array(found))  # accepts it


Place = st.tuples(st.floats(0.0, 1.0), st.floats(0.0, ASPECT))


@given(corners=st.lists(Place, min_size=4, max_size=4))
def test_four_places_are_an_area_or_are_refused_in_words(
    corners: list[tuple[float, float]],
) -> None:
    try:
        found = work_area(corners, ASPECT)
    except AreaError as error:
        assert str(error).endswith(".")
        return
    square_homography(np.array(found))
    assert Polygon(found).is_valid


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        (AREA[:3], "four corners"),
        ((*AREA[:3], (math.nan, 0.1)), "four corners"),
        ((*AREA[:3], (0.1, 0.6)), "outside the picture"),
        ((*AREA[:3], (0.6, 0.35)), "between the others"),
        (((0.1, 0.1), (0.101, 0.1), (0.101, 0.101), (0.1, 0.101)), "too small"),
    ],
)
def test_what_is_no_area_is_refused(corners: tuple[tuple[float, float], ...], words: str) -> None:
    with pytest.raises(AreaError, match=words):
        work_area(corners, ASPECT)


def test_drawing_begins_with_the_box_about_what_was_wiped() -> None:
    surface = WorkSurface(left=-0.1, top=0.2, cell=0.1, rows=("....", "..wa", "..o.", "...."))
    box = guessed_area(surface, ASPECT)
    expected = [[0.1, 0.3], [0.3, 0.3], [0.3, 0.5], [0.1, 0.5]]
    np.testing.assert_allclose(box, expected, atol=1e-9)


# --- kept and followed ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    """A recording of nothing but wiping, with the phase given."""
    found = prepare(wiping_track(), load_protocol("practice"))
    return replace(found, phases=builders.phases((Phase.SURFACE_PREP, 0.0, 8.0)))


def test_measures_follow_the_area_and_undoing_takes_it_back(
    tmp_path: Path, analysis: Analysis, evidence: Evidence
) -> None:
    store, number = analysed_store(tmp_path, analysis)
    size = analysis.recording.width, analysis.recording.height
    with store:
        desk = open_desk(store, number)
        action = {"do": "area", "corners": [list(corner) for corner in reversed(AREA)]}
        done = act(store, desk, action, by="T-1", evidence=lambda: evidence)
        assert done.carried_out and "work area" in done.words
        after = open_desk(store, number)
        kept = work_area(AREA, size[1] / size[0])
        assert after.corrections is not None and after.corrections.area == kept
        assert after.corrections.phases is None and after.version.basis == "corrected"
        surface = after.analysis.work_surface
        assert surface is not None and surface.corners == kept
        expected = measure_wiping(
            evidence.phases, evidence.track, desk.protocol.detection.surface, np.array(kept)
        )
        covered = after.analysis.measure("surface.covered")
        assert covered is not None and expected.covered.value is not None
        assert covered.value == pytest.approx(expected.covered.value, abs=1e-4)
        assert "found from the wiping" not in covered.why
        # A moved edge leaves the area as it is; going back to the machine's times does, too.
        act(store, after, {"do": "machine"}, by="T-1", evidence=lambda: evidence)
        again = open_desk(store, number)
        assert again.corrections is not None and again.corrections.area == kept
        none = {"do": "area", "corners": None}
        act(store, again, none, by="T-1", evidence=lambda: evidence)
        assert open_desk(store, number).corrections.area is None  # type: ignore[union-attr]
        act(store, open_desk(store, number), {"do": "undo_correction"}, by="T-1",
            evidence=lambda: evidence)  # fmt: skip
        assert open_desk(store, number).corrections.area == kept  # type: ignore[union-attr]


def test_an_area_that_cannot_be_changes_nothing(
    tmp_path: Path, analysis: Analysis, evidence: Evidence
) -> None:
    store, number = analysed_store(tmp_path, analysis)
    with store:
        for corners in ([[0.1, 0.1]] * 4, [[5.0, 0.1], *AREA[1:]], "corners", [[1]] * 4):
            action = {"do": "area", "corners": corners}
            desk = open_desk(store, number)
            done = act(store, desk, action, by="T-1", evidence=lambda: evidence)
            assert not done.carried_out and done.words
        assert store.correction_history(number) == ()


def test_the_store_keeps_four_corners_and_nothing_else(tmp_path: Path, analysis: Analysis) -> None:
    store, number = analysed_store(tmp_path, analysis)
    with store:
        with pytest.raises(StoreError, match="four corners"):
            store.correct(number, area=AREA[:3], by="T-1")
        with pytest.raises(StoreError, match="four corners"):
            store.correct(number, area=((math.inf, 0.0), *AREA[1:]), by="T-1")
        store.correct(number, area=AREA, by="T-1")
    with open_store(tmp_path) as again:
        kept = again.corrections(number)
        assert kept is not None and kept.area == AREA and not kept.is_the_machines


def test_an_area_drawn_after_signing_shows(tmp_path: Path, analysis: Analysis) -> None:
    store, number = analysed_store(tmp_path, analysis)
    with store:
        first = _signed_state(store, number)
        store.correct(number, area=AREA, by="T-1")
        assert _signed_state(store, number) != first


def _signed_state(store: object, number: int) -> str:
    from review.store.reviewing import _content_sha256

    with store._database.reading() as session:  # type: ignore[attr-defined]
        return _content_sha256(session, number)


# --- on the page ---------------------------------------------------------------------------------


def work_area_page(folder: str, number: int) -> None:
    """The tab alone; the landmarks are not kept."""
    from concurrent.futures import Future
    from pathlib import Path

    from review.desk import open_desk
    from review.pages.workarea import show_work_area
    from review.store import open_store

    with open_store(Path(folder)) as store:
        evidence: Future[Evidence | None] = Future()
        evidence.set_result(None)
        show_work_area(store, open_desk(store, number), evidence, "T-1")


def test_corners_are_typed_seen_and_saved(tmp_path: Path, analysis: Analysis) -> None:
    surface = WorkSurface(left=0.3, top=0.3, cell=0.05, rows=("wwww", "waaw", "oooo"))
    store, number = analysed_store(tmp_path, analysis.model_copy(update={"work_surface": surface}))
    store.close()
    page = AppTest.from_function(work_area_page, args=(str(tmp_path), number), default_timeout=60)
    page.run()
    assert not page.exception
    assert [box.value for box in page.number_input] == pytest.approx(
        [30.0, 53.3, 50.0, 53.3, 50.0, 80.0, 30.0, 80.0]
    )
    page.number_input[0].set_value(45.0).run()  # top left beyond the middle of the others
    page.number_input[1].set_value(79.0).run()
    assert len(page.warning) == 1 and "between the others" in page.warning[0].value
    page.number_input[0].set_value(20.0).run()
    page.number_input[1].set_value(50.0).run()
    assert not page.warning and "as typed" in page.caption[0].value
    page.button[0].click().run()
    assert "What you set was saved" in page.success[0].value
    with open_store(tmp_path) as again:
        kept = again.corrections(number)
        assert kept is not None and kept.area is not None
        assert kept.area[0] == pytest.approx((0.2, 0.5 * ASPECT))


def test_without_a_map_the_page_says_so(tmp_path: Path, analysis: Analysis) -> None:
    store, number = analysed_store(tmp_path, analysis)
    store.close()
    page = AppTest.from_function(work_area_page, args=(str(tmp_path), number), default_timeout=60)
    page.run()
    assert not page.exception and not page.number_input
    assert "no map of the wiping" in page.markdown[0].value
