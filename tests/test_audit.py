"""The audit's chain: digests, writers at once, and that any tampering is found."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError

from review.analysis import Analysis
from review.store import ConsentError, StoreError, open_store
from review.store import database as database_module
from review.store.audit import (
    START,
    AuditContent,
    Link,
    chain_digest,
    content_digest,
    numbers_as_text,
    numbers_in_text,
    verify_chain,
)
from review.store.database import HEAD
from review.store.store import FILE
from tests.stores import BY, TODAY, analysed_store

pytestmark = pytest.mark.any_database

GUARDS = (
    "audit_stays", "audit_is_only_emptied", "audit_chain_stays", "audit_chain_is_only_unsalted",
    "audit_head_stays", "audit_head_only_grows",
)  # fmt: skip


# --- digests ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (
            b"a" * 1_000_000,
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
        ),
    ],
)
def test_sha_256_is_that_of_the_standard(message: bytes, digest: str) -> None:
    """FIPS 180-4's algorithm on NIST's published examples for it (from memory)."""
    assert hashlib.sha256(message).hexdigest() == digest


def test_a_link_is_the_digest_of_what_it_says_it_is() -> None:
    """Worked out by hand from the description in ``review/store/audit.py``."""
    at = datetime(2026, 3, 10, 12, 0, 1, tzinfo=UTC)
    content = AuditContent(at, "Zoë", "added", "person P-1", "", None)
    text = '["2026-03-10T12:00:01.000000+00:00","Zo\\u00eb","added","person P-1","",null]'
    digest = hashlib.sha256(b"ab" * 32 + text.encode("ascii")).hexdigest()
    assert content_digest(content, "ab" * 32) == digest
    joined = bytes(32) + bytes.fromhex(digest) + b"\0\0\0\0\0\0\0\x01"
    assert chain_digest(START.hex(), digest, 1) == hashlib.sha256(joined).hexdigest()


@given(st.sets(st.integers(1, 60)))
def test_numbers_survive_being_written_down(numbers: set[int]) -> None:
    found = {n for span in numbers_in_text(numbers_as_text(numbers)) for n in span}
    assert found == numbers


# --- in the records --------------------------------------------------------------------------


def test_everything_that_is_done_is_chained(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    store.comment(session, "seen", by=BY)
    store.watched(session, by=BY)
    report = store.verify_audit()
    assert report.holds and report.count == len(store.audit()) > 5
    numbered = store.numbered_audit()
    assert [entry.number for entry in numbered] == list(range(report.count, 0, -1))
    assert numbered[0].entry.what == "watched"


def test_a_new_store_holds_with_nothing_in_it(tmp_path: Path) -> None:
    report = open_store(tmp_path).verify_audit()
    assert report.holds and report.count == 0 and report.chain_sha256 == START.hex()


def test_exports_are_noted(tmp_path: Path, analysis: Analysis) -> None:
    store, session = analysed_store(tmp_path, analysis)
    store.note_export("report as PDF", session, by=BY)
    store.note_export("list as CSV", by=BY)
    unit, report = store.audit(2)
    assert (unit.what, unit.subject, unit.detail) == ("exported", "the unit", "list as CSV")
    assert (report.subject, report.detail) == (f"recording {session}", "report as PDF")
    with pytest.raises(StoreError, match="empty"):
        store.note_export(" ", by=BY)
    consent = store.current_consent("P-1")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)
    with pytest.raises(ConsentError):
        store.note_export("report as PDF", session, by=BY)


def test_many_writers_make_one_chain(tmp_path: Path, analysis: Analysis) -> None:
    _, session = analysed_store(tmp_path, analysis)
    failed: list[BaseException] = []

    def enter(who: str) -> None:
        try:
            with open_store(tmp_path) as store:
                for number in range(8):
                    store.comment(session, f"{number}", by=who)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=enter, args=(f"nurse {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with open_store(tmp_path) as store:
        report = store.verify_audit()
        assert report.holds and report.count == len(store.audit(10_000)) >= 32


def test_the_guards_refuse_what_is_not_emptying(tmp_path: Path, analysis: Analysis) -> None:
    database = analysed_store(tmp_path, analysis)[0]._database
    for statement in (
        "DELETE FROM audit WHERE id = 1",
        "UPDATE audit SET who = 'somebody else' WHERE id = 1",
        "DELETE FROM audit_chain WHERE number = 1",
        "UPDATE audit_chain SET chain_sha256 = content_sha256 WHERE number = 1",
        "DELETE FROM audit_head",
        "UPDATE audit_head SET count = count - 1",
    ):
        with (
            pytest.raises(IntegrityError, match=r"never|only grows"),
            database._writer.connect() as connection,
            connection.begin(),
        ):
            connection.exec_driver_sql(statement)


@pytest.mark.only_file
def test_entries_of_an_older_release_are_chained(
    tmp_path: Path, analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the step to this form writes is what the program itself would have written."""
    first = tmp_path / "first"
    with monkeypatch.context() as older:
        older.setattr(database_module, "HEAD", "r0002")
        first.mkdir()
        database_module.Database(database_module.sqlite_url(first / FILE)).close()
    with closing(sqlite3.connect(first / FILE)) as connection:
        for number in range(1, 6):
            connection.execute(
                "INSERT INTO audit (at, who, what, subject, detail, recording_id)"
                " VALUES (?, 'Zoë', 'added', ?, '', NULL)",
                (f"2026-03-10 12:00:0{number}.000000", f"person P-{number}"),
            )
        connection.commit()
    with open_store(first) as store:
        report = store.verify_audit()
        assert report.holds and report.count == 5
        store.add_person("P-9", by=BY)
        assert store.verify_audit().holds and store.verify_audit().count == 6
    assert (first / f"records.before-{HEAD}-was-r0002.sqlite").is_file()


# --- tampering -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records with an audit of twenty entries, some of them emptied by an erasure."""
    folder = tmp_path_factory.mktemp("audit")
    with open_store(folder) as store:
        store.add_trainer("T-1", "Tess Invented", by=BY)
        for number in range(1, 5):
            store.add_person(f"P-{number}", by=BY)
            store.add_consent(f"P-{number}", purposes=("review",), until=None, sound=False, by=BY)
        store.erase("P-2", by=BY)
        for number in range(10, 18):
            store.add_person(f"P-{number}", note=f"note {number}", by=BY)
        report = store.verify_audit()
        assert report.holds and report.emptied == 3, report
    return folder


CHANGES = {
    "at": "2001-01-01 00:00:00.000000", "who": "nobody", "what": "looked", "subject": "x",
    "detail": "y", "recording_id": 77,
}  # fmt: skip


def _tamper(connection: sqlite3.Connection, how: str, number: int, column: str) -> None:
    """One change to entry ``number`` or its link; the guards were taken away."""
    (row,) = connection.execute("SELECT audit_id FROM audit_chain WHERE number = ?", (number,))
    entry = row[0]
    match how:
        case "change":
            connection.execute(
                f"UPDATE audit SET {column} = ? WHERE id = ?", (CHANGES[column], entry)
            )
        case "salt":
            connection.execute("UPDATE audit_chain SET salt = ? WHERE number = ?", ("00", number))
        case "digest":
            connection.execute(
                "UPDATE audit_chain SET content_sha256 = ? WHERE number = ?", ("1" * 64, number)
            )
        case "chain":
            connection.execute(
                "UPDATE audit_chain SET chain_sha256 = ? WHERE number = ?", ("1" * 64, number)
            )
        case "remove entry":
            connection.execute("DELETE FROM audit WHERE id = ?", (entry,))
        case "remove both":
            connection.execute("DELETE FROM audit_chain WHERE number = ?", (number,))
            connection.execute("DELETE FROM audit WHERE id = ?", (entry,))
        case "insert":
            connection.execute(
                "INSERT INTO audit (at, who, what, subject, detail)"
                " VALUES ('2026-03-10 12:00:00.000000', 'x', 'added', 'y', '')"
            )
        case "empty":
            connection.execute(
                "UPDATE audit SET who = '', what = 'emptied', subject = '', detail = '',"
                " recording_id = NULL WHERE id = ?",
                (entry,),
            )
            connection.execute("UPDATE audit_chain SET salt = NULL WHERE number = ?", (number,))
        case "rewrite":
            _rewrite(connection, number, entry)
        case _:
            raise AssertionError(how)


def _rewrite(connection: sqlite3.Connection, number: int, entry: int) -> None:
    """Change an entry and make its own link fit, but none of those after it."""
    before = connection.execute(
        "SELECT chain_sha256 FROM audit_chain WHERE number = ?", (number - 1,)
    ).fetchone()
    at = datetime(2026, 3, 10, tzinfo=UTC)
    digest = content_digest(AuditContent(at, "x", "added", "y", "", None), "cd" * 32)
    connection.execute(
        "UPDATE audit SET at = '2026-03-10 00:00:00.000000', who = 'x', what = 'added',"
        " subject = 'y', detail = '', recording_id = NULL WHERE id = ?",
        (entry,),
    )
    chain = chain_digest(before[0] if before else START.hex(), digest, number)
    connection.execute(
        "UPDATE audit_chain SET salt = ?, content_sha256 = ?, chain_sha256 = ? WHERE number = ?",
        ("cd" * 32, digest, chain, number),
    )


@pytest.fixture(scope="module")
def copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    yield tmp_path_factory.mktemp("tampered")


HOW = (
    "change", "salt", "digest", "chain", "remove entry", "remove both", "insert", "empty",
    "rewrite",
)  # fmt: skip


@pytest.mark.trust
@settings(max_examples=40)
@given(how=st.sampled_from(HOW), data=st.data())
def test_any_single_tampering_is_found(
    whole: Path, copies: Path, record_number: Callable[..., None], how: str, data: st.DataObject
) -> None:
    with closing(sqlite3.connect(whole / FILE)) as connection:
        links = connection.execute("SELECT number, salt FROM audit_chain").fetchall()
    # Emptying what an erasure emptied changes nothing, and what is empty cannot lose its salt.
    full = [number for number, salt in links if salt is not None]
    number = data.draw(st.sampled_from(full), "number")
    column = data.draw(st.sampled_from(sorted(CHANGES)), "column")
    _check_found(whole, copies, how, number, column)
    record_number("records tampered with, each found")


def _check_found(whole: Path, copies: Path, how: str, number: int, column: str) -> None:
    folder = copies / "unit"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(whole, folder)
    with closing(sqlite3.connect(folder / FILE)) as connection:
        for guard in GUARDS:
            connection.execute(f"DROP TRIGGER {guard}")
        (last,) = connection.execute("SELECT count FROM audit_head").fetchone()
        (erasing,) = connection.execute(
            "SELECT number FROM audit_chain JOIN audit ON audit.id = audit_id WHERE what = 'erased'"
        ).fetchone()
        _tamper(connection, how, number, column)
        connection.commit()
    with open_store(folder) as store:
        report = store.verify_audit()
    assert not report.holds and report.why
    if how == "insert":
        assert report.first_bad == last + 1
    elif number == erasing:
        # Without it nothing says why those before it are empty.
        assert report.first_bad is not None and report.first_bad <= number + 1
    elif how == "rewrite" and number < last:
        assert report.first_bad == number + 1, "its own link fits; the next one does not"
    else:
        assert report.first_bad == number


@pytest.mark.parametrize("column", sorted(CHANGES))
def test_every_field_of_an_entry_counts(whole: Path, copies: Path, column: str) -> None:
    _check_found(whole, copies, "change", 3, column)


def test_a_field_of_another_kind_is_found_too(whole: Path, copies: Path) -> None:
    """A file of SQLite takes anything anywhere."""
    folder = copies / "kinds"
    shutil.copytree(whole, folder)
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("DROP TRIGGER audit_is_only_emptied")
        connection.execute("UPDATE audit SET at = 'yesterday', who = x'00ff' WHERE id = 2")
        connection.commit()
    with open_store(folder) as store:
        assert store.verify_audit().first_bad == 2


def test_filling_an_emptied_entry_is_found(whole: Path, copies: Path) -> None:
    folder = copies / "filled"
    shutil.copytree(whole, folder)
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("DROP TRIGGER audit_is_only_emptied")
        (number,) = connection.execute(
            "SELECT min(number) FROM audit_chain WHERE salt IS NULL"
        ).fetchone()
        connection.execute(
            "UPDATE audit SET subject = 'person P-9' WHERE id ="
            " (SELECT audit_id FROM audit_chain WHERE number = ?)",
            (number,),
        )
        connection.commit()
    with open_store(folder) as store:
        report = store.verify_audit()
    assert (report.first_bad, report.why) == (number, "it was changed after it was emptied")


@pytest.mark.parametrize("gone", [1, 4])
def test_a_cut_tail_is_found_even_where_its_end_was_moved(
    whole: Path, copies: Path, gone: int
) -> None:
    """The note of the end tells it; if that was moved too, the digest written down elsewhere."""
    folder = copies / f"cut {gone}"
    shutil.copytree(whole, folder)
    with open_store(folder) as store:
        written_down = store.verify_audit()
    last = written_down.count
    with closing(sqlite3.connect(folder / FILE)) as connection:
        for guard in GUARDS:
            connection.execute(f"DROP TRIGGER {guard}")
        for number in range(last - gone + 1, last + 1):
            _tamper(connection, "remove both", number, "")
        connection.commit()
        with open_store(folder) as store:
            report = store.verify_audit()
        assert report.first_bad == last - gone + 1
        assert report.why == "it is missing, with all after it"
        connection.execute(
            "UPDATE audit_head SET count = ?, chain_sha256 ="
            " (SELECT chain_sha256 FROM audit_chain ORDER BY number DESC LIMIT 1)",
            (last - gone,),
        )
        connection.commit()
    with open_store(folder) as store:
        assert store.verify_audit().holds, "nobody can tell without what was written down"
        report = store.verify_audit(written_down.chain_sha256)
        assert not report.holds and "written down" in report.why


def test_what_was_written_down_still_fits_after_more_was_done(
    tmp_path: Path, analysis: Analysis
) -> None:
    store, session = analysed_store(tmp_path, analysis)
    written_down = store.verify_audit()
    store.comment(session, "later", by=BY)
    report = store.verify_audit(written_down.chain_sha256.upper())
    assert report.holds and report.matched == written_down.count < report.count


def _links(count: int) -> list[Link]:
    links, before = [], START.hex()
    for number in range(1, count + 1):
        content = AuditContent(
            datetime(TODAY.year, 1, 1, tzinfo=UTC), "x", "added", f"person {number}", "", None
        )
        digest = content_digest(content, f"{number:064x}")
        before = chain_digest(before, digest, number)
        links.append(Link(number, content, f"{number:064x}", digest, before))
    return links


@given(count=st.integers(2, 12), data=st.data())
def test_two_entries_that_changed_places_are_found(count: int, data: st.DataObject) -> None:
    """With their whole links: each link names its number and the one before."""
    links = _links(count)
    head = (count, links[-1].chain_sha256)
    assert verify_chain(links, head).holds
    one, other = sorted(
        data.draw(st.lists(st.integers(0, count - 1), min_size=2, max_size=2, unique=True))
    )
    moved = list(links)
    for place, source in ((one, links[other]), (other, links[one])):
        moved[place] = Link(
            place + 1, source.content, source.salt, source.content_sha256, source.chain_sha256
        )
    assert verify_chain(moved, head).first_bad == one + 1
