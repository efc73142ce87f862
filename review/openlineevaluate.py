"""Evaluates the open-line review on labelled recordings: from files to a report.

Recordings are found as for :mod:`review.washevaluate`. A file that cannot be used is reported
with its reason, never left out in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from review.evaluation import SkippedFile
from review.labels import LabelFile, read_labels
from review.openlinereport import OpenLineReport
from review.openlinescores import OpenLineClip, OpenLineTrace, score_open_line
from review.pool import attempt, find_labelled, in_order, lost
from review.protocol import Protocol
from review.tracks import LandmarkTrack
from review.washevaluate import TRACKED_SUFFIX, load_track

Analyse = Callable[[Path, Protocol, LabelFile, Path | None], OpenLineTrace]
"""(recording, protocol, its labels, cache folder) -> what was found. Of the labels only whether
the picture is mirrored, and where the work area lies, may be looked at."""


def analyse_open_line(
    path: Path, protocol: Protocol, labels: LabelFile, cache_dir: Path | None
) -> OpenLineTrace:
    """Review one recording with the ordinary pipeline's stages."""
    return trace_of(load_track(path, labels.clip.mirrored, cache_dir), protocol, labels)


def trace_of(track: LandmarkTrack, protocol: Protocol, labels: LabelFile) -> OpenLineTrace:
    """From landmarks to what is scored.

    The work area of the labels stands in for one that a trainer draws; everything else is as
    the program finds it by itself.
    """
    from review.pipeline import measurements, review_track
    from review.surface import measure_wiping
    from review.talking import talking_spans

    findings = review_track(track, protocol)
    corners = labels.surface.corners if labels.surface is not None else None
    drawn = (
        None
        if corners is None
        else measure_wiping(
            findings.phases,
            track,
            protocol.detection.surface,
            np.array(corners),
            evidence=findings.emissions,
        )
    )
    probability = findings.open_line.probability
    return OpenLineTrace(
        probability=probability,
        spoken=talking_spans(probability, protocol.detection.open_line),
        windows=findings.open_line.windows,
        contacts=findings.contacts,
        wiping=findings.wiping,
        wiping_in_area=drawn,
        measures={item.name: item.value for item in measurements(findings)},
    )


def evaluate_open_line(
    folders: Sequence[Path],
    protocol: Protocol,
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
    cache_dir: Path | None = None,
    *,
    analyse: Analyse = analyse_open_line,
) -> OpenLineReport:
    """Score every labelled recording in ``folders``.

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
    pairs, skipped = find_labelled(
        folders, (".mp4", TRACKED_SUFFIX), "sample_clips/make_clips.py --variations 20"
    )
    work = partial(_score_one, protocol=protocol, cache_dir=cache_dir, analyse=analyse)
    results = in_order(pairs, work, lost, jobs, progress)
    return OpenLineReport(
        clips=tuple(item for item in results if isinstance(item, OpenLineClip)),
        failed=tuple(item for item in results if isinstance(item, SkippedFile)),
        skipped=tuple(skipped),
        protocol=protocol.name,
    )


def _score_one(
    pair: tuple[Path, Path], protocol: Protocol, cache_dir: Path | None, analyse: Analyse
) -> OpenLineClip | SkippedFile:
    path, label_path = pair

    def score() -> OpenLineClip:
        labels = read_labels(label_path)
        return score_open_line(labels, analyse(path, protocol, labels, cache_dir), str(path))

    return attempt(str(path), score)
