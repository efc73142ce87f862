"""The hand map: what it says, that it says it without colour, and that the drawing is sound."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, Polygon

from review.analysis import WashSurface
from review.handdrawing import INK, PATTERN_INK, TINTS, UNKNOWN, wrapped
from review.handmap import (
    WORDS,
    hand_map_svg,
    hand_map_words,
    step_of,
)
from review.handshape import FINGERS, hand_shape, hatch, inside, raster
from review.measures import Result
from review.timeline import Surface
from review.washing import SurfaceRubbing

SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Rubbed:
    """The least a record can be."""

    surface: Surface
    seconds: float | None
    result: Result = Result.MET


SECONDS = {
    Surface.PALMS: 6.2,
    Surface.BACK_LEFT: 5.0,
    Surface.BACK_RIGHT: 2.4,
    Surface.BETWEEN_FINGERS: 3.3,
    Surface.BACKS_OF_FINGERS: 0.0,
    Surface.THUMB_LEFT: 4.0,
    Surface.THUMB_RIGHT: 0.0,
    Surface.FINGERTIPS_LEFT: 12.4,
    Surface.FINGERTIPS_RIGHT: 0.4,
}


def records(**seconds: float | None) -> list[Rubbed]:
    """All nine; a value of None is one that could not be told."""
    return [
        Rubbed(surface, value, Result.NOT_ASSESSABLE if value is None else Result.MET)
        for surface, value in (SECONDS | {Surface(k): v for k, v in seconds.items()}).items()
    ]


def drawn(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def texts(svg: str) -> list[str]:
    return ["".join(item.itertext()) for item in drawn(svg).iter(f"{SVG}text")]


# --- what it says ----------------------------------------------------------------------------


def test_every_surface_has_its_seconds_and_its_name() -> None:
    said = texts(hand_map_svg(records(), title="Wash"))
    counts = Counter(said)
    # Three surfaces are of both hands and have one number; six have one for each hand.
    assert [text for text in said if re.fullmatch(r"(<?\d+ s|\?)", text)] == [
        "12 s", "<1 s", "3 s", "6 s", "0 s", "4 s", "0 s", "5 s", "2 s",
    ]  # fmt: skip
    assert counts["Palm side"] == counts["Back side"] == 1
    assert counts["Left hand"] == counts["Right hand"] == 2
    joined = " ".join(said)
    for name in ("Palms", "Fingertips", "Between the fingers", "Backs of the fingers", "Thumb"):
        assert name in joined
    assert "Left and right are the person's own." in said


def test_left_and_right_are_not_confused() -> None:
    """The left number stands left of the right one, and swapping the records swaps them."""
    swapped = [Rubbed(r.surface.other_side, r.seconds) for r in records()]
    for given_records, left, right in ((records(), "12 s", "<1 s"), (swapped, "<1 s", "12 s")):
        svg = hand_map_svg(given_records, title="Wash")
        x = {"".join(e.itertext()): float(e.get("x", "nan")) for e in drawn(svg).iter(f"{SVG}text")}
        assert x[left] < 200 < x[right]


def test_what_could_not_be_told_is_a_question_mark_never_a_zero() -> None:
    svg = hand_map_svg(records(palms=None, thumb_left=None), title="Wash")
    assert texts(svg).count("?") == 2
    assert "Palms, both hands: cannot tell" in hand_map_words(records(palms=None))
    # Without any record nothing is known; nothing is called 'not rubbed'.
    assert texts(hand_map_svg([], title="Wash")).count("?") == 9
    assert "0 s" not in texts(hand_map_svg([], title="Wash"))
    assert hand_map_words([]).count("cannot tell") == 9
    # The answer counts, not the number that may stand beside it.
    unsure = [Rubbed(surface, 0.0, Result.NOT_ASSESSABLE) for surface in Surface]
    assert "not rubbed" not in hand_map_words(unsure)


def test_in_words() -> None:
    assert hand_map_words(records(thumb_left=1.0)).splitlines() == [
        "Palms, both hands: 6 seconds.",
        "Back of the hand, left: 5 seconds.",
        "Back of the hand, right: 2 seconds.",
        "Between the fingers, both hands: 3 seconds.",
        "Backs of the fingers, both hands: 0 seconds, not rubbed.",
        "Thumb, left: 1 second.",
        "Thumb, right: 0 seconds, not rubbed.",
        "Fingertips, left: 12 seconds.",
        "Fingertips, right: less than 1 second.",
        "Left and right are the person's own.",
    ]


def test_screen_readers_get_a_title_and_all_of_it_in_words() -> None:
    root = drawn(hand_map_svg(records(), title='Wash of "P-07" & more'))
    assert root.get("role") == "img"
    assert root.get("aria-label") == root[0].text == 'Wash of "P-07" & more'
    assert (root[0].tag, root[1].tag) == (f"{SVG}title", f"{SVG}desc")
    assert root[1].text == hand_map_words(records())


@pytest.mark.parametrize(
    ("seconds", "step"),
    [(0.0, 0), (0.01, 1), (2.49, 1), (2.5, 2), (4.49, 2), (4.5, 3), (60.0, 3), (None, UNKNOWN)],
)
def test_pattern_follows_the_written_seconds(seconds: float | None, step: int) -> None:
    """5 s wanted: 3 s written is half, 5 s written is all. Edges at the halves of rounding."""
    result = Result.NOT_ASSESSABLE if seconds is None else Result.NOT_MET
    assert step_of(Rubbed(Surface.PALMS, seconds, result), 5) == step


@pytest.mark.parametrize(
    ("wanted_s", "legend"),
    [
        (5.0, ["less than 3 s", "3 to 4 s", "5 s or more"]),
        (1.5, ["less than 1 s", "1 s", "2 s or more"]),
        (1.0, ["less than 1 s", "1 s or more"]),
        (20.0, ["less than 10 s", "10 to 19 s", "20 s or more"]),
    ],
)
def test_legend_says_what_the_patterns_mean(wanted_s: float, legend: list[str]) -> None:
    said = texts(hand_map_svg(records(), title="Wash", wanted_s=wanted_s))
    at = said.index("0 s, not rubbed")
    assert said[at + 1 : said.index("cannot tell")] == legend


def test_records_of_the_program_fit() -> None:
    """Both the stage's record and the document's."""
    stage = [SurfaceRubbing(s, 3.0, 4, 1, (), Result.MET) for s in Surface]
    document = [
        WashSurface(surface=s, seconds=3.0, strokes=4, rounds=1, result=Result.MET) for s in Surface
    ]
    assert hand_map_svg(stage, title="Wash") == hand_map_svg(document, title="Wash")


def test_words_can_be_replaced() -> None:
    spanish = {"palms": "Palmas", "left_hand": "Mano izquierda", "between_fingers": "Entre dedos"}
    svg = hand_map_svg(records(), title="Lavado", words=spanish)
    assert {"Palmas", "Mano izquierda", "Entre dedos", "Right hand"} <= set(texts(svg))
    assert "Palmas, both hands: 6 seconds." in hand_map_words(records(), words=spanish)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: hand_map_svg(records(), title="", words={"plams": "x"}), "called plams"),
        (lambda: hand_map_svg(records(), title="", wanted_s=0.0), "above 0"),
        (lambda: hand_map_svg(records(), title="", wanted_s=float("nan")), "above 0"),
        (lambda: hand_map_words([*records(), Rubbed(Surface.PALMS, 1.0)]), "two records of palms"),
    ],
)
def test_what_makes_no_sense_is_refused(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        ("Thumb", ["Thumb"]),
        ("Between the fingers", ["Between the", "fingers"]),
        ("Finger\u00adtips", ["Fingertips"]),
        ("Dorso de los dedos", ["Dorso de", "los dedos"]),
        ("Zwischen\u00adfinger\u00adräume", ["Zwischen-", "fingerräume"]),
    ],
)
def test_names_are_parted_into_lines(name: str, lines: list[str]) -> None:
    assert wrapped(name)[0] == lines


@given(st.text(min_size=1, max_size=60))
def test_names_stay_inside_the_middle_column(name: str) -> None:
    """Letters of a wide sans face are about 0.58 of their size wide (rough measure)."""
    lines, size = wrapped(name)
    assert all(0.58 * size * len(line) <= 104.001 for line in lines)
    assert re.sub(r"[\s-]", "", "".join(lines)) == re.sub(r"[\s\u00ad-]", "", name)


# --- without colour, and with few means ------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_reference() -> None:
    """WCAG 2.2: black on white is 21:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_patterns_can_be_seen_without_colour() -> None:
    """WCAG 2.2, 1.4.11: at least 3:1 for what is needed to understand a picture."""
    assert all(contrast(PATTERN_INK, tint) >= 4.5 for tint in TINTS[1:])
    assert all(contrast(INK, tint) >= 7.0 for tint in TINTS)
    steps = [luminance(tint) for tint in TINTS]
    assert steps == sorted(steps, reverse=True)


def test_each_step_is_drawn_differently() -> None:
    """Every region in one step at a time: dots, lines, crossed lines, question marks, nothing."""
    svgs = {
        name: hand_map_svg([Rubbed(s, seconds, result) for s in Surface], title="")
        for name, seconds, result in (
            ("none", 0.0, Result.NOT_MET),
            ("some", 1.0, Result.NOT_MET),
            ("half", 3.0, Result.MET),
            ("all", 9.0, Result.MET),
            ("unknown", None, Result.NOT_ASSESSABLE),
        )
    }
    dots = {name: svg.count("h.1") for name, svg in svgs.items()}
    marks = {name: svg.count("m0 2.6v.3") for name, svg in svgs.items()}
    hatched = {
        name: sum(
            (path.get("d") or "").count("M")
            for path in drawn(svg).iter(f"{SVG}path")
            if path.get("stroke") == PATTERN_INK and not path.get("stroke-linecap")
        )
        for name, svg in svgs.items()
    }
    legend_dots, legend_marks, legend_lines = dots["none"], marks["none"], hatched["none"]
    assert dots["some"] > legend_dots + 500
    assert dots["half"] == dots["all"] == dots["unknown"] == legend_dots
    assert marks["unknown"] > legend_marks + 100
    assert marks["some"] == marks["half"] == marks["all"] == legend_marks
    assert hatched["all"] > 1.8 * hatched["half"] > 1.8 * (legend_lines + 300)
    assert hatched["some"] == hatched["unknown"] == legend_lines


def test_only_plain_drawing_is_used() -> None:
    """No id to collide with a second map on the page, nothing that is fetched or run."""
    root = drawn(hand_map_svg(records(palms=None), title="Wash"))
    tags = {item.tag.removeprefix(SVG) for item in root.iter()}
    assert tags == {"svg", "title", "desc", "rect", "path", "circle", "text"}
    assert not any({"id", "class", "href"} & set(item.attrib) for item in root.iter())


def test_it_scales_and_stays_small() -> None:
    svg = hand_map_svg(records(), title="Wash")
    root = drawn(svg)
    assert root.get("width") == "100%"
    _, _, width, height = (float(part) for part in root.get("viewBox", "").split())
    assert len(svg) < 90_000
    at_320 = 320 / width
    sizes = [float(item.get("font-size", "nan")) * at_320 for item in root.iter(f"{SVG}text")]
    assert min(sizes) >= 13.0
    for item in root.iter(f"{SVG}text"):
        assert 0 <= float(item.get("x", "nan")) <= width
        assert 0 <= float(item.get("y", "nan")) <= height - 4


def test_everything_is_drawn_inside_the_picture() -> None:
    svg = hand_map_svg([Rubbed(s, 0.0) for s in Surface], title="")
    _, _, width, height = (float(part) for part in drawn(svg).get("viewBox", "").split())
    for path in drawn(svg).iter(f"{SVG}path"):
        x = y = 0.0
        for step, a, b in re.findall(r"([Ml])(-?[\d.]+) (-?[\d.]+)", path.get("d") or ""):
            x, y = (float(a), float(b)) if step == "M" else (x + float(a), y + float(b))
            assert 2 <= x <= width - 2 and 0 <= y <= height


# --- the drawn hand, against shapely ---------------------------------------------------------


@pytest.mark.parametrize("side", ["palm", "back"])
def test_regions_are_sound_and_do_not_overlap(side: str) -> None:
    shape = hand_shape(side)  # type: ignore[arg-type]
    whole = Polygon(shape.outline)
    assert whole.is_valid
    polygons = [
        (region, Polygon(points)) for region, many in shape.regions.items() for points in many
    ]
    for region, polygon in polygons:
        assert polygon.is_valid, region
        # Edges are drawn with few points, so a sliver may stand out.
        assert polygon.difference(whole.buffer(0.6)).area < 1.0, region
    for (one, a), (other, b) in combinations(polygons, 2):
        if "between" not in (one, other):
            assert a.intersection(b).area < 1.0, (one, other)
    covered = sum(polygon.area for region, polygon in polygons if region != "between")
    forearm = 16 * 56
    assert covered == pytest.approx(whole.area - forearm, rel=0.02)


def test_the_hand_has_the_proportions_of_an_adult_hand() -> None:
    """Breadth over length about 0.44-0.50 for adults (common anthropometry, from memory)."""
    palm = Polygon(hand_shape("palm").regions["palm"][0])
    low, high = palm.bounds[1], FINGERS[1].at(FINGERS[1].length, 0.0)[1]
    breadth = FINGERS[3].at(0, FINGERS[3].half)[0] - FINGERS[0].at(0, -FINGERS[0].half)[0]
    assert 170 < high - low < 200
    assert 0.42 < breadth / (high - low) < 0.52
    lengths = [finger.length for finger in FINGERS]
    assert lengths.index(max(lengths)) == 1 and lengths.index(min(lengths)) == 3


blobs = st.lists(st.tuples(st.floats(4.0, 30.0), st.floats(0.1, 1.0)), min_size=3, max_size=12).map(
    lambda rows: np.array(
        [
            (r * np.cos(a), r * np.sin(a))
            for (r, _), a in zip(
                rows, np.cumsum([w for _, w in rows]) * 6.2 / sum(w for _, w in rows), strict=True
            )
        ]
    )
)
"""Star-shaped polygons around the origin."""


@given(blobs, st.sampled_from([0.0, 30.0, 45.0, -45.0, 90.0]))
def test_hatching_covers_the_polygon_and_nothing_else(
    polygon: np.ndarray, angle_deg: float
) -> None:
    gap = 0.25
    true = Polygon(polygon)
    if not true.is_valid or true.area < 1.0:
        return
    lines = hatch(polygon, angle_deg, gap)
    total = 0.0
    for start, end in lines:
        total += float(np.hypot(*(end - start)))
        assert true.buffer(1e-6).contains(Point(*(start + end) / 2))
    # Cavalieri: lines times their distance give the area, to within a strip round the edge.
    assert total * gap == pytest.approx(true.area, abs=gap * true.length)


@given(blobs, st.floats(-30, 30), st.floats(-30, 30))
def test_inside_agrees_with_shapely(polygon: np.ndarray, x: float, y: float) -> None:
    true = Polygon(polygon)
    if not true.is_valid or true.boundary.distance(Point(x, y)) < 1e-6:
        return
    assert inside(polygon, (x, y)) == true.contains(Point(x, y))


def test_raster_of_a_square() -> None:
    """Rows at 0, 2, 4; the middle one shifted by half a step."""
    square = np.array([(-0.5, -0.5), (4.5, -0.5), (4.5, 4.5), (-0.5, 4.5)])
    assert raster(square, 2.0) == [
        (0.0, 0), (2.0, 0), (4.0, 0), (1.0, 2), (3.0, 2), (0.0, 4), (2.0, 4), (4.0, 4),
    ]  # fmt: skip


def test_all_words_are_used() -> None:
    """Each entry of the words shows up in the picture or in the text."""
    marked = {key: value.replace("\u00ad", "") + "§" + key for key, value in WORDS.items()}
    seen = ""
    for seconds in (0.0, 0.3, 1.0, 5.0, None):
        result = Result.NOT_ASSESSABLE if seconds is None else Result.MET
        rubbed = [Rubbed(s, seconds, result) for s in Surface]
        seen += "".join(texts(hand_map_svg(rubbed, title="", words=marked)))
        seen += hand_map_words(rubbed, words=marked)
    seen += "".join(texts(hand_map_svg([], title="", words=marked, wanted_s=9.0)))
    flat = seen.replace("-", "").replace(" ", "")
    assert [key for key in WORDS if f"§{key}" not in flat] == []
