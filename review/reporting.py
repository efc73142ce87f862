"""Reports of one session, from a unit's records or from a file: gathered, made, noted, written.

What leaves the records goes through :func:`report_recording`, which asks for a current consent and
notes the export in the audit before it hands anything out.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Final

from review.analysis import Analysis
from review.desk import load_evidence, open_desk
from review.feedback import Feedback, make_feedback
from review.fhir import MEDIA_TYPE, fhir_json
from review.fhircheck import check_bundle
from review.jobs import review_copy
from review.protocol import Protocol
from review.reportcsv import session_csv
from review.reportfacts import file_page, flags_by_letter
from review.reportpatient import PatientPage, patient_page
from review.reportpdf import FilePictures, Paper, ReportError, Still, make_pdf
from review.reportvtt import chapters_vtt, flags_vtt
from review.reportwiping import close_up, wiping_note
from review.sessionfile import Session, read_session, review_record
from review.stills import COVERED, flag_stills
from review.store import RecordingEntry, Store
from review.surfacepicture import surface_picture, surface_words
from review.wholefile import whole_file
from review.words import words_for


class Format(StrEnum):
    """What a session can be written out as."""

    PDF = "pdf"
    CSV = "csv"
    VTT = "vtt"
    JSON = "json"
    FHIR = "fhir"


ENDINGS: Final = {
    Format.PDF: ("report.pdf",),
    Format.CSV: ("measures.csv",),
    Format.VTT: ("chapters.vtt", "flags.vtt"),
    Format.JSON: ("session.json",),
    Format.FHIR: ("fhir.json",),
}
"""How the files of each format end; none takes the name of an analysis."""

MEDIA_TYPES: Final = {
    Format.PDF: "application/pdf",
    Format.CSV: "text/csv",
    Format.VTT: "text/vtt",
    Format.JSON: "application/json",
    Format.FHIR: MEDIA_TYPE,
}

PATIENT_ENDING: Final = "practice.pdf"


@dataclass(frozen=True, slots=True)
class ReportFile:
    """One file of a report, not written yet."""

    name: str
    content: bytes
    media_type: str


# --- from the records ----------------------------------------------------------------------------


def recorded_session(store: Store, recording_id: int) -> Session:
    """A recording of the unit as a document.

    Raises:
        ConsentError: if its person has no current consent to review.
        StoreError: if there is no such recording.
        DeskError: if it was not analysed yet.
    """
    entry = store.recording(recording_id)
    store.check_consent(entry.person)
    desk = open_desk(store, recording_id)
    names = {trainer.code: trainer.name for trainer in store.trainers()}
    review = review_record(
        desk.entry,
        desk.version,
        trainer_name=names.get(entry.trainer, ""),
        stale=desk.stale,
        corrections=desk.corrections,
        decisions=store.decisions(recording_id),
        moments=store.moments(recording_id),
        answers=desk.answers.values(),
        remarks=desk.comments,
        sign_offs=desk.signoffs,
        changed_since_signing=desk.changed_since_signing,
    )
    return Session(analysis=desk.analysis, review=review)


def report_recording(
    store: Store,
    recording_id: int,
    formats: Collection[Format],
    *,
    by: str,
    paper: Paper = "a4",
    language: str = "",
) -> tuple[ReportFile, ...]:
    """A recording's report in the formats asked for.

    Args:
        store: the unit's records.
        recording_id: the recording.
        formats: which files to make.
        by: who takes it out, for the audit.
        paper: size of the PDF.
        language: of the page for the person who practised; empty for the person's own.

    Raises:
        ConsentError: if its person has no current consent to review.
        StoreError: if there is no such recording.
        DeskError: if it was not analysed yet.
        ReportError: if the PDF cannot be set.
        FhirError: if the FHIR bundle breaks a rule.
    """
    session = recorded_session(store, recording_id)
    entry = store.recording(recording_id)
    language = language or store.person(entry.person).language
    pictures = _recorded_pictures(store, entry, session) if Format.PDF in formats else None
    files = session_files(
        session,
        formats,
        stem=f"session-{recording_id}",
        pictures=pictures,
        paper=paper,
        language=language,
    )
    kinds = ", ".join(form.value.upper() for form in Format if form in formats)
    store.note_export(f"session report ({kinds})", recording_id, by=by)
    return files


def practice_page(
    store: Store, recording_id: int, *, by: str, paper: Paper = "a4", language: str = ""
) -> ReportFile:
    """The page for the person who practised alone, as a PDF.

    Raises:
        ConsentError: if its person has no current consent to review.
        StoreError: if there is no such recording.
        DeskError: if it was not analysed yet.
        ReportError: if the PDF cannot be set.
    """
    session = recorded_session(store, recording_id)
    person = store.person(store.recording(recording_id).person)
    page = _patient_page(session, language or person.language)
    content = make_pdf(None, page, paper=paper)
    store.note_export("page for the person who practised (PDF)", recording_id, by=by)
    name = f"session-{recording_id}.{PATIENT_ENDING}"
    return ReportFile(name, content, MEDIA_TYPES[Format.PDF])


def _recorded_pictures(store: Store, entry: RecordingEntry, session: Session) -> FilePictures:
    """Stills of the flagged moments; the video is read, so the face is covered before it leaves."""
    flags = flags_by_letter(session)
    video, track = None, None
    if flags and entry.sha256:
        # The copy alone: this program wrote it, while an original may hold anything.
        copy = review_copy(store, entry.id)
        video = copy if copy.is_file() else None
        protocol = _protocol(session)
        if video is not None and protocol is not None:
            evidence = load_evidence(store.landmarks, entry, protocol)
            track = evidence.track if evidence is not None else None
    stills = flag_stills(video, track, flags) if entry.sha256 else {}
    note = COVERED if any(still.jpeg is not None for still in stills.values()) else ""
    reasons = {still.words for still in stills.values()}
    if not note and len(reasons) == 1:  # the same for all: said once
        stills, note = {}, reasons.pop()
    return _pictures(session.analysis, stills=stills, stills_note=note)


# --- from a session, wherever it is from ---------------------------------------------------------


def report_file(
    path: Path,
    formats: Collection[Format],
    *,
    paper: Paper = "a4",
    language: str = "",
) -> tuple[ReportFile, ...]:
    """The report of an analysis file or a session file; nothing of a unit's records is in it.

    Raises:
        SessionError: if the file is neither.
        AnalysisError: if it is an analysis that is not valid.
        ReportError: if the PDF cannot be set.
    """
    stem = path.name.removesuffix(".json").removesuffix(".analysis").removesuffix(".session")
    session = read_session(path)
    return session_files(session, formats, stem=stem, paper=paper, language=language)


def session_files(
    session: Session,
    formats: Collection[Format],
    *,
    stem: str,
    pictures: FilePictures | None = None,
    paper: Paper = "a4",
    language: str = "",
) -> tuple[ReportFile, ...]:
    """The files of a report.

    Args:
        session: the session.
        formats: which files to make.
        stem: how their names begin.
        pictures: of the PDF; default those that the analysis alone gives.
        paper: size of the PDF.
        language: of the page for the person who practised; empty for English.

    Raises:
        ReportError: if the PDF cannot be set.
    """
    files = []
    for form in Format:
        if form in formats:
            contents = _contents(session, form, pictures, paper, language)
            files += [
                ReportFile(f"{stem}.{ending}", content, MEDIA_TYPES[form])
                for ending, content in zip(ENDINGS[form], contents, strict=True)
            ]
    return tuple(files)


def _contents(
    session: Session, form: Format, pictures: FilePictures | None, paper: Paper, language: str
) -> tuple[bytes, ...]:
    """What stands in each file of a format."""
    if form is Format.CSV:
        return (session_csv(session),)
    if form is Format.VTT:
        return (chapters_vtt(session).encode(), flags_vtt(session).encode())
    if form is Format.JSON:
        return (session.to_json().encode(),)
    if form is Format.FHIR:
        bundle = fhir_json(session)
        check_bundle(bundle)
        return (bundle,)
    patient = _patient_page(session, language)
    pictures = pictures or _pictures(session.analysis)
    return (make_pdf(file_page(session), patient, pictures=pictures, paper=paper),)


def _patient_page(session: Session, language: str) -> PatientPage:
    words = words_for(language or "en")
    analysis, review, protocol = session.analysis, session.review, _protocol(session)
    feedback: Feedback = make_feedback(
        analysis,
        words,
        taken_on=review.taken_on if review else date.min,
        decisions=session.decisions(),
        answers=session.answers(),
        critical=[item.item for item in protocol.checklist if item.critical] if protocol else (),
    )
    return patient_page(feedback, analysis, words, dated=review is not None)


def _protocol(session: Session) -> Protocol | None:
    content = session.analysis.protocol.content
    return Protocol.model_validate(content) if content else None


def _pictures(
    analysis: Analysis, *, stills: dict[str, Still] | None = None, stills_note: str = ""
) -> FilePictures:
    """The pictures that an analysis gives by itself, and the stills."""
    surface, recording = analysis.work_surface, analysis.recording
    svg = words = note = ""
    if surface is not None and min(recording.width, recording.height) > 0:
        covered, again = (
            record.value if record is not None else None
            for record in map(analysis.measure, ("surface.covered", "surface.gone_over_again"))
        )
        size = recording.width, recording.height
        svg = close_up(surface_picture(surface, size, legend=False), surface, size)
        lines = surface_words(surface, covered=covered, again=again)
        words = f"Wiping of the work surface: {'; '.join(line for _, line in lines)}."
        note = wiping_note(surface, covered, again)
    return FilePictures(
        wash=analysis.wash_surfaces,
        stills=stills,
        stills_note=stills_note,
        surface_svg=svg,
        surface_words=words,
        surface_note=note,
    )


# --- writing -------------------------------------------------------------------------------------


def write_report(files: Collection[ReportFile], folder: Path) -> tuple[Path, ...]:
    """Write the files into a folder, each completely or not at all; says where they are.

    Raises:
        ReportError: if they cannot be written there.
    """
    paths = []
    for file in files:
        path = folder / file.name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with whole_file(path) as partial:
                partial.write_bytes(file.content)
        except OSError as error:
            raise ReportError(
                f"{path}: the report cannot be written here ({error.strerror or error}). Choose "
                "another place with --out."
            ) from error
        paths.append(path)
    return tuple(paths)
