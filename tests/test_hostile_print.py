"""Whatever people typed: the printed report is made, shows it as it is, and reads no file.

Text is read back by pypdf. Marks of Typst are from its reference (markup, code and math mode).
"""

from __future__ import annotations

import io
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
import typst
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from review.reportfacts import file_page
from review.reportpdf import make_pdf, readable
from review.sessionfile import RemarkRecord, ReviewRecord, Session
from tests.documents import example_analysis

ANALYSIS = example_analysis()
MADE = datetime(2026, 3, 10, 12, tzinfo=UTC)
SECRET = "thissecretliesinafile"

MARKUP = (
    "#", "$", "$ x^2 $", "\\", "\\u{41}", "*bold*", "_so_", "`raw`", "```typ #1```", "@label",
    "<label>", "= Heading", "- item", "+ item", "/ term: x", "[", "]", "{", "}", "(", ")", '"', "'",
    "//", "/*", "*/", "~", "---", "...", "#let x = 1", "#show: none", "#set page(width: 1pt)",
    "#sys.inputs.data", '#read("secret.txt")', '#read("/secret.txt")', '#include "secret.typ"',
    '#import "secret.typ": *', '#image("secret.svg")', '#json("secret.txt")', "#pagebreak()",
    '#eval("1")', '#plugin("x.wasm")', "https://example.org/x", "#while true {}",
)  # fmt: skip
ODD_SIGNS = (
    "\x00", "\x07", "\x1b[31m", "\r\n", "\t", "\u2028", "\u202e", "\u202d", "\u2066", "\u200f",
    "\u200b", "\ufeff", "\U0001f600", "\U0001f468\u200d\U0001f469\u200d\U0001f467", "\ud800",
    "\ufffe", "\u4e2d\u6587", "\u05d0\u05d1", "a\u0301\u0302", "\u00ad", "\u00a0",
)  # fmt: skip

plain = st.text(st.characters(codec="ascii", categories=("L", "N", "P", "S", "Zs")), max_size=20)
pieces = st.one_of(
    st.sampled_from(MARKUP),
    st.sampled_from(ODD_SIGNS),
    plain,
    st.text(st.characters(), max_size=8),
    st.integers(20, 90).map(lambda n: "W" * n),
)
typed = st.lists(pieces, max_size=8).map("".join)


@pytest.fixture(scope="module")
def beside_secrets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with files that no report may show."""
    folder = tmp_path_factory.mktemp("secrets")
    for name in ("secret.txt", "secret.typ"):
        (folder / name).write_text(SECRET)
    (folder / "secret.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><text>{SECRET}</text></svg>'
    )
    return folder


def session_with(texts: list[str]) -> Session:
    """The texts as a file's name, a message, codes, names and remarks."""
    name, message, person, trainer, trainer_name, *remarks = texts
    flag = ANALYSIS.flags[0].model_copy(update={"message": message or "-"})
    recording = ANALYSIS.recording.model_copy(update={"file": name})
    review = ReviewRecord(
        recording_id=1, person="P-1", trainer="T-1", taken_on=MADE.date(), analysis_version=1,
        made_at=MADE, basis="machine",
    )  # fmt: skip
    codes = {"person": person, "trainer": trainer, "trainer_name": trainer_name}
    said = tuple(RemarkRecord.model_construct(text=text, by="T-1", at=MADE) for text in remarks)
    return Session(
        analysis=ANALYSIS.model_copy(update={"recording": recording, "flags": (flag,)}),
        review=review.model_copy(update=codes | {"remarks": said}),
    )


def close(text: str) -> str:
    """Without blanks and without the marks for breaking, which are not seen."""
    return "".join(text.replace("\u200b", "").split())


def read_back(content: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return close("".join(page.extract_text() for page in pages))


def stands_in(text: str, found: str) -> bool:
    """In one piece, or in two where a page ends within it."""
    return any(text[:at] in found and text[at:] in found for at in range(len(text), 0, -1)) or (
        not text
    )


def comes_back(text: str) -> bool:
    """Whether a reader gives the signs back one by one and in order: Latin letters and marks."""
    return all(
        sign == " " or sign == "\u25a1" or (sign < "\u0250" and unicodedata.category(sign) != "Cf")
        for sign in text
    )


FIXED = ["".join(MARKUP[i::5]) for i in range(5)]


@given(st.lists(typed, min_size=24, max_size=24))
@example([*FIXED, *MARKUP])
@example([*FIXED, *ODD_SIGNS])
@settings(max_examples=3, phases=[Phase.explicit, Phase.generate])
def test_what_was_typed_stands_there_as_it_is(beside_secrets: Path, texts: list[str]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(beside_secrets)  # where Typst would look
        content = make_pdf(file_page(session_with(texts)), None, made_at=MADE)
    found = read_back(content)
    for text in texts:
        expected = readable(text).text.replace("\u200b", "")
        if comes_back(expected):
            assert stands_in(close(expected), found), text
    assert SECRET not in found
    document = pypdf.PdfReader(io.BytesIO(content))
    assert not any("/Annots" in page for page in document.pages), "no text becomes a link"
    assert len(document.pages) <= 12


def test_read_as_markup_the_same_text_would_show_the_file(
    beside_secrets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So the test above can fail."""
    monkeypatch.chdir(beside_secrets)
    assert SECRET in read_back(typst.compile(b'#read("secret.txt")', format="pdf"))
