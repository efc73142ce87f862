"""The picture of the wiping made fit for a small place on paper."""

from __future__ import annotations

import re
from typing import Final

from review.analysis import WorkSurface
from review.measures import quantity
from review.surfacepicture import WIDTH

RIM: Final = 0.12
"""Shown around the wiped cells, as a share of their width."""

LEAST_HIGH, MOST_HIGH = 0.3, 0.5
"""Height of what is shown over its width: neither a slit nor a tower."""


def close_up(svg: str, surface: WorkSurface, size_px: tuple[int, int]) -> str:
    """The same drawing, showing the wiped cells alone and not all of the recording's picture.

    Args:
        svg: of the whole picture.
        surface: what it shows.
        size_px: width and height of the recording's picture.

    Raises:
        ValueError: if the drawing has no ``viewBox``.
    """
    left, top = surface.left * WIDTH, surface.top * WIDTH
    width = max((len(row) for row in surface.rows), default=0) * surface.cell * WIDTH
    height = len(surface.rows) * surface.cell * WIDTH
    shown = max(width * (1 + 2 * RIM), height * (1 + 2 * RIM) / MOST_HIGH, 1.0)
    high = max(height * (1 + 2 * RIM), shown * LEAST_HIGH)
    whole = WIDTH * size_px[1] / size_px[0]
    x = _inside(left + (width - shown) / 2, shown, WIDTH)
    y = _inside(top + (height - high) / 2, high, whole)
    box = f'viewBox="{x:.1f} {y:.1f} {shown:.1f} {high:.1f}"'
    changed, count = re.subn(r'viewBox="[^"]*"', box, svg, count=1)
    if not count:
        raise ValueError("the drawing has no viewBox")
    return changed


def _inside(start: float, length: float, whole: float) -> float:
    """Where a stretch begins that is to lie inside a whole one, moved as little as need be."""
    return max(min(start, whole - length), 0.0)


def wiping_note(surface: WorkSurface, covered: float | None, again: float | None) -> str:
    """What the patterns mean, with the shares (0..1) that were measured, in a few words."""

    def share(value: float | None, of: str = "") -> str:
        return "" if value is None else f" ({quantity(value, 'share')}{of})"

    letters = set("".join(surface.rows))
    parts = [f"Lines: wiped{share(covered, ' of the area')}."]
    if "a" in letters:
        parts.append(f"Crossed: gone over again{share(again)}.")
    if "o" in letters:
        parts.append(f"Dots: not wiped{share(None if covered is None else 1 - covered)}.")
    if surface.corners is None:
        parts.append("Area: as far as the wiping shows.")
    if surface.path:
        turns = surface.reversals
        counted = "" if turns is None else f", {turns} turn{'' if turns == 1 else 's'}"
        parts.append(f"Way: circle to square{counted}.")
    return " ".join(part.replace(" %", "\u00a0%") for part in parts)
