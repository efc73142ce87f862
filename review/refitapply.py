"""A unit's own values at work: on what each moment looks like, on lengths, and on flags.

Pure functions. With no values, or with zeros, everything is exactly as shipped; the tests hold
that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from review.analysis import Flag, FlagKind
from review.emissions import PHASES, STEPS, Emissions
from review.handgrid import moving_mean
from review.measures import Measurement
from review.protocol import Protocol, Step
from review.refitvalues import FlagValues, PhaseValues, UnitValues
from review.settings import FlagDetection

Floats = NDArray[np.float64]

LEAST: Final = 1e-4
"""Probabilities are not taken to be smaller than this before their log is used."""

AROUND_S: Final = 2.0
"""The second half of the inputs is the mean over so many seconds before and after."""

CENTRE: Final = float(np.log(0.02))
"""Taken off every log-probability, so that an input is small where a thing is about possible."""

NAMES: Final = (*(phase.value for phase in PHASES), *STEPS)
INPUTS: Final = (*NAMES, *(f"{name}_around" for name in NAMES))
"""What the weights of :class:`PhaseValues` are for: the network's log-probabilities of phases and
steps at the moment, and their means around it."""

LARGEST_EXCESS: Final = 2.0
"""A target missed by more than a factor of e squared (about seven) tells no more than that."""


def inputs_of(emissions: Emissions) -> Floats:
    """Shape (m, 62): the columns of :data:`INPUTS`."""
    both = np.concatenate((emissions.phase_prob, emissions.step_prob), axis=1)
    here = np.log(np.maximum(both, LEAST)) - CENTRE
    hop_s = float(np.median(emissions.time.widths_s))
    width = 2 * max(round(AROUND_S / hop_s), 1) + 1
    around = moving_mean(here, width)
    return np.concatenate((here, around), axis=1)


def adjusted(emissions: Emissions, values: PhaseValues | None) -> Emissions:
    """The same moments as a unit's own values see them; steps, open line and rate stay.

    Raises:
        ValueError: if the values are for other inputs than :data:`INPUTS`.
    """
    if values is None:
        return emissions
    prob = adjusted_probability(emissions.phase_prob, inputs_of(emissions), values)
    return replace(emissions, phase_prob=prob, phase_prior=np.array(values.prior))


def adjusted_probability(prob: Floats, inputs: Floats, values: PhaseValues) -> Floats:
    """Shape (n, 7): probability of each phase; ``prob`` as the network's, ``inputs`` (n, 62).

    Raises:
        ValueError: if the values are for other inputs than :data:`INPUTS`.
    """
    weights = np.array(values.weights)
    if weights.shape != (len(PHASES), len(INPUTS)):
        raise ValueError(f"these values have shape {weights.shape}; another release made them")
    scores = np.log(np.maximum(prob, LEAST)) + inputs @ weights.T + np.array(values.shift)
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(scores / scores.sum(axis=1, keepdims=True))


def with_values(protocol: Protocol, values: UnitValues | None) -> Protocol:
    """A protocol that works with a unit's values (None: the shipped ones)."""
    detection = protocol.detection.model_copy(update={"unit": values})
    return protocol.model_copy(update={"detection": detection})


def believable_steps(protocol: Protocol) -> tuple[Step, ...]:
    """The protocol's steps with the lengths that a unit's corrections speak for."""
    values = protocol.detection.unit
    if values is None or values.phases is None:
        return protocol.steps
    if values.protocol != protocol.name:
        return protocol.steps
    lengths = values.phases.lengths
    return tuple(
        step
        if step.phase not in lengths
        else step.model_copy(
            update=dict(zip(("min_s", "typical_s", "max_s"), lengths[step.phase], strict=True))
        )
        for step in protocol.steps
    )


def for_decoding(protocol: Protocol) -> Protocol:
    """The protocol as the phases are told apart with."""
    steps = believable_steps(protocol)
    return protocol if steps is protocol.steps else protocol.model_copy(update={"steps": steps})


# --- flags ------------------------------------------------------------------------------------


def least_confidence(kind: FlagKind, settings: FlagDetection) -> float:
    """The shipped (or the protocol's) threshold for a kind of flag."""
    return {
        FlagKind.TALKING_NEAR_OPEN_LINE: settings.min_confidence_talking,
        FlagKind.HAND_TO_FACE: settings.min_confidence_hand_to_face,
        FlagKind.PHASE_MISSING: settings.min_confidence_phase_missing,
        FlagKind.PHASE_OUT_OF_ORDER: settings.min_confidence_phase_missing,
    }.get(kind, settings.min_confidence)


def over_threshold(confidence: float, least: float) -> float:
    """How far a confidence lies over a threshold, as a difference of log-odds.

    >>> over_threshold(0.5, 0.5)
    0.0
    """
    return _log_odds(confidence) - _log_odds(least)


def _log_odds(share: float) -> float:
    share = min(max(share, 0.02), 0.98)
    return float(np.log(share / (1.0 - share)))


def excess(flag: Flag, found: Mapping[str, float | None], protocol: Protocol) -> float:
    """By how much the number behind a flag misses its target, as the log of a ratio, 0..2.

    Args:
        flag: the flag; its ``measure`` names the number.
        found: the numbers measured.
        protocol: holds the targets.
    """
    value, target = found.get(flag.measure), protocol.target(flag.measure)
    if value is None or target is None:
        return 0.0
    ratio = 1.0
    if target.at_least is not None and value < target.at_least:
        ratio = target.at_least / max(value, 0.01 * target.at_least)
    elif target.at_most is not None and value > target.at_most > 0:
        ratio = value / target.at_most
    return float(min(np.log(ratio), LARGEST_EXCESS))


def values_by_name(measurements: Iterable[Measurement]) -> dict[str, float | None]:
    """The numbers measured, by name."""
    return {measurement.name: measurement.value for measurement in measurements}


def worth_showing(
    flag: Flag, values: FlagValues | None, settings: FlagDetection, missed_by: float
) -> bool:
    """Whether a flag is sure enough to be shown; ``missed_by`` as :func:`excess`."""
    least = least_confidence(flag.kind, settings)
    if values is None:
        return flag.confidence >= least
    return shown_score(over_threshold(flag.confidence, least), missed_by, values) >= 0.0


def shown_score(over: float, missed_by: float, values: FlagValues) -> float:
    """The score that decides; see :class:`FlagValues`."""
    return over + values.shift + values.slope * over + values.excess * missed_by
