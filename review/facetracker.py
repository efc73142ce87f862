"""Faces of one picture after another: MediaPipe's face mesh, and where it is made to look.

The mesh stays on the view in which it found a face. Where that face stands well beside the hands,
a second mesh looks above the hands for another one, now and then, and in every picture once it
found one: a trainer who sits nearer to the camera must not hide the person at the line. Whose
face is whose is decided over the whole recording (``faces``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from contextlib import ExitStack
from types import TracebackType
from typing import Any, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from review.facemesh import FACE_POINTS
from review.faceviews import FaceSearch, SecondLook, View
from review.playback import Rgb
from review.quiet import quiet

MIN_TRACKING_CONFIDENCE = 0.5
"""The tracker's own default for going on tracking (0..1)."""

MIN_FACE_CONFIDENCE = 0.7
"""Least score of a newly detected face (0..1). In views of half the picture drawn faces scored
0.85 and more, arms and cloth taken for faces 0.62 and less."""

MOST_FACES = 2
"""What the mesh is asked for, and faces kept of one picture."""

SAME_FACE = 0.5
"""Two faces whose middles are nearer than this many face widths are one, seen twice."""

SMALL_FACE_PX = 100.0
"""A face lower than this (of its mesh, pixels) is enlarged before the mesh reads it. Found on drawn
faces: talking is told from silence better below it, and no worse where a face is larger."""

SMOOTH_PX, SMOOTH_LEVELS, SMOOTH_SPREAD_PX = 5, 25.0, 3.0
"""Of the smoothing before: diameter, grey levels that count as an edge, spread (pixels)."""

Mesh = NDArray[np.float32]
"""Shape (k, 3): points of one face in picture widths."""


class FaceTracker:
    """Finds and follows faces; use it in a ``with`` block, inside ``quiet`` while it starts.

    Args:
        beside_face_widths: see ``landmarks.Sampling``.
    """

    def __init__(self, beside_face_widths: float) -> None:
        self._stack = ExitStack()
        self._first = _Reader()
        self._second = _Reader()
        self._search = FaceSearch()
        self._look = SecondLook(beside_face_widths)

    def __enter__(self) -> Self:
        self._first.start(self._stack)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def faces(self, time_s: float, picture: Rgb, hands_x: float | None) -> NDArray[np.float32]:
        """Shape (2, k, 3): faces in one picture, in picture widths, NaN where there is none.

        Args:
            time_s: of the picture, later than that of the picture before.
            picture: uint8 RGB, shape (h, w, 3).
            hands_x: mean x of the hands' points, picture widths; None: no hand is seen.
        """
        height, width = picture.shape[:2]
        found, view = self._first.read(picture, self._search.views(width, height, hands_x))
        if view is not None:
            self._search.found(view)
        found = self._with_another(time_s, picture, hands_x, found, view)
        mesh = np.full((MOST_FACES, len(FACE_POINTS), 3), np.nan, dtype=np.float32)
        for slot, face in enumerate(found):
            mesh[slot] = face
        return mesh

    def _with_another(
        self,
        time_s: float,
        picture: Rgb,
        hands_x: float | None,
        found: list[Mesh],
        used: View | None,
    ) -> list[Mesh]:
        """The faces found and, where a second look is due, those that it shows besides."""
        height, width = picture.shape[:2]
        away = min((_away(face, hands_x) for face in found), default=math.nan)
        view = self._look.view(time_s, (width, height), hands_x, away, used)
        if view is None:
            return found
        if not self._second.started:
            with quiet():
                self._second.start(self._stack)
        seen, _ = self._second.read(picture, [view])
        others = [face for face in seen if not any(_same(face, known) for known in found)]
        if others:
            self._look.found(view, min(_away(face, hands_x) for face in others))
        elif seen:
            self._second.forget()
        together = [*found, *others]
        if len(together) > MOST_FACES:
            together.sort(key=lambda face: _away(face, hands_x))
        return together[:MOST_FACES]


class _Reader:
    """One face mesh in tracking mode, and how large the face was that it saw last."""

    def __init__(self) -> None:
        self._mesh: Any = None
        self._face_px = math.nan

    @property
    def started(self) -> bool:
        return self._mesh is not None

    def start(self, stack: ExitStack) -> None:
        """Load the models; ``stack`` ends what was started."""
        # Imported here: it takes seconds, and looking at cached results needs none of it.
        from mediapipe.python.solutions import face_mesh

        self._mesh = stack.enter_context(
            face_mesh.FaceMesh(
                static_image_mode=False,
                max_num_faces=MOST_FACES,
                refine_landmarks=True,
                min_detection_confidence=MIN_FACE_CONFIDENCE,
                min_tracking_confidence=MIN_TRACKING_CONFIDENCE,
            )
        )
        # The first picture makes the models load and print; a blank one has nothing to track.
        self.forget()

    def forget(self) -> None:
        """Follow no face any more: a blank picture shows none."""
        self._mesh.process(np.zeros((64, 64, 3), dtype=np.uint8))
        self._face_px = math.nan

    def read(self, picture: Rgb, views: Iterable[View]) -> tuple[list[Mesh], View | None]:
        """The faces of the first view that shows any, at most ``MOST_FACES``; and that view."""
        width = picture.shape[1]
        faces: list[Mesh] = []
        shown_in = None
        for view in views:
            part = picture[view.y : view.y + view.height, view.x : view.x + view.width]
            shown = _enlarged(part) if self._face_px < SMALL_FACE_PX else part
            found = self._mesh.process(np.ascontiguousarray(shown)).multi_face_landmarks or ()
            if found:
                faces = [_in_picture(_points(face.landmark), view, width) for face in found]
                shown_in = view
                break
        faces = faces[:MOST_FACES]
        heights = [float(np.ptp(face[:, 1])) * width for face in faces]
        self._face_px = max(heights, default=math.nan)
        return faces, shown_in


def _points(landmarks: Any) -> Mesh:
    """The face points that are kept, in shares of the view."""
    every = np.array([(p.x, p.y, p.z) for p in landmarks], dtype=np.float32)
    return every[list(FACE_POINTS)]


def _in_picture(points: Mesh, view: View, picture_width: int) -> Mesh:
    """Points (k, 3) in shares of a view to picture widths; z is in shares of its width."""
    pixels = points * np.array([view.width, view.height, view.width], dtype=np.float32)
    pixels[:, :2] += np.array([view.x, view.y], dtype=np.float32)
    return pixels / np.float32(picture_width)


def _width(face: Mesh) -> float:
    return max(float(np.ptp(face[:, 0])), 1e-6)


def _away(face: Mesh, hands_x: float | None) -> float:
    """How far beside the hands a face is, in its widths; NaN where no hand is seen."""
    if hands_x is None:
        return math.nan
    return abs(float(face[:, 0].mean()) - hands_x) / _width(face)


def _same(one: Mesh, other: Mesh) -> bool:
    apart = one[:, :2].mean(axis=0) - other[:, :2].mean(axis=0)
    return math.hypot(*apart) < SAME_FACE * max(_width(one), _width(other))


def _enlarged(part: Rgb) -> Rgb:
    """A picture twice as large with its noise smoothed and its edges kept.

    The mesh reads a face from 192 x 192 pixels. Lips a few pixels high, in the noise of a dim
    room, hardly move it when it enlarges them itself.
    """
    smooth = cv2.bilateralFilter(part, SMOOTH_PX, SMOOTH_LEVELS, SMOOTH_SPREAD_PX)
    height, width = part.shape[:2]
    large = cv2.resize(smooth, (2 * width, 2 * height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(large, dtype=np.uint8)
