"""Drawings over time: run chart, p-chart, shares with intervals, and first against latest.

Plain SVG, as in :mod:`review.pages.washplot`: every number drawn stands in a table beside it, and
nothing is told by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from typing import Final

from review.change import PersonChange
from review.charts import PChart, RunChart
from review.proportions import Proportion

WIDTH, HEIGHT = 1000, 340
LEFT, RIGHT, TOP, BOTTOM = 64, WIDTH - 120, 46, HEIGHT - 52
INK, PALE, QUIET = "#1c1f24", "#6b6f76", "#3f434a"
MOST_LABELS = 13
"""More labels than this below the points would run into each other."""

Place = Callable[[float], float]


def _open(height: int = HEIGHT) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="sans-serif" font-size="16" fill="{INK}">'
    )


def _across(count: int) -> Place:
    step = (RIGHT - LEFT) / max(count, 1)
    return lambda at: LEFT + step * (at + 0.5)


def _up(top: float) -> Place:
    return lambda value: BOTTOM - (BOTTOM - TOP) * min(value / top, 1.0)


def _axes(names: Sequence[str], x: Place, y: Place, steps: Sequence[float], unit: str) -> list[str]:
    """Lines across with their numbers, and names of periods below."""
    parts = []
    for value in steps:
        words = f"{100 * value:.0f} %" if unit == "share" else f"{value:.0f} {unit}"
        parts.append(
            f'<path d="M{LEFT} {y(value):.1f} H{RIGHT}" stroke="{PALE}" stroke-opacity=".35"/>'
            f'<text x="{LEFT - 8}" y="{y(value) + 5:.1f}" text-anchor="end">{words}</text>'
        )
    every = -(-len(names) // MOST_LABELS)
    for at, name in enumerate(names):
        if at % every == 0:
            parts.append(
                f'<text x="{x(at):.1f}" y="{BOTTOM + 24}" text-anchor="middle" '
                f'font-size="14">{escape(name)}</text>'
            )
    return parts


def _line(points: Sequence[tuple[float, float]]) -> str:
    if len(points) < 2:
        return ""
    path = " L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path d="M{path}" fill="none" stroke="{INK}" stroke-width="1.5"/>'


def _dot(x: float, y: float, *, marked: bool) -> str:
    """A point; one that a rule speaks of is a square with a frame."""
    if marked:
        return (
            f'<rect x="{x - 6:.1f}" y="{y - 6:.1f}" width="12" height="12" fill="{INK}"/>'
            f'<rect x="{x - 10:.1f}" y="{y - 10:.1f}" width="20" height="20" fill="none" '
            f'stroke="{INK}" stroke-width="1.5"/>'
        )
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.5" fill="{INK}"/>'


def _level(y: float, words: str, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="M{LEFT} {y:.1f} H{RIGHT}" stroke="{INK}" stroke-width="2"{dashed}/>'
        f'<text x="{RIGHT + 8}" y="{y + 5:.1f}" font-size="14">{escape(words)}</text>'
    )


def run_plot(
    names: Sequence[str], values: Sequence[float | None], chart: RunChart, unit: str
) -> str:
    """Points in the order of time about their median.

    Args:
        names: periods.
        values: their points; None where there is none.
        chart: of the points there are.
        unit: ``share`` for 0..1, else the unit's name.
    """
    known = [(at, value) for at, value in enumerate(values) if value is not None]
    steps = SHARES if unit == "share" else _steps(max((v for _, v in known), default=1.0))
    x, y = _across(len(names)), _up(steps[-1])
    words = "Each point one period, the level line the median."
    if chart.shift:
        words += " Framed: the long run on one side."
    parts = [_open(), f'<text x="{LEFT}" y="20">{words}</text>', *_axes(names, x, y, steps, unit)]
    if chart.median is not None:
        parts.append(_level(y(chart.median), f"median {_says(chart.median, unit)}"))
    parts.append(_line([(x(at), y(value)) for at, value in known]))
    marked = {known[place][0] for place in chart.longest_at} if chart.shift else set()
    parts += [_dot(x(at), y(value), marked=at in marked) for at, value in known]
    return "".join([*parts, "</svg>"])


def p_plot(names: Sequence[str], chart: PChart) -> str:
    """Shares in the order of time, with the mean and the limits of every point that has them."""
    x, y = _across(len(names)), _up(1.0)
    words = "Each point one period; dashes: three-sigma limits."
    if chart.signal:
        words += " Framed: a rule speaks, its number above."
    parts = [
        _open(),
        f'<text x="{LEFT}" y="20">{words}</text>',
        *_axes(names, x, y, SHARES, "share"),
    ]
    if chart.mean is not None:
        parts.append(_level(y(chart.mean), f"mean {100 * chart.mean:.0f} %"))
    half = (RIGHT - LEFT) / max(len(names), 1) / 2
    for at, point in enumerate(chart.points):
        for limit in (point.low, point.high):
            if limit is not None:
                parts.append(
                    f'<path d="M{x(at) - half:.1f} {y(limit):.1f} h{2 * half:.1f}" '
                    f'stroke="{INK}" stroke-width="2" stroke-dasharray="6 4"/>'
                )
    shares = [(at, point) for at, point in enumerate(chart.points) if point.share is not None]
    parts.append(_line([(x(at), y(point.share or 0.0)) for at, point in shares]))
    for at, point in shares:
        height = y(point.share or 0.0)
        parts.append(_dot(x(at), height, marked=bool(point.rules)))
        if point.rules:
            rules = ", ".join(map(str, point.rules))
            parts.append(
                f'<text x="{x(at):.1f}" y="{height - 15:.1f}" text-anchor="middle" '
                f'font-size="14" font-weight="bold">{rules}</text>'
            )
    return "".join([*parts, "</svg>"])


def interval_plot(names: Sequence[str], shares: Sequence[Proportion], words: str) -> str:
    """Shares in the order of time, each with its own interval."""
    x, y = _across(len(names)), _up(1.0)
    parts = [
        _open(),
        f'<text x="{LEFT}" y="20">{escape(words)}; the thin line is the 95 % interval.</text>',
        *_axes(names, x, y, SHARES, "share"),
    ]
    for at, share in enumerate(shares):
        if share.share is None or share.interval is None:
            continue
        low, high = share.interval
        parts.append(
            f'<path d="M{x(at):.1f} {y(low):.1f} V{y(high):.1f}" stroke="{INK}" '
            f'stroke-width="2"/>{_dot(x(at), y(share.share), marked=False)}'
        )
    return "".join([*parts, "</svg>"])


ROW = 34
NAMES = 150
"""Room for the codes of people, left of their lines."""


def change_plot(people: Sequence[PersonChange], unit: str) -> str:
    """One line a person, from an open circle (first) to a filled one (latest)."""
    steps = _steps(max((max(p.before, p.after) for p in people), default=1.0))
    bottom = TOP + ROW * len(people)

    def x(value: float) -> float:
        return NAMES + (WIDTH - 40 - NAMES) * value / steps[-1]

    parts = [
        _open(bottom + 34),
        f'<text x="{NAMES}" y="20">Open circle: first sessions. Filled: latest sessions.</text>',
    ]
    for value in steps:
        parts.append(
            f'<path d="M{x(value):.1f} {TOP - 8} V{bottom}" stroke="{PALE}" stroke-opacity=".35"/>'
            f'<text x="{x(value):.1f}" y="{bottom + 22}" text-anchor="middle">'
            f"{value:.0f} {unit}</text>"
        )
    for place, person in enumerate(people):
        y = TOP + ROW * (place + 0.5)
        before, after = x(person.before), x(person.after)
        parts.append(
            f'<text x="{NAMES - 12}" y="{y + 6}" text-anchor="end">{escape(person.person)}</text>'
            f'<path d="M{before:.1f} {y} H{after:.1f}" stroke="{INK}" stroke-width="2"/>'
            f'<circle cx="{before:.1f}" cy="{y}" r="7" fill="#ffffff" stroke="{INK}" '
            f'stroke-width="2"/><circle cx="{after:.1f}" cy="{y}" r="7" fill="{INK}"/>'
        )
    return "".join([*parts, "</svg>"])


def _steps(longest: float) -> list[float]:
    """Round numbers from 0 to the longest value or a little more, four to eight of them.

    >>> _steps(27.0), _steps(0.4)
    ([0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0], [0.0, 1.0, 2.0, 3.0])
    """
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if longest <= 7 * s), 1000)
    return [float(step * at) for at in range(max(math.ceil(longest / step), 3) + 1)]


SHARES: Final = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]


def _says(value: float, unit: str) -> str:
    return f"{100 * value:.0f} %" if unit == "share" else f"{value:.0f} {unit}"


def says_points(names: Sequence[str], values: Sequence[float | None], unit: str) -> str:
    """The points in words."""
    return " ".join(
        f"{name}: {'none' if value is None else _says(value, unit)}."
        for name, value in zip(names, values, strict=True)
    )
