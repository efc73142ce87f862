"""Pictures of a wash evaluation, as PNG: confusion matrix, reliability curve, F1 by group.

Figures are made with matplotlib's objects alone; nothing global is set and no window opens.
Everything that colour tells is also written or has a mark of its own.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from review.timeline import Surface
from review.washreport import WashReport
from review.washscores import expected_calibration_error
from review.washsteps import ANSWERS, NONE
from review.washsummary import GOALS
from review.wording import SURFACES as SURFACE_WORDS

DPI = 130
LINE, MUTED, LIGHT = "#12414d", "#666666", "#cfdfe4"
DARK_FROM = 0.55
"""Cells of at least this share are dark enough for white figures."""

CONFUSION_FILE = "confusion.png"
RELIABILITY_FILE = "reliability.png"
GROUPS_FILE = "f1_by_group.png"


def save_plots(report: WashReport, folder: Path) -> tuple[Path, ...]:
    """Write the three pictures into ``folder``, which is made if it is not there.

    Returns:
        The files written; none for a report without samples.
    """
    if not len(report.samples):
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    figures = {
        CONFUSION_FILE: plot_confusion(report),
        RELIABILITY_FILE: plot_reliability(report),
        GROUPS_FILE: plot_groups(report),
    }
    paths = []
    for name, figure in figures.items():
        path = folder / name
        partial = folder / f".{name}.part"
        try:
            figure.savefig(partial, format="png", dpi=DPI)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
        paths.append(path)
    return tuple(paths)


def _names() -> list[str]:
    words = [SURFACE_WORDS[Surface(name)] for name in ANSWERS[:NONE]]
    return [*words, "None of them", "Cannot tell"]


def plot_confusion(report: WashReport) -> Figure:
    """Share of each true class (rows) by answer (columns), written in per cent."""
    matrix = report.confusion.astype(float)
    totals = matrix.sum(axis=1)
    shares = np.divide(
        matrix, totals[:, None], out=np.zeros_like(matrix), where=totals[:, None] > 0
    )
    figure = Figure(figsize=(9.5, 8.0), layout="constrained")
    axes = figure.add_subplot()
    axes.imshow(shares, vmin=0.0, vmax=1.0, cmap="Blues", aspect="auto")
    names = _names()
    axes.set_xticks(range(len(names)), names, rotation=45, ha="right", rotation_mode="anchor")
    rows = [f"{name}  (n = {int(n)})" for name, n in zip(names[: NONE + 1], totals, strict=True)]
    axes.set_yticks(range(NONE + 1), rows)
    for row, column in np.ndindex(*shares.shape):
        if totals[row]:
            share = shares[row, column]
            axes.text(
                column, row, f"{100 * share:.0f}" if share >= 0.005 else "·",
                ha="center", va="center", color="white" if share >= DARK_FROM else "black",
                fontweight="bold" if row == column else "normal",
            )  # fmt: skip
    axes.set_xlabel("Answer")
    axes.set_ylabel("True, with number of samples (every 0.2 s)")
    axes.set_title("Per cent of true samples by answer, hands visible")
    return figure


def plot_reliability(report: WashReport) -> Figure:
    """Share of right answers over their confidence, and how many answers there are of each."""
    curve = report.reliability
    error = expected_calibration_error(curve)
    figure = Figure(figsize=(6.5, 7.0), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
    filled = curve.count > 0
    upper.plot([0, 1], [0, 1], linestyle="--", color=MUTED, label="as sure as right")
    upper.plot(
        curve.confidence[filled], curve.accuracy[filled], marker="o", color=LINE, label="answers"
    )
    upper.set_ylabel("Share that is right")
    upper.set_ylim(0, 1)
    upper.grid(alpha=0.3)
    upper.legend(loc="upper left")
    figures = "-" if error is None else f"{error:.3f}"
    upper.set_title(
        f"Reliability of the most probable answer\nexpected calibration error {figures}"
    )
    lower.bar(
        curve.edges[:-1], curve.count, width=np.diff(curve.edges), align="edge",
        color=LIGHT, edgecolor=LINE,
    )  # fmt: skip
    lower.set_xlim(0, 1)
    lower.set_xlabel("Probability given to the answer")
    lower.set_ylabel("Answers")
    return figure


def plot_groups(report: WashReport) -> Figure:
    """Macro F1 of every group with its number of recordings, beside that of the whole."""
    rows: list[tuple[str, float, int]] = []
    breaks: list[int] = []
    for heading, members in report.groups().items():
        known = {name: scores for name, scores in members.items() if scores["macro_f1"] is not None}
        if len(known) < 2:
            continue
        breaks.append(len(rows))
        for name, scores in known.items():
            value, count = scores["macro_f1"], scores["clips"]
            rows.append((f"{heading}: {name}", float(value or 0.0), int(count or 0)))
    figure = Figure(figsize=(9.0, 1.6 + 0.27 * max(len(rows), 4)), layout="constrained")
    axes = figure.add_subplot()
    places = np.arange(len(rows))
    values = np.array([row[1] for row in rows])
    axes.hlines(places, 0, values, color=LIGHT, linewidth=4)
    axes.plot(values, places, "o", color=LINE, label="group")
    for place, (_, value, count) in zip(places, rows, strict=True):
        axes.text(1.02, place, f"{value:.3f}   n = {count}", va="center", fontsize=8)
    for place in breaks[1:]:
        axes.axhline(place - 0.5, color=MUTED, linewidth=0.5)
    whole, goal = report.summary()["macro_f1"], GOALS["macro_f1"][1]
    if whole is not None:
        axes.axvline(whole, color=LINE, linestyle="-", linewidth=1, label=f"all: {whole:.3f}")
    axes.axvline(goal, color=MUTED, linestyle="--", linewidth=1, label=f"goal: {goal:g}")
    axes.set_yticks(places, [row[0] for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(0, 1.2)
    axes.set_xticks(np.linspace(0, 1, 6))
    axes.set_xlabel("Macro F1 over the nine surfaces (n = recordings)")
    figure.legend(loc="outside upper center", ncols=3)
    return figure
