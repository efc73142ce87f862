"""What the unit's pages share: the records, who is at the keyboard, tables, links, video.

Records are kept in the folder named by ``EXCHANGE_REVIEW_UNIT`` (``exchange-review page --unit``).
Without one an invented unit is shown, kept in the user's own data folder.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date
from functools import partial
from html import escape
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

import streamlit as st
from streamlit.runtime import get_instance
from streamlit.runtime.scriptrunner import get_script_run_ctx

from review import signin
from review.demo import is_made, make_demo
from review.errors import ReviewError
from review.escaping import markdown_text
from review.jobs import review_copy, take_up
from review.media import SHELF, Source
from review.places import UNIT_VARIABLE, unit_folder
from review.roles import Action, Viewer, may, may_open, may_see
from review.sealed import can_open
from review.signedin import kept_form, key_in, viewer_of, viewer_of_kept
from review.store import RecordingEntry, Store, open_store

FIRST_PAGE: Final = "review"
"""The page that is opened first: its address has no name."""

KNOWN_AS: Final = "signed in as"
"""In the session's memory: the account it belongs to."""

WHO: Final = "by"
RECORDING: Final = "recording"
"""Query parameters: the trainer at the keyboard, and the recording to open."""

LONGEST_ID: Final = 18
"""Digits of a recording's number in an address; longer ones do not fit the records."""

MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip
"""Not the system's: the tables read alike on every computer."""

LOOK: Final = """<style>
.stMainBlockContainer {padding: 4.2rem 1.4rem 2rem 1.4rem; max-width: 1500px;}
.stMainBlockContainer h1 {font-size: 1.7rem; padding: .2rem 0 .4rem 0;}
.stMainBlockContainer h3 {font-size: 1.2rem; padding: .4rem 0 .2rem 0;}
.stMultiSelect [data-baseweb] div, .stSelectbox [data-baseweb] div, .stMultiSelect input,
[data-testid="stFileUploaderDropzone"] span {color: #3f434a;}
.unit table {border-collapse: collapse; width: 100%; font-size: 1rem;}
.unit caption {text-align: left; font-weight: 600; padding: .3rem 0;}
.unit th, .unit td {text-align: left; padding: .35rem .6rem; border-bottom: 1px solid #8a8d93;
  vertical-align: top;}
.unit thead th {border-bottom: 2px solid #1c1f24; vertical-align: bottom;}
.unit .number {text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap;}
.unit a {color: #1f3d6e; text-decoration: underline; font-weight: 600;}
.unit a:focus-visible {outline: 3px solid #1c1f24; outline-offset: 2px;}
.unit .wide {overflow-x: auto;}
.unit .none {color: #3f434a;}
.unit .verdict {border: 3px solid #1c1f24; border-radius: .5rem; padding: .6rem 1rem;
  background: #ffffff; margin-bottom: .6rem;}
.unit .verdict p, .unit .verdict ul {margin: .2rem 0;}
</style>"""


class Link(str):
    """Text of a table's cell that leads somewhere; ``to`` is the address."""

    to: str

    def __new__(cls, text: str, to: str) -> Link:
        """Make a text that remembers its address."""
        link = super().__new__(cls, text)
        link.to = to
        return link


def store_folder() -> Path:
    """The folder of the records."""
    return unit_folder()


@st.cache_resource(show_spinner="Opening the records")
def _opened(folder: str) -> Store:
    if not os.environ.get(UNIT_VARIABLE) and not is_made(folder):
        make_demo(folder)
    take_up(folder)
    return open_store(folder)


def the_store() -> Store:
    """The unit's records, opened once a process; an invented unit where there are none.

    Raises:
        ReviewError: if they cannot be opened.
    """
    return _opened(str(store_folder()))


def open_page(title: str, page: str = "") -> Store | None:
    """Begin a page: its title, its look and the records; None, with words, where that may not be.

    Args:
        title: the page's heading; may be empty.
        page: its address, as in :data:`review.roles.PAGES`; without one it opens for nobody.
    """
    st.html(LOOK)
    try:
        store = the_store()
        looking = viewer(store)
    except ReviewError as error:
        st.error(markdown_text(error))
        return None
    if not may_open(looking, page):
        refuse(looking)
        return None
    _forget_others(looking)
    if title:
        st.title(title)
    return store


def viewer(store: Store) -> Viewer | None:
    """Who looks at this page; None for nobody.

    Raises:
        StoreError: if the records cannot be read.
    """
    return viewer_of(store, browser_key())


def browser_key() -> str:
    """The key that the browser of this page brought; empty for none."""
    return key_in(dict(st.context.cookies))


def refuse(looking: Viewer | None) -> None:
    """Say why a page is not shown: nobody is signed in, or it is not for their account."""
    if looking is None:
        st.info("Please sign in to see this page.")
        leave_for(signin.address(why="over" if browser_key() else ""))
    else:
        st.info("There is no such page for your account. Choose another one above.")


def leave_for(address: str) -> None:
    """Have the browser go to another address of this server; a link where it does not."""
    link, there = escape(address), json.dumps(address)
    st.html(
        f'<div class="unit"><p><a href="{link}" target="_self">Sign in</a></p></div>'
        f"<script>window.leavesAlready = true; window.location.replace({there});</script>",
        unsafe_allow_javascript=True,
    )


def _forget_others(looking: Viewer | None) -> None:
    """Start with an empty memory where somebody else used this browser session before."""
    name = looking.account if looking else ""
    if st.session_state.get(KNOWN_AS, name) != name:
        for key in list(st.session_state):
            del st.session_state[key]
    st.session_state[KNOWN_AS] = name


def who_is_here(store: Store) -> str:
    """Whoever signed in; else the trainer at the keyboard, chosen once and kept over the pages.

    Returns:
        The name for the records; '' for nobody yet.
    """
    looking = viewer(store)
    if looking is None or looking.signed_in:
        return looking.by if looking else ""
    codes = [trainer.code for trainer in store.trainers() if trainer.active]
    names = {trainer.code: trainer.name for trainer in store.trainers()}
    kept = st.session_state.get(WHO) or st.query_params.get(WHO)
    left, _ = st.columns([1, 2])
    with left:
        chosen = st.selectbox(
            "Who is at the keyboard",
            codes,
            index=codes.index(kept) if kept in codes else None,
            format_func=lambda code: f"{names[code]} ({code})",
            placeholder="Choose your name",
        )
    st.session_state[WHO] = chosen or ""
    return chosen or ""


def noted(what: str, content: Callable[[], bytes]) -> Callable[[], bytes]:
    """What a download button hands out, noted in the audit as exported when it is asked for.

    Args:
        what: in words.
        content: makes it.
    """
    store = the_store()
    looking = viewer(store)
    here = looking.by if looking and looking.signed_in else st.session_state.get(WHO, "")
    by = here or "somebody at the computer"

    def made() -> bytes:
        store.note_export(what, by=by)
        return content()

    return made


def chosen_recording() -> int | None:
    """The recording that a link or another page asked for."""
    asked = str(st.query_params.get(RECORDING) or st.session_state.get(RECORDING) or "")
    return int(asked) if asked.isascii() and asked.isdigit() and len(asked) <= LONGEST_ID else None


def link_to(page: str, recording_id: int) -> str:
    """The address of another page with a recording, keeping who is at the keyboard."""
    values = {RECORDING: str(recording_id)}
    who = st.session_state.get(WHO) or st.query_params.get(WHO)
    if who and not browser_key():
        values[WHO] = who
    address = "./" if page == FIRST_PAGE else page
    return f"{address}?{urlencode(values)}"


def playable(store: Store, entry: RecordingEntry) -> Path | None:
    """The copy for the browser that today's consent allows, or None where there is none to open."""
    if not entry.sha256 or not store.may_review(entry.id):
        return None
    copy = review_copy(store, entry.id)
    return copy if can_open(copy) else None


def lend(source: Source, recording_id: int | None = None, *, media_type: str = "") -> str:
    """An address under which this browser session, and no other, gets a file or bytes.

    It answers as long as whoever is signed in now may see the recording.

    Args:
        source: see :meth:`review.media.Shelf.lend`.
        recording_id: the recording that it is of.
        media_type: what it is; by the file's suffix if empty.
    """
    store = the_store()
    SHELF.alive = _is_alive
    SHELF.allowed = partial(_may_still_see, store)
    return SHELF.lend(
        source,
        session_name(),
        media_type=media_type,
        recording_id=recording_id,
        key=kept_form(browser_key()),
    )


def session_name() -> str:
    """The browser session's name; the shelf asks the page server whether it is still there."""
    context = get_script_run_ctx()
    return context.session_id if context else "no session"


def _may_still_see(store: Store, key: str, recording_id: int | None, source: Source) -> bool:
    """Asked at every request for something lent."""
    try:
        looking = viewer_of_kept(store, key)
        if recording_id is None:
            return may(looking, Action.WATCH)
        if not may_see(looking, store.recording(recording_id).person):
            return False
        if isinstance(source, Path) and source.parent == store.copies:
            # The copy with sound is another one than that without.
            return source == review_copy(store, recording_id)
        return store.may_review(recording_id)
    except ReviewError:
        return False


def _is_alive(session: str) -> bool:
    return get_instance().is_active_session(session)


def table(
    caption: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    numbers: Sequence[int] = (),
    empty: str = "Nothing to show.",
) -> None:
    """A plain table that reads well aloud; ``numbers`` are right-aligned columns, from 0."""
    if not rows:
        st.html(f'<div class="unit"><p class="none">{escape(caption)}: {escape(empty)}</p></div>')
        return

    def kind(place: int) -> str:
        return ' class="number"' if place in numbers else ""

    head = "".join(f'<th scope="col"{kind(i)}>{escape(c)}</th>' for i, c in enumerate(columns))
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row"{kind(i)}>{_cell(c)}</th>'
            if i == 0
            else f"<td{kind(i)}>{_cell(c)}</td>"
            for i, c in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    st.html(
        f'<div class="unit"><div class="wide" tabindex="0" role="region" '
        f'aria-label="{escape(caption)}"><table><caption>{escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div></div>"
    )


def day_words(day: date) -> str:
    """A day as the tables write it; it does not break over two lines.

    >>> day_words(date(2024, 3, 9)).split("\u00a0")
    ['9', 'Mar', '2024']
    """
    return f"{day.day}\u00a0{MONTHS[day.month - 1]}\u00a0{day.year}"


def _cell(text: str) -> str:
    if isinstance(text, Link):
        return f'<a href="{escape(text.to)}">{escape(text)}</a>'
    return escape(text)


def picture(svg: str, description: str, *, widest_px: int | None = None) -> None:
    """A drawing on the page; see :func:`picture_html`."""
    st.html(picture_html(svg, description, widest_px=widest_px))


def picture_html(
    svg: str, description: str, *, widest_px: int | None = None, kind: str = "drawing"
) -> str:
    """A drawing with words for those who do not see it.

    Streamlit removes drawings written straight into a page, so it is handed over as a picture.
    """
    content = base64.b64encode(svg.encode()).decode()
    width = f"max-width:{widest_px}px;" if widest_px else ""
    return (
        f'<img class="{kind}" style="width:100%;{width}" alt="{escape(description)}" '
        f'src="data:image/svg+xml;base64,{content}">'
    )


def name_file_boxes() -> None:
    """Give Streamlit's hidden file inputs the name of their box, which it leaves out.

    Without it a screen reader meets an input without a name. Call it after the uploaders.
    """
    st.html(
        """<script>
        var give = () => {  // not const: two pages with file boxes run this in one window
          for (const box of document.querySelectorAll('[data-testid="stFileUploaderDropzone"]')) {
            const input = box.querySelector('input[type="file"]:not([aria-label])');
            const name = box.getAttribute("aria-label") || "File";
            if (input) { input.setAttribute("aria-label", name); }
          }
        };
        give();
        // The box comes later than this, and is drawn anew now and then.
        if (!window.givesFileBoxesNames) {
          window.givesFileBoxesNames = new MutationObserver(give);
          window.givesFileBoxesNames.observe(document.body, {childList: true, subtree: true});
        }
        </script>""",
        unsafe_allow_javascript=True,
    )


def show_parts(
    parts: Mapping[str, Callable[[], None]], key: str, *, kept: Collection[str] = ()
) -> None:
    """The parts of a page in tabs, each drawn only while open: a page is drawn at every click.

    Args:
        parts: what draws each, by its title.
        key: of the title that is open, in the session's state.
        kept: titles drawn from their first opening on: what was begun in them stays while one
            looks elsewhere.
    """
    tabs = st.tabs(list(parts), key=key, on_change="rerun")
    begun: set[str] = st.session_state.setdefault(f"{key}-begun", set())
    for tab, (title, part) in zip(tabs, parts.items(), strict=True):
        if tab.open and title in kept:
            begun.add(title)
        if tab.open or title in begun:
            with tab:
                part()


def pages_of(count: int, each: int, label: str, key: str) -> slice:
    """Which of ``count`` rows to show: a chooser of pages where there is more than one."""
    pages = max((count + each - 1) // each, 1)
    if pages == 1:
        return slice(0, count)
    number = st.number_input(f"{label}: page (of {pages})", 1, pages, 1, key=key, width=260)
    return slice((int(number) - 1) * each, int(number) * each)
