"""Which three seconds of a recording show a flag best.

A flag can span a whole wash; a nurse, a patient or a report wants the moment itself. For what
did *not* happen there is no such moment: then it is the place where it was due.
"""

from __future__ import annotations

import numpy as np

from review.analysis import FlagKind
from review.timeline import Interval
from review.tracks import FeatureTrack

SHOWN_S = 3.0
"""Length of what is shown: long enough to see an action, short enough to watch all of them."""

LEAD_S = 0.5
"""Shown before an action begins, so that its beginning can be seen."""

AT_THE_END = frozenset({FlagKind.WASH_SHORT, FlagKind.HAND_RUB_SHORT, FlagKind.WAIT_SHORT})
"""What was broken off too soon shows where it ends."""

BEFORE = frozenset({FlagKind.HAND_RUB_MISSING})
"""What was left out before something shows in the seconds before that begins."""

IN_THE_MIDDLE = frozenset({FlagKind.NOT_SEEN, FlagKind.WASH_SURFACE_MISSED})


def moment_to_show(
    kind: FlagKind, span: Interval, extent: Interval, talking: FeatureTrack | None = None
) -> Interval:
    """About ``SHOWN_S`` seconds of ``extent`` that show a flag.

    Args:
        kind: what was flagged.
        span: the flag's own time.
        extent: the whole recording.
        talking: column ``probability`` over time; talking is shown where it is likeliest.

    Returns:
        A span inside ``extent``, shorter than ``SHOWN_S`` only where the recording is.
    """
    if kind in AT_THE_END:
        start = span.end_s - SHOWN_S + LEAD_S
    elif kind in BEFORE:
        start = span.start_s - SHOWN_S + LEAD_S
    elif kind in IN_THE_MIDDLE:
        start = 0.5 * (span.start_s + span.end_s - SHOWN_S)
    else:
        start = span.start_s - LEAD_S
        if kind is FlagKind.TALKING_NEAR_OPEN_LINE and talking is not None:
            start = _likeliest_start(span, talking)
    latest = max(extent.start_s, extent.end_s - SHOWN_S)
    start = min(max(start, extent.start_s), latest)
    return Interval(start, min(start + SHOWN_S, extent.end_s))


def _likeliest_start(span: Interval, talking: FeatureTrack) -> float:
    """Start of the ``SHOWN_S`` inside ``span`` with the largest summed probability of talking."""
    inside = talking.time.inside(span)
    times = talking.time.times_s[inside]
    if span.duration_s <= SHOWN_S or not times.size:
        return span.start_s - LEAD_S
    chance = np.nan_to_num(talking.column("probability")[inside])
    sums = np.concatenate([[0.0], np.cumsum(chance)])
    last = np.searchsorted(times, times + SHOWN_S)
    best = int(np.argmax(sums[last] - sums[:-1]))
    return float(min(times[best], span.end_s - SHOWN_S))
