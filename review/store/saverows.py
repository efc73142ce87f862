"""Filling a fresh file of records with the rows that can be read of a damaged one.

Rows are taken as they are, to the letter. The fresh file's own rules decide whether they fit:
ids, uniqueness, and that what a row belongs to is there.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from review.store.salvaged import Salvaged, TableSaved
from review.store.sqlitepages import PageFile, RawRow, Tree, Value

SCHEMA_ROOT: Final = 1
NOT_ENTERED: Final = frozenset({"sqlite_sequence", "sqlite_stat1", "alembic_version"})
"""Tables of the database's own bookkeeping."""

POINTS_WITHOUT_A_RULE: Final = (("audit", "recording_id", "recordings"),)
"""Columns that name a row without needing it to be there: table, column, table named."""

_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d(\.\d+)?")
_REVISION = re.compile(r"r\d{4}")


@dataclass(frozen=True, slots=True)
class Plan:
    """A table of the fresh file.

    Attributes:
        name: of the table.
        columns, kinds: names and declared types, in order.
        needed: which columns may not be empty and have no value of their own accord.
        id_at: the column that lies in a row's id; None where none does.
        points: columns that name a row of another table, and that table.
        counts: whether its ids are never used twice.
    """

    name: str
    columns: tuple[str, ...]
    kinds: tuple[str, ...]
    needed: tuple[bool, ...]
    id_at: int | None
    points: tuple[tuple[int, str], ...]
    counts: bool

    def fitted(self, row: RawRow) -> tuple[Value, ...] | None:
        """The row's values, or None if it cannot be of this table.

        There are fewer than columns where columns were added after the row was written.
        """
        if len(row.values) > len(self.columns) or any(self.needed[len(row.values) :]):
            return None
        values = list(row.values)
        if self.id_at is not None:
            if values[self.id_at : self.id_at + 1] != [None]:
                return None
            values[self.id_at] = row.rowid
        checks = zip(values, self.kinds, self.needed, strict=False)
        return tuple(values) if all(_is_of(*check) for check in checks) else None

    def may_hold(self, rows: Sequence[RawRow]) -> bool:
        """Whether all of these rows can be of this table, by their form and length."""
        fitted = [self.fitted(row) for row in rows]
        return all(
            values is not None and all(map(_is_short, values, self.kinds)) for values in fitted
        )

    def insertion(self, count: int) -> str:
        """The statement that puts in a row with values for the first columns."""
        columns = ", ".join(f'"{column}"' for column in self.columns[:count])
        return f'INSERT INTO "{self.name}" ({columns}) VALUES ({", ".join("?" * count)})'


def _is_of(value: Value, kind: str, needed: bool) -> bool:
    """Whether a value can stand in a column of this declared type."""
    if value is None:
        return not needed
    match kind.split("(")[0]:
        case "INTEGER" | "BOOLEAN":
            return isinstance(value, int)
        case "FLOAT":
            return isinstance(value, int | float)
        case "DATE":
            return isinstance(value, str) and _DAY.fullmatch(value) is not None
        case "DATETIME":
            return isinstance(value, str) and _MOMENT.fullmatch(value) is not None
        case _:
            return isinstance(value, str)


def _is_short(value: Value, kind: str) -> bool:
    """Whether a text keeps to the length that its column was declared with, if it was."""
    longest = re.fullmatch(r"VARCHAR\((\d+)\)", kind)
    return not isinstance(value, str) or longest is None or len(value) <= int(longest[1])


# --- what the damaged file says about itself -------------------------------------------------


def roots_of(pages: PageFile) -> dict[str, int]:
    """The page at which each table begins, as far as that can be read."""
    schema = pages.tree(SCHEMA_ROOT)
    rows = schema.rows
    if not schema.is_whole:
        rows = [*rows, *_rows_where(pages, _is_schema)]
    return {
        str(row.values[1]): int(row.values[3] or 0)
        for row in rows
        if _is_schema(row) and row.values[0] == "table"
    }


def _is_schema(row: RawRow) -> bool:
    if len(row.values) != 5 or row.values[0] not in ("table", "index", "trigger", "view"):
        return False
    return isinstance(row.values[1], str) and isinstance(row.values[3], int)


def form_of(pages: PageFile, roots: dict[str, int], otherwise: str) -> str:
    """The form (revision) of the damaged records, or ``otherwise`` if it can't be read."""
    root = roots.get("alembic_version")
    rows = pages.tree(root).rows if root else []
    rows = rows or list(_rows_where(pages, _is_form))
    said = [row.values[0] for row in rows if len(row.values) == 1]
    return next((form for form in said if isinstance(form, str)), otherwise)


def _is_form(row: RawRow) -> bool:
    return len(row.values) == 1 and _REVISION.fullmatch(str(row.values[0])) is not None


def _highest_ids(pages: PageFile, roots: dict[str, int]) -> dict[str, int]:
    """The highest id ever given, by table."""
    root = roots.get("sqlite_sequence")
    rows = pages.tree(root).rows if root else []
    rows = rows or list(_rows_where(pages, _is_highest))
    return {str(row.values[0]): row.values[1] for row in rows if _is_highest(row)}  # type: ignore[misc]


def _is_highest(row: RawRow) -> bool:
    kinds = tuple(type(value) for value in row.values)
    return kinds == (str, int)


def _rows_where(pages: PageFile, wanted: Callable[[RawRow], bool]) -> Iterator[RawRow]:
    """Rows of pages that nothing leads to, all of whose rows are of the wanted kind."""
    for rows, _ in pages.strays(claim=False):
        if rows and all(map(wanted, rows)):
            yield from rows


# --- filling ---------------------------------------------------------------------------------


class Filling:
    """Fills one fresh file."""

    def __init__(
        self,
        fresh: sqlite3.Connection,
        pages: PageFile,
        roots: dict[str, int],
        saved: Salvaged,
    ) -> None:
        self._fresh, self._pages, self._roots, self._saved = fresh, pages, roots, saved
        self._plans = plans_of(fresh)
        self._left_over: list[str] = []
        self._highest = _highest_ids(pages, roots)

    def fill(self) -> list[str]:
        """Put in all that fits; gives the rest, each row as JSON."""
        found = self._read_tables()
        self._place_strays(found)
        guards = _rows(self._fresh, "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        self._fresh.execute("PRAGMA foreign_keys = ON")
        self._fresh.execute("BEGIN IMMEDIATE")
        for name, _ in guards:
            self._fresh.execute(f'DROP TRIGGER "{name}"')
        for plan in self._plans:
            self._put(plan, found[plan.name])
        for plan in self._plans:
            self._never_again(plan)
        _mend_the_end_of_the_audit(self._fresh)
        for _, sql in guards:
            self._fresh.execute(str(sql))
        self._fresh.execute("COMMIT")
        return self._left_over

    def _read_tables(self) -> dict[str, Tree]:
        found = {
            name: self._pages.tree(root)
            for name, root in self._roots.items()
            if name not in NOT_ENTERED
        }
        # A table that is nowhere listed begins on a page that was lost.
        return found | {
            plan.name: Tree(lost_pages=1) for plan in self._plans if plan.name not in found
        }

    def _place_strays(self, found: dict[str, Tree]) -> None:
        """Pages that no tree leads to any more belong to a table of which something is lost."""
        torn = [plan for plan in self._plans if not found[plan.name].is_whole]
        unclear: list[tuple[list[RawRow], int]] = []
        for rows, lost in self._pages.strays():
            bookkeeping = any(all(map(kind, rows)) for kind in (_is_schema, _is_form, _is_highest))
            if not rows or bookkeeping:
                continue
            fitting = [plan for plan in torn if plan.may_hold(rows)]
            if len(fitting) == 1:
                _add(found[fitting[0].name], rows, lost)
            else:
                unclear.append((rows, lost))
        for rows, lost in unclear:
            # Of several that have the same form, the one whose rows belong to something.
            fitting = [p for p in torn if p.may_hold(rows) and _belong(p, rows, found)]
            if len(fitting) == 1:
                _add(found[fitting[0].name], rows, lost)
                continue
            self._saved.unplaced += len(rows)
            for row in rows:
                self._set_aside("?", row.values, "of which table it is cannot be told")
        for tree in found.values():
            tree.rows.sort(key=lambda row: row.rowid)

    def _put(self, plan: Plan, tree: Tree) -> None:
        """The rows of one table, in place of what a fresh file holds from the start."""
        state = TableSaved(lost_pages=tree.lost_pages, lost_rows=tree.lost_rows)
        self._saved.tables[plan.name] = state
        if tree.rows:
            self._fresh.execute(f'DELETE FROM "{plan.name}"')
        for row in tree.rows:
            values = plan.fitted(row)
            if values is None:
                state.left_over += 1
                self._set_aside(plan.name, row.values, "it has another form")
                continue
            self._note_ids(plan, values)
            try:
                self._fresh.execute(plan.insertion(len(values)), values)
                state.kept += 1
            except sqlite3.IntegrityError as error:
                state.left_over += 1
                self._set_aside(plan.name, values, str(error))

    def _note_ids(self, plan: Plan, values: Sequence[Value]) -> None:
        """Ids that were given, by this row or because this row names them."""
        named = [(plan.id_at, plan.name)] if plan.id_at is not None and plan.counts else []
        for at, table in (*named, *plan.points):
            number = values[at]
            if isinstance(number, int):
                self._highest[table] = max(self._highest.get(table, 0), number)

    def _never_again(self, plan: Plan) -> None:
        if not plan.counts:
            return
        highest = self._highest.get(plan.name, 0)
        state = self._saved.tables[plan.name]
        if not state.is_whole:
            state.ids_missing = max(0, highest - state.kept)
        self._fresh.execute("DELETE FROM sqlite_sequence WHERE name = ?", (plan.name,))
        self._fresh.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (plan.name, highest))

    def _set_aside(self, table: str, values: Sequence[Value], why: str) -> None:
        said = [value.hex() if isinstance(value, bytes) else value for value in values]
        row = {"table": table, "why": why, "values": said}
        self._left_over.append(json.dumps(row, ensure_ascii=False))


def _add(tree: Tree, rows: Sequence[RawRow], lost: int) -> None:
    """Rows of a stray page, but for those that are there already."""
    there = {row.rowid for row in tree.rows}
    tree.rows += [row for row in rows if row.rowid not in there]
    tree.lost_rows += lost


def _belong(plan: Plan, rows: Sequence[RawRow], found: dict[str, Tree]) -> bool:
    """Whether any row names a row by its id that is there."""
    for at, table in plan.points:
        there = {row.rowid for row in found[table].rows}
        named = {row.values[at] for row in rows if at < len(row.values)}
        if all(isinstance(value, int) for value in named) and not named & there:
            return False
    return True


def _mend_the_end_of_the_audit(fresh: sqlite3.Connection) -> None:
    """Where the note of the chain's end was lost, the last link that is there is the end."""
    if not _rows(fresh, "SELECT 1 FROM sqlite_master WHERE name = 'audit_head'"):
        return
    last = _rows(fresh, "SELECT number, chain_sha256 FROM audit_chain ORDER BY number DESC LIMIT 1")
    head = _rows(fresh, "SELECT id, count FROM audit_head")
    if last and (not head or int(head[0][1]) < int(last[0][0])):  # type: ignore[call-overload]
        fresh.execute("DELETE FROM audit_head")
        fresh.execute("INSERT INTO audit_head VALUES (1, ?, ?)", last[0])


# --- the fresh file --------------------------------------------------------------------------


def plans_of(fresh: sqlite3.Connection) -> list[Plan]:
    """The tables of a fresh file, each after those that it names."""
    made = _rows(
        fresh,
        "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'",
    )
    waiting = {
        str(name): _plan(fresh, str(name), str(sql))
        for name, sql in made
        if name not in NOT_ENTERED
    }
    done: list[Plan] = []
    while waiting:
        ready = [
            plan
            for plan in waiting.values()
            if not {table for _, table in plan.points if table != plan.name} & set(waiting)
        ] or list(waiting.values())
        done += ready
        for plan in ready:
            del waiting[plan.name]
    return done


def _plan(fresh: sqlite3.Connection, name: str, sql: str) -> Plan:
    columns = _rows(fresh, f'PRAGMA table_info("{name}")')  # cid, name, type, notnull, default, pk
    names = tuple(str(column[1]) for column in columns)
    keys = [n for n, column in enumerate(columns) if column[5]]
    id_at = keys[0] if len(keys) == 1 and columns[keys[0]][2] == "INTEGER" else None
    points = [
        (names.index(str(row[3])), str(row[2]))
        for row in _rows(fresh, f'PRAGMA foreign_key_list("{name}")')
    ]
    points += [
        (names.index(column), named)
        for table, column, named in POINTS_WITHOUT_A_RULE
        if table == name
    ]
    return Plan(
        name=name,
        columns=names,
        kinds=tuple(str(column[2]) for column in columns),
        needed=tuple(bool(column[3]) and column[4] is None for column in columns),
        id_at=id_at,
        points=tuple(points),
        counts="AUTOINCREMENT" in sql.upper(),
    )


def _rows(connection: sqlite3.Connection, query: str) -> list[tuple[object, ...]]:
    return connection.execute(query).fetchall()
