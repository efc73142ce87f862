"""Reader and evaluation for a published set of annotated hand-washing videos.

The set: Lulla M, Rutkovskis A, Slavinska A, et al. Hand-washing video dataset annotated
according to the World Health Organization's hand-washing guidelines. Data 2021;6(4):38, doi
10.3390/data6040038; it and two later sets of the same form are open archives. They are not part
of this program and were not at hand when this was written: the reader follows the published
description and was tried on made-up folders only.

Layout as described: folders ``DataSet1``, ``DataSet2``, ... each with ``Videos`` (recordings)
and ``Annotations`` (one folder for each annotator, holding one JSON file for each recording, of
the same name). A JSON file has ``labels``, one entry a frame, each with ``is_washing`` (0 or 1)
and ``code``: 1 palm to palm; 2 palm over the back of the other hand; 3 palm to palm, fingers
interlaced; 4 backs of fingers to the opposing palm; 5 thumb; 6 fingertips; 7 turning off the tap
with a paper towel; 0 any other movement.

What is compared: frames in which every annotator says that hands are being washed and all give
the same code. Left and right are not told apart in the codes. Code 7 counts as 0, because towel
and tap are nothing this program claims to see. 'Cannot tell' counts as wrong, and its share is
printed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.errors import LabelError
from review.evaluation import SkippedFile
from review.pool import attempt, in_order
from review.protocol import Protocol
from review.rubbing import CANNOT_TELL, SurfaceCourse
from review.timeline import Phase, Segment, Surface, Timeline
from review.tracks import freeze
from review.washevaluate import Analyse, WashTrace, load_track, trace_of
from review.washreport import Style, grid, number

PUBLISHED_ACCURACY = 0.7511
"""Frame accuracy of the authors' own network on their test part (Lulla et al. 2021, abstract)."""

CODES: tuple[str, ...] = (
    "other",
    "palm to palm",
    "palm over back",
    "fingers interlaced",
    "backs of fingers",
    "thumb",
    "fingertips",
)
"""Movement codes 0..6 in words; code 7 counts as 0."""

OTHER, TOWEL = 0, 7
UNTOLD = len(CODES)

CODE_OF: dict[Surface, int] = {
    Surface.PALMS: 1,
    Surface.BACK_LEFT: 2,
    Surface.BACK_RIGHT: 2,
    Surface.BETWEEN_FINGERS: 3,
    Surface.BACKS_OF_FINGERS: 4,
    Surface.THUMB_LEFT: 5,
    Surface.THUMB_RIGHT: 5,
    Surface.FINGERTIPS_LEFT: 6,
    Surface.FINGERTIPS_RIGHT: 6,
}
"""The movement that rubs each surface."""

VIDEOS, ANNOTATIONS = "Videos", "Annotations"
VIDEO_SUFFIXES = (".mp4", ".avi", ".mkv", ".mov")
FRAME_RATES = (5.0, 120.0)
"""Frames a second that a set of labels may come to over its recording (published: 16-30)."""

LENGTHS_WITHIN = 0.02
"""Annotators' frame counts of one recording may differ by this share; the end is then left."""


@dataclass(frozen=True, slots=True)
class FrameCodes:
    """One annotator's labels of one recording.

    Attributes:
        washing: shape (n,), whether hands are being washed.
        code: shape (n,), movement 0..7.
    """

    washing: NDArray[np.bool_]
    code: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze(self)


@dataclass(frozen=True, slots=True)
class AnnotatedVideo:
    """A recording and its annotation files, one for each annotator."""

    video: Path
    annotations: tuple[Path, ...]


def find_videos(folder: Path) -> tuple[list[AnnotatedVideo], list[SkippedFile]]:
    """Every annotated recording of the set, and recordings without annotations.

    Raises:
        LabelError: if the folder is missing or holds no annotated recording.
    """
    if not folder.is_dir():
        raise LabelError(f"{folder}: there is no such folder. Name the unpacked data set.")
    found: list[AnnotatedVideo] = []
    skipped: list[SkippedFile] = []
    for videos in sorted(path for path in folder.rglob(VIDEOS) if path.is_dir()):
        notes = videos.parent / ANNOTATIONS
        for video in sorted(videos.iterdir()):
            if video.suffix.lower() not in VIDEO_SUFFIXES:
                continue
            name = f"{video.stem}.json"
            files = tuple(sorted({*notes.glob(name), *notes.glob(f"*/{name}")}))
            if files:
                found.append(AnnotatedVideo(video, files))
            else:
                skipped.append(SkippedFile(str(video), f"no annotation {name} in {notes.name}"))
    if not found:
        raise LabelError(
            f"{folder}: no folder '{VIDEOS}' with a folder '{ANNOTATIONS}' beside it holds a "
            "recording and its JSON annotation of the same name. Name the folder of the unpacked "
            "data set."
        )
    return found, skipped


def read_codes(path: Path) -> FrameCodes:
    """One annotation file.

    Raises:
        LabelError: naming the file, and the frame where there is one, if it is not as described.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise LabelError(f"{path}: this annotation cannot be read ({error}).") from error
    except (ValueError, RecursionError) as error:
        raise LabelError(f"{path}: this annotation is not JSON ({error}).") from error
    labels = content.get("labels") if isinstance(content, dict) else None
    if not isinstance(labels, list) or not labels:
        raise LabelError(f"{path}: this annotation has no list 'labels' with frames in it.")
    washing, code = [], []
    for frame, label in enumerate(labels):
        washing.append(_whole(path, frame, label, "is_washing", 1))
        code.append(_whole(path, frame, label, "code", TOWEL))
    return FrameCodes(np.array(washing, dtype=np.bool_), np.array(code, dtype=np.int64))


def _whole(path: Path, frame: int, label: Any, key: str, most: int) -> int:
    value = label.get(key) if isinstance(label, dict) else None
    if not isinstance(value, int) or not 0 <= value <= most:
        raise LabelError(
            f"{path}: frame {frame}: '{key}' must be a whole number 0..{most}, not {value!r}."
        )
    return int(value)


def agreed_codes(annotators: Sequence[FrameCodes]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Codes 0..6 of all frames, and where all annotators agree that this movement is washing.

    Args:
        annotators: at least one; shape (n,) each, up to a small difference at the end.

    Returns:
        Codes (n,), code 7 as 0; and a mask (n,).

    Raises:
        ValueError: if there is none, or their lengths differ by more than
            :data:`LENGTHS_WITHIN`.
    """
    if not annotators:
        raise ValueError("no annotator")
    lengths = [item.code.size for item in annotators]
    count = min(lengths)
    if max(lengths) > count * (1.0 + LENGTHS_WITHIN) + 1:
        raise ValueError(f"annotators label {min(lengths)} to {max(lengths)} frames")
    codes = np.stack([item.code[:count] for item in annotators])
    codes = np.where(codes == TOWEL, OTHER, codes)
    washing = np.stack([item.washing[:count] for item in annotators])
    return codes[0], washing.all(axis=0) & (codes == codes[0]).all(axis=0)


def codes_of(course: SurfaceCourse, count: int) -> NDArray[np.int64]:
    """Shape (count,): movement 0..6 found in each of ``count`` frames, or ``UNTOLD``.

    The frames are spread evenly over the recording, because the set gives no times.
    """
    start, end = course.time.extent.start_s, course.time.extent.end_s
    times = start + (np.arange(count) + 0.5) * (end - start) / count
    answer = course.answer[np.searchsorted(course.time.times_s, times, side="right") - 1]
    of_surface = np.array([CODE_OF[surface] for surface in Surface])
    named = of_surface[np.maximum(answer, 0)]
    return np.where(answer >= 0, named, np.where(answer == CANNOT_TELL, UNTOLD, OTHER))


@dataclass(frozen=True, slots=True)
class SetClip:
    """One recording compared.

    Attributes:
        file: the recording.
        annotators: how many people annotated it.
        frames: frames that at least one of them calls washing.
        matrix: shape (7, 8), agreed code (rows) by found code or 'cannot tell', in frames.
    """

    file: str
    annotators: int
    frames: int
    matrix: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze(self)


def compare_codes(annotators: Sequence[FrameCodes], trace: WashTrace, file: str) -> SetClip:
    """Compare what was found in a recording with its annotations.

    Raises:
        LabelError: if the annotations do not fit one another or the recording.
    """
    try:
        codes, agreed = agreed_codes(annotators)
    except ValueError as error:
        raise LabelError(f"{file}: {error}.") from error
    rate = codes.size / trace.course.time.extent.duration_s
    if not FRAME_RATES[0] <= rate <= FRAME_RATES[1]:
        raise LabelError(
            f"{file}: {codes.size} labelled frames make {rate:.1f} a second; the annotation "
            "belongs to another recording."
        )
    matrix = np.zeros((len(CODES), len(CODES) + 1), dtype=np.int64)
    np.add.at(matrix, (codes[agreed], codes_of(trace.course, codes.size)[agreed]), 1)
    any_washing = np.stack([item.washing[: codes.size] for item in annotators]).any(axis=0)
    return SetClip(file, len(annotators), int(any_washing.sum()), matrix)


@dataclass(frozen=True, slots=True)
class SetReport:
    """All recordings of the set that could be compared, and those that could not."""

    clips: tuple[SetClip, ...]
    failed: tuple[SkippedFile, ...] = ()
    skipped: tuple[SkippedFile, ...] = ()

    @property
    def matrix(self) -> NDArray[np.int64]:
        """Shape (7, 8): agreed code by found code or 'cannot tell', in frames."""
        empty = np.zeros((len(CODES), len(CODES) + 1), dtype=np.int64)
        return np.asarray(sum((clip.matrix for clip in self.clips), empty), dtype=np.int64)

    def summary(self) -> dict[str, float | None]:
        """Frame accuracy and what it has to be held against, keyed as :data:`SET_NAMES`."""
        matrix = self.matrix
        total, frames = int(matrix.sum()), sum(clip.frames for clip in self.clips)
        recalls = [float(row[code] / row.sum()) for code, row in enumerate(matrix) if row.sum() > 0]
        return {
            "recordings": len(self.clips),
            "frames": total,
            "agreed": total / frames if frames else None,
            "accuracy": float(np.trace(matrix) / total) if total else None,
            "published": PUBLISHED_ACCURACY,
            "most_common": float(matrix.sum(axis=1).max() / total) if total else None,
            "mean_recall": float(np.mean(recalls)) if recalls else None,
            "untold": float(matrix[:, UNTOLD].sum() / total) if total else None,
        }

    def table(self) -> str:
        """Everything as plain text."""
        return format_set(self, "plain")

    def markdown(self) -> str:
        """Everything as Markdown tables."""
        return format_set(self, "markdown")

    def to_json(self) -> str:
        """All numbers as indented JSON."""
        content = {
            "summary": self.summary(),
            "codes": [*CODES, "cannot tell"],
            "frames": self.matrix.tolist(),
            "clips": [
                {
                    "file": clip.file,
                    "annotators": clip.annotators,
                    "washing_frames": clip.frames,
                    "frames": clip.matrix.tolist(),
                }
                for clip in self.clips
            ],
            "failed": [{"file": item.file, "reason": item.reason} for item in self.failed],
            "skipped": [{"file": item.file, "reason": item.reason} for item in self.skipped],
        }
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


SET_NAMES = {
    "recordings": "Recordings",
    "frames": "Frames compared (washing, annotators agree)",
    "agreed": "Share of washing frames in which they agree",
    "accuracy": "Frame accuracy, 6 movements and other",
    "published": "  the authors' network on their own test part (2021)",
    "most_common": "  always answering the most common code",
    "mean_recall": "Mean recall over the codes",
    "untold": "'Cannot tell' (counted as wrong)",
}


def format_set(report: SetReport, style: Style = "plain") -> str:
    """The comparison as text: summary, and answers by code in per cent."""
    summary = report.summary()
    rows = []
    for code, row in enumerate(report.matrix):
        total = int(row.sum())
        shares = [f"{100 * value / total:.1f}" if total else "-" for value in row]
        rows.append((f"{code} {CODES[code]}", str(total), *shares))
    heading = "### " if style == "markdown" else ""
    blocks = [
        f"{heading}Published hand-washing set, by frame",
        grid(
            ("Score", "Value"),
            ((words, number(summary[name])) for name, words in SET_NAMES.items()),
            style,
        ),
        f"{heading}Share of agreed frames (rows) by answer (columns), per cent",
        grid(("Code", "Frames", *(str(c) for c in range(UNTOLD)), "cannot tell"), rows, style),
    ]
    for words, files in (("Failed", report.failed), ("Left out", report.skipped)):
        if files:
            lines = "\n".join(f"- {item.file}: {item.reason}" for item in files)
            blocks += [f"{heading}{words}: {len(files)}", lines]
    return "\n\n".join(blocks) + "\n"


def analyse_washing(
    path: Path, protocol: Protocol, mirrored: bool, cache_dir: Path | None
) -> WashTrace:
    """Find the surfaces in a recording that is nothing but a wash."""
    track = load_track(path, mirrored, cache_dir)
    whole = track.time.extent
    return trace_of(track, protocol, Timeline(whole, (Segment(whole, Phase.WASH),)))


def evaluate_set(
    folder: Path,
    protocol: Protocol,
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
    cache_dir: Path | None = None,
    *,
    analyse: Analyse = analyse_washing,
) -> SetReport:
    """Compare every annotated recording of the published set; arguments as ``evaluate_washes``.

    Raises:
        LabelError: if the folder is missing or holds no annotated recording.
    """
    videos, skipped = find_videos(folder)
    work = partial(_compare_one, protocol=protocol, cache_dir=cache_dir, analyse=analyse)
    results = in_order(videos, work, _lost, jobs, progress)
    return SetReport(
        clips=tuple(item for item in results if isinstance(item, SetClip)),
        failed=tuple(item for item in results if isinstance(item, SkippedFile)),
        skipped=tuple(skipped),
    )


def _lost(item: AnnotatedVideo, reason: str) -> SkippedFile:
    return SkippedFile(str(item.video), reason)


def _compare_one(
    item: AnnotatedVideo, protocol: Protocol, cache_dir: Path | None, analyse: Analyse
) -> SetClip | SkippedFile:
    def compare() -> SetClip:
        annotators = [read_codes(path) for path in item.annotations]
        # The published recordings are ordinary, unmirrored ones; the codes know no sides anyway.
        trace = analyse(item.video, protocol, False, cache_dir)
        return compare_codes(annotators, trace, str(item.video))

    return attempt(str(item.video), compare)
