"""The educator's, the patient's and the unit's pages, run headless on the invented unit."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from review import jobs
from review.cli import UNIT_VARIABLE
from review.demo import make_demo
from review.pages import feedback as feedback_page
from review.pages.spotcheck import PART
from review.pages.unit import Link, day_words, link_to
from review.pages.washplot import MOST_DOTS, rubbing_plot, says_rubbing
from review.spotcheck import Band, group
from review.store import RecordingState, Store, open_store
from review.words import load_words
from tests.test_spotcheck import many, many_results, session

EN, ES = load_words("en"), load_words("es")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[int, ...]]:
    folder = tmp_path_factory.mktemp("pages") / "unit"
    return folder, make_demo(folder)


@pytest.fixture
def unit(
    made: tuple[Path, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Store, tuple[int, ...]]]:
    """The invented unit as the pages' unit, and the ids of its sessions with a recording."""
    folder, shown = made
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(folder))
    st.cache_resource.clear()
    with open_store(folder) as store:
        yield store, shown
    st.cache_resource.clear()


def run_page(project: Path, name: str, *, part: str = "", **query: str) -> AppTest:
    """A page; ``part`` is the tab of the spot check that is open, its first one if empty."""
    page = AppTest.from_file(str(project / "review" / "pages" / f"{name}.py"), default_timeout=60)
    for key, value in query.items():
        page.query_params[key] = value
    if part:
        page.session_state[PART] = part
    page.run()
    assert not page.exception, page.exception
    return page


def said(page: AppTest) -> str:
    html = [element.proto.body for element in page.get("html")]
    plain = [e.value for kind in ("markdown", "error", "warning", "success", "info")
             for e in page.get(kind)]  # fmt: skip
    return "\n".join([*[e.value for e in page.title], *plain, *html])


def tables(page: AppTest) -> dict[str, list[list[str]]]:
    """Every table by its caption, cells as text."""
    found = {}
    for element in page.get("html"):
        for table in re.findall(r"<table>.*?</table>", element.proto.body, re.S):
            caption = re.search(r"<caption>(.*?)</caption>", table)
            rows = re.findall(r"<tr>(.*?)</tr>", table, re.S)
            cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in rows]
            found[caption[1] if caption else ""] = [
                [re.sub(r"<[^>]+>", "", cell) for cell in row] for row in cells
            ]
    return found


# --- spot check -------------------------------------------------------------------------------


def test_the_educator_sees_numbers_with_their_n_and_interval(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    page = run_page(project, "spotcheck")
    text = said(page)
    rows = unit[0].session_rows()
    assert f"**{len(rows)} sessions** of 8 trainees" in text
    assert re.search(r"Rubbed long enough: \*\*\d+ of \d+ \(\d+ %; 95 % interval", text)
    assert "Cannot tell: " in text
    wash = tables(page)["Wash by trainee; in brackets 95 % intervals"]
    assert [row[0] for row in wash[1:]] == sorted({row.person for row in rows})
    assert sum(int(row[1]) for row in wash[1:]) == len(rows)
    assert "CDC/HICPAC" in text


def test_the_numbers_follow_the_choice(project: Path, unit: tuple[Store, tuple[int, ...]]) -> None:
    page = run_page(project, "spotcheck")
    page.multiselect[0].set_value(["K-104"]).run()
    assert "of 1 trainees" in said(page)
    assert "fewer than 10" in said(page)
    page.radio[0].set_value("Month").run()
    months = tables(page)["Wash by month; in brackets 95 % intervals"]
    assert all(re.fullmatch(r"\d{4}-\d\d", row[0]) for row in months[1:])
    page.checkbox[0].check().run()
    assert "No session fits this choice" in said(page)


def test_sessions_open_and_can_be_sorted(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    store, _ = unit
    page = run_page(project, "spotcheck", part="Sessions", by="T-1")
    by_number = {row.recording_id: row for row in store.session_rows()}
    opened = re.findall(r'href="\./\?recording=(\d+)&amp;by=T-1"', said(page))
    assert opened
    assert {int(number) for number in opened} <= set(by_number)
    chooser = next(box for box in page.selectbox if box.label == "Sort by")
    chooser.set_value("wash_rubbing_s").run()
    caption = f"Sessions ({len(by_number)} in all)"
    times = [row[3] for row in tables(page)[caption][1:]]
    known = [int(text.split()[0]) for text in times if text != "cannot tell"]
    assert known == sorted(known, reverse=True)


def test_a_draw_can_be_repeated(project: Path, unit: tuple[Store, tuple[int, ...]]) -> None:
    draws = []
    for _ in range(2):
        page = run_page(project, "spotcheck", part="Random sample")
        number = next(box for box in page.number_input if box.label == "Draw number")
        number.set_value(7).run()
        draws.append(tables(page)["Draw 7"])
    assert draws[0] == draws[1]
    assert len(draws[0]) == 6


def test_who_is_due_is_listed(project: Path, unit: tuple[Store, tuple[int, ...]]) -> None:
    page = run_page(project, "spotcheck", part="Re-checks")
    due = tables(page)["Due for a re-check, the longest overdue first"]
    assert due[1][0] == "K-139"
    assert due[1][3] == "20 days late"


def test_ten_thousand_sessions_are_drawn_in_every_part(
    project: Path, unit: tuple[Store, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = tuple(many(10_000))
    results = many_results(rows)
    monkeypatch.setattr(Store, "session_rows", lambda self: rows)
    monkeypatch.setattr(Store, "target_results", lambda self: results)
    page = run_page(project, "spotcheck")
    assert "**10000 sessions** of 400 trainees" in said(page)
    for part in ("Wash time", "Targets", "Over time", "Since training", "Re-checks", "Sessions"):
        page.session_state[PART] = part
        page.run()
        assert not page.exception, page.exception


def test_an_unreadable_protocol_is_named_and_judges_nothing(
    project: Path, unit: tuple[Store, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = (session(1), session(2, protocol="/gone/unit.toml", wash_rubbing_s=1.0))
    monkeypatch.setattr(Store, "session_rows", lambda self: rows)
    text = said(run_page(project, "spotcheck"))
    assert "/gone/unit.toml" in text
    assert "**1 of 1 (100 %" in text


def test_many_sessions_are_drawn_as_a_span_and_few_as_circles() -> None:
    few = group([session(n, wash_rubbing_s=10.0 + n) for n in range(5)], "person", {})
    crowd = group([session(n) for n in range(MOST_DOTS + 1)], "person", {})
    assert rubbing_plot(few, Band(15.0, None)).count("<circle") == 5
    assert rubbing_plot(crowd, None).count("<circle") == 0
    assert "a box the middle half" in rubbing_plot(crowd, None)
    hidden = group([session(1, wash_rubbing_s=None)], "person", {})
    assert "cannot tell" in rubbing_plot(hidden, None)
    assert "cannot tell" in says_rubbing(hidden)


# --- feedback ---------------------------------------------------------------------------------


def patient_text(page: AppTest) -> str:
    (html,) = (e.proto.body for e in page.get("html") if 'class="patient"' in e.proto.body)
    return str(html)


def test_the_patient_hears_the_good_first_and_always_what_to_do_after_a_touch(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    _, shown = unit
    text = patient_text(run_page(project, "feedback", recording=str(shown[1])))
    order = [
        text.index(ES.say(key))
        for key in ("page.well", "page.practise", "touch.title", "page.hands", "page.earlier")
    ]
    assert order == sorted(order)
    assert text.count('class="point next"') == 2
    assert 'lang="es"' in text
    for step in range(1, 5):
        assert f"<li>{ES.say(f'touch.step{step}')}</li>" in text
    assert ES.say("page.not_looked") in text
    assert "<video" in text
    assert re.search(r'src="/recording/[\w-]{43}#t=[\d.]+,[\d.]+"', text)


def test_the_language_can_be_changed(project: Path, unit: tuple[Store, tuple[int, ...]]) -> None:
    page = run_page(project, "feedback", recording=str(unit[1][1]))
    page.selectbox(key="language-K-111").set_value("en").run()
    text = patient_text(page)
    assert 'lang="en"' in text
    assert EN.say("page.well") in text
    assert ES.say("page.well") not in text


def test_an_invented_practice_says_so_and_shows_no_video(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    store, shown = unit
    entry = next(e for e in store.recordings("K-104") if e.id not in shown)
    text = patient_text(run_page(project, "feedback", recording=str(entry.id)))
    assert EN.say("page.invented") in text
    assert "<video" not in text


def test_a_hand_picture_of_nothing_but_question_marks_is_left_out(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    row = next(row for row in unit[0].session_rows() if len(row.surfaces_unclear) == 9)
    text = patient_text(run_page(project, "feedback", recording=str(row.recording_id)))
    assert "<img" not in text
    assert 'class="touch"' in text


def test_nobody_else_is_on_the_patients_page(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    store, shown = unit
    text = patient_text(run_page(project, "feedback", recording=str(shown[0])))
    for person in store.people():
        assert person.code not in text
    assert not re.search(r"\bscore|\bpoints\b|\brank", text)


def test_everything_is_large() -> None:
    """At least 20 px on the screen: sizes are given in rem of 18 px (the theme's base size)."""
    sizes = re.findall(r"\.patient[^{]*\{[^}]*font-size: ([\d.]+)rem", feedback_page.LOOK)
    assert sizes
    assert min(float(size) for size in sizes) * 18 >= 20


def test_what_a_patient_may_not_see_is_not_listed(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    page = run_page(project, "feedback")
    codes = page.selectbox[0].options
    assert "K-160" not in codes
    hidden = [e for e in unit[0].recordings(without_consent=True) if e.person == "K-160"]
    text = patient_text(run_page(project, "feedback", recording=str(hidden[0].id)))
    assert hidden[0].taken_on.isoformat() not in text


# --- recordings -------------------------------------------------------------------------------


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A unit with a trainer and nothing else."""
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(tmp_path / "own"))
    st.cache_resource.clear()
    with open_store(tmp_path / "own") as store:
        store.add_trainer("T-1", "Invented trainer", by="test")
        yield store
    st.cache_resource.clear()


def press(page: AppTest, label: str) -> AppTest:
    next(button for button in page.button if button.label == label).click().run()
    assert not page.exception, page.exception
    return page


def test_from_a_person_to_a_recording_under_way(
    project: Path, own: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    started: list[int] = []
    monkeypatch.setattr(jobs, "start_analysis", lambda folder, number, by: started.append(number))
    page = run_page(project, "recordings", by="T-1")
    assert "Nobody has a current consent" in said(page)

    next(box for box in page.text_input if box.label.startswith("Code")).set_value("P-9")
    press(page, "Add the person")
    assert [person.code for person in own.people()] == ["P-9"]
    assert "none: nothing may be analysed or shown" in said(page)

    press(page, "Record the consent")
    consent = own.current_consent("P-9")
    assert consent is not None
    assert consent.purposes == ("review",)
    assert not consent.sound

    videos = project / "sample_clips"
    next(b for b in page.text_input if b.label == "Folder").set_value(str(videos)).run()
    chooser = next(box for box in page.multiselect if box.label.startswith("Videos"))
    chooser.set_value(["planted_faults.mp4"]).run()
    press(page, "Add and analyse")
    (entry,) = own.recordings()
    assert (entry.person, entry.trainer, entry.protocol) == ("P-9", "T-1", "practice")
    assert started == [entry.id]
    assert r"planted\_faults.mp4 was added" in said(page)
    assert own.audit(50)[0].who == "T-1"

    next(b for b in page.checkbox if b.label.startswith("P-9 takes")).check().run()
    press(page, "Take the consent back")
    assert own.current_consent("P-9") is None
    assert own.recordings() == ()
    assert "withdrawn on" in said(page)


def test_nothing_can_be_changed_by_nobody(project: Path, own: Store) -> None:
    page = run_page(project, "recordings")
    assert next(b for b in page.button if b.label == "Add the person").disabled


def test_a_mistake_is_said_in_the_records_words(project: Path, own: Store) -> None:
    own.add_person("P-9", by="test")
    page = run_page(project, "recordings", by="T-1")
    next(box for box in page.text_input if box.label.startswith("Code")).set_value("P-9")
    press(page, "Add the person")
    assert "taken by another person" in said(page)


def test_a_folder_that_is_not_there(project: Path, own: Store) -> None:
    own.add_person("P-9", by="test")
    own.add_consent("P-9", purposes=("review",), until=None, sound=False, by="test")
    page = run_page(project, "recordings", by="T-1")
    next(b for b in page.text_input if b.label == "Folder").set_value("/not/there").run()
    assert "is not a folder on this computer" in said(page)


def test_work_under_way_shows_how_far_it_is(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    store, shown = unit
    store.set_state(shown[0], RecordingState.ANALYSING)
    try:
        page = run_page(project, "recordings", by="T-1")
        assert [b for b in page.button if b.label == "Stop"]
        assert "being analysed" in said(page)
    finally:
        store.set_state(shown[0], RecordingState.READY)


# --- camera check -----------------------------------------------------------------------------


def test_the_camera_check_waits_for_a_clip_in_two_languages(
    project: Path, unit: tuple[Store, tuple[int, ...]]
) -> None:
    page = run_page(project, "camera")
    assert page.title[0].value == EN.say("camera.title")
    page.selectbox[0].set_value("es").run()
    assert page.title[0].value == ES.say("camera.title")
    assert ES.say("camera.privacy") in said(page)


# --- small things -----------------------------------------------------------------------------


def test_no_records_can_be_opened_is_said(
    project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "records.sqlite").write_text("this is no database, only words" * 100)
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(tmp_path))
    st.cache_resource.clear()
    page = run_page(project, "spotcheck")
    assert page.error
    st.cache_resource.clear()


def test_cells_are_text_and_never_code(
    project: Path, unit: tuple[Store, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = (
        replace(session(1), trainer="<script>x</script>", taken_on=date.today() - timedelta(1)),
    )
    monkeypatch.setattr(Store, "session_rows", lambda self: rows)
    text = said(run_page(project, "spotcheck", part="Sessions"))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_days_and_links() -> None:
    assert day_words(date(2024, 3, 9)) == "9\u00a0Mar\u00a02024"
    assert link_to("feedback", 7) == "feedback?recording=7"
    assert link_to("review", 7) == "./?recording=7"  # the first page has no name of its own
    link = Link("open", "review?recording=1")
    assert (link, link.to) == ("open", "review?recording=1")
