"""The wiping of the work surface: which part was wiped, and which was gone over again.

The flat hand's outline (palm and fingers, with a rim for the cloth) is swept along its path
over a grid of cells. Frame: picture coordinates as in :class:`review.tracks.LandmarkTrack`;
areas are on the table. A share of a plane's area survives any slanted view except for
perspective, which makes what is further away smaller: each cell is therefore weighted by how
much table it shows, from the four corners of the work area where they are given, else from
how large the hand looks there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from review.convex import convex_hull, inside_convex, square_homography, windows_inside
from review.emissions import Emissions
from review.handgrid import hand_breadth, moving_mean, resample
from review.measures import Measurement
from review.settings import SurfaceDetection
from review.timeline import Interval, Phase, Timeline, merge_intervals
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase, spans_where

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP_S = 0.05
"""Time between two footprints; a hand at 30 cm/s moves less than one cell of 0.2 widths."""

SMOOTH_STEPS = 5
"""Keypoints are averaged over a quarter of a second, so that jitter does not wipe."""

BRIDGE_S = 0.6
"""A fast flat hand is often lost for a few frames; within a stroke its way is a line."""

STROKE_STEPS = 5
"""Steps over which the direction of the hand is told: a quarter of a second."""

MIN_STROKE = 0.2
"""Hand widths moved over those steps by a hand that is on a stroke (about a fifth of the usual)."""

MAX_LEAD_S = 2.0
"""A longer way to the first stroke is no way any more: what was taken for it may be wiping."""

REVERSAL_SIZE = 0.7
"""Hand widths moved before and after a change of direction for it to count as a reversal."""

MOST = 0.5
"""The hand goes over wiped places when more than this share of its middle does."""

BLOCK = 256
"""Hands whose cells are looked at in one go: more would only take more memory."""

MAX_CELLS = 40_000
"""Upper limit of the grid; cells grow when the path is so long that it would be exceeded."""


@dataclass(frozen=True, slots=True)
class WipedGrid:
    """How often each place was wiped, to be drawn over a picture.

    Attributes:
        x, y: centres of columns and rows in picture widths, shapes (c,) and (r,).
        wiped: shape (r, c), whether the hand's outline passed over the cell.
        visits: shape (r, c), how often the middle of the hand came by, passes closer together
            than the delay counting once.
        rewiped: shape (r, c), visited again while most of the middle of the hand was over
            places visited before.
        area: shape (r, c), which cells belong to the work area.
        weight: shape (r, c), table area a cell shows, relative.
    """

    x: Array
    y: Array
    wiped: Mask
    visits: NDArray[np.int64]
    rewiped: Mask
    area: Mask
    weight: Array


@dataclass(frozen=True, slots=True)
class WipingFindings:
    """The wiping of one recording.

    Attributes:
        covered: ``surface.covered``, share of the work area wiped.
        gone_over_again: ``surface.gone_over_again``, share of the wiped area gone over again.
        reversals: changes of direction along the strokes, None where the hand was not seen.
        grid: the picture behind the numbers, None where there is none.
        palm: the way of the wiping hand's middle, columns ``x`` and ``y`` in picture widths, NaN
            where it was not seen; None where there is none.
        corners: shape (4, 2), the work area that a person drew, None where it was found.
    """

    covered: Measurement
    gone_over_again: Measurement
    reversals: int | None
    grid: WipedGrid | None
    palm: FeatureTrack | None = None
    corners: Array | None = None

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """Both measurements."""
        return self.covered, self.gone_over_again


# --- the hand that wipes ------------------------------------------------------------------------


def _wiping_hand(track: LandmarkTrack, spans: Sequence[Interval]) -> tuple[TimeBase, Array]:
    """The busier hand over the spans: sample times, keypoints (m, 21, 2); NaN = not seen."""
    around = Interval(spans[0].start_s, max(span.end_s for span in spans)).pad(BRIDGE_S, BRIDGE_S)
    part = track.time.part(around)  # nothing further away is ever bridged to
    times = track.time.times_s[part].astype(np.float64)
    grids = [
        np.arange(span.start_s, span.end_s, STEP_S) for span in spans if span.duration_s > STEP_S
    ]
    grid = np.concatenate(grids) if grids else np.array([spans[0].start_s])
    hands = track.hands[part, ..., :2].astype(np.float64)
    paths = [resample(hands[:, side], times, grid, BRIDGE_S) for side in (0, 1)]
    paths = [
        np.where(np.isfinite(path), moving_mean(path, SMOOTH_STEPS).reshape(path.shape), np.nan)
        for path in paths
    ]
    # A tracker's ghost jumps about; the median step is what a wiping hand does steadily.
    busy = [_travel(path) for path in paths]
    return TimeBase(grid, float(grid[-1] + STEP_S)), paths[int(np.argmax(busy))]


def _travel(path: Array) -> float:
    """Distance travelled by a hand, in picture widths, jumps of over half a hand left out."""
    palm = path[:, (0, 5, 9, 13, 17)].mean(axis=1)
    step = np.linalg.norm(np.diff(palm, axis=0), axis=1)
    size = hand_breadth(path)
    if not np.isfinite(size).any():
        return 0.0
    step = step[np.isfinite(step) & (step < 0.5 * np.nanmedian(size))]
    return float(step.sum())


def _footprints(hands: Array, rim: float, share: float) -> tuple[Array, Array]:
    """Outlines of n flat hands (n, 21, 2), widened by ``rim``; and scaled about their middles.

    Returns:
        Shape (n, k, 2) each. Where an outline has fewer than k corners, its last one is repeated.
    """
    # Corners are found in single precision: there are hundreds of hands, and a keypoint a
    # millionth of a picture inside an edge may as well be on it.
    found = [cv2.convexHull(h, returnPoints=False)[:, 0] for h in hands.astype(np.float32)]
    counts = np.array([len(numbers) for numbers in found])
    places = np.arange(counts.max())
    numbers = np.stack([hull[np.minimum(places, len(hull) - 1)] for hull in found])
    hulls = np.take_along_axis(hands, numbers[:, :, None], axis=1)
    once = (places < counts[:, None])[:, :, None]
    middle = (hulls * once).sum(axis=1, keepdims=True) / counts[:, None, None]
    away = hulls - middle
    length = np.linalg.norm(away, axis=2, keepdims=True)
    grown = away * (1.0 + rim / np.maximum(length, 1e-9))
    return middle + grown, middle + share * grown


def _reversals(palm: Array, width: float) -> int:
    """Changes of direction along the main axis of a path (m, 2)."""
    known = palm[np.isfinite(palm[:, 0])]
    if len(known) < 3:
        return 0
    centred = known - known.mean(axis=0)
    axis = np.linalg.svd(centred, full_matrices=False)[2][0]
    place = centred @ axis / width
    count, direction, extreme = 0, 0, float(place[0])
    for value in place.tolist():
        if direction == 0 and abs(value - extreme) > REVERSAL_SIZE:
            direction, extreme = (1 if value > extreme else -1), value
        elif direction and (value - extreme) * direction > 0:
            extreme = value
        elif direction and (extreme - value) * direction > REVERSAL_SIZE:
            count, direction, extreme = count + 1, -direction, value
    return count


# --- sweeping ------------------------------------------------------------------------------------


def _cells(path: Array, size: float, margin: float, corners: Array | None) -> tuple[Array, Array]:
    """Centres of the grid's columns and rows over everything the hand reached."""
    points = path[np.isfinite(path).all(axis=(1, 2))].reshape(-1, 2)
    if corners is not None:
        points = np.concatenate([points, corners])
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    extent = high - low
    size = max(size, float(np.sqrt(extent[0] * extent[1] / MAX_CELLS)))
    counts = np.maximum(1, np.ceil(extent / size)).astype(int)
    return tuple(low[k] + (np.arange(counts[k]) + 0.5) * size for k in (0, 1))


def _weights(cells: Array, path: Array, corners: Array | None) -> Array:
    """Table area per cell, relative, for cells (n, 2).

    With corners: the Jacobian of the homography to the unit square. Without: a plane at
    distance Z shows as area in proportion to Z**-3 and a hand on it as wide as Z**-1, so the
    weight is hand width to the power of -3, fitted over the picture's height.
    """
    if corners is not None:
        matrix = square_homography(corners)
        depth = cells @ matrix[2, :2] + matrix[2, 2]
        return np.asarray(np.abs(np.linalg.det(matrix)) / np.abs(depth) ** 3)
    size, row = hand_breadth(path), path[:, (0, 5, 9, 13, 17), 1].mean(axis=1)
    known = np.isfinite(size) & (size > 0)
    if known.sum() < 10 or np.ptp(row[known]) < np.median(size[known]):
        return np.ones(len(cells))
    slope, level = np.polyfit(row[known], np.log(size[known]), 1)
    inside = np.clip(cells[:, 1], row[known].min(), row[known].max())
    return np.asarray(np.exp(-3.0 * (slope * inside + level - np.log(np.median(size[known])))))


def sweep(
    track: LandmarkTrack,
    spans: Sequence[Interval],
    settings: SurfaceDetection,
    corners: Array | None = None,
    strokes: Sequence[Interval] | None = None,
) -> tuple[WipedGrid | None, TimeBase, Array, Mask]:
    """Sweep the wiping hand over the grid.

    Args:
        track: landmarks.
        spans: when what the hand passes over is wiped.
        settings: see :class:`review.settings.SurfaceDetection`.
        corners: shape (4, 2), a work area that a person drew.
        strokes: parts of ``spans`` in which passing by also counts as a visit (default: all).

    Returns:
        The grid (None if the hand was never seen), the sample times (m), the hand's keypoints
        (m, 21, 2), and which samples passed over cells wiped before (m,).
    """
    time, path = _wiping_hand(track, spans)
    again = np.zeros(len(time), dtype=bool)
    seen = np.flatnonzero(np.isfinite(path).all(axis=(1, 2)))
    if seen.size == 0:
        return None, time, path, again
    width = float(np.median(hand_breadth(path[seen])))
    rim = width * (settings.margin_hand_widths if corners is None else settings.cloth_hand_widths)
    stroking = np.zeros(len(time), dtype=bool)
    for span in spans if strokes is None else strokes:
        stroking |= time.inside(span)
    x, y = _cells(path, settings.cell_hand_widths * width, rim + 0.5 * width, corners)
    shape = (len(y), len(x))
    cells = np.stack(np.meshgrid(x, y), axis=-1)
    wiped, rewiped = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    visits = np.zeros(shape, dtype=np.int64)
    last = np.full(shape, -np.inf)
    for i, near, touched, under in _passes(seen, path, x, y, rim, settings.core_share):
        now = float(time.times_s[i])
        wiped[near] |= touched
        if not stroking[i]:
            continue
        count, before = visits[near], last[near]
        count += under & (now - before > settings.rewipe_delay_s)
        twice = under & (count >= 2)
        if under.any() and twice.sum() / under.sum() > MOST:
            # A sliver shared with the lane beside it is no second wipe.
            again[i] = True
            rewiped[near] |= twice
        before[under] = now
    flat = cells.reshape(-1, 2)
    around = convex_hull(cells[_row_ends(wiped)]) if corners is None else corners
    area = inside_convex(flat, around)
    weight = _weights(flat, path, corners).reshape(shape)
    grid = WipedGrid(x, y, wiped, visits, rewiped, area.reshape(shape), weight)
    return grid, time, path, again


def _row_ends(wiped: Mask) -> Mask:
    """Shape (r, c): the wiped cells without those between two others in their row.

    They have the same hull, and are few.
    """
    between = np.zeros_like(wiped)
    between[:, 1:-1] = wiped[:, :-2] & wiped[:, 2:]
    return wiped & ~between


def _passes(
    seen: NDArray[np.intp], path: Array, x: Array, y: Array, rim: float, share: float
) -> Iterator[tuple[int, tuple[slice, slice], Mask, Mask]]:
    """What each hand of a path covers of the grid.

    Args:
        seen: shape (n,), the numbers of the hands that were seen.
        path: shape (m, 21, 2).
        x: centres of the grid's columns.
        y: centres of its rows.
        rim: see :func:`_footprints`.
        share: see :func:`_footprints`.

    Yields:
        The number; the rows and columns about the hand, beyond which it covers nothing; which of
        these cells its outline covers, and which its middle does.
    """
    for first in range(0, len(seen), BLOCK):
        block = seen[first : first + BLOCK]
        whole, core = _footprints(path[block], rim, share)
        windows = []
        for axis, centres in ((1, y), (0, x)):
            low = np.searchsorted(centres, whole[..., axis].min(axis=1)) - 1
            high = np.searchsorted(centres, whole[..., axis].max(axis=1)) + 1
            length = min(int((high - low).max()), len(centres))
            starts = np.clip(low, 0, len(centres) - length)
            windows.append((starts, length, centres[starts[:, None] + np.arange(length)]))
        (top, tall, rows), (left, wide, columns) = windows
        touched = windows_inside(columns, rows, whole)
        under = windows_inside(columns, rows, core)
        for k, (number, r, c) in enumerate(zip(block.tolist(), top, left, strict=True)):
            yield number, (slice(r, r + tall), slice(c, c + wide)), touched[k], under[k]


def measure_wiping(
    phases: Timeline,
    track: LandmarkTrack,
    settings: SurfaceDetection,
    corners: Array | None = None,
    evidence: Emissions | None = None,
) -> WipingFindings:
    """``surface.covered``, ``surface.gone_over_again`` and the reversals of the wiping.

    Args:
        phases: the surface_prep segments are looked at.
        track: landmarks.
        settings: see :class:`review.settings.SurfaceDetection`.
        corners: shape (4, 2), the work area in picture widths, in order around it, where a
            person has drawn it. Without it the area is the hull of what was wiped, and a part
            that the hand never came near cannot be told from table that is not meant.
        evidence: step probabilities; with them only the wiping inside a phase counts, not what
            the hands did before and after it.

    Raises:
        ValueError: for corners that are not a convex four-sided shape.
    """
    whole = wiping_spans(phases, evidence, settings)
    # Inside an area that was drawn there is no telling the way to the first stroke from the
    # stroke; outside it, it does not count anyway. It goes over nothing again, though.
    strokes = tuple(
        _along_the_strokes(_without_approach(span, settings.approach_s), track, settings)
        for span in whole
    )
    spans = strokes if corners is None else whole
    if not spans:
        why = "No wiping of the work surface was found."
        return _nothing(spans, 0.0, why)
    grid, time, path, again = sweep(track, spans, settings, corners, strokes)
    seen = np.isfinite(path).all(axis=(1, 2))
    fraction = float(seen.mean())
    if grid is None or fraction < settings.min_seen_fraction:
        return _nothing(spans, fraction, "The wiping hand was not seen for most of the time.")
    width = float(np.median(hand_breadth(path[seen])))
    if _travel(path) < settings.min_travel_hand_widths * width:
        return _nothing(spans, 0.0, "No hand was seen to move over the surface.")
    weight = np.where(grid.area, grid.weight, 0.0)
    covered = float(weight[grid.wiped].sum() / weight.sum())
    once, twice = grid.weight[grid.visits >= 1].sum(), grid.weight[grid.rewiped].sum()
    found_area = (
        ""
        if corners is not None
        else (
            "The work area was found from the wiping itself; a part never approached is not in it."
        )
    )
    regone = merge_intervals(
        (span for span in spans_where(again, time) if _within(span, spans)),
        settings.rewipe_delay_s,
    )
    palm = path[:, (0, 5, 9, 13, 17)].mean(axis=1)
    return WipingFindings(
        Measurement("surface.covered", covered, "share", spans, fraction, found_area),
        Measurement(
            "surface.gone_over_again", float(twice / once) if once else 0.0, "share",
            regone, fraction,
        ),
        _reversals(palm, width),
        grid,
        FeatureTrack(time, ("x", "y"), ("picture widths",) * 2, palm),
        corners,
    )  # fmt: skip


def wiping_spans(
    phases: Timeline, evidence: Emissions | None, settings: SurfaceDetection
) -> tuple[Interval, ...]:
    """The wiping in each surface_prep, in order: what :func:`measure_wiping` takes of phases."""
    found = phases.of(Phase.SURFACE_PREP)
    return tuple(wiping_in(segment.interval, evidence, settings) for segment in found)


def wiping_in(span: Interval, evidence: Emissions | None, settings: SurfaceDetection) -> Interval:
    """From the first to the last moment of ``span`` at which a hand probably wipes.

    The whole span where there is no evidence, or no such moment in it.
    """
    if evidence is None:
        return span
    wiping = evidence.time.inside(span) & (evidence.step("wipe") >= settings.min_wipe_probability)
    found = [part.intersect(span) for part in spans_where(wiping, evidence.time)]
    parts = [part for part in found if part is not None]
    return Interval(parts[0].start_s, parts[-1].end_s) if parts else span


def _without_approach(span: Interval, approach_s: float) -> Interval:
    """The span without the hand's way to the first stroke and back from the last one."""
    if span.duration_s <= 4 * approach_s:
        return span
    return span.pad(-approach_s, -approach_s)


def _along_the_strokes(
    span: Interval, track: LandmarkTrack, settings: SurfaceDetection
) -> Interval:
    """The span from the first to the last moment at which the hand moves as its strokes run.

    A hand that comes to the table from elsewhere crosses the strokes' direction on its way, for
    longer than any fixed time. The direction is the one in which the hand moves most.
    """
    time, path = _wiping_hand(track, (span,))
    palm = path[:, (0, 5, 9, 13, 17)].mean(axis=1)
    moved = palm[STROKE_STEPS:] - palm[:-STROKE_STEPS]
    known = np.isfinite(moved[:, 0])
    if known.sum() < STROKE_STEPS:
        return span
    axis = np.linalg.svd(moved[known], full_matrices=False)[2][0]
    way, along = np.linalg.norm(moved, axis=1), np.abs(moved @ axis)
    least = MIN_STROKE * float(np.nanmedian(hand_breadth(path)))
    strokes = np.flatnonzero(known & (along >= settings.along_stroke_share * way) & (along > least))
    if not strokes.size:
        return span
    start = float(time.times_s[strokes[0]])
    end = float(time.times_s[strokes[-1] + STROKE_STEPS])
    return Interval(
        start if start - span.start_s <= MAX_LEAD_S else span.start_s,
        end if span.end_s - end <= MAX_LEAD_S else span.end_s,
    )


def _within(span: Interval, spans: Sequence[Interval]) -> bool:
    return any(other.intersect(span) is not None for other in spans)


def _nothing(spans: tuple[Interval, ...], fraction: float, why: str) -> WipingFindings:
    return WipingFindings(
        Measurement("surface.covered", None, "share", spans, fraction, why),
        Measurement("surface.gone_over_again", None, "share", spans, fraction, why),
        None,
        None,
    )
