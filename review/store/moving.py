"""All rows from one database to another: a file's to a server, and a server's to a file.

The rows arrive as they were, the audit's chain among them, and numbers that were used once are
not used again there either. It is one transaction on each side: all or nothing.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import URL, Connection, Engine, Table, create_engine, func, insert, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import StaticPool

from review.store.database import HEAD, Database, make_file, sqlite_url
from review.store.records import StoreError
from review.store.server import (
    ADDRESS_FILE,
    address_of,
    checked_address,
    keep_address,
    shown,
)
from review.store.store import FILE
from review.store.tables import Base
from review.wholefile import whole_file

MOVED: Final = "records.moved.sqlite"
"""What the file is called once its rows are on a server: one more older copy of the records."""

_AT_ONCE: Final = 500
"""Rows sent in one piece; an analysis of hours is a few MiB."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What was moved.

    Attributes:
        address: for people, without a password.
        rows: how many; 0 for new records.
        old_file: where the file is now; None where there was none.
    """

    address: str
    rows: int
    old_file: Path | None


def move_to_server(folder: Path | str, address: str) -> Moved:
    """From now on the rows of these records are in a database of a server; files stay here.

    Args:
        folder: of the records; new records are made where it holds none.
        address: of an empty database.

    Raises:
        StoreError: if they are on a server already, are open in another program or damaged, or
            the database cannot be used or is not empty. Nothing is changed then.
    """
    folder = Path(folder).absolute()
    file = folder / FILE
    if address_of(folder) is not None:
        raise StoreError(f"{folder}: these records are on a server already ({ADDRESS_FILE}).")
    url = checked_address(address)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise StoreError(f"{folder}: it cannot be made ({error.strerror or error}).") from error
    target = Database(url)
    try:
        if not file.exists():
            with target.writing() as session:
                _check_empty(session.connection(), target.place)
                keep_address(folder, target.url)
            return Moved(shown(url), 0, None)
        Database(sqlite_url(file)).close()  # brought up to date
        with _alone(file) as source:
            with target.writing() as session:
                _check_empty(session.connection(), target.place)
                rows = copy_rows(source, session.connection())
            # Written while the old file is held: from here on everybody finds the new place.
            keep_address(folder, target.url)
            file.rename(folder / MOVED)
        return Moved(shown(url), rows, folder / MOVED)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{file}: it could not be moved ({error}).") from error
    finally:
        target.close()


def _check_empty(connection: Connection, place: str) -> None:
    for table in Base.metadata.sorted_tables:
        if connection.execute(select(table).limit(1)).first() is not None:
            raise StoreError(
                f"{place}: this database holds records already. Make an empty one for these."
            )


@contextmanager
def _alone(file: Path) -> Iterator[Connection]:
    """A file of records, held so that nobody else reads or writes it.

    Raises:
        StoreError: if another program has it open, or it is damaged.
    """
    with closing(sqlite3.connect(file, isolation_level=None, check_same_thread=False)) as held:
        try:
            # Leaving the write-ahead log works only where nobody else has the file open.
            mode = held.execute("PRAGMA journal_mode = DELETE").fetchone()[0]
            if mode != "delete":
                raise sqlite3.OperationalError(mode)
            held.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            raise StoreError(
                f"{file}: another program has these records open ({error}). Stop the pages and "
                "the analyses, then try again."
            ) from error
        sound = held.execute("PRAGMA integrity_check").fetchone()[0]
        if sound != "ok" or held.execute("PRAGMA foreign_key_check").fetchone():
            raise StoreError(f"{file}: damaged. See 'records check' and 'records salvage' first.")
        with _connected(held) as connection:
            yield connection


@contextmanager
def _connected(held: sqlite3.Connection) -> Iterator[Connection]:
    """An open file as the rest of the store knows connections."""
    engine: Engine = create_engine("sqlite://", creator=lambda: held, poolclass=StaticPool)
    with engine.connect() as connection:
        yield connection


def copy_to_file(address: str | URL, target: Path) -> Path:
    """One state of a server's records as a file, also while they are in use.

    Args:
        address: of the database.
        target: a new file, there completely or not at all.

    Raises:
        OSError, sqlite3.Error: if it cannot be written.
        StoreError: if the records cannot be read.
    """
    source = Database(address)
    try:
        with whole_file(target, private=True) as partial:
            make_file(partial, HEAD)
            with (
                closing(sqlite3.connect(partial, isolation_level=None)) as held,
                _connected(held) as file,
                source.reading() as session,
            ):
                held.execute("PRAGMA journal_mode = DELETE")  # no second file beside it
                held.execute("BEGIN IMMEDIATE")
                copy_rows(session.connection(), file)
                held.execute("COMMIT")
        return target
    except SQLAlchemyError as error:
        raise StoreError(f"{target}: the records could not be copied here ({error}).") from error
    finally:
        source.close()


# --- rows ------------------------------------------------------------------------------------


def copy_rows(source: Connection, target: Connection) -> int:
    """Copy every row of every table into empty tables of the same form; how many."""
    count = 0
    for table in Base.metadata.sorted_tables:
        # A chain of digests is copied in its order; what points comes after what it points to.
        found = source.execute(select(table).order_by(*table.primary_key.columns))
        for rows in found.partitions(_AT_ONCE):
            target.execute(insert(table), [dict(row._mapping) for row in rows])
            count += len(rows)
        if _is_numbered(table) and (last := _last_number(source, table)):
            _go_on_after(target, table, last)
    return count


def _is_numbered(table: Table) -> bool:
    return "id" in table.primary_key.columns


def _is_server(connection: Connection) -> bool:
    return connection.dialect.name == "postgresql"


def _last_number(connection: Connection, table: Table) -> int:
    """The highest number ever given in a table, also where its row is gone; 0 if none was."""
    used = int(connection.execute(select(func.max(table.c.id))).scalar() or 0)
    if _is_server(connection):
        sequence = connection.execute(
            text("SELECT pg_get_serial_sequence(:name, 'id')"), {"name": table.name}
        ).scalar_one()
        last, given = connection.execute(
            text(f"SELECT last_value, is_called FROM {sequence}")
        ).one()
        return max(used, int(last) if given else 0)
    kept = connection.execute(
        text("SELECT seq FROM sqlite_sequence WHERE name = :name"), {"name": table.name}
    ).scalar()
    return max(used, int(kept or 0))


def _go_on_after(connection: Connection, table: Table, last: int) -> None:
    given = {"name": table.name, "last": last}
    if _is_server(connection):
        connection.execute(text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :last)"), given)
        return
    connection.execute(text("DELETE FROM sqlite_sequence WHERE name = :name"), given)
    connection.execute(text("INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)"), given)
