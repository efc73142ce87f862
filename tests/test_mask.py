"""Whether the lower face is covered: painted pictures, a real portrait, the three answers."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from review.facemesh import FACE_INDEX, FACE_OVAL, FACE_POINTS, INNER_LIPS, OUTER_LIPS
from review.mask import judge_mask, lower_face_colours
from review.settings import OpenLineDetection
from tests import builders

SETTINGS = OpenLineDetection()
SKINS = {"light": (232, 196, 176), "medium": (178, 130, 100), "deep": (74, 48, 36)}
CLOTHS = {"pale": (214, 222, 224), "tinted": (120, 165, 200), "dark": (34, 36, 44)}

Colour = tuple[int, int, int]


def polygon(face: np.ndarray, points: tuple[int, ...], width: int) -> np.ndarray:
    return (face[list(points), :2] * width).round().astype(np.int32)


def cover(picture: np.ndarray, face: np.ndarray, cloth: Colour) -> np.ndarray:
    """The picture with everything of the face below the middle of the nose painted over."""
    width = picture.shape[1]
    low = [p for p in FACE_OVAL if face[p, 1] > face[FACE_INDEX["nose_middle"], 1]]
    outline = polygon(face, (*low, FACE_INDEX["nose_middle"]), width)
    covered = picture.copy()
    cv2.fillConvexPoly(covered, cv2.convexHull(outline), cloth)
    return covered


def portrait(skin: Colour) -> tuple[np.ndarray, np.ndarray]:
    """A flat painted face of one skin with redder lips, and its points."""
    face = builders.faces(np.full(1, 0.05), height=0.5, centre=(0.5, 0.38))[0]
    picture = np.full((360, 480, 3), 150, dtype=np.uint8)
    cv2.fillPoly(picture, [polygon(face, FACE_OVAL, 480)], skin)
    lips = (min(255, round(skin[0] * 0.95)), round(skin[1] * 0.72), round(skin[2] * 0.8))
    cv2.fillPoly(picture, [polygon(face, OUTER_LIPS, 480)], lips)
    cv2.fillPoly(picture, [polygon(face, INNER_LIPS, 480)], (40, 20, 20))
    return picture, face


def answer(colours: np.ndarray) -> str:
    evidence = judge_mask(np.repeat(colours[None], 5, axis=0), SETTINGS)
    if not evidence.judged.all():
        assert not evidence.judged.any()
        return "cannot tell"
    return "mask" if evidence.covered.all() else "bare"


@pytest.mark.parametrize("skin", list(SKINS))
def test_a_bare_face_is_bare_in_any_skin(skin: str) -> None:
    assert answer(lower_face_colours(*portrait(SKINS[skin]))) == "bare"


@pytest.mark.parametrize("skin", list(SKINS))
@pytest.mark.parametrize("cloth", list(CLOTHS))
def test_a_covered_face_is_a_mask_in_any_skin_and_cloth(skin: str, cloth: str) -> None:
    picture, face = portrait(SKINS[skin])
    assert answer(lower_face_colours(cover(picture, face, CLOTHS[cloth]), face)) == "mask"


@pytest.mark.parametrize("light", [0.35, 1.0])
def test_brightness_does_not_decide(light: float) -> None:
    picture, face = portrait(SKINS["medium"])
    dimmed = (picture * light).astype(np.uint8)
    assert answer(lower_face_colours(dimmed, face)) == "bare"
    masked = (cover(picture, face, CLOTHS["pale"]) * light).astype(np.uint8)
    assert answer(lower_face_colours(masked, face)) == "mask"


def test_a_cloth_of_the_skins_own_colour_cannot_be_told() -> None:
    picture, face = portrait(SKINS["medium"])
    assert answer(lower_face_colours(cover(picture, face, SKINS["medium"]), face)) == "cannot tell"


def test_a_grey_picture_cannot_be_told() -> None:
    picture, face = portrait(SKINS["medium"])
    grey = np.repeat(picture.mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8)
    assert answer(lower_face_colours(grey, face)) == "cannot tell"


def test_a_face_not_seen_or_outside_the_picture_cannot_be_told() -> None:
    picture, face = portrait(SKINS["medium"])
    assert np.isnan(lower_face_colours(picture, np.full_like(face, np.nan))).all()
    assert np.isnan(lower_face_colours(picture, face + 2.0)).all()
    assert answer(np.full(2, np.nan)) == "cannot tell"


def test_one_wild_sample_does_not_change_the_answer() -> None:
    colours = np.repeat(lower_face_colours(*portrait(SKINS["light"]))[None], 61, axis=0)
    colours[30] = (1.0, 0.0)
    evidence = judge_mask(colours, SETTINGS)
    assert evidence.judged.all() and not evidence.covered.any()


@pytest.mark.slow
def test_a_real_portrait_bare_and_painted_over() -> None:
    # Reference picture: the astronaut portrait (NASA, public domain) that scikit-image carries.
    from mediapipe.python.solutions.face_mesh import FaceMesh
    from skimage import data

    picture = np.ascontiguousarray(data.astronaut())
    with FaceMesh(static_image_mode=True, refine_landmarks=True) as mesh:
        found = mesh.process(picture).multi_face_landmarks
    assert found
    face = np.array([[p.x, p.y, p.z] for p in found[0].landmark])[list(FACE_POINTS)]
    assert answer(lower_face_colours(picture, face)) == "bare"
    for cloth in CLOTHS.values():
        assert answer(lower_face_colours(cover(picture, face, cloth), face)) == "mask"
