"""The store as a whole."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Row, select

from review.store.access import AccessPart
from review.store.analyses import AnalysesPart
from review.store.auditing import AuditPart
from review.store.base import Clock, people_with_consent, utc_now
from review.store.database import Database, sqlite_url
from review.store.enrolling import EnrollingPart
from review.store.erasing import ErasingPart
from review.store.figures import BETWEEN
from review.store.people import PeoplePart
from review.store.recordings import RecordingsPart
from review.store.records import (
    Outcome,
    RecordingState,
    SessionRow,
    StoreError,
)
from review.store.refits import RefitPart
from review.store.reviewing import ReviewingPart
from review.store.server import ADDRESS_FILE, address_of
from review.store.standard import StandardPart
from review.store.tables import RecordingRow, SessionFiguresRow

FILE = "records.sqlite"
"""Name of the database in the store's folder."""


class Store(
    PeoplePart,
    AnalysesPart,
    ReviewingPart,
    RecordingsPart,
    ErasingPart,
    AuditPart,
    StandardPart,
    AccessPart,
    EnrollingPart,
    RefitPart,
):
    """People, consents, recordings, and all that was found and said about them.

    Open one with :func:`open_store`. It may be shared by threads, and any number of processes
    may have the same folder open. A method that writes returns when what it wrote is safe on
    the disk; if it raises, nothing was written. ``by`` says who does it and goes to the audit.
    """

    def session_rows(self) -> tuple[SessionRow, ...]:
        """All recordings that may be reviewed today in figures, by day and id, oldest first."""
        figures = SessionFiguresRow
        query = (
            select(
                RecordingRow.id,
                RecordingRow.person,
                RecordingRow.trainer,
                RecordingRow.taken_on,
                RecordingRow.protocol,
                RecordingRow.state,
                figures.wash_rubbing_s,
                figures.wash_whole_s,
                figures.surfaces_rubbed,
                figures.surfaces_missed,
                figures.surfaces_unclear,
                figures.look_flags,
                figures.open_flags,
                figures.agreed_flags,
                figures.signed_on,
                figures.outcome,
                figures.recheck_on,
                figures.watched,
            )
            .join(figures, figures.recording_id == RecordingRow.id)
            .order_by(RecordingRow.taken_on, RecordingRow.id)
        )
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            rows = [row for row in session.execute(query) if row[1] in allowed]
        return tuple(map(_session_row, rows))

    def one_state(self) -> AbstractContextManager[None]:
        """All that this thread reads in the block is of one moment, whoever writes meanwhile.

        Nothing can be written inside.

        Raises:
            StoreError: if the records cannot be read.
        """
        return self._database.one_state()

    def close(self) -> None:
        """Close the connections; nothing is lost by not calling it."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _session_row(row: Row[Any]) -> SessionRow:
    """By position, in the order of the query: this is done ten thousand times for one page."""
    (
        number, person, trainer, taken_on, protocol, state, rubbing_s, whole_s, rubbed, missed,
        unclear, look, left_open, agreed, signed_on, outcome, recheck_on, watched,
    ) = row  # fmt: skip
    return SessionRow(
        number, person, trainer, taken_on, protocol, _STATES[state], rubbing_s, whole_s, rubbed,
        _names(missed), _names(unclear), look, left_open, agreed, signed_on, _OUTCOMES[outcome],
        recheck_on, watched,
    )  # fmt: skip


_STATES = {state.value: state for state in RecordingState}
_OUTCOMES = {None: None} | {outcome.value: outcome for outcome in Outcome}


@lru_cache(maxsize=4096)
def _names(kept: str) -> tuple[str, ...]:
    return tuple(kept.split(BETWEEN)) if kept else ()


def has_records(folder: Path) -> bool:
    """Whether a folder holds a unit's records: a file of them, or where they are on a server."""
    return (folder / FILE).exists() or (folder / ADDRESS_FILE).exists()


def open_store(folder: Path | str, *, url: str | None = None, clock: Clock = utc_now) -> Store:
    """Open the store in a folder; make it, or bring it up to date, where needed.

    An erasure that was interrupted goes on.

    Args:
        folder: holds ``records.sqlite``, ``videos``, ``copies``, ``landmarks`` and ``jobs``.
            It is made readable by its owner only. Where it holds ``records.url``, the rows are in
            that database instead (see :mod:`review.store.server`).
        url: an SQLAlchemy address of a database to use whatever the folder says.
        clock: gives the time, aware.

    Raises:
        StoreError: if the folder cannot be used, or the records are damaged or newer.
    """
    folder = Path(folder).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise StoreError(
            f"{folder}: the records cannot be kept here ({error.strerror or error}). Choose a "
            "folder that may be written to."
        ) from error
    place = url or address_of(folder) or sqlite_url(folder / FILE)
    store = Store(Database(place), clock, folder)
    store.receipts_at_opening = store.finish_erasures()
    return store
