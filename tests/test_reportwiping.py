"""The close-up of the wiping: it shows all cells and stays inside the picture."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import WorkSurface
from review.reportwiping import MOST_HIGH, close_up, wiping_note
from review.surfacepicture import WIDTH, surface_picture


def surface(left: float, top: float, rows: tuple[str, ...], cell: float = 0.01) -> WorkSurface:
    return WorkSurface(left=left, top=top, cell=cell, rows=rows, reversals=5)


def box_of(svg: str) -> tuple[float, ...]:
    found = re.search(r'viewBox="([^"]*)"', svg)
    assert found
    return tuple(float(part) for part in found[1].split())


@given(st.floats(0.0, 0.6), st.floats(0.0, 0.35), st.integers(1, 30), st.integers(1, 20))
def test_all_cells_are_shown_and_nothing_beyond_the_picture(
    left: float, top: float, columns: int, rows: int
) -> None:
    made = surface(left, top, ("w" * columns,) * rows)
    svg = close_up(surface_picture(made, (1280, 720), legend=False), made, (1280, 720))
    x, y, wide, high = box_of(svg)
    cells = (
        left * WIDTH,
        top * WIDTH,
        (left + 0.01 * columns) * WIDTH,
        (top + 0.01 * rows) * WIDTH,
    )
    assert x <= cells[0] + 0.1 and y <= cells[1] + 0.1
    assert x + wide >= cells[2] - 0.1 and y + high >= cells[3] - 0.1
    assert x >= 0 and y >= 0 and y + high <= WIDTH * 720 / 1280 + 0.2
    assert high <= MOST_HIGH * wide + 0.1


def test_the_note_says_what_is_drawn() -> None:
    made = surface(0.2, 0.2, ("wwao",)).model_copy(update={"path": (((1.0, 0.2, 0.2),),)})
    note = wiping_note(made, 0.9, 0.25).replace("\u00a0", " ")
    assert note == (
        "Lines: wiped (90 % of the area). Crossed: gone over again (25 %). Dots: not wiped "
        "(10 %). Area: as far as the wiping shows. Way: circle to square, 5 turns."
    )


def test_the_note_is_silent_about_what_was_not_measured() -> None:
    made = surface(0.2, 0.2, ("ww",)).model_copy(update={"corners": ((0, 0), (1, 0), (1, 1))})
    assert wiping_note(made, None, None) == "Lines: wiped."


def test_another_drawing_is_refused() -> None:
    with pytest.raises(ValueError, match="no viewBox"):
        close_up("<svg/>", surface(0.2, 0.2, ("w",)), (16, 9))
