"""Databases of a throw-away PostgreSQL server for tests; ``.ci/postgres`` starts one.

A test that is marked ``any_database`` runs on a file and, where there is a server, once more on
it: every new folder of records then names a database of its own (``records.url``), so that other
processes find it as well. Databases are emptied and used again, since making one takes longer than
most tests.
"""

from __future__ import annotations

import os
import secrets
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import URL, Engine, create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from review.store.database import HEAD, Database
from review.store.moving import MOVED, move_to_server
from review.store.server import address_of, checked_address, keep_address, server_engine
from review.store.store import FILE
from review.store.tables import Base

SERVER = "EXCHANGE_REVIEW_TEST_SERVER"
"""Environment variable: address of a database on the server, of a user who may make others."""

REQUIRED = "EXCHANGE_REVIEW_SERVER_REQUIRED"
"""Set where a missing server is a failure."""


AT_HAND: Databases | None = None
"""Where the test under way keeps its rows; None: in files."""


def server_at_hand() -> bool:
    return bool(os.environ.get(SERVER))


class Databases:
    """Makes databases, and takes them back empty."""

    def __init__(self) -> None:
        self._server = checked_address(os.environ[SERVER])
        self._mark = secrets.token_hex(4)
        self._made = 0
        self._free: list[URL] = []
        self._lent: list[URL] = []

    def lend(self) -> URL:
        """An empty database that has all tables."""
        address = self._free.pop() if self._free else self._new()
        self._lent.append(address)
        return address

    def bare(self) -> URL:
        """A database with nothing in it, not even tables."""
        self._made += 1
        name = f"t_{self._mark}_{self._made}"
        self._order(f"CREATE DATABASE {name}")
        address = self._server.set(database=name)
        self._lent.append(address)
        return address

    def take_back(self) -> None:
        """Empty what was lent; what has another form by now goes."""
        for address in self._lent:
            if self._emptied(address):
                self._free.append(address)
            else:
                self._order(f"DROP DATABASE {address.database} WITH (FORCE)")
        self._lent.clear()

    def _new(self) -> URL:
        address = self.bare()
        self._lent.remove(address)
        Database(address).close()
        return address

    def _order(self, statement: str) -> None:
        engine = create_engine(self._server, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.exec_driver_sql(statement)
        engine.dispose()

    def _emptied(self, address: URL) -> bool:
        engine = create_engine(address, isolation_level="AUTOCOMMIT")
        names = ", ".join(f'"{table}"' for table in Base.metadata.tables)
        try:
            with engine.connect() as connection:
                connection.exec_driver_sql(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                    " WHERE datname = current_database() AND pid <> pg_backend_pid()"
                )
                form = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
                # The audit's guards are for those who use the records.
                connection.exec_driver_sql("SET session_replication_role = replica")
                connection.exec_driver_sql(f"TRUNCATE {names} RESTART IDENTITY")
                return form == HEAD
        except SQLAlchemyError:
            return False
        finally:
            engine.dispose()


@contextmanager
def all_closed() -> Iterator[None]:
    """Close, at the end of the block, every connection to a server that was opened in it."""
    opened: list[Engine] = []

    def noted(*arguments: Any) -> Engine:
        opened.append(server_engine(*arguments))
        return opened[-1]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("review.store.database.server_engine", noted)
        yield
    for engine in opened:
        engine.dispose()


_one_at_a_time = threading.Lock()


def on_server(databases: Databases, folder: Path) -> URL | None:
    """Where the records of a folder are; new ones get a database of their own."""
    with _one_at_a_time:
        found = address_of(folder)
        if found is None and not (folder / FILE).exists():
            keep_address(folder, databases.lend())
            found = address_of(folder)
        return found


def moved_where_asked(folder: Path) -> None:
    """Records that were made as a file go to the server if the test under way runs on it."""
    if AT_HAND is not None:
        address = AT_HAND.lend().render_as_string(hide_password=False)
        move_to_server(folder, address)
        (folder / MOVED).unlink()


def rows_in(folder: Path, query: str) -> list[tuple[object, ...]]:
    """What a query gives in the records of a folder, without opening them as the program does."""
    engine = create_engine(address_of(folder) or f"sqlite:///{folder / FILE}")
    try:
        with engine.connect() as connection:
            return [tuple(row) for row in connection.exec_driver_sql(query)]
    finally:
        engine.dispose()
