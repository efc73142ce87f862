"""What people type stays text, wherever it is written."""

from __future__ import annotations

import csv
import io

import pytest
import webvtt
from hypothesis import example, given
from hypothesis import strategies as st

from review.escaping import csv_cell, plain_line, vtt_text

# Beginnings named by OWASP, 'CSV Injection' (from memory).
OWASP = ["=", "+", "-", "@", "\t", "\r"]

anything = st.text(st.characters(codec="utf-8"), max_size=60)


@pytest.mark.parametrize("start", OWASP)
@pytest.mark.parametrize("before", ["", " ", "\u00a0", "\ufeff"])
def test_a_formula_gets_an_apostrophe(start: str, before: str) -> None:
    cell = csv_cell(f"{before}{start}cmd|' /C calc'!A0")
    assert isinstance(cell, str) and cell.startswith("'")


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
@pytest.mark.parametrize("separator", [";", "; ", '";"', "\n", "\r\n", "\t", ';"'])
def test_a_formula_behind_a_separator_gets_one_too(start: str, separator: str) -> None:
    cell = str(csv_cell(f"quiet{separator}{start}1+1"))
    assert f"{start}1+1" not in cell.replace(f"'{start}1+1", "")


@given(anything)
@example('a";=1+1;"')
@example("=HYPERLINK(1)\n;=2")
def test_no_cell_of_any_usual_separator_begins_like_a_formula(text: str) -> None:
    """Read as a spreadsheet of another country would: parted at semicolons or tabs.

    The reader is Python's own; it stands for the spreadsheets.
    """
    out = io.StringIO(newline="")
    csv.writer(out, quoting=csv.QUOTE_ALL).writerow(["P-01", csv_cell(text), "last"])
    for separator in ",;\t":
        for row in csv.reader(io.StringIO(out.getvalue(), newline=""), delimiter=separator):
            for cell in row:
                assert cell.strip('"\t\r\n ')[:1] not in set("=+-@"), (separator, cell)


@given(anything)
def test_ordinary_words_and_numbers_are_left_alone(text: str) -> None:
    if text[:1].isalnum() and not set(text) & set(";\t\r\n"):
        assert csv_cell(text) == text
    assert csv_cell(-3.5) == -3.5
    assert csv_cell(None) is None


@given(anything)
@example("a\n\nb")
@example("00:00.000 --> 00:09.000\nmine")
@example("<script>alert(1)</script>&lt;<v Ann>")
def test_a_cue_reads_back_as_one_cue_with_the_same_words(text: str) -> None:
    """The reader is webvtt-py, an independent one."""
    words = vtt_text(text)
    assert "-->" not in words and "<" not in words and len(words.splitlines()) == 1
    file = f"WEBVTT\n\n00:00:01.000 --> 00:00:02.000\n{words}\n"
    captions = list(webvtt.from_string(file))
    assert len(captions) == 1
    assert (captions[0].start, captions[0].end) == ("00:00:01.000", "00:00:02.000")
    assert captions[0].text.strip() == words.strip()


@given(anything)
@example("rec\x1b]0;title\x07.mp4")
@example("a\u202egpj.exe")
@example("half\udc80name")
def test_a_line_is_one_line_that_orders_nothing(text: str) -> None:
    line = plain_line(text)
    assert len(line.splitlines()) <= 1
    assert all(c.isprintable() or c in "\u00a0\u3000\u200e\u200f" or ord(c) > 0x9F for c in line)
    assert not set(line) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\x1b")
    line.encode("utf-8")
