"""The drawn hands: skeleton, camera, rasteriser, and whether a real hand tracker follows them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import mediapipe as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_clips.studio.camera import Camera, orbit
from sample_clips.studio.geometry import HAND_KINDS, hand_geometry
from sample_clips.studio.raster import Light, Soup, cover, draw
from sample_clips.studio.render import (
    FrameState,
    HeadState,
    Look,
    Prop,
    keypoints,
    render,
    render_moving,
)
from sample_clips.studio.room import backdrop
from sample_clips.studio.shapes import elbow, forearm_axes, prop_soup
from sample_clips.studio.skeleton import (
    HandPose,
    HandShape,
    blend_poses,
    bones,
    hand_axes,
    joints,
    mirror_pose,
)
from sample_clips.studio.skin import carry, pose_bones

SHAPE = HandShape()
FIST = np.array(
    [[0.7, 0.6, 0.7], [1.5, 1.7, 0.9], [1.5, 1.7, 1.0], [1.5, 1.7, 1.0], [1.5, 1.6, 1.0]]
)


def a_pose(rng: np.random.Generator, side: Any = "right") -> HandPose:
    """A random but bendable pose, anywhere, turned anyhow."""
    along = rng.standard_normal(3)
    along /= np.linalg.norm(along)
    return HandPose(
        side=side,
        wrist=rng.uniform(-0.3, 0.3, 3),
        fingers=along,
        palm=rng.standard_normal(3),
        curl=rng.uniform(-0.2, 1.6, (5, 3)),
        spread=rng.uniform(-0.2, 0.3, 5),
    )


def open_hands(turn: float = 0.0, up: tuple[float, float, float] = (0.0, 1.0, 0.0)) -> FrameState:
    """Both hands held up, open, palms to the camera, swaying with `turn` (radians)."""
    curl = np.full((5, 3), 0.14 + 0.08 * np.sin(turn))
    curl[0, 0] = 0.0
    right = HandPose(
        side="right",
        wrist=np.array([-0.15 - 0.03 * np.sin(turn), 0.14 + 0.02 * np.cos(turn), 0.38]),
        fingers=np.add(up, [0.0, 0.0, 0.05 * np.sin(turn)]),
        palm=np.array([0.1 * np.sin(0.7 * turn), 0.3, 1.0]),
        curl=curl,
        spread=np.full(5, 0.13),
    )
    return FrameState(mirror_pose(right), right)


# --- skeleton ---------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), side=st.sampled_from(["left", "right"]))
def test_bones_keep_their_length_in_any_pose(seed: int, side: str) -> None:
    rng = np.random.default_rng(seed)
    shape, pose = HandShape.sample(rng), a_pose(rng, side)
    points = joints(pose, shape)
    assert points.shape == (21, 3)
    for finger in range(5):
        chain = points[1 + 4 * finger : 5 + 4 * finger]
        lengths = np.linalg.norm(np.diff(chain, axis=0), axis=1)
        np.testing.assert_allclose(lengths, shape.lengths[finger], atol=1e-12)
        root = float(np.linalg.norm(chain[0] - points[0]))
        assert root == pytest.approx(np.linalg.norm(shape.roots[finger]), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_a_mirrored_pose_is_the_mirror_image(seed: int) -> None:
    pose = a_pose(np.random.default_rng(seed))
    other = mirror_pose(pose)
    assert other.side == "left"
    np.testing.assert_allclose(
        joints(other, SHAPE), joints(pose, SHAPE) * [-1.0, 1.0, 1.0], atol=1e-12
    )
    back = mirror_pose(other)
    np.testing.assert_array_equal(joints(back, SHAPE), joints(pose, SHAPE))


def test_straight_finger_in_closed_form() -> None:
    """Uncurled, unspread: the middle finger runs on from wrist through knuckle to its tip."""
    pose = HandPose(
        "right", np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]),
        np.zeros((5, 3)), np.zeros(5),
    )  # fmt: skip
    points = joints(pose, SHAPE)
    reach = SHAPE.roots[2][1] + sum(SHAPE.lengths[2])
    np.testing.assert_allclose(points[12], [0.0, reach, 0.0], atol=1e-12)
    # A right hand held up with its palm to the camera (+Z) has its thumb on the subject's left.
    assert points[4, 0] > 0.03
    assert points[20, 0] < -0.02


def test_flexion_curls_to_the_palm() -> None:
    """With the knuckle at 90 degrees the finger stands straight out of the palm."""
    curl = np.zeros((5, 3))
    curl[2, 0] = np.pi / 2
    pose = HandPose(
        "left", np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]),
        curl, np.zeros(5),
    )  # fmt: skip
    way = joints(pose, SHAPE)[12] - joints(pose, SHAPE)[9]
    assert way[2] == pytest.approx(sum(SHAPE.lengths[2]), rel=2e-3)


def test_a_fist_brings_the_fingertips_to_the_palm_and_the_thumb_across() -> None:
    local = bones(SHAPE, FIST, np.zeros(5)).joints
    for tip, knuckle in ((8, 5), (12, 9), (16, 13), (20, 17)):
        assert local[tip, 1] < local[knuckle, 1]
        assert 0.005 < local[tip, 2] < 0.05
    opened = bones(SHAPE, np.zeros((5, 3)), np.zeros(5)).joints
    assert local[4, 0] < opened[4, 0] - 0.02
    assert local[4, 2] > opened[4, 2] + 0.012


def test_thumb_and_index_meet_in_a_pinch() -> None:
    """Some bend within the usual range of motion lets the two tips touch."""
    best = 1.0
    for opposed in np.linspace(0.5, 1.0, 6):
        for bent in np.linspace(0.5, 1.1, 7):
            curl = np.full((5, 3), 0.3)
            curl[0] = [opposed, 0.3, 0.45]
            curl[1] = [bent, 0.85, 0.45]
            local = bones(SHAPE, curl, np.zeros(5)).joints
            best = min(best, float(np.linalg.norm(local[4] - local[8])))
    assert best < 0.018  # two half fingertips


def test_blend_runs_from_one_pose_to_the_other() -> None:
    rng = np.random.default_rng(3)
    a, b = a_pose(rng), a_pose(rng)
    np.testing.assert_allclose(joints(blend_poses(a, b, 0.0), SHAPE), joints(a, SHAPE), atol=1e-9)
    np.testing.assert_allclose(joints(blend_poses(a, b, 1.0), SHAPE), joints(b, SHAPE), atol=1e-9)
    half = hand_axes(blend_poses(a, b, 0.5))
    np.testing.assert_allclose(half @ half.T, np.eye(3), atol=1e-12)
    first, second = hand_axes(a).T @ half, half.T @ hand_axes(b)
    assert np.trace(first) == pytest.approx(np.trace(second), abs=1e-9)  # half the turn each
    with pytest.raises(ValueError, match="left hand"):
        blend_poses(a, mirror_pose(b), 0.5)


def test_blend_over_half_a_turn() -> None:
    a = HandPose(
        "right", np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]),
        np.zeros((5, 3)), np.zeros(5),
    )  # fmt: skip
    b = replace(a, palm=np.array([0.0, 0.0, -1.0]))
    half = blend_poses(a, b, 0.5)
    np.testing.assert_allclose(half.fingers, a.fingers, atol=1e-9)
    assert abs(half.palm[0]) == pytest.approx(1.0)


def test_a_pose_without_direction_is_refused() -> None:
    pose = replace(a_pose(np.random.default_rng(0)), fingers=np.zeros(3))
    with pytest.raises(ValueError, match="no length"):
        joints(pose, SHAPE)


def test_hand_sizes_are_adult() -> None:
    """Length 0.155-0.225 m, breadth at the knuckles 0.060-0.105 m.

    The adult range with room to spare (value from memory).
    """
    rng = np.random.default_rng(1)
    for _ in range(200):
        shape = HandShape.sample(rng)
        length = shape.roots[2][1] + sum(shape.lengths[2])
        breadth = shape.roots[1][0] - shape.roots[4][0]
        breadth += shape.girths[1][0] + shape.girths[4][0]
        assert 0.155 < length < 0.225
        assert 0.060 < breadth < 0.105
        assert hash(shape) == hash(replace(shape))


# --- camera -----------------------------------------------------------------------------------


@pytest.mark.parametrize("above", [0.0, 30.0, 55.0, 80.0])
def test_projection_agrees_with_opencv(above: float) -> None:
    """Reference: cv2.projectPoints with the camera's own matrix and no distortion."""
    camera = orbit(1.1, above, 25.0, (0.05, 0.2, 0.3))
    points = np.random.default_rng(4).normal(0.0, 0.2, (40, 3))
    px, depth = camera.project(points)
    turn = camera.rotation
    shift = -turn @ np.asarray(camera.eye)
    expected, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, camera.matrix, None)
    np.testing.assert_allclose(px, expected[:, 0], atol=1e-8)
    np.testing.assert_allclose(depth, (points @ turn.T + shift)[:, 2], atol=1e-12)


def test_camera_axes_and_centre() -> None:
    camera = Camera(eye=(0.0, 0.2, 1.0), target=(0.0, 0.2, 0.0), width=641, height=361)
    np.testing.assert_allclose(camera.project(np.array([0.0, 0.2, 0.3]))[0], [320.0, 180.0])
    # The subject's left (+X) is on the right of an unmirrored picture, up is up.
    assert camera.project(np.array([0.1, 0.2, 0.3]))[0][0] > 320.0
    assert camera.project(np.array([0.0, 0.3, 0.3]))[0][1] < 180.0
    top = np.tan(np.radians(camera.fov / 2.0))
    assert camera.project(np.array([0.0, 0.2 + top, 0.0]))[0][1] == pytest.approx(-0.5)


def test_cameras_that_cannot_see_are_refused() -> None:
    with pytest.raises(ValueError, match="line of sight"):
        Camera(eye=(0.0, 1.0, 0.0), target=(0.0, 0.0, 0.0), up=(0.0, 1.0, 0.0))
    with pytest.raises(ValueError, match="field of view"):
        Camera(fov=0.0)


# --- rasteriser -------------------------------------------------------------------------------


def one_triangle(points: np.ndarray, colour: np.ndarray | None = None) -> Soup:
    face = np.cross(points[1] - points[0], points[2] - points[0])
    if face @ points.mean(axis=0) > 0:
        face = -face  # facing the lens
    normals = np.tile(face / np.linalg.norm(face), (3, 1))
    shades = np.full((3, 3), 0.6) if colour is None else colour
    return Soup(
        points.astype(np.float32), normals.astype(np.float32), shades.astype(np.float32),
        np.zeros(3, np.float32), np.array([[0, 1, 2]], np.int32),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_one_triangle_against_brute_force(seed: int) -> None:
    """Every sub-pixel against its ray, solved for the triangle with numpy's matrix inverse.

    That shares nothing with the edge functions of the rasteriser.
    """
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(-0.3, 0.3, (3, 2)), rng.uniform(0.5, 1.5, 3)])
    focal, middle, size = 60.0, (31.5, 23.5), (64, 48)
    box = (5, 3, size[0], size[1])
    depth, owner, shares = cover(one_triangle(points), focal, middle, box)
    rows, columns = np.mgrid[0 : depth.shape[0], 0 : depth.shape[1]]
    x = box[0] + columns / 2.0 - 0.25
    y = box[1] + rows / 2.0 - 0.25
    rays = np.stack([(x - middle[0]) / focal, (y - middle[1]) / focal, np.ones_like(x)], axis=-1)
    weights = rays @ np.linalg.inv(points.T).T  # ray = sum of weights * corners
    inside = np.all(weights > 0, axis=-1)
    clear = np.abs(weights).min(axis=-1) > 1e-4  # not on an edge, where rounding decides
    np.testing.assert_array_equal((owner >= 0)[clear], inside[clear])
    assert inside.sum() > 20
    both = inside & (owner >= 0)
    total = weights[both].sum(axis=-1)
    np.testing.assert_allclose(depth[both], 1.0 / total, rtol=1e-4)
    np.testing.assert_allclose(shares[both], (weights[both] / total[:, None])[:, :2], atol=1e-3)


def test_the_nearer_triangle_hides_the_farther() -> None:
    flat = np.array([[-1.0, -1.0, 1.0], [1.0, -1.0, 1.0], [0.0, 1.0, 1.0]])
    near, far = one_triangle(flat * [0.2, 0.2, 0.8]), one_triangle(flat)
    for order in ((near, far), (far, near)):
        points = np.concatenate([soup.points for soup in order])
        normals = np.concatenate([soup.normals for soup in order])
        both = Soup(
            points, normals, np.full((6, 3), 0.5, np.float32), np.zeros(6, np.float32),
            np.array([[0, 1, 2], [3, 4, 5]], np.int32),
        )  # fmt: skip
        depth, _, _ = cover(both, 50.0, (15.5, 15.5), (0, 0, 32, 32))
        assert depth[32, 32] == pytest.approx(0.8, abs=1e-5)
        behind = np.full((32, 32), 0.5, np.float32)
        _, owner, _ = cover(both, 50.0, (15.5, 15.5), (0, 0, 32, 32), behind)
        assert (owner < 0).all()


def test_light_falls_from_where_the_lamp_is() -> None:
    flat = np.array([[-1.0, -1.0, 1.0], [1.0, -1.0, 1.0], [0.0, 1.0, 1.0]])
    levels = []
    for towards in ((0.0, 0.0, -1.0), (0.0, -0.95, -0.312), (0.0, 0.0, 1.0)):
        image = np.zeros((32, 32, 3), np.float32)
        behind = np.full((32, 32), 9.0, np.float32)
        light = Light(towards, (0.0, -1.0, 0.0))
        draw(image, behind, one_triangle(flat), 50.0, (15.5, 15.5), light, fall=0.0)
        levels.append(float(image[16, 16].mean()))
    assert levels[0] > levels[1] > levels[2] > 0.0


# --- hand surfaces ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", HAND_KINDS)
def test_surfaces_are_sound(kind: str) -> None:
    mesh = hand_geometry(kind, SHAPE)
    assert 3000 < len(mesh.faces) < 16000
    np.testing.assert_allclose(mesh.weight.sum(axis=1), 1.0, atol=1e-5)
    np.testing.assert_allclose(np.linalg.norm(mesh.normals, axis=1), 1.0, atol=1e-3)
    assert mesh.faces.max() == len(mesh.vertices) - 1
    assert ((mesh.paint >= 0) & (mesh.paint <= 1)).all()
    # Every keypoint lies inside the hand: within a finger's breadth of its surface.
    for point in mesh.rest.joints:
        assert np.linalg.norm(mesh.vertices - point, axis=1).min() < 0.022
    assert hand_geometry(kind, HandShape()) is mesh


@pytest.mark.parametrize("kind", HAND_KINDS)
@pytest.mark.parametrize("side", ["left", "right"])
def test_the_surface_follows_the_keypoints(kind: str, side: str) -> None:
    """In a fist the surface round each joint still surrounds that joint."""
    rng = np.random.default_rng(8)
    pose = replace(a_pose(rng, side), curl=FIST, spread=np.zeros(5))
    mesh = hand_geometry(kind, SHAPE)
    arm = forearm_axes(pose, np.asarray(pose.wrist) - 0.25 * np.asarray(pose.fingers))
    turns, shifts = pose_bones(mesh.rest, pose, SHAPE, arm)
    points, _ = carry(mesh.vertices, mesh.normals, mesh.bone, mesh.weight, turns, shifts)
    placed = joints(pose, SHAPE)
    for k in range(21):
        close = np.linalg.norm(mesh.vertices - mesh.rest.joints[k], axis=1) < 0.016
        if close.any():
            gap = np.linalg.norm(points[close] - placed[k], axis=1)
            assert gap.max() < 0.030


def test_the_two_kinds_are_built_differently() -> None:
    smooth, lofted = (hand_geometry(kind, SHAPE) for kind in HAND_KINDS)
    assert len(smooth.vertices) != len(lofted.vertices)
    nails = [float((mesh.paint[:, 1] > 0.5).mean()) for mesh in (smooth, lofted)]
    assert min(nails) > 0.004
    with pytest.raises(ValueError, match="unknown hand kind"):
        hand_geometry("glove", SHAPE)
    with pytest.raises(ValueError, match="resolution"):
        hand_geometry("smooth", SHAPE, 0.5)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), side=st.sampled_from(["left", "right"]))
def test_arm_bones_reach_the_wrist(seed: int, side: str) -> None:
    pose = a_pose(np.random.default_rng(seed), side)
    shoulder, bend = elbow(pose, SHAPE)
    if 0.10 < np.linalg.norm(pose.wrist - shoulder) < 0.54:
        assert np.linalg.norm(bend - shoulder) == pytest.approx(SHAPE.upper_arm, abs=1e-6)
        assert np.linalg.norm(pose.wrist - bend) == pytest.approx(SHAPE.forearm, abs=1e-6)
    frame = forearm_axes(pose, bend)
    np.testing.assert_allclose(frame.T @ frame, np.eye(3), atol=1e-6)


def test_things_have_their_size_and_place() -> None:
    size = np.array([0.2, 0.6, 0.3])
    for kind in ("box", "cylinder", "capsule", "cloth"):
        prop = Prop(kind, np.array([1.0, 2.0, 3.0]), np.eye(3), size, (9, 9, 9))
        soup = prop_soup(prop)
        span = soup.points.max(axis=0) - soup.points.min(axis=0)
        np.testing.assert_allclose(span, prop.size, rtol=0.03)
        out = np.sum(soup.normals * (soup.points - prop.position), axis=1)
        assert (out > -1e-6).all()
    with pytest.raises(ValueError, match="two points"):
        prop_soup(Prop("tube", np.zeros(3), np.eye(3), np.full(3, 0.01), (9, 9, 9)))


# --- pictures ---------------------------------------------------------------------------------


def test_a_picture_is_the_same_every_time_and_mirrors() -> None:
    camera, look, state = orbit(1.0, 20, 0, (0, 0.2, 0.38)), Look(seed=5), open_hands()
    state = replace(state, head=HeadState(np.array([0.0, 0.68, 0.05])), water=True)
    first, px = render(state, look, camera)
    again, _ = render(state, look, camera)
    assert first.shape == (360, 640, 3)
    assert px.shape == (2, 21, 2)
    np.testing.assert_array_equal(first, again)
    other, _ = render(replace(state, tick=1), replace(look), camera)
    assert (other != first).mean() > 0.2  # another frame has other noise
    flipped, mirrored_px = render(state, replace(look, mirrored=True), camera)
    np.testing.assert_array_equal(flipped[:, ::-1], first)
    np.testing.assert_allclose(mirrored_px[..., 0], 639 - px[..., 0])
    assert px[0, 0, 0] > px[1, 0, 0]  # the subject's left hand is on the picture's right
    still, depth = backdrop(look, camera)
    assert backdrop(look, camera)[0] is still
    assert not still.flags.writeable
    assert depth.shape == (360, 640)


def test_skin_is_drawn_where_the_keypoints_are() -> None:
    """Pixels at the knuckles change when the hands go, and are skin: more red than blue."""
    camera, look = orbit(1.0, 10, 0, (0, 0.2, 0.38)), Look(noise=0.0)
    state = open_hands()
    image, px = render(state, look, camera)
    for hand in px:
        for x, y in hand[[5, 9, 13, 17, 6, 10, 14]]:
            blue, _, red = image[round(y), round(x)].astype(int)
            assert red > blue + 15


def test_darker_tones_are_darker_and_dim_light_is_dimmer() -> None:
    camera, state = orbit(1.0, 10, 0, (0, 0.2, 0.38)), open_hands()
    spot = keypoints(state, Look(), camera)[0, 9].round().astype(int)
    levels = [
        int(render(state, Look(skin_tone=tone, noise=0.0), camera)[0][spot[1], spot[0]].sum())
        for tone in range(1, 7)
    ]
    assert levels == sorted(levels, reverse=True)
    dim = render(state, Look(light=0.5, noise=0.0), camera)[0].mean()
    assert dim < 0.6 * render(state, Look(noise=0.0), camera)[0].mean()
    with pytest.raises(ValueError, match="skin_tone"):
        Look(skin_tone=7)


def test_motion_blur_softens_a_moving_hand() -> None:
    camera, look = orbit(1.0, 10, 0, (0, 0.2, 0.38)), Look(noise=0.0, blur=0.0)
    states = [open_hands(turn) for turn in (0.0, 0.2, 0.4)]
    sharp, sharp_px = render(states[1], look, camera)
    soft, soft_px = render_moving(states, look, camera)
    np.testing.assert_allclose(soft_px, sharp_px)
    window = (slice(120, 260), slice(180, 460))
    detail = [cv2.Laplacian(p[window], cv2.CV_64F).var() for p in (sharp, soft)]
    assert detail[1] < 0.8 * detail[0]
    with pytest.raises(ValueError, match="at least one"):
        render_moving([], look, camera)


# --- a real tracker ---------------------------------------------------------------------------


def tracked(look: Look, camera: Camera, states: list[FrameState]) -> dict[str, Any]:
    """What MediaPipe's hand tracker makes of a clip.

    Share of frames with two hands, landmark errors in palm widths, (true side, label) of each.
    """
    errors, labels, both = [], [], 0
    with mp.solutions.hands.Hands(
        static_image_mode=False, max_num_hands=2, model_complexity=1
    ) as tracker:
        for state in states:
            image, px = render(state, look, camera)
            found = tracker.process(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
            hands = found.multi_hand_landmarks or []
            both += len(hands) == 2
            for hand, kind in zip(hands, found.multi_handedness or [], strict=True):
                seen = np.array([[p.x * camera.width, p.y * camera.height] for p in hand.landmark])
                gaps = np.linalg.norm(seen - px, axis=2).mean(axis=1)
                side = int(np.argmin(gaps))
                palm = np.linalg.norm(px[side, 5] - px[side, 17])
                errors.append(float(gaps[side] / palm))
                labels.append((("left", "right")[side], kind.classification[0].label))
    return {"both": both / len(states), "errors": errors, "labels": labels}


@pytest.mark.parametrize("kind", HAND_KINDS)
@pytest.mark.parametrize("tone", [1, 3, 6])
@pytest.mark.parametrize("above", [5.0, 55.0])
def test_open_hands_are_tracked(kind: str, tone: int, above: float) -> None:
    """Checked against MediaPipe Hands 0.10.21, complexity 1, tracking mode, 640x360."""
    up = (0.0, 1.0, 0.0) if above < 40 else (0.0, 0.75, -0.5)
    states = [replace(open_hands(i / 8, up), tick=i) for i in range(20)]
    camera = orbit(1.0, above, 0, (0, 0.2, 0.38))
    seen = tracked(Look(hand_kind=kind, skin_tone=tone, seed=tone), camera, states)
    assert seen["both"] >= 0.95
    assert np.median(seen["errors"]) < 0.20
    assert np.percentile(seen["errors"], 90) < 0.30


@pytest.mark.parametrize("mirrored", [False, True])
def test_handedness_label_assumes_a_mirrored_picture(mirrored: bool) -> None:
    """Unmirrored, MediaPipe calls a true right hand 'Left'; mirrored, it names it rightly."""
    states = [replace(open_hands(i / 8), tick=i) for i in range(12)]
    seen = tracked(Look(mirrored=mirrored), orbit(1.0, 10, 0, (0, 0.2, 0.38)), states)
    expected = "Right" if mirrored else "Left"
    of_right = [label for side, label in seen["labels"] if side == "right"]
    of_left = [label for side, label in seen["labels"] if side == "left"]
    assert len(of_right) >= 11
    assert len(of_left) >= 11
    assert set(of_right) == {expected}
    assert set(of_left) == {"Left" if mirrored else "Right"}
