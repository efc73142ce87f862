"""The wiping of the work surface on the review page: its picture, and the area a person draws."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path

import streamlit as st

from review.analysis import WorkSurface
from review.desk import Desk
from review.deskwork import Done, act
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.unit import picture, playable
from review.prepared import Evidence
from review.store import Store
from review.surfacepicture import surface_picture, surface_words
from review.surfacestill import covered_still, still_time_s
from review.workarea import Corner, guessed_area, work_area

CORNERS = ("Top left", "Top right", "Bottom right", "Bottom left")
"""As they lie in the picture, in order around the area."""


SAYS = "The work surface as the camera saw it"
"""Begins what stands for the picture where it is not seen; what its legend says follows."""


def show_work_area(store: Store, desk: Desk, evidence: Future[Evidence | None], by: str) -> None:
    """What was wiped, drawn over a still; four corners to type, and what follows from them."""
    surface = desk.analysis.work_surface
    if surface is None:
        st.write(
            "There is no map of the wiping here: none could be measured, or this analysis was made "
            "by an earlier version of the program."
        )
        return
    left, right = st.columns([3, 2], gap="large")
    with right:
        corners, changed = _typed_corners(desk, surface)
    with left:
        _picture(store, desk, surface, corners if changed else None)
    with right:
        _buttons(store, desk, evidence, by, corners)


def _typed_corners(desk: Desk, surface: WorkSurface) -> tuple[list[Corner], bool]:
    """Eight numbers, per cent of the picture's width and height; whether they were changed."""
    recording = desk.analysis.recording
    aspect = recording.height / max(recording.width, 1)
    begin = surface.corners or guessed_area(surface, aspect)
    # What was typed and not saved yet is there again after a look at another tab.
    drafts: dict[tuple[int, int], list[Corner]] = st.session_state.setdefault("corners", {})
    mine = (desk.entry.id, desk.version.version)
    shown = drafts.get(mine, begin)
    st.write(
        "The work area: four corners, in per cent of the picture from its left edge and from its "
        "top. What is wiped, missed and gone over again is then counted inside it, and a slanting "
        "view is allowed for."
    )
    typed: list[Corner] = []
    for number, (name, (x, y)) in enumerate(zip(CORNERS, shown, strict=True)):
        across, down = st.columns(2)
        key = f"corner-{desk.entry.id}-{desk.version.version}-{number}"
        u = across.number_input(
            f"{name}: from the left", 0.0, 100.0, round(100 * x, 1), 0.5, "%.1f", key=f"{key}-x"
        )
        v = down.number_input(
            f"{name}: from the top", 0.0, 100.0, round(100 * y / aspect, 1), 0.5, "%.1f",
            key=f"{key}-y",
        )  # fmt: skip
        typed.append((u / 100, v / 100 * aspect))
    near = 0.0006  # typed places are rounded to a tenth of a per cent
    changed = any(
        abs(a - b) > near
        for new, old in zip(typed, begin, strict=True)
        for a, b in zip(new, old, strict=True)
    )
    if changed:
        drafts[mine] = typed
    else:
        drafts.pop(mine, None)
    return typed, changed


def _picture(store: Store, desk: Desk, surface: WorkSurface, corners: list[Corner] | None) -> None:
    """The SVG; with ``corners`` being typed, those, and no shares: none are measured yet."""
    analysis = desk.analysis
    size = (analysis.recording.width, analysis.recording.height)
    still = _still(store, desk)
    if corners is not None:
        try:
            area = work_area(corners, size[1] / max(size[0], 1))
        except ReviewError as error:
            st.warning(markdown_text(error))
            return
        shown = surface.model_copy(update={"corners": area})
        picture(surface_picture(shown, size, still=still), _said(shown))
        st.caption("The corners as typed. The shares follow when you save.")
        return
    covered, again = (
        None if (found := analysis.measure(name)) is None else found.value
        for name in ("surface.covered", "surface.gone_over_again")
    )
    picture(
        surface_picture(surface, size, covered=covered, again=again, still=still),
        _said(surface, covered, again),
    )


def _said(surface: WorkSurface, covered: float | None = None, again: float | None = None) -> str:
    lines = surface_words(surface, covered=covered, again=again)
    return f"{SAYS}: {'; '.join(text for _, text in lines)}"


def _still(store: Store, desk: Desk) -> bytes | None:
    """The picture beneath, where it is asked for and there is one."""
    video, time_s = playable(store, desk.entry), still_time_s(desk.analysis)
    if video is None or time_s is None:
        return None
    if not st.checkbox("Lay it over a picture of the recording", key=f"still-{desk.entry.id}"):
        return None
    try:
        with st.spinner("Making the picture and covering faces in it"):
            return _made_still(
                str(video), video.stat().st_mtime_ns, time_s, desk.analysis.recording.mirrored
            )
    except (ReviewError, OSError) as error:
        st.warning(markdown_text(error))
        return None


@st.cache_data(show_spinner=False, max_entries=4)
def _made_still(path: str, changed: int, time_s: float, mirrored: bool) -> bytes:
    return covered_still(Path(path), time_s, mirrored=mirrored)


def _buttons(
    store: Store,
    desk: Desk,
    evidence: Future[Evidence | None],
    by: str,
    corners: list[Corner],
) -> None:
    drawn = desk.corrections is not None and desk.corrections.area is not None
    save, back = st.columns(2)

    def send(places: list[Corner] | None) -> None:
        action = {"do": "area", "corners": places}
        st.session_state["area-said"] = act(store, desk, action, by=by, evidence=evidence.result)

    save.button("Save the work area", disabled=not by, on_click=lambda: send(corners))
    back.button(
        "Use the area found by itself", disabled=not by or not drawn, on_click=lambda: send(None)
    )
    said: Done | None = st.session_state.pop("area-said", None)
    if said is not None:
        (st.success if said.carried_out else st.error)(said.words)
