"""Many people and trainers at once: all of them or none."""

from __future__ import annotations

from collections.abc import Sequence

from review.store.base import Part
from review.store.entering import checked_code, checked_language, checked_text, needed_text
from review.store.records import Person, StoreError, Trainer
from review.store.tables import NAME, PersonRow, TrainerRow


class EnrollingPart(Part):
    """Lists of people and trainers."""

    def enrol(self, people: Sequence[Person], trainers: Sequence[Trainer], *, by: str) -> None:
        """Add people and trainers in one transaction; with none of either nothing is written.

        Each is noted in the audit as if added by itself, and the list as a whole.

        Raises:
            StoreError: if a code is not allowed or taken, or a value is not allowed; nothing was
                added then.
        """
        if not people and not trainers:
            return
        with self._writing(by) as writing:
            for person in people:
                code = checked_code(person.code, "person")
                if writing.session.get(PersonRow, code) is not None:
                    raise StoreError(f"The code {code!r} is taken by another person by now.")
                writing.add(
                    PersonRow(
                        code=code,
                        note=checked_text(person.note, "note"),
                        language=checked_language(person.language),
                        active=person.active,
                    )
                )
                writing.note("added", f"person {code}", "from a list")
            for trainer in trainers:
                code = checked_code(trainer.code, "trainer")
                if writing.session.get(TrainerRow, code) is not None:
                    raise StoreError(f"The code {code!r} is taken by another trainer by now.")
                name = needed_text(trainer.name, "trainer's name", NAME)
                writing.add(TrainerRow(code=code, name=name, active=trainer.active))
                writing.note("added", f"trainer {code}", "from a list")
            writing.note(
                "list taken in", "the unit", f"{len(people)} people, {len(trainers)} trainers"
            )
