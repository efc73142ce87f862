"""Whether trainers agree with each other, and the program with them.

Trainers are compared on recordings that one of them at least reviewed blind: without seeing what
another one, or the camera, said. The program is compared with what trainers decided about its
flags, and with the moments they added where it had flagged nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from review.analysis import FlagKind
from review.proportions import Proportion
from review.raters import Agreement, Ratings, agreement
from review.spotcheck import month_of
from review.store.records import NEAR_S, ChecklistAnswer, Decision, SessionRow, Verdict, gap_s
from review.store.standard_records import BlindReview, BlindState, JudgedMoment

HIGH_AGREEMENT: Final = 0.8
LOW_BEYOND_CHANCE: Final = 0.6
"""Bounds of the remark that kappa is low although raters agree (own rule; only a remark)."""


@dataclass(frozen=True, slots=True)
class Compared:
    """Agreement about one question, with the recordings behind it.

    Attributes:
        name: the item of the checklist, or the kind of flag.
        agreement: over all recordings.
        recordings: where it was asked, each once; ``differing`` those with different answers.
    """

    name: str
    agreement: Agreement
    recordings: tuple[int, ...]
    differing: tuple[int, ...]

    @property
    def paradox(self) -> bool:
        """Whether the coefficient is low, or undefined, only because one answer prevails."""
        found = self.agreement
        share = found.all_agreed.share
        if share is None or share < HIGH_AGREEMENT or found.commonest is None:
            return False
        if found.commonest[1] < HIGH_AGREEMENT:
            return False
        return found.value is None or found.value < LOW_BEYOND_CHANCE


def finished(reviews: Iterable[BlindReview]) -> dict[int, list[BlindReview]]:
    """The finished blind reviews of each recording."""
    found: dict[int, list[BlindReview]] = {}
    for review in reviews:
        if review.state is BlindState.FINISHED:
            found.setdefault(review.recording_id, []).append(review)
    return found


def compare_checklists(
    reviews: Iterable[BlindReview],
    answers: Mapping[int, Sequence[ChecklistAnswer]],
    *,
    blind_only: bool = False,
) -> tuple[Compared, ...]:
    """Agreement about each item of the checklist, in the order in which they are first met.

    Args:
        reviews: blind reviews; those not finished are passed over.
        answers: by recording, what the ordinary review answered.
        blind_only: leave the ordinary reviews out, whose trainers saw the camera's suggestions.
    """
    things: dict[str, dict[int, dict[str, str]]] = {}
    for recording, own in finished(reviews).items():
        for item, given in _answers_of(own, () if blind_only else answers.get(recording, ())):
            things.setdefault(item, {})[recording] = given
    return tuple(
        _compared(item, [(number, given) for number, given in rated.items()])
        for item, rated in things.items()
    )


def _answers_of(
    reviews: Sequence[BlindReview], ordinary: Sequence[ChecklistAnswer]
) -> list[tuple[str, dict[str, str]]]:
    """By item, the answer of each trainer about one recording."""
    found: dict[str, dict[str, str]] = {}
    for review in reviews:
        for item, answer in review.answers.items():
            found.setdefault(item, {})[review.trainer] = answer.value
    for said in ordinary:
        # What somebody says after their own blind review is no second opinion.
        found.setdefault(said.item, {}).setdefault(said.by, said.answer.value)
    return list(found.items())


ALL: Final = "all"
"""Name of the row over all kinds of flags."""


def compare_flags(
    reviews: Iterable[BlindReview],
    decisions: Mapping[int, Sequence[Decision]],
    *,
    blind_only: bool = False,
) -> tuple[Compared, ...]:
    """Agreement about the flags: of all kinds together, then the kind judged most often first.

    Args:
        reviews: blind reviews; those not finished are passed over.
        decisions: by recording, what the ordinary review decided.
        blind_only: leave the ordinary reviews out.
    """
    things: dict[str, list[tuple[int, Ratings]]] = {}
    for recording, own in finished(reviews).items():
        said = {review.trainer: review.decisions for review in own}
        for decision in () if blind_only else decisions.get(recording, ()):
            if decision.by not in {review.trainer for review in own}:
                said[decision.by] = (*said.get(decision.by, ()), decision)
        for kind, given in _flags_of(said):
            things.setdefault(kind.value, []).append((recording, given))
    if not things:
        return ()
    kinds = [_compared(kind, rated) for kind, rated in things.items()]
    together = _compared(ALL, [pair for rated in things.values() for pair in rated])
    return (together, *sorted(kinds, key=lambda row: (-row.agreement.things, row.name)))


@dataclass(slots=True)
class _Flag:
    """One flag as several trainers judged it; corrections may have moved it a little."""

    decision: Decision
    given: dict[str, str] = field(default_factory=dict)


def _flags_of(said: Mapping[str, Sequence[Decision]]) -> list[tuple[FlagKind, dict[str, str]]]:
    """Each flag of a recording with the verdict of each trainer."""
    flags: list[_Flag] = []
    for trainer, decisions in said.items():
        for decision in decisions:
            near = [
                (abs(flag.decision.start_s - decision.start_s), at)
                for at, flag in enumerate(flags)
                if trainer not in flag.given and _about_the_same(flag.decision, decision)
            ]
            if near:
                flags[min(near)[1]].given[trainer] = decision.verdict.value
            else:
                flags.append(_Flag(decision, {trainer: decision.verdict.value}))
    return [(flag.decision.kind, flag.given) for flag in flags]


def _about_the_same(one: Decision, other: Decision) -> bool:
    return (one.kind, one.topic) == (other.kind, other.topic) and gap_s(one, other) <= NEAR_S


def _compared(name: str, things: Sequence[tuple[int, Ratings]]) -> Compared:
    rated = [(number, given) for number, given in things if len(given) >= 2]
    return Compared(
        name=name,
        agreement=agreement([given for _, given in rated]),
        recordings=tuple(sorted({number for number, _ in rated})),
        differing=tuple(sorted({n for n, given in rated if len(set(given.values())) > 1})),
    )


# --- the program against trainers ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FlagsRight:
    """How often trainers agreed with flags of one kind, or in one month.

    Attributes:
        name: the kind of flag, or the month.
        right: agreed, of agreed and disagreed; 'not sure' is counted apart.
        agreed_in, disagreed_in, unsure_in: the recordings, once for each flag.
    """

    name: str
    right: Proportion
    agreed_in: tuple[int, ...]
    disagreed_in: tuple[int, ...]
    unsure_in: tuple[int, ...]


def flags_by_kind(decisions: Mapping[int, Sequence[Decision]]) -> tuple[FlagsRight, ...]:
    """Precision of each kind of flag, the kind judged most often first."""
    found: dict[str, list[Decision]] = {}
    for decision in _claims(decisions):
        found.setdefault(decision.kind.value, []).append(decision)
    rows = [_right(name, own) for name, own in found.items()]
    return tuple(sorted(rows, key=lambda row: (-row.right.n, row.name)))


def flags_by_month(
    decisions: Mapping[int, Sequence[Decision]], rows: Iterable[SessionRow]
) -> tuple[FlagsRight, ...]:
    """Precision of all flags together by the month of the session, in order."""
    months = {row.recording_id: month_of(row.taken_on) for row in rows}
    found: dict[str, list[Decision]] = {}
    for decision in _claims(decisions):
        if decision.recording_id in months:
            found.setdefault(months[decision.recording_id], []).append(decision)
    return tuple(_right(month, found[month]) for month in sorted(found))


def flags_together(decisions: Mapping[int, Sequence[Decision]]) -> FlagsRight:
    """Precision of all flags together."""
    return _right(ALL, _claims(decisions))


def _claims(decisions: Mapping[int, Sequence[Decision]]) -> list[Decision]:
    """Decisions about flags that claim something; 'not seen' says nothing right or wrong."""
    return [d for own in decisions.values() for d in own if d.kind is not FlagKind.NOT_SEEN]


def _right(name: str, decisions: Sequence[Decision]) -> FlagsRight:
    by_verdict: dict[Verdict, list[int]] = {verdict: [] for verdict in Verdict}
    for decision in decisions:
        by_verdict[decision.verdict].append(decision.recording_id)
    agreed, disagreed = by_verdict[Verdict.AGREE], by_verdict[Verdict.DISAGREE]
    unsure = by_verdict[Verdict.UNSURE]
    return FlagsRight(
        name,
        Proportion(len(agreed), len(agreed) + len(disagreed), len(unsure)),
        tuple(agreed),
        tuple(disagreed),
        tuple(unsure),
    )


@dataclass(frozen=True, slots=True)
class Found:
    """How much of what trainers found the program had flagged, too.

    Attributes:
        name: :data:`ALL`, or the month.
        share: flags agreed with, of those and the moments that trainers added where no flag was.
        flagged_in, missed_in: the recordings, once for each flag or moment.
        sessions: how many signed recordings it rests on.
    """

    name: str
    share: Proportion
    flagged_in: tuple[int, ...]
    missed_in: tuple[int, ...]
    sessions: int


def moments_found(
    decisions: Mapping[int, Sequence[Decision]],
    moments: Mapping[int, Sequence[JudgedMoment]],
    rows: Iterable[SessionRow],
    *,
    by_month: bool = False,
) -> tuple[Found, ...]:
    """Recall over signed recordings: in all, or for each month in order.

    It is an upper bound: trainers who look at flagged moments only find nothing else.
    """
    groups: dict[str, list[int]] = {}
    for row in rows:
        if row.signed_on is not None:
            name = month_of(row.taken_on) if by_month else ALL
            groups.setdefault(name, []).append(row.recording_id)
    return tuple(_found(name, groups[name], decisions, moments) for name in sorted(groups))


def _found(
    name: str,
    recordings: Sequence[int],
    decisions: Mapping[int, Sequence[Decision]],
    moments: Mapping[int, Sequence[JudgedMoment]],
) -> Found:
    own = {number: decisions[number] for number in recordings if number in decisions}
    flagged = [d.recording_id for d in _claims(own) if d.verdict is Verdict.AGREE]
    missed = [n for n in recordings for moment in moments.get(n, ()) if not moment.covered]
    return Found(
        name,
        Proportion(len(flagged), len(flagged) + len(missed)),
        tuple(flagged),
        tuple(missed),
        len(recordings),
    )
