"""Tables of what holds a unit to one standard: answers to targets, events, blind reviews."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Final

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from review.protocol import Trigger
from review.store.standard_records import PersonEvent
from review.store.tables import (
    CODE,
    NEVER_AGAIN,
    Base,
    Id,
    Name,
    OfPerson,
    OfRecording,
    Word,
    Words,
)

OfBlindReview = Annotated[int, mapped_column(ForeignKey("blind_reviews.id"))]


class TargetResultsRow(Base):
    """How a recording's latest analysis answered every target; kept up to date as figures are.

    ``results`` is JSON: by measure, the answer and the target in words.
    """

    __tablename__ = "target_results"

    recording_id: Mapped[OfRecording] = mapped_column(primary_key=True, autoincrement=False)
    results: Mapped[Words]


class EventRow(Base):
    """See :class:`PersonEvent`."""

    __tablename__ = "events"
    __table_args__ = (Index(None, "person", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    person: Mapped[OfPerson]
    kind: Mapped[Word]
    on: Mapped[date]
    note: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]
    taken_back: Mapped[EventTakenBackRow | None] = relationship(lazy="joined", viewonly=True)

    def record(self) -> PersonEvent:
        """The row as a record."""
        return PersonEvent(
            id=self.id,
            person=self.person,
            kind=Trigger(self.kind),
            on=self.on,
            note=self.note,
            by=self.by,
            at=self.at,
            taken_back_at=self.taken_back.at if self.taken_back else None,
        )


class EventTakenBackRow(Base):
    """An event that was entered by mistake."""

    __tablename__ = "events_taken_back"
    __table_args__ = (UniqueConstraint("event_id"), NEVER_AGAIN)

    id: Mapped[Id]
    event_id: Mapped[int] = mapped_column(ForeignKey("events.id"))
    by: Mapped[Name]
    at: Mapped[datetime]


class BlindReviewRow(Base):
    """A trainer who is to review a recording without seeing what anybody else said of it."""

    __tablename__ = "blind_reviews"
    __table_args__ = (UniqueConstraint("recording_id", "trainer"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    trainer: Mapped[str] = mapped_column(String(CODE), ForeignKey("trainers.code"))
    by: Mapped[Name]
    at: Mapped[datetime]
    ending: Mapped[BlindEndingRow | None] = relationship(lazy="joined", viewonly=True)


class BlindAnswerRow(Base):
    """One answer of a blind review to an item of the checklist; the newest of an item counts."""

    __tablename__ = "blind_answers"
    __table_args__ = (Index(None, "review_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    review_id: Mapped[OfBlindReview]
    item: Mapped[Words]
    answer: Mapped[Word]
    by: Mapped[Name]
    at: Mapped[datetime]


class BlindVerdictRow(Base):
    """What a blind review says about one flag; the newest about a flag counts."""

    __tablename__ = "blind_verdicts"
    __table_args__ = (Index(None, "review_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    review_id: Mapped[OfBlindReview]
    kind: Mapped[Word]
    topic: Mapped[Name]
    start_s: Mapped[float]
    end_s: Mapped[float]
    verdict: Mapped[Word]
    by: Mapped[Name]
    at: Mapped[datetime]


class BlindEndingRow(Base):
    """A blind review is over: ``how`` is ``finished`` or ``called_off``."""

    __tablename__ = "blind_endings"
    __table_args__ = (UniqueConstraint("review_id"), NEVER_AGAIN)

    id: Mapped[Id]
    review_id: Mapped[OfBlindReview]
    how: Mapped[Word]
    by: Mapped[Name]
    at: Mapped[datetime]


STANDARD_ADDED_ONLY: Final[tuple[type[Base], ...]] = (
    EventRow, EventTakenBackRow, BlindReviewRow, BlindAnswerRow, BlindVerdictRow, BlindEndingRow,
)  # fmt: skip
"""Rows of these tables are never changed or removed once written, but by an erasure."""
