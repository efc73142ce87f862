"""What trainers say about a recording: decisions, moments, answers, comments, signatures."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.analysis import FlagKind
from review.store.base import Part, Writing, next_version
from review.store.entering import (
    checked_span,
    checked_text,
    checked_word,
    needed_text,
)
from review.store.figures import decision_history, latest_analysis, refresh_figures, standing
from review.store.records import (
    Answer,
    ChecklistAnswer,
    Comment,
    Decision,
    Moment,
    Outcome,
    SignOff,
    StoreError,
    Verdict,
)
from review.store.tables import (
    NAME,
    AnswerRow,
    CommentRow,
    CorrectionRow,
    DecisionRow,
    MomentRow,
    SessionFiguresRow,
    SignOffRow,
    WithdrawalRow,
)

Entered = TypeVar("Entered", DecisionRow, MomentRow)


class ReviewingPart(Part):
    """All that is entered while reviewing. Every method may raise what stands here.

    Raises:
        StoreError: if there is no such recording, or what is entered is not allowed.
        ConsentError: if the recording may not be reviewed.
    """

    # --- decisions ---------------------------------------------------------------------------

    def decisions(self, recording_id: int) -> tuple[Decision, ...]:
        """The decisions that count now, one a flag; see ``records.match_decisions``."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return standing(session, recording_id)

    def decision_history(self, recording_id: int) -> tuple[Decision, ...]:
        """All decisions ever made, oldest first, undone ones too."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return decision_history(session, recording_id)

    def decide(
        self,
        recording_id: int,
        *,
        kind: FlagKind | str,
        start_s: float,
        end_s: float,
        verdict: Verdict | str,
        comment: str = "",
        topic: str = "",
        by: str,
    ) -> Decision:
        """Keep what a trainer says about a flag; it replaces what was said about it before.

        Args:
            recording_id: the recording.
            kind: of the flag.
            start_s: of the flag, seconds.
            end_s: of the flag, seconds.
            verdict: agree, disagree or unsure.
            comment: may be empty.
            topic: ``records.flag_topic(flag)``; it matters where two flags share kind and span.
            by: who decides.
        """
        start_s, end_s = checked_span(start_s, end_s)
        row = DecisionRow(
            recording_id=recording_id,
            kind=checked_word(kind, FlagKind, "kind of flag").value,
            topic=checked_text(topic, "topic", NAME),
            start_s=start_s,
            end_s=end_s,
            verdict=checked_word(verdict, Verdict, "verdict").value,
            comment=checked_text(comment, "comment"),
            withdrawal=None,
        )
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row.by, row.at = writing.by, writing.at
            writing.add(row)
            refresh_figures(writing.session, recording_id)
            writing.note_on(recording, "decided", f"{row.kind} at {start_s} s: {row.verdict}")
            return row.record()

    def undo_decision(self, recording_id: int, decision_id: int, *, by: str) -> None:
        """Take a decision back; what was decided about the flag before it counts again."""
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row = _take_back(writing, DecisionRow, recording_id, decision_id, "decision")
            writing.add(WithdrawalRow(decision_id=row.id, by=writing.by, at=writing.at))
            writing.session.refresh(row)
            refresh_figures(writing.session, recording_id)
            writing.note_on(recording, "undid", f"decision {decision_id} ({row.verdict})")

    # --- moments -----------------------------------------------------------------------------

    def moments(self, recording_id: int) -> tuple[Moment, ...]:
        """The moments that trainers added, by time; removed ones are left out."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return _moments(session, recording_id)

    def add_moment(
        self, recording_id: int, *, start_s: float, end_s: float, text: str, by: str
    ) -> Moment:
        """Add a moment, in seconds; it may have no length, but says what it is about."""
        start_s, end_s = checked_span(start_s, end_s)
        text = needed_text(text, "text of the moment")
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row = writing.add(
                MomentRow(
                    recording_id=recording_id,
                    start_s=start_s,
                    end_s=end_s,
                    text=text,
                    by=writing.by,
                    at=writing.at,
                    withdrawal=None,
                )
            )
            writing.note_on(recording, "added a moment", f"moment {row.id} at {start_s} s")
            return row.record()

    def remove_moment(self, recording_id: int, moment_id: int, *, by: str) -> None:
        """Remove a moment from the list; that it was there is kept."""
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row = _take_back(writing, MomentRow, recording_id, moment_id, "moment")
            writing.add(WithdrawalRow(moment_id=row.id, by=writing.by, at=writing.at))
            writing.note_on(recording, "removed a moment", f"moment {moment_id}")

    # --- checklist and comments --------------------------------------------------------------

    def answers(self, recording_id: int) -> tuple[ChecklistAnswer, ...]:
        """The latest answer to each item that was answered, in the order of first answers."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return _answers(session, recording_id)

    def answer(
        self,
        recording_id: int,
        *,
        item: str,
        answer: Answer | str,
        comment: str = "",
        by: str,
    ) -> ChecklistAnswer:
        """Answer an item of the checklist; it replaces an earlier answer to the same item."""
        row = AnswerRow(
            recording_id=recording_id,
            item=needed_text(item, "item of the checklist"),
            answer=checked_word(answer, Answer, "answer").value,
            comment=checked_text(comment, "comment"),
        )
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row.by, row.at = writing.by, writing.at
            writing.add(row)
            writing.note_on(recording, "answered", f"{row.item[:80]}: {row.answer}")
            return row.record()

    def answer_all(
        self, recording_id: int, answers: Mapping[str, Answer | str], *, by: str
    ) -> None:
        """Answer several items of the checklist at once, all of them or none; see :meth:`answer`.

        Args:
            recording_id: the recording.
            answers: by item.
            by: who answers.
        """
        rows = [
            AnswerRow(
                recording_id=recording_id,
                item=needed_text(item, "item of the checklist"),
                answer=checked_word(answer, Answer, "answer").value,
                comment="",
            )
            for item, answer in answers.items()
        ]
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            for row in rows:
                row.by, row.at = writing.by, writing.at
                writing.session.add(row)
                writing.note_on(recording, "answered", f"{row.item[:80]}: {row.answer}")

    def comments(self, recording_id: int) -> tuple[Comment, ...]:
        """The remarks about the whole recording, oldest first."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return _comments(session, recording_id)

    def comment(self, recording_id: int, text: str, *, by: str) -> Comment:
        """Add a remark."""
        text = needed_text(text, "comment")
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            row = writing.add(
                CommentRow(recording_id=recording_id, text=text, by=writing.by, at=writing.at)
            )
            writing.note_on(recording, "commented", f"comment {row.id}")
            return row.record()

    # --- signatures --------------------------------------------------------------------------

    def signoffs(self, recording_id: int) -> tuple[SignOff, ...]:
        """All signatures, oldest first."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return _signoffs(session, recording_id)

    def sign(
        self,
        recording_id: int,
        *,
        name: str,
        on: date,
        outcome: Outcome | str,
        recheck_on: date | None,
        by: str,
    ) -> SignOff:
        """Sign the review as it stands; it needs an analysis. Signing again is a new version.

        Args:
            recording_id: the recording.
            name: of the one who signs.
            on: day of signing.
            outcome: signed_off or practise_more.
            recheck_on: day on which to look again, later than ``on``, or None.
            by: who is at the keyboard.
        """
        name = needed_text(name, "name", NAME)
        outcome = checked_word(outcome, Outcome, "outcome")
        if recheck_on is not None and recheck_on <= on:
            raise StoreError(f"The next look on {recheck_on} must be after the signing on {on}.")
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            latest = latest_analysis(writing.session, recording_id)
            if latest is None:
                raise StoreError(
                    f"{recording.name} has no analysis yet; let it be analysed, then sign."
                )
            row = writing.add(
                SignOffRow(
                    recording_id=recording_id,
                    version=next_version(writing.session, SignOffRow, recording_id),
                    name=name,
                    on=on,
                    outcome=outcome.value,
                    recheck_on=recheck_on,
                    analysis_version=latest.version,
                    content_sha256=_content_sha256(writing.session, recording_id),
                    by=writing.by,
                    at=writing.at,
                )
            )
            figures = writing.session.get_one(SessionFiguresRow, recording_id)
            figures.signed_on, figures.outcome = on, outcome.value
            figures.recheck_on = recheck_on
            writing.note_on(recording, "signed", f"version {row.version}, {outcome.value}")
            return row.record()

    def changed_since_signing(self, recording_id: int) -> bool:
        """Whether anything that was signed last is different now; False if never signed."""
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            signed = _signoffs(session, recording_id)[-1:]
            now = _content_sha256(session, recording_id) if signed else ""
        return bool(signed) and signed[0].content_sha256 != now


def _take_back(
    writing: Writing, table: type[Entered], recording_id: int, row_id: int, what: str
) -> Entered:
    """The row that is to be taken back.

    Raises:
        StoreError: if it is not there, belongs to another recording, or was taken back before.
    """
    row = writing.session.get(table, row_id)
    if row is None or row.recording_id != recording_id:
        raise StoreError(f"This recording has no {what} {row_id}; look at the list again.")
    if row.withdrawal is not None:
        raise StoreError(f"This {what} was taken back before; nothing is left to do.")
    return row


def _moments(session: Session, recording_id: int) -> tuple[Moment, ...]:
    query = select(MomentRow).where(MomentRow.recording_id == recording_id)
    rows = session.scalars(query.order_by(MomentRow.start_s, MomentRow.id))
    return tuple(row.record() for row in rows if row.withdrawal is None)


def _answers(session: Session, recording_id: int) -> tuple[ChecklistAnswer, ...]:
    query = select(AnswerRow).where(AnswerRow.recording_id == recording_id)
    latest = {row.item: row.record() for row in session.scalars(query.order_by(AnswerRow.id))}
    return tuple(latest.values())


def _comments(session: Session, recording_id: int) -> tuple[Comment, ...]:
    query = select(CommentRow).where(CommentRow.recording_id == recording_id)
    return tuple(row.record() for row in session.scalars(query.order_by(CommentRow.id)))


def _signoffs(session: Session, recording_id: int) -> tuple[SignOff, ...]:
    query = select(SignOffRow).where(SignOffRow.recording_id == recording_id)
    return tuple(row.record() for row in session.scalars(query.order_by(SignOffRow.version)))


def _content_sha256(session: Session, recording_id: int) -> str:
    """Hash over all that a signature stands under: SHA-256 of it as JSON with sorted keys."""
    latest = latest_analysis(session, recording_id)
    correction = session.scalars(
        select(CorrectionRow)
        .where(CorrectionRow.recording_id == recording_id)
        .order_by(CorrectionRow.version.desc())
        .limit(1)
    ).first()
    set_by_person = None if correction is None else [correction.phases, correction.windows]
    if set_by_person is not None and correction is not None and correction.area is not None:
        # Only where there is one: signatures of before the area was kept stay as they were.
        set_by_person.append(correction.area)
    content: dict[str, Any] = {
        "analysis": None if latest is None else latest.analysis.without_timing().to_json(),
        "corrections": set_by_person,
        "decisions": [asdict(d) for d in standing(session, recording_id)],
        "moments": [asdict(m) for m in _moments(session, recording_id)],
        "answers": [asdict(a) for a in _answers(session, recording_id)],
        "comments": [asdict(c) for c in _comments(session, recording_id)],
    }
    kept = json.dumps(content, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(kept.encode()).hexdigest()
