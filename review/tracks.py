"""Arrays over time with stated shapes and units. NaN always means 'not seen', never zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.timeline import Interval

Floats = NDArray[np.floating[Any]]

LEFT, RIGHT = 0, 1
"""Index of the subject's own left and right hand on the ``hands`` axis."""

MOTION_GRID = (18, 32)
"""Rows and columns of the coarse grid on which picture change is kept."""


def freeze(instance: object) -> None:
    """Make every array of a frozen record read-only: freezing a dataclass does not."""
    for field in fields(instance):  # type: ignore[arg-type]
        value = getattr(instance, field.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Sample times from the decoder's own timestamps.

    Attributes:
        times_s: shape (n,), strictly increasing seconds from the first frame. Sample i
            stands for ``[times_s[i], times_s[i + 1])``, the last one for up to ``end_s``.
        end_s: end of the recording in seconds, after the last sample.

    Raises:
        ValueError: if the times are not a finite increasing vector before ``end_s``.
    """

    times_s: Floats
    end_s: float

    def __post_init__(self) -> None:
        times = np.array(self.times_s, dtype=np.float64)
        if times.ndim != 1 or times.size == 0:
            raise ValueError(f"sample times must be a non-empty vector, got shape {times.shape}")
        if not np.isfinite(times).all() or (np.diff(times) <= 0).any():
            raise ValueError("sample times must be finite and strictly increasing")
        if not self.end_s > times[-1]:
            raise ValueError(f"the end ({self.end_s} s) must lie after the last sample")
        object.__setattr__(self, "times_s", times)
        freeze(self)

    def __len__(self) -> int:
        return int(self.times_s.size)

    @property
    def widths_s(self) -> Floats:
        """Shape (n,): seconds each sample stands for. Durations are sums of these."""
        return np.diff(self.times_s, append=self.end_s)

    @property
    def extent(self) -> Interval:
        """From the first sample to the end."""
        return Interval(float(self.times_s[0]), float(self.end_s))

    def part(self, span: Interval) -> slice:
        """The samples whose times lie in the half-open ``span``."""
        first, end = np.searchsorted(self.times_s, (span.start_s, span.end_s))
        return slice(int(first), int(end))

    @property
    def bounds_s(self) -> Floats:
        """Shape (n + 1,): where each sample begins, and the end."""
        return np.append(self.times_s, self.end_s)

    def bound(self, index: int) -> float:
        """Where sample ``index`` begins, seconds; the end for the one after the last."""
        return float(self.times_s[index]) if index < len(self.times_s) else float(self.end_s)

    def inside(self, span: Interval) -> NDArray[np.bool_]:
        """Shape (n,): which sample times lie in the half-open ``span``."""
        mask = np.zeros(len(self), dtype=bool)
        mask[self.part(span)] = True
        return mask

    def inside_any(self, spans: Iterable[Interval]) -> NDArray[np.bool_]:
        """Shape (n,): which sample times lie in at least one of the half-open ``spans``."""
        mask = np.zeros(len(self), dtype=bool)
        for span in spans:
            mask |= self.inside(span)
        return mask


def spans_where(
    mask: NDArray[np.bool_], time: TimeBase, within: Interval | None = None
) -> tuple[Interval, ...]:
    """The half-open spans over which ``mask`` (shape (n,)) holds, of the samples ``within``."""
    if mask.shape != (len(time),):
        raise ValueError(f"mask of shape {mask.shape} for {len(time)} samples")
    part = slice(0, len(time)) if within is None else time.part(within)
    return tuple(
        Interval(time.bound(part.start + first), time.bound(part.start + end))
        for first, end in runs_where(mask[part])
    )


def runs_where(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """The runs over which ``mask`` (shape (n,)) holds: first place and the one after the last."""
    turns = turns_of(mask).tolist()
    return list(zip(turns[::2], turns[1::2], strict=True))


def turns_of(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Shape (2k,): for each of k runs of ``mask`` its first place and the one after its last."""
    edged = np.zeros(len(mask) + 2, dtype=bool)
    edged[1:-1] = mask
    return np.flatnonzero(edged[1:] != edged[:-1])


@dataclass(frozen=True, slots=True)
class LandmarkTrack:
    """What the tracker saw in each sampled frame.

    Attributes:
        time: n sample times.
        hands: shape (n, 2, 21, 3) float32. Axis 1 is the subject's own left, right
            (mirroring already undone); axis 2 is the 21 keypoints in MediaPipe order
            (wrist, then thumb..little finger, four each). x and y are in units of the
            picture *width*, origin at its top left, y down (so that lengths are
            isotropic); z is depth in the same unit relative to the wrist, negative
            towards the camera.
        hands_world: shape (n, 2, 21, 3) float32, metres about the hand's centre, the
            tracker's own 3-D estimate, axes as the picture's (x right, y down, z away).
        hand_score: shape (n, 2) float32, the tracker's handedness score, 0 where not seen.
        face: shape (n, k, 3) float32, units as ``hands``; k points of the face mesh, which
            ones is fixed by ``landmarks.FACE_POINTS``.
        face_score: shape (n,) float32, 1 where a face was tracked, 0 where not.
        motion: shape (n, 18, 32) float32, mean absolute change of luma (0..1) since the
            previous sample on a coarse grid over the picture; NaN in the first sample.
        luma: shape (n,) float32, mean brightness 0..1.
        frame_size_px: (width, height) after rotation.
        lower_face: shape (n, 2) float32, colour contrast of the lower face against the upper
            one as ``review.mask.lower_face_colours`` gives it (logarithms of colour ratios):
            how far its hue lies off, how much redder the lips are. Taken from the picture the
            face was found in and the same seen in a mirror. NaN where no face was tracked or
            the colours could not be compared; None when making a track means all NaN.
        held: shape (n,) bool: what is near the hands was still from this sample to the next one,
            by a coarser look at the pictures between, so that its landmarks hold until then;
            None when making a track means nowhere.
        mirrored: whether the recording shows a mirror (selfie) picture. When true, ``hands``
            and ``face`` have x flipped (x -> 1 - x), as has ``hands_world`` and the columns of
            ``motion``, so that everything downstream sees an unmirrored picture.
    """

    time: TimeBase
    hands: NDArray[np.float32]
    hands_world: NDArray[np.float32]
    hand_score: NDArray[np.float32]
    face: NDArray[np.float32]
    face_score: NDArray[np.float32]
    motion: NDArray[np.float32]
    luma: NDArray[np.float32]
    frame_size_px: tuple[int, int]
    mirrored: bool = False
    lower_face: NDArray[np.float32] = None  # type: ignore[assignment]  # filled in below
    held: NDArray[np.bool_] = None  # type: ignore[assignment]  # the same

    def __post_init__(self) -> None:
        n = len(self.time)
        if self.lower_face is None:
            unknown = np.full((n, 2), np.nan, dtype=np.float32)
            object.__setattr__(self, "lower_face", unknown)
        if self.held is None:
            object.__setattr__(self, "held", np.zeros(n, dtype=np.bool_))
        expected: dict[str, tuple[int, ...]] = {
            "hands": (n, 2, 21, 3),
            "hands_world": (n, 2, 21, 3),
            "hand_score": (n, 2),
            "face": (n, self.face.shape[1] if self.face.ndim == 3 else -1, 3),
            "face_score": (n,),
            "motion": (n, *MOTION_GRID),
            "luma": (n,),
            "lower_face": (n, 2),
            "held": (n,),
        }
        for name, shape in expected.items():
            actual = getattr(self, name).shape
            if actual != shape:
                raise ValueError(f"{name} must have shape {shape}, got {actual}")
        freeze(self)

    @property
    def hand_seen(self) -> NDArray[np.bool_]:
        """Shape (n, 2): whether each hand was tracked."""
        return np.asarray(np.isfinite(self.hands[:, :, 0, 0]))

    @property
    def face_seen(self) -> NDArray[np.bool_]:
        """Shape (n,): whether a face was tracked."""
        return self.face_score > 0


@dataclass(frozen=True, slots=True)
class FeatureTrack:
    """Named numbers over time; look columns up by name only.

    Attributes:
        time: n sample times.
        names, units: one each per column.
        values: shape (n, len(names)) float64, NaN = not measured.
    """

    time: TimeBase
    names: tuple[str, ...]
    units: tuple[str, ...]
    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.values.shape != (len(self.time), len(self.names)):
            raise ValueError(
                f"values must have shape {(len(self.time), len(self.names))}, "
                f"got {self.values.shape}"
            )
        if len(self.units) != len(self.names) or len(set(self.names)) != len(self.names):
            raise ValueError("each feature needs one unit and a name of its own")
        freeze(self)

    def column(self, name: str) -> NDArray[np.float64]:
        """Shape (n,): one feature. Raises KeyError naming it when it does not exist."""
        try:
            return self.values[:, self.names.index(name)]
        except ValueError:
            raise KeyError(f"no feature called {name!r}") from None
