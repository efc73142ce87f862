"""Words that people typed, made harmless for what they are written into.

A comment, a name or a file's name may hold anything. Written into a table, a caption or a line of
a message it must stay text: no formula, no markup, no second line, no order to a terminal.
Pages escape by themselves (Streamlit) or with :func:`html.escape`.
"""

from __future__ import annotations

import re
from typing import Final

FORMULA_STARTS: Final = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20|%")
"""What a cell must not begin with: equals, plus, minus, at, tab, carriage return, line feed and
the full-width forms (OWASP, 'CSV Injection', from memory); '|' and '%' are ours."""

_BLANK: Final = " \u00a0\ufeff\u200b"
"""Blanks that a spreadsheet leaves out before it looks how a cell begins."""

_INNER_START: Final = re.compile(
    "([;\t\r\n][\\s\ufeff\u200b\"']*)(?=[=+\\-@\uff1d\uff0b\uff0d\uff20|%])"
)
"""A formula behind a separator within the text: a spreadsheet that parts cells at semicolons, as
those of many countries do, would begin a new cell there, whatever the quotes of a comma-separated
file say (OWASP names field separators and quotes for the same reason, from memory)."""

_CONTROLS: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
"""Line ends, tabs and all other control characters; a terminal takes some of them for orders."""

_DIRECTIONS: Final = re.compile("[\u202a-\u202e\u2066-\u2069\ufeff]")
"""Marks that turn the reading direction of what follows (Unicode Standard Annex 9, explicit
directional formatting), so that ``gpj.exe`` would look like ``exe.jpg``. The plain marks of
right-to-left writing (U+200E, U+200F) only concern their neighbours and stay."""


def csv_cell(value: object) -> object:
    """A cell that no spreadsheet runs: what begins like a formula gets an apostrophe before it.

    Numbers, dates and None stay what they are; a negative *number* is no risk, a text that
    begins with a minus is. Write the cells with ``csv.QUOTE_ALL`` or the like.

    >>> csv_cell("=1+1"), csv_cell("P-01"), csv_cell(-3), csv_cell("see; =1+1")
    ("'=1+1", 'P-01', -3, "see; '=1+1")
    """
    if not isinstance(value, str):
        return value
    value = _INNER_START.sub(r"\1'", value)
    risky = value.lstrip(_BLANK)[:1] in FORMULA_STARTS if value else False
    return f"'{value}" if risky else value


def plain_line(text: str) -> str:
    r"""One line that shows what it holds: no line ends, control or direction-turning characters.

    >>> plain_line("two\nlines \x1b[31mred\x1b[0m")
    'two lines [31mred [0m'
    """
    whole = text.encode("utf-8", "replace").decode("utf-8")  # names may hold bytes of no encoding
    return " ".join(_DIRECTIONS.sub("", _CONTROLS.sub(" ", whole)).split())


def vtt_text(text: str) -> str:
    r"""Text of a WebVTT cue, header or chapter: one line, markup characters as references.

    W3C WebVTT: cue text holds no ``-->`` and no blank line, ``&`` and ``<`` begin references and
    tags (section on cue text, from memory). Empty text becomes a dash, for a cue needs some.

    >>> vtt_text("<b>a</b>\n\n00:01 --> 00:02 & so on")
    '&lt;b&gt;a&lt;/b&gt; 00:01 --&gt; 00:02 &amp; so on'
    """
    line = plain_line(text)
    return line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") or "-"


_MARKDOWN: Final = re.compile(r"([\\`*_\[\]<>$~&|]|:(?=[A-Za-z/])|(?<=www)\.|^[#+-])")
"""What CommonMark (0.31, section 2.4: a backslash before punctuation makes it itself), its usual
extensions and Streamlit's own make something of: emphasis, links, pictures, code, formulas,
colours and signs between colons, addresses that become links by themselves."""


def markdown_text(text: object) -> str:
    r"""Text that a page shows as it is, where it would read Markdown: no link, picture, colour.

    A picture in a comment would be fetched from wherever it says, and tell who reads what.

    >>> print(markdown_text("![x](http://example.org/x.png) :red[no] a-b.mp4"))
    !\[x\](http\://example.org/x.png) \:red\[no\] a-b.mp4
    """
    return _MARKDOWN.sub(r"\\\1", plain_line(str(text)))
