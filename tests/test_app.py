"""The page: run headless on complete, empty, broken and missing analyses."""

from __future__ import annotations

import base64
import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from streamlit.testing.v1 import AppTest

from review.analysis import CAUTIONS, Analysis, write_analysis
from review.pages.strip import FILLS, describe, time_strip_html, time_strip_svg
from review.timeline import Phase

SVG = "{http://www.w3.org/2000/svg}"


def open_page(project: Path, monkeypatch: pytest.MonkeyPatch, start: Path) -> AppTest:
    """Run ``app.py`` as if started with ``-- START``."""
    monkeypatch.setattr(sys, "argv", ["app.py", str(start)])
    page = AppTest.from_file(
        str(project / "review" / "pages" / "navigation.py"), default_timeout=60
    ).run()
    assert not page.exception, page.exception
    return page


def text_of(page: AppTest) -> str:
    """Everything said on the page, including tables written as HTML."""
    html = [element.proto.body for element in page.get("html")]
    plain = [
        element.value for kind in ("markdown", "error", "warning") for element in page.get(kind)
    ]
    titles = [e.value for kind in ("title", "header", "subheader") for e in page.get(kind)]
    return "\n".join([*titles, *plain, *html])


def test_a_complete_analysis_is_shown(
    project: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, analysis: Analysis
) -> None:
    path = tmp_path / "a.json"
    write_analysis(analysis, path)
    text = text_of(open_page(project, monkeypatch, path))
    for words in (
        "Hand wash",
        "Talking near the open line",
        "The mouth moved for 3.2 s.",
        "1:08.0 to 1:11.2",
        "Back of left hand",
        "at least 40 s",
        "WHO Guidelines on Hand Hygiene in Health Care, 2009",
        "not assessable",
        "The face was out of view.",
        "Doors and windows closed",
        *CAUTIONS,
    ):
        assert words in text
    assert "contaminat" not in text.lower()


def test_an_empty_analysis_claims_nothing(
    project: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, analysis: Analysis
) -> None:
    empty = analysis.model_copy(
        update={"phases": (), "flags": (), "measures": (), "wash_surfaces": (), "open_line": ()}
    )
    write_analysis(empty, tmp_path / "a.json")
    text = text_of(open_page(project, monkeypatch, tmp_path / "a.json"))
    assert "No phase of an exchange was found" in text
    assert "That does not mean that nothing happened" in text


def test_one_of_a_folder_can_be_picked(
    project: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, analysis: Analysis
) -> None:
    for name in ("first", "second"):
        recording = analysis.recording.model_copy(update={"file": f"{name}.mp4"})
        document = analysis.model_copy(update={"recording": recording})
        write_analysis(document, tmp_path / f"{name}.analysis.json")
    (tmp_path / "other.json").write_text("{}")
    page = open_page(project, monkeypatch, tmp_path)
    assert page.selectbox[0].options == ["first.analysis.json", "second.analysis.json"]
    assert [header.value for header in page.header] == ["first.mp4"]
    page.selectbox[0].select("second.analysis.json").run()
    assert [header.value for header in page.header] == ["second.mp4"]


def test_an_empty_folder_says_how_to_begin(
    project: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert "Open an analysis to begin" in text_of(open_page(project, monkeypatch, tmp_path))


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "no such file"), ("{", "not JSON"), ('{"schema": "x"}', "is not an analysis")],
)
def test_a_broken_file_is_one_clear_message(
    project: Path,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    content: str | None,
    words: str,
) -> None:
    path = tmp_path / "a.json"
    if content is not None:
        path.write_text(content)
    page = open_page(project, monkeypatch, path)
    assert len(page.error) == 1
    assert words in page.error[0].value


def test_the_strip_is_well_formed_and_names_every_phase(analysis: Analysis) -> None:
    root = ElementTree.fromstring(time_strip_svg(analysis))
    titles = [element.text or "" for element in root.iter(f"{SVG}title")]
    assert titles[0] == "invented <practice>.mp4 over time"
    for words in ("Hand wash, 0:00.0 to 0:32.0", "Line open, 1:06.0 to 1:15.0"):
        assert words in titles
    assert any(title.startswith("Please look: Talking near the open line") for title in titles)


def test_the_strip_is_drawn_to_scale(analysis: Analysis) -> None:
    root = ElementTree.fromstring(time_strip_svg(analysis))
    blocks = {}
    for group in root.iter(f"{SVG}g"):
        title, rect = group.find(f"{SVG}title"), group.find(f"{SVG}rect")
        if title is not None and rect is not None:
            blocks[title.text] = (float(rect.attrib["x"]), float(rect.attrib["width"]))
    wash, wait = blocks["Hand wash, 0:00.0 to 0:32.0"], blocks["Waiting, 1:20.0 to 1:50.0"]
    assert wash[1] / wait[1] == pytest.approx(32 / 30, abs=0.01)
    assert wash[0] < wait[0]


def test_the_strip_can_be_read_without_seeing_it(analysis: Analysis) -> None:
    html = time_strip_html(analysis)
    alternative = re.search(r'alt="([^"]*)"', html)
    assert alternative is not None
    assert "Connect 1:03.0 to 1:20.0" in alternative[1]
    assert "Wash short at 0:00.0" in alternative[1]
    picture = re.search(r"base64,([^\"]*)", html)
    assert picture is not None
    assert base64.b64decode(picture[1]).decode() == time_strip_svg(analysis)


def test_phases_differ_by_pattern_not_by_colour_alone() -> None:
    patterns = [FILLS[phase][1] for phase in Phase]
    assert len(patterns) == len(Phase)
    striking = [pattern for pattern in patterns if pattern != "plain"]
    assert len(set(striking)) == len(striking) == 5


def test_words_for_nothing_found(analysis: Analysis) -> None:
    empty = analysis.model_copy(update={"phases": (), "flags": ()})
    assert describe(empty) == "Phases: none found. Flagged: nothing."


def test_without_an_analysis_the_unit_s_pages_are_shown(
    project: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv("EXCHANGE_REVIEW_UNIT", str(tmp_path / "records"))
    navigation = project / "review" / "pages" / "navigation.py"
    page = AppTest.from_file(str(navigation), default_timeout=60).run()
    assert not page.exception, page.exception
    assert any("no recording to review yet" in info.value for info in page.info)
    assert (tmp_path / "records" / "records.sqlite").is_file()


def test_the_entry_file_serves_the_pages_and_the_video_route(project: Path) -> None:
    text = (project / "app.py").read_text(encoding="utf-8")
    assert "\napp = st.App(" in text  # the page server looks for these very words
    assert "media.routes()" in text
