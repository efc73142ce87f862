"""Pictures to landmarks: MediaPipe's hand and face trackers behind one function.

The only module that touches mediapipe, and it imports it only when tracking starts. The pinned
version carries its models in its own package and sends nothing anywhere. Its words for
left and right assume a mirrored (selfie) picture: in an unmirrored one it calls the subject's
right hand 'Left'. Pictures of a mirrored recording are flipped before tracking, so this
holds for all of them and everything later sees an unmirrored picture.
"""

from __future__ import annotations

import hashlib
import os
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata, util
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from review.errors import VideoError
from review.facecolour import lower_face_colours
from review.facemesh import FACE_INDEX, FACE_POINTS
from review.faces import choose_face
from review.faceviews import FaceSearch, View
from review.identity import RawHands, assign_hands
from review.playback import Rgb
from review.tracks import MOTION_GRID, LandmarkTrack, TimeBase
from review.video import DEFAULT_FPS, DEFAULT_MAX_SIDE_PX, VideoInfo

__all__ = [
    "FACE_INDEX",
    "FACE_POINTS",
    "Sampling",
    "assign_hands",
    "model_version",
    "track_landmarks",
]

Progress = Callable[[float], None]
"""Called now and then with the share done, 0..1."""

RULES = "3"
"""Raise this when what is made of the detections changes, so that old caches are not used."""

MIN_CONFIDENCE = 0.5
"""The tracker's own default for detecting and for going on tracking (0..1)."""

MIN_FACE_CONFIDENCE = 0.7
"""Least score of a newly detected face (0..1). In views of half the picture drawn faces scored
0.85 and more, arms and cloth taken for faces 0.62 and less."""

MOST_HANDS, MOST_HANDS_REPORTED, MOST_FACES = 2, 4, 2
"""What the tracker is asked for. It now and then reports a third hand all the same: a second
look at a hand it already follows. All are kept until it is decided which to believe."""

LABEL_OF_RIGHT_HAND = "Left"
"""What the tracker calls the subject's right hand in an unmirrored picture."""

THUMBNAIL_WIDTH_PX = 160
"""Width of the grey picture on which change is measured: five pixels a cell, so that sensor
noise averages out and a hand still covers several."""

MODEL_FILES: dict[int, tuple[str, ...]] = {
    0: (
        "palm_detection/palm_detection_lite.tflite",
        "hand_landmark/hand_landmark_lite.tflite",
        "face_detection/face_detection_short_range.tflite",
        "face_landmark/face_landmark_with_attention.tflite",
    ),
    1: (
        "palm_detection/palm_detection_full.tflite",
        "hand_landmark/hand_landmark_full.tflite",
        "face_detection/face_detection_short_range.tflite",
        "face_landmark/face_landmark_with_attention.tflite",
    ),
}
"""Model files used at each complexity, inside the tracker's package."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a recording is looked at.

    Attributes:
        fps: most samples a second.
        max_side_px: longer side of the pictures tracked, pixels.
        complexity: 1 (default) or 0; 0 takes about half the time but tells left from right
            near chance when fingers hook into each other.
        mirrored: whether the recording is a mirror (selfie) picture.

    Raises:
        ValueError: for values out of range.
    """

    fps: float = DEFAULT_FPS
    max_side_px: int = DEFAULT_MAX_SIDE_PX
    complexity: Literal[0, 1] = 1
    mirrored: bool = False

    def __post_init__(self) -> None:
        if not 0.5 <= self.fps <= 120.0:
            raise ValueError(f"fps must be within 0.5..120, got {self.fps}")
        if not 64 <= self.max_side_px <= 4096:
            raise ValueError(f"max_side_px must be within 64..4096, got {self.max_side_px}")
        if self.complexity not in MODEL_FILES:
            raise ValueError(f"complexity must be 0 or 1, got {self.complexity}")


@lru_cache(maxsize=2)
def model_version(complexity: int = 1) -> str:
    """What made the landmarks: package version, complexity, rules and models' checksum.

    The checksum is the first 16 hexadecimal digits of the SHA-256 over the model files' own
    SHA-256 digests, in the order of ``MODEL_FILES``.

    Raises:
        RuntimeError: if mediapipe is not installed or its models are missing.
    """
    spec = util.find_spec("mediapipe")
    if spec is None or spec.origin is None:
        raise RuntimeError("mediapipe is not installed: install the project with its dependencies")
    modules = Path(spec.origin).parent / "modules"
    total = hashlib.sha256()
    for name in MODEL_FILES[complexity]:
        try:
            total.update(hashlib.sha256((modules / name).read_bytes()).digest())
        except OSError:
            raise RuntimeError(
                f"mediapipe lacks its model {name}: install exactly the pinned version"
            ) from None
    version = metadata.version("mediapipe")
    return f"mediapipe {version} complexity {complexity} rules {RULES} {total.hexdigest()[:16]}"


def track_landmarks(
    frames: Iterable[tuple[float, Rgb]],
    info: VideoInfo,
    sampling: Sampling,
    progress: Progress | None = None,
) -> LandmarkTrack:
    """Find hands and face in every frame and say whose they are.

    Args:
        frames: ``(time_s, picture)`` in time order, as ``video.sample_frames`` gives them.
        info: the recording; its duration closes the last sample and scales the progress.
        sampling: complexity and mirroring are used here; fps and size are the frames' own.
        progress: told the share done.

    Returns:
        The track, in units and frames as ``LandmarkTrack`` states them.

    Raises:
        VideoError: if there is no frame at all.
    """
    seen = _Collected()
    with _Tracker(sampling.complexity) as tracker:
        for time_s, picture in frames:
            if sampling.mirrored:
                picture = np.ascontiguousarray(picture[:, ::-1])
            seen.add(time_s, picture, tracker.look(picture))
            if progress is not None and info.duration_s > 0:
                progress(min(1.0, time_s / info.duration_s))
    if not seen.times_s:
        raise VideoError(f"{info.path} holds no picture: choose another recording.")
    if progress is not None:
        progress(1.0)
    return seen.track(info, sampling)


@dataclass(frozen=True, slots=True)
class _Look:
    """What one picture showed: arrays as one row of RawHands and of the faces."""

    points: NDArray[np.float32]
    world: NDArray[np.float32]
    right: NDArray[np.float32]
    faces: NDArray[np.float32]
    colours: NDArray[np.float32]


class _Collected:
    """Rows gathered picture by picture."""

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self._looks: list[_Look] = []
        self._motion: list[NDArray[np.float32]] = []
        self._luma: list[float] = []
        self._last: NDArray[np.uint8] | None = None

    def add(self, time_s: float, picture: Rgb, look: _Look) -> None:
        """Keep a picture's landmarks, brightness and change since the picture before."""
        grey = _thumbnail(picture)
        self.times_s.append(time_s)
        self._looks.append(look)
        self._motion.append(_change(self._last, grey))
        self._luma.append(float(grey.mean()) / 255.0)
        self._last = grey

    def track(self, info: VideoInfo, sampling: Sampling) -> LandmarkTrack:
        """Everything gathered as one track, hands and face sorted out."""
        times = np.asarray(self.times_s)
        raw = RawHands(
            times,
            np.stack([look.points for look in self._looks]),
            np.stack([look.world for look in self._looks]),
            np.stack([look.right for look in self._looks]),
        )
        hands, world, score = assign_hands(raw)
        faces = np.stack([look.faces for look in self._looks])
        face = choose_face(times, faces, hands)
        colours = np.stack([look.colours for look in self._looks])
        return LandmarkTrack(
            time=TimeBase(times, _end_s(times, info.duration_s, sampling.fps)),
            hands=hands,
            hands_world=world,
            hand_score=score,
            face=face,
            face_score=np.isfinite(face[:, 0, 0]).astype(np.float32),
            motion=np.stack(self._motion),
            luma=np.asarray(self._luma, dtype=np.float32),
            frame_size_px=(info.width, info.height),
            mirrored=sampling.mirrored,
            lower_face=_of_chosen(colours, faces, face),
        )


def _of_chosen(
    colours: NDArray[np.float32], faces: NDArray[np.float32], chosen: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Shape (n, 2): of ``colours`` (n, slots, 2) those of the face that was chosen, else NaN."""
    out = np.full((len(chosen), 2), np.nan, dtype=np.float32)
    rows, slots = np.nonzero((faces == chosen[:, None]).all(axis=(2, 3)))
    out[rows] = colours[rows, slots]
    return out


def _end_s(times: NDArray[np.float64], duration_s: float, fps: float) -> float:
    """End of the recording: as the file states it, unless its pictures end well before.

    A header can promise pictures that a cut-off file no longer has; time without pictures
    must not count as seen. Two ordinary steps are allowed for the last picture.
    """
    step = float(np.median(np.diff(times))) if times.size > 1 else 1.0 / fps
    last = float(times[-1])
    return duration_s if last < duration_s <= last + 2.0 * step else last + step


def _thumbnail(picture: Rgb) -> NDArray[np.uint8]:
    """Grey picture of shape (h, 160), uint8."""
    height, width = picture.shape[:2]
    size = (THUMBNAIL_WIDTH_PX, max(MOTION_GRID[0], round(THUMBNAIL_WIDTH_PX * height / width)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _change(before: NDArray[np.uint8] | None, now: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Shape (18, 32): mean absolute change of luma, 0..1; NaN without a comparable picture."""
    if before is None or before.shape != now.shape:
        return np.full(MOTION_GRID, np.nan, dtype=np.float32)
    change = cv2.absdiff(before, now).astype(np.float32) / 255.0
    rows, columns = MOTION_GRID
    return np.asarray(
        cv2.resize(change, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32
    )


# --- the tracker -----------------------------------------------------------------------------


class _Tracker:
    """MediaPipe's hand tracker and face mesh in tracking mode, one picture after another."""

    def __init__(self, complexity: int) -> None:
        self._complexity = complexity
        self._stack = ExitStack()
        self._hands: Any = None
        self._mesh: Any = None
        self._settled = False
        self._search = FaceSearch()

    def __enter__(self) -> Self:
        with _quiet():
            # Imported here: it takes seconds, and looking at cached results needs none of it.
            from mediapipe.python.solutions import face_mesh, hands

            self._hands = self._stack.enter_context(
                hands.Hands(
                    static_image_mode=False,
                    max_num_hands=MOST_HANDS,
                    model_complexity=self._complexity,
                    min_detection_confidence=MIN_CONFIDENCE,
                    min_tracking_confidence=MIN_CONFIDENCE,
                )
            )
            self._mesh = self._stack.enter_context(
                face_mesh.FaceMesh(
                    static_image_mode=False,
                    max_num_faces=MOST_FACES,
                    refine_landmarks=True,
                    min_detection_confidence=MIN_FACE_CONFIDENCE,
                    min_tracking_confidence=MIN_CONFIDENCE,
                )
            )
            # The first picture makes the models load and print; a blank one has nothing to track.
            blank = np.zeros((64, 64, 3), dtype=np.uint8)
            self._hands.process(blank)
            self._mesh.process(blank)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with _quiet():
            self._stack.close()

    def look(self, picture: Rgb) -> _Look:
        """Detections in one picture, uint8 RGB (h, w, 3), in picture widths."""
        height, width = picture.shape[:2]
        # The first landmarks make it write one more notice; later pictures are left alone.
        with _python_warnings_hidden() if self._settled else _quiet():
            hands = self._hands.process(picture)
            found_hands = hands.multi_hand_landmarks or ()
            xs = [point.x for hand in found_hands for point in hand.landmark]
            mesh = self._faces(picture, sum(xs) / len(xs) if xs else None)
        self._settled |= bool(found_hands or np.isfinite(mesh).any())
        scale = np.array([1.0, height / width, 1.0], dtype=np.float32)
        points = np.full((MOST_HANDS_REPORTED, 21, 3), np.nan, dtype=np.float32)
        world = np.full((MOST_HANDS_REPORTED, 21, 3), np.nan, dtype=np.float32)
        right = np.full(MOST_HANDS_REPORTED, np.nan, dtype=np.float32)
        found = zip(
            found_hands,
            hands.multi_hand_world_landmarks or (),
            hands.multi_handedness or (),
            strict=True,
        )
        for slot, (image, metric, handedness) in enumerate(islice(found, MOST_HANDS_REPORTED)):
            points[slot] = _array(image.landmark) * scale
            world[slot] = _array(metric.landmark)
            guess = handedness.classification[0]
            score = min(float(guess.score), 1.0)
            right[slot] = score if guess.label == LABEL_OF_RIGHT_HAND else 1.0 - score
        colours = np.array([lower_face_colours(picture, face) for face in mesh], dtype=np.float32)
        return _Look(points, world, right, mesh, colours)

    def _faces(self, picture: Rgb, hands_x: float | None) -> NDArray[np.float32]:
        """Shape (2, k, 3): faces in one picture, in picture widths, NaN where there is none."""
        height, width = picture.shape[:2]
        mesh = np.full((MOST_FACES, len(FACE_POINTS), 3), np.nan, dtype=np.float32)
        for view in self._search.views(width, height, hands_x):
            part = picture[view.y : view.y + view.height, view.x : view.x + view.width]
            found = self._mesh.process(np.ascontiguousarray(part)).multi_face_landmarks or ()
            for slot, face in enumerate(found[:MOST_FACES]):
                mesh[slot] = _in_picture(_array(face.landmark)[list(FACE_POINTS)], view, width)
            if found:
                self._search.found(view)
                break
        return mesh


def _in_picture(points: NDArray[np.float32], view: View, picture_width: int) -> NDArray[np.float32]:
    """Points (k, 3) in shares of a view to picture widths; z is in shares of its width."""
    pixels = points * np.array([view.width, view.height, view.width], dtype=np.float32)
    pixels[:, :2] += np.array([view.x, view.y], dtype=np.float32)
    return pixels / np.float32(picture_width)


def _array(landmarks: Any) -> NDArray[np.float32]:
    return np.array([(p.x, p.y, p.z) for p in landmarks], dtype=np.float32)


@contextmanager
def _python_warnings_hidden() -> Iterator[None]:
    """Hide the tracker's one deprecation notice about its own protobuf calls."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"SymbolDatabase\.GetPrototype")
        yield


_STDERR = threading.Lock()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the tracker's native start-up chatter off the terminal.

    It is written to file descriptor 2 by libraries that heed no setting, so the descriptor is
    pointed elsewhere meanwhile. Errors are raised as exceptions and are not affected.
    """
    os.environ.setdefault("GLOG_minloglevel", "2")
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    with _STDERR, _python_warnings_hidden(), ExitStack() as stack:
        try:
            saved = os.dup(2)
        except OSError:
            saved = -1  # no standard error at all (a service): nothing to keep quiet
        if saved >= 0:
            stack.callback(os.close, saved)
            stack.callback(os.dup2, saved, 2)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
        yield
