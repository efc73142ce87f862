"""Evaluates hand-surface recognition on labelled recordings: from files to a report.

A recording is ``NAME.mp4``, or ``NAME.landmarks.npz`` where only what the tracker saw was kept,
with its labels ``NAME.json`` beside it. A file that cannot be used is reported with its reason,
never left out in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from review.errors import LabelError
from review.evaluation import SkippedFile
from review.labels import LabelFile, read_labels
from review.pool import attempt, find_labelled, in_order, lost
from review.protocol import Protocol
from review.rubbing import SurfaceCourse
from review.timeline import Timeline
from review.tracks import LandmarkTrack
from review.washreport import WashReport
from review.washscores import sample_clip
from review.washsteps import hygiene_runs, hygiene_times, score_steps
from review.washsummary import WashClip

TRACKED_SUFFIX = ".landmarks.npz"


@dataclass(frozen=True, slots=True)
class WashTrace:
    """What was found in one recording.

    Attributes:
        course: which surface is rubbed over time.
        both_seen: shape (m,) on the course's samples, whether both hands were tracked.
        inference_ms: milliseconds from landmarks to surface answers for 60 s of recording
            (features, network, answers; finding the phases not included).
    """

    course: SurfaceCourse
    both_seen: NDArray[np.bool_]
    inference_ms: float


Analyse = Callable[[Path, Protocol, bool, Path | None], WashTrace]
"""(recording, protocol, whether it is mirrored, cache folder) -> what was found."""


def analyse_wash(
    path: Path, protocol: Protocol, mirrored: bool, cache_dir: Path | None
) -> WashTrace:
    """Find the surfaces in one recording with the ordinary pipeline's stages."""
    return trace_of(load_track(path, mirrored, cache_dir), protocol)


def load_track(path: Path, mirrored: bool, cache_dir: Path | None) -> LandmarkTrack:
    """Landmarks of a recording: tracked, from the cache, or kept instead of the video.

    Raises:
        ReviewError: if the file cannot be read.
    """
    from review.cache import load_or_track, unpack_track
    from review.landmarks import Sampling

    if not path.name.endswith(TRACKED_SUFFIX):
        sampling = Sampling(mirrored=mirrored)
        return load_or_track(path, sampling, cache_dir, use_cache=cache_dir is not None)[0]
    try:
        with np.load(path, allow_pickle=False) as stored:
            return unpack_track({name: stored[name] for name in stored.files})
    except (OSError, ValueError, KeyError, EOFError) as error:
        raise LabelError(f"{path}: these landmarks cannot be read ({error}).") from error


def trace_of(track: LandmarkTrack, protocol: Protocol, phases: Timeline | None = None) -> WashTrace:
    """From landmarks to the surfaces; ``phases`` replaces the phases found."""
    from review.emissions import load_model
    from review.features import compute_features
    from review.pipeline import phases_of
    from review.rubbing import surface_course

    model = load_model()
    start = perf_counter()
    features = compute_features(track)
    emissions = model.score(features)
    before_phases = perf_counter()
    if phases is None:
        phases = phases_of(features, emissions, protocol)
    after_phases = perf_counter()
    course = surface_course(emissions, features, phases, protocol.detection.wash)
    spent_s = (before_phases - start) + (perf_counter() - after_phases)
    both = (features.column("left_seen") > 0) & (features.column("right_seen") > 0)
    return WashTrace(course, both, 1000.0 * spent_s * 60.0 / course.time.extent.duration_s)


def find_recordings(
    folders: Sequence[Path],
) -> tuple[list[tuple[Path, Path]], list[SkippedFile]]:
    """Recordings with their label files, sorted within each folder; and those without labels.

    Where both a video and its landmarks lie there, the landmarks are taken.

    Raises:
        LabelError: if a folder does not exist, or holds no labelled recording.
    """
    remedy = "sample_clips/make_clips.py --washes"
    return find_labelled(folders, (".mp4", TRACKED_SUFFIX), remedy)


def evaluate_washes(
    folders: Sequence[Path],
    protocol: Protocol,
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
    cache_dir: Path | None = None,
    *,
    analyse: Analyse = analyse_wash,
) -> WashReport:
    """Score every labelled recording in ``folders`` that holds a wash or a hand rub.

    Args:
        folders: folders of recordings with labels of the same name.
        protocol: the unit's procedure and settings.
        jobs: recordings at a time, each in a process of its own (1: in this one).
        progress: called with the share done, 0..1.
        cache_dir: where hand and face positions are kept between runs.
        analyse: what analyses one recording; with ``jobs`` > 1 it must be importable by name.

    Raises:
        LabelError: if a folder is missing or holds no labelled recording.
    """
    pairs, skipped = find_recordings(folders)
    work = partial(_score_one, protocol=protocol, cache_dir=cache_dir, analyse=analyse)
    found = in_order(pairs, work, lost, jobs, progress)
    results = [(path, outcome) for (path, _), outcome in zip(pairs, found, strict=True)]
    no_wash = [
        SkippedFile(str(path), "no wash or hand rub in its labels")
        for path, outcome in results
        if outcome is None
    ]
    return WashReport(
        clips=tuple(outcome for _, outcome in results if isinstance(outcome, WashClip)),
        failed=tuple(outcome for _, outcome in results if isinstance(outcome, SkippedFile)),
        skipped=(*skipped, *no_wash),
        protocol=protocol.name,
    )


def _score_one(
    pair: tuple[Path, Path], protocol: Protocol, cache_dir: Path | None, analyse: Analyse
) -> WashClip | SkippedFile | None:
    """Scores of one recording, why there are none, or None without a wash."""
    path, label_path = pair

    def score() -> WashClip | None:
        labels = read_labels(label_path)
        if not hygiene_runs(labels):
            return None
        trace = analyse(path, protocol, labels.clip.mirrored, cache_dir)
        return score_wash(labels, trace, protocol, str(path))

    return attempt(str(path), score)


def score_wash(labels: LabelFile, trace: WashTrace, protocol: Protocol, file: str) -> WashClip:
    """Score what was found in one recording; ``file`` is how tables call it."""
    return WashClip(
        file=file,
        clip=labels.clip,
        samples=sample_clip(labels, trace.course, trace.both_seen),
        steps=score_steps(labels, trace.course),
        times=hygiene_times(labels, trace.course, protocol.detection.wash),
        inference_ms=trace.inference_ms,
    )
