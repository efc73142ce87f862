"""Drawings for looking across a unit: rubbing times with the target band, shares with intervals.

Plain SVG. Everything drawn is also written as a number in the table beside it, and nothing is
told by colour alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from statistics import median, quantiles

from review.spotcheck import Band, GroupRow, SurfaceRow
from review.wording import SURFACES

WIDTH = 1000
LEFT, RIGHT = 190, WIDTH - 30
ROW = 34
TOP = 58
INK, PALE, BAND_FILL = "#1c1f24", "#6b6f76", "#dfe6d6"

MOST_DOTS = 60
"""More sessions in one row than this are drawn as a span: dots would run together."""


def rubbing_plot(rows: Sequence[GroupRow], band: Band | None, name: str = "Rubbing time") -> str:
    """One row a group: a dot a session, a line at the median, and the target band behind.

    Args:
        rows: groups to draw, each with its wash times in seconds.
        band: the target, drawn where all sessions share it.
        name: which wash time it is.
    """
    longest = max((value for row in rows for value in row.times_s), default=0.0)
    top_s = max(30.0, 10.0 * -(-longest // 10.0))
    height = TOP + ROW * len(rows) + 34

    def x(seconds: float) -> float:
        return LEFT + (RIGHT - LEFT) * min(seconds / top_s, 1.0)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="sans-serif" font-size="17" fill="{INK}">'
    ]
    bottom = TOP + ROW * len(rows)
    if band is not None and band.asks:
        parts.append(_band(band, x, top_s, bottom))
    words = f"{name} in seconds; the upright bar is the median"
    if any(len(row.times_s) <= MOST_DOTS for row in rows):
        words += ", a circle one session"
    if any(len(row.times_s) > MOST_DOTS for row in rows):
        words += ", a box the middle half, its line 8 of 10 sessions"
    parts.append(f'<text x="{LEFT}" y="20">{words}.</text>')
    for step in range(0, int(top_s) + 1, 10 if top_s <= 60 else 20):
        parts.append(
            f'<path d="M{x(step):.1f} {TOP} V{bottom}" stroke="{PALE}" stroke-opacity=".45"/>'
            f'<text x="{x(step):.1f}" y="{bottom + 22}" text-anchor="middle">{step}</text>'
        )
    for place, row in enumerate(rows):
        parts += _group(row, TOP + ROW * (place + 0.5), x)
    return "".join([*parts, "</svg>"])


def _band(band: Band, x: Callable[[float], float], top_s: float, bottom: float) -> str:
    low, high = band.at_least or 0.0, top_s if band.at_most is None else band.at_most
    words = "target: " + (
        f"{low:g} s or more" if band.at_most is None else f"{low:g} to {high:g} s"
    )
    return (
        f'<rect x="{x(low):.1f}" y="{TOP - 6}" width="{x(high) - x(low):.1f}" '
        f'height="{bottom - TOP + 6:.1f}" fill="{BAND_FILL}"/>'
        f'<path d="M{x(low):.1f} {TOP - 6} V{bottom}" stroke="{INK}" stroke-width="2" '
        f'stroke-dasharray="7 4"/><text x="{x(low) + 6:.1f}" y="{TOP - 14}">{words}</text>'
    )


def _group(row: GroupRow, y: float, x: Callable[[float], float]) -> list[str]:
    parts = [f'<text x="{LEFT - 12}" y="{y + 6}" text-anchor="end">{escape(row.group)}</text>']
    values = row.times_s
    if not values:
        words = "cannot tell" if row.cannot_tell else "no session"
        return [*parts, f'<text x="{LEFT + 8}" y="{y + 6}" fill="#3f434a">{words}</text>']
    if len(values) > MOST_DOTS:
        tens = quantiles(values, n=20)
        parts.append(
            f'<path d="M{x(tens[1]):.1f} {y} H{x(tens[17]):.1f}" stroke="{INK}" '
            f'stroke-width="2"/><rect x="{x(tens[4]):.1f}" y="{y - 6}" '
            f'width="{max(x(tens[14]) - x(tens[4]), 1):.1f}" height="12" fill="#ffffff" '
            f'stroke="{INK}" stroke-width="2"/>'
        )
    else:
        parts += [
            f'<circle cx="{x(value):.1f}" cy="{y}" r="6" fill="none" stroke="{INK}" '
            'stroke-width="1.8"/>'
            for value in values
        ]
    middle = x(median(values))
    parts.append(f'<path d="M{middle:.1f} {y - 13} V{y + 13}" stroke="{INK}" stroke-width="4"/>')
    return parts


def says_rubbing(rows: Sequence[GroupRow], name: str = "Rubbing time") -> str:
    """The plot in words."""
    return f"{name} by group. " + " ".join(
        f"{row.group}: median {row.median_s:.0f} s of {len(row.times_s)}."
        if row.median_s is not None
        else f"{row.group}: cannot tell."
        for row in rows
    )


def surface_plot(rows: Sequence[SurfaceRow]) -> str:
    """Share of sessions in which each hand surface was missed, with its interval."""
    height = TOP + ROW * len(rows) + 34
    left, bottom = 240, TOP + ROW * len(rows)

    def x(share: float) -> float:
        return left + (RIGHT - left) * share

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="sans-serif" font-size="17" fill="{INK}">',
        '<text x="0" y="20">Share of sessions in which it was missed; the thin line is the '
        "95 % interval.</text>",
    ]
    for step in range(0, 101, 20):
        parts.append(
            f'<path d="M{x(step / 100):.1f} {TOP - 8} V{bottom}" stroke="{PALE}" '
            f'stroke-opacity=".45"/><text x="{x(step / 100):.1f}" y="{bottom + 22}" '
            f'text-anchor="middle">{step} %</text>'
        )
    for place, row in enumerate(rows):
        y = TOP + ROW * (place + 0.5)
        parts.append(
            f'<text x="{left - 12}" y="{y + 6}" text-anchor="end">{SURFACES[row.surface]}</text>'
        )
        share, interval = row.missed.share, row.missed.interval
        if share is None or interval is None:
            parts.append(f'<text x="{left + 8}" y="{y + 6}" fill="#3f434a">cannot tell</text>')
            continue
        parts.append(
            f'<path d="M{x(interval[0]):.1f} {y} H{x(interval[1]):.1f}" stroke="{INK}" '
            f'stroke-width="2"/><circle cx="{x(share):.1f}" cy="{y}" r="8" fill="{INK}"/>'
        )
    return "".join([*parts, "</svg>"])


def says_surfaces(rows: Sequence[SurfaceRow]) -> str:
    """The plot in words."""
    return "How often each hand surface was missed. " + " ".join(
        f"{SURFACES[row.surface]}: {row.missed.met} of {row.missed.n}." for row in rows
    )
