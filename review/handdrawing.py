"""Pieces of the hand map as SVG: patterns, lines, labels. Drawn lines only, no references.

Coordinates are those of the picture: x to the right, y down, in units of its ``viewBox``.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np

from review.handshape import Points, hatch, inside, raster

INK, PAPER, SKIN = "#161616", "#ffffff", "#f1efec"
TINTS = ("#ffffff", "#eef3f5", "#cfdfe4", "#8fb2bd")
"""Ground of each step, from not rubbed to fully rubbed; ink on each is at least 8:1."""
PATTERN_INK = "#12414d"
UNKNOWN = -1
"""Step of a surface that could not be told."""


def filled(polygons: Sequence[Points], step: int) -> str:
    """A region in the pattern of its step, with its edge."""
    if step == UNKNOWN:
        return path(polygons, fill=PAPER, width=1.3, dash="3 2.5") + _marks_of_doubt(polygons)
    parts = [path(polygons, fill=TINTS[step], width=1.4)]
    if step == 1:
        parts.append(_dots([place for polygon in polygons for place in raster(polygon, 6.4)]))
    if step >= 2:
        angles, gap = ((45.0,), 5.6) if step == 2 else ((45.0, -45.0), 4.8)
        lines = [line for p in polygons for angle in angles for line in hatch(p, angle, gap)]
        parts.append(_lines(lines))
    return "".join(parts)


def _d(points: Points, closed: bool = True) -> str:
    """Path data in tenths, each point relative to the one before: short."""
    tenths = np.round(points * 10).astype(int)
    steps = np.diff(tenths, axis=0).tolist()
    x, y = tenths[0].tolist()
    moves = "".join(f"l{_tenth(a)} {_tenth(b)}" for a, b in steps)
    return f"M{_tenth(x)} {_tenth(y)}{moves}{'z' if closed else ''}"


def _tenth(value: int) -> str:
    """Tenths as a short decimal.

    >>> _tenth(120), _tenth(-5), _tenth(7)
    ('12', '-.5', '.7')
    """
    return f"{value / 10:g}".replace("0.", ".", 1) if abs(value) < 10 else f"{value / 10:g}"


def path(
    shapes: Sequence[Points],
    fill: str = "none",
    width: float = 0.0,
    closed: bool = True,
    dash: str = "",
) -> str:
    """One path through all ``shapes``; no line without a ``width``."""
    line = f' stroke="{INK}" stroke-width="{width:g}" stroke-linejoin="round"' if width else ""
    line += f' stroke-dasharray="{dash}"' if dash else ""
    d = "".join(_d(points, closed) for points in shapes)
    return f'<path d="{d}" fill="{fill}"{line}/>'


def _lines(lines: Sequence[tuple[Points, Points]]) -> str:
    if not lines:
        return ""
    d = "".join(_d(np.stack(line), closed=False) for line in lines)
    return f'<path d="{d}" fill="none" stroke="{PATTERN_INK}" stroke-width="1.3"/>'


def _dots(points: Sequence[tuple[float, float]]) -> str:
    """Dots as lines of almost no length with round ends: short, and any program prints them."""
    if not points:
        return ""
    d = "".join(f"M{x:.1f} {y:.1f}h.1" for x, y in points)
    return (
        f'<path d="{d}" fill="none" stroke="{PATTERN_INK}" stroke-width="2.4" '
        f'stroke-linecap="round"/>'
    )


def _marks_of_doubt(polygons: Sequence[Points]) -> str:
    """Question marks over a region, at least one in each of its parts."""
    places: list[tuple[float, float]] = []
    for polygon in polygons:
        middle = (polygon.min(axis=0) + polygon.max(axis=0)) / 2
        fitting = [
            (float(x), float(y))
            for x, y in np.array(raster(polygon - middle, 13.0)).reshape(-1, 2) + middle
            if all(inside(polygon, (x + dx, y + dy)) for dx in (-4.2, 4.2) for dy in (-5.0, 5.0))
        ]
        places += fitting or [_roomiest(polygon)]
    curves = "".join(
        f"M{x - 2.6:.1f} {y - 2.6:.1f}c0-3.6 5.4-3.6 5.4 0c0 2.4-2.8 2.2-2.8 4.6m0 2.6v.3"
        for x, y in places
    )
    return (
        f'<path d="{curves}" fill="none" stroke="{INK}" stroke-width="1.4" stroke-linecap="round"/>'
    )


def _roomiest(polygon: Points) -> tuple[float, float]:
    """The place of a fine raster inside a polygon that is furthest from its corners."""
    places = raster(polygon, 2.0) or [(float(polygon[0, 0]), float(polygon[0, 1]))]
    room = [float(np.hypot(*(polygon - np.array(place)).T).min()) for place in places]
    return places[int(np.argmax(room))]


def half_width(text: str) -> float:
    """Half the breadth of a time as written, with a little room."""
    return max(6.0 * len(text) + 3.0, 14.0)


def dot_at(place: Points) -> str:
    """The end of a label's line; ``place`` has shape (2,)."""
    x, y = place.tolist()
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="{INK}" stroke="{PAPER}" '
        f'stroke-width="1.4"/>'
    )


def time_at(x: float, y: float, text: str, framed: bool) -> str:
    """A time in bold on paper, framed where it should be found at once."""
    half = half_width(text)
    frame = f' stroke="{INK}" stroke-width="2"' if framed else ""
    box = (
        f'<rect x="{x - half:.1f}" y="{y - 20:.1f}" width="{2 * half:.1f}" height="26" rx="4" '
        f'fill="{PAPER}"{frame}/>'
    )
    return box + text_at(x, y, text, 21, bold=True)


def text_at(
    x: float, y: float, text: str, size: float, bold: bool = False, anchor: str = "middle"
) -> str:
    """A line of text, ``y`` at its base."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{weight} '
        f'fill="{INK}">{escape(text)}</text>'
    )


def wrapped(name: str) -> tuple[list[str], float]:
    """A name in lines of the middle column, and a letter size in which they fit."""
    room = 11
    lines: list[str] = []
    for word in name.split():
        for number, piece in enumerate(word.split("\u00ad")):
            if lines and number and len(lines[-1]) + len(piece) <= room:
                lines[-1] += piece
            elif lines and number:
                lines[-1] += "-"
                lines.append(piece)
            elif lines and len(lines[-1]) + 1 + len(piece) <= room:
                lines[-1] += f" {piece}"
            else:
                lines.append(piece)
    longest = max((len(line) for line in lines), default=1)
    return lines, min(17.5, 104.0 / (0.58 * longest))
