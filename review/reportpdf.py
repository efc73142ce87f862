"""A report set on paper, as a tagged PDF (PDF/UA-1, ISO 14289-1).

It needs no network and no font of the computer it is made on.

Typst sets it (:file:`layouts/report.typ`). All words reach it as one JSON text, so that nothing
a person typed is ever read as markup. Characters that the font does not have are replaced by a
box, visibly; a note then says so. No author or user of this computer is written into it.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources, util
from pathlib import Path
from typing import Any, Final, Literal

import typst
from fontTools.ttLib import TTFont

from review.analysis import WashSurface
from review.errors import ReviewError
from review.handmap import hand_map_svg
from review.reportfacts import FilePage
from review.reportpatient import PatientPage
from review.reportstrip import NARROW, WIDE, strip_svg

Paper = Literal["a4", "letter"]
PAPERS: Final[Mapping[Paper, str]] = {"a4": "a4", "letter": "us-letter"}
"""A4: 210 x 297 mm (ISO 216). Letter: 8.5 x 11 in (ANSI/ASME Y14.1)."""

FONT: Final = "DejaVu Sans"
MISSING: Final = "\u25a1"
"""Stands for a character that the font does not have."""

LONGEST_RUN: Final = 24
"""A word longer than this may be broken anywhere, so that it does not run out of its column."""

_BREAK: Final = "\u200b"
_BLANKS: Final = re.compile(r"[ \t\r\n\f\v]+")
"""Blanks that become one; a no-break space stays what it is."""


class ReportError(ReviewError):
    """A report that could not be made."""


@dataclass(frozen=True, slots=True)
class Still:
    """The picture of a flagged moment.

    Attributes:
        jpeg: its bytes, the face made unrecognisable; None where there is none to show.
        words: what the picture is, or why there is none.
    """

    jpeg: bytes | None
    words: str


@dataclass(frozen=True, slots=True)
class FilePictures:
    """The pictures on the pages for the file.

    Attributes:
        stills: by the letter of the moment; moments without an entry say nothing of a picture.
        stills_note: what to mind about them.
        wash: the hand surfaces, for the hand picture.
        surface_svg: the wiping as an SVG; empty for none.
        surface_words: the same in words.
        surface_note: what it means, or why there is none.
    """

    wash: tuple[WashSurface, ...] = ()
    stills: Mapping[str, Still] | None = None
    stills_note: str = ""
    surface_svg: str = ""
    surface_words: str = ""
    surface_note: str = ""


def make_pdf(
    file: FilePage | None,
    patient: PatientPage | None,
    *,
    pictures: FilePictures | None = None,
    paper: Paper = "a4",
    made_at: datetime | None = None,
) -> bytes:
    """The PDF of the pages given: for the file, for the person who practised, or both.

    Args:
        file: the pages for the file, or None.
        patient: the page for the person who practised, or None.
        pictures: of the pages for the file.
        paper: its size.
        made_at: the time that the PDF says it was made at, aware; default now.

    Raises:
        ReportError: if it cannot be set.
        ValueError: if neither is given.
    """
    if file is None and patient is None:
        raise ValueError("a report needs at least one page")
    title = file.footer if file is not None else f"{patient.title}. {patient.session}"  # type: ignore[union-attr]
    content = _content(file, pictures or FilePictures()) if file else {}
    data = {
        **_EMPTY,
        **content,
        "title": readable(title).text,
        "paper": PAPERS[paper],
        "font": FONT,
        "patient": _readable_page(patient),
    }
    source = (resources.files("review") / "layouts" / "report.typ").read_bytes()
    try:
        return typst.compile(
            source,
            format="pdf",
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs={"data": json.dumps(data)},
            pdf_standards=["ua-1"],
            timestamp=(made_at or datetime.now(UTC)).replace(microsecond=0),
        )
    except typst.TypstError as error:
        raise ReportError(
            f"The report could not be set on paper ({error.message}). Export it as JSON and CSV "
            "instead, and please report this."
        ) from error


_EMPTY: Final[Mapping[str, Any]] = {
    "file": None,
    "strip": "",
    "hands": "",
    "stills": {},
    "stills_note": "",
    "surface": None,
    "surface_words": "",
    "surface_note": "",
}


def _content(file: FilePage, pictures: FilePictures) -> dict[str, Any]:
    """The data of the pages for the file."""
    width = NARROW if pictures.surface_svg else WIDE
    strip = strip_svg(file.duration_s, file.blocks, file.open_line, file.marks, file.strip, width)
    hands = hand_map_svg(pictures.wash, title=file.hands, form="tall") if file.hands else ""
    page = _readable_page(file)
    return {
        "file": page,
        "strip": strip,
        "hands": hands,
        "stills": {
            letter: {
                "jpeg": None if still.jpeg is None else list(still.jpeg),
                "words": still.words,
            }
            for letter, still in (pictures.stills or {}).items()
        },
        "stills_note": pictures.stills_note,
        "surface": pictures.surface_svg or None,
        "surface_words": pictures.surface_words,
        "surface_note": pictures.surface_note,
    }


# --- fonts and characters ------------------------------------------------------------------------


def font_folder() -> Path:
    """Where matplotlib keeps the DejaVu fonts; it need not be imported for that.

    Raises:
        ReportError: if they are not there.
    """
    found = util.find_spec("matplotlib")
    folder = (
        Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" if found and found.origin else None
    )
    if folder is None or not (folder / "DejaVuSans.ttf").is_file():
        raise ReportError("The fonts for the report are missing; install the program again.")
    return folder


@cache
def _fonts() -> typst.Fonts:
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[font_folder()]
    )


@cache
def _drawable() -> frozenset[int]:
    """Code points that both the regular and the bold font can draw."""
    known = []
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        with TTFont(font_folder() / name, lazy=True) as font:
            known.append(frozenset(font["cmap"].getBestCmap()))
    return known[0] & known[1]


@dataclass(frozen=True, slots=True)
class Readable:
    """Text that can be printed, and how many characters of it had to be replaced."""

    text: str
    replaced: int


def readable(text: str) -> Readable:
    r"""Text as it can be printed: one line, characters without a picture replaced by a box.

    >>> readable("Mu\u00f1oz \u4e2d\u6587") == Readable("Mu\u00f1oz \u25a1\u25a1", replaced=2)
    True
    """
    parts, replaced = [], 0
    for character in _BLANKS.sub(" ", text.strip()):
        kind = unicodedata.category(character)
        if character == " " or (ord(character) in _drawable() and kind not in ("Cc", "Cf")):
            parts.append(character)
        elif kind == "Cf" or character in "\ufe0e\ufe0f":
            continue  # direction marks and joiners: they have no picture of their own
        else:
            parts.append(MISSING)
            replaced += 1
    return Readable(_breakable("".join(parts)), replaced)


def _breakable(text: str) -> str:
    """Long words get places to break; they are not seen."""
    return " ".join(
        _BREAK.join(word[i : i + LONGEST_RUN] for i in range(0, len(word), LONGEST_RUN))
        for word in text.split(" ")
    )


def _readable_page(page: FilePage | PatientPage | None) -> dict[str, Any] | None:
    """A page with every text made printable; drawings stay as they are."""
    if page is None:
        return None
    count = 0

    def walk(value: Any) -> Any:
        nonlocal count
        if isinstance(value, str):
            made = readable(value)
            count += made.replaced
            return made.text
        if isinstance(value, list | tuple):
            return [walk(item) for item in value]
        if isinstance(value, dict):
            return {key: item if key == "hands_svg" else walk(item) for key, item in value.items()}
        return value

    content: dict[str, Any] = walk(asdict(page))
    if count and isinstance(page, FilePage):
        content["notes"].append(
            f"{MISSING} stands for a character that this print has no letter for; the report as "
            "JSON holds it."
        )
    return content
