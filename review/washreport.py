"""Scores of many washes added up, broken down and printed.

Counts are added before a ratio is taken. A score with nothing to rest on prints as '-', never
as 0. Every group says how many recordings and samples it rests on.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any, Literal

import numpy as np
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from review.evaluation import Scores, SkippedFile
from review.washscores import (
    Ints,
    Reliability,
    WashSamples,
    confusion,
    join_samples,
    macro_f1_interval,
    sample_reliability,
)
from review.washsteps import ANSWERS, NONE
from review.washsummary import (
    GOALS,
    NAMES,
    WashClip,
    group_scores,
    meets_goal,
    summarise,
    surface_scores,
    worst_gap,
)

Style = Literal["plain", "markdown"]


def _by_performance(clips: Sequence[WashClip]) -> list[Ints]:
    """Confusions, added up where one performance was drawn several times (with other skin, say).

    Such recordings are alike in what was done: drawn on their own, they would feign certainty.
    """
    sums: dict[tuple[str, int], Ints] = {}
    for number, clip in enumerate(clips):
        seed = clip.clip.seed
        whose = ("recording", number) if seed is None else ("seed", seed)
        matrix = confusion(clip.samples)
        sums[whose] = sums[whose] + matrix if whose in sums else matrix
    return list(sums.values())


@dataclass(frozen=True, slots=True)
class WashReport:
    """All washes scored, and the recordings that could not be.

    Attributes:
        clips: scores per recording with at least one wash or rub.
        failed: recordings with labels whose analysis or labels failed.
        skipped: recordings without labels, or without a wash or rub.
        protocol: name of the protocol used.
    """

    clips: tuple[WashClip, ...]
    failed: tuple[SkippedFile, ...] = ()
    skipped: tuple[SkippedFile, ...] = ()
    protocol: str = ""

    @property
    def samples(self) -> WashSamples:
        """The samples of all recordings."""
        return join_samples([clip.samples for clip in self.clips])

    @property
    def confusion(self) -> Ints:
        """Shape (10, 11): true class by found answer, in samples."""
        return confusion(self.samples)

    @property
    def reliability(self) -> Reliability:
        """Reliability curve over all recordings."""
        return sample_reliability(self.samples)

    def summary(self) -> Scores:
        """The scores over all recordings, keyed as :data:`NAMES`."""
        scores = summarise(self.clips)
        interval = macro_f1_interval(_by_performance(self.clips))
        scores["macro_f1_low"], scores["macro_f1_high"] = interval or (None, None)
        whole, groups = scores["macro_f1"], self.groups()
        for key, heading in (("skin_tone_gap", "Skin tone"), ("handed_gap", "Handedness")):
            scores[key] = worst_gap(whole, groups.get(heading, {}))
        return {name: scores.get(name) for name in NAMES}

    def groups(self) -> dict[str, dict[str, Scores]]:
        """The scores by kind of recording, and by how much of the hands was tracked."""
        return group_scores(self.clips)

    def table(self) -> str:
        """Everything as plain text."""
        return format_washes(self, "plain")

    def markdown(self) -> str:
        """Everything as Markdown tables."""
        return format_washes(self, "markdown")

    def to_json(self) -> str:
        """All numbers as indented JSON."""
        content = {
            "protocol": self.protocol,
            "summary": self.summary(),
            "groups": self.groups(),
            "surfaces": {s.value: scores for s, scores in surface_scores(self.clips).items()},
            "confusion": {"answers": list(ANSWERS), "samples": self.confusion.tolist()},
            "reliability": _reliability_json(self.reliability),
            "clips": [_clip_json(clip) for clip in self.clips],
            "failed": [{"file": item.file, "reason": item.reason} for item in self.failed],
            "skipped": [{"file": item.file, "reason": item.reason} for item in self.skipped],
        }
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


# --- printing --------------------------------------------------------------------------------

_GROUP_COLUMNS: Mapping[str, str] = {
    "clips": "n",
    "samples": "Samples",
    "macro_f1": "F1",
    "macro_recall": "Recall",
    "macro_precision": "Precision",
    "rubbing_time_error": "Time",
    "calibration_error": "Calibr.",
    "strokes_right": "Strokes",
    "abstained_hidden": "Hidden",
    "abstained_visible": "Visible",
}


def format_washes(report: WashReport, style: Style = "plain") -> str:
    """The report as text: summary, surfaces, confusions, groups, files that failed."""
    summary, surfaces = report.summary(), surface_scores(report.clips)
    blocks = [
        _heading(f"Hand surfaces in washes and rubs, protocol '{report.protocol}'", style),
        grid(
            ("Score", "Value", "Goal", ""),
            (
                (words, number(summary[name]), _goal(name), meets_goal(name, summary[name]))
                for name, words in NAMES.items()
            ),
            style,
        ),
        _heading("By surface", style),
        grid(
            ("Surface", "Samples", "Precision", "Recall", "F1", "Time"),
            ((s.value, *(number(v) for v in scores.values())) for s, scores in surfaces.items()),
            style,
        ),
        _heading("Share of true samples (rows) by answer (columns), per cent", style),
        grid(("True", *(_short(name) for name in ANSWERS)), _confusion_rows(report), style),
        _heading("By group", style),
        grid(
            ("Group", *_GROUP_COLUMNS.values()),
            (
                (f"{heading}: {name}", *(number(scores.get(key)) for key in _GROUP_COLUMNS))
                for heading, members in report.groups().items()
                for name, scores in members.items()
            ),
            style,
        ),
    ]
    for words, files in (("Failed", report.failed), ("Left out", report.skipped)):
        if files:
            lines = "\n".join(f"- {item.file}: {item.reason}" for item in files)
            blocks += [_heading(f"{words}: {len(files)}", style), lines]
    return "\n\n".join(blocks) + "\n"


def _confusion_rows(report: WashReport) -> list[tuple[str, ...]]:
    rows = []
    for name, row in zip(ANSWERS[: NONE + 1], report.confusion, strict=True):
        total = row.sum()
        cells = (f"{100 * value / total:.1f}" if total else "-" for value in row)
        rows.append((name, *cells))
    return rows


def _short(name: str) -> str:
    """Initials of a surface for narrow columns.

    >>> _short("back_left"), _short("palms"), _short("cannot_tell")
    ('ba.le', 'palm', 'ca.te')
    """
    parts = name.split("_")
    return ".".join(part[:2] for part in parts) if len(parts) > 1 else name[:4]


def number(value: float | None) -> str:
    """A count as it is, a ratio with three decimals, '-' where there is none."""
    if value is None:
        return "-"
    return f"{value:.0f}" if isinstance(value, int) or value >= 10 else f"{value:.3f}"


def _goal(name: str) -> str:
    if name not in GOALS:
        return ""
    side, bound = GOALS[name]
    return f"{side} {bound:g}"


def _heading(words: str, style: Style) -> str:
    return f"### {words}" if style == "markdown" else words


def grid(columns: Sequence[str], rows: Iterable[Sequence[str]], style: Style) -> str:
    """A table with the first column to the left, the others to the right."""
    table = Table(box=box.MARKDOWN if style == "markdown" else box.SIMPLE, pad_edge=False)
    for place, column in enumerate(columns):
        table.add_column(Text(column), justify="right" if place else "left", no_wrap=True)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    out = StringIO()
    Console(file=out, width=400, color_system=None, legacy_windows=False).print(table)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()).strip("\n")


# --- JSON ------------------------------------------------------------------------------------


def _reliability_json(curve: Reliability) -> dict[str, list[float | None]]:
    def plain(values: Any) -> list[float | None]:
        return [None if np.isnan(value) else float(value) for value in values]

    return {
        "edges": plain(curve.edges),
        "count": plain(curve.count),
        "confidence": plain(curve.confidence),
        "accuracy": plain(curve.accuracy),
    }


def _clip_json(clip: WashClip) -> dict[str, Any]:
    return {
        "file": clip.file,
        "clip": clip.clip.model_dump(mode="json"),
        **summarise([clip]),
        "times": [
            {
                "phase": time.phase.value,
                "true_s": time.true_s,
                "found_s": time.found_s,
                "surfaces": {s.value: list(pair) for s, pair in time.surfaces.items()},
            }
            for time in clip.times
        ],
    }
