"""Looking whether records are sound, copying them while in use, and putting a copy back."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import URL

from review.errors import VideoError
from review.sealed import is_sealed
from review.store.base import Clock, utc_now
from review.store.database import HEAD, Database, copy_file, sqlite_url
from review.store.moving import copy_to_file
from review.store.records import StoreError
from review.store.server import address_of, shown, state_of
from review.store.store import FILE, Store, open_store
from review.video import file_sha256
from review.wholefile import half_files

BY: Final = "restoring"
HASH_IN_NAMES: Final = 16
"""Files that belong to a recording begin with at least so many digits of its hash."""

NAMED_BY_HASH: Final = ("videos", "copies", "landmarks")
MOST_LINES: Final = 20
"""Lines of SQLite's own complaints that are told."""

Row = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """What was looked at, and every trouble found, one line each."""

    looked_at: tuple[str, ...]
    troubles: tuple[str, ...]


def check_records(folder: Path | str) -> Check:
    """Look whether records are sound; nothing is changed.

    The file by SQLite's own checks, the chain of the audit, and every file that belongs to the
    records: whether it is there, is still what was added, and belongs to something.

    Raises:
        StoreError: if there are no records in the folder, or they cannot be read at all.
    """
    folder = Path(folder).absolute()
    if (address := address_of(folder)) is not None:
        return _check_server(folder, address)
    with closing(_to_read(folder)) as connection:
        try:
            complaints = [str(r[0]) for r in connection.execute("PRAGMA integrity_check")]
            dangling = connection.execute("PRAGMA foreign_key_check").fetchall()
            form = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            recordings = connection.execute("SELECT id, file, sha256 FROM recordings").fetchall()
        except sqlite3.DatabaseError as error:
            return Check((), (f"{folder / FILE}: damaged ({error}). {_WAY_OUT}",))
    damaged = complaints != ["ok"]
    troubles = [f"{FILE}: {line}" for line in complaints[:MOST_LINES] if damaged]
    troubles += [f"{FILE}: {r[0]} {r[1]} belongs to nothing" for r in dangling[:MOST_LINES]]
    if damaged or dangling:
        troubles.append(_WAY_OUT)
    looked_at = ["the file"]
    if form != (HEAD,):
        looked_at.append(f"the audit not, its form is older ({form and form[0]})")
    elif not os.access(folder / FILE, os.W_OK):
        looked_at.append("the audit not, it may not be written")
    elif not damaged:
        entries, trouble = _check_audit(folder, sqlite_url(folder / FILE))
        looked_at.append(f"{entries} entries of the audit")
        troubles += trouble
    troubles += _check_files(folder, recordings)
    looked_at.append(f"the files of {len(recordings)} recordings")
    return Check(tuple(looked_at), tuple(troubles))


_WAY_OUT: Final = (
    "Stop the pages, then put back your latest copy ('records restore') or save what can be read "
    "('records salvage')."
)


def _to_read(folder: Path) -> sqlite3.Connection:
    place = folder / FILE
    if not place.is_file():
        raise StoreError(f"{folder}: there are no records ({FILE}) in this folder.")
    try:
        connection = sqlite3.connect(f"{place.as_uri()}?mode=ro", uri=True)
        try:
            connection.execute("SELECT 1 FROM sqlite_master")
        except sqlite3.OperationalError:
            connection.close()
            log = place.with_name(f"{FILE}-wal")
            if log.exists() and log.stat().st_size:
                raise
            # On a medium that cannot be written nobody can change it meanwhile either.
            connection = sqlite3.connect(f"{place.as_uri()}?immutable=1", uri=True)
        except sqlite3.DatabaseError:
            pass  # the caller says what is wrong with it
        return connection
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{place}: it cannot be read ({error}). Check its permissions.") from error


def _check_server(folder: Path, address: URL) -> Check:
    """Records on a server: the server keeps its own tables sound, so that is not looked at."""
    state = state_of(address)
    looked_at = ["the server's settings", "not its tables, see pg_amcheck"]
    troubles = [
        f"{shown(address)}: the server runs with {name} = off, so what was entered may be lost "
        "when its power fails; turn it on"
        for name in state.unsafe
    ]
    if state.form != HEAD:
        looked_at.append(f"the audit not, its form is older ({state.form})")
    else:
        entries, trouble = _check_audit(folder, address)
        looked_at.append(f"{entries} entries of the audit")
        troubles += trouble
    troubles += _check_files(folder, state.recordings)
    looked_at.append(f"the files of {len(state.recordings)} recordings")
    return Check(tuple(looked_at), tuple(troubles))


def _check_audit(folder: Path, place: URL) -> tuple[int, list[str]]:
    database = Database(place)
    try:
        store = Store(database, utc_now, folder)
        report, waiting = store.verify_audit(), store.unfinished_erasures()
    finally:
        database.close()
    troubles = [] if report.holds else [f"audit, entry {report.first_bad}: {report.why}"]
    if waiting:
        troubles.append(f"{waiting} erasures are not finished; open the records to go on with them")
    return report.count, troubles


def _check_files(folder: Path, recordings: Sequence[Row]) -> Iterator[str]:
    hashes = set()
    for number, file, sha256 in recordings:
        hashes.add(str(sha256 or "")[:HASH_IN_NAMES])
        if file:
            yield from _check_video(int(str(number)), Path(str(file)), str(sha256 or ""))
    for place in NAMED_BY_HASH:
        for path in sorted((folder / place).glob("[!.]*")):
            if path.is_file() and path.name[:HASH_IN_NAMES] not in hashes:
                yield f"{path}: it belongs to no recording"
    for half in half_files(folder):
        yield f"{half}: half written; if nobody is at work it goes when the pages start"


def _check_video(number: int, file: Path, sha256: str) -> Iterator[str]:
    if not file.is_file():
        yield f"{file}: the video of recording {number} is not there"
        return
    try:
        if file_sha256(file) != sha256:
            yield f"{file}: the video of recording {number} is not the one that was added"
    except VideoError as error:
        if is_sealed(file):
            yield f"{file}: encrypted, and not looked into ({error})"
        else:
            yield str(error)


# --- copies ----------------------------------------------------------------------------------


def back_up(folder: Path | str, to: Path | str) -> Path:
    """Copy the records, without videos, to one file, also while they are in use.

    Those on a server become a file, too, which :func:`restore` makes records from.

    It is complete, sound and on the disk when this returns.

    Raises:
        StoreError: if there are no records, they are damaged, or the file is there already or
            cannot be written.
    """
    folder, to = Path(folder).absolute(), Path(to).absolute()
    address = address_of(folder)
    if address is None:
        _to_read(folder).close()
    if to.exists():
        raise StoreError(f"{to}: it is there already; choose a new name.")
    try:
        to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if address is None:
            copy_file(folder / FILE, to)
        else:
            copy_to_file(address, to)
        trouble = _unsound(to)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{to}: the records cannot be copied here ({error}).") from error
    if trouble:
        to.unlink()
        raise StoreError(f"{folder / FILE}: damaged ({trouble}), so no copy was made. {_WAY_OUT}")
    return to


def _unsound(file: Path) -> str:
    """What is wrong with a file of records that nobody has open; '' if nothing."""
    try:
        with closing(sqlite3.connect(f"{file.as_uri()}?immutable=1", uri=True)) as connection:
            said = str(connection.execute("PRAGMA integrity_check").fetchone()[0])
            connection.execute("SELECT version_num FROM alembic_version")
            return "" if said == "ok" else said
    except sqlite3.DatabaseError as error:
        return str(error)


@dataclass(frozen=True, slots=True)
class Restored:
    """What a copy brought back.

    Attributes:
        last_at: of the newest entry, UTC; None if there is none.
        videos_missing: recordings whose video is not where it was.
    """

    last_at: datetime | None
    videos_missing: int


def restore(file: Path | str, to: Path | str, *, clock: Clock = utc_now) -> Restored:
    """Make records from a copy, in a new folder.

    Raises:
        StoreError: if the file is no sound copy, was made by a newer release, or the folder is
            there already or cannot be written.
    """
    file, to = Path(file).absolute(), Path(to).absolute()
    if not file.is_file():
        raise StoreError(f"{file}: there is no such file. Check the name.")
    if trouble := _unsound(file):
        raise StoreError(f"{file}: this is no sound copy of records ({trouble}).")
    if to.exists():
        raise StoreError(f"{to}: choose a new folder that is not there yet.")
    half = to.with_name(f".{to.name}.{os.getpid()}.restoring")
    try:
        half.mkdir(parents=True, mode=0o700)
        if file.with_name(file.name + "-wal").exists():
            copy_file(file, half / FILE)  # no finished copy, but a file somebody may have open
        else:
            shutil.copyfile(file, half / FILE)
        with open_store(half, clock=clock) as store:
            newest = store.audit(limit=1)
            files = [r.file for r in store.recordings(without_consent=True) if r.file]
            with store._writing(BY) as writing:
                writing.note("restored", "the records", f"from {file.name}")
        os.sync()
        half.rename(to)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{to}: the records cannot be put here ({error}).") from error
    finally:
        shutil.rmtree(half, ignore_errors=True)
    missing = sum(not Path(name).is_file() for name in files)
    return Restored(newest[0].at if newest else None, missing)
