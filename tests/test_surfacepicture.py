"""The wiping as kept in the document and drawn; the grid is made by hand."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from review.analysis import Analysis, WorkSurface
from review.measures import Measurement
from review.surface import WipedGrid, WipingFindings
from review.surfacemap import MOST_POINTS, work_surface
from review.surfacepicture import PLACES, WIDTH, surface_picture, surface_words
from review.surfacestill import still_time_s
from review.tracks import FeatureTrack, TimeBase

SVG = "{http://www.w3.org/2000/svg}"
ROWS = (".ow", "owa", "v.a")
CORNERS = ((0.2, 0.2), (0.5, 0.2), (0.5, 0.5), (0.2, 0.5))


def surface(**more: object) -> WorkSurface:
    content = {
        "left": 0.2, "top": 0.2, "cell": 0.1, "rows": ROWS, "corners": CORNERS, "reversals": 3,
        "path": (((1.0, 0.25, 0.25), (2.0, 0.45, 0.25)), ((4.0, 0.45, 0.45), (5.0, 0.25, 0.45))),
    }  # fmt: skip
    return WorkSurface.model_validate(content | more)


def drawn(**more: object) -> ET.Element:
    return ET.fromstring(surface_picture(surface(), (640, 480), **more))  # type: ignore[arg-type]


def wiping(n: int = 50) -> WipingFindings:
    at = np.arange(n) * 0.05
    way = np.stack([np.linspace(0.2, 0.5, n), np.full(n, 0.3)], axis=1)
    way[10:40] = np.nan
    wiped = np.array([[False, False, True], [False, True, True], [True, False, True]])
    again = np.array([[False, False, False], [False, False, True], [False, False, True]])
    area = np.array([[False, True, True], [True, True, True], [False, False, True]])
    grid = WipedGrid(
        np.array([0.25, 0.35, 0.45]), np.array([0.25, 0.35, 0.45]), wiped,
        again.astype(np.int64) + wiped, again, area, np.ones((3, 3)),
    )  # fmt: skip
    return WipingFindings(
        Measurement("surface.covered", 0.8, "share"),
        Measurement("surface.gone_over_again", 0.5, "share"),
        3,
        grid,
        FeatureTrack(TimeBase(at, n * 0.05), ("x", "y"), ("1", "1"), way),
        np.array(CORNERS),
    )


# --- the document --------------------------------------------------------------------------------


def test_the_document_keeps_the_grid_the_corners_and_the_way() -> None:
    kept = work_surface(wiping())
    assert kept is not None
    assert kept.rows == ROWS and kept.corners == CORNERS and kept.reversals == 3
    assert (kept.left, kept.top, kept.cell) == pytest.approx((0.2, 0.2, 0.1))
    # A gap of 1.5 s splits the way; each piece keeps its first and last point.
    assert [(piece[0][0], piece[-1][0]) for piece in kept.path] == [(0.0, 0.45), (2.0, 2.45)]


def test_a_long_way_is_thinned_to_what_a_document_bears() -> None:
    n = 20_000
    found = wiping()
    at = np.arange(n) * 0.05
    way = np.stack([np.sin(at) * 0.1 + 0.3, np.full(n, 0.3)], axis=1)
    palm = FeatureTrack(TimeBase(at, n * 0.05), ("x", "y"), ("1", "1"), way)
    kept = work_surface(replace(found, palm=palm))
    assert kept is not None and MOST_POINTS <= sum(map(len, kept.path)) <= MOST_POINTS + 2


def test_nothing_measured_keeps_nothing(analysis: Analysis) -> None:
    found = wiping()
    assert work_surface(replace(found, grid=None)) is None
    unknown = Measurement("surface.covered", None, "share")
    assert work_surface(replace(found, covered=unknown)) is None
    assert "work_surface" not in analysis.to_json()
    assert still_time_s(analysis) is None


def test_the_document_comes_back_as_it_was(analysis: Analysis) -> None:
    whole = analysis.model_copy(update={"work_surface": surface()})
    again = Analysis.from_json(whole.to_json())
    assert again.work_surface == surface()
    assert still_time_s(again) == 5.0


# --- the picture ---------------------------------------------------------------------------------


def boxes(root: ET.Element, name: str) -> set[tuple[float, float, float, float]]:
    """Left, top, width and height of the runs of one kind, drawn units."""
    found = root.findall(f".//{SVG}path[@class='{name}']")
    numbers = r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)"
    return {
        tuple(float(v) for v in run)  # type: ignore[misc]
        for path in found
        for run in re.findall(numbers, path.attrib["d"])
    }


def test_cells_lie_where_they_were_wiped() -> None:
    root, unit = drawn(), WIDTH * 0.1
    assert root.attrib["viewBox"].startswith("0 0 640 ")
    places = {"wiped": ((4, 2), (3, 3)), "again": ((4, 3), (4, 4)), "missed": ((3, 2), (2, 3))}
    for name, cells in places.items():
        assert boxes(root, name) == {(x * unit, y * unit, unit, unit) for x, y in cells}


def test_a_close_picture_shows_the_same_places_larger() -> None:
    whole, close = drawn(), drawn(close=True)
    (_, _, before, _), (_, _, after, _) = (
        sorted(boxes(root, "wiped"))[0] for root in (whole, close)
    )
    assert after > 1.5 * before
    for root in (whole, close):
        height = float(root.attrib["viewBox"].split()[3])
        for name in PLACES:
            for x, y, w, h in boxes(root, name):
                assert min(x, y) >= 0 and x + w <= WIDTH and y + h <= height


def test_nothing_rests_on_colour_alone() -> None:
    root = drawn()
    text = ET.tostring(root, encoding="unicode")
    patterns = {pattern.attrib["id"] for pattern in root.iter(f"{SVG}pattern")}
    assert patterns == {pattern for _, _, pattern in PLACES.values()}
    for _, _, pattern in PLACES.values():
        assert text.count(f"url(#{pattern})") >= 2  # in the picture and in the legend
    assert root.attrib["role"] == "img" and root.find(f"{SVG}desc") is not None


def test_the_legend_says_what_is_drawn_with_the_measured_shares() -> None:
    said = dict(surface_words(surface(), covered=0.8, again=0.5))
    assert said["wiped"] == "wiped: 80 % of the work area"
    assert said["missed"] == "not wiped: 20 % of the work area"
    assert said["again"] == "gone over again after it was clean: 50 % of what was wiped"
    assert said["way"].endswith("3 changes of direction")
    text = "".join(drawn(covered=0.8, again=0.5).itertext())
    assert all(line in text for line in said.values())
    plain = dict(surface_words(surface(rows=("ww",), corners=None, reversals=None, path=())))
    assert plain == {"wiped": "wiped", "area": "work area as far as the wiping shows it"}


def test_words_of_another_language_are_escaped_and_take_over() -> None:
    root = ET.fromstring(
        surface_picture(surface(), (640, 480), words={"title": "<Tisch> & Tuch"}, legend=False)
    )
    assert root.find(f"{SVG}title").text == "<Tisch> & Tuch"  # type: ignore[union-attr]
    assert root.attrib["viewBox"] == "0 0 640 480.0"


def test_a_still_is_laid_under_it_at_its_own_place() -> None:
    root = drawn(still=b"\xff\xd8still")
    image = root.find(f".//{SVG}image")
    assert image is not None and image.attrib["href"].startswith("data:image/jpeg;base64,")
    assert float(image.attrib["width"]) == WIDTH and float(image.attrib["height"]) == 480.0


def test_a_picture_without_a_size_is_refused() -> None:
    with pytest.raises(ValueError, match="no place to draw"):
        surface_picture(surface(), (0, 480))
