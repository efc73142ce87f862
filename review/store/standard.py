"""Answers to targets, events, and all that was said in a unit at once."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from review.analysis import FlagKind, FlagLevel
from review.protocol import Trigger
from review.store.base import people_with_consent, person_row
from review.store.entering import (
    checked_text,
    checked_word,
)
from review.store.figures import latest_analysis
from review.store.records import (
    NEAR_S,
    Answer,
    ChecklistAnswer,
    Decision,
    Moment,
    StoreError,
    Verdict,
    gap_s,
    standing_decisions,
)
from review.store.standard_blind import BlindPart
from review.store.standard_figures import read_results
from review.store.standard_records import (
    JudgedMoment,
    PersonEvent,
    TargetResults,
)
from review.store.standard_tables import (
    EventRow,
    EventTakenBackRow,
    TargetResultsRow,
)
from review.store.tables import (
    AnswerRow,
    DecisionRow,
    MomentRow,
    RecordingRow,
    WithdrawalRow,
)


class StandardPart(BlindPart):
    """What holds a unit to one standard. Only people with a current consent are in it."""

    def target_results(self) -> dict[int, TargetResults]:
        """By recording, the answer of its latest analysis to every target."""
        query = select(
            TargetResultsRow.recording_id, TargetResultsRow.results, RecordingRow.person
        ).join(RecordingRow, RecordingRow.id == TargetResultsRow.recording_id)
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            return {
                number: read_results(kept)
                for number, kept, person in session.execute(query)
                if person in allowed
            }

    # --- events ------------------------------------------------------------------------------

    def events(self, *, taken_back: bool = False) -> tuple[PersonEvent, ...]:
        """What happened to people, by day; with ``taken_back`` also what was a mistake."""
        query = select(EventRow).order_by(EventRow.on, EventRow.id)
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            found = [row.record() for row in session.scalars(query) if row.person in allowed]
        return tuple(e for e in found if taken_back or e.taken_back_at is None)

    def add_event(
        self, person: str, *, kind: Trigger | str, on: date, note: str = "", by: str
    ) -> PersonEvent:
        """Keep that something happened to a person.

        Args:
            person: the person's code.
            kind: what happened.
            on: the day it happened, or ended; not in the future.
            note: may be empty.
            by: who enters it.

        Raises:
            StoreError: if there is no such person or kind, or the day is still to come.
            ConsentError: if the person has no current consent to review.
        """
        kind = checked_word(kind, Trigger, "event")
        note = checked_text(note, "note")
        if on > self.today():
            raise StoreError(f"{on} is still to come; enter an event once it has happened.")
        with self._writing(by) as writing:
            person_row(writing.session, person)
            self._require_consent(writing.session, person)
            row = writing.add(
                EventRow(
                    person=person,
                    kind=kind.value,
                    on=on,
                    note=note,
                    by=writing.by,
                    at=writing.at,
                    taken_back=None,
                )
            )
            writing.note("event entered", f"person {person}", f"{kind.value} on {on}")
            return row.record()

    def take_event_back(self, event_id: int, *, by: str) -> None:
        """Take back an event that was entered by mistake; that it was there is kept.

        Raises:
            StoreError: if there is no such event or it was taken back before.
            ConsentError: if the person has no current consent to review.
        """
        with self._writing(by) as writing:
            row = writing.session.get(EventRow, event_id)
            if row is None:
                raise StoreError(f"There is no event {event_id}; look at the list again.")
            self._require_consent(writing.session, row.person)
            if row.taken_back is not None:
                raise StoreError("This event was taken back before; nothing is left to do.")
            writing.add(EventTakenBackRow(event_id=row.id, by=writing.by, at=writing.at))
            writing.session.refresh(row)
            writing.note("event taken back", f"person {row.person}", f"event {row.id}")

    # --- all that was said, at once ----------------------------------------------------------

    def all_decisions(self) -> dict[int, tuple[Decision, ...]]:
        """By recording, the decisions that count now."""
        row = DecisionRow
        query = (
            select(
                row.id, row.recording_id, row.kind, row.topic, row.start_s, row.end_s, row.verdict,
                row.by, row.at, RecordingRow.person,
            )
            .join(RecordingRow, RecordingRow.id == row.recording_id)
            .outerjoin(WithdrawalRow, WithdrawalRow.decision_id == row.id)
            .where(WithdrawalRow.id.is_(None))
            .order_by(row.id)
        )  # fmt: skip
        history: dict[int, list[Decision]] = {}
        for number, recording, kind, topic, start, end, verdict, by, at in self._allowed(query):
            history.setdefault(recording, []).append(
                Decision(
                    id=number,
                    recording_id=recording,
                    kind=FlagKind(kind),
                    start_s=start,
                    end_s=end,
                    verdict=Verdict(verdict),
                    comment="",
                    by=by,
                    at=at,
                    topic=topic,
                )
            )
        return {number: standing_decisions(made) for number, made in history.items()}

    def all_answers(self) -> dict[int, tuple[ChecklistAnswer, ...]]:
        """By recording, the latest answer to each item of its checklist; without comments."""
        row = AnswerRow
        query = (
            select(row.recording_id, row.item, row.answer, row.by, row.at, RecordingRow.person)
            .join(RecordingRow, RecordingRow.id == row.recording_id)
            .order_by(row.id)
        )
        latest: dict[int, dict[str, ChecklistAnswer]] = {}
        for recording, item, answer, by, at in self._allowed(query):
            latest.setdefault(recording, {})[item] = ChecklistAnswer(
                recording, item, Answer(answer), "", by, at
            )
        return {number: tuple(items.values()) for number, items in latest.items()}

    def all_moments(self) -> dict[int, tuple[JudgedMoment, ...]]:
        """By recording, the moments that trainers added, and whether a flag was there."""
        query = (
            select(MomentRow, RecordingRow.person)
            .join(RecordingRow, RecordingRow.id == MomentRow.recording_id)
            .order_by(MomentRow.start_s, MomentRow.id)
        )
        found: dict[int, list[Moment]] = {}
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            for row, person in session.execute(query):
                if person in allowed and row.withdrawal is None:
                    found.setdefault(row.recording_id, []).append(row.record())
            return {number: _judged(session, number, moments) for number, moments in found.items()}

    def _allowed(self, query: Select[Any]) -> Iterable[tuple[Any, ...]]:
        """Rows of people with a consent; the person stands last in the query and is cut off."""
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            return [tuple(row[:-1]) for row in session.execute(query) if row[-1] in allowed]


def _judged(
    session: Session, recording_id: int, moments: Iterable[Moment]
) -> tuple[JudgedMoment, ...]:
    latest = latest_analysis(session, recording_id)
    flags = latest.analysis.flags if latest else ()
    claims = [flag for flag in flags if flag.level is not FlagLevel.CANNOT_TELL]
    return tuple(
        JudgedMoment(moment, any(gap_s(flag, moment) <= NEAR_S for flag in claims))
        for moment in moments
    )
