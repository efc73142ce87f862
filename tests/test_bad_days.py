"""A full disk, a disk that may not be written, a clock that was moved, two people at once."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Iterator
from datetime import timedelta
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from review.analysis import Analysis
from review.desk import open_desk
from review.media import Shelf
from review.roles import Role
from review.signedin import SignIns
from review.store import Store, flag_topic, open_store
from review.store.access_records import Account
from tests.alone import OWN_MOUNTS, need, run_alone
from tests.stores import BY, TODAY, Clock, analysed_store


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def unit(tmp_path: Path, analysis: Analysis, clock: Clock) -> Iterator[tuple[Store, int]]:
    store, session = analysed_store(tmp_path / "unit", analysis, clock)
    with store:
        yield store, session


# --- the disk --------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_disk_that_fills_up_and_one_that_may_not_be_written(tmp_path: Path) -> None:
    """A disk of 3 MB in memory: every writer says what is wrong, keeps all or nothing, goes on."""
    need(OWN_MOUNTS)
    ran = run_alone(OWN_MOUNTS, "tests.smalldisk", str(tmp_path))
    assert ran.returncode == 0, ran.stderr
    said = json.loads(ran.stdout)
    for what in ("comment", "comment again", "salvage"):
        assert "the disk is full, so nothing was changed" in said[what], what
    for what in ("copy", "review copy", "job"):
        assert "No space left on device" in said[what] and "ree some space" in said[what], what
    assert "cannot be copied here (database or disk is full)" in said["backup"]
    assert said["kept"] == said["there"] == said["read"][0] > 0, "what was confirmed is there"
    assert said["opened anew"] == "" and said["audit"] and said["check"] == []
    assert "with room to spare" in said["older form"]
    assert not [name for name in said["older form, files"] if "before" in name]
    assert said["older form, later"] == 2, "with room it is brought up to date"
    assert said["left"] == ["old", "unit"] and said["half"] == []

    assert "may be read and written" in said["read-only, opened"]
    assert "Read-only file system" in said["read-only, job"]
    assert said["read-only, checked"] == [], "looking needs no right to write"


# --- the clock -------------------------------------------------------------------------------


def test_with_the_clock_moved_back_versions_stay_in_order(
    unit: tuple[Store, int], clock: Clock, analysis: Analysis
) -> None:
    store, session = unit
    flag = analysis.flags[0]

    def enter(verdict: str, outcome: str, recheck_days: int) -> None:
        store.decide(
            session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
            topic=flag_topic(flag), verdict=verdict, by=BY,
        )  # fmt: skip
        store.correct(session, windows=[("connect", 1.0, 2.0 + recheck_days)], by=BY)
        store.answer(session, item="Nails", answer="done", comment=verdict, by=BY)
        store.sign(
            session,
            name="Tess",
            on=store.today(),
            outcome=outcome,
            recheck_on=store.today() + timedelta(recheck_days),
            by=BY,
        )

    enter("agree", "signed_off", 90)
    clock.now -= timedelta(days=400)
    enter("disagree", "practise_more", 30)
    assert [s.version for s in store.signoffs(session)] == [1, 2]
    assert [c.version for c in store.correction_history(session)] == [1, 2]
    # What was entered last counts, whatever the clock said; the order in the audit is true.
    assert [d.verdict for d in store.decisions(session)] == ["disagree"]
    assert [a.comment for a in store.answers(session)] == ["disagree"]
    (row,) = store.session_rows()
    back = TODAY - timedelta(days=400)
    assert (row.signed_on, row.outcome) == (back, "practise_more")
    assert row.recheck_on == back + timedelta(30)
    assert not store.changed_since_signing(session)
    signed = [e.detail for e in store.audit() if e.what == "signed"]
    assert [detail.split(",")[0] for detail in signed] == ["version 2", "version 1"]
    assert store.verify_audit().holds


def test_a_consent_taken_back_stays_so_when_the_clock_is_moved_back(
    unit: tuple[Store, int], clock: Clock
) -> None:
    store, session = unit
    (consent,) = store.consents("P-1")
    store.withdraw_consent(consent.id, by=BY)
    clock.now -= timedelta(days=400)
    assert not store.may_review(session) and store.session_rows() == ()


def test_what_was_over_is_not_open_again_when_the_clock_is_moved_back(tmp_path: Path) -> None:
    """Sign-ins and lent videos: only the clock on the wall is moved."""
    wall, steady = [1_000_000.0], [50.0]
    sign_ins = SignIns(600.0, (lambda: steady[0], lambda: wall[0]))
    account = Account("tess", Role.TRAINER, "T-1", "", True, 0, Clock()())
    key = sign_ins.begin(account)
    wall[0] += 300.0
    steady[0] += 300.0
    assert sign_ins.find(key) is account
    wall[0] += 400.0
    steady[0] += 400.0
    wall[0] -= 86_400.0
    assert sign_ins.find(key) is None
    wall[0] -= 86_400.0
    assert sign_ins.find(key) is None, "and it does not come back"
    # Moved forward and back between two looks: the steady clock goes on counting.
    key = sign_ins.begin(account)
    wall[0] -= 86_400.0
    steady[0] += 601.0
    assert sign_ins.find(key) is None

    shelf = Shelf()
    assert shelf._clock.__name__ == "monotonic", "lent videos do not ask the clock on the wall"


# --- two people ------------------------------------------------------------------------------


def decide_at_once(folder: Path, session: int, who: str, gate: Connection) -> None:
    """Be one of two: wait for the word, then decide about the first flag."""
    with open_store(folder) as store:
        version = store.analysis(session)
        assert version is not None
        flag = version.analysis.flags[0]
        gate.send("ready")
        gate.recv()
        kept = store.decide(
            session, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
            topic=flag_topic(flag), verdict="agree" if who == "Tess" else "disagree",
            comment=f"{who} says so", by=who,
        )  # fmt: skip
        store.sign(session, name=who, on=TODAY, outcome="signed_off", recheck_on=None, by=who)
        gate.send(kept.id)


@pytest.mark.slow
def test_two_people_who_decide_at_once_are_both_kept(unit: tuple[Store, int]) -> None:
    """Two processes, one flag: both decisions are there in one order, and each page shows it."""
    store, session = unit
    before = open_desk(store, session)
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.killing"])
    gates, workers = [], []
    for who in ("Tess", "Tom"):
        ours, theirs = processes.Pipe()
        worker = processes.Process(
            target=decide_at_once, args=(store.folder, session, who, theirs), daemon=True
        )
        worker.start()
        theirs.close()
        assert ours.recv() == "ready"
        gates.append(ours)
        workers.append(worker)
    for gate in gates:
        gate.send("now")
    ids = [gate.recv() for gate in gates]
    for worker in workers:
        worker.join(30)
    history = store.decision_history(session)
    assert sorted(ids) == [d.id for d in history] and {d.by for d in history} == {"Tess", "Tom"}
    (standing,) = store.decisions(session)
    assert standing == history[-1], "the later one counts"
    assert [s.version for s in store.signoffs(session)] == [1, 2]
    # Whoever refreshes sees what counts, and in the history both with their names and order.
    after = open_desk(store, session)
    assert before.signoffs == () and [s.by for s in after.signoffs] != []
    assert {s.by for s in after.signoffs} == {"Tess", "Tom"}
    shown = [item.decision for item in after.items if item.decision is not None]
    assert shown == [standing]
    said = [(e.who, e.what) for e in store.audit(recording_id=session)]
    assert {("Tess", "decided"), ("Tom", "decided")} <= set(said)
    assert store.verify_audit().holds
