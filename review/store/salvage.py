"""Saving what can be read of damaged records into new ones. The damaged file is only ever read.

Every row is read from the pages themselves (:mod:`review.store.sqlitepages`) and put, to the
letter, into a fresh file whose own rules it has to pass; the chain of the audit then tells which
entries are gone. What could be read and does not fit is written beside the records.

One thing is not taken over: where consents or withdrawals may be lost, an older consent could
seem to count again. All consents are then withdrawn, to be asked for anew.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Final

from sqlalchemy import select

from review.errors import AnalysisError
from review.store.base import Clock, Writing, utc_now
from review.store.database import HEAD, make_file
from review.store.figures import no_figures, refresh_figures
from review.store.records import StoreError
from review.store.salvaged import LEFT_OVER, REPORT, Salvaged
from review.store.saverows import Filling, form_of, roots_of
from review.store.server import address_of, shown
from review.store.sqlitepages import PageFile
from review.store.store import FILE, Store, open_store
from review.store.tables import RecordingRow, SessionFiguresRow
from review.wholefile import half_files, whole_file

BY: Final = "salvage"
"""Who does it, in the audit."""

DECIDES_WHO: Final = ("consents", "withdrawals")
"""Tables of which a lost row could make something count again that was taken back."""


def salvage(folder: Path | str, to: Path | str, *, clock: Clock = utc_now) -> Salvaged:
    """Save what can be read of the records in a folder into a new folder.

    Nobody may be writing to the damaged records meanwhile.

    Args:
        folder: of the damaged records; nothing in it is changed.
        to: a new folder; it is there completely or not at all.
        clock: gives the time, aware.

    Returns:
        What was saved; the same stands in ``salvage-report.txt`` in the new folder.

    Raises:
        StoreError: if there are no records, the new folder is there already or cannot be written,
            or the records were made by a newer release.
    """
    folder, to = Path(folder).absolute(), Path(to).absolute()
    if (address := address_of(folder)) is not None:
        raise StoreError(
            f"{folder}: these records are on a server ({shown(address)}), which saves its own: "
            "put back its latest copy (pg_restore), or that of 'records backup'."
        )
    if not (folder / FILE).is_file():
        raise StoreError(f"{folder}: there are no records ({FILE}) in this folder.")
    if to.exists() or to.is_relative_to(folder):
        raise StoreError(f"{to}: choose a new folder that is not there yet, outside the old one.")
    half = to.with_name(f".{to.name}.{os.getpid()}.salvaging")
    try:
        half.mkdir(parents=True, mode=0o700)
        try:
            saved = _save_all(folder, half, to, clock)
            os.sync()
            half.rename(to)
        finally:
            shutil.rmtree(half, ignore_errors=True)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"{to}: the salvage had to stop ({error}). See that the old folder may be read and "
            "that there is room for the new one, then try again."
        ) from error
    return saved


def _save_all(folder: Path, half: Path, to: Path, clock: Clock) -> Salvaged:
    saved = Salvaged()
    with PageFile(folder / FILE) as pages:
        saved.free_pages_known = pages.free_pages() is not None
        saved.log_is_whole = pages.log_is_whole
        roots = roots_of(pages)
        make_file(half / FILE, form_of(pages, roots, HEAD))
        with closing(sqlite3.connect(half / FILE, isolation_level=None)) as fresh:
            left_over = Filling(fresh, pages, roots, saved).fill()
    _bring_along(folder, half, saved)
    with open_store(half, clock=clock) as store:
        _mend(store, saved, folder, to)
    if left_over:
        _write(half / LEFT_OVER, left_over)
    _write(half / REPORT, [f"Saved from {folder}.", *saved.lines()])
    return saved


def _write(place: Path, lines: Iterable[str]) -> None:
    with whole_file(place) as partial:
        partial.write_text("\n".join(lines) + "\n", encoding="utf-8")


# --- files -----------------------------------------------------------------------------------


def _bring_along(folder: Path, half: Path, saved: Salvaged) -> None:
    """Copy videos, review copies and all else; not older records and what is half written."""
    left = {*half_files(folder), folder / "jobs" / "worker.lock"}
    for source in sorted(folder.rglob("*")):
        name = source.relative_to(folder)
        if source in left or source.is_dir() or (len(name.parts) == 1 and _is_records(source)):
            continue
        target = half / name
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        target.touch()  # a place that cannot be written stops the salvage; a bad source does not
        try:
            shutil.copyfile(source, target)
            saved.files += 1
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise
            target.unlink()
            saved.files_lost.append(str(name))


def _is_records(path: Path) -> bool:
    return path.name.startswith(Path(FILE).stem)


# --- putting right ---------------------------------------------------------------------------


def _mend(store: Store, saved: Salvaged, folder: Path, to: Path) -> None:
    """What follows from the rows that are there now."""
    decides = [saved.tables[name] for name in DECIDES_WHO if name in saved.tables]
    if not saved.log_is_whole or not all(table.is_whole for table in decides):
        for person in store.people():
            for consent in store.consents(person.code)[-1:]:
                if consent.withdrawn_at is None:
                    store.withdraw_consent(consent.id, by=BY)
                    saved.consents_withdrawn += 1
    with store._writing(BY) as writing:
        for row in writing.session.scalars(select(RecordingRow).order_by(RecordingRow.id)):
            if Path(row.file).is_relative_to(folder):
                row.file = str(to / Path(row.file).relative_to(folder))
            _figures_anew(writing, row)
        writing.note("salvaged", "the records", " ".join(saved.lines()))


def _figures_anew(writing: Writing, row: RecordingRow) -> None:
    """Work out the figures of a recording where they were lost."""
    if writing.session.get(SessionFiguresRow, row.id) is not None:
        return
    writing.add(no_figures(row.id))
    try:
        refresh_figures(writing.session, row.id)
    except AnalysisError as error:
        writing.note_on(row, "no figures", str(error))
