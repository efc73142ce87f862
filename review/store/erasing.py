"""Erasing all that the records hold about a person, for good.

In this order, so that it can be killed at any moment and goes on when the records are opened
next: the plan is kept (and the consent ends, so that nothing is shown or analysed any more);
the files go; the rows go, all in one transaction with the plan's content; the places that became
free in the file (or a server's tables) are overwritten. What remains is one entry in the audit
that says how many.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Column, Table, delete, func, select, tuple_
from sqlalchemy.orm import Session

from review.store.audit import ERASED, numbers_as_text
from review.store.auditing import empty_entries
from review.store.base import Writing, person_row, standing_consent, utc_now
from review.store.erasing_files import (
    STANDING,
    cached_files,
    clear_leftovers,
    files_of,
    is_inside,
    older_copies,
    only_one,
    remove_files,
    wait_until_idle,
)
from review.store.erasing_plan import (
    ErasedRecording,
    ErasurePlan,
    Receipt,
    is_due,
    names_person,
)
from review.store.erasing_tables import ErasureRow
from review.store.keeping import KeepingPart
from review.store.records import StoreError
from review.store.tables import (
    AuditRow,
    Base,
    PersonRow,
    RecordingRow,
    TrainerRow,
    WithdrawalRow,
)

PATIENCE_S: Final = 60.0
"""How long an analysis under way may take to stop; it looks about twice a second."""

_SOME: Final = 500
"""Keys named in one statement; SQLite allows some thousand."""

_log = logging.getLogger(__name__)


class ErasingPart(KeepingPart):
    """Erasing a person.

    Attributes:
        receipts_at_opening: of erasures that were interrupted and finished when these records
            were opened; in memory only, for whoever asks first.
    """

    receipts_at_opening: tuple[Receipt, ...] = ()

    def plan_erasure(
        self,
        person: str,
        *,
        caches: Sequence[Path] = (),
        delete_originals: bool = False,
        delete_backups: bool = False,
    ) -> ErasurePlan:
        """What erasing a person would take away; nothing is changed.

        Args:
            person: code.
            caches: folders of hand and face positions outside the records.
            delete_originals: remove also videos that lie outside the records.
            delete_backups: remove also older copies of the records; they hold other people, too.

        Raises:
            StoreError: if there is no such person.
        """
        with self._database.reading() as session:
            person_row(session, person)
            going = _recordings(session, person)
            stay = session.execute(
                select(RecordingRow.sha256, RecordingRow.file).where(RecordingRow.person != person)
            ).all()
            exports = _exports(session, [r.id for r in going])
        hashes = {sha for sha, _ in stay if sha}
        files, shared = files_of(self.folder, going, hashes, person)
        needed = {file for _, file in stay}
        videos = [Path(r.file) for r in going if r.file]
        # Under a name of its own, but put into the records' folder: part of the records.
        files += [
            path
            for path in dict.fromkeys(videos)
            if is_inside(path, self.folder) and path not in files and str(path) not in needed
        ]
        outside = [str(path) for path in videos if not is_inside(path, self.folder)]
        return ErasurePlan(
            person=person,
            recordings=tuple(going),
            files=tuple(map(str, [*files, *cached_files(caches, going)])),
            originals=tuple(p for p in dict.fromkeys(outside) if p not in needed),
            shared=tuple(map(str, [*shared, *(p for p in dict.fromkeys(outside) if p in needed)])),
            backups=tuple(map(str, older_copies(self.folder))),
            exports=exports,
            caches=tuple(str(Path(cache).absolute()) for cache in caches),
            delete_originals=delete_originals,
            delete_backups=delete_backups,
        )

    def erase(
        self,
        person: str,
        *,
        by: str,
        caches: Sequence[Path] = (),
        delete_originals: bool = False,
        delete_backups: bool = False,
        patience_s: float = PATIENCE_S,
    ) -> Receipt:
        """Erase all about a person, and say what went. It cannot be undone.

        Arguments as of :meth:`plan_erasure`; ``patience_s`` as of ``PATIENCE_S``.

        Raises:
            StoreError: if there is no such person; or if it could not be finished, for instance
                because a file cannot be removed: it goes on when the records are opened next.
        """
        plan = self.plan_erasure(
            person,
            caches=caches,
            delete_originals=delete_originals,
            delete_backups=delete_backups,
        )
        with only_one(self.folder, wait=True):
            with self._writing(by) as writing:
                person_row(writing.session, person)
                _end_consent(writing, person)
                kept = ErasureRow(asked_at=writing.at, by=writing.by, plan=plan.as_json())
                number = writing.add(kept).id
            receipt = self._finish(number, patience_s)
        assert receipt is not None  # nobody else erases meanwhile
        return receipt

    def is_recorded(self, recording_id: int) -> bool:
        """Whether there is such a recording: it may have been erased."""
        with self._database.reading() as session:
            return session.get(RecordingRow, recording_id) is not None

    def due_for_erasure(self) -> tuple[str, ...]:
        """Codes of people whose consent ended longer ago than the unit keeps records."""
        days = self.keeping().erase_after_days
        with self._database.reading() as session:
            codes = session.scalars(select(PersonRow.code).order_by(PersonRow.code)).all()
            return tuple(
                code
                for code in codes
                if is_due(standing_consent(session, code), self.today(), days)
            )

    # --- going on ----------------------------------------------------------------------------

    def unfinished_erasures(self) -> int:
        """How many erasures are not over."""
        with self._database.reading() as session:
            return session.scalar(select(func.count()).select_from(ErasureRow)) or 0

    def finish_erasures(self, *, patience_s: float = 0.0) -> tuple[Receipt, ...]:
        """Go on with erasures that were interrupted; receipts of those finished by this.

        What still cannot be done stays noted, and is said in the log without names.
        """
        with self._database.reading() as session:
            numbers = session.scalars(select(ErasureRow.id).order_by(ErasureRow.id)).all()
        if not numbers:
            return ()
        receipts = []
        with only_one(self.folder, wait=False) as alone:
            for number in numbers if alone else ():
                try:
                    receipt = self._finish(number, patience_s)
                except StoreError:
                    _log.warning("Erasure %s could not be finished; it is tried again.", number)
                    continue
                if receipt is not None:
                    receipts.append(receipt)
        return tuple(receipts)

    def _finish(self, number: int, patience_s: float) -> Receipt | None:
        """Do what is left of one erasure; None where its rows were gone before."""
        receipt = None
        while (row := self._kept_plan(number)) is not None:
            plan, by = row
            wait_until_idle(self.folder, [r.id for r in plan.recordings], patience_s)
            standing = [self.folder / name for name in STANDING]
            roots = [self.folder, *standing, *map(Path, plan.caches)]
            remove_files(map(Path, self._all_going(plan)), roots)
            remove_files(map(Path, self._all_going(plan)), roots)  # what was just being finished
            clear_leftovers(self.folder)
            receipt = self._remove_rows(number, plan, by)
            if receipt is not None:
                break
        overwritten = self._database.overwrite_free_places()
        if overwritten:
            with self._database.writing() as session:
                session.execute(delete(ErasureRow).where(ErasureRow.id == number))
        if receipt is None:
            return None
        return replace(receipt, overwritten=overwritten, on_server=not self._database.is_file)

    def _kept_plan(self, number: int) -> tuple[ErasurePlan, str] | None:
        with self._database.reading() as session:
            row = session.get(ErasureRow, number)
            if row is None or row.plan is None:
                return None
            return ErasurePlan.from_json(row.plan), row.by

    def _all_going(self, plan: ErasurePlan) -> Iterable[str]:
        """The planned files, and those that came to be since."""
        with self._database.reading() as session:
            if session.get(PersonRow, plan.person) is None:
                return plan.going
        now = self.plan_erasure(plan.person, caches=[Path(cache) for cache in plan.caches])
        return (*plan.going, *now.files)

    def _remove_rows(self, number: int, plan: ErasurePlan, by: str) -> Receipt | None:
        """All rows at once; None, and nothing done, where a recording was added meanwhile."""
        with self._writing(by) as writing:
            session = writing.session
            row = session.get(ErasureRow, number)
            if row is None or row.plan is None:
                return None
            _end_consent(writing, plan.person)
            recordings = _recordings(session, plan.person)
            if not {r.id for r in recordings} <= {r.id for r in plan.recordings}:
                row.plan = {**row.plan, "recordings": [_as_json(r) for r in recordings]}
                return None
            keys = _doomed(session, plan.person)
            emptied = empty_entries(writing, _entries(session, plan, keys))
            session.flush()
            rows = _delete(session, keys)
            files = len(plan.going)
            row.plan = None
            writing.note(
                ERASED,
                numbers_as_text(emptied),
                f"{len(plan.recordings)} recordings, {files} files",
            )
            return Receipt(plan, by, utc_now(), rows, len(emptied), False)


def _as_json(recording: ErasedRecording) -> dict[str, Any]:
    return {name: getattr(recording, name) for name in recording.__dataclass_fields__}


def _end_consent(writing: Writing, person: str) -> None:
    """From now on nothing of this person may be shown or analysed."""
    consent = standing_consent(writing.session, person)
    if consent is not None and consent.withdrawn_at is None:
        writing.add(WithdrawalRow(consent_id=consent.id, by=writing.by, at=writing.at))
        writing.note("consent withdrawn", f"person {person}", f"consent {consent.id}")


def _recordings(session: Session, person: str) -> list[ErasedRecording]:
    query = select(RecordingRow).where(RecordingRow.person == person).order_by(RecordingRow.id)
    return [
        ErasedRecording(r.id, r.name, r.taken_on.isoformat(), r.file, r.sha256 or "")
        for r in session.scalars(query)
    ]


def _exports(session: Session, numbers: Sequence[int]) -> tuple[str, ...]:
    query = (
        select(AuditRow)
        .where(AuditRow.what == "exported", AuditRow.recording_id.in_(numbers))
        .order_by(AuditRow.id)
    )
    return tuple(f"{r.at:%Y-%m-%d}: {r.detail}, by {r.who}" for r in session.scalars(query))


# --- which rows ------------------------------------------------------------------------------

Keys = dict[Table, set[tuple[Any, ...]]]
"""Primary keys of rows that go, by table, a table always after those that it points to."""


def _doomed(session: Session, person: str) -> Keys:
    """All rows that say something about a person: those that point to theirs, and so on.

    Found by the foreign keys, so that a table that is added one day is not forgotten.
    """
    people: Table = Base.metadata.tables["people"]
    keys: Keys = {people: {(person,)}}
    for table in Base.metadata.sorted_tables:
        if table is people:
            continue
        own = list(table.primary_key.columns)
        for link in table.foreign_keys:
            target = link.column.table
            if target is table or not keys.get(target):
                continue
            wanted = _values(session, target, keys[target], link.column)
            for some in _in_parts(wanted):
                found = session.execute(select(*own).where(link.parent.in_(some)))
                keys.setdefault(table, set()).update(tuple(row) for row in found)
    return keys


def _values(
    session: Session, table: Table, keys: set[tuple[Any, ...]], column: Column[Any]
) -> list[Any]:
    """What a column holds in the rows with these keys."""
    own = list(table.primary_key.columns)
    if own == [column]:
        return [key[0] for key in keys]
    return [
        value
        for some in _in_parts(sorted(keys))
        for value in session.scalars(select(column).where(tuple_(*own).in_(some)))
    ]


def _delete(session: Session, keys: Keys) -> dict[str, int]:
    """Remove the rows, those that point to others first; how many from each table."""
    removed = {}
    for table in reversed(Base.metadata.sorted_tables):
        if going := keys.get(table):
            own = list(table.primary_key.columns)
            for some in _in_parts(sorted(going)):
                session.execute(delete(table).where(tuple_(*own).in_(some)))
            removed[table.name] = len(going)
    return removed


def _in_parts(values: Sequence[Any]) -> Iterable[Sequence[Any]]:
    return (values[start : start + _SOME] for start in range(0, len(values), _SOME))


def _entries(session: Session, plan: ErasurePlan, keys: Keys) -> list[int]:
    """Entries of the audit that say something about the person."""
    numbers = {r.id for r in plan.recordings}
    trainers = set(session.scalars(select(TrainerRow.code)))
    names = {plan.person} | {
        key[0] for going in keys.values() for key in going if isinstance(key[0], str)
    }
    query = select(
        AuditRow.id, AuditRow.who, AuditRow.subject, AuditRow.detail, AuditRow.recording_id
    ).where(AuditRow.what != ERASED)
    found = []
    for number, who, subject, detail, recording_id in session.execute(query):
        told = f"{subject}\n{detail}"
        if (
            recording_id in numbers
            or (who in names and who not in trainers)
            or any(names_person(told, name) for name in names)
        ):
            found.append(number)
    return found
