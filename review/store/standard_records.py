"""Records of what holds a unit to one standard; the same rules as in :mod:`review.store.records`.

``at`` is an aware datetime in UTC, ``on`` a day of the unit's own calendar, spans of a recording
are seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from review.measures import Result
from review.protocol import Trigger
from review.store.records import Answer, Decision, Moment

Answered = tuple[Result, str]
"""How one target was answered, and the target in words."""

TargetResults = Mapping[str, Answered]
"""By measure, for targets that ask for something; numbers only reported are left out."""


@dataclass(frozen=True, slots=True)
class PersonEvent:
    """Something that happened to a person and calls for another look at their practice.

    Attributes:
        kind: what happened.
        on: the day it happened, or ended (a hospital stay, a pause).
        taken_back_at: when it was taken back as a mistake (UTC), or None.
    """

    id: int
    person: str
    kind: Trigger
    on: date
    note: str
    by: str
    at: datetime
    taken_back_at: datetime | None = None


class BlindState(StrEnum):
    """How far a blind review is."""

    OPEN = "open"
    FINISHED = "finished"
    CALLED_OFF = "called_off"


@dataclass(frozen=True, slots=True)
class BlindReview:
    """One trainer's own reading of a recording, made without seeing anybody else's.

    Attributes:
        trainer: who reviews.
        by, at: who asked for it, and when.
        state: open until it is finished or called off.
        answers: the latest answer to each item of the checklist that was answered.
        decisions: the latest about each flag that was judged, oldest first.
    """

    id: int
    recording_id: int
    trainer: str
    by: str
    at: datetime
    state: BlindState
    answers: Mapping[str, Answer]
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class JudgedMoment:
    """A moment that a trainer added, and whether the program had flagged it.

    Attributes:
        covered: whether a flag of the latest analysis lies at most
            :data:`review.store.records.NEAR_S` away; 'cannot tell' covers nothing.
    """

    moment: Moment
    covered: bool
