"""The tables, and how their rows become records.

Only types that SQLite and PostgreSQL share are used. Rows of entered things are added and never
changed; taking one back adds a row to ``withdrawals``. Changed in place are only a person's or
trainer's own line, a recording's state, and the session figures, which can be worked out anew.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated, Any, ClassVar, Final, cast

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Date,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

from review.analysis import FlagKind
from review.store.records import (
    Answer,
    AuditEntry,
    ChecklistAnswer,
    Comment,
    Consent,
    CorrectionSet,
    Decision,
    Moment,
    Outcome,
    Person,
    Purpose,
    RecordingEntry,
    RecordingState,
    SignOff,
    Trainer,
    Verdict,
    Window,
)
from review.timeline import Interval, Phase, Segment, Source

CODE, NAME, WORD = 40, 200, 40
"""Longest code, name and fixed word, characters."""


class UtcTime(TypeDecorator[datetime]):
    """An aware datetime, kept and returned in UTC; a naive one is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database.

        Raises:
            ValueError: for a datetime without a time zone.
        """
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value} has no time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database, which may have dropped the zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Every table; constraints have names so that later migrations can reach them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: UtcTime(),
        date: Date(),
        list[Any]: JSON(none_as_null=True),
    }


NEVER_AGAIN: Final = {"sqlite_autoincrement": True}
"""Ids are never used twice, not even after the newest row is erased (elsewhere they never are)."""

Id = Annotated[int, mapped_column(primary_key=True)]
OfPerson = Annotated[str, mapped_column(String(CODE), ForeignKey("people.code"))]
OfRecording = Annotated[int, mapped_column(ForeignKey("recordings.id"))]
Name = Annotated[str, mapped_column(String(NAME))]
Word = Annotated[str, mapped_column(String(WORD))]
Words = Annotated[str, mapped_column(Text)]


class PersonRow(Base):
    """See :class:`Person`."""

    __tablename__ = "people"

    code: Mapped[str] = mapped_column(String(CODE), primary_key=True)
    note: Mapped[Words]
    language: Mapped[Word]
    active: Mapped[bool]

    def record(self) -> Person:
        """The row as a record."""
        return Person(self.code, self.note, self.language, self.active)


class TrainerRow(Base):
    """See :class:`Trainer`."""

    __tablename__ = "trainers"

    code: Mapped[str] = mapped_column(String(CODE), primary_key=True)
    name: Mapped[Name]
    active: Mapped[bool]

    def record(self) -> Trainer:
        """The row as a record."""
        return Trainer(self.code, self.name, self.active)


class ConsentRow(Base):
    """See :class:`Consent`."""

    __tablename__ = "consents"
    __table_args__ = (Index(None, "person", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    person: Mapped[OfPerson]
    for_review: Mapped[bool]
    for_teaching: Mapped[bool]
    until: Mapped[date | None]
    sound: Mapped[bool]
    given_to: Mapped[Name]
    recorded_at: Mapped[datetime]
    withdrawal: Mapped[WithdrawalRow | None] = relationship(lazy="joined", viewonly=True)

    def record(self) -> Consent:
        """The row as a record."""
        asked: tuple[tuple[Purpose, bool], ...] = (
            ("review", self.for_review),
            ("teaching", self.for_teaching),
        )
        return Consent(
            id=self.id,
            person=self.person,
            purposes=tuple(purpose for purpose, given in asked if given),
            until=self.until,
            sound=self.sound,
            given_to=self.given_to,
            recorded_at=self.recorded_at,
            withdrawn_at=self.withdrawal.at if self.withdrawal else None,
        )


class RecordingRow(Base):
    """See :class:`RecordingEntry`. ``sha256`` is NULL where no video is kept."""

    __tablename__ = "recordings"
    __table_args__ = (UniqueConstraint("person", "sha256"), NEVER_AGAIN)

    id: Mapped[Id]
    person: Mapped[OfPerson]
    trainer: Mapped[str] = mapped_column(String(CODE), ForeignKey("trainers.code"))
    file: Mapped[Words]
    name: Mapped[Words]
    sha256: Mapped[str | None] = mapped_column(String(64))
    duration_s: Mapped[float]
    mirrored: Mapped[bool]
    protocol: Mapped[Words]
    taken_on: Mapped[date]
    added_at: Mapped[datetime]
    state: Mapped[Word]
    state_text: Mapped[Words]

    def record(self) -> RecordingEntry:
        """The row as a record."""
        return RecordingEntry(
            id=self.id,
            person=self.person,
            trainer=self.trainer,
            file=self.file,
            name=self.name,
            sha256=self.sha256 or "",
            duration_s=self.duration_s,
            mirrored=self.mirrored,
            protocol=self.protocol,
            taken_on=self.taken_on,
            added_at=self.added_at,
            state=RecordingState(self.state),
            state_text=self.state_text,
        )


class SessionFiguresRow(Base):
    """The figures of :class:`SessionRow`, kept up to date with every write."""

    __tablename__ = "session_figures"

    recording_id: Mapped[OfRecording] = mapped_column(primary_key=True, autoincrement=False)
    wash_rubbing_s: Mapped[float | None]
    wash_whole_s: Mapped[float | None]
    surfaces_rubbed: Mapped[int | None]
    surfaces_missed: Mapped[Words]
    surfaces_unclear: Mapped[Words]
    look_flags: Mapped[int]
    open_flags: Mapped[int]
    agreed_flags: Mapped[int]
    signed_on: Mapped[date | None]
    outcome: Mapped[Word | None]
    recheck_on: Mapped[date | None]
    watched: Mapped[int]


class AnalysisRow(Base):
    """One analysis; ``document`` is its JSON."""

    __tablename__ = "analyses"
    __table_args__ = (UniqueConstraint("recording_id", "version"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    version: Mapped[int]
    made_at: Mapped[datetime]
    basis: Mapped[Word]
    document: Mapped[Words]
    by: Mapped[Name]


class CorrectionRow(Base):
    """See :class:`CorrectionSet`. JSON lists; NULL stands for the machine's own answer."""

    __tablename__ = "corrections"
    __table_args__ = (UniqueConstraint("recording_id", "version"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    version: Mapped[int]
    phases: Mapped[list[Any] | None]
    windows: Mapped[list[Any] | None]
    area: Mapped[list[Any] | None]
    by: Mapped[Name]
    at: Mapped[datetime]

    def record(self) -> CorrectionSet:
        """The row as a record."""
        return CorrectionSet(
            recording_id=self.recording_id,
            version=self.version,
            phases=None if self.phases is None else tuple(map(_segment, self.phases)),
            windows=None if self.windows is None else tuple(map(_window, self.windows)),
            by=self.by,
            at=self.at,
            area=None if self.area is None else tuple((x, y) for x, y in self.area),
        )


def segment_as_json(segment: Segment) -> list[Any]:
    """A segment as it is kept."""
    span = segment.interval
    return [segment.phase.value, span.start_s, span.end_s, segment.confidence, segment.source]


def _segment(kept: list[Any]) -> Segment:
    phase, start_s, end_s, confidence, source = kept
    return Segment(Interval(start_s, end_s), Phase(phase), confidence, cast(Source, source))


def _window(kept: list[Any]) -> Window:
    phase, start_s, end_s = kept
    return Phase(phase), float(start_s), float(end_s)


class DecisionRow(Base):
    """See :class:`Decision`."""

    __tablename__ = "decisions"
    __table_args__ = (Index(None, "recording_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    kind: Mapped[Word]
    topic: Mapped[Name]
    start_s: Mapped[float]
    end_s: Mapped[float]
    verdict: Mapped[Word]
    comment: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]
    withdrawal: Mapped[WithdrawalRow | None] = relationship(lazy="joined", viewonly=True)

    def record(self) -> Decision:
        """The row as a record."""
        return Decision(
            id=self.id,
            recording_id=self.recording_id,
            kind=FlagKind(self.kind),
            start_s=self.start_s,
            end_s=self.end_s,
            verdict=Verdict(self.verdict),
            comment=self.comment,
            by=self.by,
            at=self.at,
            topic=self.topic,
            withdrawn_at=self.withdrawal.at if self.withdrawal else None,
        )


class MomentRow(Base):
    """See :class:`Moment`."""

    __tablename__ = "moments"
    __table_args__ = (Index(None, "recording_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    start_s: Mapped[float]
    end_s: Mapped[float]
    text: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]
    withdrawal: Mapped[WithdrawalRow | None] = relationship(lazy="joined", viewonly=True)

    def record(self) -> Moment:
        """The row as a record."""
        return Moment(
            self.id, self.recording_id, self.start_s, self.end_s, self.text, self.by, self.at
        )


class WithdrawalRow(Base):
    """Exactly one thing taken back: a consent, a decision or an added moment; each once."""

    __tablename__ = "withdrawals"
    __table_args__ = (
        CheckConstraint(
            "(CASE WHEN consent_id IS NULL THEN 0 ELSE 1 END)"
            " + (CASE WHEN decision_id IS NULL THEN 0 ELSE 1 END)"
            " + (CASE WHEN moment_id IS NULL THEN 0 ELSE 1 END) = 1",
            name="one_thing",
        ),
        NEVER_AGAIN,
    )

    id: Mapped[Id]
    consent_id: Mapped[int | None] = mapped_column(ForeignKey("consents.id"), unique=True)
    decision_id: Mapped[int | None] = mapped_column(ForeignKey("decisions.id"), unique=True)
    moment_id: Mapped[int | None] = mapped_column(ForeignKey("moments.id"), unique=True)
    by: Mapped[Name]
    at: Mapped[datetime]


class AnswerRow(Base):
    """See :class:`ChecklistAnswer`; the newest row of an item counts."""

    __tablename__ = "answers"
    __table_args__ = (Index(None, "recording_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    item: Mapped[Words]
    answer: Mapped[Word]
    comment: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]

    def record(self) -> ChecklistAnswer:
        """The row as a record."""
        return ChecklistAnswer(
            self.recording_id, self.item, Answer(self.answer), self.comment, self.by, self.at
        )


class CommentRow(Base):
    """See :class:`Comment`."""

    __tablename__ = "comments"
    __table_args__ = (Index(None, "recording_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    text: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]

    def record(self) -> Comment:
        """The row as a record."""
        return Comment(self.id, self.recording_id, self.text, self.by, self.at)


class SignOffRow(Base):
    """See :class:`SignOff`."""

    __tablename__ = "signoffs"
    __table_args__ = (UniqueConstraint("recording_id", "version"), NEVER_AGAIN)

    id: Mapped[Id]
    recording_id: Mapped[OfRecording]
    version: Mapped[int]
    name: Mapped[Name]
    on: Mapped[date]
    outcome: Mapped[Word]
    recheck_on: Mapped[date | None]
    analysis_version: Mapped[int]
    content_sha256: Mapped[str] = mapped_column(String(64))
    by: Mapped[Name]
    at: Mapped[datetime]

    def record(self) -> SignOff:
        """The row as a record."""
        return SignOff(
            id=self.id,
            recording_id=self.recording_id,
            version=self.version,
            name=self.name,
            on=self.on,
            outcome=Outcome(self.outcome),
            recheck_on=self.recheck_on,
            analysis_version=self.analysis_version,
            content_sha256=self.content_sha256,
            by=self.by,
            at=self.at,
        )


class AuditRow(Base):
    """See :class:`AuditEntry`. ``recording_id`` names no row, so that it outlives erasure."""

    __tablename__ = "audit"
    __table_args__ = (Index(None, "recording_id", "id"), NEVER_AGAIN)

    id: Mapped[Id]
    at: Mapped[datetime]
    who: Mapped[Name]
    what: Mapped[Word]
    subject: Mapped[Words]
    detail: Mapped[Words]
    recording_id: Mapped[int | None]

    def record(self) -> AuditEntry:
        """The row as a record."""
        return AuditEntry(self.id, self.at, self.who, self.what, self.subject, self.detail)


ADDED_ONLY: tuple[type[Base], ...] = (
    ConsentRow, AnalysisRow, CorrectionRow, DecisionRow, MomentRow, WithdrawalRow, AnswerRow,
    CommentRow, SignOffRow, AuditRow,
)  # fmt: skip
"""Rows that are never changed or removed once written."""
