"""The printed report, read back with pypdf and laid out with pypdfium2."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis
from review.feedback import make_feedback
from review.measures import Result
from review.reportfacts import FilePage, file_page, flags_by_letter
from review.reporting import recorded_session
from review.reportpatient import PatientPage, patient_page
from review.reportpdf import (
    MISSING,
    FilePictures,
    Paper,
    Still,
    font_folder,
    make_pdf,
    readable,
)
from review.sessionfile import Session
from review.words import words_for
from tests.documents import example_analysis
from tests.sessions import ODD, reviewed_store

POINTS_A_MM = 72 / 25.4
MADE = datetime(2026, 3, 10, 12, tzinfo=UTC)


def pages_of(analysis: Analysis, language: str = "es") -> tuple[FilePage, PatientPage]:
    words = words_for(language)
    told = make_feedback(analysis, words, taken_on=date(2026, 3, 9))
    return file_page(Session(analysis=analysis)), patient_page(told, analysis, words)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    store, number = reviewed_store(tmp_path_factory.mktemp("unit"), example_analysis())
    with store:
        return recorded_session(store, number)


@pytest.fixture(scope="module")
def still() -> bytes:
    picture = np.full((90, 160, 3), 118, dtype=np.uint8)
    return bytes(cv2.imencode(".jpg", picture)[1])


@pytest.fixture(scope="module")
def content(session: Session, still: bytes) -> bytes:
    analysis = session.analysis
    pictures = FilePictures(
        wash=analysis.wash_surfaces,
        stills={"A": Still(still, "The moment"), "B": Still(None, "No picture: no face.")},
        stills_note="Faces are covered.",
        surface_svg='<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 9"/>',
        surface_words="The wiping",
        surface_note="Diagonal lines: wiped.",
    )
    page = pages_of(analysis)[1]
    return make_pdf(file_page(session), page, pictures=pictures, made_at=MADE)


@pytest.fixture(scope="module")
def reader(content: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(content))


def text_of(content: bytes) -> str:
    """All text, blanks made even and the marks for breaking taken out."""
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    text = " ".join(page.extract_text() for page in pages)
    return " ".join(text.replace("\u200b", "").split())


def elements(node: Any) -> Iterator[Mapping[str, Any]]:
    """Every element of the structure tree, in reading order."""
    node = node.get_object() if isinstance(node, pypdf.generic.IndirectObject) else node
    if isinstance(node, list):
        for child in node:
            yield from elements(child)
    elif isinstance(node, dict):
        if "/S" in node:
            yield node
        yield from elements(node.get("/K", []))


def tags(reader: pypdf.PdfReader) -> list[Mapping[str, Any]]:
    return list(elements(reader.trailer["/Root"]["/StructTreeRoot"]))


# --- what a reader for blind people needs ---------------------------------------------------------


def test_it_is_tagged_and_says_that_it_keeps_to_pdf_ua_1(reader: pypdf.PdfReader) -> None:
    """ISO 14289-1: 5 (identification), 7.1 (tagged, title shown), 7.2 (language); from memory."""
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value
    assert root["/Lang"] == "en-GB"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value
    xmp = reader.xmp_metadata
    assert xmp is not None
    assert b"<pdfuaid:part>1</pdfuaid:part>" in xmp.stream.get_data()


def test_every_picture_has_words(reader: pypdf.PdfReader) -> None:
    figures = [tag for tag in tags(reader) if tag["/S"] == "/Figure"]
    words = [str(tag.get("/Alt", "")) for tag in figures]
    assert len(words) == 5 and all(words)
    assert words[0].startswith("The recording over time. Phases: 1")
    assert any(text.startswith("Palms, both hands: cannot tell") for text in words)
    assert "The moment" in words and "The wiping" in words


def test_headings_tables_and_languages_are_tagged(reader: pypdf.PdfReader) -> None:
    found = tags(reader)
    headings = [tag for tag in found if tag["/S"] in ("/H1", "/H2")]
    assert [str(tag["/S"]) for tag in headings].count("/H1") == 2
    assert sum(tag["/S"] == "/TH" for tag in found) >= 5
    plain = [tag for tag in headings if tag.get("/Lang") == "es"]
    assert {"Lo que salió bien", "Qué practicar ahora"} <= {str(tag["/T"]) for tag in plain}


def test_it_names_no_author(reader: pypdf.PdfReader) -> None:
    information = dict(reader.metadata or {})
    assert set(information) <= {"/Title", "/Creator", "/CreationDate", "/ModDate"}
    assert information["/Title"] == "Session report · P-1 · 10 Mar 2026 · recording 1"
    assert information["/CreationDate"].startswith("D:20260310")


def test_only_the_packaged_font_is_used_and_it_is_embedded(reader: pypdf.PdfReader) -> None:
    fonts = [
        font.get_object()
        for page in reader.pages
        for font in page["/Resources"].get("/Font", {}).values()
    ]
    assert fonts
    for font in fonts:
        below = font["/DescendantFonts"][0].get_object()
        assert "DejaVuSans" in below["/BaseFont"]
        described = below["/FontDescriptor"].get_object()
        assert {"/FontFile2", "/FontFile3"} & set(described)
    assert (font_folder() / "DejaVuSans.ttf").is_file()


@pytest.mark.parametrize(
    ("paper", "wide_mm", "high_mm"),
    [("a4", 210.0, 297.0), ("letter", 8.5 * 25.4, 11 * 25.4)],
)
def test_paper_has_its_size(
    analysis: Analysis, paper: Paper, wide_mm: float, high_mm: float
) -> None:
    """A4: ISO 216. Letter: 8.5 x 11 in, ANSI/ASME Y14.1."""
    file, patient = pages_of(analysis)
    for page in pypdf.PdfReader(io.BytesIO(make_pdf(file, patient, paper=paper))).pages:
        size = np.array([page.mediabox.width, page.mediabox.height], dtype=float) / POINTS_A_MM
        np.testing.assert_allclose(size, [wide_mm, high_mm], atol=0.1)


# --- what stands on it ----------------------------------------------------------------------------


def test_the_file_page_says_what_was_found_and_decided(content: bytes) -> None:
    text = text_of(content)
    for words in (
        "person P-1, 10 Mar 2026", "Tess Invented (T-1)", "Practice session, version 1",
        "Practise more first", "Look again: on 7 Apr 2026", "✗ not met", "min. 40 s",
        "WHO Guidelines on Hand Hygiene", "Agreed: T-1", "Disagreed: T-1", "Not decided yet",
        "Trainer's own moment", "Towel fell down", "Calm and careful.",
        "Not measured: Mask seen while the line was open. The face was out of view.",
        "do not run fluid in", "No picture: no face.", "Times set by a person",
        "do not follow them yet", "Diagonal lines: wiped.",
    ):  # fmt: skip
        assert words.lower() in text.lower(), words
    assert "contaminat" not in text.lower()


def test_what_could_not_be_seen_is_neither_good_nor_bad(analysis: Analysis) -> None:
    talking = analysis.measure("open_line.talking_time")
    assert talking is not None
    unseen = talking.model_copy(
        update={"value": None, "result": Result.NOT_ASSESSABLE, "why": "The lips were hidden."}
    )
    file, _ = pages_of(analysis.model_copy(update={"measures": (unseen,)}))
    line = file.measures[0]
    assert (line.measured, line.sign, line.result) == ("\u2013", "?", "not assessable")
    assert file.remarks_on_measures == (
        "Mouth moving while the line was open: The lips were hidden.",
    )


def test_an_ordinary_session_has_one_page_each(analysis: Analysis) -> None:
    file, patient = pages_of(analysis)
    wash = FilePictures(wash=analysis.wash_surfaces)
    made = pypdf.PdfReader(io.BytesIO(make_pdf(file, patient, pictures=wash)))
    assert len(made.pages) == 2
    assert "Session report" in made.pages[0].extract_text()
    assert "Su práctica" in made.pages[1].extract_text()


def sizes_of(page: pypdfium2.PdfPage) -> dict[float, int]:
    """How many characters of running text stand in each size (points), drawings left out."""
    found: dict[float, int] = {}
    text = page.get_textpage()
    for place in range(text.count_chars()):
        character = text.get_text_range(place, 1)
        if character.strip():
            size = round(pypdfium2.raw.FPDFText_GetFontSize(text, place), 1)
            found[size] = found.get(size, 0) + 1
    return found


def test_letters_are_large_enough(analysis: Analysis) -> None:
    """Unit setting, no source: 14 points and more for patients, 9 for the file, its notes 8."""
    file, patient = pages_of(analysis)
    words_alone = pypdfium2.PdfDocument(make_pdf(file, None))
    assert min(sizes_of(words_alone[0])) >= 8.0
    assert sizes_of(words_alone[0])[9.0] > sizes_of(words_alone[0])[8.0] / 2
    without_picture = make_pdf(None, patient_without_hands(patient))
    assert min(sizes_of(pypdfium2.PdfDocument(without_picture)[0])) >= 14.0


def patient_without_hands(page: PatientPage) -> PatientPage:
    return replace(page, hands="", hands_svg="", hands_title="", hands_key="")


def test_nothing_is_cut_off_when_there_is_much(analysis: Analysis) -> None:
    """Every flag and every word of long comments is on some page."""
    flags = tuple(
        analysis.flags[1].model_copy(
            update={"start_s": float(n), "end_s": n + 1.0, "message": f"mark{n:03d} " * 60}
        )
        for n in range(40)
    )
    review = {
        "recording_id": 1, "person": "P-1", "trainer": "T-1", "taken_on": "2026-03-09",
        "analysis_version": 1, "made_at": MADE, "basis": "machine",
        "remarks": [
            {"text": " ".join(f"word{n:04d}" for n in range(1500)), "by": "T-1", "at": MADE},
            {"text": "x" * 5000 + "END", "by": "T-1", "at": MADE},
        ],
    }  # fmt: skip
    changed = analysis.model_copy(update={"flags": flags})
    session = Session.model_validate({"analysis": changed, "review": review})
    made = make_pdf(file_page(session), None, pictures=FilePictures(wash=changed.wash_surfaces))
    text = text_of(made)
    assert all(text.count(f"mark{n:03d}") == 60 for n in range(40))
    assert all(f"word{n:04d}" in text for n in range(1500))
    assert text.replace(" ", "").count("x" * 50 + "END") == 1
    assert len(pypdf.PdfReader(io.BytesIO(made)).pages) > 3


# --- what people type -----------------------------------------------------------------------------


def test_what_people_type_stays_text(content: bytes) -> None:
    """Typst would set *bold* bold and run #let; the other marks belong to other programs."""
    text = text_of(content)
    unbroken = text.replace(" ", "")  # lines may end anywhere
    for words in ("Zoë Ñandú", "*bold* #let x = 1 $a^2$ <b>&amp;</b> --> =1+1", "\U0001f600"):
        assert words.replace(" ", "") in unbroken
    assert MISSING * 3 in text and "stands for a character" in text
    assert "\u202e" not in text


@pytest.mark.parametrize(
    "odd",
    [
        "", "\x00\x07\x1b[31m", "\ud800", "\U0010ffff", "ﷺ" * 30, "नमस्ते ไทย 한국어", "#" * 200,
        "a\u0301" * 100, "\\u{1F600} #sys.inputs", '"]#panic("x")', "\u2028\u2029\x85", "אבג דהו",
    ],
)  # fmt: skip
def test_no_text_stops_the_report(analysis: Analysis, odd: str) -> None:
    recording = analysis.recording.model_copy(update={"file": f"f{odd}"})
    flag = analysis.flags[0].model_copy(update={"message": f"m{odd}"})
    changed = analysis.model_copy(update={"recording": recording, "flags": (flag,)})
    file, _ = pages_of(changed)
    assert len(pypdf.PdfReader(io.BytesIO(make_pdf(file, None, made_at=MADE))).pages) >= 1


@given(st.text(st.characters(exclude_categories=()), max_size=60))
def test_readable_text_holds_nothing_that_cannot_be_drawn(text: str) -> None:
    made = readable(text)
    again = readable(made.text.replace("\u200b", ""))
    assert again.text == made.text and again.replaced == 0
    kinds = {unicodedata.category(c) for c in made.text.replace("\u200b", "")}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn"}
    assert made.text.count(MISSING) == made.replaced + text.count(MISSING)


def test_letters_lead_to_the_flags_they_stand_for(session: Session) -> None:
    lines = {line.letter: line for line in file_page(session).flags}
    named = flags_by_letter(session)
    assert set(lines) - set(named) == {"D"}  # the trainer's own moment
    for letter, flag in named.items():
        assert lines[letter].message == flag.message


def test_odd_comment_is_whole_in_the_facts(session: Session) -> None:
    assert any(line.comment == ODD for line in file_page(session).flags)


def test_it_needs_a_page() -> None:
    with pytest.raises(ValueError, match="at least one page"):
        make_pdf(None, None)


def test_the_layout_is_part_of_the_package(project: Path) -> None:
    assert (project / "review" / "layouts" / "report.typ").is_file()
    assert "layouts/*.typ" in (project / "pyproject.toml").read_text(encoding="utf-8")
