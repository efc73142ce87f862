"""How well analyses agree with labels, clip by clip.

:func:`evaluate_folders` analyses every recording that has a label file and scores it with
:mod:`review.metrics`; :mod:`review.evaluation` adds the scores up and prints them. A file
that cannot be used is reported with its reason, never left out in silence.

What counts
-----------
* Phases: ``other`` is background (left out of F1 and edit score, as published); it counts
  in the frame accuracy, which is taken every 0.1 s.
* Flags: those of level ``look``. One true and one found flag make a pair if they are of one
  kind and overlap or are at most 2 s apart (:data:`FLAG_TOLERANCE_S`), one to one.
* Talking: one sample each :data:`STEP_S`, where the label says that the mouth can
  be seen and the analysis could assess it.
* Hand surfaces: by time, every 0.1 s, in washes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from review.analysis import Analysis, FlagKind, FlagLevel
from review.evaluation import ClipScores, EvaluationReport, SkippedFile, TalkingSamples
from review.labels import LabelFile, read_labels
from review.metrics import (
    Counts,
    Labelled,
    TimeError,
    boundary_errors,
    edit_score,
    frame_accuracy,
    match_intervals,
    segmental_counts,
    time_counts,
    time_error,
)
from review.pool import attempt, find_labelled, in_order, lost
from review.protocol import Protocol
from review.timeline import Interval, Phase, Surface, Timeline
from review.tracks import FeatureTrack

__all__ = ["Findings", "Traces", "compare", "evaluate_folders", "find_clips"]

STEP_S = 0.1
"""Step of scores by time (frame accuracy, talking, hand surfaces), seconds."""

OVERLAPS = (0.10, 0.25, 0.50)
"""Overlaps of the segmental F1 (Lea et al. 2017)."""

FLAG_TOLERANCE_S = 2.0
"""Most seconds between a true and a found flag of one kind that still are a pair."""

BACKGROUND = (Phase.OTHER,)


@dataclass(frozen=True, slots=True)
class Traces:
    """What an analysis saw from moment to moment, beyond the document it writes.

    Attributes:
        talking: column ``probability``, NaN where it could not be assessed.
        surfaces: when each hand surface was seen being rubbed in a wash.
    """

    talking: FeatureTrack
    surfaces: Mapping[Surface, tuple[Interval, ...]]


@dataclass(frozen=True, slots=True)
class Findings:
    """What there is to score of one clip; without ``traces``, fewer scores."""

    analysis: Analysis
    traces: Traces | None = None


Analyse = Callable[[Path, Protocol, bool, Path | None], Findings]
"""(recording, protocol, whether it is mirrored, cache folder) -> findings."""


def run_pipeline(
    path: Path, protocol: Protocol, mirrored: bool, cache_dir: Path | None
) -> Findings:
    """Analyse one recording with the ordinary pipeline."""
    from review.landmarks import Sampling
    from review.pipeline import review_recording

    reviewed = review_recording(
        path,
        protocol,
        sampling=Sampling(mirrored=mirrored),
        cache_dir=cache_dir,
        use_cache=cache_dir is not None,
    )
    surfaces = {record.surface: record.spans for record in reviewed.findings.hygiene.surfaces}
    return Findings(reviewed.analysis, Traces(reviewed.talking, surfaces))


def find_clips(folders: Sequence[Path]) -> tuple[list[tuple[Path, Path]], list[SkippedFile]]:
    """Recordings (``*.mp4``) with their label files (``*.json``), sorted within each folder.

    Returns:
        The pairs, and the recordings without labels.

    Raises:
        LabelError: if a folder does not exist, or there is not one pair in all of them.
    """
    return find_labelled(folders, (".mp4",), "sample_clips/make_clips.py")


def evaluate_folders(
    folders: Sequence[Path],
    protocol: Protocol,
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
    *,
    cache_dir: Path | None = None,
    analyse: Analyse = run_pipeline,
) -> EvaluationReport:
    """Analyse and score every labelled recording in ``folders``.

    Args:
        folders: folders of ``*.mp4`` with ``*.json`` of the same name.
        protocol: what the recordings are held against.
        jobs: recordings at a time, each in a process of its own (1: in this one).
        progress: called with the share done, 0..1.
        cache_dir: where hand and face positions are kept between runs.
        analyse: what analyses one recording; with ``jobs`` > 1 it must be importable by name.

    Raises:
        LabelError: if a folder is missing or holds no labelled recording.
    """
    pairs, skipped = find_clips(folders)
    work = partial(_score_one, protocol=protocol, cache_dir=cache_dir, analyse=analyse)
    results = in_order(pairs, work, lost, jobs, progress)
    return EvaluationReport(
        clips=tuple(item for item in results if isinstance(item, ClipScores)),
        failed=tuple(item for item in results if isinstance(item, SkippedFile)),
        skipped=tuple(skipped),
        protocol=protocol.name,
    )


def _score_one(
    pair: tuple[Path, Path], protocol: Protocol, cache_dir: Path | None, analyse: Analyse
) -> ClipScores | SkippedFile:
    video, label_path = pair

    def score() -> ClipScores:
        labels = read_labels(label_path)
        findings = analyse(video, protocol, labels.clip.mirrored, cache_dir)
        return compare(labels, findings, str(video))

    return attempt(str(video), score)


def compare(labels: LabelFile, findings: Findings, file: str) -> ClipScores:
    """Score one analysis against its labels; ``file`` is how tables call the clip."""
    analysis, traces = findings.analysis, findings.traces
    true, found = _phases(labels.timeline), _phases(analysis.timeline)
    flag_counts, looks = _flags(labels, analysis)
    wash = labels.wash
    times_of: dict[str, tuple[float, TimeError | None]] = {}
    if wash is not None and wash.whole_s > 0:
        for name, truth in (
            ("wash.whole_time", wash.whole_s),
            ("wash.rubbing_time", wash.rubbing_s),
        ):
            times_of[name] = (truth, time_error(truth, _value(analysis, name)))
    for rub in labels.rubs:
        if rub.seconds > 0:
            name = f"rub.before_{rub.before.value}"
            times_of[name] = (rub.seconds, time_error(rub.seconds, _value(analysis, name)))
    return ClipScores(
        file=file,
        clip=labels.clip,
        duration_s=labels.duration_s,
        clean=labels.flags == () and not labels.clip.faults and labels.clip.kind == "exchange",
        frame_accuracy=frame_accuracy(*_frames(labels.timeline, analysis.timeline)),
        edit=edit_score(true, found, BACKGROUND),
        segments={at: segmental_counts(true, found, at, BACKGROUND) for at in OVERLAPS},
        boundary_errors_s=tuple(boundary_errors(true, found, labels.extent, BACKGROUND).tolist()),
        found_phases_s=sum(span.duration_s for phase, span in found if phase not in BACKGROUND),
        flags=flag_counts,
        look_flags=looks,
        times=times_of,
        surface_shares=_surface_shares(labels, analysis),
        open_line_errors_s=_open_line_errors(labels, analysis),
        talking=_talking(labels, traces.talking) if traces is not None else None,
        surfaces=_surfaces(labels, traces.surfaces) if traces is not None else {},
    )


def _value(analysis: Analysis, name: str) -> float | None:
    measure = analysis.measure(name)
    return None if measure is None else measure.value


def _phases(timeline: Timeline) -> list[Labelled]:
    return [(segment.phase, segment.interval) for segment in timeline]


def _frames(true: Timeline, found: Timeline) -> tuple[list[Phase | None], list[Phase | None]]:
    """Phases of both every :data:`STEP_S` over the true extent, at the middle of steps."""
    times = _step_times(true.extent)
    return _phases_at(true, times), _phases_at(found, times)


def _phases_at(timeline: Timeline, times_s: NDArray[np.float64]) -> list[Phase | None]:
    starts = np.array([segment.interval.start_s for segment in timeline])
    numbers = np.searchsorted(starts, times_s, side="right") - 1
    return [
        segment.phase
        if number >= 0 and (segment := timeline.segments[number]).interval.contains(time)
        else None
        for number, time in zip(numbers.tolist(), times_s.tolist(), strict=True)
    ]


def _flags(labels: LabelFile, analysis: Analysis) -> tuple[dict[FlagKind, Counts], int]:
    """Counts per kind (none where the truth is not in the file), and found 'look' flags."""
    found: list[Labelled] = [
        (flag.kind, Interval(flag.start_s, max(flag.end_s, flag.start_s + 1e-3)))
        for flag in analysis.flags
        if flag.level is FlagLevel.LOOK
    ]
    if labels.flags is None:
        return {}, len(found)
    true: list[Labelled] = [(flag.kind, flag.interval) for flag in labels.flags]
    counts: dict[FlagKind, Counts] = {}
    for kind in FlagKind:
        mine = [item for item in true if item[0] is kind]
        theirs = [item for item in found if item[0] is kind]
        hits = len(match_intervals(mine, theirs, FLAG_TOLERANCE_S))
        if mine or theirs:
            counts[kind] = Counts(hits, len(theirs) - hits, len(mine) - hits)
    return counts, len(found)


def _surface_shares(labels: LabelFile, analysis: Analysis) -> dict[str, tuple[float, float | None]]:
    """Per share of the work surface: truth and what was measured (None: not assessable)."""
    if labels.surface is None or not labels.timeline.of(Phase.SURFACE_PREP):
        return {}
    truths = {
        "surface.covered": labels.surface.covered,
        "surface.gone_over_again": labels.surface.gone_over_again,
    }
    return {name: (truth, _value(analysis, name)) for name, truth in truths.items()}


def _open_line_errors(labels: LabelFile, analysis: Analysis) -> tuple[float, ...]:
    """Errors of the edges of open-line windows, seconds."""
    if labels.open_line is None:
        return ()
    true = [(item.phase, item.interval) for item in labels.open_line]
    found = [
        (item.phase, Interval(item.start_s, item.end_s))
        for item in sorted(analysis.open_line, key=lambda item: item.start_s)
        if item.end_s > item.start_s
    ]
    return tuple(boundary_errors(true, found, labels.extent).tolist())


def _talking(labels: LabelFile, talking: FeatureTrack) -> TalkingSamples:
    """One sample each :data:`STEP_S` in which the mouth can be seen."""
    times = _step_times(labels.extent)
    numbers = np.searchsorted(talking.time.times_s, times, side="right") - 1
    inside = (numbers >= 0) & (times < talking.time.end_s)
    scores = np.where(inside, talking.column("probability")[np.maximum(numbers, 0)], np.nan)
    seen = labels.mouth_visible_at(times)
    return TalkingSamples(labels.talking_at(times)[seen], scores[seen])


def _surfaces(
    labels: LabelFile, found: Mapping[Surface, tuple[Interval, ...]]
) -> dict[str, Counts]:
    """Seconds right, wrong and missed for each hand surface, in washes."""
    times = _step_times(labels.extent)
    washing = [labels.labels[number].phase is Phase.WASH for number in labels.piece_numbers(times)]
    steps = [
        step if wash else "" for step, wash in zip(labels.steps_at(times), washing, strict=True)
    ]
    widths = np.full(times.size, STEP_S)
    counts = {}
    for surface in Surface:
        spans = found.get(surface, ())
        mine = [surface.value if any(s.contains(t) for s in spans) else "" for t in times.tolist()]
        counts[surface.value] = time_counts(steps, mine, widths, surface.value)
    return counts


def _step_times(extent: Interval) -> NDArray[np.float64]:
    """The middles of steps of :data:`STEP_S` over the recording."""
    count = max(round(extent.duration_s / STEP_S), 1)
    return extent.start_s + (np.arange(count) + 0.5) * STEP_S
