"""Views in which faces are looked for: cover the picture, best first, stay while found."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from review.faceviews import (
    SECOND_LOOK_EVERY_S,
    VIEWS_A_PICTURE,
    FaceSearch,
    SecondLook,
    View,
    face_views,
    views_above,
)

SIDES = st.integers(16, 1600)


@given(SIDES, SIDES, st.one_of(st.none(), st.floats(-0.2, 1.2)))
def test_views_lie_inside_and_the_first_is_the_whole_picture(
    width: int, height: int, hands_x: float | None
) -> None:
    first, *parts = face_views(width, height, hands_x)
    assert first == View(0, 0, width, height)
    for view in parts:
        assert 0 <= view.x <= width - view.width and 0 <= view.y <= height - view.height
        assert max(view.width, view.height) == max(width, height) // 2


@given(SIDES, SIDES, st.floats(0, 1), st.floats(0, 1))
def test_a_small_face_lies_wholly_inside_one_part(
    width: int, height: int, across: float, down: float
) -> None:
    """A face of a tenth of the longer side, not in the thin strip left out at the edges."""
    side = min(max(width, height) // 10, width, height)
    left, top = across * max(0, width - side), down * max(0, height - side)
    strip = max(width, height) / 16 + 1
    assert any(
        view.x <= left + 1
        and view.y <= top + 1
        and left + side <= view.x + view.width + strip
        and top + side <= view.y + view.height + strip
        for view in face_views(width, height)[1:]
    )


def test_upper_views_near_the_hands_come_first() -> None:
    assert [view.x for view in face_views(640, 360, 0.8)[1:]] == [320, 160, 0]
    assert [view.x for view in face_views(640, 360, 0.2)[1:]] == [0, 160, 320]
    rows = [view.y for view in face_views(480, 480)[1:]]
    assert rows == sorted(rows) and len(set(rows)) == 3


def test_every_view_has_its_turn() -> None:
    search = FaceSearch()
    tried = [view for _ in range(2) for view in search.views(640, 360, None)]
    assert set(tried) == set(face_views(640, 360)) and len(tried) == 2 * VIEWS_A_PICTURE


def test_the_view_that_showed_a_face_is_tried_first_until_it_shows_none() -> None:
    search = FaceSearch()
    view = search.views(640, 360, None)[1]
    search.found(view)
    assert search.views(640, 360, None)[0] == view
    assert view not in search.views(640, 360, None)[:1]


def test_another_size_of_picture_starts_anew() -> None:
    search = FaceSearch()
    search.found(search.views(640, 360, None)[1])
    assert search.views(360, 640, None)[0] == View(0, 0, 360, 640)


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_no_view_is_tried_twice_in_one_picture(seen: list[bool]) -> None:
    search = FaceSearch()
    for found in seen:
        views = search.views(640, 480, 0.5)
        assert 1 <= len(views) <= VIEWS_A_PICTURE and len(set(views)) == len(views)
        if found:
            search.found(views[-1])


# --- a second look -------------------------------------------------------------------------------

SIZE = (640, 360)
FPS = 15.0


def looked(
    look: SecondLook, away: float, seconds: float, hands_x: float | None = 0.3
) -> list[View]:
    """Second looks in some seconds in which the found face stays where it is."""
    views = (
        look.view(i / FPS, SIZE, hands_x, away, View(0, 0, *SIZE))
        for i in range(round(seconds * FPS))
    )
    return [view for view in views if view is not None]


@given(SIDES, SIDES, st.floats(-0.2, 1.2))
def test_views_above_the_hands_hold_their_column(width: int, height: int, hands_x: float) -> None:
    views = views_above(width, height, hands_x)
    at = min(max(hands_x, 0.0), 1.0) * width
    spare = max(width, height) / 16 + 1  # the strip at the edge that no square holds
    assert views or at > width - spare
    assert all(view.x <= at <= view.x + view.width for view in views)
    assert [view.y for view in views] == sorted(view.y for view in views)


def test_a_face_at_its_hands_costs_no_second_look() -> None:
    assert looked(SecondLook(2.5), away=2.5, seconds=4.0) == []
    assert looked(SecondLook(2.5), away=math.nan, seconds=4.0) == []
    assert looked(SecondLook(2.5), away=5.0, seconds=4.0, hands_x=None) == []


@given(st.floats(2.6, 20.0), st.floats(0.0, 1.0))
def test_while_nothing_is_found_looks_are_few_and_go_through_all_squares(
    away: float, hands_x: float
) -> None:
    views = looked(SecondLook(2.5), away, seconds=4.0, hands_x=hands_x)
    assert len(views) <= 4.0 / SECOND_LOOK_EVERY_S + 1
    assert set(views) == set(views_above(*SIZE, hands_x))


def test_another_face_is_followed_in_every_picture_until_the_first_is_the_nearer() -> None:
    look = SecondLook(2.5)
    view = look.view(0.0, SIZE, 0.3, 4.0, None)
    assert view is not None
    for i in range(1, 30):
        look.found(view, 1.0)
        # The hands may be out of sight for a while.
        assert look.view(i / FPS, SIZE, 0.3 if i % 2 else None, 4.0, None) == view
    look.found(view, 1.0)
    assert look.view(2.0, SIZE, 0.3, 0.5, None) is None
    # Once lost, it is looked for at the slow pace again.
    assert look.view(2.1, SIZE, 0.3, 4.0, None) is not None
    assert look.view(2.2, SIZE, 0.3, 4.0, None) is None
