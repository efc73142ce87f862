"""The recording as a strip of time for paper: phases, the open line, flagged moments, clock.

An SVG whose units are points (1/72 inch) when it is printed as wide as it says, so that the sizes
of letters here are those on the paper. Phases carry numbers and moments letters, which the lists
beside the strip explain: nothing is told by colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from review.wording import clock

WIDE, NARROW = 530.0, 345.0
"""Widths in points: all of a page, and beside a picture."""

LEFT, RIM = 58.0, 6.0
FONT_PT = 9.0
LETTER_PT = 5.6
"""Mean width of a letter at that size (DejaVu Sans, measured by eye)."""

PHASE_H, OPEN_Y, OPEN_H, MARKS_Y, ROW_H = 20.0, 25.0, 7.0, 38.0, 15.0
INK, PAPER, PHASE_FILL, REST = "#161616", "#ffffff", "#dfe7ea", "#6b6f76"
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)


@dataclass(frozen=True, slots=True)
class Block:
    """A phase: its number, its name, and its span in seconds."""

    number: int
    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A flagged moment: its letter and its span in seconds."""

    letter: str
    start_s: float
    end_s: float


def letter_of(place: int) -> str:
    """The letter of a moment by its place from 0: A to Z, then AA, AB, ...

    >>> letter_of(0), letter_of(25), letter_of(26), letter_of(53)
    ('A', 'Z', 'AA', 'BB')
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


@dataclass(frozen=True, slots=True)
class _Scale:
    """From seconds to points."""

    duration_s: float
    right: float

    def x(self, time_s: float) -> float:
        share = min(max(time_s / self.duration_s, 0.0), 1.0)
        return LEFT + (self.right - LEFT) * share


def strip_svg(
    duration_s: float,
    blocks: Sequence[Block],
    open_line: Sequence[tuple[float, float]],
    marks: Sequence[Mark],
    title: str,
    width: float = WIDE,
) -> str:
    """The strip as one SVG element; ``title`` is read out in its place.

    Args:
        duration_s: of the recording, seconds.
        blocks: phases in order.
        open_line: spans in which the line was open, seconds.
        marks: moments in order of their start.
        title: all that it shows, in words.
        width: in points.
    """
    scale = _Scale(max(duration_s, 0.001), width - RIM)
    rows = _rows(marks, scale)
    axis_y = MARKS_Y + ROW_H * (max(rows, default=-1) + 1)
    height = axis_y + 14.0
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}pt" height="{height:g}pt" role="img" aria-label={quoteattr(title)} '
        f'font-family="DejaVu Sans" font-size="{FONT_PT:g}" fill="{INK}">',
        f"<title>{escape(title)}</title>",
        _text(0, 14, "Phases"),
        _text(0, OPEN_Y + 7, "Line open"),
        _text(0, MARKS_Y + 9.3, "Moments") if marks else "",
        _box(LEFT, 0.5, scale.right - LEFT, PHASE_H, PAPER, REST),
        f'<path d="M{LEFT:g} {OPEN_Y + OPEN_H / 2:g}H{scale.right:g}" stroke="{REST}" '
        f'stroke-width=".5" stroke-dasharray="1 2"/>',
    ]
    parts += [_block(block, scale) for block in blocks]
    for start_s, end_s in open_line:
        start, end = scale.x(start_s), scale.x(end_s)
        parts.append(_box(start, OPEN_Y, max(end - start, 1.5), OPEN_H, INK, INK))
    parts += [_mark(mark, row, scale) for mark, row in zip(marks, rows, strict=True)]
    parts += _axis(scale, axis_y)
    return "".join([*parts, "</svg>"])


def _text(x: float, y: float, words: str, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'


def _box(x: float, y: float, width: float, height: float, fill: str, line: str) -> str:
    return (
        f'<rect x="{x:.2f}" y="{y:g}" width="{width:.2f}" height="{height:g}" fill="{fill}" '
        f'stroke="{line}" stroke-width=".7"/>'
    )


def _block(block: Block, scale: _Scale) -> str:
    """A phase with its number and, where there is room, its name."""
    start, end = scale.x(block.start_s), scale.x(block.end_s)
    words = next(
        (
            words
            for words in (f"{block.number} {block.name}", str(block.number))
            if len(words) * LETTER_PT + 4 <= end - start
        ),
        "",
    )
    box = _box(start, 0.5, max(end - start, 1.0), PHASE_H, PHASE_FILL, INK)
    return box + (_text((start + end) / 2, 14, words, "middle") if words else "")


def _rows(marks: Sequence[Mark], scale: _Scale) -> list[int]:
    """In which row each mark stands so that none covers another."""
    free: list[float] = []
    rows = []
    for mark in marks:
        start, end = _ends(mark, scale)
        row = next((row for row, until in enumerate(free) if until <= start), len(free))
        if row == len(free):
            free.append(0.0)
        free[row] = end + 3.0
        rows.append(row)
    return rows


def _ends(mark: Mark, scale: _Scale) -> tuple[float, float]:
    """Where a mark begins and ends on the paper: its letter, then a line as long as it lasts."""
    wide = 5.0 + 8.0 * len(mark.letter)
    start = min(scale.x(mark.start_s), scale.right - wide)
    return start, max(start + wide, scale.x(mark.end_s))


def _mark(mark: Mark, row: int, scale: _Scale) -> str:
    start, end = _ends(mark, scale)
    top, wide = MARKS_Y + ROW_H * row, 5.0 + 8.0 * len(mark.letter)
    line = f'<path d="M{start:.1f} {top + 6:g}H{end:.1f}" stroke="{INK}" stroke-width="1.4"/>'
    box = (
        f'<rect x="{start:.1f}" y="{top:g}" width="{wide:g}" height="12" rx="2.5" '
        f'fill="{PAPER}" stroke="{INK}" stroke-width="1"/>'
    )
    return line + box + _text(start + wide / 2, top + 9.3, mark.letter, "middle", bold=True)


def _axis(scale: _Scale, y: float) -> list[str]:
    duration_s, most = scale.duration_s, (scale.right - LEFT) / 45.0
    step = next((s for s in STEPS_S if duration_s / s <= most), None)
    if step is None:  # many hours: whole hours
        step = STEPS_S[-1] * math.ceil(duration_s / STEPS_S[-1] / most)
    parts = [f'<path d="M{LEFT:g} {y:g}H{scale.right:g}" stroke="{REST}" stroke-width=".7"/>']
    parts.append(_text(0, y + 12, "Time"))
    for number in range(int(duration_s // step) + 1):
        x = scale.x(number * step)
        anchor = "start" if number == 0 else "middle" if x < scale.right - 20 else "end"
        parts.append(f'<path d="M{x:.1f} {y - 2:g}v5" stroke="{REST}" stroke-width=".7"/>')
        parts.append(_text(x, y + 12, clock(number * step).removesuffix(".0"), anchor))
    return parts
