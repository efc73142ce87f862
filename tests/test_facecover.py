"""What is covered over time: nothing shows between, before or after detections.

Closed forms and invariants; no detector is run here (see `tests/test_sharedcopy.py`).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.facecover import (
    DOUBTFUL_S,
    FEW,
    GREY,
    GROWTH,
    LEAP_S,
    SPEED,
    Box,
    FoundFace,
    cover_faces,
    covered_share,
    fill,
)

FPS = 30.0
FACE = 60.0
"""Width and height of the test face, pixels."""


def face_at(x: float, y: float) -> Box:
    return Box(x - FACE / 2, y - FACE / 2, x + FACE / 2, y + FACE / 2)


def seen(x: float, y: float, *, sure: bool = True) -> FoundFace:
    return FoundFace(face_at(x, y), sure)


def holds(boxes: tuple[Box, ...], face: Box) -> bool:
    """Whether every pixel of the face lies under one of the boxes; exact for whole pixels."""
    left, top, right, bottom = (round(v) for v in (face.left, face.top, face.right, face.bottom))
    free = np.ones((bottom - top, right - left), dtype=bool)
    for box in boxes:
        free[
            max(round(box.top) - top, 0) : max(round(box.bottom) - top, 0),
            max(round(box.left) - left, 0) : max(round(box.right) - left, 0),
        ] = False
    return not free.any()


def times(count: int) -> list[float]:
    return [number / FPS for number in range(count)]


def test_nothing_found_is_nothing_covered() -> None:
    assert cover_faces(times(3), [(), (), ()]) == ((), (), ())
    assert cover_faces([], []) == ()
    with pytest.raises(ValueError, match="1 times but 2"):
        cover_faces([0.0], [(), ()])


def test_a_detection_covers_more_than_itself() -> None:
    (boxes,) = cover_faces([0.0], [(seen(100, 100),)])
    box = boxes[0]
    assert set(boxes) == {box}
    found = face_at(100, 100)
    assert box.left < found.left and box.right > found.right
    assert box.top < found.top - 0.5 * FACE, "the forehead lies above what detectors frame"
    assert box.bottom > found.bottom


def test_a_face_covers_all_before_and_after() -> None:
    """A face that enters is covered before it was first found, one that leaves after the last."""
    found: list[tuple[FoundFace, ...]] = [()] * 301
    for number in range(150 - FEW // 2, 151 + FEW // 2):
        found[number] = (seen(200, 200, sure=number == 150),)
    covers = cover_faces(times(301), found)
    assert all(holds(boxes, face_at(200, 200)) for boxes in covers)
    widths = [max(box.width for box in boxes) for boxes in covers]
    assert np.all(np.diff(widths[160:]) >= -1e-9), "it grows while nothing confirms it"
    assert widths == pytest.approx(widths[::-1]), "both directions of time are alike"
    # Closed form: padded width plus what both sides grow by, at most.
    assert widths[0] == pytest.approx(FACE * 1.7 * (1 + 2 * GROWTH))
    edge = 150 + FEW // 2
    assert widths[edge + 3] == pytest.approx(FACE * 1.7 * (1 + 2 * SPEED * 0.1))


def test_a_doubtful_place_is_covered_for_a_while_only() -> None:
    """Found once, or often but never surely."""
    for numbers, sure in (((150,), True), (range(150, 150 + 3 * FEW), False)):
        found: list[tuple[FoundFace, ...]] = [()] * 301
        for number in numbers:
            found[number] = (seen(200, 200, sure=sure),)
        covers = cover_faces(times(301), found)
        covered_s = [t for t, boxes in zip(times(301), covers, strict=True) if boxes]
        assert min(covered_s) == pytest.approx(5.0 - DOUBTFUL_S, abs=1 / FPS)
        assert max(covered_s) == pytest.approx(numbers[-1] / FPS + DOUBTFUL_S, abs=1 / FPS)


def test_two_faces_are_covered_each_from_beginning_to_end() -> None:
    late = {*range(40, 40 + FEW), *range(90, 90 + FEW)}
    found = [(seen(100, 100), *([seen(500, 120)] if n in late else [])) for n in range(120)]
    for boxes in cover_faces(times(120), found):
        assert holds(boxes, face_at(100, 100)) and holds(boxes, face_at(500, 120))


def test_a_face_that_moved_unseen_is_covered_on_its_way() -> None:
    """Lost at one place, found at another a second later: all between is covered meanwhile."""
    found: list[tuple[FoundFace, ...]] = [()] * 90
    for number in range(30):
        found[number] = (seen(100, 100),)
        found[60 + number] = (seen(400, 100),)
    covers = cover_faces(times(90), found)
    for number in range(30, 60):
        x = 100 + 300 * (number - 29) / 31
        assert holds(covers[number], face_at(x, 100)), number
    # Long after, it is somebody else: both places stay covered, the way between does not.
    far = found[:30] + [()] * int((LEAP_S + 1) * FPS) + found[60:]
    covers = cover_faces(times(len(far)), far)
    middle = covers[len(far) // 2]
    assert holds(middle, face_at(100, 100)) and holds(middle, face_at(400, 100))
    assert not holds(middle, face_at(250, 100))


def test_a_false_find_near_by_does_not_take_a_face_along() -> None:
    """Something larger, framed once beside a face, ends neither the face nor what is found."""
    chest = FoundFace(Box(80, 185, 170, 275), sure=False)
    found = [(chest, seen(100, 100)) if n == 60 else (seen(100, 100),) for n in range(180)]
    covers = cover_faces(times(180), found)
    assert all(holds(boxes, face_at(100, 100)) for boxes in covers)
    # Long after, nothing of it is left: the face alone is covered, and not as if it were lost.
    assert max(box.width for box in covers[-1]) == pytest.approx(FACE * 1.7)


def test_a_face_found_again_no_longer_grows_where_it_was_lost() -> None:
    """Two that were taken for two, and turn out to be one."""
    found: list[tuple[FoundFace, ...]] = [(seen(100, 100),) for _ in range(40)]
    found += [(seen(400, 100),) for _ in range(40)]
    found += [(seen(100 + 5 * n, 100),) for n in range(60)]
    covers = cover_faces(times(len(found)), found)
    assert all(holds(boxes, f[0].box) for boxes, f in zip(covers, found, strict=True))
    assert all(box.width < 3 * FACE for box in covers[-1])


def test_a_face_cut_by_the_edge_is_covered_as_far_as_a_whole_one() -> None:
    part = FoundFace(Box(0, 110, 35, 150), sure=True)
    found = [(part,) if n == 0 else (seen(30, 130),) if n > 20 else () for n in range(60)]
    covers = cover_faces(times(60), found)
    # Below it as much is added as below the whole face.
    assert max(box.bottom for box in covers[0]) >= 150 + 0.3 * FACE - 1e-9


@given(
    seed=st.integers(0, 10_000),
    speed=st.floats(0.0, 0.9),
    gap=st.integers(1, 40),
)
def test_a_moving_face_never_shows(seed: int, speed: float, gap: int) -> None:
    """A face on a smooth way of its own, up to 1.8 widths a second, lost now and then.

    Also before the first and after the last detection, where its way is not known, as long as the
    box still grows.
    """
    rng = np.random.default_rng(seed)
    at = np.array(times(150))
    rate, turn = rng.uniform(0.1, 0.5), rng.uniform(0, 2 * np.pi, 2)
    far = speed * 2 * FACE / (2 * np.pi * rate)  # fastest: far * 2 pi rate pixels a second
    x = 400 + far * np.sin(2 * np.pi * rate * at + turn[0])
    y = 300 + 0.3 * far * np.sin(2 * np.pi * rate * at + turn[1])
    found: list[tuple[FoundFace, ...]] = []
    lost = 0
    edge = int(GROWTH / SPEED * FPS)
    for number in range(150):
        lost = gap if lost == 0 and rng.random() < 0.1 else max(lost - 1, 0)
        hidden = lost or not edge <= number < 150 - edge
        shake = rng.normal(0, 1.5, 2)
        found.append(() if hidden else (seen(x[number] + shake[0], y[number] + shake[1]),))
    if not any(found[edge : edge + 2]) or not any(found[-edge - 2 : -edge]):
        found[edge] = (seen(x[edge], y[edge]),)
        found[149 - edge] = (seen(x[149 - edge], y[149 - edge]),)
    for number, boxes in enumerate(cover_faces(at.tolist(), found)):
        assert holds(boxes, face_at(x[number], y[number])), number


def test_the_fill_keeps_nothing_of_what_it_covers(rng: np.random.Generator) -> None:
    """Two pictures that differ under the boxes alone become the same picture."""
    one = rng.integers(0, 256, (120, 160, 3), dtype=np.uint8)
    other = one.copy()
    other[30:90, 50:100] = rng.integers(0, 256, (60, 50, 3), dtype=np.uint8)
    before = one.copy()
    boxes = (Box(49.6, 29.2, 100.4, 90.9), Box(-50.0, -50.0, 5.0, 4.5), Box(300, 300, 400, 400))
    filled = fill(one, boxes)
    np.testing.assert_array_equal(filled, fill(other, boxes))
    np.testing.assert_array_equal(one, before)
    assert (filled[29:91, 49:101] == GREY).all() and (filled[:5, :5] == GREY).all()
    outside = np.ones((120, 160), dtype=bool)
    outside[29:91, 49:101] = outside[:5, :5] = False
    np.testing.assert_array_equal(filled[outside], one[outside])
    assert covered_share(boxes, 160, 120) == pytest.approx((62 * 52 + 25) / (160 * 120))
