"""Before the recording: drop a short clip, and hear whether the camera stands well."""

from __future__ import annotations

import tempfile
from html import escape
from pathlib import Path

import streamlit as st

from review.cameracheck import CameraCheck, CameraFinding
from review.cameralook import Looked
from review.deskview import RESULT_SIGNS
from review.errors import VideoError
from review.escaping import markdown_text
from review.guardedwork import look_at_guarded
from review.measures import Result
from review.pages.unit import name_file_boxes, open_page, table
from review.words import Words, languages, words_for

SIGNS = {**RESULT_SIGNS, Result.NOT_MET: "!"}
"""A sign beside each answer's words, so that a row is found without colour."""

ANSWERS = {Result.MET: "good", Result.NOT_MET: "change", Result.NOT_ASSESSABLE: "cannot_tell"}
SUFFIXES = ("mp4", "mov", "m4v", "webm", "mkv", "avi", "3gp")


def main() -> None:
    """The whole page."""
    if open_page("", "camera") is None:
        return
    names = dict(languages())
    left, right = st.columns([5, 1])
    with right:
        code = st.selectbox("Language / Idioma", list(names), format_func=names.__getitem__)
    words = words_for(code)
    with left:
        st.title(words.say("camera.title"))
    st.markdown(f"{words.say('camera.intro')} {words.say('camera.privacy')}")
    upload = st.file_uploader(words.say("camera.drop"), type=list(SUFFIXES))
    name_file_boxes()
    if upload is None:
        return
    try:
        looked = look_at_upload(upload.getvalue(), upload.name, words)
    except VideoError as error:
        st.error(markdown_text(error))
        return
    show(looked, words)


def look_at_upload(content: bytes, name: str, words: Words) -> Looked:
    """Check a clip that was dropped; its copy on the disk is gone when this returns.

    Raises:
        VideoError: if it cannot be read; the message calls it by its own name.
    """
    with tempfile.TemporaryDirectory(prefix="camera-check-") as folder:
        clip = Path(folder) / f"clip{Path(name).suffix.lower()}"
        clip.write_bytes(content)
        working = words.say("camera.working")
        bar = st.progress(0.0, working)

        def tell(share: float) -> None:
            bar.progress(share, working)

        try:
            return look_at_guarded(clip, words, tell)
        except VideoError as error:
            message = str(error).replace(str(clip), name).replace(clip.name, name)
            raise VideoError(message) from error
        finally:
            bar.empty()


def show(looked: Looked, words: Words) -> None:
    """What to change first, then every answer, beside the picture."""
    check = looked.check
    left, right = st.columns([3, 2], gap="medium")
    with left:
        verdict(check, words)
        table(
            words.say("camera.title"),
            tuple(words.say(f"camera.column_{name}") for name in ("what", "answer", "saw", "do")),
            [_cells(finding, words) for finding in check.findings],
        )
    with right:
        st.image(looked.picture, width="stretch")
        st.markdown(words.say("camera.picture"))


def verdict(check: CameraCheck, words: Words) -> None:
    """One plain answer first, in a box whose words do not depend on a colour."""
    advices = list(dict.fromkeys(f.advice for f in check.to_change if f.advice))
    if check.ready:
        inside = f"<p><strong>{SIGNS[Result.MET]} {escape(words.say('camera.ready'))}</strong></p>"
    elif advices:
        listed = "".join(f"<li>{escape(advice)}</li>" for advice in advices)
        inside = (
            f"<p><strong>{escape(words.say('camera.not_ready'))}</strong></p><ul>{listed}</ul>"
            f"<p>{escape(words.say('camera.again'))}</p>"
        )
    else:
        inside = f"<p><strong>{escape(words.say('camera.unsure'))}</strong></p>"
    st.html(f'<div class="unit"><div class="verdict" role="status">{inside}</div></div>')


def _cells(finding: CameraFinding, words: Words) -> tuple[str, ...]:
    return (
        words.say(f"camera_what.{finding.name}"),
        f"{SIGNS[finding.result]} {words.say('camera.' + ANSWERS[finding.result])}",
        finding.saw,
        finding.advice or words.say("camera.nothing_to_do"),
    )


if __name__ == "__main__":
    main()
