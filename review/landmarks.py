"""Pictures to landmarks: MediaPipe's hand and face trackers behind one function.

Beside ``facetracker`` and ``faceboxes`` the only module that touches mediapipe, and all three
import it only when tracking starts. The pinned version carries its models in its own package and
sends nothing anywhere. Its words for left and right assume a mirrored (selfie) picture: in an
unmirrored one it calls the subject's right hand 'Left'. Pictures of a mirrored recording are
flipped before tracking, so this holds for all of them and everything later sees an unmirrored
picture.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass, fields
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
from review.facetracker import MIN_TRACKING_CONFIDENCE, MOST_FACES, FaceTracker
from review.identity import RawHands, assign_hands
from review.playback import Rgb
from review.quiet import notices_hidden, quiet
from review.tracks import MOTION_GRID, LandmarkTrack, TimeBase
from review.video import DEFAULT_FPS, DEFAULT_MAX_SIDE_PX, VideoInfo

__all__ = [
    "FACE_INDEX",
    "FACE_POINTS",
    "Looks",
    "Sampling",
    "Tracker",
    "assign_hands",
    "look_at",
    "model_version",
    "settle",
    "track_landmarks",
]

Progress = Callable[[float], None]
"""Called now and then with the share done, 0..1."""

RULES = "5"
"""Raise this when what is made of the detections changes, so that old caches are not used."""

MIN_CONFIDENCE = 0.5
"""The tracker's own default for detecting (0..1)."""

MOST_HANDS, MOST_HANDS_REPORTED = 2, 4
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
        everywhere: look at all of the recording alike and in one run, also where nothing moves;
            for comparison, it takes many times as long.
        beside_face_widths: where every face found is further beside the hands than this many of
            its widths, a second look goes above the hands, so that a trainer near the camera does
            not hide the person at the line. People work within some two and a half face widths
            to either side (common practice, no source).

    Raises:
        ValueError: for values out of range.
    """

    fps: float = DEFAULT_FPS
    max_side_px: int = DEFAULT_MAX_SIDE_PX
    complexity: Literal[0, 1] = 1
    mirrored: bool = False
    everywhere: bool = False
    beside_face_widths: float = 2.5

    def __post_init__(self) -> None:
        if not 0.5 <= self.fps <= 120.0:
            raise ValueError(f"fps must be within 0.5..120, got {self.fps}")
        if not 64 <= self.max_side_px <= 4096:
            raise ValueError(f"max_side_px must be within 64..4096, got {self.max_side_px}")
        if self.complexity not in MODEL_FILES:
            raise ValueError(f"complexity must be 0 or 1, got {self.complexity}")
        if not 0.5 <= self.beside_face_widths <= 100.0:
            raise ValueError(
                f"beside_face_widths must be within 0.5..100, got {self.beside_face_widths}"
            )


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

    def told(time_s: float) -> None:
        if progress is not None and info.duration_s > 0:
            progress(min(1.0, time_s / info.duration_s))

    looks = look_at(frames, sampling, told)
    if not len(looks):
        raise VideoError(f"{info.path} holds no picture: choose another recording.")
    if progress is not None:
        progress(1.0)
    return settle(looks, info, sampling)


@dataclass(frozen=True, slots=True)
class Looks:
    """What the trackers saw in n pictures, before it is decided whose hands and face they are.

    Attributes:
        times_s: shape (n,), strictly increasing seconds.
        points: shape (n, 4, 21, 3) float32, hands in no particular order, picture widths of the
            unmirrored picture; NaN where there is none.
        world: shape (n, 4, 21, 3) float32, metres about each hand's centre.
        right: shape (n, 4) float32, probability (0..1) that it is the subject's right hand.
        faces: shape (n, 2, k, 3) float32, picture widths; NaN where there is none.
        colours: shape (n, 2, 2) float32, of the faces' lower halves.
        motion: shape (n, 18, 32) float32, change since the picture looked at before (0..1);
            NaN where there was none.
        luma: shape (n,) float32, mean brightness 0..1.
    """

    times_s: NDArray[np.float64]
    points: NDArray[np.float32]
    world: NDArray[np.float32]
    right: NDArray[np.float32]
    faces: NDArray[np.float32]
    colours: NDArray[np.float32]
    motion: NDArray[np.float32]
    luma: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.times_s)

    def __getitem__(self, rows: NDArray[Any] | slice) -> Looks:
        """Some of the pictures."""
        return Looks(*(getattr(self, part.name)[rows] for part in fields(self)))

    @classmethod
    def none(cls) -> Looks:
        """No picture at all."""
        return cls(
            np.empty(0),
            np.empty((0, MOST_HANDS_REPORTED, 21, 3), dtype=np.float32),
            np.empty((0, MOST_HANDS_REPORTED, 21, 3), dtype=np.float32),
            np.empty((0, MOST_HANDS_REPORTED), dtype=np.float32),
            np.empty((0, MOST_FACES, len(FACE_POINTS), 3), dtype=np.float32),
            np.empty((0, MOST_FACES, 2), dtype=np.float32),
            np.empty((0, *MOTION_GRID), dtype=np.float32),
            np.empty(0, dtype=np.float32),
        )

    @classmethod
    def joined(cls, parts: Iterable[Looks]) -> Looks:
        """All pictures of the parts, one after another in the order of their times."""
        several = [cls.none(), *parts]
        together = cls(
            *(np.concatenate([getattr(p, part.name) for p in several]) for part in fields(cls))
        )
        return together[np.argsort(together.times_s, kind="stable")]


def look_at(
    frames: Iterable[tuple[float, Rgb]],
    sampling: Sampling,
    told: Callable[[float], None] | None = None,
) -> Looks:
    """Run the trackers over pictures that follow one another.

    Args:
        frames: ``(time_s, picture)`` in time order.
        sampling: complexity and mirroring are used here.
        told: told the time of every picture once it was looked at.
    """
    rows: list[Looks] = []
    with Tracker(sampling) as tracker:
        for time_s, picture in frames:
            rows.append(tracker.look(time_s, picture))
            if told is not None:
                told(time_s)
    return Looks.joined(rows)


def settle(
    looks: Looks,
    info: VideoInfo,
    sampling: Sampling,
    held: NDArray[np.bool_] | None = None,
) -> LandmarkTrack:
    """Decide over the whole recording which hand is which and whose face it is.

    Args:
        looks: of the whole recording, at least one.
        info: the recording; its duration closes the last sample.
        sampling: mirroring, and the rate by which the last sample ends where nothing else says.
        held: shape (n,), see ``LandmarkTrack``; None: nowhere.
    """
    raw = RawHands(looks.times_s, looks.points, looks.world, looks.right)
    hands, world, score = assign_hands(raw)
    face = choose_face(looks.times_s, looks.faces, hands)
    return LandmarkTrack(
        time=TimeBase(looks.times_s, _end_s(looks.times_s, info.duration_s, sampling.fps)),
        hands=hands,
        hands_world=world,
        hand_score=score,
        face=face,
        face_score=np.isfinite(face[:, 0, 0]).astype(np.float32),
        motion=looks.motion,
        luma=looks.luma,
        frame_size_px=(info.width, info.height),
        mirrored=sampling.mirrored,
        lower_face=_of_chosen(looks.colours, looks.faces, face),
        held=np.zeros(len(looks), dtype=np.bool_) if held is None else held,
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


def thumbnail(picture: Rgb) -> NDArray[np.uint8]:
    """Grey picture of shape (h, 160), uint8."""
    height, width = picture.shape[:2]
    size = (THUMBNAIL_WIDTH_PX, max(MOTION_GRID[0], round(THUMBNAIL_WIDTH_PX * height / width)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def change_between(before: NDArray[np.uint8] | None, now: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Shape (18, 32): mean absolute change of luma, 0..1; NaN without a comparable picture."""
    if before is None or before.shape != now.shape:
        return np.full(MOTION_GRID, np.nan, dtype=np.float32)
    return in_cells(cv2.absdiff(before, now).astype(np.float32) / 255.0)


def in_cells(change: NDArray[np.float32]) -> NDArray[np.float32]:
    """Shape (h, w) to (18, 32): mean of every cell."""
    rows, columns = MOTION_GRID
    return np.asarray(
        cv2.resize(change, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32
    )


# --- the tracker -----------------------------------------------------------------------------


class Tracker:
    """MediaPipe's hand tracker and face mesh in tracking mode, one picture after another."""

    def __init__(self, sampling: Sampling) -> None:
        self._sampling = sampling
        self._stack = ExitStack()
        self._hands: Any = None
        self._faces = FaceTracker(sampling.beside_face_widths)
        self._settled = False
        self._last: NDArray[np.uint8] | None = None

    def __enter__(self) -> Self:
        with quiet():
            # Imported here: it takes seconds, and looking at cached results needs none of it.
            from mediapipe.python.solutions import hands

            self._hands = self._stack.enter_context(
                hands.Hands(
                    static_image_mode=False,
                    max_num_hands=MOST_HANDS,
                    model_complexity=self._sampling.complexity,
                    min_detection_confidence=MIN_CONFIDENCE,
                    min_tracking_confidence=MIN_TRACKING_CONFIDENCE,
                )
            )
            # The first picture makes the models load and print; a blank one has nothing to track.
            blank = np.zeros((64, 64, 3), dtype=np.uint8)
            self._hands.process(blank)
            self._stack.enter_context(self._faces)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with quiet():
            self._stack.close()

    def look(self, time_s: float, picture: Rgb) -> Looks:
        """Detections in one picture, uint8 RGB (h, w, 3); one row."""
        if self._sampling.mirrored:
            picture = np.ascontiguousarray(picture[:, ::-1])
        height, width = picture.shape[:2]
        # The first landmarks make it write one more notice; later pictures are left alone.
        with notices_hidden() if self._settled else quiet():
            hands = self._hands.process(picture)
            found_hands = hands.multi_hand_landmarks or ()
            xs = [point.x for hand in found_hands for point in hand.landmark]
            mesh = self._faces.faces(time_s, picture, sum(xs) / len(xs) if xs else None)
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
        grey = thumbnail(picture)
        change, self._last = change_between(self._last, grey), grey
        return Looks(
            np.array([time_s]),
            points[None],
            world[None],
            right[None],
            mesh[None],
            colours[None],
            change[None],
            np.array([grey.mean() / 255.0], dtype=np.float32),
        )


def _array(landmarks: Any) -> NDArray[np.float32]:
    return np.array([(p.x, p.y, p.z) for p in landmarks], dtype=np.float32)
