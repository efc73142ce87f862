"""Blind reviews: asked for, filled in by one trainer, finished, called off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.analysis import FlagKind
from review.store.base import Part, Writing, people_with_consent
from review.store.entering import checked_span, checked_text, checked_word, needed_text
from review.store.figures import latest_analysis
from review.store.records import Answer, Decision, StoreError, Verdict, standing_decisions
from review.store.standard_records import BlindReview, BlindState
from review.store.standard_tables import (
    BlindAnswerRow,
    BlindEndingRow,
    BlindReviewRow,
    BlindVerdictRow,
)
from review.store.tables import (
    NAME,
    AnswerRow,
    DecisionRow,
    MomentRow,
    RecordingRow,
    SignOffRow,
    TrainerRow,
)


class BlindPart(Part):
    """Blind reviews. Nothing entered in an open one is shown to anybody else."""

    def blind_reviews(
        self, *, recording_id: int | None = None, trainer: str | None = None
    ) -> tuple[BlindReview, ...]:
        """Blind reviews, oldest first; of one recording or trainer if they are named."""
        query = (
            select(BlindReviewRow, RecordingRow.person)
            .join(RecordingRow, RecordingRow.id == BlindReviewRow.recording_id)
            .order_by(BlindReviewRow.id)
        )
        if recording_id is not None:
            query = query.where(BlindReviewRow.recording_id == recording_id)
        if trainer is not None:
            query = query.where(BlindReviewRow.trainer == trainer)
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            rows = [row for row, person in session.execute(query) if person in allowed]
            return _blind_records(session, rows)

    def ask_blind_review(self, recording_id: int, trainer: str, *, by: str) -> BlindReview:
        """Ask a trainer to review a recording without seeing what others said of it.

        Raises:
            StoreError: if there is no such recording or trainer, there is no analysis yet, the
                trainer was asked before, or has said something about the recording already.
            ConsentError: if it may not be reviewed.
        """
        with self._writing(by) as writing:
            recording = self._reviewable(writing.session, recording_id)
            if writing.session.get(TrainerRow, trainer) is None:
                raise StoreError(f"There is no trainer with the code {trainer!r}; choose another.")
            if latest_analysis(writing.session, recording_id) is None:
                raise StoreError(f"{recording.name} has no analysis yet; let it be analysed first.")
            same = select(BlindReviewRow.id).where(
                BlindReviewRow.recording_id == recording_id, BlindReviewRow.trainer == trainer
            )
            if writing.session.scalar(same) is not None:
                raise StoreError(f"{trainer} was asked about this recording before.")
            if _has_spoken(writing.session, recording_id, trainer):
                raise StoreError(
                    f"{trainer} has said something about this recording already and so cannot "
                    "look at it blind; ask somebody else."
                )
            row = writing.add(
                BlindReviewRow(
                    recording_id=recording_id,
                    trainer=trainer,
                    by=writing.by,
                    at=writing.at,
                    ending=None,
                )
            )
            writing.note_on(recording, "asked for a blind review", f"of {trainer}")
            return _blind_records(writing.session, [row])[0]

    def answer_blind(self, review_id: int, answers: Mapping[str, Answer | str], *, by: str) -> None:
        """Keep answers of a blind review, all or none; they replace earlier ones to the same items.

        Args:
            review_id: the blind review.
            answers: by item of the checklist.
            by: the trainer who was asked.

        Raises:
            StoreError: if it is over, belongs to somebody else, or an answer is no answer.
            ConsentError: if the recording may not be reviewed.
        """
        rows = [
            BlindAnswerRow(
                review_id=review_id,
                item=needed_text(item, "item of the checklist"),
                answer=checked_word(answer, Answer, "answer").value,
            )
            for item, answer in answers.items()
        ]
        with self._writing(by) as writing:
            _, recording = self._open_review(writing, review_id)
            for row in rows:
                row.by, row.at = writing.by, writing.at
                writing.session.add(row)
                # Without the answer: others who are still to look at it blind may read this.
                writing.note_on(recording, "answered blind", row.item[:80])

    def judge_blind(
        self,
        review_id: int,
        *,
        kind: FlagKind | str,
        start_s: float,
        end_s: float,
        topic: str = "",
        verdict: Verdict | str,
        by: str,
    ) -> None:
        """Keep what a blind review says about a flag; it replaces what it said before.

        Raises:
            StoreError: if it is over, belongs to somebody else, or the verdict is none.
            ConsentError: if the recording may not be reviewed.
        """
        start_s, end_s = checked_span(start_s, end_s)
        row = BlindVerdictRow(
            review_id=review_id,
            kind=checked_word(kind, FlagKind, "kind of flag").value,
            topic=checked_text(topic, "topic", NAME),
            start_s=start_s,
            end_s=end_s,
            verdict=checked_word(verdict, Verdict, "verdict").value,
        )
        with self._writing(by) as writing:
            _, recording = self._open_review(writing, review_id)
            row.by, row.at = writing.by, writing.at
            writing.add(row)
            writing.note_on(recording, "decided blind", f"{row.kind} at {start_s} s")

    def finish_blind(self, review_id: int, *, by: str) -> None:
        """End a blind review; nothing can be added to it, and others' answers may be seen.

        Raises:
            StoreError: if it is over, belongs to somebody else, or nothing was answered.
            ConsentError: if the recording may not be reviewed.
        """
        with self._writing(by) as writing:
            review, recording = self._open_review(writing, review_id)
            said = (
                select(table.id).where(table.review_id == review_id).limit(1)
                for table in (BlindAnswerRow, BlindVerdictRow)
            )
            if all(writing.session.scalar(query) is None for query in said):
                raise StoreError("Nothing was answered yet; answer something, then finish.")
            _end(writing, review, BlindState.FINISHED)
            writing.note_on(recording, "finished a blind review", f"of {review.trainer}")

    def call_off_blind(self, review_id: int, *, by: str) -> None:
        """Call off a blind review that is not finished; its answers are kept and not used.

        Raises:
            StoreError: if there is no such review or it is over.
            ConsentError: if the recording may not be reviewed.
        """
        with self._writing(by) as writing:
            review, recording = self._open_review(writing, review_id, anybody=True)
            _end(writing, review, BlindState.CALLED_OFF)
            writing.note_on(recording, "called off a blind review", f"of {review.trainer}")

    def must_stay_blind(self, recording_id: int, trainer: str) -> bool:
        """Whether an open blind review keeps this trainer from seeing what others said."""
        review, ending = BlindReviewRow, BlindEndingRow
        query = (
            select(review.id)
            .outerjoin(ending, ending.review_id == review.id)
            .where(review.recording_id == recording_id, review.trainer == trainer)
            .where(ending.id.is_(None))
        )
        with self._database.reading() as session:
            return session.scalar(query) is not None

    def _open_review(
        self, writing: Writing, review_id: int, *, anybody: bool = False
    ) -> tuple[BlindReviewRow, RecordingRow]:
        review = writing.session.get(BlindReviewRow, review_id)
        if review is None:
            raise StoreError(f"There is no blind review {review_id}; look at the list again.")
        recording = self._reviewable(writing.session, review.recording_id)
        if review.ending is not None:
            raise StoreError("This blind review is over; nothing can be added to it.")
        if not anybody and review.trainer != writing.by:
            raise StoreError(
                f"This blind review is {review.trainer}'s own; nobody else may fill it."
            )
        return review, recording


def _has_spoken(session: Session, recording_id: int, trainer: str) -> bool:
    """Whether somebody entered anything about a recording."""
    return any(
        session.scalar(
            select(table.id).where(table.recording_id == recording_id, table.by == trainer).limit(1)
        )
        is not None
        for table in (DecisionRow, AnswerRow, MomentRow, SignOffRow)
    )


def _end(writing: Writing, review: BlindReviewRow, how: BlindState) -> None:
    writing.add(BlindEndingRow(review_id=review.id, how=how.value, by=writing.by, at=writing.at))
    writing.session.refresh(review)


def _blind_records(session: Session, rows: list[BlindReviewRow]) -> tuple[BlindReview, ...]:
    numbers = [row.id for row in rows]
    answers = _blind_answers(session, numbers)
    verdicts = _blind_verdicts(session, {row.id: row.recording_id for row in rows})
    return tuple(
        BlindReview(
            id=row.id,
            recording_id=row.recording_id,
            trainer=row.trainer,
            by=row.by,
            at=row.at,
            state=BlindState(row.ending.how) if row.ending else BlindState.OPEN,
            answers=answers.get(row.id, {}),
            decisions=verdicts.get(row.id, ()),
        )
        for row in rows
    )


_AT_ONCE = 500
"""Databases take only so many values in one question (SQLite's older limit is 999)."""


def _portions(numbers: list[int]) -> Iterable[list[int]]:
    return (numbers[at : at + _AT_ONCE] for at in range(0, len(numbers), _AT_ONCE))


def _blind_answers(session: Session, numbers: list[int]) -> Mapping[int, Mapping[str, Answer]]:
    found: dict[int, dict[str, Answer]] = {}
    for some in _portions(numbers):
        query = select(BlindAnswerRow).where(BlindAnswerRow.review_id.in_(some))
        for row in session.scalars(query.order_by(BlindAnswerRow.id)):
            found.setdefault(row.review_id, {})[row.item] = Answer(row.answer)
    return found


def _blind_verdicts(
    session: Session, recordings: Mapping[int, int]
) -> Mapping[int, tuple[Decision, ...]]:
    found: dict[int, list[Decision]] = {}
    for some in _portions(list(recordings)):
        query = select(BlindVerdictRow).where(BlindVerdictRow.review_id.in_(some))
        for row in session.scalars(query.order_by(BlindVerdictRow.id)):
            found.setdefault(row.review_id, []).append(
                Decision(
                    id=row.id,
                    recording_id=recordings[row.review_id],
                    kind=FlagKind(row.kind),
                    start_s=row.start_s,
                    end_s=row.end_s,
                    verdict=Verdict(row.verdict),
                    comment="",
                    by=row.by,
                    at=row.at,
                    topic=row.topic,
                )
            )
    return {number: standing_decisions(made) for number, made in found.items()}
