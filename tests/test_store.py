"""People, consents, recordings, analyses, corrections and the view across a unit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis
from review.errors import ProtocolError, VideoError
from review.store import (
    ConsentError,
    RecordingState,
    Store,
    StoreError,
    open_store,
)
from review.store.entering import checked_span, checked_text
from review.timeline import Interval, Phase, Segment
from tests.stores import (
    BY,
    TODAY,
    Clock,
    add_recording,
    add_unit,
    analysed_store,
    many_sessions,
    tiny_video,
)

pytestmark = pytest.mark.any_database


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    with open_store(tmp_path / "unit", clock=clock) as opened:
        add_unit(opened)
        yield opened


# --- people ----------------------------------------------------------------------------------


def test_people_and_trainers_are_kept_and_listed_by_code(store: Store, tmp_path: Path) -> None:
    store.add_person("A.7_x-2", note="comes on Mondays", language="es", by=BY)
    store.add_trainer("a", "Anna Invented", by=BY)
    with open_store(tmp_path / "unit") as again:
        assert [person.code for person in again.people()] == ["A.7_x-2", "P-1"]
        assert again.person("A.7_x-2").note == "comes on Mondays"
        assert again.person("A.7_x-2").language == "es"
        assert [trainer.name for trainer in again.trainers()] == ["Tess Invented", "Anna Invented"]


@pytest.mark.parametrize(
    "code", ["", " ", "-1", "a b", "x" * 41, "a/b", "../x", "=1+1", "é", "a\nb", "A\x00"]
)
def test_codes_that_are_not_allowed(store: Store, code: str) -> None:
    with pytest.raises(StoreError, match="use 1 to 40 letters"):
        store.add_person(code, by=BY)


def test_blanks_around_a_code_are_removed(store: Store) -> None:
    assert store.add_person(" P-9 ", by=BY).code == "P-9"


def test_a_code_is_given_once(store: Store) -> None:
    with pytest.raises(StoreError, match="taken"):
        store.add_person("P-1", by=BY)
    with pytest.raises(StoreError, match="taken"):
        store.add_trainer("T-1", "Somebody Else", by=BY)


def test_a_person_can_be_changed_and_the_audit_says_what_was(store: Store) -> None:
    changed = store.change_person("P-1", note="moved", active=False, by=BY)
    assert (changed.note, changed.active, changed.language) == ("moved", False, "en")
    assert "active=True" in store.audit(1)[0].detail


def test_nobody_does_anything_without_a_name(store: Store) -> None:
    with pytest.raises(StoreError, match="name of who does this"):
        store.add_person("P-2", by="  ")


def test_a_language_is_a_tag(store: Store) -> None:
    with pytest.raises(StoreError, match="language tag"):
        store.add_person("P-2", language="English", by=BY)


# --- what is entered -------------------------------------------------------------------------


@given(st.text(st.characters(exclude_categories=()), max_size=60))
def test_text_is_kept_to_the_letter_or_refused(words: str) -> None:
    """Refused are the character 0, which PostgreSQL cannot keep, and halves of surrogate pairs."""
    unkeepable = any(c == "\x00" or 0xD800 <= ord(c) <= 0xDFFF for c in words.strip())
    if unkeepable:
        with pytest.raises(StoreError, match="cannot be kept"):
            checked_text(words, "comment")
    else:
        assert checked_text(words, "comment") == words.strip()


def test_text_too_long_is_refused_not_cut() -> None:
    with pytest.raises(StoreError, match="20,001 characters"):
        checked_text("x" * 20_001, "comment")


@pytest.mark.parametrize(
    ("start_s", "end_s"), [(-0.1, 1), (2, 1), (float("nan"), 1), (0, float("inf"))]
)
def test_spans_that_are_none(start_s: float, end_s: float) -> None:
    with pytest.raises(StoreError, match="no span"):
        checked_span(start_s, end_s)


# --- consent ---------------------------------------------------------------------------------


def test_a_consent_holds_through_its_last_day(store: Store, clock: Clock) -> None:
    consent = store.add_consent(
        "P-1", purposes=("review", "teaching"), until=TODAY, sound=True, by=BY
    )
    assert store.current_consent("P-1") == consent
    assert consent.given_to == BY and consent.purposes == ("review", "teaching")
    clock.forward(days=1)
    assert store.current_consent("P-1") is None
    assert store.current_consent("P-1", on=TODAY) == consent


def test_the_latest_consent_replaces_the_earlier_for_good(store: Store) -> None:
    latest = store.add_consent("P-1", purposes=("teaching",), until=None, sound=True, by=BY)
    assert store.current_consent("P-1") is None
    store.withdraw_consent(latest.id, by=BY)
    # The earlier one, for review and never withdrawn, does not come back.
    assert store.current_consent("P-1") is None
    assert [c.withdrawn_at is None for c in store.consents("P-1")] == [True, False]


def test_a_consent_is_withdrawn_once(store: Store) -> None:
    consent = store.current_consent("P-1")
    assert consent is not None
    withdrawn = store.withdraw_consent(consent.id, by=BY)
    assert withdrawn.withdrawn_at is not None
    assert withdrawn.recorded_at < withdrawn.withdrawn_at
    with pytest.raises(StoreError, match="before"):
        store.withdraw_consent(consent.id, by=BY)
    with pytest.raises(StoreError, match="no consent 99"):
        store.withdraw_consent(99, by=BY)


def test_a_consent_needs_a_purpose_and_time_to_come(store: Store) -> None:
    with pytest.raises(StoreError, match="purpose"):
        store.add_consent("P-1", purposes=(), until=None, sound=False, by=BY)
    with pytest.raises(StoreError, match="already ended"):
        store.add_consent(
            "P-1", purposes=("review",), until=TODAY - timedelta(days=1), sound=False, by=BY
        )
    with pytest.raises(StoreError, match="add the person first"):
        store.add_consent("P-77", purposes=("review",), until=None, sound=False, by=BY)


def test_without_consent_nothing_is_added_and_the_reason_is_said(
    store: Store, tmp_path: Path
) -> None:
    store.add_person("P-2", by=BY)
    video = tiny_video(tmp_path)
    with pytest.raises(ConsentError, match=r"P-2: none was recorded\. Ask the person"):
        add_recording(store, video, "P-2")
    assert store.recordings(without_consent=True) == ()


def test_once_withdrawn_everything_about_the_person_is_refused(
    tmp_path: Path, analysis: Analysis
) -> None:
    store, session = analysed_store(tmp_path, analysis)
    store.decide(session, kind="wash_short", start_s=0, end_s=32, verdict="agree", by=BY)
    moment = store.add_moment(session, start_s=1, end_s=2, text="here", by=BY)
    consent = store.current_consent("P-1")
    assert consent is not None and store.may_review(session)
    store.withdraw_consent(consent.id, by=BY)
    assert not store.may_review(session)
    assert store.recordings() == () and store.session_rows() == ()
    assert [entry.id for entry in store.recordings(without_consent=True)] == [session]
    span = {"start_s": 1.0, "end_s": 2.0}
    refused = [
        lambda: store.analysis(session),
        lambda: store.add_analysis(session, analysis, basis="machine", by=BY),
        lambda: store.corrections(session),
        lambda: store.correct(session, windows=[], by=BY),
        lambda: store.decisions(session),
        lambda: store.decision_history(session),
        lambda: store.decide(session, kind="wash_short", verdict="agree", by=BY, **span),
        lambda: store.undo_decision(session, 1, by=BY),
        lambda: store.moments(session),
        lambda: store.add_moment(session, text="there", by=BY, **span),
        lambda: store.remove_moment(session, moment.id, by=BY),
        lambda: store.answers(session),
        lambda: store.answer(session, item="cap", answer="done", by=BY),
        lambda: store.comments(session),
        lambda: store.comment(session, "words", by=BY),
        lambda: store.signoffs(session),
        lambda: store.sign(
            session, name="T", on=TODAY, outcome="signed_off", recheck_on=None, by=BY
        ),
        lambda: store.changed_since_signing(session),
        lambda: store.watched(session, by=BY),
        lambda: store.add_session(analysis, person="P-1", trainer="T-1", taken_on=TODAY, by=BY),
    ]
    for ask in refused:
        with pytest.raises(ConsentError, match="withdrawn"):
            ask()
    # With a new consent all of it is there again: nothing was lost.
    store.add_consent("P-1", purposes=("review",), until=None, sound=False, by=BY)
    assert len(store.decisions(session)) == len(store.moments(session)) == 1


# --- recordings ------------------------------------------------------------------------------


def test_a_recording_waits_until_it_is_analysed(store: Store, tmp_path: Path) -> None:
    video = tiny_video(tmp_path)
    entry = add_recording(store, video)
    assert entry.state is RecordingState.WAITING and entry.state_text == ""
    assert (entry.name, entry.file) == (video.name, str(video))
    assert entry.duration_s == pytest.approx(2.0, abs=0.11)
    assert entry.taken_on == TODAY and entry.added_at.tzinfo is UTC
    store.set_state(entry.id, "failed", "It does not play.")
    assert store.recording(entry.id).state_text == "It does not play."
    assert store.recordings(state="failed") == (store.recording(entry.id),)
    assert store.recordings(state=RecordingState.READY) == ()


def test_the_same_file_of_one_person_is_added_once(store: Store, tmp_path: Path) -> None:
    video = tiny_video(tmp_path)
    entry = add_recording(store, video)
    copy = tmp_path / "another name.mp4"
    copy.write_bytes(video.read_bytes())
    assert add_recording(store, copy) == entry
    store.add_person("P-2", by=BY)
    store.add_consent("P-2", purposes=("review",), until=None, sound=False, by=BY)
    assert add_recording(store, copy, "P-2").id != entry.id


def test_a_file_that_was_moved_is_found_again(store: Store, tmp_path: Path) -> None:
    video = tiny_video(tmp_path)
    entry = add_recording(store, video)
    moved = video.rename(tmp_path / "moved.mp4")
    assert add_recording(store, moved) == replace(entry, file=str(moved))


def test_a_copy_is_kept_when_asked_for(store: Store, tmp_path: Path) -> None:
    video = tiny_video(tmp_path)
    entry = store.add_recording(
        video, person="P-1", trainer="T-1", protocol="practice", mirrored=True,
        taken_on=TODAY, by=BY, copy=True,
    )  # fmt: skip
    kept = Path(entry.file)
    assert kept.parent == store.videos and kept.read_bytes() == video.read_bytes()
    assert entry.mirrored and entry.name == video.name
    assert [path.name for path in store.videos.iterdir()] == [kept.name]


def test_what_cannot_be_added(store: Store, tmp_path: Path) -> None:
    video = tiny_video(tmp_path)
    usual = {"person": "P-1", "trainer": "T-1", "protocol": "practice"}
    for change, error, words in (
        ({"person": "P-5"}, StoreError, "add the person first"),
        ({"trainer": "T-5"}, StoreError, "add the trainer first"),
        ({"protocol": "nowhere.toml"}, ProtocolError, "no such protocol"),
    ):
        with pytest.raises(error, match=words):
            store.add_recording(video, mirrored=False, taken_on=TODAY, by=BY, **(usual | change))
    with pytest.raises(VideoError, match="does not exist"):
        add_recording(store, tmp_path / "none.mp4")
    assert store.recordings() == ()
    assert not any(entry.what == "added" and "rec" in entry.subject for entry in store.audit())


def test_unknown_recordings_are_said_to_be_so(store: Store) -> None:
    for ask in (store.recording, store.may_review, store.analysis, store.decisions):
        with pytest.raises(StoreError, match="no recording 4"):
            ask(4)
    with pytest.raises(StoreError, match="no state of a recording"):
        store.recordings(state="done")


# --- analyses and corrections ----------------------------------------------------------------


def test_analyses_are_versions(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    changed = analysis.model_copy(update={"warnings": ("changed",)})
    assert store.add_analysis(session, changed, basis="corrected", by=BY) == 2
    latest, first = store.analysis(session), store.analysis(session, 1)
    assert latest is not None and first is not None
    assert (latest.version, latest.basis, latest.analysis) == (2, "corrected", changed)
    assert (first.version, first.basis, first.analysis) == (1, "machine", analysis)
    assert store.analysis(session, 3) is None


def test_a_correction_is_a_new_version_and_keeps_what_is_not_named(
    tmp_path: Path, analysis: Analysis
) -> None:
    store, session = analysed_store(tmp_path, analysis)
    assert store.corrections(session) is None
    phases = (
        Segment(Interval(0.0, 31.5), Phase.WASH, 1.0, "person"),
        Segment(Interval(40.0, 152.25), Phase.CONNECT, 0.4, "machine"),
    )
    store.correct(session, phases=phases, by=BY)
    store.correct(session, windows=[(Phase.CONNECT, 41.0, 43.25)], by=BY)
    latest = store.corrections(session)
    assert latest is not None and latest.version == 2
    assert latest.phases == phases and latest.windows == ((Phase.CONNECT, 41.0, 43.25),)
    store.correct(session, phases=None, windows=(), by=BY)
    latest = store.corrections(session)
    assert latest is not None and latest.phases is None and latest.windows == ()
    assert [kept.version for kept in store.correction_history(session)] == [1, 2, 3]
    assert store.correction_history(session)[0].windows is None


def test_corrections_that_do_not_fit(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    wash = Segment(Interval(0.0, 30.0), Phase.WASH)
    for phases in (
        [wash, Segment(Interval(29.0, 40.0), Phase.CONNECT)],
        [Segment(Interval(0.0, 152.3), Phase.WASH)],
    ):
        with pytest.raises(StoreError, match=r"do not fit the recording of 152\.2 s"):
            store.correct(session, phases=phases, by=BY)
    with pytest.raises(StoreError, match="not in 'wash'"):
        store.correct(session, windows=[(Phase.WASH, 1.0, 2.0)], by=BY)
    assert store.corrections(session) is None


# --- across the unit -------------------------------------------------------------------------


def test_a_session_in_figures(tmp_path: Path, analysis: Analysis) -> None:
    """The example: 16.5 s of rubbing in a wash of 32 s, palms unclear, one flag to look at."""
    store, session = analysed_store(tmp_path, analysis)
    (row,) = store.session_rows()
    assert (row.recording_id, row.person, row.trainer) == (session, "P-1", "T-1")
    assert (row.wash_rubbing_s, row.wash_whole_s, row.surfaces_rubbed) == (16.5, 32.0, None)
    assert (row.surfaces_missed, row.surfaces_unclear) == ((), ("palms",))
    assert (row.look_flags, row.open_flags, row.agreed_flags) == (1, 1, 0)
    assert (row.signed_on, row.outcome, row.recheck_on, row.watched) == (None, None, None, 0)
    assert row.state is RecordingState.READY and row.protocol == analysis.protocol.name

    note, look, _ = analysis.flags
    for flag in (note, look):
        store.decide(
            session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s, verdict="agree", by=BY
        )
    store.watched(session, by=BY)
    store.watched(session, by=BY)
    store.sign(
        session,
        name="Tess",
        on=TODAY,
        outcome="practise_more",
        recheck_on=date(2026, 4, 1),
        by=BY,
    )
    (row,) = store.session_rows()
    assert (row.look_flags, row.open_flags, row.agreed_flags) == (1, 0, 1)
    assert (row.signed_on, row.outcome) == (TODAY, "practise_more")
    assert (row.recheck_on, row.watched) == (date(2026, 4, 1), 2)


@pytest.mark.only_file
def test_ten_thousand_sessions_are_read_but_for_those_without_consent(
    tmp_path: Path, clock: Clock
) -> None:
    """500 people with 20 sessions each, every hundredth person without a current consent."""
    store = open_store(tmp_path, clock=clock)
    add_unit(store, people=0)
    many_sessions(store)
    rows = store.session_rows()
    assert len(rows) == 10_000 - 5 * 20
    assert rows[0].surfaces_missed == ("thumb_left", "fingertips_right")


# --- audit and time --------------------------------------------------------------------------


def test_the_audit_says_who_did_what_newest_first(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    store.comment(session, "SECRET WORDS", by="second nurse")
    entries = store.audit()
    assert [entry.id for entry in entries] == sorted((e.id for e in entries), reverse=True)
    assert (entries[0].who, entries[0].what) == ("second nurse", "commented")
    assert not any("SECRET" in entry.detail for entry in entries), "what was said stays in place"
    of_session = store.audit(recording_id=session)
    assert {entry.subject for entry in of_session} == {f"recording {session}"}
    assert len(store.audit(limit=2)) == 2


def test_times_are_kept_in_utc_whatever_the_clock_shows(tmp_path: Path) -> None:
    """12:00 at five hours east of Greenwich is 07:00 UTC."""
    east = datetime(2026, 3, 10, 12, tzinfo=timezone(timedelta(hours=5)))
    with open_store(tmp_path, clock=lambda: east) as store:
        store.add_person("P-1", by=BY)
    with open_store(tmp_path) as again:
        at = again.audit()[0].at
    assert (at, at.tzinfo) == (datetime(2026, 3, 10, 7, tzinfo=UTC), UTC)
