"""What the unit's pages share: the records, who is at the keyboard, tables, links, video.

Records are kept in the folder named by ``EXCHANGE_REVIEW_UNIT`` (``exchange-review page --unit``).
Without one an invented unit is shown, kept in the user's own data folder.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Sequence
from datetime import date
from html import escape
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

import streamlit as st
from streamlit.runtime import get_instance
from streamlit.runtime.scriptrunner import get_script_run_ctx

from review.cli import UNIT_VARIABLE
from review.demo import is_made, make_demo
from review.errors import ReviewError
from review.jobs import review_copy, take_up
from review.media import SHELF
from review.store import RecordingEntry, Store, open_store

FIRST_PAGE: Final = "review"
"""The page that is opened first: its address has no name."""

WHO: Final = "by"
RECORDING: Final = "recording"
"""Query parameters: the trainer at the keyboard, and the recording to open."""

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
    if named := os.environ.get(UNIT_VARIABLE, ""):
        return Path(named).expanduser()
    base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "exchange-review" / "demo"


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


def open_page(title: str) -> Store | None:
    """Begin a page: its title, its look and the records; None, with words, where they fail."""
    st.html(LOOK)
    if title:
        st.title(title)
    try:
        return the_store()
    except ReviewError as error:
        st.error(str(error))
        return None


def who_is_here(store: Store) -> str:
    """The trainer at the keyboard, chosen once and kept over the pages; '' for nobody yet."""
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


def chosen_recording() -> int | None:
    """The recording that a link or another page asked for."""
    asked = str(st.query_params.get(RECORDING) or st.session_state.get(RECORDING) or "")
    return int(asked) if asked.isascii() and asked.isdigit() else None


def link_to(page: str, recording_id: int) -> str:
    """The address of another page with a recording, keeping who is at the keyboard."""
    values = {RECORDING: str(recording_id)}
    who = st.session_state.get(WHO) or st.query_params.get(WHO)
    if who:
        values[WHO] = who
    address = "./" if page == FIRST_PAGE else page
    return f"{address}?{urlencode(values)}"


def playable(store: Store, entry: RecordingEntry) -> Path | None:
    """The copy for the browser that today's consent allows, or None where there is none."""
    if not entry.sha256 or not store.may_review(entry.id):
        return None
    copy = review_copy(store, entry.id)
    return copy if copy.is_file() else None


def lend(path: Path) -> str:
    """An address under which this browser session, and no other, gets the file."""
    context = get_script_run_ctx()
    SHELF.alive = _is_alive
    return SHELF.lend(path, context.session_id if context else "no session")


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
        const give = () => {
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


def pages_of(count: int, each: int, label: str, key: str) -> slice:
    """Which of ``count`` rows to show: a chooser of pages where there is more than one."""
    pages = max((count + each - 1) // each, 1)
    if pages == 1:
        return slice(0, count)
    number = st.number_input(f"{label}: page (of {pages})", 1, pages, 1, key=key, width=260)
    return slice((int(number) - 1) * each, int(number) * each)
