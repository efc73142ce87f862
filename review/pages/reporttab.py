"""Below the player: the session's report to print, and as files for other programs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import streamlit as st

from review.desk import Desk
from review.errors import ReviewError
from review.escaping import markdown_text
from review.reporting import Format, ReportFile, report_recording
from review.reportpdf import PAPERS, Paper
from review.store import Store
from review.words import languages, words_for

WHAT = (
    "Two pages to print: one for the file (measures, moments with their decisions, checklist, "
    "signature) and one in plain words for the person who practised. Beside it the measures as a "
    "table, phases and moments for players, everything for programs, and measures, checklist and "
    "signature for another health record (HL7 FHIR R4). Making them is noted in the records. "
    "**Look at the pictures before you hand a report on.**"
)

LABELS = {
    "report.pdf": "Report (PDF)",
    "measures.csv": "Measures (CSV)",
    "chapters.vtt": "Phases (VTT)",
    "flags.vtt": "Moments (VTT)",
    "session.json": "Everything (JSON)",
    "fhir.json": "Record (FHIR)",
}
"""What each file's button says, by how its name ends."""

PAPER_NAMES: dict[Paper, str] = {"a4": "A4", "letter": "Letter"}


@dataclass(frozen=True, slots=True)
class _Kept:
    """Files that were made, when, and the newest entry of the audit then."""

    files: tuple[ReportFile, ...]
    at: str
    entry: int


def show_report(store: Store, desk: Desk, by: str) -> None:
    """Choose paper and language, make the report, save its files."""
    st.markdown(WHAT)
    entry = desk.entry
    names = dict(languages())
    own = words_for(store.person(entry.person).language).language
    with st.form(f"report-{entry.id}", border=False):
        first, second, _ = st.columns([1, 1, 3])
        paper = first.selectbox("Paper", list(PAPERS), format_func=PAPER_NAMES.__getitem__)
        language = second.selectbox(
            "Language of the plain page",
            list(names),
            list(names).index(own),
            format_func=names.__getitem__,
        )
        asked = st.form_submit_button("Make the report", disabled=not by)
    if not by:
        st.write("Please say first who is reviewing.")
    key = f"report-files-{entry.id}"
    if asked:
        st.session_state.pop(key, None)
        try:
            with st.spinner("Making the report"):
                files = report_recording(
                    store, entry.id, list(Format), by=by, paper=paper, language=language
                )
        except ReviewError as error:
            st.error(markdown_text(error))
            return
        at = datetime.now().strftime("%H:%M")
        st.session_state[key] = _Kept(files, at, _newest(store, entry.id))
    kept: _Kept | None = st.session_state.get(key)
    if kept is None:
        return
    if kept.entry != _newest(store, entry.id):
        del st.session_state[key]
        st.info("Something changed since the report was made; make it again.")
        return
    st.success(f"Made at {kept.at}. Save what you need:")
    for column, file in zip(st.columns(len(kept.files)), kept.files, strict=True):
        label = next(words for ending, words in LABELS.items() if file.name.endswith(ending))
        column.download_button(
            label, file.content, file.name, file.media_type, on_click="ignore", width="stretch"
        )


def _newest(store: Store, recording_id: int) -> int:
    """Number of the newest entry in the audit of a recording."""
    entries = store.audit(1, recording_id=recording_id)
    return entries[0].id if entries else 0
