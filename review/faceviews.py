"""Which part of a picture to look for a face in.

The face tracker's detector sees any picture shrunk to 128 x 128 pixels, so a face lower than
about a fifth of the longer side is missed in a whole picture, however many pixels it has. Half
as wide a view shows it twice as large. Views overlap by half, so that a face smaller than half
of one lies wholly inside at least one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

VIEWS_A_PICTURE = 2
"""Most views tried in one picture; the others have their turn in the next ones. With a face in
view one is enough, so this bounds the cost of pictures without."""


SECOND_LOOK_EVERY_S = 0.25
"""Time between two second looks while they show nothing. A look costs up to a third of what a
picture costs in all (measured), so with 15 pictures a second these cost less than a tenth more."""


@dataclass(frozen=True, slots=True)
class View:
    """A rectangle of a picture in whole pixels, origin at the top left."""

    x: int
    y: int
    width: int
    height: int


def _starts(length: int, side: int) -> list[int]:
    """First pixels of views of ``side`` that cover ``length`` and overlap by at least half."""
    spare = length - side
    # A strip thinner than an eighth of a view at the lower or right edge holds no whole face.
    steps = 0 if spare <= side / 8 else -(-2 * spare // side)
    return [0] if not steps else [round(spare * step / steps) for step in range(steps + 1)]


def face_views(width: int, height: int, hands_x: float | None = None) -> tuple[View, ...]:
    """Where to look for a face, best first.

    The whole picture, then squares of half its longer side: upper ones first, as faces are
    above hands, and among those the ones nearest to the hands sideways, as it is the face of
    the person at the line that is wanted.

    Args:
        width: of the picture, pixels.
        height: of the picture, pixels.
        hands_x: where the hands are, picture widths from the left; None: unknown (middle).
    """
    side = max(1, max(width, height) // 2)
    wide, high = min(side, width), min(side, height)
    middle = width * (0.5 if hands_x is None else hands_x)
    squares = [View(x, y, wide, high) for y in _starts(height, high) for x in _starts(width, wide)]
    squares.sort(key=lambda view: (view.y, abs(view.x + view.width / 2 - middle)))
    return (View(0, 0, width, height), *squares)


class FaceSearch:
    """Goes through the views until one shows a face, and stays there while it does."""

    def __init__(self) -> None:
        self._size = (0, 0)
        self._found: View | None = None
        self._left: list[View] = []

    def views(self, width: int, height: int, hands_x: float | None) -> list[View]:
        """The views to try in this picture, in order, until one shows a face."""
        if (width, height) != self._size:
            self._size, self._found, self._left = (width, height), None, []
        chosen = [] if self._found is None else [self._found]
        self._found = None
        if chosen:
            self._left = [v for v in face_views(width, height, hands_x) if v not in chosen]
        while len(chosen) < VIEWS_A_PICTURE:
            if not self._left:
                self._left = list(face_views(width, height, hands_x))
            view = self._left[0]
            if view in chosen:
                break
            chosen.append(self._left.pop(0))
        return chosen

    def found(self, view: View) -> None:
        """A face was seen in ``view``: begin there next time."""
        self._found = view


class SecondLook:
    """Where to look for another face while the one found stands beside the hands.

    Args:
        beside: so many widths of the found face beside the hands, or nearer: no second look.
    """

    def __init__(self, beside: float) -> None:
        self._beside = beside
        self._size = (0, 0)
        self._due_s = -math.inf
        self._left: list[View] = []
        self._at: View | None = None
        self._away = math.nan

    def view(
        self,
        time_s: float,
        size: tuple[int, int],
        hands_x: float | None,
        away: float,
        taken: View | None,
    ) -> View | None:
        """The view for a second look in this picture; None: there is no need of one.

        Args:
            time_s: of the picture, later than that of the one before.
            size: width and height of the picture, pixels.
            hands_x: where the hands are, picture widths from the left; None: not seen.
            away: sideways distance from the hands to the face found already, in its widths; NaN
                where hands or face are not seen.
            taken: the view in which that face was found.
        """
        if size != self._size:
            self._size, self._left, self._at = size, [], None
        followed, self._at = self._at, None
        if followed is not None and not away <= self._away:
            return followed
        if hands_x is None or not away > self._beside or time_s < self._due_s:
            return None
        self._due_s = time_s + SECOND_LOOK_EVERY_S
        self._left = self._left or [v for v in views_above(*size, hands_x) if v != taken]
        return self._left.pop(0) if self._left else None

    def found(self, view: View, away: float) -> None:
        """Another face was seen in ``view``: look there in the next picture, whatever the time.

        It is followed until the first face is nearer to the hands than this one was.

        Args:
            view: the one that ``view`` gave.
            away: sideways distance from the hands to the other face, in its widths; NaN where the
                hands are not seen.
        """
        self._at = view
        if not math.isnan(away):
            self._away = away


def views_above(width: int, height: int, hands_x: float) -> list[View]:
    """The squares of ``face_views`` with the hands below or in them, best first."""
    at = min(max(hands_x, 0.0), 1.0) * width
    _, *squares = face_views(width, height, hands_x)
    return [view for view in squares if view.x <= at <= view.x + view.width]
