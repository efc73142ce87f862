"""The hand map: both hands from palm and back, each surface with its rubbing time.

An SVG for pages and reports, and the same in words. Nothing is told by colour alone: every
surface has its seconds written beside it, and a pattern that grows denser with time. What the
camera could not tell has a question mark and question marks for a pattern; what was not
rubbed stays white, with a framed ``0 s``. Left and right are the person's own, drawn as people
see their own hands.

The picture uses drawn lines only (no pattern, clip, style or id), so that several of them can
stand on one page and programs that know little SVG can print it. At 320 pixels of width its
letters are about 13 pixels or larger.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from review.handdrawing import (
    PAPER,
    SKIN,
    UNKNOWN,
    dot_at,
    filled,
    half_width,
    path,
    text_at,
    time_at,
    wrapped,
)
from review.handshape import Points, Region, Side, hand_shape
from review.measures import Result
from review.timeline import Surface

WANTED_S = 5.0
"""Seconds shown with the densest pattern where the caller names none. No published limit:
WHO 2009 prints no time for one movement; 30 s over six movements leave 5 s (arithmetic)."""

WORDS: Mapping[str, str] = {
    "palms": "Palms",
    "back": "Back of the hand",
    "between_fingers": "Between the fingers",
    "backs_of_fingers": "Backs of the fingers",
    "thumb": "Thumb",
    "fingertips": "Finger\u00adtips",
    "left_hand": "Left hand",
    "right_hand": "Right hand",
    "palm_side": "Palm side",
    "back_side": "Back side",
    "seconds": "{n} s",
    "under_one": "<1 s",
    "legend": "Rubbing time",
    "not_rubbed": "0 s, not rubbed",
    "under": "less than {n} s",
    "span": "{a} to {b} s",
    "at_least": "{n} s or more",
    "cannot_tell": "cannot tell",
    "own": "Left and right are the person's own.",
    "line": "{name}: {time}.",
    "line_seconds": "{n} seconds",
    "line_one_second": "1 second",
    "line_under_one": "less than 1 second",
    "line_not_rubbed": "0 seconds, not rubbed",
    "line_cannot_tell": "cannot tell, the camera did not see enough",
    "both_hands": "{name}, both hands",
    "of_left": "{name}, left",
    "of_right": "{name}, right",
}
"""Every word of the picture and of :func:`hand_map_words`; a translation replaces some or all.

Words in braces are filled in: ``n``, ``a``, ``b`` whole seconds, ``name`` a surface, ``time`` one
of the ``line_`` entries. A soft hyphen says where a long word may be parted.
"""

FONT = "font-family=\"'DejaVu Sans', Verdana, Arial, sans-serif\""
WIDTH = 400.0
HAND_Y, ROW_H = 82.0, 306.0
SCALE = 0.98
"""Drawn units a millimetre."""

Form = Literal["whole", "tall", "wide"]
"""With the legend, or without it for paper; see :func:`hand_map_svg`."""

SURFACES_OF: Mapping[Region, tuple[Surface, Surface]] = {
    "palm": (Surface.PALMS, Surface.PALMS),
    "back": (Surface.BACK_LEFT, Surface.BACK_RIGHT),
    "between": (Surface.BETWEEN_FINGERS, Surface.BETWEEN_FINGERS),
    "finger_backs": (Surface.BACKS_OF_FINGERS, Surface.BACKS_OF_FINGERS),
    "thumb": (Surface.THUMB_LEFT, Surface.THUMB_RIGHT),
    "tips": (Surface.FINGERTIPS_LEFT, Surface.FINGERTIPS_RIGHT),
}
"""Which surface each drawn region shows, on the left and on the right hand."""


class RubbedSurface(Protocol):
    """What the map needs of a record; ``SurfaceRubbing`` and ``WashSurface`` have it."""

    @property
    def surface(self) -> Surface:
        """Which of the nine."""

    @property
    def seconds(self) -> float | None:
        """Rubbing time, None where it could not be told."""

    @property
    def result(self) -> Result:
        """``not_assessable`` where it could not be told."""


@dataclass(frozen=True, slots=True)
class _Label:
    """A surface named in the middle column of one row.

    ``number_y`` is the height of its seconds; ``spot`` the place on the left hand, in
    millimetres of the drawn hand, that its line leads to.
    """

    region: Region
    word: str
    number_y: float
    spot: tuple[float, float]


LABELS: Mapping[Side, tuple[_Label, ...]] = {
    "palm": (
        _Label("tips", "fingertips", 26.0, (50.0, 136.0)),
        _Label("between", "between_fingers", 128.0, (24.0, 91.5)),
        _Label("palm", "palms", 200.0, (26.0, 42.0)),
    ),
    "back": (
        _Label("finger_backs", "backs_of_fingers", 62.0, (-40.5, 128.0)),
        _Label("thumb", "thumb", 137.0, (-72.0, 74.0)),
        _Label("back", "back", 217.0, (-16.0, 22.0)),
    ),
}


def hand_map_svg(
    records: Iterable[RubbedSurface],
    *,
    title: str,
    words: Mapping[str, str] | None = None,
    wanted_s: float | None = None,
    form: Form = "whole",
) -> str:
    """Both hands from both sides, shaded by rubbing time, as one SVG element.

    Args:
        records: one for each surface; a surface without a record counts as 'cannot tell'.
        title: read out by screen readers before the description.
        words: replaces entries of :data:`WORDS`.
        wanted_s: seconds from which a surface gets the densest pattern; half of them, the
            middle one. Default :data:`WANTED_S`. It shades, it judges nothing.
        form: ``whole`` with the legend below; ``tall`` and ``wide`` without it, for paper, with
            the sides one below the other or beside it: whoever prints it says what the
            patterns mean.

    Raises:
        ValueError: if ``wanted_s`` is not above 0, ``words`` has an unknown key, or two records
            are of one surface.
    """
    say = _words(words)
    full = full_s(wanted_s)
    by_surface = _by_surface(records)
    steps = {surface: step_of(by_surface.get(surface), full) for surface in Surface}
    times = {surface: _time(by_surface.get(surface), say) for surface in Surface}
    palm = _row("palm", 0.0, steps, times, say)
    back = _row("back", 0.0 if form == "wide" else ROW_H, steps, times, say)
    body, width, height = f"{palm}{back}", WIDTH, 2 * ROW_H
    if form == "wide":
        body, width, height = (
            f'{palm}<g transform="translate({WIDTH:g})">{back}</g>',
            2 * WIDTH,
            ROW_H,
        )
    elif form == "whole":
        legend, height = _legend(2 * ROW_H + 14, full, say)
        body += legend
    described = hand_map_words(by_surface.values(), words=words)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="100%" style="max-width:46rem;height:auto" role="img" '
        f"aria-label={quoteattr(title)} {FONT}>"
        f"<title>{escape(title)}</title><desc>{escape(described)}</desc>"
        f'<rect width="{width:g}" height="{height:g}" fill="{PAPER}"/>'
        f"{body}</svg>"
    )


def hand_map_words(
    records: Iterable[RubbedSurface], *, words: Mapping[str, str] | None = None
) -> str:
    """The hand map in words: one line for each of the nine surfaces.

    Raises:
        ValueError: as :func:`hand_map_svg`.
    """
    say = _words(words)
    by_surface = _by_surface(records)
    lines = [
        say["line"].format(name=_name(surface, say), time=_long_time(by_surface.get(surface), say))
        for surface in Surface
    ]
    return "\n".join([*lines, say["own"]])


def full_s(wanted_s: float | None) -> int:
    """Whole seconds from which the densest pattern is used, at least 1.

    >>> full_s(None), full_s(1.5), full_s(0.2)
    (5, 2, 1)
    """
    wanted = WANTED_S if wanted_s is None else wanted_s
    if not (math.isfinite(wanted) and wanted > 0):
        raise ValueError(f"wanted_s must be above 0, got {wanted_s}")
    return max(_whole(wanted), 1)


def step_of(record: RubbedSurface | None, full: int) -> int:
    """Pattern step: -1 cannot tell, 0 not rubbed, 1 some, 2 half of ``full`` or more, 3 all.

    It follows the whole seconds that are written, so that number and pattern always agree.
    """
    seconds = _seconds(record)
    if seconds is None:
        return UNKNOWN
    if seconds <= 0:
        return 0
    whole = _whole(seconds)
    return 3 if whole >= full else 2 if whole >= (full + 1) // 2 else 1


def _whole(seconds: float) -> int:
    """Seconds as people round them: halves up."""
    return math.floor(seconds + 0.5)


def _seconds(record: RubbedSurface | None) -> float | None:
    """Seconds of a record, None where it could not be told."""
    if record is None or record.result is Result.NOT_ASSESSABLE:
        return None
    return record.seconds


def _words(words: Mapping[str, str] | None) -> Mapping[str, str]:
    unknown = sorted(set(words or {}) - set(WORDS))
    if unknown:
        raise ValueError(f"the hand map has no words called {', '.join(unknown)}")
    return {**WORDS, **(words or {})}


def _by_surface(records: Iterable[RubbedSurface]) -> dict[Surface, RubbedSurface]:
    found: dict[Surface, RubbedSurface] = {}
    for record in records:
        if record.surface in found:
            raise ValueError(f"two records of {record.surface.value}")
        found[record.surface] = record
    return found


def _time(record: RubbedSurface | None, say: Mapping[str, str]) -> str:
    """The seconds as written in the picture."""
    seconds = _seconds(record)
    if seconds is None:
        return "?"
    whole = _whole(seconds)
    return say["under_one"] if seconds > 0 and whole == 0 else say["seconds"].format(n=whole)


def _long_time(record: RubbedSurface | None, say: Mapping[str, str]) -> str:
    seconds = _seconds(record)
    if seconds is None:
        return say["line_cannot_tell"]
    if seconds <= 0:
        return say["line_not_rubbed"]
    whole = _whole(seconds)
    if whole == 0:
        return say["line_under_one"]
    return say["line_one_second"] if whole == 1 else say["line_seconds"].format(n=whole)


def _name(surface: Surface, say: Mapping[str, str]) -> str:
    stem = surface.value.removesuffix("_left").removesuffix("_right")
    form = "both_hands" if surface.other_side is surface else ""
    form = form or ("of_left" if surface.value.endswith("_left") else "of_right")
    return say[form].format(name=say[stem].replace("\u00ad", ""))


# --- drawing ---------------------------------------------------------------------------------


def _row(
    side: Side,
    top: float,
    steps: Mapping[Surface, int],
    times: Mapping[Surface, str],
    say: Mapping[str, str],
) -> str:
    """One row: left hand, names and seconds, right hand."""
    parts = [
        text_at(WIDTH / 2, top + 28, say[f"{side}_side"], 23, bold=True),
        text_at(74, top + 58, say["left_hand"], 18),
        text_at(WIDTH - 74, top + 58, say["right_hand"], 18),
    ]
    for hand in (0, 1):
        shape = hand_shape(side)
        outline = _place(shape.outline, side, top, hand)
        parts.append(path([outline], fill=SKIN, width=4.0, closed=False))
        for region, polygons in shape.regions.items():
            step = steps[SURFACES_OF[region][hand]]
            parts.append(filled([_place(polygon, side, top, hand) for polygon in polygons], step))
        marks = [_place(mark, side, top, hand) for mark in shape.marks]
        parts.append(path(marks, width=1.1, closed=False))
    parts += [_label(label, side, top, times, say) for label in LABELS[side]]
    return "".join(parts)


def _place(points: Points, side: Side, top: float, hand: int) -> Points:
    """From the drawn hand's millimetres to the picture; ``hand`` 0 is the left one.

    The shape is a left hand from its palm, thumb outwards; the left hand from its back is
    its mirror image, thumb inwards.
    """
    flipped = side == "back"
    x = points[:, 0] * (-SCALE if flipped else SCALE)
    x = x + (62.0 if flipped else 91.0)
    if hand == 1:
        x = WIDTH - x
    return np.stack([x, top + HAND_Y + (182.0 - points[:, 1]) * SCALE], axis=1)


def _label(
    label: _Label,
    side: Side,
    top: float,
    times: Mapping[Surface, str],
    say: Mapping[str, str],
) -> str:
    """A surface's name, its seconds, and lines to both hands."""
    y = top + HAND_Y + label.number_y
    lines, size = wrapped(say[label.word])
    parts = [
        text_at(WIDTH / 2, y - 26 - 19 * (len(lines) - 1 - number), line, size)
        for number, line in enumerate(lines)
    ]
    surfaces = SURFACES_OF[label.region]
    one = surfaces[0] is surfaces[1]
    for hand, surface in enumerate(surfaces):
        spot = _place(np.array([label.spot]), side, top, hand)[0]
        text, away = times[surface], 1 if hand else -1
        half = half_width(text)
        x = WIDTH / 2 if one else WIDTH / 2 + away * (half + 3.0)
        ends = np.array([(x + away * half, y - 7), spot])
        parts += [path([ends], width=1.6, closed=False), dot_at(spot)]
        if not (one and hand):
            parts.append(time_at(x, y, text, framed=text == say["seconds"].format(n=0)))
    return "".join(parts)


def _legend(top: float, full: int, say: Mapping[str, str]) -> tuple[str, float]:
    """What the patterns mean, one a line, and the height at which the picture ends."""
    half = (full + 1) // 2
    rows: list[tuple[int, str]] = [(0, say["not_rubbed"]), (1, say["under"].format(n=half))]
    if half < full:
        middle = say["span"].format(a=half, b=full - 1)
        rows.append((2, middle if half < full - 1 else say["seconds"].format(n=half)))
    rows += [(3, say["at_least"].format(n=full)), (UNKNOWN, say["cannot_tell"])]
    parts = [text_at(24, top + 18, say["legend"], 19, bold=True, anchor="start")]
    y = top + 34
    for step, meaning in rows:
        box = np.array([(24.0, y), (84.0, y), (84.0, y + 26), (24.0, y + 26)])
        parts += [filled([box], step), path([box], width=1.6)]
        parts.append(text_at(98, y + 20, meaning, 18, anchor="start"))
        y += 36
    parts.append(text_at(24, y + 16, say["own"], 16.5, anchor="start"))
    return "".join(parts), y + 30
