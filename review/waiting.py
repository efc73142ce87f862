"""Drain, flush and fill: the quiet spans between bursts of hand work while waiting.

A camera sees hands, not fluid. When the waiting falls into exactly three quiet spans with
work of both hands between them (or, failing that, of any hand), they are taken for drain, flush
and fill in that order; anything else is 'cannot tell', and the total alone is certain.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from review.handgrid import HOP_S, moving_mean
from review.measures import Measurement
from review.settings import WaitDetection
from review.timeline import Interval, Phase, Timeline
from review.tracks import FeatureTrack, TimeBase, turns_of

WAITS = ("drain", "flush", "fill")
HANDS = ("left", "right")
SMOOTH_S = 0.5
SHORTER = 0.6
"""A burst shorter than this share of the others is a fidget among them."""


MORE: Final = (
    "Both hands worked more often than the waits need; the longest of these moments were taken."
)
ANY: Final = "Both hands did not work between all waits; the longest work of any hand was taken."
"""What is said of waits that needed a choice between bursts."""


@dataclass(frozen=True, slots=True)
class HandMotion:
    """How hands move all along, whatever the phases are.

    Attributes:
        speeds: shape (m, 2), speed of the left and the right hand, smoothed, hand widths a second;
            0 where a hand was not seen.
        pinches_apart: shape (m,), distance between the two hands' pinches, hand widths; NaN where
            one was not seen.
    """

    speeds: NDArray[np.float64]
    pinches_apart: NDArray[np.float64]


def hand_motion(features: FeatureTrack) -> HandMotion:
    """See :class:`HandMotion`."""
    column = features.column
    hop = float(np.median(features.time.widths_s)) if len(features.time) > 1 else HOP_S
    window = 2 * round(SMOOTH_S / hop / 2) + 1
    speeds = [np.hypot(column(f"{side}_speed_x"), column(f"{side}_speed_y")) for side in HANDS]
    return HandMotion(
        np.nan_to_num(moving_mean(np.stack(speeds, axis=1), window)),
        np.hypot(column("pinches_apart_x"), column("pinches_apart_y")),
    )


def hand_work(
    features: FeatureTrack,
    span: Interval,
    settings: WaitDetection,
    motion: HandMotion | None = None,
) -> list[Interval]:
    """Spans inside ``span`` in which the hands are at work, in order.

    A hand keeps moving; or, between two such moments, both hands stay together on one thing, as
    when a clamp is pressed. A hand that is not seen does not move: waiting people put their
    hands down.
    """
    motion = motion or hand_motion(features)
    moving = motion.speeds.max(axis=1) >= settings.burst_hand_widths_per_s
    together = motion.pinches_apart < settings.pause_hand_widths
    part = features.time.part(span)
    turns = part.start + turns_of(moving[part])
    if not turns.size:
        return []
    starts, ends = features.time.bounds_s[turns].reshape(-1, 2).T
    begins = np.append(True, ~_pauses(ends[:-1], starts[1:], together, features.time, settings))
    # A burst ends where the next one begins anew.
    starts = np.maximum(starts[begins], span.start_s)
    ends = np.minimum(ends[np.append(begins[1:], True)], span.end_s)
    lasting = (ends > starts) & (ends - starts >= settings.min_burst_s)
    return [Interval(*edges) for edges in np.stack([starts, ends], axis=1)[lasting].tolist()]


def of_both_hands(
    bursts: list[Interval],
    features: FeatureTrack,
    settings: WaitDetection,
    motion: HandMotion | None = None,
) -> list[Interval]:
    """What is left of bursts from the last moment on at which one hand worked alone for long.

    One hand steadies what the other works, so both come and go; a hand that scratches or
    straightens something leaves the other where it lies. Work may follow that at once.
    """
    speeds = (motion or hand_motion(features)).speeds
    least = settings.one_hand_share * settings.burst_hand_widths_per_s
    alone = (speeds.max(axis=1) >= least) & (speeds.min(axis=1) < least)
    time, bounds = features.time, features.time.bounds_s
    turns = turns_of(alone).reshape(-1, 2)
    lasts = bounds[turns[:, 1]] - bounds[turns[:, 0]]
    # Seldom one of hundreds; the part of it inside a burst lasts no longer than all of it.
    fidgets = [(first, end) for first, end in turns[lasts >= settings.min_one_hand_s].tolist()]
    ends = [end for _, end in fidgets]
    kept = []
    firsts = np.searchsorted(time.times_s, [burst.start_s for burst in bursts]).tolist()
    stops = np.searchsorted(time.times_s, [burst.end_s for burst in bursts]).tolist()
    for burst, begin, stop in zip(bursts, firsts, stops, strict=True):
        start = burst.start_s
        for k in range(bisect_right(ends, begin), bisect_left(fidgets, (stop, 0))):
            first, end = max(fidgets[k][0], begin), min(fidgets[k][1], stop)
            if time.bound(end) - time.bound(first) >= settings.min_one_hand_s:
                start = time.bound(end)
        if burst.end_s - start >= settings.min_burst_s:
            kept.append(Interval(start, burst.end_s))
    return kept


def longest(bursts: list[Interval], span: Interval) -> list[Interval]:
    """As many bursts as waits need, where the others are clearly shorter; else all.

    The first wait begins with the span, whether a burst does so or not.
    """
    first = [burst for burst in bursts if burst.start_s <= span.start_s + SMOOTH_S]
    rest = [burst for burst in bursts if burst not in first]
    rest.sort(key=lambda burst: burst.duration_s, reverse=True)
    needed = len(WAITS) - 1
    if len(rest) <= needed or rest[needed].duration_s > SHORTER * rest[needed - 1].duration_s:
        return bursts
    return sorted([*first, *rest[:needed]], key=lambda burst: burst.start_s)


def _pauses(
    starts_s: NDArray[np.float64],
    ends_s: NDArray[np.float64],
    together: NDArray[np.bool_],
    time: TimeBase,
    settings: WaitDetection,
) -> NDArray[np.bool_]:
    """Shape (n,): whether the hands only paused in their work in each of n gaps."""
    lasts = ends_s - starts_s
    first, end = np.searchsorted(time.times_s, starts_s), np.searchsorted(time.times_s, ends_s)
    count = np.append(0, np.cumsum(together))
    mostly = 2 * (count[end] - count[first]) > end - first
    return np.asarray(
        (lasts < settings.min_wait_s) | ((lasts <= settings.max_pause_s) & mostly), dtype=bool
    )


def quiet_spans(
    features: FeatureTrack,
    span: Interval,
    settings: WaitDetection,
    motion: HandMotion | None = None,
) -> tuple[tuple[Interval, ...], str]:
    """What the bursts of hand work leave of ``span``, if long enough to be a wait.

    Bursts of both hands where these leave one quiet span for each wait, else all.

    Returns:
        The spans, and one sentence where a choice between bursts was needed, which makes waits
        less certain.
    """
    motion = motion or hand_motion(features)
    bursts = hand_work(features, span, settings, motion)
    both = of_both_hands(bursts, features, settings, motion)
    for found, doubt in ((both, ""), (longest(both, span), MORE), (longest(bursts, span), ANY)):
        quiet = _between(found, span, settings)
        if len(quiet) == len(WAITS):
            return quiet, doubt
    return _between(bursts, span, settings), ""


def _between(
    bursts: list[Interval], span: Interval, settings: WaitDetection
) -> tuple[Interval, ...]:
    edges = [span.start_s]
    for burst in bursts:
        edges += [burst.start_s, burst.end_s]
    edges.append(span.end_s)
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return tuple(Interval(start, end) for start, end in pairs if end - start >= settings.min_wait_s)


def measure_waits(
    phases: Timeline,
    features: FeatureTrack,
    settings: WaitDetection,
    motion: HandMotion | None = None,
) -> tuple[Measurement, ...]:
    """``wait.drain``, ``wait.flush`` and ``wait.fill``, in seconds from hand work to hand work.

    ``motion`` may be given where it is known already.
    """
    segments = phases.of(Phase.WAITING)
    if not segments:
        why = "No waiting was found between connecting and disconnecting."
        return tuple(Measurement(f"wait.{name}", None, "s", (), 0.0, why) for name in WAITS)
    whole = Interval(segments[0].interval.start_s, segments[-1].interval.end_s)
    quiet, doubt = quiet_spans(features, whole, settings, motion)
    if len(quiet) != len(WAITS):
        why = (
            f"The waiting lasted {whole.duration_s:.0f} s in all, with {len(quiet)} quiet spans; "
            "drain, flush and fill cannot be told apart."
        )
        return tuple(Measurement(f"wait.{name}", None, "s", (whole,), 1.0, why) for name in WAITS)
    # A wait begins with the hand work that starts it (a clamp opened) and ends with the next.
    starts = [whole.start_s, quiet[0].end_s, quiet[1].end_s]
    ends = [quiet[0].end_s, quiet[1].end_s, whole.end_s]
    return tuple(
        Measurement(f"wait.{name}", end - start, "s", (Interval(start, end),), why=doubt)
        for name, start, end in zip(WAITS, starts, ends, strict=True)
    )
