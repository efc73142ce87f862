"""Saving what can be read of damaged records: never more than was there, never less than can be."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from review.analysis import Analysis
from review.store import StoreError, flag_topic, open_store
from review.store.salvage import salvage
from review.store.salvaged import LEFT_OVER, REPORT
from review.store.saverows import NOT_ENTERED, plans_of
from review.store.sqlitepages import PageFile
from review.store.store import FILE
from tests.oldstores import ROWS, first_store, rows_of_the_first_form
from tests.stores import BY, TODAY, Clock, add_unit

Rows = dict[str, set[tuple[object, ...]]]

ADDS_AUDIT = {"audit", "audit_chain", "audit_head"}
"""Tables to which the salvage itself adds what it did."""

WORKED_OUT = {"session_figures", "target_results"}
"""Tables that are worked out anew where they were lost."""


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of 40 persons with two dozen reviewed sessions; every tree has several pages."""
    from tests.documents import example_analysis

    analysis: Analysis = example_analysis()
    folder = tmp_path_factory.mktemp("whole") / "unit"
    with open_store(folder, clock=Clock()) as store:
        add_unit(store, people=40)
        store.withdraw_consent(3, by=BY)
        for number in range(24):
            entry = store.add_session(
                analysis, person=f"P-{10 + number % 12}", trainer="T-1", taken_on=TODAY, by=BY
            )
            for flag in analysis.flags:
                store.decide(
                    entry.id, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
                    topic=flag_topic(flag), verdict="agree", comment=f"said {number} " * 9, by=BY,
                )  # fmt: skip
            store.comment(entry.id, f"remark {number} " * 30, by=BY)
            store.answer(entry.id, item=f"item {number}", answer="done", by=BY)
            store.add_moment(entry.id, start_s=1.0, end_s=2.0, text="a moment " * 20, by=BY)
            store.correct(entry.id, windows=[("connect", 1.0, 2.5)], by=BY)
            store.sign(
                entry.id, name="Tess", on=TODAY, outcome="signed_off", recheck_on=None, by=BY
            )
    return folder


@pytest.fixture
def damaged(unit: Path, tmp_path: Path) -> Path:
    """A copy to damage."""
    return Path(shutil.copytree(unit, tmp_path / "damaged"))


def rows_of(folder: Path) -> Rows:
    """Every row of every table, read by SQLite."""
    with closing(sqlite3.connect(folder / FILE)) as connection:
        named = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        return {
            name: set(connection.execute(f'SELECT * FROM "{name}"').fetchall())
            for (name,) in named
            if name not in NOT_ENTERED
        }


@dataclass(frozen=True)
class Page:
    number: int
    table: str
    kind: str
    rows: int


def pages_of(folder: Path) -> list[Page]:
    """Every page by SQLite's own account of it (its virtual table dbstat)."""
    with closing(sqlite3.connect(folder / FILE)) as connection:
        try:
            found = connection.execute("SELECT pageno, name, pagetype, ncell FROM dbstat")
        except sqlite3.OperationalError as error:
            pytest.skip(f"this SQLite was built without dbstat, the outside account ({error})")
        return [Page(*row) for row in found]


def spoil(folder: Path, pages: list[int], content: Callable[[int], bytes]) -> None:
    with (folder / FILE).open("r+b") as stream:
        for number in pages:
            stream.seek((number - 1) * 4096)
            stream.write(content(4096))


def noise(seed: int) -> Callable[[int], bytes]:
    return random.Random(seed).randbytes


def check_saved(before: Rows, folder: Path) -> Rows:
    """Sound by SQLite's own checks, opened by the program, and nothing in it that was not."""
    with closing(sqlite3.connect(folder / FILE)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    with open_store(folder) as store:
        store.session_rows()
        store.add_person("P-after", by=BY)
    after = rows_of(folder)
    after["people"] = {row for row in after["people"] if row[0] != "P-after"}
    for name in after:
        if name not in ADDS_AUDIT | WORKED_OUT | {"withdrawals"}:
            assert after[name] <= before[name], f"{name} holds rows that were never there"
    return after


def lost(before: Rows, after: Rows) -> dict[str, int]:
    """Rows that are gone, by table."""
    gone = {name: len(before[name] - after[name]) for name in before if name not in WORKED_OUT}
    return {name: count for name, count in gone.items() if count and name != "audit_head"}


def test_sound_records_are_saved_to_the_last_row(unit: Path, tmp_path: Path) -> None:
    before = rows_of(unit)
    content = {path.name: path.read_bytes() for path in unit.iterdir() if path.is_file()}
    saved = salvage(unit, tmp_path / "new")
    assert saved.is_whole and saved.consents_withdrawn == 0
    assert saved.kept == sum(map(len, before.values()))
    after = check_saved(before, tmp_path / "new")
    assert lost(before, after) == {}
    assert "Nothing was lost" in (tmp_path / "new" / REPORT).read_text()
    assert not (tmp_path / "new" / LEFT_OVER).exists()
    now = {path.name: path.read_bytes() for path in unit.iterdir() if path.is_file()}
    assert now == content, "the old folder was touched"
    with open_store(tmp_path / "new") as store:
        assert store.verify_audit().holds


def test_what_is_still_in_the_log_is_saved_too(unit: Path, tmp_path: Path) -> None:
    """Copied while it is open: the newest rows are in the log alone."""
    with open_store(unit) as store:
        session = store.recordings()[0].id
        kept = store.comment(session, "said a moment ago", by=BY)
        Path(shutil.copytree(unit, tmp_path / "old"))
    assert b"said a moment ago" not in (tmp_path / "old" / FILE).read_bytes()
    assert salvage(tmp_path / "old", tmp_path / "new").is_whole
    with open_store(tmp_path / "new") as store:
        assert store.comments(session)[-1] == kept


@pytest.mark.parametrize("table", ["decisions", "audit", "corrections", "comments"])
def test_a_lost_page_costs_its_own_rows_and_no_others(damaged: Path, table: str) -> None:
    before = rows_of(damaged)
    page = next(p for p in pages_of(damaged) if p.table == table and p.kind == "leaf" and p.rows)
    spoil(damaged, [page.number], bytes)
    saved = salvage(damaged, damaged.with_name("new"))
    after = check_saved(before, damaged.with_name("new"))
    gone = lost(before, after)
    # A link of the audit's chain belongs to its entry and goes with it.
    also = {"audit_chain": page.rows} if table == "audit" else {}
    assert gone == {table: page.rows} | also
    assert saved.tables[table].lost_pages == 1 and not saved.is_whole
    assert saved.consents_withdrawn == 0
    with open_store(damaged.with_name("new")) as store:
        report = store.verify_audit()
        assert report.holds == (table != "audit"), report


@pytest.mark.parametrize("what", ["the first page", "a page of branches", "the list of tables"])
def test_rows_are_found_though_nothing_leads_to_them(damaged: Path, what: str) -> None:
    before = rows_of(damaged)
    pages = pages_of(damaged)
    if what == "the first page":
        spoiled = [1]
    elif what == "the list of tables":
        spoiled = [p.number for p in pages if p.table in ("sqlite_schema", "sqlite_master")]
    else:
        spoiled = [p.number for p in pages if p.kind == "internal" and p.table == "decisions"]
    assert spoiled
    spoil(damaged, spoiled, noise(1))
    saved = salvage(damaged, damaged.with_name("new"))
    after = check_saved(before, damaged.with_name("new"))
    assert lost(before, after) == {}, saved.lines()
    assert saved.free_pages_known == (1 not in spoiled)


def test_consents_do_not_come_back_when_a_withdrawal_is_lost(damaged: Path) -> None:
    """The page of withdrawals is lost: P-3's consent, taken back, must not count again."""
    with open_store(damaged) as store:
        assert store.current_consent("P-3") is None
        standing = sum(store.current_consent(p.code) is not None for p in store.people())
    spoil(damaged, [p.number for p in pages_of(damaged) if p.table == "withdrawals"], bytes)
    saved = salvage(damaged, damaged.with_name("new"))
    assert saved.consents_withdrawn == standing + 1
    with open_store(damaged.with_name("new")) as store:
        assert [p.code for p in store.people() if store.current_consent(p.code)] == []
        assert store.session_rows() == ()
    assert "record their consents anew" in (damaged.with_name("new") / REPORT).read_text()


def test_ids_of_lost_rows_are_never_given_again(damaged: Path) -> None:
    pages = pages_of(damaged)
    last = max(p.number for p in pages if p.table == "comments" and p.kind == "leaf")
    highest = max(int(str(row[0])) for row in rows_of(damaged)["comments"])
    ids = [p.number for p in pages if p.table == "sqlite_sequence"]
    spoil(damaged, [last], bytes)
    salvage(damaged, damaged.with_name("new"))
    with open_store(damaged.with_name("new")) as store:
        session = store.recordings()[0].id
        assert store.comment(session, "new", by=BY).id == highest + 1
    # Even where the list of the highest ids is gone: what other rows name was given.
    recordings = [p.number for p in pages if p.table == "recordings" and p.kind == "leaf"]
    spoil(damaged, [*ids, *recordings], bytes)
    salvage(damaged, damaged.with_name("newer"))
    with open_store(damaged.with_name("newer")) as store:
        store.add_consent("P-20", purposes=("review",), until=None, sound=False, by=BY)
        from tests.documents import example_analysis

        entry = store.add_session(
            example_analysis(), person="P-20", trainer="T-1", taken_on=TODAY, by=BY
        )
        assert entry.id == 25, "there were 24 recordings"


def test_rows_without_what_they_belong_to_are_written_beside(damaged: Path) -> None:
    before = rows_of(damaged)
    spoil(
        damaged,
        [p.number for p in pages_of(damaged) if p.table == "recordings" and p.kind == "leaf"],
        bytes,
    )
    saved = salvage(damaged, damaged.with_name("new"))
    after = check_saved(before, damaged.with_name("new"))
    assert not after["recordings"] and not after["decisions"]
    said = (damaged.with_name("new") / LEFT_OVER).read_text().splitlines()
    beside = [json.loads(line) for line in said]
    assert sum(row["table"] == "decisions" for row in beside) == len(before["decisions"])
    assert {tuple(r["values"]) for r in beside if r["table"] == "comments"} == before["comments"]
    assert saved.tables["comments"].left_over == len(before["comments"])


def test_deleted_rows_do_not_come_back(damaged: Path) -> None:
    """Deleted by SQLite with their pages given free, and kept there on purpose."""
    with closing(sqlite3.connect(damaged / FILE, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute("DELETE FROM comments")
    assert b"remark 7" in (damaged / FILE).read_bytes()
    internal = [p.number for p in pages_of(damaged) if p.table == "decisions"][:1]
    spoil(damaged, internal, bytes)
    salvage(damaged, damaged.with_name("new"))
    assert rows_of(damaged.with_name("new"))["comments"] == set()
    assert b"remark 7" not in (damaged.with_name("new") / FILE).read_bytes()


@pytest.mark.trust
@pytest.mark.slow
def test_damage_at_many_places(
    unit: Path,
    tmp_path: Path,
    how_many: Callable[[int, int], int],
    record_number: Callable[..., None],
) -> None:
    """Seeded damage of up to four pages: what SQLite's account says is elsewhere is all there.

    Where SQLite's own command is at hand, at least as many rows are saved as its '.recover' finds.
    """
    before, pages = rows_of(unit), pages_of(unit)
    of = {p.number: p for p in pages}
    for seed in range(how_many(6, 60)):
        rng = random.Random(seed)
        old, new = tmp_path / f"old {seed}", tmp_path / f"new {seed}"
        shutil.copytree(unit, old)
        spoiled = rng.sample([p.number for p in pages], rng.randint(1, 4))
        spoil(old, spoiled, bytes if seed % 2 else rng.randbytes)
        salvage(old, new)
        after = check_saved(before, new)
        allowed: dict[str, int] = {}
        for page in (of[number] for number in spoiled):
            # One overflow page holds part of one row.
            cost = page.rows if page.kind == "leaf" else int(page.kind == "overflow")
            allowed[page.table] = allowed.get(page.table, 0) + cost
        followers = bool(allowed.keys() & {"people", "trainers", "recordings", "consents", "audit"})
        for name, count in lost(before, after).items():
            assert followers or count <= allowed.get(name, 0), (seed, name, count, allowed)
        saved, all_rows = sum(map(len, after.values())), sum(map(len, before.values()))
        record_number("rows in damaged records", all_rows)
        record_number("rows saved of them", sum(len(after[n] & before[n]) for n in before))
        found = recovered(old, tmp_path / f"recovered {seed}.sqlite")
        assert found is None or followers or saved >= found, (seed, saved, found)
        shutil.rmtree(old)
    record_number("records damaged and saved", how_many(6, 60))


def recovered(folder: Path, target: Path) -> int | None:
    """Rows that SQLite's command-line tool recovers into the tables; None without the tool."""
    tool = shutil.which("sqlite3")
    if tool is None:
        return None
    script = subprocess.run(
        [tool, str(folder / FILE), ".recover"], capture_output=True, timeout=60, check=False
    ).stdout
    subprocess.run([tool, str(target)], input=script, capture_output=True, timeout=60, check=False)
    with closing(sqlite3.connect(target)) as connection:
        tables = [r[0] for r in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            " AND name NOT LIKE 'lost_and_found%' AND name <> 'alembic_version'"
        )]  # fmt: skip
        return sum(
            connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in tables
        )


# --- what is refused -------------------------------------------------------------------------


def test_places_that_will_not_do(unit: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there are no records"):
        salvage(tmp_path, tmp_path / "new")
    with pytest.raises(StoreError, match="choose a new folder"):
        salvage(unit, tmp_path)
    with pytest.raises(StoreError, match="choose a new folder"):
        salvage(unit, unit / "new")
    assert list(tmp_path.iterdir()) == []


def test_something_that_was_never_records(tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / FILE).write_text("this is a letter, not a database\n" * 500)
    saved = salvage(tmp_path / "old", tmp_path / "new")
    assert saved.kept == 0 and not saved.is_whole
    (tmp_path / "old" / FILE).write_bytes(b"")
    assert salvage(tmp_path / "old", tmp_path / "newer").kept == 0


def test_records_of_a_newer_release_are_left_alone(damaged: Path) -> None:
    with closing(sqlite3.connect(damaged / FILE)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r7777'")
        connection.commit()
    with pytest.raises(StoreError, match="newer release"):
        salvage(damaged, damaged.with_name("new"))
    assert not list(damaged.parent.glob("*new*"))


def test_the_reader_agrees_with_sqlite_on_values(tmp_path: Path) -> None:
    """Every kind of value, at its edges, in rows from a few bytes to many overflow pages."""
    rng = random.Random(3)
    numbers = [0, 1, -1, 127, 128, -128, -129, 2**15, 2**23, -(2**23), 2**31, 2**47, 2**63 - 1]
    values = [None, *numbers, -(2**63), 0.0, -1.5, 1e300, "", "é" * 5, b"", b"\0\xff"]
    values += ["x" * n for n in (4000, 4057, 4058, 4059, 4060, 4061, 4062, 8150, 100_000)]
    rows = [(n - 20, rng.choice(values), rng.choice(values)) for n in range(400)]
    place = tmp_path / "x.sqlite"
    with closing(sqlite3.connect(place)) as connection:
        connection.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, a, b)")
        connection.executemany("INSERT INTO t VALUES (?, ?, ?)", rows)
        connection.commit()
        root = connection.execute("SELECT rootpage FROM sqlite_master").fetchone()[0]
    with PageFile(place) as pages:
        tree = pages.tree(root)
    assert tree.is_whole
    found = [(row.rowid, *row.values[1:]) for row in tree.rows]
    assert repr(found) == repr(rows)


def test_tables_come_after_those_they_name(unit: Path) -> None:
    with closing(sqlite3.connect(unit / FILE)) as connection:
        plans = plans_of(connection)
    names = [plan.name for plan in plans]
    assert set(names) == set(rows_of(unit))
    for place, plan in enumerate(plans):
        assert {table for _, table in plan.points} <= set(names[: place + 1]), plan.name


def test_rows_from_before_a_column_was_added_are_saved(tmp_path: Path) -> None:
    """Records of the first form, brought up to date: old rows are shorter than their tables."""
    old = first_store(tmp_path / "old")
    open_store(old).close()
    before = rows_of(old)
    saved = salvage(old, tmp_path / "new")
    assert saved.is_whole, saved.lines()
    assert lost(before, check_saved(before, tmp_path / "new")) == {}


def test_records_of_an_older_form_are_saved_and_brought_up_to_date(tmp_path: Path) -> None:
    old = first_store(tmp_path / "old")
    assert salvage(old, tmp_path / "new").is_whole
    expected = {table: sorted(rows) for table, rows in ROWS.items() if table != "audit"}
    found = rows_of_the_first_form(tmp_path / "new" / FILE)
    assert {table: found[table] for table in expected} == expected
    assert set(ROWS["audit"]) < set(found["audit"])
    assert rows_of_the_first_form(old / FILE)["audit"] == ROWS["audit"], "the old one is as it was"
