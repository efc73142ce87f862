"""Reports out of a unit's records: consent, the note in the audit, files, command and page."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from review.analysis import Analysis, write_analysis
from review.cli import COULD_NOT, DONE, WRONG_USAGE, main
from review.pages.reviewtabs import TABS
from review.places import UNIT_VARIABLE
from review.reporting import Format, practice_page, report_recording, write_report
from review.reportpdf import ReportError
from review.sessionfile import read_session
from review.store import ConsentError, Store
from tests.documents import example_analysis
from tests.sessions import reviewed_store

EVERY = list(Format)


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, int]]:
    store, number = reviewed_store(tmp_path_factory.mktemp("unit"), example_analysis())
    with store:
        yield store, number


def text_of(content: bytes) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


def test_all_files_are_there_and_the_export_is_noted(unit: tuple[Store, int]) -> None:
    store, number = unit
    files = report_recording(store, number, EVERY, by="T-1")
    assert [file.name for file in files] == [
        f"session-{number}.{ending}"
        for ending in (
            "report.pdf", "measures.csv", "chapters.vtt", "flags.vtt", "session.json", "fhir.json",
        )
    ]  # fmt: skip
    assert all(file.content for file in files)
    noted = store.audit(1, recording_id=number)[0]
    assert (noted.who, noted.what) == ("T-1", "exported")
    assert noted.detail == "session report (PDF, CSV, VTT, JSON, FHIR)"


def test_only_what_is_asked_for_is_made(unit: tuple[Store, int]) -> None:
    store, number = unit
    files = report_recording(store, number, [Format.CSV], by="T-1")
    assert [file.media_type for file in files] == ["text/csv"]
    assert store.audit(1, recording_id=number)[0].detail == "session report (CSV)"


def test_taking_it_out_changes_nothing_that_was_signed(unit: tuple[Store, int]) -> None:
    store, number = unit
    assert not store.changed_since_signing(number)


def test_the_plain_page_comes_in_the_persons_language_or_another(unit: tuple[Store, int]) -> None:
    store, number = unit
    own = text_of(practice_page(store, number, by="T-1").content)
    other = text_of(practice_page(store, number, by="T-1", language="es").content)
    assert "Your practice" in own and "Su práctica" in other
    assert "Session report" not in own  # what is for the file stays with the file
    assert store.audit(1, recording_id=number)[0].what == "exported"


def test_without_consent_nothing_leaves(tmp_path: Path, analysis: Analysis) -> None:
    store, number = reviewed_store(tmp_path / "unit", analysis)
    with store:
        consent = store.current_consent("P-1")
        assert consent is not None
        store.withdraw_consent(consent.id, by="T-1")
        before = store.audit(1)[0].id
        with pytest.raises(ConsentError):
            report_recording(store, number, EVERY, by="T-1")
        with pytest.raises(ConsentError):
            practice_page(store, number, by="T-1")
        assert store.audit(1)[0].id == before


def test_a_folder_that_cannot_be_written_is_one_line(
    unit: tuple[Store, int], tmp_path: Path
) -> None:
    store, number = unit
    blocked = tmp_path / "a file"
    blocked.write_text("x")
    files = report_recording(store, number, [Format.CSV], by="T-1")
    with pytest.raises(ReportError, match="cannot be written here"):
        write_report(files, blocked)


# --- the command ----------------------------------------------------------------------------------


def test_the_command_reports_a_recording(
    unit: tuple[Store, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, number = unit
    arguments = ["report", str(number), "--unit", str(store.folder), "--out", str(tmp_path)]
    assert main([*arguments, "--json", "--csv", "--by", "Tess"]) == DONE
    written = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [path.name for path in written] == [
        f"session-{number}.measures.csv", f"session-{number}.session.json",
    ]  # fmt: skip
    session = read_session(written[1])
    assert session.review is not None and session.review.recording_id == number
    assert store.audit(1)[0].who == "Tess"


def test_the_command_reports_an_analysis_file_with_every_format(
    analysis: Analysis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "one.analysis.json"
    write_analysis(analysis, place)
    out = tmp_path / "out"
    assert main(["report", str(place), "--out", str(out), "--paper", "letter"]) == DONE
    assert {path.name for path in out.iterdir()} == {
        "one.report.pdf", "one.measures.csv", "one.chapters.vtt", "one.flags.vtt",
        "one.session.json", "one.fhir.json",
    }  # fmt: skip
    text = text_of((out / "one.report.pdf").read_bytes())
    assert "no decisions, no checklist answers and no signature" in text.replace("\n", " ")
    content = json.loads((out / "one.session.json").read_text(encoding="utf-8"))
    assert content["review"] is None
    # What was written can be read again, and gives the same analysis.
    assert read_session(out / "one.session.json").analysis == analysis


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["report", "7", "--unit", "nowhere"], COULD_NOT, "there are no records here"),
        (["report", "none.json"], COULD_NOT, "cannot be read"),
        (["report", "1", "--language", "tlh"], WRONG_USAGE, "one of: en, es"),
        (["report", "a.json", "--unit", "."], WRONG_USAGE, "number of a recording"),
    ],
)
def test_what_cannot_be_done_says_why(
    arguments: list[str],
    code: int,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == code
    assert said in " ".join(capsys.readouterr().err.replace("│", " ").split())


def test_an_unknown_recording_is_one_line(
    unit: tuple[Store, int], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "999", "--unit", str(unit[0].folder)]) == COULD_NOT
    assert capsys.readouterr().err.count("\n") == 1


# --- the page -------------------------------------------------------------------------------------


def test_the_review_page_makes_it_when_asked(
    unit: tuple[Store, int], project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, number = unit
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(store.folder))
    st.cache_resource.clear()
    page = AppTest.from_file(str(project / "review" / "pages" / "review.py"), default_timeout=60)
    page.query_params["recording"] = str(number)
    page.query_params["by"] = "T-1"
    page.session_state[f"{TABS}-{number}"] = "Report"
    page.run()
    assert not page.exception and not page.get("download_button")
    next(b for b in page.button if b.label == "Make the report").click().run()
    assert not page.exception, page.exception
    labels = [button.proto.label for button in page.get("download_button")]
    assert labels == [
        "Report (PDF)", "Measures (CSV)", "Phases (VTT)", "Moments (VTT)", "Everything (JSON)",
        "Record (FHIR)",
    ]  # fmt: skip
    assert store.audit(1, recording_id=number)[0].what == "exported"
    store.comment(number, "Said later.", by="T-1")
    page.run()
    assert not page.get("download_button")  # they no longer say all that was said
    st.cache_resource.clear()
