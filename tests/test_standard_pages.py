"""The pages that hold a unit to one standard, run headless on the invented unit."""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Iterator
from datetime import date, timedelta
from html import unescape
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from review.cli import UNIT_VARIABLE
from review.demo import make_demo
from review.pages.agreement import PART as AGREEMENT_PART
from review.pages.spotcheck import PART as SPOTCHECK_PART
from review.protocol import Trigger
from review.store import Answer, RecordingState, SessionRow, Store, open_store
from review.store.standard_records import BlindState
from tests.test_unit_pages import said, tables

PARTS = {"spotcheck": SPOTCHECK_PART, "agreement": AGREEMENT_PART}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("standard") / "unit"
    make_demo(folder)
    return folder


@pytest.fixture
def store(made: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """The invented unit as the pages' unit."""
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(made))
    st.cache_resource.clear()
    with open_store(made) as opened:
        yield opened
    st.cache_resource.clear()


def open_part(project: Path, name: str, part: str = "", by: str = "") -> AppTest:
    page = AppTest.from_file(str(project / "review" / "pages" / f"{name}.py"), default_timeout=60)
    if by:
        page.query_params["by"] = by
    if part:
        page.session_state[PARTS[name]] = part
    page.run()
    assert not page.exception, page.exception
    return page


def behind(page: AppTest, number: str, place: int = 0) -> list[list[str]]:
    """The sessions behind a number, in the ``place``-th chooser of numbers."""
    choosers = [box for box in page.selectbox if box.label == "Sessions behind a number"]
    choosers[place].set_value(number).run()
    assert not page.exception, page.exception
    (caption,) = (name for name in tables(page) if name.startswith(f"{number}: "))
    rows = tables(page)[caption][1:]
    assert int(caption.removeprefix(f"{number}: ").split()[0]) >= len(rows)
    return rows


def counts(cell: str) -> tuple[int, int]:
    found = re.match(r"(\d+)\s+of\s+(\d+)", cell.replace("\u00a0", " "))
    assert found, cell
    return int(found[1]), int(found[2])


# --- spot check -------------------------------------------------------------------------------


def test_sessions_are_read_anew_only_after_a_change(
    project: Path, made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is shown is never older than the last change, whoever made it."""
    unit = tmp_path / "unit"
    shutil.copytree(made, unit)
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(unit))
    st.cache_resource.clear()
    reads: list[int] = []
    read = Store.session_rows

    def counted(self: Store) -> tuple[SessionRow, ...]:
        reads.append(1)
        return read(self)

    monkeypatch.setattr(Store, "session_rows", counted)
    before = said(open_part(project, "spotcheck"))
    assert said(open_part(project, "spotcheck")) == before
    assert len(reads) == 1
    with open_store(unit) as elsewhere:  # as another process would
        person = next(r.person for r in read(elsewhere) if r.state is RecordingState.READY)
        consent = elsewhere.current_consent(person)
        assert consent is not None
        elsewhere.withdraw_consent(consent.id, by="T-1")
        trainees = len({r.person for r in read(elsewhere) if r.state is RecordingState.READY})
    after = said(open_part(project, "spotcheck"))
    assert len(reads) == 2
    assert after != before and f"of {trainees} trainees" in after
    st.cache_resource.clear()


def test_every_target_has_its_number_and_its_sessions(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Targets")
    found = tables(page)["Sessions that met each target; in brackets 95 % intervals"]
    assert [row[0] for row in found[1:]][:2] == ["Wash, from first to last", "Wash, rubbing time"]
    results = store.target_results()
    for row in found[1:]:
        met, told = counts(row[2])
        assert told + int(row[3]) == len(results)
        assert row[4], "every target says who asks for it"
        if met < told:
            name = f"{row[0]} ({row[1]}): not met"
            assert len(behind(page, name)) == min(told - met, 15)


def test_a_number_leads_to_the_sessions_it_rests_on(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Targets", by="T-1")
    rows = behind(page, "Wash, rubbing time (at least 15 s): cannot tell")
    unclear = {r.recording_id for r in store.session_rows() if r.wash_rubbing_s is None}
    assert len(rows) == len(unclear)
    linked = {int(n) for n in re.findall(r'href="\./\?recording=(\d+)&amp;by=T-1"', said(page))}
    assert linked == unclear


def test_both_wash_times_of_trainees_and_trainers(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck")
    next(r for r in page.radio if r.label == "Which time").set_value("Whole wash").run()
    next(r for r in page.radio if r.label == "One line for each").set_value("Trainer").run()
    found = tables(page)["Whole wash by trainer; in brackets 95 % intervals"]
    assert [row[0] for row in found[1:]] == ["T-1", "T-2"]
    assert re.fullmatch(r"\d+ to \d+ s", found[1][3])
    assert "WHO Guidelines" in said(page)


def test_charts_over_time_say_what_they_cannot_say(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Over time")
    assert "nothing can be said yet about a change" in said(page)
    points = tables(page)["Points of the run chart; in brackets 95 % intervals"]
    assert all(re.fullmatch(r"\d{4}-\d\d", row[0]) for row in points[1:])
    chart = next(r for r in page.radio if r.label == "Chart")
    chart.set_value(chart.options[1]).run()
    assert "Too few sessions for limits" in said(page)
    assert "Points of the p-chart; in brackets 95 % intervals" in tables(page)
    next(r for r in page.radio if r.label == "Each point").set_value("Quarter").run()
    points = tables(page)["Points of the p-chart; in brackets 95 % intervals"]
    assert all(re.fullmatch(r"\d{4} Q\d", row[0]) for row in points[1:])
    next(b for b in page.selectbox if b.label == "What").set_value("Median rubbing time").run()
    next(r for r in page.radio if r.label == "Each point").set_value("Session").run()
    assert "choose one trainee above" in said(page)
    page.multiselect[0].set_value(["K-104"]).run()
    times = tables(page)["Median rubbing time by period; in brackets 95 % intervals"]
    assert len(times) - 1 == sum(row.person == "K-104" for row in store.session_rows())
    page.multiselect[0].set_value([]).run()
    next(r for r in page.radio if r.label == "Each point").set_value("Month").run()
    times = tables(page)["Median rubbing time by period; in brackets 95 % intervals"]
    ready = [row for row in store.session_rows() if row.wash_rubbing_s is not None]
    assert sum(int(row[1]) for row in times[1:]) == len(ready)


def test_people_are_compared_with_themselves(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Since training")
    found = tables(page)["Wash times, first sessions against latest; in brackets 95 % intervals"]
    assert found[1][1] == "8"
    assert re.fullmatch(r"[+-]\d+\.\d s \([+-]\d+\.\d to [+-]\d+\.\d\)", found[1][2])
    assert "does not show that training made the difference" in said(page)
    rows = behind(page, "K-104: first sessions")
    own = sorted(r.taken_on for r in store.session_rows() if r.person == "K-104")
    assert len(rows) == 2
    assert str(own[0].day) in rows[-1][0]


def test_a_re_check_says_why(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Re-checks")
    found = tables(page)["Due for a re-check, the longest overdue first"]
    why = {row[0]: row[4].replace("\u00a0", " ") for row in found[1:]}
    assert why["K-139"] == "day agreed on at the signature"
    assert why["K-132"].startswith("peritonitis on ")
    assert "hospital stay on " in why["K-111"]
    assert "K-118" not in why  # a session after the event was signed
    rules = tables(page)["As set in the protocol file, under [recheck]"]
    assert any("no agreed interval" in row[2] for row in rules[1:])
    assert "Choose who you are to enter something." in said(page)


def test_an_event_is_entered_and_taken_back(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Re-checks", by="T-1")
    boxes = {box.label: box for box in page.selectbox}
    boxes["Trainee"].set_value("K-104")
    boxes["What happened"].set_value(Trigger.NEW_SYSTEM)
    next(b for b in page.button if b.label == "Enter the event").click().run()
    assert not page.exception, page.exception
    (kept,) = (e for e in store.events() if e.kind is Trigger.NEW_SYSTEM)
    assert (kept.person, kept.on, kept.by) == ("K-104", date.today(), "T-1")
    try:
        found = tables(page)["Due for a re-check, the longest overdue first"]
        assert any("another system" in row[4] for row in found[1:] if row[0] == "K-104")
        next(b for b in page.selectbox if b.label == "Entered by mistake").set_value(kept.id)
        next(b for b in page.button if b.label == "Take it back").click().run()
        assert not page.exception, page.exception
    finally:
        left = [e for e in store.events() if e.id == kept.id]
        for event in left:
            store.take_event_back(event.id, by="T-1")
    assert left == []


def test_a_change_of_days_hides_nobody_who_is_due(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Re-checks")
    before = tables(page)["Due for a re-check, the longest overdue first"]
    page.date_input[1].set_value(date.today() - timedelta(60)).run()
    assert tables(page)["Due for a re-check, the longest overdue first"] == before


def test_a_draw_is_shown_with_its_number_and_its_pool(project: Path, store: Store) -> None:
    page = open_part(project, "spotcheck", "Random sample")
    next(box for box in page.number_input if box.label == "Draw number").set_value(7).run()
    assert f"5 of {len(store.target_results())} sessions (all trainees" in said(page)


# --- agreement --------------------------------------------------------------------------------


def test_agreement_stands_beside_n_interval_and_prevalence(project: Path, store: Store) -> None:
    page = open_part(project, "agreement")
    done = [r for r in store.blind_reviews() if r.state is BlindState.FINISHED]
    assert f"**{len(done)} recordings** were reviewed blind" in said(page)
    items = tables(page)["Checklist; in brackets 95 % intervals"]
    assert items[1][0].startswith("Doors and windows")
    for row in items[1:]:
        assert counts(row[2])[1] == int(row[1])
        assert re.search(r"\d+\s%$", row[4])
    assert "Nearly all answers were 'Done'" in unescape(items[1][5])
    assert "Landis and Koch 1977) are arbitrary" in said(page)
    assert "seed 1" in said(page)
    flags = tables(page)["Flags: agree, disagree or not sure; in brackets 95 % intervals"]
    assert flags[1][0] == "All kinds together"


def test_a_disagreement_leads_to_its_recordings(project: Path, store: Store) -> None:
    page = open_part(project, "agreement")
    items = tables(page)["Checklist; in brackets 95 % intervals"]
    row = next(row for row in items[1:] if row[0].startswith("Hands dried"))
    same, n = counts(row[2])
    assert len(behind(page, f"{row[0]}: different")) == n - same


def test_the_program_is_held_against_trainers(project: Path, store: Store) -> None:
    page = open_part(project, "agreement", "Program and trainers")
    kinds = tables(page)["Flags that trainers agreed with; in brackets 95 % intervals"]
    decisions = [d for own in store.all_decisions().values() for d in own]
    met, told = counts(kinds[1][1])
    assert told + int(kinds[1][2]) == len(decisions)
    assert met == sum(d.verdict == "agree" for d in decisions)
    months = tables(page)["By month of the session; in brackets 95 % intervals"]
    assert sum(counts(row[1])[0] for row in months[1:] if "of" in row[1]) == met
    assert "the most it can be" in said(page)
    missed = sum(not m.covered for own in store.all_moments().values() for m in own)
    assert re.search(rf"flagged {met}\W+of\W+{met + missed}\b", said(page))


def test_a_trainer_is_asked_and_called_off(project: Path, store: Store) -> None:
    page = open_part(project, "agreement", "Blind reviews", by="T-1")
    boxes = {box.label: box for box in page.selectbox}
    boxes["Who is to look"].set_value("T-1")
    wanted = next(r for r in store.session_rows() if r.person == "K-118" and r.signed_on is None)
    boxes["At which recording"].set_value(wanted.recording_id)
    next(b for b in page.button if b.label == "Ask for a blind review").click().run()
    assert not page.exception, page.exception
    (asked,) = store.blind_reviews(recording_id=wanted.recording_id)
    assert (asked.trainer, asked.state) == ("T-1", BlindState.OPEN)
    next(b for b in page.selectbox if b.label == "Not needed any more").set_value(asked.id)
    next(b for b in page.button if b.label == "Call it off").click().run()
    assert store.blind_reviews(recording_id=wanted.recording_id)[0].state is BlindState.CALLED_OFF


# --- the blind review -------------------------------------------------------------------------


def test_a_blind_review_shows_nothing_that_was_said_before(project: Path, store: Store) -> None:
    waiting = [r for r in store.blind_reviews(trainer="T-2") if r.state is BlindState.OPEN]
    faults = waiting[1]
    store.answer(faults.recording_id, item="Rings, watch and bracelets off, sleeves up",
                 answer="not_done", by="T-1")  # fmt: skip
    page = open_part(project, "blind", by="T-2")
    page.selectbox[1].set_value(faults.id).run()
    assert "1. Checklist" in [head.value for head in page.subheader]
    assert page.radio
    assert all(radio.value is None for radio in page.radio), "nothing is filled in"
    assert "The camera" not in said(page)
    assert "Please look" not in said(page)

    page.radio[1].set_value(Answer.DONE).run()
    assert not page.exception, page.exception
    (kept,) = (r for r in store.blind_reviews() if r.id == faults.id)
    assert list(kept.answers.values()) == [Answer.DONE]
    assert "13 of 14 not answered" in said(page)

    next(b for b in page.button if b.label == "Go on to the moments").click().run()
    assert "2. Moments" in [head.value for head in page.subheader]
    assert all(radio.value is None for radio in page.radio)
    page.radio[0].set_value("disagree").run()
    next(b for b in page.button if b.label == "Finish").click().run()
    assert not page.exception, page.exception
    (kept,) = (r for r in store.blind_reviews() if r.id == faults.id)
    assert kept.state is BlindState.FINISHED
    assert [d.verdict for d in kept.decisions] == ["disagree"]
    assert "Finished." in said(page)


def test_the_review_page_is_closed_to_somebody_who_must_stay_blind(
    project: Path, store: Store
) -> None:
    review = next(r for r in store.blind_reviews(trainer="T-2") if r.state is BlindState.OPEN)
    page = AppTest.from_file(str(project / "review" / "pages" / "review.py"), default_timeout=60)
    page.query_params["recording"], page.query_params["by"] = str(review.recording_id), "T-2"
    page.run()
    assert not page.exception, page.exception
    assert "You were asked to review this recording blind" in said(page)
    assert not page.get("tab")


def test_nobody_sees_what_others_were_asked(project: Path, store: Store) -> None:
    assert "You were not asked" in said(open_part(project, "blind", by="T-1"))
    assert "Choose who you are" in said(open_part(project, "blind"))


def test_a_unit_without_blind_reviews_says_how_to_begin(
    project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(tmp_path / "own"))
    st.cache_resource.clear()
    open_store(tmp_path / "own").close()
    assert "Ask a trainer under 'Blind reviews'" in said(open_part(project, "agreement"))
    program = open_part(project, "agreement", "Program and trainers")
    assert "Nobody has decided about a flag yet" in said(program)
    st.cache_resource.clear()
