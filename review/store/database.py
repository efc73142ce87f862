"""The connection to the database: transactions, durability, migrations, words for its errors.

The one place that knows SQLite; a server is in :mod:`review.store.server`. Every write is one
transaction that takes the write lock before it reads, so two writers never build on the same
state, and that is on the disk when it returns (for a file: write-ahead log, synced at every
commit). A file must lie on a local disk: the log is shared between processes through memory, which
network drives do not offer.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from review.store.records import StoreError
from review.store.refit_tables import REFIT_ADDED_ONLY
from review.store.server import checked_address, rewrite_tables, server_engine, server_remedy, shown
from review.store.standard_tables import STANDARD_ADDED_ONLY
from review.store.tables import ADDED_ONLY, Base
from review.wholefile import whole_file

MIGRATIONS: Final = Path(__file__).resolve().parent / "migrations"
HEAD: Final = "r0006"
"""The revision this release works with; the newest file in ``migrations/versions``."""

BUSY_S: Final = 30.0
"""How long a writer waits for another one before giving up, seconds."""

PATIENT_S: Final = 5.0
"""How long overwriting free places waits for others; it can be done later."""

WRITES: Final = "writes"
"""Key in a session's ``info``: whether it was opened to write."""

_VERSION_TABLE = "alembic_version"

ONLY_ADDED: Final = (*ADDED_ONLY, *STANDARD_ADDED_ONLY, *REFIT_ADDED_ONLY)
"""Rows that a session refuses to change or remove."""


class StoreSession(Session):
    """A session that refuses to change or remove what may only be added."""


@event.listens_for(StoreSession, "before_flush")
def _only_added(session: Session, *_: object) -> None:
    touched = [row for row in session.dirty if session.is_modified(row)]
    for row in (*touched, *session.deleted):
        if isinstance(row, ONLY_ADDED):
            raise RuntimeError(f"{type(row).__name__} rows are only ever added")


class Database:
    """One database, opened. Use from any number of threads and processes.

    Raises:
        StoreError: if it cannot be opened, is damaged, or was made by a newer release.
    """

    def __init__(self, url: str | URL) -> None:
        self.url = make_url(url)
        if not self.is_file:
            self.url = checked_address(self.url.render_as_string(hide_password=False))
        self.place = self.url.database or "the records" if self.is_file else shown(self.url)
        self._engine = _sqlite_engine(self.url) if self.is_file else server_engine(self.url, BUSY_S)
        self._writer = self._engine.execution_options(takes_write_lock=True)
        # A file shows every reader one state by itself; a server has to be asked for it.
        self._reader = (
            self._engine
            if self.is_file
            else self._engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
        )
        self._shared = threading.local()  # a thread's session for several readings
        try:
            with self._explained():
                self._migrate()
        except StoreError:
            self.close()
            raise

    @property
    def is_file(self) -> bool:
        """Whether it is an SQLite file rather than a server."""
        return self.url.get_backend_name() == "sqlite"

    def close(self) -> None:
        """Close all connections. Nothing is lost by not calling it."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[StoreSession]:
        """A session that sees one state throughout and writes nothing.

        Raises:
            StoreError: if the database cannot be read.
        """
        shared = self._shared_session()
        if shared is not None:
            with self._explained():
                yield shared
            return
        with self._explained(), StoreSession(self._reader) as session:
            yield session

    @contextmanager
    def one_state(self) -> Iterator[None]:
        """All that this thread reads in the block is of one moment, whoever writes meanwhile.

        It is quicker than as many readings on their own, too. Nothing can be written in it: what
        was read before would not show it.

        Raises:
            StoreError: if the database cannot be read.
        """
        if self._shared_session() is not None:
            yield
            return
        with self._explained(), StoreSession(self._reader) as session:
            self._shared.session = session
            try:
                yield
            finally:
                self._shared.session = None

    def _shared_session(self) -> StoreSession | None:
        found: StoreSession | None = getattr(self._shared, "session", None)
        return found

    @contextmanager
    def writing(self) -> Iterator[StoreSession]:
        """A session whose changes are all kept, durably, when the block ends, or none of them.

        Raises:
            StoreError: if the database cannot be written.
            RuntimeError: inside `one_state`, a mistake in the program.
        """
        if self._shared_session() is not None:
            raise RuntimeError("nothing is written while one state is being read")
        with (
            self._explained(),
            StoreSession(self._writer, info={WRITES: True}) as session,
            session.begin(),
        ):
            yield session

    def overwrite_free_places(self) -> bool:
        """Write the file anew without what removed rows left in it, and empty its log.

        Returns:
            Whether that could be done now: not while another program reads or writes, or where
            the disk is full. A server may keep what was removed in its log of changes and in
            copies for longer; that is for whoever looks after it.
        """
        if not self.is_file:
            return rewrite_tables(self._engine, Base.metadata.tables, PATIENT_S)
        try:
            with closing(sqlite3.connect(str(self.url.database), isolation_level=None)) as alone:
                alone.execute(f"PRAGMA busy_timeout = {int(PATIENT_S * 1000)}")
                alone.execute("PRAGMA temp_store = MEMORY")  # no copy of it in another folder
                alone.execute("PRAGMA secure_delete = ON")
                alone.execute("VACUUM")
                busy, *_ = alone.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                return not busy
        except sqlite3.OperationalError:
            return False

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            words = None if self.is_file else server_remedy(error, BUSY_S)
            raise StoreError(f"{self.place}: {words or _remedy(error)}") from error

    # --- migrations --------------------------------------------------------------------------

    def _migrate(self) -> None:
        """Bring the tables to :data:`HEAD`, keeping a copy of an older file beside it.

        Of a server's tables no copy is kept: that is done by its own tools (``pg_dump``).
        """
        with self._engine.connect() as connection:
            if _revision(connection) == HEAD:
                return
        with self._writer.connect() as connection, connection.begin():
            found = _revision(connection)  # another process may have been quicker
            if found == HEAD:
                return
            if found is not None and self.is_file:
                self._keep_copy(found)
            upgrade(connection, found, HEAD, self.place)

    def _keep_copy(self, revision: str) -> None:
        """The file as it was, under a name of its own, complete or not at all."""
        source = Path(str(self.url.database))
        target = source.with_name(f"{source.stem}.before-{HEAD}-was-{revision}{source.suffix}")
        try:
            copy_file(source, target)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(
                f"{target}: a copy of the older records could not be kept here ({error}), so "
                "they were not brought up to date. Free some space or allow writing there."
            ) from error


def upgrade(connection: Connection, found: str | None, target: str, place: str) -> None:
    """Bring the tables from one form (None: nothing there) to another; ``place`` is for words.

    Raises:
        StoreError: if the form is not one that this release knows.
    """
    # Imported here: opening records that are up to date needs none of it.
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(MIGRATIONS))
    known = {s.revision for s in script.walk_revisions()}
    for form in (found, target):
        if form is not None and form not in known:
            raise StoreError(
                f"{place}: these records were made by a newer release (their form is {form!r}, "
                f"this release knows {HEAD!r}). Install the newer release."
            )

    def steps(revision: Any, _: Any) -> Any:
        return script._upgrade_revs(target, revision)

    with EnvironmentContext(Config(), script, fn=steps) as environment:
        environment.configure(connection=connection, target_metadata=Base.metadata)
        environment.run_migrations()


def make_file(path: Path, form: str) -> None:
    """A new SQLite file with the empty tables of one form (a revision).

    Raises:
        StoreError: if the form is not one that this release knows, or it cannot be written.
    """
    engine = _sqlite_engine(sqlite_url(path))
    try:
        with (
            engine.execution_options(takes_write_lock=True).connect() as connection,
            connection.begin(),
        ):
            upgrade(connection, None, form, str(path))
    except SQLAlchemyError as error:
        raise StoreError(f"{path}: {_remedy(error)}") from error
    finally:
        engine.dispose()


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table(_VERSION_TABLE):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {_VERSION_TABLE}")).scalar()
    return None if found is None else str(found)


# --- SQLite ----------------------------------------------------------------------------------


def sqlite_url(path: Path) -> URL:
    """The address of an SQLite file."""
    return URL.create("sqlite", database=str(path))


def _sqlite_engine(url: URL) -> Engine:
    engine = create_engine(url)

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _: object) -> None:
        # The driver must not begin transactions of its own; see ``begin`` below.
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {int(BUSY_S * 1000)}")
        _use_write_ahead_log(cursor)
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA secure_delete = ON")  # what is removed is overwritten with zeros
        cursor.close()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("takes_write_lock", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def copy_file(source: Path, target: Path) -> None:
    """A copy of an SQLite file that may be in use: one state of it, complete or not at all.

    Raises:
        OSError, sqlite3.Error: if it cannot be read or written.
    """
    with (
        whole_file(target, private=True) as partial,
        closing(sqlite3.connect(source)) as old,
        closing(sqlite3.connect(partial)) as copy,
    ):
        copy.execute("PRAGMA journal_mode = MEMORY")  # no second file that could stay behind
        old.backup(copy)


def _use_write_ahead_log(cursor: sqlite3.Cursor) -> None:
    """Switch the journal, once for the file; another process may be doing the same."""
    give_up = time.monotonic() + BUSY_S
    while True:
        try:
            # Switching does not wait for a lock by itself, whatever the busy timeout.
            if cursor.execute("PRAGMA journal_mode").fetchone()[0].lower() != "wal":
                cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > give_up:
                raise
            time.sleep(0.02)


_REMEDIES: Final = (
    (
        ("locked", "busy"),
        f"another program has been writing for more than {BUSY_S:.0f} seconds; wait a moment and "
        "try again.",
    ),
    (("is full",), "the disk is full, so nothing was changed; free some space and try again."),
    (
        ("readonly", "read-only"),
        "the records may not be changed; allow writing to the file and its folder.",
    ),
    (
        ("unable to open", "disk i/o"),
        "the records cannot be opened; check that the folder exists, is on a local disk with room "
        "to spare, and may be read and written.",
    ),
    (
        ("malformed", "not a database", "encrypted"),
        "the records are damaged or are no records at all; put them aside and put back your "
        "latest copy.",
    ),
)
"""What the driver's message contains, and what to say."""


def _remedy(error: SQLAlchemyError) -> str:
    said = str(getattr(error, "orig", None) or error)
    for signs, words in _REMEDIES:
        if any(sign in said.lower() for sign in signs):
            return words
    if isinstance(error, IntegrityError):
        return (
            "this does not fit what is there now, perhaps because somebody changed it at the same "
            f"moment; look again and repeat ({said.splitlines()[0]})."
        )
    return f"the records cannot be used ({said.splitlines()[0]}); nothing was changed."
