"""Answers to targets, events and blind reviews in the records."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest

from review.analysis import Analysis, FlagLevel
from review.measures import Result
from review.protocol import Trigger
from review.store import Answer, ConsentError, Store, StoreError, Verdict, open_store
from review.store import database as database_module
from review.store.records import NEAR_S
from review.store.standard_records import BlindState
from review.store.store import FILE
from tests.stores import BY, TODAY, Clock, analysed_store, rows_of

pytestmark = pytest.mark.any_database


@pytest.fixture
def unit(tmp_path: Path, analysis: Analysis) -> tuple[Store, int]:
    """A unit with one analysed session of P-1 by T-1, and a second trainer T-2."""
    store, session = analysed_store(tmp_path / "unit", analysis)
    store.add_trainer("T-2", "Tom Invented", by=BY)
    return store, session


def withdraw(store: Store) -> None:
    consent = store.current_consent("P-1")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)


# --- answers to targets -----------------------------------------------------------------------


def test_every_target_that_asks_for_something_is_answered(
    unit: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = unit
    found = store.target_results()[session]
    expected = {
        m.name: (m.result, m.target)
        for m in analysis.measures
        if m.target not in ("", "reported only")
    }
    assert found == expected
    assert expected
    assert found["wash.whole_time"] == (Result.NOT_MET, "at least 40 s")


def test_answers_follow_a_new_analysis(unit: tuple[Store, int], analysis: Analysis) -> None:
    store, session = unit
    fewer = analysis.model_copy(update={"measures": analysis.measures[:1]})
    store.add_analysis(session, fewer, basis="machine", by=BY)
    assert list(store.target_results()[session]) == [analysis.measures[0].name]


def test_without_consent_there_are_no_answers(unit: tuple[Store, int]) -> None:
    store, _ = unit
    withdraw(store)
    assert store.target_results() == {}


@pytest.mark.only_file
def test_records_of_the_form_before_are_given_their_answers(
    tmp_path: Path, analysis: Analysis
) -> None:
    """The newest analysis of each recording counts; one that cannot be read has no answers."""
    with pytest.MonkeyPatch.context() as older:
        older.setattr(database_module, "HEAD", "r0003")
        with closing(database_module.Database(database_module.sqlite_url(_file(tmp_path)))):
            pass
    newest = analysis.model_copy(update={"measures": analysis.measures[:1]})
    with closing(sqlite3.connect(_file(tmp_path))) as kept, kept:
        kept.execute("INSERT INTO people VALUES ('P-1', '', 'en', 1)")
        kept.execute("INSERT INTO trainers (code, name, active) VALUES ('T-1', 'Tess', 1)")
        for number in (1, 2):
            _insert(kept, "recordings", id=number, person="P-1", trainer="T-1", file="", name="x",
                    duration_s=1.0, mirrored=0, protocol="practice", taken_on="2026-03-10",
                    added_at="2026-03-10", state="ready", state_text="")  # fmt: skip
        for recording, version, text in (
            (1, 1, analysis.to_json()), (1, 2, newest.to_json()), (2, 1, "no json at all")
        ):  # fmt: skip
            _insert(kept, "analyses", recording_id=recording, version=version, made_at="2026-03-10",
                    basis="machine", document=text, by=BY)  # fmt: skip
    open_store(tmp_path).close()
    with closing(sqlite3.connect(_file(tmp_path))) as kept:
        found = dict(kept.execute("SELECT recording_id, results FROM target_results"))
    assert list(json.loads(found[1])) == [analysis.measures[0].name]
    assert json.loads(found[2]) == {}


def _file(folder: Path) -> Path:
    return folder / FILE


def _insert(kept: sqlite3.Connection, table: str, **values: object) -> None:
    names = ", ".join(f'"{name}"' for name in values)
    marks = ", ".join("?" for _ in values)
    kept.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))


# --- events -----------------------------------------------------------------------------------


def test_an_event_is_kept_and_can_be_taken_back_once(unit: tuple[Store, int]) -> None:
    store, _ = unit
    first = store.add_event("P-1", kind="peritonitis", on=TODAY, note=" seen ", by="T-1")
    earlier = store.add_event("P-1", kind=Trigger.NEW_HELPER, on=TODAY - timedelta(9), by="T-1")
    assert first.note == "seen"
    assert store.events() == (earlier, first)
    store.take_event_back(first.id, by="T-2")
    assert store.events() == (earlier,)
    back = store.events(taken_back=True)[1]
    assert (back.id, back.kind) == (first.id, Trigger.PERITONITIS)
    assert back.taken_back_at is not None
    with pytest.raises(StoreError, match="taken back before"):
        store.take_event_back(first.id, by="T-1")
    done = [(entry.who, entry.what, entry.subject) for entry in store.audit(2)]
    assert done == [("T-2", "event taken back", "person P-1"),
                    ("T-1", "event entered", "person P-1")]  # fmt: skip


def test_what_is_no_event_is_refused(unit: tuple[Store, int]) -> None:
    store, _ = unit
    with pytest.raises(StoreError, match="still to come"):
        store.add_event("P-1", kind="peritonitis", on=TODAY + timedelta(1), by=BY)
    with pytest.raises(StoreError, match="no event"):
        store.add_event("P-1", kind="a cold", on=TODAY, by=BY)
    with pytest.raises(StoreError, match="no person"):
        store.add_event("P-9", kind="peritonitis", on=TODAY, by=BY)
    with pytest.raises(StoreError, match="There is no event 7"):
        store.take_event_back(7, by=BY)
    assert store.events(taken_back=True) == ()


def test_events_of_people_without_consent_are_neither_entered_nor_shown(
    unit: tuple[Store, int],
) -> None:
    store, _ = unit
    kept = store.add_event("P-1", kind="peritonitis", on=TODAY, by=BY)
    withdraw(store)
    assert store.events() == ()
    with pytest.raises(ConsentError):
        store.add_event("P-1", kind="peritonitis", on=TODAY, by=BY)
    with pytest.raises(ConsentError):
        store.take_event_back(kept.id, by=BY)


# --- blind reviews ----------------------------------------------------------------------------


def test_a_blind_review_from_asking_to_finishing(
    unit: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    assert (asked.state, asked.answers, asked.decisions) == (BlindState.OPEN, {}, ())
    assert store.must_stay_blind(session, "T-2")
    assert not store.must_stay_blind(session, "T-1")
    flag = analysis.flags[0]
    store.answer_blind(asked.id, {"Rings off": "done", "Bag checked": Answer.NOT_SEEN}, by="T-2")
    store.answer_blind(asked.id, {"Rings off": "not_done"}, by="T-2")
    for verdict in ("agree", "disagree"):
        store.judge_blind(asked.id, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
                          verdict=verdict, by="T-2")  # fmt: skip
    store.finish_blind(asked.id, by="T-2")
    (review,) = store.blind_reviews(trainer="T-2")
    assert review.state is BlindState.FINISHED
    assert review.answers == {"Rings off": Answer.NOT_DONE, "Bag checked": Answer.NOT_SEEN}
    assert [d.verdict for d in review.decisions] == [Verdict.DISAGREE]
    assert not store.must_stay_blind(session, "T-2")
    assert store.blind_reviews(recording_id=session) == (review,)
    assert store.blind_reviews(trainer="T-1") == ()
    with pytest.raises(StoreError, match="is over"):
        store.answer_blind(asked.id, {"Rings off": "done"}, by="T-2")


def test_the_ordinary_review_and_its_signature_know_nothing_of_it(
    unit: tuple[Store, int],
) -> None:
    store, session = unit
    store.answer(session, item="Rings off", answer="done", by="T-1")
    store.sign(session, name="T", on=TODAY, outcome="signed_off", recheck_on=None, by="T-1")
    asked = store.ask_blind_review(session, "T-2", by="E")
    store.answer_blind(asked.id, {"Rings off": "not_done"}, by="T-2")
    store.finish_blind(asked.id, by="T-2")
    assert [(a.answer, a.by) for a in store.answers(session)] == [(Answer.DONE, "T-1")]
    assert not store.changed_since_signing(session)


def test_the_audit_does_not_give_answers_away(unit: tuple[Store, int]) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    store.answer_blind(asked.id, {"Rings off": "not_done"}, by="T-2")
    store.judge_blind(asked.id, kind="wash_short", start_s=1, end_s=2, verdict="disagree", by="T-2")
    told = " ".join(entry.detail for entry in store.audit(recording_id=session))
    assert "Rings off" in told
    assert "not_done" not in told
    assert "disagree" not in told


def test_nobody_fills_in_for_somebody_else(unit: tuple[Store, int]) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    for enter in (
        lambda: store.answer_blind(asked.id, {"Rings off": "done"}, by="T-1"),
        lambda: store.judge_blind(asked.id, kind="wash_short", start_s=1, end_s=2,
                                  verdict="agree", by="T-1"),
        lambda: store.finish_blind(asked.id, by="T-1"),
    ):  # fmt: skip
        with pytest.raises(StoreError, match="T-2's own"):
            enter()
    with pytest.raises(StoreError, match="Nothing was answered"):
        store.finish_blind(asked.id, by="T-2")


def test_who_has_spoken_already_cannot_look_blind(unit: tuple[Store, int]) -> None:
    store, session = unit
    store.answer(session, item="Rings off", answer="done", by="T-1")
    with pytest.raises(StoreError, match="cannot look at it blind"):
        store.ask_blind_review(session, "T-1", by="E")
    store.ask_blind_review(session, "T-2", by="E")
    with pytest.raises(StoreError, match="asked about this recording before"):
        store.ask_blind_review(session, "T-2", by="E")
    with pytest.raises(StoreError, match="no trainer"):
        store.ask_blind_review(session, "T-9", by="E")


def test_what_was_called_off_is_kept_and_over(unit: tuple[Store, int]) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    store.answer_blind(asked.id, {"Rings off": "done"}, by="T-2")
    store.call_off_blind(asked.id, by="E")
    (review,) = store.blind_reviews()
    assert review.state is BlindState.CALLED_OFF
    assert review.answers == {"Rings off": Answer.DONE}
    assert not store.must_stay_blind(session, "T-2")
    with pytest.raises(StoreError, match="is over"):
        store.call_off_blind(asked.id, by="E")
    with pytest.raises(StoreError, match="no blind review 9"):
        store.finish_blind(9, by="T-2")


def test_nothing_wrong_is_half_kept(unit: tuple[Store, int]) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    with pytest.raises(StoreError, match="no answer"):
        store.answer_blind(asked.id, {"Rings off": "done", "Bag checked": "perhaps"}, by="T-2")
    with pytest.raises(StoreError, match="no answer"):
        store.answer_all(session, {"Rings off": "done", "Bag checked": "perhaps"}, by="T-1")
    assert store.blind_reviews()[0].answers == {}
    assert store.answers(session) == ()


def test_blind_reviews_of_people_without_consent_are_not_there(unit: tuple[Store, int]) -> None:
    store, session = unit
    asked = store.ask_blind_review(session, "T-2", by="E")
    withdraw(store)
    assert store.blind_reviews() == ()
    with pytest.raises(ConsentError):
        store.answer_blind(asked.id, {"Rings off": "done"}, by="T-2")


def test_all_of_it_goes_with_the_person(unit: tuple[Store, int]) -> None:
    store, session = unit
    event = store.add_event("P-1", kind="peritonitis", on=TODAY, by=BY)
    store.take_event_back(event.id, by=BY)
    asked = store.ask_blind_review(session, "T-2", by="E")
    store.answer_blind(asked.id, {"Rings off": "done"}, by="T-2")
    store.judge_blind(asked.id, kind="wash_short", start_s=1, end_s=2, verdict="agree", by="T-2")
    store.finish_blind(asked.id, by="T-2")
    store.erase("P-1", by=BY)
    for table in ("events", "events_taken_back", "blind_reviews", "blind_answers",
                  "blind_verdicts", "blind_endings", "target_results"):  # fmt: skip
        assert rows_of(store, f"SELECT count(*) FROM {table}") == [(0,)], table


# --- all at once ------------------------------------------------------------------------------


def test_all_that_was_said_is_what_each_recording_says(
    unit: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = unit
    flag = analysis.flags[0]
    for verdict in ("agree", "unsure"):
        store.decide(session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
                     verdict=verdict, by="T-1")  # fmt: skip
    last = store.decide(session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
                        verdict="disagree", by="T-1")  # fmt: skip
    store.undo_decision(session, last.id, by="T-1")
    store.answer(session, item="Rings off", answer="done", by="T-1")
    store.answer(session, item="Rings off", answer="not_done", by="T-1")
    assert store.all_decisions() == {session: store.decisions(session)}
    assert [d.verdict for d in store.all_decisions()[session]] == [Verdict.UNSURE]
    assert store.all_answers() == {session: store.answers(session)}
    withdraw(store)
    assert (store.all_decisions(), store.all_answers(), store.all_moments()) == ({}, {}, {})


def test_a_moment_is_covered_by_a_flag_nearby_and_not_by_cannot_tell(
    tmp_path: Path, analysis: Analysis
) -> None:
    claim = analysis.flags[0].model_copy(
        update={"start_s": 10.0, "end_s": 12.0, "level": FlagLevel.LOOK}
    )
    doubt = claim.model_copy(
        update={"start_s": 50.0, "end_s": 52.0, "level": FlagLevel.CANNOT_TELL}
    )
    flagged = analysis.model_copy(update={"flags": (claim, doubt)})
    store, session = analysed_store(tmp_path / "u", flagged, Clock())
    at = 12.0 + NEAR_S
    for start in (11.0, at, at + 0.1, 50.0):
        store.add_moment(session, start_s=start, end_s=start, text="seen", by="T-1")
    gone = store.add_moment(session, start_s=70, end_s=70, text="a mistake", by="T-1")
    store.remove_moment(session, gone.id, by="T-1")
    found = store.all_moments()[session]
    assert [(m.moment.start_s, m.covered) for m in found] == [
        (11.0, True), (at, True), (round(at + 0.1, 3), False), (50.0, False)
    ]  # fmt: skip


def test_days_are_days(unit: tuple[Store, int]) -> None:
    store, _ = unit
    kept = store.add_event("P-1", kind="hospital_stay", on=date(2026, 2, 28), by=BY)
    with open_store(store.folder) as again:
        assert again.events()[0].on == kept.on == date(2026, 2, 28)
