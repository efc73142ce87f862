"""Scores of many clips added up, broken down and printed.

Counts are added before a ratio is taken; errors are pooled before a quantile is taken; edit
score and frame accuracy are means over clips, as published. A score with nothing to rest on
prints as '-', never as 0.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from review.analysis import FlagKind
from review.labels import ClipInfo
from review.metrics import Counts, TimeError, quantile, roc_auc, sum_counts

WASH_WITHIN_S, WASH_WITHIN_SHARE = 2.0, 0.08
"""A wash time is right when off by at most 2 s or 8 % of the truth."""

GOALS: Mapping[str, tuple[Literal["at least", "at most"], float]] = {
    "f1_50": ("at least", 0.95),
    "boundary_median_s": ("at most", 1.0),
    "talking_auc": ("at least", 0.95),
    "flag_recall": ("at least", 0.95),
    "flag_precision": ("at least", 0.90),
    "clean_flags_per_clip": ("at most", 0.1),
}
"""What this project asks of itself; no published limits."""

NAMES: Mapping[str, str] = {
    "clips": "Recordings",
    "frame_accuracy": "Frame accuracy",
    "edit": "Edit score",
    "f1_10": "Segmental F1@10",
    "f1_25": "Segmental F1@25",
    "f1_50": "Segmental F1@50",
    "boundary_median_s": "Phase edges, median error (s)",
    "boundary_p90_s": "Phase edges, 90th percentile (s)",
    "wash_rubbing_median_s": "Wash rubbing time, median error (s)",
    "wash_rubbing_within": "Wash rubbing time within 2 s or 8 %",
    "wash_whole_within": "Whole wash within 2 s or 8 %",
    "rub_within": "Hand rubs within 2 s or 8 %",
    "surface_f1": "Hand surfaces by time, mean F1",
    "covered_median": "Wiped share, median error",
    "open_line_median_s": "Open-line edges, median error (s)",
    "talking_auc": "Talking, ROC AUC",
    "talking_assessed": "Talking, share of visible mouth assessed",
    "flag_recall": "Flags, recall",
    "flag_precision": "Flags, precision",
    "clean_flags_per_clip": "Clean recordings, flags each",
    "clean_flagged": "Clean recordings with any flag",
    "invented": "Other activity taken for an exchange",
}
"""Every score of :func:`summarise` in words, in the order of the table."""


@dataclass(frozen=True, slots=True)
class TalkingSamples:
    """Samples in which the mouth could be seen.

    Attributes:
        talking: shape (n,), the truth.
        scores: shape (n,), probability, NaN where it was not assessed.
    """

    talking: NDArray[np.bool_]
    scores: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ClipScores:
    """Scores of one clip, kept so that they can be added up in any grouping.

    Attributes:
        file: the recording.
        clip: how it was made.
        duration_s: its length.
        clean: an exchange in which there is nothing to flag.
        frame_accuracy, edit: None where not defined.
        segments: counts behind F1 per overlap.
        boundary_errors_s: errors of the edges of matched phases.
        found_phases_s: seconds of anything but ``other`` that were found.
        flags: counts per kind that was true or found; empty without true flags in the file.
        look_flags: how many flags of level 'look' were found.
        times: per measure, true seconds and the error (None: not measured).
        surface_shares: per measure, true share and the found one (None: not measured).
        open_line_errors_s: errors of open-line edges.
        talking: None where the analysis gave no samples.
        surfaces: per hand surface, seconds right, wrong and missed.
    """

    file: str
    clip: ClipInfo
    duration_s: float
    clean: bool
    frame_accuracy: float | None
    edit: float | None
    segments: Mapping[float, Counts]
    boundary_errors_s: tuple[float, ...]
    found_phases_s: float
    flags: Mapping[FlagKind, Counts]
    look_flags: int
    times: Mapping[str, tuple[float, TimeError | None]] = field(default_factory=dict)
    surface_shares: Mapping[str, tuple[float, float | None]] = field(default_factory=dict)
    open_line_errors_s: tuple[float, ...] = ()
    talking: TalkingSamples | None = None
    surfaces: Mapping[str, Counts] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SkippedFile:
    """A recording that could not be scored, and why."""

    file: str
    reason: str


Scores = dict[str, float | None]


@dataclass(frozen=True, slots=True)
class EvaluationReport:
    """All clips scored, and those that could not be.

    Attributes:
        clips: scores per clip, in the order of the folders.
        failed: recordings with labels whose analysis or labels failed.
        skipped: recordings without labels.
        protocol: name of the protocol used.
    """

    clips: tuple[ClipScores, ...]
    failed: tuple[SkippedFile, ...] = ()
    skipped: tuple[SkippedFile, ...] = ()
    protocol: str = ""

    def summary(self) -> Scores:
        """The scores over all clips, keyed as :data:`NAMES`."""
        return summarise(self.clips)

    def groups(self) -> dict[str, dict[str, Scores]]:
        """The scores by skin tone, handedness, mirroring, kind and viewpoint."""
        return grouped(self.clips, GROUPINGS, summarise)

    def table(self) -> str:
        """Everything as plain text."""
        return format_report(self, "plain")

    def markdown(self) -> str:
        """Everything as Markdown tables."""
        return format_report(self, "markdown")

    def to_json(self) -> str:
        """All numbers as indented JSON: summary, groups, flags, surfaces, clips, failures."""
        content = {
            "protocol": self.protocol,
            "summary": self.summary(),
            "groups": self.groups(),
            "flags": {kind: _counts_json(counts) for kind, counts in flag_totals(self.clips)},
            "surfaces": {name: _counts_json(c) for name, c in surface_totals(self.clips)},
            "clips": [_clip_json(clip) for clip in self.clips],
            "failed": [{"file": item.file, "reason": item.reason} for item in self.failed],
            "skipped": [{"file": item.file, "reason": item.reason} for item in self.skipped],
        }
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


class HasClip(Protocol):
    """Scores of one recording that know which recording it was."""

    @property
    def clip(self) -> ClipInfo:
        """What the labels say about the recording as a whole."""
        ...


Scored = TypeVar("Scored", bound=HasClip)


def grouped(
    clips: Sequence[Scored],
    groupings: Mapping[str, Callable[[ClipInfo], str]],
    summarise: Callable[[list[Scored]], Scores],
) -> dict[str, dict[str, Scores]]:
    """Scores of the recordings that belong together, by heading and name of the group."""
    return {
        heading: {
            name: summarise([clip for clip in clips if key(clip.clip) == name])
            for name in sorted({key(clip.clip) for clip in clips})
        }
        for heading, key in groupings.items()
    }


GROUPINGS: Mapping[str, Callable[[ClipInfo], str]] = {
    "Skin tone": lambda clip: "not said" if clip.skin_tone is None else str(clip.skin_tone),
    "Handedness": lambda clip: clip.handed or "not said",
    "Mirrored": lambda clip: "mirrored" if clip.mirrored else "not mirrored",
    "Kind": lambda clip: clip.kind.replace("_", " "),
    "Viewpoint": lambda clip: clip.viewpoint or "not said",
}


def summarise(clips: Sequence[ClipScores]) -> Scores:
    """The scores of some clips taken together, keyed as :data:`NAMES`."""
    segments = {at: sum_counts(clip.segments[at] for clip in clips) for at in (0.10, 0.25, 0.50)}
    edges = [error for clip in clips for error in clip.boundary_errors_s]
    flags = sum_counts(counts for clip in clips for counts in clip.flags.values())
    rubbing = [e for e in _errors(clips, "wash.rubbing_time") if e is not None]
    covered = [pair for clip in clips if (pair := clip.surface_shares.get("surface.covered"))]
    off = [abs(found - true) for true, found in covered if found is not None]
    clean = [clip.look_flags for clip in clips if clip.clean]
    other = [clip.found_phases_s > 0 for clip in clips if clip.clip.kind == "other_activity"]
    per_surface = [c.f1 for _, c in surface_totals(clips) if c.f1 is not None]
    talking, scores = _talking(clips)
    rubs = [*_errors(clips, "rub.before_connect"), *_errors(clips, "rub.before_disconnect")]
    return {
        "clips": len(clips),
        "frame_accuracy": _mean(clip.frame_accuracy for clip in clips),
        "edit": _mean(clip.edit for clip in clips),
        "f1_10": segments[0.10].f1,
        "f1_25": segments[0.25].f1,
        "f1_50": segments[0.50].f1,
        "boundary_median_s": quantile(edges, 0.5),
        "boundary_p90_s": quantile(edges, 0.9),
        "wash_rubbing_median_s": quantile([abs(e.seconds) for e in rubbing], 0.5),
        "wash_rubbing_within": _share_within(_errors(clips, "wash.rubbing_time")),
        "wash_whole_within": _share_within(_errors(clips, "wash.whole_time")),
        "rub_within": _share_within(rubs),
        "surface_f1": _mean(per_surface),
        "covered_median": quantile(off, 0.5),
        "open_line_median_s": quantile([e for c in clips for e in c.open_line_errors_s], 0.5),
        "talking_auc": roc_auc(talking, scores),
        "talking_assessed": float(np.isfinite(scores).mean()) if scores.size else None,
        "flag_recall": flags.recall,
        "flag_precision": flags.precision,
        "clean_flags_per_clip": _mean(clean),
        "clean_flagged": _mean(count > 0 for count in clean),
        "invented": _mean(other),
    }


def _mean(values: Iterable[float | None]) -> float | None:
    defined = [value for value in values if value is not None]
    return float(np.mean(defined)) if defined else None


def _errors(clips: Sequence[ClipScores], measure: str) -> list[TimeError | None]:
    """One entry per clip in which there was something to measure."""
    return [clip.times[measure][1] for clip in clips if measure in clip.times]


def _share_within(errors: Sequence[TimeError | None]) -> float | None:
    """Share within 2 s or 8 %; what was not measured did not get there."""
    return _mean(e is not None and e.within(WASH_WITHIN_S, WASH_WITHIN_SHARE) for e in errors)


def _talking(clips: Sequence[ClipScores]) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    samples = [clip.talking for clip in clips if clip.talking is not None]
    if not samples:
        return np.empty(0, dtype=np.bool_), np.empty(0)
    return (
        np.concatenate([item.talking for item in samples]),
        np.concatenate([item.scores for item in samples]),
    )


def flag_totals(clips: Sequence[ClipScores]) -> list[tuple[str, Counts]]:
    """Counts per kind of flag over all clips, kinds without any left out."""
    totals = (
        (kind.value, sum_counts(clip.flags[kind] for clip in clips if kind in clip.flags))
        for kind in FlagKind
    )
    return [(kind, counts) for kind, counts in totals if counts != Counts()]


def surface_totals(clips: Sequence[ClipScores]) -> list[tuple[str, Counts]]:
    """Seconds per hand surface over all clips."""
    names = dict.fromkeys(name for clip in clips for name in clip.surfaces)
    return [
        (name, sum_counts(clip.surfaces[name] for clip in clips if name in clip.surfaces))
        for name in names
    ]


def meets_goal(name: str, value: float | None) -> str:
    """'met', 'not met', or '-' where there is no goal or nothing to hold against it."""
    if name not in GOALS or value is None:
        return "-"
    side, bound = GOALS[name]
    return "met" if (value >= bound if side == "at least" else value <= bound) else "not met"


# --- printing --------------------------------------------------------------------------------

Style = Literal["plain", "markdown"]


def format_report(report: EvaluationReport, style: Style = "plain") -> str:
    """The report as text: summary, breakdown, flags, hand surfaces, files that failed."""
    summary = report.summary()
    blocks = [
        _heading(f"Agreement with labels, protocol '{report.protocol}'", style),
        _grid(
            ["Score", "Value", "Goal", ""],
            [
                [words, _number(summary[name]), _goal(name), meets_goal(name, summary[name])]
                for name, words in NAMES.items()
            ],
            style,
        ),
        _heading("By group", style),
        _grid(
            ["Group", "n", "Accuracy", "F1@50", "Edge (s)", "Wash", "AUC", "Recall", "Precision"],
            [
                [f"{heading}: {name}", *(_number(scores[key]) for key in _GROUP_COLUMNS)]
                for heading, members in report.groups().items()
                for name, scores in members.items()
            ],
            style,
        ),
    ]
    flags = flag_totals(report.clips)
    if flags:
        rows = [[kind, *_count_cells(counts, whole=True)] for kind, counts in flags]
        columns = ["Flag", "Right", "Wrong", "Missed", "Recall", "Precision", "F1"]
        blocks += [_heading("Flags by kind", style), _grid(columns, rows, style)]
    surfaces = surface_totals(report.clips)
    if surfaces:
        rows = [[name, *_count_cells(counts, whole=False)] for name, counts in surfaces]
        columns = ["Hand surface", "Right (s)", "Wrong (s)", "Missed (s)", "Recall", "Precision"]
        blocks += [_heading("Hand surfaces by time", style), _grid([*columns, "F1"], rows, style)]
    for words, files in (("Failed", report.failed), ("Without labels", report.skipped)):
        if files:
            lines = "\n".join(f"- {item.file}: {item.reason}" for item in files)
            blocks += [_heading(f"{words}: {len(files)}", style), lines]
    return "\n\n".join(blocks) + "\n"


_GROUP_COLUMNS = (
    "clips",
    "frame_accuracy",
    "f1_50",
    "boundary_median_s",
    "wash_rubbing_within",
    "talking_auc",
    "flag_recall",
    "flag_precision",
)


def _count_cells(counts: Counts, whole: bool) -> list[str]:
    form = "{:.0f}" if whole else "{:.1f}"
    numbers = (counts.hits, counts.false_alarms, counts.misses)
    ratios = (counts.recall, counts.precision, counts.f1)
    return [*(form.format(number) for number in numbers), *(_number(ratio) for ratio in ratios)]


def _number(value: float | None) -> str:
    if value is None:
        return "-"
    return str(value) if isinstance(value, int) else f"{value:.3f}"


def _goal(name: str) -> str:
    if name not in GOALS:
        return ""
    side, bound = GOALS[name]
    return f"{side} {bound:g}"


def _heading(words: str, style: Style) -> str:
    return f"### {words}" if style == "markdown" else words


def _grid(columns: Sequence[str], rows: Sequence[Sequence[str]], style: Style) -> str:
    """A table with the first column to the left, the others to the right."""
    lines = [columns, *rows]
    widths = [max(len(line[i]) for line in lines) for i in range(len(columns))]

    def line_of(cells: Sequence[str]) -> list[str]:
        return [
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ]

    if style == "plain":
        rule = ["-" * width for width in widths]
        return "\n".join("  ".join(line_of(x)).rstrip() for x in (columns, rule, *rows))
    rule = ["-" * width if i == 0 else "-" * (width - 1) + ":" for i, width in enumerate(widths)]
    return "\n".join("| " + " | ".join(line_of(x)) + " |" for x in (columns, rule, *rows))


# --- JSON ------------------------------------------------------------------------------------


def _counts_json(counts: Counts) -> dict[str, float | None]:
    return {
        "hits": counts.hits,
        "false_alarms": counts.false_alarms,
        "misses": counts.misses,
        "precision": counts.precision,
        "recall": counts.recall,
        "f1": counts.f1,
    }


def _clip_json(clip: ClipScores) -> dict[str, Any]:
    talking, scores = _talking([clip])
    return {
        "file": clip.file,
        "clip": clip.clip.model_dump(mode="json"),
        "duration_s": clip.duration_s,
        "clean": clip.clean,
        "frame_accuracy": clip.frame_accuracy,
        "edit": clip.edit,
        "segments": {f"{at:.2f}": _counts_json(c) for at, c in clip.segments.items()},
        "boundary_errors_s": list(clip.boundary_errors_s),
        "found_phases_s": clip.found_phases_s,
        "flags": {kind.value: _counts_json(counts) for kind, counts in clip.flags.items()},
        "look_flags": clip.look_flags,
        "times": {
            name: {"true_s": true, "error_s": None if error is None else error.seconds}
            for name, (true, error) in clip.times.items()
        },
        "surface_shares": {
            name: {"true": true, "found": found}
            for name, (true, found) in clip.surface_shares.items()
        },
        "open_line_errors_s": list(clip.open_line_errors_s),
        "talking_auc": roc_auc(talking, scores),
        "surfaces": {name: _counts_json(counts) for name, counts in clip.surfaces.items()},
    }
