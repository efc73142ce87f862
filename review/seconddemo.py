"""What makes the invented unit worth comparing: checklists, second looks, moments, events.

All of it is made up and seeded. Each trainer sees what is there with an error of their own, so
that agreement is good where a thing is easy to see and poor where it is not.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from review.analysis import Analysis, FlagLevel
from review.measures import Result
from review.protocol import ChecklistItem, Protocol, Trigger
from review.store import Answer, RecordingEntry, Store, Verdict, flag_topic

SEED: Final = 21
SECOND_LOOKS: Final = 0.6
"""Share of the invented sessions that a second trainer reviews blind."""

HARD_TO_SEE: Final = ("Bag checked", "Hands dried", "Open ends touch")
"""How the items begin on which the invented trainers differ most."""

NEARLY_ALWAYS: Final = ("Doors and windows", "Rings, watch")
"""How the items begin that nearly everybody does: agreement without much information."""

MOMENTS: Final = (
    "The sleeve hung close to the open end.",
    "The towel was used twice.",
    "Put the new cap down before it was needed.",
    "Looked away while holding the line.",
)


@dataclass(frozen=True, slots=True)
class _Event:
    """Something that happens to an invented person, some days before today."""

    person: str
    kind: Trigger
    days_ago: int
    note: str = ""
    taken_back: bool = False


EVENTS: Final = (
    _Event("K-118", Trigger.PERITONITIS, 60),
    _Event("K-111", Trigger.HOSPITAL_STAY, 9, "eight days in hospital"),
    _Event("K-132", Trigger.PERITONITIS, 20),
    _Event("K-153", Trigger.NEW_HELPER, 3, "a sister helps from now on"),
    _Event("K-146", Trigger.BACK_FROM_PAUSE, 5, "entered for the wrong person", True),
)
"""Made up, like the people."""


def first_look(
    store: Store, entry: RecordingEntry, analysis: Analysis, protocol: Protocol, by: str
) -> bool:
    """The ordinary review's checklist and moments; whether a second trainer is to look, too."""
    dice = _dice(entry)
    if dice.random() < 0.2:
        at = 0.5 * analysis.recording.duration_s + dice.uniform(-4, 4)
        text = dice.choice(MOMENTS)
        store.add_moment(entry.id, start_s=at, end_s=at + 2.0, text=text, by=by)
    if dice.random() > SECOND_LOOKS:
        return False
    truth = _truth(analysis, protocol, entry)
    store.answer_all(entry.id, _answers(protocol, truth, dice, careful=True), by=by)
    return True


def second_look(
    store: Store, entry: RecordingEntry, analysis: Analysis, protocol: Protocol, by: str
) -> None:
    """The blind review of a second trainer."""
    dice = _dice(entry, by)
    review = store.ask_blind_review(entry.id, by, by="demo")
    truth = _truth(analysis, protocol, entry)
    store.answer_blind(review.id, _answers(protocol, truth, dice, careful=False), by=by)
    said = {d.kind: d.verdict for d in store.decisions(entry.id)}
    for flag in analysis.flags:
        if flag.level is FlagLevel.LOOK:
            alike = said.get(flag.kind, Verdict.AGREE)
            other = dice.choices(list(Verdict), weights=(5, 3, 2))[0]
            store.judge_blind(
                review.id,
                kind=flag.kind,
                start_s=flag.start_s,
                end_s=flag.end_s,
                topic=flag_topic(flag),
                verdict=alike if dice.random() < 0.75 else other,
                by=by,
            )
    store.finish_blind(review.id, by=by)


def _dice(entry: RecordingEntry, whose: str = "") -> random.Random:
    """Chance of its own for every session, so that one change does not move all others."""
    return random.Random(f"{SEED}:{entry.id}:{whose}")


def _truth(analysis: Analysis, protocol: Protocol, entry: RecordingEntry) -> dict[str, bool]:
    """Whether each item was done: what the measures say, else made up."""
    dice = _dice(entry, "truth")
    truth = {}
    for item in protocol.checklist:
        chance = 0.97 if item.item.startswith(NEARLY_ALWAYS) else 0.75
        made_up = dice.random() < chance
        results = [m.result for m in analysis.measures if m.name in item.measures]
        judged = [r for r in results if r is not Result.NOT_ASSESSABLE]
        truth[item.item] = all(r is Result.MET for r in judged) if judged else made_up
    return truth


def _answers(
    protocol: Protocol, truth: dict[str, bool], dice: random.Random, *, careful: bool
) -> dict[str, Answer]:
    """What one trainer answers; now and then an item is passed over."""
    answers = {}
    for item in protocol.checklist:
        wrong, unseen = _errors(item, careful=careful)
        if dice.random() < 0.03:
            continue
        right = truth[item.item] ^ (dice.random() < wrong)
        answer = Answer.DONE if right else Answer.NOT_DONE
        answers[item.item] = Answer.NOT_SEEN if dice.random() < unseen else answer
    return answers


def _errors(item: ChecklistItem, *, careful: bool) -> tuple[float, float]:
    """How often an item is taken for the other answer, and how often it cannot be told."""
    if item.item.startswith(HARD_TO_SEE):
        return (0.15, 0.2) if careful else (0.2, 0.25)
    if item.item.startswith(NEARLY_ALWAYS):
        return 0.02, 0.03
    return (0.04, 0.04) if careful else (0.07, 0.06)


def add_events(store: Store, today: date, turn_to: Callable[[date], None], by: str) -> None:
    """Events of the invented people, entered on the day they happened."""
    for event in sorted(EVENTS, key=lambda event: -event.days_ago):
        day = today - timedelta(days=event.days_ago)
        turn_to(day)
        kept = store.add_event(event.person, kind=event.kind, on=day, note=event.note, by=by)
        if event.taken_back:
            store.take_event_back(kept.id, by=by)
