"""Scores of open-line reviews added up, broken down and printed.

Counts are added before a ratio is taken, errors pooled before a quantile is. A score with
nothing to rest on prints as '-', never as 0.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from review.evaluation import Scores, SkippedFile, TalkingSamples, grouped
from review.labels import ClipInfo
from review.metrics import quantile, roc_auc, sum_counts
from review.openlinescores import AREA_WITHIN, WAIT_WITHIN_S, WAIT_WITHIN_SHARE, OpenLineClip
from review.washreport import Style, grid, number

HALF_HOUR_S = 1800.0

NAMES: Mapping[str, str] = {
    "clips": "Recordings",
    "talking_auc": "Talking by time, ROC AUC",
    "span_auc": "Talking by span, ROC AUC",
    "talking_assessed": "Talking, share of visible mouth assessed",
    "spans": "Talking spans in view, true",
    "span_recall": "Talking spans found at the shipped threshold",
    "silent_minutes": "Silent footage with the mouth in view (min)",
    "false_per_half_hour": "False talking spans per 30 min of it",
    "windows_found": "Open-line windows found",
    "window_median_s": "Open-line edges, median error (s)",
    "window_p90_s": "Open-line edges, 90th percentile (s)",
    "touches": "Hand-to-face touches, true",
    "touch_recall": "Hand-to-face touches found",
    "touch_precision": "Hand-to-face, found that are true",
    "right_hand": "Hand-to-face, the right hand named",
    "covered_pp": "Wiped share, median error (points)",
    "covered_in_area_pp": "  with the work area drawn",
    "again_pp": "Gone over again, median error (points)",
    "again_in_area_pp": "  with the work area drawn",
    "area_within": "Wiped shares within 5 points",
    "area_not_told": "Wiped shares given as 'cannot tell'",
    "waits_within": "Waits within 2 s or 5 %",
    "masks": "Recordings with a mask",
    "masks_seen": "Masks seen as such",
    "masks_not_told": "Masks given as 'cannot tell'",
    "bare_as_mask": "Bare faces taken for masked",
    "masked_silent": "Masked mouths called silent",
}
"""Every score of :func:`summarise` in words, in the order of the table."""

GOALS: Mapping[str, tuple[Literal["at least", "at most"], float]] = {
    "talking_auc": ("at least", 0.97),
    "span_auc": ("at least", 0.97),
    "span_recall": ("at least", 0.95),
    "false_per_half_hour": ("at most", 1.0),
    "window_median_s": ("at most", 1.0),
    "touch_recall": ("at least", 0.95),
    "touch_precision": ("at least", 0.95),
    "covered_pp": ("at most", 5.0),
    "covered_in_area_pp": ("at most", 5.0),
    "again_pp": ("at most", 5.0),
    "again_in_area_pp": ("at most", 5.0),
    "waits_within": ("at least", 0.95),
    "masked_silent": ("at most", 0.0),
}
"""What this project asks of itself; no published limits."""

_COUNTED = frozenset({"clips", "spans", "touches", "masks", "masked_silent", "bare_as_mask"})


def _size(clip: ClipInfo) -> str:
    if clip.width is None or clip.height is None:
        return "not said"
    return f"{clip.width}x{clip.height}"


def _height(clip: ClipInfo) -> str:
    if clip.height is None:
        return "not said"
    return next((f"up to {top} px" for top in (270, 360, 540) if clip.height <= top), "over 540 px")


GROUPINGS: Mapping[str, Callable[[ClipInfo], str]] = {
    "Skin tone": lambda clip: "not said" if clip.skin_tone is None else str(clip.skin_tone),
    "Picture height": _height,
    "Picture size": _size,
    "Handedness": lambda clip: clip.handed or "not said",
    "Viewpoint": lambda clip: clip.viewpoint or "not said",
    "Mask": lambda clip: {None: "not said", True: "mask", False: "no mask"}[clip.mask],
}
"""Headings and the group a recording belongs to."""


@dataclass(frozen=True, slots=True)
class OpenLineReport:
    """All recordings scored, and those that could not be.

    Attributes:
        clips: scores per recording.
        failed: recordings with labels whose analysis or labels failed.
        skipped: recordings without labels.
        protocol: name of the protocol used.
    """

    clips: tuple[OpenLineClip, ...]
    failed: tuple[SkippedFile, ...] = ()
    skipped: tuple[SkippedFile, ...] = ()
    protocol: str = ""

    def summary(self) -> Scores:
        """The scores over all recordings, keyed as :data:`NAMES`."""
        return summarise(self.clips)

    def groups(self) -> dict[str, dict[str, Scores]]:
        """The scores by skin tone, picture size, handedness, viewpoint and mask."""
        return grouped(self.clips, GROUPINGS, summarise)

    def table(self) -> str:
        """Everything as plain text."""
        return format_open_line(self, "plain")

    def markdown(self) -> str:
        """Everything as Markdown tables."""
        return format_open_line(self, "markdown")

    def to_json(self) -> str:
        """All numbers as indented JSON: summary, goals, groups, recordings, failures."""
        content = {
            "protocol": self.protocol,
            "summary": self.summary(),
            "goals": {name: f"{side} {bound:g}" for name, (side, bound) in GOALS.items()},
            "groups": self.groups(),
            "clips": [_clip_json(clip) for clip in self.clips],
            "failed": [{"file": item.file, "reason": item.reason} for item in self.failed],
            "skipped": [{"file": item.file, "reason": item.reason} for item in self.skipped],
        }
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


# --- adding up --------------------------------------------------------------------------------


def summarise(clips: Sequence[OpenLineClip]) -> Scores:
    """The scores of some recordings taken together, keyed as :data:`NAMES`."""
    spans = sum_counts(clip.found_spans for clip in clips)
    silent_s = sum(clip.silent_s for clip in clips)
    windows = sum_counts(clip.windows for clip in clips)
    edges = [error for clip in clips for error in clip.window_errors_s]
    touches = sum_counts(clip.touches for clip in clips)
    right, named = (sum(clip.right_hand[place] for clip in clips) for place in (0, 1))
    return {
        "clips": len(clips),
        **_talking(clips),
        "spans": int(spans.hits + spans.misses),
        "span_recall": spans.recall,
        "silent_minutes": silent_s / 60.0 if silent_s else None,
        "false_per_half_hour": spans.false_alarms * HALF_HOUR_S / silent_s if silent_s else None,
        "windows_found": windows.recall,
        "window_median_s": quantile(edges, 0.5),
        "window_p90_s": quantile(edges, 0.9),
        "touches": int(touches.hits + touches.misses),
        "touch_recall": touches.recall,
        "touch_precision": touches.precision,
        "right_hand": right / named if named else None,
        **_areas(clips),
        "waits_within": _mean(
            error is not None and error.within(WAIT_WITHIN_S, WAIT_WITHIN_SHARE)
            for clip in clips
            for _, error in (clip.waits or {}).values()
        ),
        **_masks(clips),
    }


def _mean(values: Iterable[float]) -> float | None:
    known = list(values)
    return float(np.mean(known)) if known else None


def _talking(clips: Sequence[OpenLineClip]) -> Scores:
    by_time = _join([clip.talking for clip in clips])
    by_span = _join([clip.spans for clip in clips])
    scores = by_time.scores
    return {
        "talking_auc": roc_auc(by_time.talking, scores),
        "span_auc": roc_auc(by_span.talking, by_span.scores),
        "talking_assessed": float(np.isfinite(scores).mean()) if scores.size else None,
    }


def _join(samples: Sequence[TalkingSamples]) -> TalkingSamples:
    if not samples:
        return TalkingSamples(np.empty(0, dtype=np.bool_), np.empty(0))
    return TalkingSamples(
        np.concatenate([item.talking for item in samples]),
        np.concatenate([item.scores for item in samples]),
    )


def _areas(clips: Sequence[OpenLineClip]) -> Scores:
    """Errors of the wiped shares in percentage points; not told is counted apart."""

    def errors(name: str) -> list[float | None]:
        found = [clip.area_errors or {} for clip in clips]
        return [item[name] for item in found if name in item]

    def median(name: str) -> float | None:
        return quantile([100.0 * abs(e) for e in errors(name) if e is not None], 0.5)

    every = errors("covered") + errors("again")
    told = [error for error in every if error is not None]
    return {
        "covered_pp": median("covered"),
        "covered_in_area_pp": median("in_area.covered"),
        "again_pp": median("again"),
        "again_in_area_pp": median("in_area.again"),
        "area_within": _mean(abs(error) <= AREA_WITHIN for error in told),
        "area_not_told": 1.0 - len(told) / len(every) if every else None,
    }


def _masks(clips: Sequence[OpenLineClip]) -> Scores:
    """How masks and bare faces were told apart, where the line was open at all."""
    masked = [clip for clip in clips if clip.masked]
    bare = [clip for clip in clips if clip.masked is False]
    answers = [clip.mask_answer for clip in masked]
    told = [answer for answer in answers if answer is not None]
    return {
        "masks": len(masked),
        "masks_seen": _mean(answer > 0.5 for answer in told),
        "masks_not_told": 1.0 - len(told) / len(answers) if answers else None,
        "bare_as_mask": sum((clip.mask_answer or 0.0) > 0.5 for clip in bare),
        "masked_silent": sum(clip.silent_behind_mask for clip in clips),
    }


def meets_goal(name: str, value: float | None) -> str:
    """'met', 'not met', or '-' where there is no goal or nothing to hold against it."""
    if name not in GOALS or value is None:
        return "-"
    side, bound = GOALS[name]
    return "met" if (value >= bound if side == "at least" else value <= bound) else "not met"


# --- printing ---------------------------------------------------------------------------------

_GROUP_COLUMNS: Mapping[str, str] = {
    "clips": "n",
    "talking_auc": "AUC",
    "span_auc": "Span AUC",
    "span_recall": "Recall",
    "false_per_half_hour": "False/30 min",
    "talking_assessed": "Assessed",
    "window_median_s": "Edges (s)",
    "touch_recall": "Touch rec.",
    "touch_precision": "Touch prec.",
    "covered_pp": "Wiped (pp)",
    "again_pp": "Again (pp)",
    "waits_within": "Waits",
    "masked_silent": "Masked silent",
}


def format_open_line(report: OpenLineReport, style: Style = "plain") -> str:
    """The report as text: summary with goals, groups, files that failed."""
    summary = report.summary()
    blocks = [
        _heading(f"The open line, protocol '{report.protocol}'", style),
        grid(
            ("Score", "Value", "Goal", ""),
            (
                (words, _cell(name, summary[name]), _goal(name), meets_goal(name, summary[name]))
                for name, words in NAMES.items()
            ),
            style,
        ),
        _heading("By group", style),
        grid(
            ("Group", *_GROUP_COLUMNS.values()),
            (
                (f"{heading}: {name}", *(_cell(key, scores[key]) for key in _GROUP_COLUMNS))
                for heading, members in report.groups().items()
                for name, scores in members.items()
            ),
            style,
        ),
    ]
    for words, files in (("Failed", report.failed), ("Without labels", report.skipped)):
        if files:
            lines = "\n".join(f"- {item.file}: {item.reason}" for item in files)
            blocks += [_heading(f"{words}: {len(files)}", style), lines]
    return "\n\n".join(blocks) + "\n"


def _cell(name: str, value: float | None) -> str:
    if value is not None and (name in _COUNTED):
        return f"{value:.0f}"
    return number(value)


def _goal(name: str) -> str:
    if name not in GOALS:
        return ""
    side, bound = GOALS[name]
    return f"{side} {bound:g}"


def _heading(words: str, style: Style) -> str:
    return f"### {words}" if style == "markdown" else words


def _clip_json(clip: OpenLineClip) -> dict[str, Any]:
    return {
        "file": clip.file,
        "clip": clip.clip.model_dump(mode="json"),
        **summarise([clip]),
        "window_errors_s": list(clip.window_errors_s),
        "area_errors": dict(clip.area_errors or {}),
        "waits": {
            name: {"true_s": true, "error_s": None if error is None else error.seconds}
            for name, (true, error) in (clip.waits or {}).items()
        },
    }
