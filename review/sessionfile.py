"""One reviewed session as a document: what was found, and what people said about it.

JSON with a versioned schema, ``exchange-review.session/1``. It holds the analysis whole, and
beside it what a person corrected, decided, answered, remarked and signed. An analysis that stands
outside a unit's records makes a session without these (``review`` is null). No place of a file
and no name of a patient is in it: people are known by the unit's own code.

Times inside the recording are seconds from its first picture; moments of entering (``at``) are
UTC; days are of the unit's calendar.
"""

from __future__ import annotations

import errno
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from review.analysis import SCHEMA as ANALYSIS_SCHEMA
from review.analysis import Analysis, FlagKind, TimeS, tool_version
from review.errors import ReviewError
from review.store.records import (
    AnalysisVersion,
    Answer,
    Basis,
    ChecklistAnswer,
    Comment,
    CorrectionSet,
    Decision,
    Moment,
    Outcome,
    RecordingEntry,
    SignOff,
    Verdict,
    match_decisions,
)
from review.timeline import Phase, Source

SCHEMA: Final = "exchange-review.session/1"
"""Name and version of the document; a change that breaks readers raises the number."""


class SessionError(ReviewError):
    """A session document that is not valid."""


class _Record(BaseModel):
    """Frozen and finite. Keys of later releases of the same schema are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class _Entered(_Record):
    by: str = Field(description="Who entered it.")
    at: AwareDatetime


class DecisionRecord(_Entered):
    """What a trainer said about one flagged moment."""

    flag: Annotated[int, Field(ge=0)] | None = Field(
        None, description="Place of the flag in analysis.flags, from 0; null where it is gone."
    )
    kind: FlagKind
    start_s: TimeS
    end_s: TimeS
    topic: str = ""
    verdict: Verdict
    comment: str = ""


class MomentRecord(_Entered):
    """A moment that a trainer added."""

    start_s: TimeS
    end_s: TimeS
    text: str


class AnswerRecord(_Entered):
    """The answer to one item of the checklist, which stands in analysis.protocol.content."""

    item: str
    answer: Answer
    comment: str = ""


class RemarkRecord(_Entered):
    """A remark about the whole recording."""

    text: str


class PhaseSet(_Record):
    """One phase of a corrected timeline; ``source`` says who it is from."""

    phase: Phase
    start_s: TimeS
    end_s: TimeS
    source: Source


class WindowSet(_Record):
    """One open-line window that a person set."""

    phase: Literal[Phase.CONNECT, Phase.DISCONNECT]
    start_s: TimeS
    end_s: TimeS


class CorrectionRecord(_Entered):
    """What a person set in place of the machine's answer; null for the machine's own."""

    version: Annotated[int, Field(ge=1)]
    phases: tuple[PhaseSet, ...] | None = None
    windows: tuple[WindowSet, ...] | None = None
    area: tuple[tuple[float, float], ...] | None = None


class SignOffRecord(_Entered):
    """A signature under one state of the review."""

    version: Annotated[int, Field(ge=1)]
    name: str
    on: date
    outcome: Outcome
    recheck_on: date | None = None
    analysis_version: Annotated[int, Field(ge=1)]
    content_sha256: str


class ReviewRecord(_Record):
    """What the unit's records say about one analysed recording.

    ``stale``: the corrections are not followed yet by the measures, because hand and face
    positions are not kept. ``changed_since_signing``: something changed after the last signature.
    """

    recording_id: int
    person: str = Field(description="The unit's own code of the person who practised.")
    trainer: str = Field(description="Code of the trainer.")
    trainer_name: str = ""
    taken_on: date
    note: str = ""
    analysis_version: Annotated[int, Field(ge=1)]
    made_at: AwareDatetime
    basis: Basis
    stale: bool = False
    corrections: CorrectionRecord | None = None
    decisions: tuple[DecisionRecord, ...] = ()
    moments: tuple[MomentRecord, ...] = ()
    answers: tuple[AnswerRecord, ...] = ()
    remarks: tuple[RemarkRecord, ...] = ()
    sign_offs: tuple[SignOffRecord, ...] = ()
    changed_since_signing: bool = False


class Session(_Record):
    """One session, as it was when it was written out."""

    model_config = ConfigDict(populate_by_name=True)

    schema_name: Literal["exchange-review.session/1"] = Field(SCHEMA, alias="schema")
    tool_version: str = Field(default_factory=tool_version)
    written_at: AwareDatetime = Field(default_factory=lambda: datetime.now(UTC))
    analysis: Analysis
    review: ReviewRecord | None = None

    @model_validator(mode="after")
    def _decisions_point_to_flags(self) -> Self:
        decisions = self.review.decisions if self.review else ()
        for decision in decisions:
            if decision.flag is not None and decision.flag >= len(self.analysis.flags):
                raise ValueError(f"a decision names flag {decision.flag}, which is not there")
        return self

    def decision_on(self, flag: int) -> DecisionRecord | None:
        """The decision about the flag at this place of the analysis, from 0."""
        decisions = self.review.decisions if self.review else ()
        return next((decision for decision in decisions if decision.flag == flag), None)

    def decisions(self) -> tuple[Decision, ...]:
        """The decisions as the records hold them; their numbers count from 0 here."""
        review = self.review
        return (
            tuple(
                Decision(
                    id=number,
                    recording_id=review.recording_id,
                    kind=decision.kind,
                    start_s=decision.start_s,
                    end_s=decision.end_s,
                    verdict=decision.verdict,
                    comment=decision.comment,
                    by=decision.by,
                    at=decision.at,
                    topic=decision.topic,
                )
                for number, decision in enumerate(review.decisions)
            )
            if review
            else ()
        )

    def answers(self) -> tuple[ChecklistAnswer, ...]:
        """The checklist's answers as the records hold them."""
        review = self.review
        return (
            tuple(
                ChecklistAnswer(review.recording_id, a.item, a.answer, a.comment, a.by, a.at)
                for a in review.answers
            )
            if review
            else ()
        )

    def to_json(self) -> str:
        """The document as indented JSON text, ending in a newline."""
        content = self.model_dump(mode="json", by_alias=True)
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, file: str = "session") -> Session:
        """Read a session, or an analysis as a session without a review.

        Args:
            text: the document.
            file: how messages call it.

        Raises:
            SessionError: if it is neither, is of another version, or breaks the schema.
            AnalysisError: if it is an analysis that is not valid.
        """
        try:
            content = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise SessionError(
                f"{file}: this is neither a session nor an analysis (not JSON: {error}). Name the "
                f"number of a recording, or a file that 'exchange-review analyse' wrote."
            ) from error
        schema = content.get("schema") if isinstance(content, dict) else None
        if schema == ANALYSIS_SCHEMA:
            return cls(analysis=Analysis.from_json(text, file))
        if schema != SCHEMA:
            raise SessionError(
                f"{file}: this is neither a session nor an analysis (its 'schema' is {schema!r}, "
                f"this release reads {SCHEMA!r} and {ANALYSIS_SCHEMA!r}). Choose another file."
            )
        try:
            return cls.model_validate(content)
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(part) for part in first["loc"]) or "the document"
            raise SessionError(
                f"{file}: {key}: {first['msg']}. The file was changed or damaged; write it anew "
                f"with 'exchange-review report'."
            ) from error


def read_session(path: Path) -> Session:
    """Read a session or an analysis file.

    Raises:
        SessionError: if it cannot be read or is neither.
        AnalysisError: if it is an analysis that is not valid.
    """
    try:
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, "it is no ordinary file")  # a pipe may never end
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        raise SessionError(
            f"{path}: this file cannot be read ({reason}). Choose an analysis (.json)."
        ) from error
    return Session.from_json(text, str(path))


# --- from the records --------------------------------------------------------------------------


def review_record(
    entry: RecordingEntry,
    version: AnalysisVersion,
    *,
    trainer_name: str = "",
    stale: bool = False,
    corrections: CorrectionSet | None = None,
    decisions: Sequence[Decision] = (),
    moments: Iterable[Moment] = (),
    answers: Iterable[ChecklistAnswer] = (),
    remarks: Iterable[Comment] = (),
    sign_offs: Iterable[SignOff] = (),
    changed_since_signing: bool = False,
) -> ReviewRecord:
    """What the records say about a recording, as part of the document."""
    return ReviewRecord(
        recording_id=entry.id,
        person=entry.person,
        trainer=entry.trainer,
        trainer_name=trainer_name,
        taken_on=entry.taken_on,
        note=entry.state_text,
        analysis_version=version.version,
        made_at=version.made_at,
        basis=version.basis,
        stale=stale,
        corrections=None if corrections is None else _correction(corrections),
        decisions=_decisions(version.analysis, decisions),
        moments=tuple(MomentRecord.model_validate(_content(moment)) for moment in moments),
        answers=tuple(AnswerRecord.model_validate(_content(answer)) for answer in answers),
        remarks=tuple(RemarkRecord.model_validate(_content(remark)) for remark in remarks),
        sign_offs=tuple(SignOffRecord.model_validate(_content(signed)) for signed in sign_offs),
        changed_since_signing=changed_since_signing,
    )


def _content(record: Moment | ChecklistAnswer | Comment | SignOff | Decision) -> Mapping[str, Any]:
    """The fields of a frozen record; those that the document does not have are passed over."""
    return {name: getattr(record, name) for name in record.__dataclass_fields__}


def _decisions(analysis: Analysis, decisions: Sequence[Decision]) -> tuple[DecisionRecord, ...]:
    """Each decision with the flag it belongs to, in the order of entering."""
    matched = match_decisions(analysis.flags, decisions)
    place = {decision.id: number for number, decision in enumerate(matched) if decision}
    return tuple(
        DecisionRecord.model_validate({**_content(decision), "flag": place.get(decision.id)})
        for decision in decisions
    )


def _correction(corrections: CorrectionSet) -> CorrectionRecord:
    phases, windows = corrections.phases, corrections.windows
    return CorrectionRecord(
        version=corrections.version,
        phases=None
        if phases is None
        else tuple(
            PhaseSet(
                phase=segment.phase,
                start_s=segment.interval.start_s,
                end_s=segment.interval.end_s,
                source=segment.source,
            )
            for segment in phases
        ),
        windows=None
        if windows is None
        else tuple(
            WindowSet.model_validate({"phase": phase, "start_s": start, "end_s": end})
            for phase, start, end in windows
        ),
        area=corrections.area,
        by=corrections.by,
        at=corrections.at,
    )
