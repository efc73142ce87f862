"""Durability, migrations, many writers, and what is said when the disk or the file is bad."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from review.analysis import Analysis
from review.store import Store, StoreError, flag_topic, open_store
from review.store import database as database_module
from review.store.database import HEAD, MIGRATIONS, ONLY_ADDED, Database, sqlite_url
from review.store.figures import look_verdicts
from review.store.store import FILE
from review.store.tables import Base, CommentRow
from tests.stores import BY, analysed_store, write_until_killed

pytestmark = pytest.mark.any_database

# --- nothing confirmed is ever lost ----------------------------------------------------------


@pytest.mark.trust
@pytest.mark.slow
def test_killed_at_any_moment_everything_confirmed_is_there(
    tmp_path: Path,
    analysis: Analysis,
    how_many: Callable[[int, int], int],
    record_number: Callable[..., None],
) -> None:
    """Writers, one after another, each killed (SIGKILL) after up to a dozen things or so."""
    store, session = analysed_store(tmp_path, analysis)
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.stores"])
    rng, confirmed = random.Random(5), []
    kills = how_many(15, 60)
    for seed in range(kills):
        told, teller = processes.Pipe(duplex=False)
        writer = processes.Process(
            target=write_until_killed, args=(tmp_path, session, seed, teller), daemon=True
        )
        writer.start()
        teller.close()
        for _ in range(rng.randint(1, 12)):
            assert told.poll(30), "the writer does not come on"
            confirmed.append(told.recv())
        time.sleep(rng.uniform(0.0, 0.02))
        assert writer.pid is not None
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        assert writer.exitcode == -signal.SIGKILL
        confirmed += list(_all_told(told))
    assert len(confirmed) > 2 * kills
    record_number("processes killed", kills)
    record_number("confirmed things looked for, each found", len(confirmed))
    _check_all_there(store, session, confirmed)
    _check_sound(tmp_path / FILE)
    _check_nothing_half(store, session)
    assert store.verify_audit().holds


def _all_told(told):  # type: ignore[no-untyped-def]
    while True:
        try:
            yield told.recv()
        except EOFError:
            return


def _check_all_there(store: Store, session: int, confirmed: list[tuple[str, str, int]]) -> None:
    found = {
        "decision": {(d.comment, d.id) for d in store.decision_history(session)},
        "comment": {(c.text, c.id) for c in store.comments(session)},
        "answer": {(a.item, 0) for a in store.answers(session)},
        "moment": {(m.text, m.id) for m in store.moments(session)},
        "sign": {(s.name, s.version) for s in store.signoffs(session)},
    }
    versions = {c.version for c in store.correction_history(session)}
    for kind, mark, kept in confirmed:
        there = kept in versions if kind == "correct" else (mark, kept) in found[kind]
        assert there, f"{kind} {mark} was confirmed and is gone"
    assert {kind for kind, _, _ in confirmed} == {*found, "correct"}


def _check_sound(file: Path) -> None:
    """By SQLite's own checks."""
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def _check_nothing_half(store: Store, session: int) -> None:
    """What is entered, its line in the audit and the figures came together or not at all."""
    history = store.decision_history(session)
    audit = store.audit(limit=1_000_000)
    for what, count in (
        ("decided", len(history)),
        ("commented", len(store.comments(session))),
        ("added a moment", len(store.moments(session))),
        ("signed", len(store.signoffs(session))),
        ("corrected", len(store.correction_history(session))),
    ):
        assert sum(entry.what == what for entry in audit) == count, what
    latest = store.analysis(session)
    assert latest is not None
    verdicts = look_verdicts(latest.analysis, store.decisions(session))
    (row,) = store.session_rows()
    assert row.open_flags == verdicts.count(None)
    assert row.signed_on == store.signoffs(session)[-1].on


@pytest.mark.only_file
def test_a_write_is_on_the_disk_when_it_returns(tmp_path: Path) -> None:
    """In SQLite's WAL mode only synchronous=FULL (2) syncs at every commit.

    Source: SQLite documentation, 'PRAGMA synchronous' (value from memory).
    """
    database = Database(sqlite_url(tmp_path / "x.sqlite"))
    with database.reading() as session:
        connection = session.connection()
        read = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("synchronous", "journal_mode", "foreign_keys")
        }
    assert read == {"synchronous": 2, "journal_mode": "wal", "foreign_keys": 1}


def test_one_state_is_read_whatever_others_write_meanwhile(tmp_path: Path) -> None:
    with open_store(tmp_path) as store, open_store(tmp_path) as other:
        store.add_person("K-1", by="T-1")
        with store.one_state():
            assert [p.code for p in store.people()] == ["K-1"]
            other.add_person("K-2", by="T-1")
            assert [p.code for p in store.people()] == ["K-1"], "as of one moment"
            with store.one_state():
                assert [p.code for p in store.people()] == ["K-1"], "also inside"
            with pytest.raises(RuntimeError, match="one state"):
                store.add_person("K-3", by="T-1")
            with ThreadPoolExecutor(1) as elsewhere:  # other threads read and write as ever
                codes = elsewhere.submit(lambda: [p.code for p in store.people()]).result()
            assert codes == ["K-1", "K-2"]
        assert [p.code for p in store.people()] == ["K-1", "K-2"]
        store.add_person("K-3", by="T-1")
        assert len(other.people()) == 3


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    before = store.audit()
    with pytest.raises(RuntimeError, match="stop"), store._writing(BY) as writing:
        writing.add(CommentRow(recording_id=session, text="x", by=BY, at=writing.at))
        raise RuntimeError("stop")
    assert store.comments(session) == () and store.audit() == before


@pytest.mark.parametrize("how", ["change", "remove"])
def test_what_was_entered_cannot_be_changed_or_removed(
    tmp_path: Path, analysis: Analysis, how: str
) -> None:
    store, session = analysed_store(tmp_path, analysis)
    kept = store.comment(session, "as said", by=BY)
    with pytest.raises(RuntimeError, match="only ever added"), store._writing(BY) as writing:
        row = writing.session.get_one(CommentRow, kept.id)
        if how == "change":
            row.text = "as wished"
        else:
            writing.session.delete(row)
    assert store.comments(session) == (kept,)


@pytest.mark.only_file
def test_every_table_of_entered_things_is_only_added_to() -> None:
    changeable = {"people", "trainers", "recordings", "session_figures", "target_results"}
    changeable |= {"accounts", "sign_in_tries"}
    # Those of the audit have guards of their own; the others are taken away when they are over.
    changeable |= {"audit_chain", "audit_head", "erasures", "keeping"}
    kept = {table.__tablename__ for table in ONLY_ADDED}
    assert kept == set(Base.metadata.tables) - changeable


# --- many at once ----------------------------------------------------------------------------


def test_many_writers_at_once_lose_nothing(tmp_path: Path, analysis: Analysis) -> None:
    """Four threads with stores of their own, each signing and commenting ten times."""
    _, session = analysed_store(tmp_path, analysis)
    failed: list[BaseException] = []

    def enter(who: str) -> None:
        try:
            with open_store(tmp_path) as store:
                for number in range(10):
                    store.comment(session, f"{who} {number}", by=who)
                    store.correct(session, windows=[("connect", 1.0, 2.0)], by=who)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=enter, args=(f"nurse {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with open_store(tmp_path) as store:
        assert len({c.text for c in store.comments(session)}) == 40
        versions = [c.version for c in store.correction_history(session)]
        assert versions == list(range(1, 41))


def test_a_new_store_opened_by_many_at_once_is_made_once(tmp_path: Path) -> None:
    gate, failed = threading.Barrier(6), list[BaseException]()

    def make(number: int) -> None:
        try:
            gate.wait()
            with open_store(tmp_path / "new") as store:
                store.add_person(f"P-{number}", by=BY)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=make, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with open_store(tmp_path / "new") as store:
        assert len(store.people()) == 6


@pytest.mark.only_file
def test_a_writer_that_waits_too_long_is_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    open_store(tmp_path).close()
    monkeypatch.setattr(database_module, "BUSY_S", 0.2)
    with closing(sqlite3.connect(tmp_path / FILE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        store = open_store(tmp_path)
        assert store.people() == (), "reading goes on while another one writes"
        with pytest.raises(StoreError, match="another program has been writing"):
            store.add_person("P-1", by=BY)
        other.execute("ROLLBACK")
    assert store.add_person("P-1", by=BY).code == "P-1"


# --- bad days --------------------------------------------------------------------------------


@pytest.mark.only_file
def test_a_full_disk_is_said_and_nothing_is_half_written(
    tmp_path: Path, analysis: Analysis
) -> None:
    """SQLite's page limit stands in for the disk: it fails with the same error."""
    store, session = analysed_store(tmp_path, analysis)
    before = store.audit()

    @event.listens_for(store._database._engine, "checkout")
    def no_more_room(connection, *_):  # type: ignore[no-untyped-def]
        connection.execute("PRAGMA max_page_count = 1")  # cannot go below what is in use

    with pytest.raises(StoreError, match=rf"{FILE}: the disk is full.*free some space"):
        store.add_analysis(
            session,
            analysis.model_copy(update={"warnings": ("long " * 20_000,)}),
            basis="machine",
            by=BY,
        )
    latest = store.analysis(session)
    assert latest is not None and latest.version == 1
    assert store.audit() == before
    _check_sound(tmp_path / FILE)


@pytest.mark.only_file
def test_a_file_that_is_no_store(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text("this is a letter, not a database\n" * 50)
    with pytest.raises(StoreError, match="damaged or are no records at all; put them aside"):
        open_store(tmp_path)
    assert (tmp_path / FILE).read_text().startswith("this is a letter")


@pytest.mark.only_file
def test_a_damaged_store(tmp_path: Path, analysis: Analysis) -> None:
    analysed_store(tmp_path, analysis)[0].close()
    content = bytearray((tmp_path / FILE).read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(StoreError, match=f"{FILE}: the records"), open_store(tmp_path) as store:
        store.session_rows()


@pytest.mark.only_file
def test_a_folder_that_cannot_be_one(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="cannot be kept here"):
        open_store(tmp_path / "file")
    (tmp_path / FILE).mkdir()
    with pytest.raises(StoreError, match="cannot be opened"):
        open_store(tmp_path)


@pytest.mark.only_file
def test_the_folder_is_for_its_owner_only(tmp_path: Path) -> None:
    open_store(tmp_path / "unit").close()
    assert (tmp_path / "unit").stat().st_mode & 0o077 == 0


# --- migrations ------------------------------------------------------------------------------

SECOND = """
import sqlalchemy as sa
from alembic import op
revision, down_revision = "r9998", "{head}"
def upgrade():
    op.add_column("people", sa.Column("shoe_size", sa.Integer(), nullable=True))
    {more}
"""


@pytest.fixture
def later_release(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The migrations of a release with one more; gives the place of that one."""
    folder = tmp_path / "migrations"
    (folder / "versions").mkdir(parents=True)
    for script in (MIGRATIONS / "versions").glob("*.py"):
        (folder / "versions" / script.name).write_bytes(script.read_bytes())
    monkeypatch.setattr(database_module, "MIGRATIONS", folder)
    monkeypatch.setattr(database_module, "HEAD", "r9998")
    return folder / "versions" / "r9998_more.py"


@pytest.mark.only_file
def test_migrations_make_the_tables_that_the_program_uses(tmp_path: Path) -> None:
    open_store(tmp_path).close()
    with Database(sqlite_url(tmp_path / FILE))._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        checks = connection.exec_driver_sql(
            "SELECT sql FROM sqlite_master WHERE name = 'withdrawals'"
        ).scalar()
    assert "ck_withdrawals_one_thing" in str(checks)


@pytest.mark.only_file
def test_the_newest_migration_is_the_one_the_program_asks_for() -> None:
    assert ScriptDirectory(str(MIGRATIONS)).get_current_head() == HEAD


@pytest.mark.only_file
def test_an_older_store_is_brought_up_to_date_and_a_copy_kept(
    tmp_path: Path, analysis: Analysis, later_release: Path
) -> None:
    with pytest.MonkeyPatch.context() as older:
        older.setattr(database_module, "MIGRATIONS", MIGRATIONS)
        older.setattr(database_module, "HEAD", HEAD)
        store, session = analysed_store(tmp_path / "unit", analysis)
        store.comment(session, "before", by=BY)
        store.close()
    later_release.write_text(SECOND.format(head=HEAD, more=""))
    with open_store(tmp_path / "unit") as newer:
        assert [comment.text for comment in newer.comments(session)] == ["before"]
    copy = tmp_path / "unit" / f"records.before-r9998-was-{HEAD}.sqlite"
    with (
        closing(sqlite3.connect(copy)) as kept,
        closing(sqlite3.connect(tmp_path / "unit" / FILE)) as now,
    ):
        assert kept.execute("SELECT text FROM comments").fetchall() == [("before",)]
        columns = "SELECT name FROM pragma_table_info('people')"
        assert ("shoe_size",) not in kept.execute(columns).fetchall()
        assert ("shoe_size",) in now.execute(columns).fetchall()
    assert not list((tmp_path / "unit").glob(".*.partial"))


@pytest.mark.only_file
def test_a_migration_that_fails_changes_nothing(
    tmp_path: Path, analysis: Analysis, later_release: Path
) -> None:
    with pytest.MonkeyPatch.context() as older:
        older.setattr(database_module, "MIGRATIONS", MIGRATIONS)
        older.setattr(database_module, "HEAD", HEAD)
        analysed_store(tmp_path / "unit", analysis)[0].close()
    later_release.write_text(
        SECOND.format(head=HEAD, more='op.execute("INSERT INTO nowhere VALUES (1)")')
    )
    with pytest.raises(StoreError, match="nothing was changed"):
        open_store(tmp_path / "unit")
    with closing(sqlite3.connect(tmp_path / "unit" / FILE)) as now:
        assert now.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]
        columns = now.execute("SELECT name FROM pragma_table_info('people')").fetchall()
        assert ("shoe_size",) not in columns


@pytest.mark.only_file
def test_a_store_of_a_newer_release_is_left_alone(tmp_path: Path) -> None:
    open_store(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / FILE)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r7777'")
        connection.commit()
    with pytest.raises(StoreError, match=r"newer release.*Install the newer release"):
        open_store(tmp_path)


@pytest.mark.only_file
def test_opening_again_migrates_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    open_store(tmp_path).close()
    monkeypatch.setattr(database_module, "upgrade", lambda *_: pytest.fail("migrated again"))
    open_store(tmp_path).close()


@pytest.mark.only_file
def test_the_tables_are_understood_by_postgresql() -> None:
    """SQLAlchemy's own PostgreSQL compiler accepts every table and index."""
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    for table in Base.metadata.sorted_tables:
        made = str(CreateTable(table).compile(dialect=dialect))
        assert "AUTOINCREMENT" not in made
        for index in table.indexes:
            assert "CREATE INDEX" in str(CreateIndex(index).compile(dialect=dialect))


@pytest.mark.only_file
def test_two_hundred_decisions_are_all_kept(tmp_path: Path, analysis: Analysis) -> None:
    flags = tuple(
        analysis.flags[1].model_copy(update={"start_s": 10.0 * n, "end_s": 10.0 * n + 2})
        for n in range(200)
    )
    store, session = analysed_store(tmp_path, analysis.model_copy(update={"flags": flags}))
    for flag in flags:
        store.decide(
            session,
            kind=flag.kind,
            start_s=flag.start_s,
            end_s=flag.end_s,
            topic=flag_topic(flag),
            verdict="agree",
            by=BY,
        )
    assert store.session_rows()[0].agreed_flags == 200
