"""Recordings and their analyses."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

from sqlalchemy import select

from review.analysis import Analysis
from review.guarded import guarded_probe
from review.protocol import load_protocol, shipped_protocols
from review.sealed import SUFFIX
from review.store.analyses import keep_analysis
from review.store.base import (
    Clock,
    Writing,
    people_with_consent,
    person_row,
    recording_row,
    standing_consent,
)
from review.store.database import Database
from review.store.entering import checked_text, checked_word
from review.store.figures import no_figures
from review.store.keeping import Keep, KeepingPart, seal_file
from review.store.records import (
    RecordingEntry,
    RecordingState,
    StoreError,
)
from review.store.tables import (
    RecordingRow,
    SessionFiguresRow,
    TrainerRow,
)
from review.video import file_sha256
from review.wholefile import whole_file


class RecordingsPart(KeepingPart):
    """Recordings, analyses, corrections."""

    def __init__(self, database: Database, clock: Clock, folder: Path) -> None:
        super().__init__(database, clock)
        self.folder = folder

    @property
    def videos(self) -> Path:
        """Where copies of recordings lie that were asked to be kept."""
        return self.folder / "videos"

    @property
    def copies(self) -> Path:
        """Where the review copies lie."""
        return self.folder / "copies"

    @property
    def landmarks(self) -> Path:
        """The cache of hand and face positions."""
        return self.folder / "landmarks"

    @property
    def jobs(self) -> Path:
        """Where analyses under way say how far they are."""
        return self.folder / "jobs"

    # --- recordings --------------------------------------------------------------------------

    def add_recording(
        self,
        path: Path | str,
        *,
        person: str,
        trainer: str,
        protocol: str,
        mirrored: bool,
        taken_on: date,
        by: str,
        copy: bool = False,
        keep: Keep | None = None,
    ) -> RecordingEntry:
        """Add a recording; the same file of the same person is added once only.

        Args:
            path: the video. It stays where it is unless ``copy`` or ``keep`` say otherwise.
            person: code of the one who learns.
            trainer: code of the one who teaches.
            protocol: a shipped protocol's name, or the path of a protocol file.
            mirrored: whether it shows a mirror (selfie) picture.
            taken_on: day of the recording.
            by: who adds it.
            copy: keep a copy in the store's own folder and use that.
            keep: the same in more words: ``stay``, ``copy``, or ``sealed`` for an encrypted copy.
                The original is left alone in any case.

        Returns:
            The new entry, in state ``waiting``; or the existing one, pointing to ``path`` if the
            file it knew is gone.

        Raises:
            ConsentError: if the person has no current consent to review.
            VideoError: if the file cannot be read as a video.
            ProtocolError: if the protocol is not valid.
            StoreError: if person or trainer are unknown, the file cannot be copied, or it is to
                be encrypted and no passphrase was set or the key is locked.
        """
        self.check_consent(person)
        load_protocol(protocol)  # a protocol that is not valid is better found now
        path = Path(path).absolute()
        # Nobody has looked at this file yet: it is read where it can do no harm.
        duration_s, sha256 = guarded_probe(path).duration_s, file_sha256(path)
        place = self._kept(path, sha256, keep or ("copy" if copy else "stay"))
        with self._writing(by) as writing:
            same = select(RecordingRow).where(
                RecordingRow.person == person, RecordingRow.sha256 == sha256
            )
            existing = writing.session.scalars(same).one_or_none()
            if existing is not None:
                self._require_consent(writing.session, person)
                if existing.file != str(place) and not Path(existing.file).is_file():
                    writing.note_on(existing, "found again", f"{existing.file} is now {place}")
                    existing.file = str(place)
                return existing.record()
            row = RecordingRow(
                person=person,
                trainer=trainer,
                file=str(place),
                name=path.name,
                sha256=sha256,
                duration_s=duration_s,
                mirrored=mirrored,
                protocol=_protocol_place(protocol),
                taken_on=taken_on,
                state=RecordingState.WAITING.value,
            )
            return self._added(writing, row)

    def add_session(
        self,
        analysis: Analysis,
        *,
        person: str,
        trainer: str,
        taken_on: date,
        by: str,
        note: str = "",
    ) -> RecordingEntry:
        """Add a session whose video is not kept, with its analysis; it is ready at once.

        Args:
            analysis: what was found; its protocol and its file's name are taken over.
            person: code of the one who learns.
            trainer: code of the one who teaches.
            taken_on: day of the session.
            by: who adds it.
            note: one sentence shown with its state, for instance that it is invented.

        Raises:
            ConsentError: if the person has no current consent to review.
            StoreError: if person or trainer are unknown.
        """
        with self._writing(by) as writing:
            row = RecordingRow(
                person=person,
                trainer=trainer,
                file="",
                name=analysis.recording.file,
                sha256=None,
                duration_s=analysis.recording.duration_s,
                mirrored=analysis.recording.mirrored,
                protocol=analysis.protocol.name,
                taken_on=taken_on,
                state=RecordingState.READY.value,
            )
            row.state_text = checked_text(note, "note")
            entry = self._added(writing, row)
            keep_analysis(writing, row, analysis, "machine")
            return entry

    def _added(self, writing: Writing, row: RecordingRow) -> RecordingEntry:
        person_row(writing.session, row.person)
        self._require_consent(writing.session, row.person)
        if writing.session.get(TrainerRow, row.trainer) is None:
            raise StoreError(
                f"There is no trainer with the code {row.trainer!r}; add the trainer first."
            )
        row.added_at = writing.at
        row.state_text = row.state_text or ""
        writing.add(row)
        writing.add(no_figures(row.id))
        writing.note_on(row, "added", f"{row.name} of {row.person}, taken on {row.taken_on}")
        return row.record()

    def _kept(self, path: Path, sha256: str, keep: Keep) -> Path:
        """Where the video is from now on; a copy is complete or not at all, named by its hash."""
        if keep == "stay":
            return path
        target = self.videos / f"{sha256[:32]}{path.suffix.lower()}"
        if keep == "sealed":
            target = target.with_name(target.name + SUFFIX)
        if target.is_file():
            return target
        try:
            self.videos.mkdir(parents=True, exist_ok=True, mode=0o700)
            if keep == "sealed":
                return seal_file(path, target, self.vault_id())
            with (
                whole_file(target) as partial,
                partial.open("wb") as copy,
                path.open("rb") as original,
            ):
                shutil.copyfileobj(original, copy, 1 << 20)
        except OSError as error:
            raise StoreError(
                f"{path}: it cannot be copied to {self.videos} ({error.strerror or error}). Free "
                "some space there, or add it without copying."
            ) from error
        return target

    def recordings(
        self,
        person: str | None = None,
        state: RecordingState | str | None = None,
        *,
        without_consent: bool = False,
    ) -> tuple[RecordingEntry, ...]:
        """Recordings that may be reviewed today, the latest taken first.

        Args:
            person: only this person's.
            state: only those in this state.
            without_consent: list also those that may not be reviewed, for looking after the
                records; nothing in them may be shown.
        """
        query = select(RecordingRow).order_by(RecordingRow.taken_on.desc(), RecordingRow.id.desc())
        if person is not None:
            query = query.where(RecordingRow.person == person)
        if state is not None:
            wanted = checked_word(state, RecordingState, "state of a recording")
            query = query.where(RecordingRow.state == wanted.value)
        with self._database.reading() as session:
            allowed = people_with_consent(session, self.today())
            rows = session.scalars(query)
            return tuple(r.record() for r in rows if without_consent or r.person in allowed)

    def recording(self, recording_id: int) -> RecordingEntry:
        """One recording's entry, also without consent: the entry shows nothing of the person.

        Raises:
            StoreError: if there is no such recording.
        """
        with self._database.reading() as session:
            return recording_row(session, recording_id).record()

    def set_state(
        self,
        recording_id: int,
        state: RecordingState | str,
        text: str = "",
        *,
        by: str = "analysis",
    ) -> None:
        """Say how far the analysis of a recording is, with one sentence for people.

        Raises:
            StoreError: if there is no such recording or state.
        """
        state = checked_word(state, RecordingState, "state of a recording")
        with self._writing(by) as writing:
            row = recording_row(writing.session, recording_id)
            row.state, row.state_text = state.value, checked_text(text, "text")
            writing.note_on(row, f"state {state.value}", row.state_text)

    def may_review(self, recording_id: int) -> bool:
        """Whether the recording may be analysed, opened and listed today.

        Raises:
            StoreError: if there is no such recording.
        """
        with self._database.reading() as session:
            row = recording_row(session, recording_id)
            consent = standing_consent(session, row.person)
        return consent is not None and consent.holds(self.today())

    def check_consent(self, person: str) -> None:
        """Do nothing if the person may be reviewed today.

        Raises:
            ConsentError: if not, with the reason.
            StoreError: if there is no such person.
        """
        with self._database.reading() as session:
            person_row(session, person)
            self._require_consent(session, person)

    def watched(self, recording_id: int, *, by: str) -> None:
        """Count that a recording was opened for review.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be reviewed.
        """
        with self._writing(by) as writing:
            row = self._reviewable(writing.session, recording_id)
            writing.session.get_one(SessionFiguresRow, row.id).watched += 1
            writing.note_on(row, "watched")


def _protocol_place(protocol: str) -> str:
    return protocol if protocol in shipped_protocols() else str(Path(protocol).absolute())
