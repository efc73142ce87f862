"""Whether values learnt from corrections are better, checked so that they cannot flatter.

The people of a unit are dealt into folds; whoever is scored was never in the fit, and neither was
any other session of theirs. How strongly the fit is pulled to the shipped values is chosen inside
the fit, on folds of its own people, so the check does not see that choice either. What comes out
is compared with the shipped values person by person, with a bootstrap over people (percentile
interval; Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from review.analysis import FlagKind
from review.emissions import load_model
from review.flags import find_flags
from review.pipeline import measurements
from review.refitapply import (
    adjusted_probability,
    excess,
    least_confidence,
    over_threshold,
    values_by_name,
    with_values,
)
from review.refitfit import fit_flag, fit_phases, joined
from review.refitlessons import (
    Lesson,
    Score,
    findings_with,
    judged_flags,
    look_flags,
    score_lesson,
    showing_all,
)
from review.refitvalues import PhaseValues, UnitValues, network

Floats = NDArray[np.float64]
Progress = Callable[[float], None]

LEAST_SESSIONS: Final = 5
"""Fewer corrected sessions are not worth fitting to (unit setting)."""

LEAST_PEOPLE: Final = 4
"""From fewer people nobody could be left out and still enough be learnt (unit setting)."""

LEAST_DECISIONS: Final = 8
"""A kind of flag with fewer decisions keeps the shipped threshold (unit setting)."""

FOLDS: Final = 5
INNER_FOLDS: Final = 3
STRENGTHS: Final = (3.0, 30.0, 300.0)
"""How strongly weights may be pulled to the shipped ones, in seconds of recording."""

LEAST_GAIN: Final = 0.1
"""A change for less than a tenth of what goes wrong is not worth analyses that differ from before
(unit setting)."""

RESAMPLES: Final = 4000
SEED: Final = 1
"""Of the bootstrap, so that the same corrections give the same figures."""


def folds_of(people: Sequence[str], count: int) -> tuple[frozenset[str], ...]:
    """People dealt into folds, those with most sessions first, each to the fold with fewest.

    >>> [sorted(fold) for fold in folds_of(["a", "a", "b", "c"], 2)]
    [['a'], ['b', 'c']]
    """
    sessions = {person: list(people).count(person) for person in sorted(set(people))}
    count = min(count, len(sessions))
    folds: list[set[str]] = [set() for _ in range(count)]
    sizes = [0] * count
    for person in sorted(sessions, key=lambda code: (-sessions[code], code)):
        place = sizes.index(min(sizes))
        folds[place].add(person)
        sizes[place] += sessions[person]
    return tuple(frozenset(fold) for fold in folds)


def split(
    lessons: Sequence[Lesson], held_out: frozenset[str]
) -> tuple[tuple[Lesson, ...], tuple[Lesson, ...]]:
    """Lessons to fit to and lessons to check on; nobody is in both."""
    return (
        tuple(lesson for lesson in lessons if lesson.person not in held_out),
        tuple(lesson for lesson in lessons if lesson.person in held_out),
    )


# --- fitting ----------------------------------------------------------------------------------


def learn(lessons: Sequence[Lesson]) -> UnitValues:
    """Values from lessons; nothing outside them is looked at.

    Raises:
        ValueError: if there are no lessons.
    """
    prior = load_model().phase_prior
    protocol = lessons[0].protocol
    folds = folds_of([lesson.person for lesson in lessons], INNER_FOLDS)
    tried: dict[float, list[PhaseValues]] = {strength: [] for strength in STRENGTHS}
    loss = dict.fromkeys(STRENGTHS, 0.0)
    for fold in folds if len(folds) > 1 else ():
        inside, outside = split(lessons, fold)
        rows = joined([lesson.rows for lesson in inside])
        for strength in STRENGTHS:
            values = fit_phases(rows, prior, protocol, strength)
            tried[strength].append(values)
            loss[strength] += sum(_loss(lesson, values) for lesson in outside)
    best = min(STRENGTHS, key=lambda strength: (loss[strength], -strength))
    whole = fit_phases(joined([lesson.rows for lesson in lessons]), prior, protocol, best)
    apart = UnitValues(network=network(), protocol=protocol.name)
    flags = _learn_flags(
        [
            (lesson, apart.model_copy(update={"phases": values}))
            for fold, values in zip(folds, tried[best], strict=False)
            for lesson in split(lessons, fold)[1]
        ]
    )
    return apart.model_copy(update={"phases": whole, "flags": flags})


def _loss(lesson: Lesson, values: PhaseValues) -> float:
    """Summed log-loss of the corrected phases, in nats times seconds."""
    rows = lesson.rows
    prob = adjusted_probability(rows.prob, rows.inputs, values)
    chance = np.maximum(prob[np.arange(len(rows.label)), rows.label], 1e-6)
    return float(-(rows.weight * np.log(chance)).sum())


def _learn_flags(tried: Sequence[tuple[Lesson, UnitValues]]) -> dict[str, Any]:
    """Thresholds by kind, from lessons each seen with values that others' lessons gave."""
    told: dict[FlagKind, list[tuple[float, float, float]]] = {}
    people: dict[FlagKind, set[str]] = {}
    for lesson, values in tried:
        findings = findings_with(lesson, values)
        numbers = values_by_name(measurements(findings))
        protocol = with_values(lesson.protocol, values)
        flags = look_flags(find_flags(findings, showing_all(protocol)))
        for flag, right in zip(flags, judged_flags(lesson, flags), strict=True):
            if right is None:
                continue
            least = least_confidence(flag.kind, lesson.protocol.detection.flags)
            over = over_threshold(flag.confidence, least)
            missed_by = excess(flag, numbers, lesson.protocol)
            told.setdefault(flag.kind, []).append((over, missed_by, float(right)))
            people.setdefault(flag.kind, set()).add(lesson.person)
    return {
        kind.value: fit_flag(*np.array(rows).T)
        for kind, rows in sorted(told.items())
        if len(rows) >= LEAST_DECISIONS and len(people[kind]) >= LEAST_PEOPLE
    }


# --- checking ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure before and after, as means over people of the mean over their sessions.

    Attributes:
        shipped, own: the figure with the values it is compared with, and with the new ones.
        difference: own minus shipped; low and high: 95 % interval, bootstrap over people.
    """

    shipped: float
    own: float
    difference: float
    low: float
    high: float

    @property
    def better(self) -> bool:
        """Whether it fell beyond doubt, and by enough to be worth it."""
        return self.high < 0.0 and self.own <= (1.0 - LEAST_GAIN) * self.shipped

    @property
    def worse(self) -> bool:
        """Whether it rose beyond doubt."""
        return self.low > 0.0


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check by people found.

    Attributes:
        sessions, people: how many were scored.
        edges_s: error of an edge of a phase, seconds.
        false_flags, missed: flags a session.
    """

    sessions: int
    people: int
    edges_s: Compared
    false_flags: Compared
    missed: Compared

    def as_json(self) -> dict[str, Any]:
        """Plain numbers, rounded."""
        return {
            name: {key: round(number, 4) for key, number in value.items()}
            if isinstance(value, dict)
            else value
            for name, value in asdict(self).items()
        }


def too_little(lessons: Sequence[Lesson]) -> str | None:
    """What is missing before anything can be learnt, in one sentence; None where it is enough."""
    people = len({lesson.person for lesson in lessons})
    if len(lessons) >= LEAST_SESSIONS and people >= LEAST_PEOPLE:
        return None
    return (
        f"There are {len(lessons)} sessions with corrected phases, of {people} people; at least "
        f"{LEAST_SESSIONS} sessions of at least {LEAST_PEOPLE} people are needed, so that the "
        "check can leave people out. Correct some more phases on the review page, then try again."
    )


def cross_checked(
    lessons: Sequence[Lesson],
    now: UnitValues | None = None,
    progress: Progress | None = None,
    *,
    fit: Callable[[Sequence[Lesson]], UnitValues] = learn,
) -> Checked:
    """Values learnt without a person against the values in use (None: shipped), on that person."""
    folds = folds_of([lesson.person for lesson in lessons], FOLDS)
    scores: dict[str, list[tuple[Score, Score]]] = {}
    for number, fold in enumerate(folds):
        inside, outside = split(lessons, fold)
        values = fit(inside)
        for lesson in outside:
            pair = score_lesson(lesson, now), score_lesson(lesson, values)
            scores.setdefault(lesson.person, []).append(pair)
        if progress is not None:
            progress((number + 1) / len(folds))
    return compared(scores)


def compared(scores: Mapping[str, Sequence[tuple[Score, Score]]]) -> Checked:
    """Pairs of scores (before, after) by person, summed up with intervals."""

    def figure(of: Callable[[Score], float]) -> Compared:
        pairs = np.array(
            [
                [np.mean([of(pair[side]) for pair in sessions]) for side in (0, 1)]
                for _, sessions in sorted(scores.items())
            ]
        )
        low, high = bootstrap_mean(pairs[:, 1] - pairs[:, 0])
        before, after = pairs.mean(axis=0)
        return Compared(float(before), float(after), float(after - before), low, high)

    return Checked(
        sum(map(len, scores.values())),
        len(scores),
        figure(lambda score: float(np.mean(score.edges_s)) if score.edges_s else 0.0),
        figure(lambda score: float(score.false_flags)),
        figure(lambda score: float(score.missed)),
    )


def bootstrap_mean(values: Floats, resamples: int = RESAMPLES) -> tuple[float, float]:
    """95 % percentile interval of a mean, over drawings of whole people.

    Args:
        values: shape (n,), one number a person.
        resamples: how many drawings.
    """
    rng = np.random.default_rng(SEED)
    drawn = rng.integers(0, values.size, (resamples, values.size))
    low, high = np.quantile(values[drawn].mean(axis=1), (0.025, 0.975))
    return float(low), float(high)
