"""Fitting a unit's own values: small, penalised, and towards the shipped ones.

Everything here starts from the shipped answer as an offset and is pulled back to it, so that few
corrections change little. Two regressions do the work, both fitted by Newton's method with the
penalty in the Hessian (ridge; for the logistic case le Cessie and van Houwelingen, Applied
Statistics 1992;41:191-201), so the minimum is unique. numpy alone; the tests hold both against
scikit-learn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from review.emissions import PHASES, STILL_ODDS, WAITING_ODDS
from review.protocol import Protocol
from review.refitapply import INPUTS, LEAST
from review.refitvalues import DECIMALS, FlagValues, PhaseValues
from review.timeline import Phase, Timeline

Floats = NDArray[np.float64]

MOST_STEPS: Final = 60
"""Newton's method needs under twenty; more would mean that something is wrong."""

ENOUGH: Final = 1e-9
"""Stop when a step no longer lowers the objective by this share of it."""

PRIOR_S: Final = 60.0
"""Shares and odds begin with so many seconds that say what is shipped (a whole exchange of a
practice session is about two minutes; unit setting)."""

PRIOR_FACTOR: Final = 2.0
"""A phase's share in a unit is taken to be within this factor of the shipped one."""

PRIOR_LENGTHS: Final = 5.0
"""A phase's typical length begins with so many that say what the protocol says (unit setting)."""

LENGTH_Z: Final = 1.645
"""Standard normal quantile of 0.95, as in :data:`review.phases.BEYOND_MAX_Z`."""

SHOW_FROM: Final = 0.25
"""A flag is worth showing when at least so likely right: a trainer looks at three wrong ones
rather than miss one right one (unit setting, no source). It is where the shipped threshold is put
before there are any decisions."""


@dataclass(frozen=True, slots=True)
class PhaseRows:
    """What corrected sessions say about phases, one row a moment.

    Attributes:
        inputs: shape (n, 62), see :data:`review.refitapply.INPUTS`.
        prob: shape (n, 7), what the network said.
        label: shape (n,), the number of the phase that it was.
        weight: shape (n,), seconds that the row stands for, less where it is less sure.
        still: shape (n,), whether hands were known not to move.
        lengths_s: by phase, lengths of its whole segments, seconds.
    """

    inputs: Floats
    prob: Floats
    label: NDArray[np.intp]
    weight: Floats
    still: NDArray[np.bool_]
    lengths_s: tuple[tuple[Phase, float], ...]


def joined(rows: Sequence[PhaseRows]) -> PhaseRows:
    """Rows of several sessions together.

    Raises:
        ValueError: if there are none.
    """
    if not rows:
        raise ValueError("there is nothing to fit to")
    return PhaseRows(
        np.concatenate([part.inputs for part in rows]),
        np.concatenate([part.prob for part in rows]),
        np.concatenate([part.label for part in rows]),
        np.concatenate([part.weight for part in rows]),
        np.concatenate([part.still for part in rows]),
        tuple(item for part in rows for item in part.lengths_s),
    )


def whole_lengths(phases: Timeline) -> tuple[tuple[Phase, float], ...]:
    """Lengths of the segments that the recording's ends do not cut off, ``other`` left out."""
    extent = phases.extent
    return tuple(
        (segment.phase, segment.interval.duration_s)
        for segment in phases
        if segment.phase is not Phase.OTHER
        and segment.interval.start_s > extent.start_s
        and segment.interval.end_s < extent.end_s
    )


# --- two regressions --------------------------------------------------------------------------


def softmax_fit(
    inputs: Floats, label: NDArray[np.intp], weight: Floats, offset: Floats, ridge: Floats
) -> Floats:
    """Multinomial logistic regression on top of an offset.

    Minimises ``sum_i weight_i * (-log softmax(offset_i + W inputs_i)[label_i])
    + sum_j ridge_j / 2 * sum_k W_kj ** 2``.

    Args:
        inputs: shape (n, d).
        label: shape (n,), 0..k-1.
        weight: shape (n,).
        offset: shape (n, k).
        ridge: shape (d,), all above 0.

    Returns:
        W, shape (k, d).
    """
    classes, width = offset.shape[1], inputs.shape[1]
    truth = np.eye(classes)[label]
    fitted = np.zeros((classes, width))

    def objective(values: Floats) -> float:
        scores = offset + inputs @ values.T
        top = scores.max(axis=1)
        logs = scores[np.arange(len(label)), label] - top
        logs = logs - np.log(np.exp(scores - top[:, None]).sum(axis=1))
        return float(-(weight * logs).sum() + 0.5 * (ridge * values**2).sum())

    now = objective(fitted)
    for _ in range(MOST_STEPS):
        prob = _softmax(offset + inputs @ fitted.T)
        slope = (weight[:, None] * (prob - truth)).T @ inputs + ridge * fitted
        bend = np.zeros((classes, width, classes, width))
        for a in range(classes):
            for b in range(a, classes):
                share = weight * prob[:, a] * ((a == b) - prob[:, b])
                bend[a, :, b, :] = inputs.T @ (share[:, None] * inputs)
                bend[b, :, a, :] = bend[a, :, b, :].T
            bend[a, :, a, :] += np.diag(ridge)
        size = classes * width
        step = np.linalg.solve(bend.reshape(size, size), slope.ravel()).reshape(classes, width)
        fitted, now, done = _moved(objective, fitted, step, now)
        if done:
            break
    return fitted


def logistic_fit(inputs: Floats, right: Floats, offset: Floats, ridge: Floats) -> Floats:
    """Logistic regression on top of an offset.

    Minimises the summed log-loss of ``right`` plus ``sum_j ridge_j / 2 * w_j ** 2``.

    Args:
        inputs: shape (n, d).
        right: shape (n,), 0 or 1.
        offset: shape (n,), log-odds.
        ridge: shape (d,), all above 0.

    Returns:
        w, shape (d,).
    """
    fitted = np.zeros(inputs.shape[1])

    def objective(values: Floats) -> float:
        scores = offset + inputs @ values
        loss = np.logaddexp(0.0, scores) - right * scores
        return float(loss.sum() + 0.5 * (ridge * values**2).sum())

    now = objective(fitted)
    for _ in range(MOST_STEPS):
        prob = 1.0 / (1.0 + np.exp(-(offset + inputs @ fitted)))
        slope = inputs.T @ (prob - right) + ridge * fitted
        bend = inputs.T @ ((prob * (1.0 - prob))[:, None] * inputs) + np.diag(ridge)
        fitted, now, done = _moved(objective, fitted, np.linalg.solve(bend, slope), now)
        if done:
            break
    return fitted


def _moved(objective: Any, values: Floats, step: Floats, now: float) -> tuple[Floats, float, bool]:
    """One step down, halved until it goes down; whether it was the last one worth making."""
    size = 1.0
    while size > 1e-6:
        tried = values - size * step
        then = objective(tried)
        if then <= now:
            return tried, then, now - then <= ENOUGH * max(abs(now), 1.0)
        size /= 2.0
    return values, now, True


def _softmax(scores: Floats) -> Floats:
    shifted = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=1, keepdims=True))


# --- phases -----------------------------------------------------------------------------------


def fit_phases(
    rows: PhaseRows, shipped_prior: Floats, protocol: Protocol, strength: float
) -> PhaseValues:
    """A unit's phase values from corrected sessions.

    Args:
        rows: what they say.
        shipped_prior: shape (7,), how common each phase was where the network was trained.
        protocol: the unit's, for its lengths.
        strength: ridge of the weights, in seconds of recording; the shift has a tenth of it.
    """
    prior = _shares(rows, shipped_prior)
    width = len(INPUTS)
    ridge = np.append(np.full(width, strength), strength / 10.0)
    with_shift = np.concatenate((rows.inputs, np.ones((len(rows.label), 1))), axis=1)
    offset = np.log(np.maximum(rows.prob, LEAST))
    fitted = softmax_fit(with_shift, rows.label, rows.weight, offset, ridge)
    still_odds, waiting_odds = _odds_at_rest(rows)
    return PhaseValues(
        weights=tuple(tuple(_rounded(row)) for row in fitted[:, :width]),
        shift=tuple(_rounded(fitted[:, width])),
        prior=tuple(_rounded(prior)),
        still_odds=round(still_odds, DECIMALS),
        waiting_odds=round(waiting_odds, DECIMALS),
        lengths=_lengths(rows, protocol),
    )


def _rounded(values: Floats) -> list[float]:
    return [round(float(value), DECIMALS) for value in values]


def _shares(rows: PhaseRows, shipped: Floats) -> Floats:
    """How common each phase is: seconds counted, on top of some that say what is shipped.

    At most :data:`PRIOR_FACTOR` times more or less common than shipped: evidence is a probability
    over this share, and a phase that a unit hardly has would gain by every trace of it.
    """
    seconds = np.bincount(rows.label, rows.weight, minlength=len(PHASES)) + PRIOR_S * shipped
    shares = seconds / seconds.sum()
    near = np.clip(shares, shipped / PRIOR_FACTOR, shipped * PRIOR_FACTOR)
    return np.asarray(near / near.sum())


def _odds_at_rest(rows: PhaseRows) -> tuple[float, float]:
    """Log-odds against work of hands that hold still, and of waiting among what is no work.

    Both are counted seconds on top of :data:`PRIOR_S` that say what is shipped, the first never
    below even odds.
    """
    seconds = np.bincount(rows.label[rows.still], rows.weight[rows.still], minlength=len(PHASES))
    waiting = float(seconds[PHASES.index(Phase.WAITING)])
    other = float(seconds[PHASES.index(Phase.OTHER)])
    work = float(seconds.sum()) - waiting - other
    idle_share = 1.0 / (1.0 + np.exp(-STILL_ODDS))
    waiting_share = 1.0 / (1.0 + np.exp(-WAITING_ODDS))
    still = np.log((waiting + other + PRIOR_S * idle_share) / (work + PRIOR_S * (1 - idle_share)))
    wait = np.log((waiting + PRIOR_S * waiting_share) / (other + PRIOR_S * (1 - waiting_share)))
    return float(np.clip(still, 0.0, 10.0)), float(np.clip(wait, -10.0, 10.0))


def _lengths(rows: PhaseRows, protocol: Protocol) -> dict[Phase, tuple[float, float, float]]:
    """Least, typical and longest length of each phase, on a log scale, pulled to the protocol's.

    A phase with several steps in the protocol (two hand rubs) has one length for all of them.
    """
    found: dict[Phase, tuple[float, float, float]] = {}
    for phase in dict.fromkeys(step.phase for step in protocol.steps):
        steps = [step for step in protocol.steps if step.phase is phase]
        logs = np.log([length for name, length in rows.lengths_s if name is phase])
        if logs.size < 2:
            continue
        usual = np.log([step.typical_s for step in steps]).mean()
        spread = np.log([step.max_s / step.typical_s for step in steps]).mean() / LENGTH_Z
        count = logs.size + PRIOR_LENGTHS
        typical = (logs.sum() + PRIOR_LENGTHS * usual) / count
        around = ((logs - typical) ** 2).sum() + PRIOR_LENGTHS * spread**2
        width = np.sqrt(around / count)
        longest = max(typical + LENGTH_Z * width, float(logs.max()))
        least = min(np.log(min(step.min_s for step in steps)), float(logs.min()) - 0.3)
        values = np.exp([min(least, typical), typical, longest])
        found[phase] = (
            round(float(values[0]), 2), round(float(values[1]), 2), round(float(values[2]), 2)
        )  # fmt: skip
    return found


# --- flags ------------------------------------------------------------------------------------

FLAG_RIDGE: Final = (1.0, 4.0, 4.0)
"""Penalties of shift, slope and excess: one decision against a kind moves its threshold little,
ten of one voice move it clearly (unit setting, no source)."""


def fit_flag(over: Floats, missed_by: Floats, right: Floats) -> FlagValues:
    """When one kind of flag is worth showing, from what trainers said about it.

    The chance that a flag is right has log-odds ``log-odds(SHOW_FROM) + over + w . (1, over,
    missed_by)``, so that with no decisions (w = 0) the shipped threshold stands.

    Args:
        over: shape (n,), the confidence over the threshold; see :class:`FlagValues`.
        missed_by: shape (n,), by how much the number misses its target; likewise.
        right: shape (n,), 1 where a trainer agreed, 0 where not.
    """
    inputs = np.stack((np.ones_like(over), over, missed_by), axis=1)
    base = np.log(SHOW_FROM / (1.0 - SHOW_FROM))
    shift, slope, more = logistic_fit(inputs, right, base + over, np.array(FLAG_RIDGE))
    return FlagValues(
        shift=round(float(shift), DECIMALS),
        slope=round(float(np.clip(slope, -0.9, 10.0)), DECIMALS),
        excess=round(float(more), DECIMALS),
    )
