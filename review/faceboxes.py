"""Every face of a picture as a box: MediaPipe's face detectors and face mesh, several views.

For covering faces, not for measuring: it would rather frame a cushion than miss a face. Several
detectors look because they fail in different ways: the far one is made for small faces, the near
one for large ones, and the mesh goes on following a face that a hand hides or that turns away.
"""

from __future__ import annotations

from contextlib import ExitStack
from types import TracebackType
from typing import Any, Final, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from review.facecover import Box, FoundFace
from review.faceviews import FaceSearch, View, face_views
from review.playback import Rgb
from review.quiet import quiet

LOOK_AT_PX: Final = 960
"""Longer side of the pictures looked at, as when a recording is analysed."""

NEAR, FAR = 0, 1
"""MediaPipe's names for its two detectors: up to 2 m, and up to 5 m, from the camera."""

LEAST: Final = {NEAR: 0.65, FAR: 0.5}
"""Least score (0..1) of a detection that is covered at all. Frontal faces, drawn and real, had 0.83
and more from the far detector (measured)."""

LEAST_MESH: Final = 0.7
"""The same for the mesh's own detector; see ``facetracker.MIN_FACE_CONFIDENCE``."""

SURE: Final = 0.75
"""From this score on a single detection of the far detector is taken for a face. The near one alone
never is: it had 0.75 and more for a chest with folded arms."""

MOST_FACES: Final = 4
"""Faces that the mesh follows; the detectors have no such limit."""

SMALL_VIEWS: Final = 2
"""Views of a quarter of the picture looked at in each picture, in turn. A face there is 20 to 60
pixels wide; being found now and then is enough, for what was found stays covered in between."""


class FaceFinder:
    """Looks for faces in one picture after another; use it in a ``with`` block."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._detectors: dict[int, Any] = {}
        self._mesh: Any = None
        self._search = FaceSearch()
        self._turn = 0

    def __enter__(self) -> Self:
        with quiet():
            # Imported here: it takes seconds.
            from mediapipe.python.solutions import face_detection, face_mesh

            for kind in (NEAR, FAR):
                self._detectors[kind] = self._stack.enter_context(
                    face_detection.FaceDetection(
                        model_selection=kind, min_detection_confidence=LEAST[kind]
                    )
                )
            self._mesh = self._stack.enter_context(
                face_mesh.FaceMesh(
                    static_image_mode=False,
                    max_num_faces=MOST_FACES,
                    min_detection_confidence=LEAST_MESH,
                    min_tracking_confidence=0.5,
                )
            )
            # The first picture makes the models load and print.
            blank = np.zeros((64, 64, 3), dtype=np.uint8)
            for tracker in (*self._detectors.values(), self._mesh):
                tracker.process(blank)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with quiet():
            self._stack.close()

    def look(self, picture: Rgb) -> tuple[FoundFace, ...]:
        """The faces of a picture, uint8 RGB (h, w, 3), in its own pixels."""
        scale = min(1.0, LOOK_AT_PX / max(picture.shape[:2]))
        small = picture
        if scale < 1.0:
            size = [max(1, round(side * scale)) for side in picture.shape[1::-1]]
            small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
        height, width = small.shape[:2]
        with quiet():
            found = self._meshes(small)
            found += self._detected(NEAR, small, View(0, 0, width, height))
            for view in face_views(width, height):
                found += self._detected(FAR, small, view)
            for view in self._small_views(width, height):
                found += self._detected(FAR, small, view)
        back = 1.0 / scale
        return tuple(
            FoundFace(
                Box(f.box.left * back, f.box.top * back, f.box.right * back, f.box.bottom * back),
                f.sure,
            )
            for f in found
        )

    def _detected(self, kind: int, picture: Rgb, view: View) -> list[FoundFace]:
        found = self._detectors[kind].process(_part(picture, view)).detections or ()
        faces = []
        for face in found:
            box = face.location_data.relative_bounding_box
            left, top = view.x + box.xmin * view.width, view.y + box.ymin * view.height
            right, bottom = left + box.width * view.width, top + box.height * view.height
            if right > left and bottom > top:
                sure = kind == FAR and face.score[0] >= SURE
                faces.append(FoundFace(Box(left, top, right, bottom), sure))
        return faces

    def _meshes(self, picture: Rgb) -> list[FoundFace]:
        """Faces that the mesh follows, found in one view after the other."""
        height, width = picture.shape[:2]
        for view in self._search.views(width, height, None):
            found = self._mesh.process(_part(picture, view)).multi_face_landmarks or ()
            if found:
                self._search.found(view)
                return [FoundFace(_around(face.landmark, view), False) for face in found]
        return []

    def _small_views(self, width: int, height: int) -> list[View]:
        """Some of the views of a quarter of the picture, others each time."""
        side = max(1, max(width, height) // 4)
        xs, ys = (
            range(0, max(length - side // 2, 1), max(side // 2, 1)) for length in (width, height)
        )
        views = [View(x, y, min(side, width - x), min(side, height - y)) for y in ys for x in xs]
        chosen = [views[(self._turn + k) % len(views)] for k in range(min(SMALL_VIEWS, len(views)))]
        self._turn += SMALL_VIEWS
        return chosen


def _part(picture: Rgb, view: View) -> Rgb:
    part = picture[view.y : view.y + view.height, view.x : view.x + view.width]
    return np.ascontiguousarray(part)


def _around(landmarks: Any, view: View) -> Box:
    """The box around the mesh's points, in pixels of the picture.

    The mesh covers brows to chin and temple to temple, as a detector's box does.
    """
    points: NDArray[np.float64] = np.array([(p.x, p.y) for p in landmarks])
    points = points * [view.width, view.height] + [view.x, view.y]
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return Box(float(left), float(top), float(right), float(bottom))
