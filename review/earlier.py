"""One session beside the same person's own earlier ones, in words and numbers.

Nobody is compared with anybody else. What could not be seen is kept as such and is never a
worse or a better value.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from pydantic import ValidationError

from review.analysis import Analysis
from review.measures import Result, Target
from review.timeline import Surface
from review.words import Words

SAME_WITHIN_S: Final = 2.0
"""Two times this close are called about the same: the error of the measurement is about as
large. It chooses a word, it decides no result."""


@dataclass(frozen=True, slots=True)
class EarlierSession:
    """One of the person's own earlier sessions."""

    taken_on: date
    analysis: Analysis


@dataclass(frozen=True, slots=True)
class Comparison:
    """One number beside the person's own earlier ones.

    Attributes:
        title: what was measured.
        sentence: this time against the last time it could be measured.
        values: (day, number or None where it could not be seen) oldest first, this time last.
        said: the same numbers with their unit.
        aim: what the protocol asks for at least, in the same unit; None where it asks nothing.
        aim_said: the aim in words; empty where there is none.
    """

    title: str
    sentence: str
    values: tuple[tuple[date, float | None], ...]
    said: tuple[str, ...]
    aim: float | None
    aim_said: str


_COMPARED: Final = (
    ("wash_title", "wash.rubbing_time"),
    ("parts_title", "wash.surfaces_rubbed"),
    ("rub_title", "rub.before_connect"),
)


def compare_with_earlier(
    analysis: Analysis, taken_on: date, earlier: Sequence[EarlierSession], words: Words
) -> tuple[Comparison, ...]:
    """Each compared measure beside the person's earlier ones; empty for a first session."""
    sessions = sorted(earlier, key=lambda session: session.taken_on)
    if not sessions:
        return ()
    found = (
        _comparison(name, title, analysis, taken_on, sessions, words) for title, name in _COMPARED
    )
    return tuple(comparison for comparison in found if comparison is not None)


def _comparison(
    name: str,
    title: str,
    analysis: Analysis,
    taken_on: date,
    sessions: Sequence[EarlierSession],
    words: Words,
) -> Comparison | None:
    """One measure over the person's sessions; None where it was never measured before."""
    before = [(session.taken_on, _number(session.analysis, name)) for session in sessions]
    now = _number(analysis, name)
    known = [(day, value) for day, value in before if value is not None]
    if not known:
        return None
    target = target_of(analysis, name)
    aim = None if target is None else target.at_least
    say = _say_number(name, words)
    values = (*before, (taken_on, now))
    sentence = (
        words.say("compare.unseen") if now is None else _change(name, now, known[-1], say, words)
    )
    if now is not None and aim is not None and now >= aim > known[-1][1]:
        sentence += " " + words.say("compare.reached")
    return Comparison(
        title=words.say(f"compare.{title}"),
        sentence=sentence,
        values=values,
        said=tuple(words.say("page.unknown") if v is None else say(v) for _, v in values),
        aim=aim,
        aim_said="" if aim is None else _aim(name, aim, say, words),
    )


def _change(
    name: str,
    now: float,
    last: tuple[date, float],
    say: Callable[[float], str],
    words: Words,
) -> str:
    day, before = last
    values = {"now": say(now), "day": words.day(day), "before": say(before)}
    if name == "wash.surfaces_rubbed":
        key = "same" if round(now) == round(before) else "more" if now > before else "fewer"
        return words.say(f"compare.{key}", **values)
    change = math.floor(now) - math.floor(before)
    if abs(change) <= SAME_WITHIN_S:
        return words.say("compare.same", **values)
    if min(now, before) == 0:
        return words.say("compare.more" if change > 0 else "compare.fewer", **values)
    key = "longer" if change > 0 else "shorter"
    return words.say(f"compare.{key}", **values, change=words.count("seconds", abs(change)))


def _number(analysis: Analysis, name: str) -> float | None:
    """A measure's number where it is one to tell: seen well enough, or with nothing asked."""
    record, target = analysis.measure(name), target_of(analysis, name)
    if record is None or record.value is None:
        return None
    doubted = target is not None and target.has_bounds and record.result is Result.NOT_ASSESSABLE
    return None if doubted else record.value


def _say_number(name: str, words: Words) -> Callable[[float], str]:
    if name == "wash.surfaces_rubbed":
        return lambda value: words.count("parts", round(value))
    if name == "rub.before_connect":
        # 0 s stands for no rub found: 'we saw none' is true, '0 seconds' sounds like a score.
        return lambda value: (
            whole_seconds(value, words) if value > 0 else words.say("page.none_seen")
        )
    return lambda value: whole_seconds(value, words)


def _aim(name: str, aim: float, say: Callable[[float], str], words: Words) -> str:
    every = name == "wash.surfaces_rubbed" and round(aim) == len(Surface)
    return words.say("page.aim_all" if every else "page.aim", aim=say(aim))


def whole_seconds(value: float, words: Words) -> str:
    """Whole seconds, rounded down: 19.8 of 20 asked for must not read as 20."""
    return words.count("seconds", math.floor(value))


def target_of(analysis: Analysis, name: str) -> Target | None:
    """The target that the analysis was held against; None where it kept none."""
    targets = analysis.protocol.content.get("targets")
    for content in targets if isinstance(targets, list | tuple) else ():
        if isinstance(content, dict) and content.get("measure") == name:
            try:
                return Target.model_validate(content)
            except ValidationError:
                # A later release's target that this one cannot read is no target to speak of.
                return None
    return None
