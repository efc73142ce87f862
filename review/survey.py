"""Where in a recording hands work, from a glance a second: the rest need not be looked at closely.

Most of an exchange is waiting. Key pictures, about one a second, are compared with each other, and
hands are looked for where something moved, and every few seconds. Hands work where the picture
changes near them, where they come, go or change place, or where the pictures between two glances
took many more bytes than usual, which shows a movement too short for two glances to see.

Pure functions over arrays. Lengths are picture widths, times seconds, NaN = no hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.identity import palm_centres, palm_widths
from review.timeline import Interval
from review.tracks import MOTION_GRID

Array = NDArray[np.float64]

LOOK_EVERY_S = 4.0
"""Hands are looked for at least this often where nothing moves; they hold still meanwhile."""

MOVED = 0.12
"""Least change of a cell (of 18 x 32) from one glance to the next that is a movement, as a share
of the picture's mean brightness. A second apart, drawn people at rest changed 0-2 cells at their
hands by this much, hands at work 7 and more (median), 2 and more in nine of ten seconds."""

DARKEST = 16.0
"""Mean brightness (of 255) below which a picture is taken to be this bright."""

NOISE_TIMES = 4.0
"""... and at least this many times the cell's own noise: its change in the quietest tenth of
the recording."""

LEAST_CELLS = 3
"""Fewer cells than this are noise, or the breathing of a person at rest."""

REACH_HANDS = 2.0
"""Movement within this many hand widths of a palm is that hand's, or of what it holds."""

HAND_STEP = 0.5
"""A palm that is this many hand widths off its place at the last look has moved."""

AROUND_S = 2.6
"""A hand seen this much before or after also counts: single pictures miss hands."""

VANISHED_S = 10.0
"""So long the place where a hand was last seen still counts: hands that hold each other are
often not found at all."""

BURST_TIMES = 1.6
"""Bytes between two glances, over the median of the minute around, that show a movement."""

MARGIN_S = 2.0
"""Looked at closely before and after hands work: a phase's edge must lie inside."""

BRIDGE_S = 6.0
"""Shorter pauses between work are not worth a break."""


@dataclass(frozen=True, slots=True)
class Glances:
    """What the first look at a recording gave, one row a key picture.

    Attributes:
        times_s: shape (m,), strictly increasing seconds.
        change: shape (m, 18, 32) float32, see :func:`light_apart`, since the glance before; NaN
            for the first.
        looked: shape (m,), whether hands were looked for.
        points: shape (m, 4, 21, 3), hands in no particular order, NaN where there is none.
        bytes_after: shape (m,), bytes a second of the pictures up to the next glance.
    """

    times_s: Array
    change: NDArray[np.float32]
    looked: NDArray[np.bool_]
    points: NDArray[np.float32]
    bytes_after: Array


def light_apart(before: NDArray[np.uint8], now: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Shape (h, w) twice, uint8: change as a share of the mean brightness, the light evened out.

    Lamps flicker and cameras change their exposure; both scale the picture as a whole. What a
    movement changes is less in a dim room, so it is measured against the brightness.
    """
    a, b = before.astype(np.float32), now.astype(np.float32)
    gain = float(np.median((b + 8.0) / (a + 8.0)))
    change = np.abs(b + 8.0 - gain * (a + 8.0)) / max(float(b.mean()), DARKEST)
    return np.asarray(change, dtype=np.float32)


def moved_cells(change: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Shape (m, 18, 32) twice: which cells moved since the glance before; none in the first."""
    known = change[np.isfinite(change[:, 0, 0])]
    if not known.size:
        return np.zeros(change.shape, dtype=np.bool_)
    limit = np.maximum(MOVED, NOISE_TIMES * np.quantile(known, 0.1, axis=0))
    return np.asarray(np.nan_to_num(change) > limit)


def working(glances: Glances, aspect: float) -> NDArray[np.bool_]:
    """Shape (m,): at which glances hands are at work.

    Args:
        glances: of the whole recording.
        aspect: picture height over width.
    """
    count = len(glances.times_s)
    if not count:
        return np.zeros(0, dtype=np.bool_)
    moved = moved_cells(glances.change)
    near = _near_hands(glances, aspect)
    at_work = (moved & near).sum(axis=(1, 2)) >= LEAST_CELLS
    at_work |= _hands_changed(glances)
    about = near.any(axis=(1, 2))
    return np.asarray(at_work | (about & _bursts(glances)))


def close_spans(glances: Glances, at_work: NDArray[np.bool_], end_s: float) -> list[Interval]:
    """The spans to look at closely, in order, apart from each other.

    From the glance before the first one at work to the glance after the last one, and a margin.
    """
    times = glances.times_s
    spans: list[Interval] = []
    for i in np.flatnonzero(at_work).tolist():
        start = max(0.0, float(times[max(i - 1, 0)]) - MARGIN_S)
        after = float(times[i + 1]) if i + 1 < len(times) else end_s
        end = min(end_s, after + MARGIN_S)
        if spans and start - spans[-1].end_s < BRIDGE_S:
            spans[-1] = Interval(spans[-1].start_s, max(end, spans[-1].end_s))
        elif end > start:
            spans.append(Interval(start, end))
    return spans


def _palms(glances: Glances) -> tuple[Array, Array]:
    """Centres (m, 4, 2) and widths (m, 4) of the hands found, NaN where there is none."""
    points = glances.points.astype(np.float64)
    return palm_centres(points), palm_widths(points)


def _near_hands(glances: Glances, aspect: float) -> NDArray[np.bool_]:
    """Shape (m, 18, 32): cells near a hand seen around that time, or seen last not long ago."""
    rows, columns = MOTION_GRID
    x = (np.arange(columns) + 0.5) / columns
    y = (np.arange(rows) + 0.5) / rows * aspect
    centres, widths = _palms(glances)
    seen = np.isfinite(widths)
    disc = np.zeros((len(glances.times_s), rows, columns), dtype=np.bool_)
    for i in np.flatnonzero(seen.any(axis=1)).tolist():
        for slot in np.flatnonzero(seen[i]).tolist():
            away = (x[None, :] - centres[i, slot, 0]) ** 2 + (y[:, None] - centres[i, slot, 1]) ** 2
            disc[i] |= away <= (REACH_HANDS * widths[i, slot]) ** 2
    near = np.zeros_like(disc)
    last = -1
    for i, now in enumerate(glances.times_s.tolist()):
        low = int(np.searchsorted(glances.times_s, now - AROUND_S))
        high = int(np.searchsorted(glances.times_s, now + AROUND_S, side="right"))
        near[i] = disc[low:high].any(axis=0)
        last = i if seen[i].any() else last
        if last >= 0 and now - glances.times_s[last] <= VANISHED_S:
            near[i] |= disc[last]
    return near


def _hands_changed(glances: Glances) -> NDArray[np.bool_]:
    """Shape (m,): looks whose hands are not where those of the look before were."""
    centres, widths = _palms(glances)
    changed = np.zeros(len(glances.times_s), dtype=np.bool_)
    looks = np.flatnonzero(glances.looked)
    for before, now in zip(looks[:-1].tolist(), looks[1:].tolist(), strict=True):
        old = centres[before][np.isfinite(widths[before])]
        new, size = centres[now][np.isfinite(widths[now])], widths[now][np.isfinite(widths[now])]
        if not len(new) or not len(old):
            changed[now] = len(new) > 0  # gone without a movement is a miss of the tracker
            continue
        nearest = np.linalg.norm(new[:, None] - old[None], axis=2).min(axis=1)
        changed[now] = bool((nearest > HAND_STEP * np.maximum(size, 1e-6)).any())
    return changed


def _bursts(glances: Glances) -> NDArray[np.bool_]:
    """Shape (m,): glances after or before which the pictures took many more bytes than usual."""
    sizes = glances.bytes_after
    many = np.zeros(len(sizes), dtype=np.bool_)
    for i, now in enumerate(glances.times_s.tolist()):
        around = np.abs(glances.times_s - now) <= 30.0
        many[i] = sizes[i] > BURST_TIMES * np.median(sizes[around])
    return many
