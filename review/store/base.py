"""What all parts of the store share: transactions with an audit, and finding rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TypeVar

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from review.store.database import WRITES, Database
from review.store.entering import checked_who
from review.store.records import Consent, ConsentError, StoreError
from review.store.tables import (
    AnalysisRow,
    AuditRow,
    Base,
    ConsentRow,
    CorrectionRow,
    PersonRow,
    RecordingRow,
    SignOffRow,
)

Clock = Callable[[], datetime]
Row = TypeVar("Row", bound=Base)
LARGEST_ID = 2**63 - 1
"""Databases keep ids in 64 bits and take no larger number for a question."""

Versioned = type[AnalysisRow] | type[CorrectionRow] | type[SignOffRow]


def utc_now() -> datetime:
    """Now, aware, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Writing:
    """One transaction that writes: who does it, and when (UTC)."""

    session: Session
    by: str
    at: datetime

    def add(self, row: Row) -> Row:
        """Add a row and give it its id."""
        self.session.add(row)
        self.session.flush()
        return row

    def note(
        self, what: str, subject: str, detail: str = "", *, recording_id: int | None = None
    ) -> None:
        """Add to the audit."""
        self.session.add(
            AuditRow(
                at=self.at,
                who=self.by,
                what=what,
                subject=subject,
                detail=detail,
                recording_id=recording_id,
            )
        )

    def note_on(self, recording: RecordingRow, what: str, detail: str = "") -> None:
        """Add to the audit something done to a recording."""
        subject = f"recording {recording.id}"
        self.note(what, subject, detail, recording_id=recording.id)


class Part:
    """A part of the store; the parts share one database and one clock."""

    def __init__(self, database: Database, clock: Clock) -> None:
        self._database = database
        self._clock = clock

    def today(self) -> date:
        """Today in the calendar of this computer."""
        return self._clock().astimezone().date()

    @contextmanager
    def _writing(self, by: str) -> Iterator[Writing]:
        who = checked_who(by)
        with self._database.writing() as session:
            yield Writing(session, who, self._clock())

    def _reviewable(self, session: Session, recording_id: int) -> RecordingRow:
        """The recording, if it may be reviewed today.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if its person has no current consent to review.
        """
        key = f"may be reviewed: {recording_id}"
        known: RecordingRow | None = session.info.get(key)
        if known is not None:
            return known
        row = recording_row(session, recording_id)
        self._require_consent(session, row.person)
        if not session.info.get(WRITES):  # a session that reads sees one state from end to end
            session.info[key] = row
        return row

    def _require_consent(self, session: Session, person: str) -> Consent:
        consent = standing_consent(session, person)
        if consent is not None and consent.holds(self.today()):
            return consent
        if consent is None:
            why = "none was recorded"
        elif consent.withdrawn_at is not None:
            why = "it was withdrawn"
        elif "review" not in consent.purposes:
            why = "the one recorded does not include review"
        else:
            why = f"it ended on {consent.until}"
        raise ConsentError(
            f"There is no current consent to review recordings of {person}: {why}. Ask the "
            "person, record the new consent, then try again."
        )


def recording_row(session: Session, recording_id: int) -> RecordingRow:
    """A recording's row; in a transaction that writes, no other one changes it meanwhile.

    Raises:
        StoreError: if there is none.
    """
    query = select(RecordingRow).where(RecordingRow.id == recording_id)
    if session.info.get(WRITES):
        query = query.with_for_update()  # for databases that let several write at once
    known = 0 < recording_id <= LARGEST_ID  # an address may name any number
    row = session.scalars(query).one_or_none() if known else None
    if row is None:
        raise StoreError(f"There is no recording {recording_id}; choose one from the list.")
    return row


def person_row(session: Session, code: str) -> PersonRow:
    """A person's row.

    Raises:
        StoreError: if there is none.
    """
    row = session.get(PersonRow, code)
    if row is None:
        raise StoreError(f"There is no person with the code {code!r}; add the person first.")
    return row


def standing_consent(session: Session, person: str) -> Consent | None:
    """The consent that counts: the latest recorded, also when withdrawn or ended.

    An earlier consent never comes back by itself: the latest replaced it.
    """
    query = select(ConsentRow).where(ConsentRow.person == person).order_by(ConsentRow.id.desc())
    row = session.scalars(query.limit(1)).first()
    return row.record() if row else None


def people_with_consent(session: Session, on: date) -> frozenset[str]:
    """Codes of all who may be reviewed on a day."""
    latest = select(func.max(ConsentRow.id)).group_by(ConsentRow.person)
    rows = session.scalars(select(ConsentRow).where(ConsentRow.id.in_(latest)))
    return frozenset(row.person for row in rows if row.record().holds(on))


def next_version(session: Session, table: Versioned, recording_id: int) -> int:
    """The number of the next version, from 1."""
    query = select(func.max(table.version)).where(table.recording_id == recording_id)
    return (session.scalar(query) or 0) + 1
