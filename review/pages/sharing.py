"""Below the player: a clip for teaching, made here and taken along, never kept with the records."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from review.desk import Desk
from review.deskview import read_clock
from review.errors import ReviewError
from review.escaping import markdown_text
from review.sharing import check_teaching, share_recording
from review.store import Store
from review.wording import clock

PROMISE = (
    "A part of the recording as a video file to show to others who learn. Every face found is "
    "covered with grey in every picture, and place, device and date are left out. **Watch it "
    "once before you hand it on: the program can miss a face.** The file cannot be called back: "
    "who gets it should be known to the unit."
)


def show_sharing(store: Store, desk: Desk, by: str) -> None:
    """Choose a span, make the clip, download it."""
    st.markdown(PROMISE)
    entry = desk.entry
    try:
        check_teaching(store, entry)
    except ReviewError as error:
        st.info(markdown_text(error))
        return
    if not entry.file:
        st.write("The video of this session is not kept, so no clip can be made of it.")
        return
    consent = store.current_consent(entry.person)
    with st.form(f"share-{entry.id}", border=False):
        first, second, _ = st.columns([1, 1, 3])
        start = first.text_input("From", clock(0.0), key=f"share-from-{entry.id}")
        end = second.text_input(
            "To", clock(min(10.0, entry.duration_s)), key=f"share-to-{entry.id}"
        )
        sound = st.checkbox(
            "Keep the sound (the consent includes it; other people may be heard, too)"
            if consent is not None and consent.sound
            else "Keep the sound (the consent does not include it)",
            disabled=consent is None or not consent.sound,
        )
        looked_at = st.checkbox(
            "I have watched this part and no face shows in it (asked for where none was found)"
        )
        made = st.form_submit_button("Make the clip", disabled=not by)
    if not by:
        st.write("Please say first who is reviewing.")
    kept = f"shared-clip-{entry.id}"
    if made:
        st.session_state.pop(kept, None)
        try:
            span = read_clock(start), read_clock(end)
            st.session_state[kept] = _made(
                store, entry.id, span, by=by, sound=sound, looked_at=looked_at
            )
        except ReviewError as error:
            st.error(markdown_text(error))
    if kept in st.session_state:
        content, words = st.session_state[kept]
        st.success(words)
        st.download_button(
            "Download the clip",
            content,
            file_name=f"clip-{entry.id}.mp4",
            mime="video/mp4",
            on_click="ignore",
        )


def _made(
    store: Store,
    recording_id: int,
    span: tuple[float, float],
    *,
    by: str,
    sound: bool,
    looked_at: bool,
) -> tuple[bytes, str]:
    """The clip and a sentence on it; nothing of it stays on the disk.

    Something else done on the page meanwhile stops the work: the next line that draws raises.
    """
    words = "Looking for faces in every picture. Leaving this page stops it."
    bar = st.progress(0.0, words)

    def tell(share: float) -> None:
        bar.progress(share, words)

    try:
        with tempfile.TemporaryDirectory(prefix="shared-") as folder:
            place = Path(folder) / "clip.mp4"
            made = share_recording(
                store,
                recording_id,
                place,
                start_s=span[0],
                end_s=span[1],
                by=by,
                sound=sound,
                looked_at=looked_at,
                progress=tell,
            )
            content = place.read_bytes()
    finally:
        bar.empty()
    return content, (
        f"The clip is ready: {made.duration_s:.1f} s, {'with' if made.sound else 'without'} sound. "
        f"Faces were found in {made.pictures_found} of {made.pictures} pictures; "
        f"{made.covered:.0%} of the picture is covered."
    )
