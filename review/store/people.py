"""People who learn, people who teach, and what the learners agreed to."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

from sqlalchemy import select

from review.store.base import Part, person_row, standing_consent
from review.store.entering import checked_code, checked_language, checked_text, needed_text
from review.store.records import Consent, Person, Purpose, StoreError, Trainer
from review.store.tables import NAME, ConsentRow, PersonRow, TrainerRow, WithdrawalRow


class PeoplePart(Part):
    """People, trainers and consents."""

    def people(self) -> tuple[Person, ...]:
        """Everybody who learns, by code."""
        with self._database.reading() as session:
            rows = session.scalars(select(PersonRow).order_by(PersonRow.code))
            return tuple(row.record() for row in rows)

    def person(self, code: str) -> Person:
        """One person.

        Raises:
            StoreError: if there is no such code.
        """
        with self._database.reading() as session:
            return person_row(session, code).record()

    def add_person(self, code: str, *, note: str = "", language: str = "en", by: str) -> Person:
        """Add a person under the unit's own code.

        Raises:
            StoreError: if the code is not allowed or taken.
        """
        code = checked_code(code, "person")
        row = PersonRow(
            code=code,
            note=checked_text(note, "note"),
            language=checked_language(language),
            active=True,
        )
        with self._writing(by) as writing:
            if writing.session.get(PersonRow, code) is not None:
                raise StoreError(f"The code {code!r} is taken by another person; choose another.")
            writing.add(row)
            writing.note("added", f"person {code}")
            return row.record()

    def change_person(
        self,
        code: str,
        *,
        note: str | None = None,
        language: str | None = None,
        active: bool | None = None,
        by: str,
    ) -> Person:
        """Change what is known of a person; None leaves it as it is.

        Raises:
            StoreError: if there is no such code, or a value is not allowed.
        """
        with self._writing(by) as writing:
            row = person_row(writing.session, code)
            before = row.record()
            if note is not None:
                row.note = checked_text(note, "note")
            if language is not None:
                row.language = checked_language(language)
            if active is not None:
                row.active = active
            writing.note("changed", f"person {code}", f"was: {before}")
            return row.record()

    def trainers(self) -> tuple[Trainer, ...]:
        """Everybody who teaches, by code."""
        with self._database.reading() as session:
            rows = session.scalars(select(TrainerRow).order_by(TrainerRow.code))
            return tuple(row.record() for row in rows)

    def add_trainer(self, code: str, name: str, *, by: str) -> Trainer:
        """Add a trainer.

        Raises:
            StoreError: if the code is not allowed or taken, or the name is empty.
        """
        code = checked_code(code, "trainer")
        row = TrainerRow(code=code, name=needed_text(name, "trainer's name", NAME), active=True)
        with self._writing(by) as writing:
            if writing.session.get(TrainerRow, code) is not None:
                raise StoreError(f"The code {code!r} is taken by another trainer; choose another.")
            writing.add(row)
            writing.note("added", f"trainer {code}")
            return row.record()

    # --- consent -----------------------------------------------------------------------------

    def consents(self, person: str) -> tuple[Consent, ...]:
        """All that a person agreed to, oldest first, withdrawn ones too.

        Raises:
            StoreError: if there is no such person.
        """
        with self._database.reading() as session:
            person_row(session, person)
            query = select(ConsentRow).where(ConsentRow.person == person).order_by(ConsentRow.id)
            return tuple(row.record() for row in session.scalars(query))

    def current_consent(self, person: str, on: date | None = None) -> Consent | None:
        """The consent to review that holds on a day (default today), or None.

        Only the latest consent counts; an earlier one does not come back when it ends.

        Raises:
            StoreError: if there is no such person.
        """
        with self._database.reading() as session:
            person_row(session, person)
            consent = standing_consent(session, person)
        return consent if consent and consent.holds(on or self.today()) else None

    def add_consent(
        self,
        person: str,
        *,
        purposes: Collection[Purpose],
        until: date | None,
        sound: bool,
        by: str,
    ) -> Consent:
        """Record what a person agreed to; it replaces what was agreed before.

        Args:
            person: the person's code.
            purposes: ``review``, ``teaching`` or both.
            until: last day on which it holds, or None.
            sound: whether the sound may be kept and used.
            by: who took it.

        Raises:
            StoreError: if there is no such person, no purpose, or the last day is past.
        """
        if not purposes or not set(purposes) <= {"review", "teaching"}:
            raise StoreError("A consent needs a purpose: 'review', 'teaching' or both.")
        if until is not None and until < self.today():
            raise StoreError(f"A consent until {until} has already ended; choose a later day.")
        with self._writing(by) as writing:
            person_row(writing.session, person)
            row = writing.add(
                ConsentRow(
                    person=person,
                    for_review="review" in purposes,
                    for_teaching="teaching" in purposes,
                    until=until,
                    sound=sound,
                    given_to=writing.by,
                    recorded_at=writing.at,
                    withdrawal=None,
                )
            )
            consent = row.record()
            writing.note(
                "consent recorded",
                f"person {person}",
                f"for {' and '.join(consent.purposes)}, until {until or 'further notice'}, "
                f"{'with' if sound else 'without'} sound",
            )
            return consent

    def withdraw_consent(self, consent_id: int, *, by: str) -> Consent:
        """Take a consent back, from now on.

        Raises:
            StoreError: if there is no such consent or it was withdrawn before.
        """
        with self._writing(by) as writing:
            row = writing.session.get(ConsentRow, consent_id)
            if row is None:
                raise StoreError(f"There is no consent {consent_id}; choose one from the list.")
            if row.withdrawal is not None:
                raise StoreError("This consent was withdrawn before; nothing is left to do.")
            writing.add(WithdrawalRow(consent_id=row.id, by=writing.by, at=writing.at))
            writing.note("consent withdrawn", f"person {row.person}", f"consent {row.id}")
            writing.session.refresh(row)
            return row.record()
