"""What a recording's timeline shows over time, as short lists of stretches.

A lane is one row under the video. Long recordings have tens of thousands of samples, far more
than a screen has columns, so stretches are told by the majority in equal parts of the recording.
Nothing is decided here: a stretch in which hands or mouth were not seen says so.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.flags import Findings
from review.settings import OpenLineDetection
from review.timeline import Surface
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase

MOST_PARTS = 1500
"""Stretches are told to this part of the recording: about one column of a screen."""

HANDS = ("none", "one", "both")
MOUTH = ("hidden", "still", "moving")


@dataclass(frozen=True, slots=True)
class Stretch:
    """One kind of thing from ``start_s`` to ``end_s`` (seconds, half-open)."""

    start_s: float
    end_s: float
    kind: str


@dataclass(frozen=True, slots=True)
class Lanes:
    """The rows that come from the pictures alone, in order of time.

    Attributes:
        hands: ``both``, ``one`` or ``none``, over the whole recording.
        surfaces: the hand surface being rubbed (values of :class:`Surface`), inside the wash.
        mouth: ``moving`` as in talking, ``still`` or ``hidden``, over the whole recording.
    """

    hands: tuple[Stretch, ...] = ()
    surfaces: tuple[Stretch, ...] = ()
    mouth: tuple[Stretch, ...] = ()

    def to_json(self) -> str:
        """As compact JSON, for keeping beside the recording."""
        return json.dumps(asdict(self), separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Lanes:
        """Read what :meth:`to_json` wrote.

        Raises:
            ValueError: if it is something else.
        """
        try:
            rows: dict[str, list[dict[str, Any]]] = json.loads(text)
            return cls(**{name: tuple(Stretch(**row) for row in rows[name]) for name in LANES})
        except (TypeError, KeyError) as error:
            raise ValueError(f"these are no lanes: {error}") from error


LANES = ("hands", "surfaces", "mouth")


def make_lanes(findings: Findings, settings: OpenLineDetection) -> Lanes:
    """The rows of one recording from what the stages found."""
    features = findings.features
    seen = np.stack([features.column("left_seen"), features.column("right_seen")]) > 0
    rubbed = sorted(
        (span, Surface(record.surface))
        for record in findings.hygiene.surfaces
        for span in record.spans
    )
    return Lanes(
        hands=stretches(seen.sum(axis=0), features.time, HANDS),
        surfaces=tuple(
            Stretch(_ms(span.start_s), _ms(span.end_s), surface.value) for span, surface in rubbed
        ),
        mouth=mouth_stretches(findings.open_line.probability, settings),
    )


def mouth_stretches(talking: FeatureTrack, settings: OpenLineDetection) -> tuple[Stretch, ...]:
    """Where the mouth moved as in talking, was still, or could not be judged."""
    chance = talking.column("probability")
    codes = np.zeros(len(chance), dtype=np.int64)
    known = np.isfinite(chance)
    codes[known] = np.where(chance[known] >= settings.talking_on_probability, 2, 1)
    return stretches(codes, talking.time, MOUTH)


def stretches(
    codes: NDArray[np.integer[Any]], time: TimeBase, names: Sequence[str], parts: int = MOST_PARTS
) -> tuple[Stretch, ...]:
    """Runs of equal codes as stretches.

    With more samples than ``parts`` each of that many equal parts of the recording takes the
    code that fills most of its time (the higher code where two fill the same).

    Args:
        codes: shape (n,), positions in ``names``.
        time: n sample times.
        names: what the codes mean.
        parts: the finest division.
    """
    bounds = np.append(time.times_s, time.end_s)
    if len(time) > parts:
        edges = np.linspace(float(bounds[0]), float(bounds[-1]), parts + 1)
        part = np.clip(np.searchsorted(edges, time.times_s, side="right") - 1, 0, parts - 1)
        filled = np.zeros((parts, len(names)))
        np.add.at(filled, (part, codes), time.widths_s)
        empty = filled.sum(axis=1) == 0
        best = filled.shape[1] - 1 - filled[:, ::-1].argmax(axis=1)
        if empty.any():  # a pause between samples: what went before goes on
            last = np.maximum.accumulate(np.where(empty, 0, np.arange(parts)))
            best = best[last]
        codes, bounds = best, edges
    starts = np.flatnonzero(np.diff(codes, prepend=codes[0] - 1))
    ends = np.append(starts[1:], len(codes))
    return tuple(
        Stretch(_ms(float(bounds[a])), _ms(float(bounds[b])), names[int(codes[a])])
        for a, b in zip(starts, ends, strict=True)
    )


def _ms(time_s: float) -> float:
    return round(time_s, 3)


# --- points to draw over the picture ------------------------------------------------------------

COORDINATE_STEPS = 32767.5
"""Steps a picture width: 16 bits reach from half a width before the picture to half behind it."""

FACE_MARGIN = 0.18
"""A cover reaches this share of the face's size beyond it: hair, chin and small errors
(unit-free; chosen by eye on drawn faces)."""


def overlay_bytes(track: LandmarkTrack) -> bytes:
    """Tracked hands and face boxes as one compact block, in the picture's own orientation.

    Little-endian: 4 bytes length of a JSON header (padded with spaces to a multiple of four),
    the header ``{"samples": n, "hands": [l, r], "faces": f, "aspect": height / width}``, then
    float32 times (n); for the person's left and right hand int32 sample numbers (l or r) and
    uint16 points (l or r, 21, 2); int32 sample numbers (f) and uint16 boxes (f, 4) as left,
    top, right, bottom. Lengths are picture widths, stored as ``(value + 0.5) * 32767.5``.
    """
    hands, face = track.hands[..., :2], track.face[..., :2]
    if track.mirrored:  # landmarks are kept unmirrored; the video shows the mirror picture
        hands, face = _flipped(hands), _flipped(face)
    rows = [np.flatnonzero(track.hand_seen[:, side]).astype("<i4") for side in (0, 1)]
    face_rows = np.flatnonzero(track.face_seen & np.isfinite(face[:, :, 0]).any(axis=1))
    width, height = track.frame_size_px
    header = json.dumps(
        {
            "samples": len(track.time),
            "hands": [len(row) for row in rows],
            "faces": len(face_rows),
            "aspect": round(height / width, 5),
        }
    ).encode()
    header += b" " * (-len(header) % 4)
    blocks = [
        np.array(len(header), dtype="<u4").tobytes(),
        header,
        track.time.times_s.astype("<f4").tobytes(),
    ]
    for side, row in enumerate(rows):
        blocks += [row.tobytes(), _steps(hands[row, side]).tobytes()]
    blocks += [face_rows.astype("<i4").tobytes(), _steps(_boxes(face[face_rows])).tobytes()]
    return b"".join(blocks)


def _flipped(points: NDArray[np.float32]) -> NDArray[np.float32]:
    turned = points.copy()
    turned[..., 0] = 1.0 - turned[..., 0]
    return turned


def _boxes(face: NDArray[np.float32]) -> NDArray[np.float32]:
    """Shape (f, 4): boxes round faces (f, k, 2), margin included."""
    if not len(face):
        return np.zeros((0, 4), dtype=np.float32)
    low, high = np.nanmin(face, axis=1), np.nanmax(face, axis=1)
    margin = FACE_MARGIN * (high - low)
    return np.concatenate([low - margin, high + margin], axis=1)


def _steps(values: NDArray[np.float32]) -> NDArray[np.uint16]:
    scaled = np.rint((np.nan_to_num(values) + 0.5) * COORDINATE_STEPS)
    return np.asarray(np.clip(scaled, 0, 65535), dtype="<u2")
