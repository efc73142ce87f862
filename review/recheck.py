"""Who is to be looked at again, when, and why.

Four things make a re-check due: the day that was agreed on with the latest signature; where none
was, the protocol's interval; an event, until a session from that day on was signed; and a long
time without any session. What a protocol leaves out is not asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from review.protocol import Recheck as Rules
from review.store.records import SessionRow
from review.store.standard_records import PersonEvent


class Why(StrEnum):
    """What makes a re-check due."""

    AGREED_DAY = "agreed_day"
    INTERVAL = "interval"
    EVENT = "event"
    GAP = "gap"


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that makes a re-check due.

    Attributes:
        days: what the protocol says: days after the signature, the event or the latest session;
            None for a day that was agreed on.
        source: who asks for it, from the protocol; empty for a day that was agreed on.
        event: what happened, for :attr:`Why.EVENT`.
    """

    why: Why
    due_on: date
    days: int | None = None
    source: str = ""
    event: PersonEvent | None = None


@dataclass(frozen=True, slots=True)
class Recheck:
    """Somebody who is to be looked at again.

    Attributes:
        person: the person's code.
        trainer: of the session that was signed last, else of the latest one; may be empty.
        recording_id: the session that was signed last, or None.
        reasons: all that make it due by now or soon, the earliest first.
        due_on: the earliest day.
        days_late: days since then; negative while it is still to come.
        newer: a session recorded after the signature and not signed yet, or None.
    """

    person: str
    trainer: str
    recording_id: int | None
    reasons: tuple[Reason, ...]
    due_on: date
    days_late: int
    newer: int | None


def rechecks(
    rows: Iterable[SessionRow],
    today: date,
    ahead_days: int = 14,
    *,
    rules: Mapping[str, Rules] | None = None,
    events: Iterable[PersonEvent] = (),
) -> tuple[Recheck, ...]:
    """Who is due for a re-check, the longest overdue first.

    The signature that counts is the person's latest one. A day that it names goes before the
    protocol's interval: the trainer knows the person. One that names none, under a protocol
    without an interval, ends the matter until something happens.

    Args:
        rows: recordings in any state.
        today: the day it is.
        ahead_days: also those due within this many days.
        rules: by protocol, when to look again; the protocol of a person's latest session counts.
        events: what happened to people; those taken back are passed over.
    """
    by_person: dict[str, list[SessionRow]] = {}
    for row in rows:
        by_person.setdefault(row.person, []).append(row)
    happened: dict[str, list[PersonEvent]] = {}
    for event in events:
        if event.taken_back_at is None:
            happened.setdefault(event.person, []).append(event)
    found = []
    for person in by_person.keys() | happened.keys():
        due = _recheck(
            person, by_person.get(person, []), happened.get(person, []), rules or {}, today,
            ahead_days,
        )  # fmt: skip
        if due is not None:
            found.append(due)
    return tuple(sorted(found, key=lambda row: (-row.days_late, row.person)))


def _recheck(
    person: str,
    own: Sequence[SessionRow],
    events: Sequence[PersonEvent],
    rules: Mapping[str, Rules],
    today: date,
    ahead_days: int,
) -> Recheck | None:
    latest = max(own, key=lambda row: (row.taken_on, row.recording_id), default=None)
    signed = [row for row in own if row.signed_on is not None]
    last = max(signed, key=lambda row: (row.signed_on or date.min, row.recording_id), default=None)
    # Somebody of whom only an event is known is held to the rule of any protocol that has one.
    rule = rules.get(latest.protocol, Rules()) if latest else _strictest(rules.values())
    reasons = [
        *_after_signature(last, rule),
        *_after_events(events, signed, rule),
        *_after_gap(latest, rule),
    ]
    soon = sorted(
        (reason for reason in reasons if (reason.due_on - today).days <= ahead_days),
        key=lambda reason: reason.due_on,
    )
    if not soon:
        return None
    after = [
        row for row in own
        if row.signed_on is None
        and (last is None or row.taken_on >= (last.signed_on or row.taken_on))
    ]  # fmt: skip
    newest = max(after, key=lambda row: (row.taken_on, row.recording_id), default=None)
    shown = last or latest
    return Recheck(
        person=person,
        trainer=shown.trainer if shown else "",
        recording_id=last.recording_id if last else None,
        reasons=tuple(soon),
        due_on=soon[0].due_on,
        days_late=(today - soon[0].due_on).days,
        newer=newest.recording_id if newest else None,
    )


def _after_signature(last: SessionRow | None, rule: Rules) -> list[Reason]:
    if last is None or last.signed_on is None:
        return []
    if last.recheck_on is not None:
        return [Reason(Why.AGREED_DAY, last.recheck_on)]
    if rule.interval_days is None:
        return []
    due = last.signed_on + timedelta(rule.interval_days)
    return [Reason(Why.INTERVAL, due, rule.interval_days, rule.interval_source)]


def _after_events(
    events: Sequence[PersonEvent], signed: Sequence[SessionRow], rule: Rules
) -> list[Reason]:
    """Events that nobody has looked after yet: no session from that day on was signed."""
    looked_at = max((row.taken_on for row in signed), default=date.min)
    return [
        Reason(
            Why.EVENT,
            event.on + timedelta(asked.within_days),
            asked.within_days,
            asked.source,
            event,
        )
        for event in events
        if (asked := rule.rule(event.kind)) is not None and looked_at < event.on
    ]


def _after_gap(latest: SessionRow | None, rule: Rules) -> list[Reason]:
    if latest is None or rule.gap_days is None:
        return []
    due = latest.taken_on + timedelta(rule.gap_days)
    return [Reason(Why.GAP, due, rule.gap_days, rule.gap_source)]


def _strictest(rules: Iterable[Rules]) -> Rules:
    """By kind of event, the rule with the fewest days."""
    found = sorted(
        (asked for rule in rules for asked in rule.after), key=lambda asked: asked.within_days
    )
    first = {asked.event: asked for asked in reversed(found)}
    return Rules(after=tuple(first.values()))
