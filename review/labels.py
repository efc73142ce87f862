"""Label files: what is true of a clip, as JSON beside it (``clip.mp4``, ``clip.json``).

``labels`` cuts the clip into pieces without gaps, each with its phase, its step and whether
the person talks; the other keys hold truths that follow from how the clip was made. Only
``duration_s`` and ``labels`` are needed, so hand-made labels work too; scores whose truth is
missing are then not computed. Keys that are not known here are passed over.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from review.analysis import FlagKind
from review.errors import LabelError
from review.timeline import Interval, Phase, Segment, Surface, Timeline

EDGE_TOLERANCE_S = 0.005
"""Pieces of a clip may miss one another by this much: files keep few decimals."""

Seconds = Annotated[float, Field(ge=0.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Pair = tuple[Seconds, Seconds]
Point = tuple[float, float]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class _Spanned(_Record):
    start_s: Seconds
    end_s: Seconds

    @model_validator(mode="after")
    def _ends_after_start(self) -> Self:
        if self.end_s <= self.start_s:
            raise ValueError(f"ends ({self.end_s} s) no later than it starts ({self.start_s} s)")
        return self

    @property
    def interval(self) -> Interval:
        """The span."""
        return Interval(self.start_s, self.end_s)


class Piece(_Spanned):
    """A span in which nothing changes.

    ``strokes``: strokes to and fro that fall in it, where hands are rubbed and it is known.
    ``hidden``: whether the hands work where the camera cannot see them.
    """

    phase: Phase
    step: str = ""
    talking: bool = False
    events: tuple[str, ...] = ()
    strokes: Annotated[float, Field(ge=0.0)] | None = None
    hidden: bool = False


class ClipInfo(_Record):
    """How a clip was made; what scores are broken down by."""

    name: str = ""
    seed: int | None = None
    kind: Literal["exchange", "wash", "other_activity"] = "exchange"
    skin_tone: Annotated[int, Field(ge=1, le=6)] | None = None
    handed: Literal["left", "right"] | None = None
    mirrored: bool = False
    mask: bool | None = None
    viewpoint: str = ""
    geometry: str = ""
    fps: float | None = None
    width: int | None = None
    height: int | None = None
    distance_m: float | None = None
    light: float | None = None
    noise: float | None = None
    shutter: float | None = None
    tempo_hz: float | None = None
    faults: tuple[str, ...] = ()


class TrueFlag(_Spanned):
    """A flag that an ideal reviewer would raise."""

    kind: FlagKind


class SurfaceTruth(_Record):
    """How one hand surface was rubbed in the wash."""

    seconds: Seconds
    strokes: Annotated[int, Field(ge=0)] = 0
    rounds: Annotated[int, Field(ge=0)] = 0


class WashTruth(_Record):
    """How long the wash took; 0 where there was none."""

    whole_s: Seconds
    rubbing_s: Seconds
    surfaces: dict[Surface, SurfaceTruth] = {}


class RubTruth(_Record):
    """The hand rub before a line phase, 0 s where there was none."""

    before: Literal[Phase.CONNECT, Phase.DISCONNECT]
    seconds: Seconds


class WipeTruth(_Record):
    """Shares of the work surface.

    ``gone_back``: as ``gone_over_again`` without the usual overlap of neighbouring lanes.
    ``corners``: of the work area, in order around it, in picture widths of the unmirrored
    picture.
    """

    covered: Share
    gone_over_again: Share
    gone_back: Share | None = None
    corners: tuple[Point, Point, Point, Point] | None = None


class TouchTruth(_Spanned):
    """A hand at the face."""

    hand: Literal["left", "right"] | None = None


class OpenLineTruth(_Spanned):
    """When the line was open, and in which phase."""

    phase: Literal[Phase.CONNECT, Phase.DISCONNECT]


class LabelFile(_Record):
    """Everything true of one clip. Times are seconds from its first frame."""

    duration_s: Annotated[float, Field(gt=0.0)]
    labels: Annotated[tuple[Piece, ...], Field(min_length=1)]
    clip: ClipInfo = ClipInfo()
    flags: tuple[TrueFlag, ...] | None = None
    wash: WashTruth | None = None
    rubs: tuple[RubTruth, ...] = ()
    surface: WipeTruth | None = None
    open_line: tuple[OpenLineTruth, ...] | None = None
    mouth_visible: tuple[Pair, ...] | None = None
    touches: tuple[TouchTruth, ...] | None = None

    @model_validator(mode="after")
    def _pieces_cover_the_clip(self) -> Self:
        edge = 0.0
        for piece in self.labels:
            if abs(piece.start_s - edge) > EDGE_TOLERANCE_S:
                raise ValueError(
                    f"the labels leave a gap or overlap at {edge} s (next starts at "
                    f"{piece.start_s} s)"
                )
            edge = piece.end_s
        if abs(edge - self.duration_s) > EDGE_TOLERANCE_S:
            raise ValueError(f"the labels end at {edge} s, the clip at {self.duration_s} s")
        return self

    @property
    def extent(self) -> Interval:
        """The whole clip."""
        return Interval(0.0, self.labels[-1].end_s)

    @property
    def timeline(self) -> Timeline:
        """The true phases: neighbouring pieces of one phase joined."""
        segments: list[Segment] = []
        start = 0.0
        for piece, following in zip(self.labels, (*self.labels[1:], None), strict=True):
            if following is None or following.phase is not piece.phase:
                segments.append(Segment(Interval(start, piece.end_s), piece.phase, source="person"))
                start = piece.end_s
        return Timeline(self.extent, tuple(segments))

    def piece_numbers(self, times_s: NDArray[np.float64]) -> NDArray[np.intp]:
        """Shape (n,): number of the piece at each time; times outside go to the nearest."""
        starts = np.array([piece.start_s for piece in self.labels])
        return np.maximum(np.searchsorted(starts, times_s, side="right") - 1, 0)

    def steps_at(self, times_s: NDArray[np.float64]) -> list[str]:
        """The step at each of n times."""
        return [self.labels[number].step for number in self.piece_numbers(times_s)]

    def talking_at(self, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Shape (n,): whether the person talks at each time."""
        talking = np.array([piece.talking for piece in self.labels])
        return np.asarray(talking[self.piece_numbers(times_s)], dtype=np.bool_)

    def mouth_visible_at(self, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Shape (n,): whether the mouth can be seen; everywhere where the file does not say."""
        if self.mouth_visible is None:
            return np.ones(times_s.shape, dtype=np.bool_)
        seen = np.zeros(times_s.shape, dtype=np.bool_)
        for start, end in self.mouth_visible:
            seen |= (times_s >= start) & (times_s < end)
        return seen


def read_labels(path: Path) -> LabelFile:
    """Read and check a label file.

    Raises:
        LabelError: naming the file and what is wrong, if it cannot be read, is not JSON or
            does not hold valid labels.
    """
    try:
        if path.exists() and not path.is_file():
            raise OSError("it is no ordinary file")  # a pipe or a device may never end
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise LabelError(f"{path}: this label file cannot be read ({error}).") from error
    except (ValueError, RecursionError) as error:  # a number of 5,000 digits is no syntax error
        raise LabelError(f"{path}: this label file is not JSON ({error}).") from error
    try:
        return LabelFile.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"]) or "the file as a whole"
        more = f" ({error.error_count() - 1} more after it.)" if error.error_count() > 1 else ""
        raise LabelError(f"{path}: not a valid label file: {key}: {first['msg']}.{more}") from error
