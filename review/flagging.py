"""What every rule of the flags uses: making one, its sentence, and the span it lies in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from review.analysis import Flag, FlagKind, FlagLevel
from review.measures import Measurement, Target, quantity
from review.timeline import Interval

UNSURE = 0.5
"""Confidence of a flag whose evidence says nothing of its own."""


def flag_of(
    kind: FlagKind,
    span: Interval,
    level: FlagLevel,
    confidence: float,
    message: str,
    measure: str = "",
) -> Flag:
    """A flag; its confidence (0..1) is cut to that range."""
    return Flag(
        kind=kind,
        start_s=max(span.start_s, 0.0),
        end_s=span.end_s,
        level=level,
        confidence=float(np.clip(confidence, 0.0, 1.0)),
        message=message,
        measure=measure,
    )


def against(words: str, measurement: Measurement, target: Target) -> str:
    """A sentence: the words, the number, and what it is held against."""
    assert measurement.value is not None
    return (
        f"{words} {quantity(measurement.value, measurement.unit)}; "
        f"target {target.text} ({target.source})."
    )


def hull(spans: Sequence[Interval]) -> Interval:
    """From the first start to the last end; at least one span."""
    return Interval(min(s.start_s for s in spans), max(s.end_s for s in spans))
