"""Writing the audit's chain, reading it back, and noting what left the records."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection, Dialect, String, event, insert, select, type_coerce, update
from sqlalchemy.orm import Session, UOWTransaction
from sqlalchemy.types import TypeDecorator

from review.store.audit import (
    EMPTIED,
    START,
    AuditContent,
    ChainReport,
    Link,
    chain_digest,
    content_digest,
    new_salt,
    verify_chain,
)
from review.store.audit_tables import AuditHeadRow, AuditLinkRow
from review.store.base import Part, Writing
from review.store.database import StoreSession
from review.store.entering import needed_text
from review.store.records import AuditEntry
from review.store.tables import AuditRow

HEAD_ID: Final = 1
"""The one row of the chain's end."""


@dataclass(frozen=True, slots=True)
class NumberedEntry:
    """An entry of the audit with its number in the chain."""

    number: int
    entry: AuditEntry


@event.listens_for(StoreSession, "after_flush")
def _chain(session: Session, _: UOWTransaction) -> None:
    """Every new entry of the audit gets its link, whoever added it, in the same transaction."""
    new = sorted((row for row in session.new if isinstance(row, AuditRow)), key=lambda row: row.id)
    if not new:
        return
    connection = session.connection()
    head = select(AuditHeadRow.count, AuditHeadRow.chain_sha256).where(AuditHeadRow.id == HEAD_ID)
    # A file has one writer at a time; a server lets others wait here, so that no link is forked.
    noted = connection.execute(head.with_for_update()).one_or_none()
    number, before = noted or _last_link(connection)
    links: list[dict[str, Any]] = []
    for row in new:
        number += 1
        salt = new_salt()
        content = content_digest(_content(row), salt)
        before = chain_digest(before, content, number)
        links.append(
            {
                "number": number,
                "audit_id": row.id,
                "salt": salt,
                "content_sha256": content,
                "chain_sha256": before,
            }
        )
    connection.execute(insert(AuditLinkRow), links)
    end = {"count": number, "chain_sha256": before}
    if noted is None:
        connection.execute(insert(AuditHeadRow).values(id=HEAD_ID, **end))
    else:
        connection.execute(update(AuditHeadRow).where(AuditHeadRow.id == HEAD_ID).values(end))


def _last_link(connection: Connection) -> tuple[int, str]:
    """Number and digest to go on from where the end was not noted: in new or salvaged records."""
    last = select(AuditLinkRow.number, AuditLinkRow.chain_sha256).order_by(
        AuditLinkRow.number.desc()
    )
    found = connection.execute(last.limit(1)).one_or_none()
    return (0, START.hex()) if found is None else (found.number, found.chain_sha256)


def _content(row: AuditRow) -> AuditContent:
    return AuditContent(row.at, row.who, row.what, row.subject, row.detail, row.recording_id)


class AuditPart(Part):
    """The audit: reading it, checking that it is whole, noting what left the records."""

    def audit(self, limit: int = 200, recording_id: int | None = None) -> tuple[AuditEntry, ...]:
        """The latest entries of the audit, newest first; of one recording if it is named."""
        query = select(AuditRow).order_by(AuditRow.id.desc()).limit(limit)
        if recording_id is not None:
            query = query.where(AuditRow.recording_id == recording_id)
        with self._database.reading() as session:
            return tuple(row.record() for row in session.scalars(query))

    def newest_link(self) -> str:
        """The digest at the end of the audit's chain, empty before the first entry.

        Another one after everything that is noted, which every change of a recording, a consent or
        what was said about them is: it tells cheaply whether what was read still holds.
        """
        query = select(AuditHeadRow.chain_sha256).where(AuditHeadRow.id == HEAD_ID)
        with self._database.reading() as session:
            return session.scalar(query) or ""

    def numbered_audit(self, limit: int = 200) -> tuple[NumberedEntry, ...]:
        """The latest entries with their numbers in the chain, newest first."""
        query = (
            select(AuditLinkRow.number, AuditRow)
            .join(AuditRow, AuditRow.id == AuditLinkRow.audit_id)
            .order_by(AuditLinkRow.number.desc())
            .limit(limit)
        )
        with self._database.reading() as session:
            return tuple(
                NumberedEntry(number, row.record()) for number, row in session.execute(query)
            )

    def verify_audit(self, expected: str = "") -> ChainReport:
        """Whether every entry of the audit is there and as it was written.

        Args:
            expected: a chain digest that was written down before, or '' for none.
        """
        with self._database.reading() as session:
            links, head, unchained = _read_chain(session)
        return verify_chain(links, head, unchained=unchained, expected=expected)

    def note_export(self, what: str, recording_id: int | None = None, *, by: str) -> None:
        """Note that something left the records, for instance as a file.

        Args:
            what: what was written out, for instance 'report as PDF'.
            recording_id: of which recording; None for figures of the whole unit.
            by: who.

        Raises:
            StoreError: if there is no such recording, or a text is empty or too long.
            ConsentError: if the recording may not be reviewed.
        """
        what = needed_text(what, "word for what is exported")
        with self._writing(by) as writing:
            if recording_id is None:
                writing.note("exported", "the unit", what)
            else:
                writing.note_on(self._reviewable(writing.session, recording_id), "exported", what)


def empty_entries(writing: Writing, audit_ids: Collection[int]) -> tuple[int, ...]:
    """Take the content and the salt from entries of the audit; their numbers in the chain.

    The digests stay. Whoever calls this adds an entry that names the numbers.
    """
    ids = sorted(audit_ids)
    numbers: list[int] = []
    for start in range(0, len(ids), 500):
        some = ids[start : start + 500]
        writing.session.execute(
            update(AuditRow)
            .where(AuditRow.id.in_(some))
            .values(at=writing.at, who="", what=EMPTIED, subject="", detail="", recording_id=None)
            .execution_options(synchronize_session=False)
        )
        links = select(AuditLinkRow.number).where(AuditLinkRow.audit_id.in_(some))
        numbers += writing.session.scalars(links)
        writing.session.execute(
            update(AuditLinkRow)
            .where(AuditLinkRow.audit_id.in_(some))
            .values(salt=None)
            .execution_options(synchronize_session=False)
        )
    return tuple(sorted(numbers))


class _AsFound(TypeDecorator[datetime]):
    """A time as it stands there; what is no time becomes one that nothing was written at."""

    impl = String
    cache_ok = True

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime:
        """From the database, which gives text (a file) or a datetime (a server)."""
        try:
            found = value if isinstance(value, datetime) else datetime.fromisoformat(value)
        except (TypeError, ValueError):
            return datetime.min.replace(tzinfo=UTC)
        return found.replace(tzinfo=UTC) if found.tzinfo is None else found


def _read_chain(
    session: Session,
) -> tuple[list[Link], tuple[int, str] | None, list[int]]:
    """All links by number; the end that was noted; where entries without a link would stand."""
    link, entry = AuditLinkRow, AuditRow
    query = (
        select(
            link.number, link.salt, link.content_sha256, link.chain_sha256, entry.id,
            type_coerce(entry.at, _AsFound), entry.who, entry.what, entry.subject, entry.detail,
            entry.recording_id,
        )
        .outerjoin(entry, entry.id == link.audit_id)
        .order_by(link.number)
    )  # fmt: skip
    links = [
        Link(number, None if row_id is None else AuditContent(*said), salt, content, chain)
        for number, salt, content, chain, row_id, *said in session.execute(query)
    ]
    loose = select(entry.id).where(entry.id.not_in(select(link.audit_id)))
    before = select(link.number).order_by(link.number.desc()).limit(1)
    unchained = [
        (session.scalar(before.where(link.audit_id < audit_id)) or 0) + 1
        for audit_id in session.scalars(loose).all()
    ]
    head = session.get(AuditHeadRow, HEAD_ID)
    return links, None if head is None else (head.count, head.chain_sha256), unchained
