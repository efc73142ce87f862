"""Time against length, as a picture: the shipped way, the plain way, decoding alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from review.benchmark import Row

DPI = 130


def plot_times(rows: Sequence[Row], path: Path) -> None:
    """Write the picture of all H.264 1080p rows; every line has a mark and a name of its own."""
    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.subplots()
    rows = sorted(rows, key=lambda row: row.minutes)
    minutes = [row.minutes for row in rows]
    series = (
        ("plain way (reckoned where long)", [row.plain_s for row in rows], "s:", "#7a3b12", True),
        ("decoding alone", [row.decoding.seconds for row in rows], "^--", "#5b5b5b", True),
        ("as shipped", [row.ours.seconds for row in rows], "o-", "#12414d", False),
        ("key pictures alone", [row.keys.seconds for row in rows], "v-.", "#6d7076", False),
    )
    for name, seconds, drawn, colour, above in series:
        known = [(m, s / 60.0) for m, s in zip(minutes, seconds, strict=True) if s is not None]
        if known:
            axes.plot(*zip(*known, strict=True), drawn, color=colour)
            axes.annotate(
                name, known[-1], xytext=(-6, 8 if above else -16),
                textcoords="offset points", ha="right", color=colour,
            )  # fmt: skip
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel("length of the recording, minutes")
    axes.set_ylabel("time taken, minutes (logarithmic)")
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.margins(x=0.08, y=0.12)
    partial = path.with_name(f".{path.name}.part")
    figure.savefig(partial, format="png", dpi=DPI)
    partial.replace(path)
