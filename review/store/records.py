"""What the store keeps, as plain frozen records, and the rules that need no database.

Moments in the life of a record (``at``, ``recorded_at``, ...) are aware datetimes in UTC.
Calendar days (``taken_on``, ``until``, ...) are days of the unit's own calendar. Times inside a
recording (``start_s``, ``end_s``) are seconds from its first picture. Ids are whole numbers that
are never used twice.

Everything a person entered is kept: a change is a new record, and taking something back is a
record too.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Literal, Protocol

from review.analysis import Analysis, Flag, FlagKind
from review.errors import ReviewError
from review.timeline import Phase, Segment

Purpose = Literal["review", "teaching"]
"""What a person agreed to: their own review, or showing the recording to others who learn."""

Basis = Literal["machine", "corrected"]
"""Whether an analysis is the program's own or follows what a person corrected."""

Window = tuple[Phase, float, float]
"""An open-line window that a person set: connect or disconnect, start and end in seconds."""

Area = tuple[tuple[float, float], ...]
"""Four corners in picture widths of the unmirrored picture."""

NEAR_S = 2.0
"""A decision still belongs to a flag that moved by up to this many seconds. Unit setting: an
edge of a phase is rarely dragged further than this without the flag becoming another one."""


class StoreError(ReviewError):
    """Something the records cannot do, with what to do about it."""


class ConsentError(StoreError):
    """There is no current consent for what was asked."""


class RecordingState(StrEnum):
    """How far the analysis of a recording is."""

    WAITING = "waiting"
    ANALYSING = "analysing"
    READY = "ready"
    FAILED = "failed"
    CANCELLED = "cancelled"


class Verdict(StrEnum):
    """What a trainer says about a flagged moment."""

    AGREE = "agree"
    DISAGREE = "disagree"
    UNSURE = "unsure"


class Answer(StrEnum):
    """What a trainer says about an item of the checklist."""

    DONE = "done"
    NOT_DONE = "not_done"
    NOT_SEEN = "not_seen"


class Outcome(StrEnum):
    """What a trainer signs."""

    SIGNED_OFF = "signed_off"
    PRACTISE_MORE = "practise_more"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who learns, known by the unit's own code; no name is needed.

    Attributes:
        code: 1 to 40 letters, digits or ``- _ .``, beginning with a letter or digit.
        note: what the unit wants to remember.
        language: of the feedback page, for instance ``en`` or ``es``.
        active: False once the person no longer trains here.
    """

    code: str
    note: str
    language: str
    active: bool


@dataclass(frozen=True, slots=True)
class Trainer:
    """Somebody who teaches. ``code`` as of :class:`Person`."""

    code: str
    name: str
    active: bool


@dataclass(frozen=True, slots=True)
class Consent:
    """What a person agreed to.

    Attributes:
        purposes: what for; without ``review`` nothing may be analysed or shown.
        until: last day on which it holds, or None for no end.
        sound: whether the sound may be kept in the review copy, and used for the analysis.
        given_to: who recorded it.
        recorded_at, withdrawn_at: UTC; ``withdrawn_at`` None while it holds.
    """

    id: int
    person: str
    purposes: tuple[Purpose, ...]
    until: date | None
    sound: bool
    given_to: str
    recorded_at: datetime
    withdrawn_at: datetime | None

    def holds(self, on: date, purpose: Purpose = "review") -> bool:
        """Whether it allows ``purpose`` on the day ``on``."""
        in_time = self.until is None or on <= self.until
        return in_time and self.withdrawn_at is None and purpose in self.purposes


@dataclass(frozen=True, slots=True)
class RecordingEntry:
    """A recording and how far its analysis is.

    Attributes:
        file: where the video lies, as text; empty where no video is kept.
        name: its file name, or how the session is called.
        sha256: of the file, hexadecimal; empty where no video is kept.
        duration_s: seconds.
        mirrored: whether it shows a mirror (selfie) picture.
        protocol: name of a shipped protocol, or the path of a unit's own.
        taken_on: day of the recording.
        added_at: UTC.
        state_text: one sentence for people, for instance why it failed.
    """

    id: int
    person: str
    trainer: str
    file: str
    name: str
    sha256: str
    duration_s: float
    mirrored: bool
    protocol: str
    taken_on: date
    added_at: datetime
    state: RecordingState
    state_text: str


@dataclass(frozen=True, slots=True)
class AnalysisVersion:
    """One analysis of a recording; versions count from 1. ``made_at`` is UTC."""

    recording_id: int
    version: int
    made_at: datetime
    basis: Basis
    analysis: Analysis


@dataclass(frozen=True, slots=True)
class Decision:
    """What a trainer said about one flagged moment.

    Attributes:
        kind, start_s, end_s: of the flag it was about, seconds.
        topic: tells apart flags that share kind and span; see :func:`flag_topic`.
        withdrawn_at: when it was undone (UTC), or None.
    """

    id: int
    recording_id: int
    kind: FlagKind
    start_s: float
    end_s: float
    verdict: Verdict
    comment: str
    by: str
    at: datetime
    topic: str = ""
    withdrawn_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment that the trainer added; seconds, ``at`` UTC."""

    id: int
    recording_id: int
    start_s: float
    end_s: float
    text: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ChecklistAnswer:
    """The latest answer to one item of the checklist (``item`` is the item's text)."""

    recording_id: int
    item: str
    answer: Answer
    comment: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class CorrectionSet:
    """What a person set in place of the machine's answer; versions count from 1.

    Attributes:
        phases: the whole timeline, or None for the machine's own.
        windows: all open-line windows, or None for the machine's own; an empty tuple says
            that the line was never open.
        area: the work area's corners in order around it, or None for the machine's own.
    """

    recording_id: int
    version: int
    phases: tuple[Segment, ...] | None
    windows: tuple[Window, ...] | None
    by: str
    at: datetime
    area: Area | None = None

    @property
    def is_the_machines(self) -> bool:
        """Whether nothing is left that a person set."""
        return self.phases is None and self.windows is None and self.area is None


@dataclass(frozen=True, slots=True)
class Comment:
    """A remark about the whole recording."""

    id: int
    recording_id: int
    text: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class SignOff:
    """A signature under one state of a review; versions count from 1.

    Attributes:
        name: as signed.
        on: day of signing.
        recheck_on: day on which to look again, or None.
        analysis_version: the analysis that was signed.
        content_sha256: hash over everything that was signed (analysis, corrections, decisions,
            moments, answers, comments), so that a later change shows.
    """

    id: int
    recording_id: int
    version: int
    name: str
    on: date
    outcome: Outcome
    recheck_on: date | None
    analysis_version: int
    content_sha256: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """Who did what to which record, and when (UTC). Only ever added to."""

    id: int
    at: datetime
    who: str
    what: str
    subject: str
    detail: str


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One recording in figures, for looking across a unit.

    Attributes:
        wash_rubbing_s, wash_whole_s: seconds; None where they could not be measured.
        surfaces_rubbed: number of hand surfaces found rubbed, None where not measured.
        surfaces_missed, surfaces_unclear: names of surfaces judged not rubbed, and of those
            about which nothing can be told.
        look_flags: flags that ask for a look; notes and 'cannot tell' are not counted.
        open_flags: of these, those without a decision.
        agreed_flags: of these, those that a trainer agreed with.
        signed_on, outcome, recheck_on: of the latest signature; None where there is none.
        watched: how many times the recording was opened for review.
    """

    recording_id: int
    person: str
    trainer: str
    taken_on: date
    protocol: str
    state: RecordingState
    wash_rubbing_s: float | None
    wash_whole_s: float | None
    surfaces_rubbed: int | None
    surfaces_missed: tuple[str, ...]
    surfaces_unclear: tuple[str, ...]
    look_flags: int
    open_flags: int
    agreed_flags: int
    signed_on: date | None
    outcome: Outcome | None
    recheck_on: date | None
    watched: int


# --- which decision belongs to which flag ----------------------------------------------------

_SHARING_A_SPAN = frozenset({FlagKind.PHASE_MISSING, FlagKind.NOT_SEEN})
"""Kinds of which several flags may stand over the very same span."""


def flag_topic(flag: Flag) -> str:
    """What tells a flag apart from others of its kind over the same span; mostly empty.

    Two phases can be missing at one place, and two things can be unseen in one span: there the
    measure, or else the flag's sentence up to its first number, says which is meant.
    """
    if flag.kind not in _SHARING_A_SPAN:
        return ""
    return (flag.measure or re.split(r"\d", flag.message, maxsplit=1)[0].strip())[:200]


class _Spanned(Protocol):
    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...


def gap_s(one: _Spanned, other: _Spanned) -> float:
    """Seconds between two spans; 0 where they touch or overlap."""
    return max(0.0, one.start_s - other.end_s, other.start_s - one.end_s)


def _distance(flag: Flag, decision: Decision) -> tuple[float, float, int] | None:
    """How far a decision is from a flag, to sort by; None where it cannot belong to it."""
    if decision.kind != flag.kind or (decision.topic and decision.topic != flag_topic(flag)):
        return None
    gap = gap_s(flag, decision)
    if gap > NEAR_S + 1e-9:
        return None
    moved = abs(flag.start_s - decision.start_s) + abs(flag.end_s - decision.end_s)
    return gap, moved, -decision.id


def match_decision(flag: Flag, decisions: Iterable[Decision]) -> Decision | None:
    """The decision about one flag: same kind, overlapping or at most 2 s apart, nearest first.

    Flags move a little when phases are corrected. Where several flags of a kind lie close
    together, :func:`match_decisions` tells them apart; this looks at one flag alone.
    """
    near = [
        (distance, decision)
        for decision in decisions
        if (distance := _distance(flag, decision)) is not None
    ]
    return min(near, key=lambda pair: pair[0])[1] if near else None


def match_decisions(
    flags: Sequence[Flag], decisions: Iterable[Decision]
) -> tuple[Decision | None, ...]:
    """The decision about each flag, in the flags' order, no decision being used twice.

    The nearest pairs are joined first, so a decision about one of two neighbouring flags never
    passes for one about the other.
    """
    pairs = sorted(
        (
            (distance, place, decision)
            for decision in decisions
            for place, flag in enumerate(flags)
            if (distance := _distance(flag, decision)) is not None
        ),
        key=lambda pair: pair[:2],
    )
    found: dict[int, Decision] = {}
    used: set[int] = set()
    for _, place, decision in pairs:
        if place not in found and decision.id not in used:
            found[place] = decision
            used.add(decision.id)
    return tuple(found.get(place) for place in range(len(flags)))


def standing_decisions(history: Iterable[Decision]) -> tuple[Decision, ...]:
    """Of all decisions, oldest first, those that count now.

    Undone ones do not count, so that undoing brings back what was decided before. A later
    decision about the same flag replaces an earlier one; it is the same flag where kind and
    topic agree and the spans overlap, as two flags of one kind never do in one analysis.
    """
    standing: list[Decision] = []
    for decision in history:
        if decision.withdrawn_at is None:
            standing = [old for old in standing if not _same_flag(old, decision)]
            standing.append(decision)
    return tuple(standing)


def _same_flag(one: Decision, other: Decision) -> bool:
    if (one.kind, one.topic) != (other.kind, other.topic):
        return False
    shared = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
    return shared > 0 or (one.start_s, one.end_s) == (other.start_s, other.end_s)
