"""Erasing a person: nothing is left, nothing else goes, and it survives being killed."""

from __future__ import annotations

import fcntl
import json
import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis
from review.store import Consent, ConsentError, Store, StoreError, flag_topic, open_store
from review.store import erasing as erasing_module
from review.store.database import Database
from review.store.erasing_plan import belongs_to, ended_on, is_due, names_person
from review.store.store import FILE
from review.store.tables import Base
from tests.documents import example_analysis
from tests.servers import moved_where_asked, rows_in
from tests.stores import BY, TODAY, Clock, add_unit, erase_until_killed, tiny_video

pytestmark = pytest.mark.any_database

PERSON = "ZEBRA-93"
PLANTED = "planted zebra words 9317"
"""In everything that is entered about the person, and in the names of their files."""


def enter_everything(store: Store, session: int, analysis: Analysis, mark: str) -> None:
    """Something in every table that takes what is entered about a recording."""
    flag = analysis.flags[0]
    for verdict in ("agree", "disagree"):
        decision = store.decide(
            session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
            topic=flag_topic(flag), verdict=verdict, comment=f"{mark} decided", by=BY,
        )  # fmt: skip
    store.undo_decision(session, decision.id, by=BY)
    moment = store.add_moment(session, start_s=1.0, end_s=2.0, text=f"{mark} moment", by=BY)
    store.remove_moment(session, moment.id, by=BY)
    store.answer(session, item=f"{mark} item", answer="done", comment=mark, by=BY)
    store.comment(session, f"{mark} said", by=BY)
    store.correct(session, windows=[("connect", 1.0, 2.0)], by=BY)
    store.sign(
        session, name=f"{mark} signer", on=TODAY, outcome="practise_more", recheck_on=None, by=BY
    )
    store.watched(session, by=BY)
    store.note_export(f"report of {mark}", session, by=BY)


def analysis_of(analysis: Analysis, mark: str) -> Analysis:
    return analysis.model_copy(
        update={"recording": analysis.recording.model_copy(update={"file": f"{mark}.mp4"})}
    )


def make_unit(folder: Path, analysis: Analysis, outside: Path) -> Store:
    """Two people; for one of them every kind of row and file, full of planted words."""
    store = open_store(folder, clock=Clock())
    add_unit(store)
    store.add_person(PERSON, note=f"{PLANTED} note", by=BY)
    store.change_person(PERSON, note=f"{PLANTED} changed", by=BY)
    for _ in range(2):
        store.add_consent(PERSON, purposes=("review",), until=None, sound=False, by=BY)
    outside.mkdir(exist_ok=True)
    video = tiny_video(outside)
    planted = video.rename(outside / f"{PLANTED}.mp4")
    other = tiny_video(outside, 1)
    for number, (path, keep) in enumerate([(planted, "stay"), (other, "copy")]):
        entry = store.add_recording(
            path, person=PERSON, trainer="T-1", protocol="practice", mirrored=False,
            taken_on=TODAY, by=BY, keep=keep,
        )  # fmt: skip
        store.add_analysis(entry.id, analysis_of(analysis, PLANTED), basis="machine", by=BY)
        enter_everything(store, entry.id, analysis, PLANTED)
        store.set_state(entry.id, "failed", f"{PLANTED} went wrong")
        for place in (
            f"copies/{entry.sha256[:32]}-silent.mp4", f"landmarks/{entry.sha256[:16]}-ab.npz",
            f"jobs/{entry.id}.json", f"reports/recording-{entry.id}.pdf",
        ):  # fmt: skip
            (folder / place).parent.mkdir(exist_ok=True)
            (folder / place).write_text(f"{PLANTED} {number}")
    (folder / "jobs" / "worker.log").write_text(f"{PLANTED} went wrong")
    kept = store.add_session(analysis, person="P-1", trainer="T-1", taken_on=TODAY, by=BY)
    enter_everything(store, kept.id, analysis, "other words")
    (folder / "jobs" / f"{kept.id}.json").write_text("{}")
    return store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit made once; see :func:`copy_of`."""
    folder = tmp_path_factory.mktemp("made")
    make_unit(folder / "unit", example_analysis(), folder / "videos").close()
    return folder / "unit"


def copy_of(made: Path, folder: Path) -> Store:
    """Another unit like it; the place of its kept video is still that in the first."""
    shutil.copytree(made, folder)
    moved_where_asked(folder)
    return open_store(folder, clock=Clock())


def left_of(folder: Path) -> list[str]:
    """Files of a folder in which the person, or a planted word, is still found; names too."""
    found = []
    for path in folder.rglob("*"):
        content = path.read_bytes() if path.is_file() else b""
        for word in (PLANTED, PERSON):
            if word in str(path.relative_to(folder)) or word.encode() in content:
                found.append(f"{path}: {word}")
    return found


@pytest.mark.trust
def test_nothing_is_left_on_the_disk_or_in_the_records(tmp_path: Path, analysis: Analysis) -> None:
    """Every byte of every file is searched, that of the database and its log, too."""
    folder, outside, cache = tmp_path / "unit", tmp_path / "videos", tmp_path / "cache"
    store = make_unit(folder, analysis, outside)
    shas = [entry.sha256 for entry in store.recordings(PERSON)]
    cache.mkdir()
    for sha in shas:
        (cache / f"{sha[:16]}-0123.parts").mkdir()
        (cache / f"{sha[:16]}-0123.parts" / "look-1.npz").write_bytes(b"positions")
        (cache / f"{sha[:16]}-0123.npz").write_bytes(b"positions")
    (cache / "0123456789abcdef-0123.npz").write_bytes(b"somebody else's")
    kept = store.recordings("P-1")[0]
    before = (
        store.comments(kept.id), store.decision_history(kept.id), store.signoffs(kept.id),
        store.audit(1000, recording_id=kept.id), store.people()[0], store.consents("P-1"),
    )  # fmt: skip
    assert len(left_of(folder)) > 8, "the search finds what is there"
    receipt = store.erase(PERSON, by=BY, caches=[cache])
    assert left_of(folder) == []
    assert [path.name for path in cache.iterdir()] == ["0123456789abcdef-0123.npz"]
    assert receipt.overwritten and store.unfinished_erasures() == 0
    after = (
        store.comments(kept.id), store.decision_history(kept.id), store.signoffs(kept.id),
        store.audit(1000, recording_id=kept.id), store.people()[0], store.consents("P-1"),
    )  # fmt: skip
    assert after == before, "what others entered is untouched"
    assert (folder / "jobs" / f"{kept.id}.json").is_file()
    with pytest.raises(StoreError, match="no person"):
        store.consents(PERSON)
    report = store.verify_audit()
    assert report.holds and report.emptied == receipt.emptied > 20


def test_only_a_count_is_left_in_the_audit(tmp_path: Path, made: Path) -> None:
    store = copy_of(made, tmp_path / "unit")
    receipt = store.erase(PERSON, by=BY)
    entry = store.audit(1)[0]
    assert (entry.what, entry.who) == ("erased", BY)
    assert entry.detail == f"2 recordings, {len(receipt.plan.going)} files"
    assert entry.subject.startswith("entries ") and PERSON not in entry.subject
    emptied = [e for e in store.audit(1000) if e.what == "emptied"]
    assert len(emptied) == receipt.emptied
    assert {(e.who, e.subject, e.detail) for e in emptied} == {("", "", "")}


def test_every_table_is_reached_from_a_person_or_holds_nothing_of_one() -> None:
    """A table that is added one day must point, by foreign keys, to the person it is about."""
    reached = {"people"}
    for table in Base.metadata.sorted_tables:
        if any(link.column.table.name in reached for link in table.foreign_keys):
            reached.add(table.name)
    of_nobody = {
        "trainers", "audit", "audit_chain", "audit_head", "erasures", "keeping", "sign_in_tries",
        "refit_versions", "refit_uses",
    }  # fmt: skip
    assert set(Base.metadata.tables) - reached <= of_nobody


def test_the_receipt_says_what_went_and_what_is_left(tmp_path: Path, analysis: Analysis) -> None:
    folder = tmp_path / "unit"
    store = make_unit(folder, analysis, tmp_path / "videos")
    older = folder / "records.before-r0003-was-r0001.sqlite"
    older.write_bytes(b"as it was")
    another = folder / "saved on Monday.sqlite"
    another.write_bytes(b"as it was")
    receipt = store.erase(PERSON, by=BY)
    text, content = receipt.as_text(), json.loads(receipt.as_json())
    original = tmp_path / "videos" / f"{PLANTED}.mp4"
    assert original.is_file() and older.is_file(), "left unless it is asked for"
    assert content["left"]["originals"] == [str(original)]
    assert content["left"]["older_copies_of_the_records"] == [str(older), str(another)]
    for words in (str(original), str(older), f"report of {PLANTED}", "Recordings: 2"):
        assert words in text
    assert content["person"] == PERSON and len(content["recordings"]) == 2
    rows = content["rows_removed"]
    assert rows["recordings"] == 2 and rows["decisions"] == 4 and rows["people"] == 1
    assert rows["withdrawals"] == 5, "two of decisions, two of moments, one of the consent"
    removed = [Path(file) for file in content["files_removed"]]
    assert len(removed) == 9 and not any(path.exists() for path in removed)


def test_originals_and_older_copies_go_when_asked(tmp_path: Path, analysis: Analysis) -> None:
    folder = tmp_path / "unit"
    store = make_unit(folder, analysis, tmp_path / "videos")
    older = folder / "records.before-r0003-was-r0001.sqlite"
    older.write_bytes(PLANTED.encode())
    plan = store.plan_erasure(PERSON, delete_originals=True, delete_backups=True)
    assert older.is_file() and store.recordings(PERSON), "a plan changes nothing"
    receipt = store.erase(PERSON, by=BY, delete_originals=True, delete_backups=True)
    assert receipt.plan.going == plan.going
    assert not older.exists() and left_of(folder) == []
    assert [p.name for p in (tmp_path / "videos").iterdir()] == ["invented 1.mp4"], (
        "that one was copied to the records: they do not know where it came from"
    )
    assert json.loads(receipt.as_json())["left"]["originals"] == []


def test_a_video_that_somebody_else_needs_stays(tmp_path: Path) -> None:
    store = open_store(tmp_path / "unit", clock=Clock())
    add_unit(store, people=2)
    video = tiny_video(tmp_path)
    for person in ("P-1", "P-2"):
        for keep in ("stay", "copy"):
            store.add_recording(
                video, person=person, trainer="T-1", protocol="practice", mirrored=False,
                taken_on=TODAY, by=BY, keep=keep,
            )  # fmt: skip
    (entry,) = store.recordings("P-2")
    copy = store.copies / f"{entry.sha256[:32]}-silent.mp4"
    store.copies.mkdir()
    copy.write_bytes(b"a copy")
    receipt = store.erase("P-1", by=BY, delete_originals=True)
    assert copy.is_file() and video.is_file() and store.recordings("P-2") == (entry,)
    assert str(copy) in receipt.plan.shared and str(video) in receipt.plan.shared
    store.erase("P-2", by=BY, delete_originals=True)
    assert not copy.exists() and not video.exists()


def test_a_video_in_the_records_folder_is_part_of_the_records(tmp_path: Path) -> None:
    """Whatever its name; only what lies elsewhere is the unit's own."""
    store = open_store(tmp_path / "unit", clock=Clock())
    add_unit(store)
    (tmp_path / "unit" / "incoming").mkdir()
    video = tiny_video(tmp_path / "unit" / "incoming")
    store.add_recording(
        video, person="P-1", trainer="T-1", protocol="practice", mirrored=False,
        taken_on=TODAY, by=BY,
    )  # fmt: skip
    receipt = store.erase("P-1", by=BY)
    assert not video.exists() and receipt.plan.originals == ()


def test_similar_codes_are_not_mistaken(tmp_path: Path, analysis: Analysis) -> None:
    store = open_store(tmp_path / "unit", clock=Clock())
    add_unit(store)
    for code in ("K-1", "K-10", "K-1.2", "1"):
        store.add_person(code, by=BY)
        store.add_consent(code, purposes=("review",), until=None, sound=False, by=BY)
        store.add_session(analysis, person=code, trainer="T-1", taken_on=TODAY, by=BY)
    before = [e for e in store.audit(1000) if e.subject != "person K-1"]
    assert store.erase("K-1", by=BY).emptied == 5, "added, consent, added, analysed, withdrawn"
    kept = {e.id for e in store.audit(1000) if e.what not in ("emptied", "erased")}
    gone = {e.subject for e in before} - {e.subject for e in store.audit(1000)}
    assert gone == {"recording 1"} and len(kept) == len(before) - 2
    assert [p.code for p in store.people()] == ["1", "K-1.2", "K-10", "P-1"]
    store.erase("1", by=BY)
    assert {r.person for r in store.recordings()} == {"K-10", "K-1.2"}
    assert store.verify_audit().holds


@pytest.mark.parametrize(
    ("place", "mine"),
    [
        ("jobs/12.json", True), ("jobs/.12.json.ab.partial", True), ("jobs/12.cancel", True),
        ("jobs/121.json", False), ("jobs/112.json", False), ("jobs/worker.log", False),
        ("landmarks/0123456789abcdef-99.npz", True), ("landmarks/1123456789abcdef-12.npz", False),
        ("copies/0123456789abcdef0123456789abcdef-silent.mp4.sealed", True),
        ("reports/recording-12.pdf", True), ("reports/recording-121.pdf", False),
        ("reports/12.pdf", False), ("shared/recording 12 blurred.mp4", True),
        ("reports/ZEBRA-93.csv", True), ("ZEBRA-93/a.csv", True), ("reports/ZEBRA-931.csv", False),
    ],
)  # fmt: skip
def test_which_files_are_whose(place: str, mine: bool) -> None:
    sha = "0123456789abcdef" * 4
    assert belongs_to(Path(place), hashes=[sha, ""], numbers=[12], person=PERSON) is mine


@given(
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,6}", fullmatch=True), st.text("ab1-. ", max_size=4)
)
def test_a_code_is_found_as_a_word_only(code: str, around: str) -> None:
    assert names_person(f"person {code}", code)
    assert not names_person(f"person {code}x", code) and not names_person(f"personx{code}", code)
    if names_person(f"{around}{code}", code):
        assert around[-1:] in ("", " ")


# --- when ------------------------------------------------------------------------------------


def _consent(until: date | None, withdrawn: date | None) -> Consent:
    at = withdrawn and datetime(withdrawn.year, withdrawn.month, withdrawn.day, 12, tzinfo=UTC)
    return Consent(1, "P-1", ("review",), until, False, BY, datetime(2026, 1, 1, tzinfo=UTC), at)


DAYS = st.integers(-400, 400).map(lambda days: TODAY + timedelta(days=days))


@given(st.none() | DAYS, st.none() | DAYS.filter(lambda day: day <= TODAY), st.integers(0, 500))
def test_due_is_who_was_over_for_longer(
    until: date | None, withdrawn: date | None, days: int
) -> None:
    consent = _consent(until, withdrawn)
    end = ended_on(consent, TODAY)
    assert (end is None) == consent.holds(TODAY)
    assert is_due(consent, TODAY, days) == (end is not None and end < TODAY - timedelta(days=days))
    assert not is_due(None, TODAY, days)


def test_due_follows_the_units_setting(tmp_path: Path) -> None:
    clock = Clock()
    store = open_store(tmp_path, clock=clock)
    add_unit(store, people=3)
    (consent,) = store.consents("P-2")
    store.withdraw_consent(consent.id, by=BY)
    assert store.due_for_erasure() == ()
    clock.forward(store.keeping().erase_after_days)
    assert store.due_for_erasure() == (), "longer than, not as long as"
    clock.forward(1)
    assert store.due_for_erasure() == ("P-2",)
    store.set_keeping(erase_after_days=90, by=BY)
    assert store.due_for_erasure() == ()
    with pytest.raises(StoreError, match="days from 0"):
        store.set_keeping(erase_after_days=-1, by=BY)


# --- interrupted -----------------------------------------------------------------------------


class Killed(BaseException):
    pass


@pytest.mark.parametrize("stage", ["remove_files", "clear_leftovers", "_delete", "overwrite"])
def test_it_goes_on_after_a_stop(
    tmp_path: Path, made: Path, monkeypatch: pytest.MonkeyPatch, stage: str
) -> None:
    folder = tmp_path / "unit"
    store = copy_of(made, folder)

    def stop(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as stopped:
        if stage == "overwrite":
            stopped.setattr(Database, "overwrite_free_places", stop)
        else:
            stopped.setattr(erasing_module, stage, stop)
        with pytest.raises(Killed):
            store.erase(PERSON, by=BY)
    assert store.unfinished_erasures() == 1
    if stage != "overwrite":
        assert store.recordings(PERSON) == (), "nothing is shown from the first moment on"
    store.close()
    with open_store(folder, clock=Clock()) as again:
        assert again.unfinished_erasures() == 0
        assert again.verify_audit().holds
        told = [receipt.plan.person for receipt in again.receipts_at_opening]
        assert told == ([] if stage == "overwrite" else [PERSON])
    assert left_of(folder) == []


@pytest.mark.trust
@pytest.mark.slow
def test_killed_at_any_moment_it_is_over_or_goes_on(
    tmp_path: Path, made: Path, record_number: Callable[..., None]
) -> None:
    """SIGKILL, which no program can catch, at random moments."""
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.stores"])
    rng, half_way = random.Random(3), 0
    for number in range(6):
        folder = tmp_path / f"unit {number}"
        copy_of(made, folder).close()
        eraser = processes.Process(target=erase_until_killed, args=(folder, PERSON), daemon=True)
        eraser.start()
        deadline = time.monotonic() + 30.0
        while not _begun(folder) and eraser.is_alive() and time.monotonic() < deadline:
            time.sleep(0.002)
        time.sleep(rng.uniform(0.0, 0.03))
        assert eraser.pid is not None
        os.kill(eraser.pid, signal.SIGKILL)
        eraser.join()
        record_number("processes killed", eraser.exitcode == -signal.SIGKILL)
        half_way += eraser.exitcode == -signal.SIGKILL and bool(left_of(folder))
        with open_store(folder, clock=Clock()) as store:
            assert store.unfinished_erasures() == 0 and store.verify_audit().holds
        assert left_of(folder) == []
    assert half_way, "not one was killed before it was over"


def _begun(folder: Path) -> bool:
    return bool(rows_in(folder, "SELECT count(*) FROM erasures")[0][0])


def test_a_file_that_cannot_go_is_named_and_the_rest_waits(tmp_path: Path, made: Path) -> None:
    folder = tmp_path / "unit"
    store = copy_of(made, folder)
    stubborn = folder / "reports" / f"{PERSON}"
    stubborn.mkdir()
    held = stubborn / "a.txt"
    held.write_text("x")
    with pytest.MonkeyPatch.context() as patch:
        unlink = Path.unlink

        def refuse(self: Path, missing_ok: bool = False) -> None:
            if self == held:
                raise PermissionError(13, "Permission denied")
            unlink(self, missing_ok)

        patch.setattr(Path, "unlink", refuse)
        with pytest.raises(StoreError, match=r"a\.txt: it cannot be removed"):
            store.erase(PERSON, by=BY)
        assert store.unfinished_erasures() == 1
        with open_store(folder, clock=Clock()) as again:
            assert again.unfinished_erasures() == 1, "it opens all the same"
    (receipt,) = store.finish_erasures()
    assert receipt.plan.person == PERSON and str(held) in receipt.plan.going
    assert not stubborn.exists(), "its name was the person's"
    assert left_of(folder) == []


@pytest.mark.only_file
def test_one_who_reads_meanwhile_only_puts_off_the_overwriting(
    tmp_path: Path, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("review.store.database.PATIENT_S", 0.1)
    folder = tmp_path / "unit"
    store = copy_of(made, folder)
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM people").fetchone()
        receipt = store.erase(PERSON, by=BY)
        assert not receipt.overwritten and "opened next" in receipt.as_text()
        assert store.unfinished_erasures() == 1
        reader.execute("ROLLBACK")
    with open_store(folder, clock=Clock()) as again:
        assert again.unfinished_erasures() == 0
    assert left_of(folder) == []


# --- work under way --------------------------------------------------------------------------


@contextmanager
def at_work(folder: Path, recording_id: int) -> Iterator[None]:
    """As if a worker was tracking a recording: its lock is held and the job's file says so."""
    jobs = folder / "jobs"
    jobs.mkdir(exist_ok=True)
    (jobs / f"{recording_id}.json").write_text(json.dumps({"stage": "tracking"}))
    with (jobs / "worker.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def test_an_analysis_under_way_is_asked_to_stop_first(tmp_path: Path, made: Path) -> None:
    folder = tmp_path / "unit"
    store = copy_of(made, folder)
    entry = store.recordings(PERSON)[0]
    with at_work(folder, entry.id):
        with pytest.raises(StoreError, match="still stopping"):
            store.erase(PERSON, by=BY, patience_s=0.3)
        assert (folder / "jobs" / f"{entry.id}.cancel").is_file()
        assert not store.may_review(entry.id)
        with pytest.raises(ConsentError):
            store.analysis(entry.id)
        with open_store(folder, clock=Clock()) as again:
            assert again.unfinished_erasures() == 1, "opening does not wait for it"
    with open_store(folder, clock=Clock()) as again:
        assert again.unfinished_erasures() == 0
    assert left_of(folder) == []


# --- no consent: nothing is shown ------------------------------------------------------------


def test_without_consent_no_reading_of_a_recording_gives_anything(
    tmp_path: Path, made: Path
) -> None:
    """Every method of the store that reads about one recording, found by its arguments."""
    store = copy_of(made, tmp_path / "unit")
    session = store.recordings(PERSON)[0].id
    readers = {
        "analysis", "corrections", "correction_history", "decisions", "decision_history",
        "moments", "answers", "comments", "signoffs", "changed_since_signing",
    }  # fmt: skip
    for name in readers:
        getattr(store, name)(session)
    for consent in store.consents(PERSON)[-1:]:
        store.withdraw_consent(consent.id, by=BY)
    for name in readers:
        with pytest.raises(ConsentError):
            getattr(store, name)(session)
    assert store.recordings(PERSON) == ()
    assert PERSON not in {row.person for row in store.session_rows()}
    assert not store.may_review(session)
