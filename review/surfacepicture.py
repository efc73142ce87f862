"""The wiping of the work surface as one picture: what was wiped, missed and gone over again.

An SVG in which nothing rests on colour alone: each kind of place has a pattern of its own, and
the legend says it in words. It may lie over a still of the recording; a still that is handed in
must have its faces covered already (see :mod:`review.surfacestill`), because whoever is given
the SVG is given its picture. Frame: picture coordinates as in
:class:`review.tracks.LandmarkTrack`; of a mirrored recording both are flipped back.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from html import escape
from itertools import groupby, pairwise
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from review.analysis import WorkSurface
from review.measures import quantity

Array = NDArray[np.floating[Any]]

WIDTH = 640.0
"""Drawn units over the picture's width."""

MARGIN, FLATTEST, TALLEST = 0.12, 0.4, 0.75
"""Of a close picture: border about the work area as a share of it, least and most height over
width."""

LEGEND_ROW_H, LEGEND_TOP = 26.0, 14.0
DASHED = 'stroke-dasharray="9 5"'
FONT = 'font-family="\'DejaVu Sans\', Verdana, Arial, sans-serif" font-size="15"'

PLACES: Mapping[str, tuple[str, str, str]] = {
    "wiped": ("w", "#0072b2", "wiped-lines"),
    "again": ("a", "#d55e00", "again-cross"),
    "missed": ("o", "#ffffff", "missed-dots"),
}
"""Letter in the rows of :class:`WorkSurface`, colour and pattern of each kind of place. Blue and
vermilion of Okabe and Ito (2008), which colour-blind people tell apart (from memory)."""

WORDS: Mapping[str, str] = {
    "title": "Wiping of the work surface",
    "wiped": "wiped",
    "again": "gone over again after it was clean",
    "missed": "not wiped",
    "area": "work area as drawn by a person",
    "area_found": "work area as far as the wiping shows it",
    "way": "way of the hand, from the circle to the square",
    "reversals": "{n} changes of direction",
    "one_reversal": "1 change of direction",
    "of_area": "{words}: {share} of the work area",
    "of_wiped": "{words}: {share} of what was wiped",
}
"""Every word of the picture; a translation replaces some or all. Words in braces are filled in."""

ARROW_EVERY = 90.0
"""Drawn units of the hand's way from one arrow head to the next."""


def surface_picture(
    surface: WorkSurface,
    size_px: tuple[int, int],
    *,
    covered: float | None = None,
    again: float | None = None,
    still: bytes | None = None,
    words: Mapping[str, str] | None = None,
    legend: bool = True,
    close: bool = False,
) -> str:
    """The SVG.

    Args:
        surface: what was wiped.
        size_px: width and height of the recording's picture.
        covered: the measured share (0..1) of the area wiped, told in the legend where it is known.
        again: the same of what was gone over again.
        still: a picture of the recording as JPEG, faces covered, unmirrored; without it the
            ground is plain.
        words: of another language, see :data:`WORDS`.
        legend: whether to draw it below the picture; :func:`surface_words` says the same.
        close: only the part of the picture about the work area, larger.

    Raises:
        ValueError: for a picture without width or height.
    """
    if min(size_px) <= 0:
        raise ValueError(f"a picture of {size_px[0]} x {size_px[1]} has no place to draw on")
    say = {**WORDS, **(words or {})}
    frame = _Frame.of(surface, size_px[1] / size_px[0], close)
    lines = surface_words(surface, covered=covered, again=again, words=words)
    parts = [
        *_ground(frame, size_px[1] / size_px[0], still),
        *_cells(surface, frame),
        *_area(surface, frame),
        *_way(surface, frame),
    ]
    below = list(_legend(surface, lines, frame.height)) if legend else []
    total = frame.height + (LEGEND_TOP + LEGEND_ROW_H * len(lines) if legend else 0.0)
    described = escape(". ".join(text for _, text in lines) + ".")
    window = f'width="{WIDTH:g}" height="{frame.height:.1f}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {total:.1f}" '
        f'role="img"><title>{escape(say["title"])}</title><desc>{described}</desc>{_PATTERNS}'
        f'<svg {window} viewBox="0 0 {WIDTH:g} {frame.height:.1f}">{"".join(parts)}</svg>'
        f"{''.join(below)}</svg>"
    )


@dataclass(frozen=True, slots=True)
class _Frame:
    """The part of the recording's picture that is drawn.

    Attributes:
        left, top: of the part, picture widths.
        scale: drawn units to a picture width.
        height: of the part, drawn units; its width is always ``WIDTH``.
    """

    left: float
    top: float
    scale: float
    height: float

    @classmethod
    def of(cls, surface: WorkSurface, aspect: float, close: bool) -> Self:
        """The whole picture (``aspect`` is its height over its width), or what matters of it."""
        if not close or not surface.rows:
            return cls(0.0, 0.0, WIDTH, WIDTH * aspect)
        columns, rows = len(surface.rows[0]), len(surface.rows)
        places = [
            (surface.left, surface.top),
            (surface.left + columns * surface.cell, surface.top + rows * surface.cell),
            *(surface.corners or ()),
        ]
        low, high = np.min(places, axis=0), np.max(places, axis=0)
        middle, extent = 0.5 * (low + high), (high - low) * (1.0 + 2.0 * MARGIN)
        width = min(max(extent[0], extent[1] / TALLEST), 1.0)
        height = min(max(extent[1], width * FLATTEST), width * TALLEST, aspect)
        left = float(np.clip(middle[0] - width / 2, 0.0, 1.0 - width))
        top = float(np.clip(middle[1] - height / 2, 0.0, aspect - height))
        return cls(left, top, WIDTH / float(width), WIDTH * float(height / width))

    def place(self, points: Iterable[tuple[float, float]]) -> Array:
        """Points in picture widths to drawn units, shape (n, 2)."""
        return (np.array(list(points)) - [self.left, self.top]) * self.scale


def surface_words(
    surface: WorkSurface,
    *,
    covered: float | None = None,
    again: float | None = None,
    words: Mapping[str, str] | None = None,
) -> tuple[tuple[str, str], ...]:
    """The legend in words: what is drawn (a name of :data:`WORDS`) and the line that says it."""
    say = {**WORDS, **(words or {})}

    def share(name: str, of: str, value: float | None) -> str:
        if value is None:
            return say[name]
        return say[of].format(words=say[name], share=quantity(value, "share"))

    letters = set("".join(surface.rows))
    missed = None if covered is None else 1.0 - covered
    rows = [("wiped", share("wiped", "of_area", covered))]
    if "a" in letters:
        rows.append(("again", share("again", "of_wiped", again)))
    if "o" in letters:
        rows.append(("missed", share("missed", "of_area", missed)))
    rows.append(("area", say["area_found" if surface.corners is None else "area"]))
    if surface.path:
        turns = surface.reversals
        counted = {None: "", 1: f", {say['one_reversal']}"}.get(
            turns, f", {say['reversals'].format(n=turns)}"
        )
        rows.append(("way", say["way"] + counted))
    return tuple(rows)


def _ground(frame: _Frame, aspect: float, still: bytes | None) -> Iterator[str]:
    yield f'<rect width="{WIDTH:g}" height="{frame.height:.1f}" fill="#e9ecef"/>'
    if still is not None:
        x, y = frame.place([(0.0, 0.0)])[0]
        data = base64.b64encode(still).decode("ascii")
        yield (
            f'<image x="{x:.1f}" y="{y:.1f}" width="{frame.scale:.1f}" '
            f'height="{frame.scale * aspect:.1f}" preserveAspectRatio="none" '
            f'href="data:image/jpeg;base64,{data}"/>'
        )


def _cells(surface: WorkSurface, frame: _Frame) -> Iterator[str]:
    """Runs of cells of one kind in a row, joined to one path for each kind."""
    size = surface.cell * frame.scale
    (left, top), *_ = frame.place([(surface.left, surface.top)])
    for name, (letter, colour, pattern) in PLACES.items():
        runs = []
        for row, cells in enumerate(surface.rows):
            column = 0
            for found, group in groupby(cells):
                count = len(list(group))
                if found == letter:
                    long = count * size
                    place = f"M{left + column * size:.1f} {top + row * size:.1f}"
                    runs.append(f"{place}h{long:.1f}v{size:.1f}h-{long:.1f}z")
                column += count
        if runs:
            d = "".join(runs)
            yield f'<path class="{name}" d="{d}" fill="{colour}" fill-opacity="0.35"/>'
            yield f'<path d="{d}" fill="url(#{pattern})"/>'


def _area(surface: WorkSurface, frame: _Frame) -> Iterator[str]:
    if surface.corners is None:
        return
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in frame.place(surface.corners))
    for colour, width in (("#ffffff", 5), ("#1b1b1b", 2)):
        yield (
            f'<polygon points="{points}" fill="none" stroke="{colour}" stroke-width="{width}" '
            f"{DASHED}/>"
        )


def _way(surface: WorkSurface, frame: _Frame) -> Iterator[str]:
    """The hand's way with a light rim, arrow heads along it, a circle and a square at its ends."""
    pieces = [frame.place((x, y) for _, x, y in piece) for piece in surface.path]
    if not pieces:
        return
    d = "".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in piece) for piece in pieces if len(piece) > 1
    )
    for colour, width in (("#ffffff", 4), ("#1b1b1b", 1.6)):
        yield (
            f'<path d="{d}" fill="none" stroke="{colour}" stroke-width="{width}" '
            'stroke-linejoin="round"/>'
        )
    for piece in pieces:
        yield from _arrows(piece)
    (x, y), (u, v) = pieces[0][0], pieces[-1][-1]
    style = 'fill="#ffffff" stroke="#1b1b1b" stroke-width="2"'
    yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" {style}/>'
    yield f'<rect x="{u - 5:.1f}" y="{v - 5:.1f}" width="10" height="10" {style}/>'


def _arrows(piece: Array) -> Iterator[str]:
    gone = ARROW_EVERY / 2
    for start, end in pairwise(piece):
        step = end - start
        length = float(np.hypot(step[0], step[1]))
        gone += length
        if length > 1e-6 and gone >= ARROW_EVERY:
            gone = 0.0
            ahead = step / length
            side = np.array([-ahead[1], ahead[0]])
            tip, back = end + 5 * ahead, end - 5 * ahead
            corners = (tip, back + 4.5 * side, back - 4.5 * side)
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
            yield f'<polygon points="{points}" fill="#1b1b1b" stroke="#ffffff"/>'


def _legend(
    surface: WorkSurface, lines: tuple[tuple[str, str], ...], height: float
) -> Iterator[str]:
    for number, (name, text) in enumerate(lines):
        y = height + LEGEND_TOP + LEGEND_ROW_H * number
        marked = name != "area" or surface.corners is not None
        if marked:
            yield _swatch(name, y)
        x = 52 if marked else 6
        yield f'<text x="{x}" y="{y + 14:.1f}" {FONT} fill="#1b1b1b">{escape(text)}</text>'


def _swatch(name: str, y: float) -> str:
    box = f'x="6" y="{y:.1f}" width="34" height="18"'
    if name in PLACES:
        _, colour, pattern = PLACES[name]
        return (
            f'<rect {box} fill="{colour}" fill-opacity="0.35" stroke="#1b1b1b"/>'
            f'<rect {box} fill="url(#{pattern})"/>'
        )
    if name == "area":
        return f'<rect {box} fill="none" stroke="#1b1b1b" stroke-width="2" {DASHED}/>'
    middle = y + 9
    return (
        f'<path d="M10 {middle:.1f}H36" stroke="#1b1b1b" stroke-width="1.6"/>'
        f'<circle cx="11" cy="{middle:.1f}" r="5" fill="#ffffff" stroke="#1b1b1b"/>'
        f'<rect x="31" y="{middle - 4.5:.1f}" width="9" height="9" fill="#ffffff" '
        'stroke="#1b1b1b"/>'
    )


_PATTERNS = (
    "<defs>"
    '<pattern id="wiped-lines" width="9" height="9" patternUnits="userSpaceOnUse">'
    '<path d="M-1 10L10 -1" stroke="#00456b" stroke-width="1" stroke-opacity="0.75"/></pattern>'
    '<pattern id="again-cross" width="7" height="7" patternUnits="userSpaceOnUse">'
    '<path d="M0 0L7 7M7 0L0 7" stroke="#6b2f00" stroke-width="1.4"/></pattern>'
    '<pattern id="missed-dots" width="8" height="8" patternUnits="userSpaceOnUse">'
    '<circle cx="4" cy="4" r="1.7" fill="#1b1b1b"/></pattern>'
    "</defs>"
)
