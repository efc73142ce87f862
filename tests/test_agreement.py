"""Who is compared with whom, what counts as the same flag, and the program against trainers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.agreement import (
    ALL,
    Compared,
    compare_checklists,
    compare_flags,
    flags_by_kind,
    flags_by_month,
    flags_together,
    moments_found,
)
from review.analysis import FlagKind
from review.pages.agreement import beyond_chance, remark
from review.proportions import Proportion
from review.raters import FEWEST_FOR_INTERVAL, Method, agreement
from review.store.records import Answer, ChecklistAnswer, Decision, Moment, Verdict
from review.store.standard_records import BlindReview, BlindState, JudgedMoment
from tests.test_spotcheck import session

AT = datetime(2024, 3, 9, tzinfo=UTC)
DONE, NOT_DONE, NOT_SEEN = Answer.DONE, Answer.NOT_DONE, Answer.NOT_SEEN


def decision(recording: int, kind: str, start: float, verdict: str, by: str = "T-1") -> Decision:
    return Decision(1, recording, FlagKind(kind), start, start + 2, Verdict(verdict), "", by, AT)


def blind(
    recording: int,
    trainer: str = "T-2",
    answers: dict[str, Answer] | None = None,
    decisions: Sequence[Decision] = (),
    state: BlindState = BlindState.FINISHED,
) -> BlindReview:
    return BlindReview(1, recording, trainer, "E", AT, state, answers or {}, tuple(decisions))


def ordinary(recording: int, item: str, answer: Answer, by: str = "T-1") -> ChecklistAnswer:
    return ChecklistAnswer(recording, item, answer, "", by, AT)


# --- trainers with each other ---------------------------------------------------------------------


def test_the_ordinary_review_is_the_first_opinion_and_the_blind_one_the_second() -> None:
    reviews = [
        blind(1, answers={"Rings": DONE, "Bag": NOT_DONE}),
        blind(2, answers={"Rings": DONE}),
    ]
    answers = {
        1: [ordinary(1, "Rings", NOT_DONE), ordinary(1, "Bag", NOT_DONE)],
        2: [ordinary(2, "Rings", DONE)],
        3: [ordinary(3, "Rings", DONE)],  # nobody looked at it twice
    }
    rings, bag = compare_checklists(reviews, answers)
    assert (rings.name, rings.recordings, rings.differing) == ("Rings", (1, 2), (1,))
    assert rings.agreement.all_agreed == Proportion(1, 2)
    assert rings.agreement.method is Method.COHEN
    assert (bag.recordings, bag.differing) == ((1,), ())


def test_an_open_or_called_off_review_is_in_no_number() -> None:
    for state in (BlindState.OPEN, BlindState.CALLED_OFF):
        reviews = [blind(1, answers={"Rings": DONE}, state=state)]
        assert compare_checklists(reviews, {1: [ordinary(1, "Rings", DONE)]}) == ()


def test_nobody_is_their_own_second_opinion() -> None:
    """What a trainer answers after their own blind review does not stand beside it."""
    reviews = [blind(1, answers={"Rings": DONE})]
    (row,) = compare_checklists(reviews, {1: [ordinary(1, "Rings", NOT_DONE, by="T-2")]})
    assert row.agreement.things == 0


def test_blind_reviews_alone_can_be_compared() -> None:
    reviews = [
        blind(1, "T-2", {"Rings": DONE}),
        blind(1, "T-3", {"Rings": NOT_DONE}),
        blind(2, "T-2", {"Rings": DONE}),
    ]
    answers = {n: [ordinary(n, "Rings", DONE)] for n in (1, 2)}
    (row,) = compare_checklists(reviews, answers, blind_only=True)
    assert (row.recordings, row.agreement.things) == ((1,), 1)
    (row,) = compare_checklists(reviews, answers)
    assert row.agreement.things == 2
    assert row.agreement.method is Method.ALPHA  # three raters once, two the other time


def test_three_raters_throughout_are_compared_by_fleiss() -> None:
    reviews = [blind(n, t, {"Rings": DONE}) for n in (1, 2) for t in ("T-2", "T-3")]
    answers = {n: [ordinary(n, "Rings", NOT_DONE)] for n in (1, 2)}
    (row,) = compare_checklists(reviews, answers)
    assert row.agreement.method is Method.FLEISS


def test_a_flag_that_a_correction_moved_is_still_the_same_flag() -> None:
    own = [decision(1, "wash_short", 10.0, "agree"), decision(1, "hand_to_face", 50.0, "agree")]
    other = [
        decision(1, "wash_short", 13.5, "disagree", "T-2"),
        decision(1, "hand_to_face", 80.0, "agree", "T-2"),  # another one
    ]
    found = {row.name: row for row in compare_flags([blind(1, decisions=other)], {1: own})}
    assert found["wash_short"].agreement.things == 1
    assert found["wash_short"].differing == (1,)
    assert found["hand_to_face"].agreement.things == 0
    assert found[ALL].agreement.things == 1


def test_the_nearest_flag_of_its_kind_is_taken() -> None:
    own = [decision(1, "hand_to_face", at, v) for at, v in ((10.0, "agree"), (13.0, "disagree"))]
    other = [replace(d, by="T-2") for d in reversed(own)]
    (together, row) = compare_flags([blind(1, decisions=other)], {1: own})
    assert (row.agreement.things, row.differing) == (2, ())
    assert together.agreement.all_agreed == Proportion(2, 2)


def test_without_a_blind_review_there_is_nothing_to_compare() -> None:
    assert compare_flags([], {1: [decision(1, "wash_short", 1.0, "agree")]}) == ()
    assert agreement([]).method is None
    assert agreement([{"T-1": "done"}]).things == 0


# --- what is said beside a number -----------------------------------------------------------------


def compared(counts: Sequence[tuple[Answer, Answer, int]]) -> Compared:
    """One item that two trainers answered so many times in these ways."""
    given = [(one, other) for one, other, many in counts for _ in range(many)]
    reviews = [blind(n, answers={"Item": other}) for n, (_, other) in enumerate(given)]
    answers = {n: [ordinary(n, "Item", one)] for n, (one, _) in enumerate(given)}
    (row,) = compare_checklists(reviews, answers)
    return row


def test_the_prevalence_trap_is_told() -> None:
    """90 of 100 alike and yet a kappa below 0: nearly all answers were 'Done'."""
    row = compared([(DONE, DONE, 90), (DONE, NOT_DONE, 5), (NOT_DONE, DONE, 5)])
    assert row.paradox
    assert "Nearly all answers were 'Done'" in remark(row)
    assert beyond_chance(row.agreement).startswith("-0.05")
    fair = compared([(DONE, DONE, 45), (NOT_DONE, NOT_DONE, 45), (DONE, NOT_DONE, 10)])
    assert not fair.paradox
    assert remark(fair) == ""


def test_where_everybody_always_said_the_same_nothing_is_beyond_chance() -> None:
    row = compared([(DONE, DONE, 12)])
    assert row.agreement.value is None
    assert row.agreement.interval is None
    assert beyond_chance(row.agreement) == "cannot tell"
    assert "Everybody always said the same" in remark(row)


def test_few_things_have_no_interval() -> None:
    row = compared([(DONE, DONE, 4), (NOT_DONE, NOT_DONE, 3), (DONE, NOT_DONE, 2)])
    assert row.agreement.things == FEWEST_FOR_INTERVAL - 1
    assert row.agreement.interval is None
    assert row.agreement.value is not None
    assert "Too few" in remark(row)
    more = compared([(DONE, DONE, 5), (NOT_DONE, NOT_DONE, 3), (DONE, NOT_DONE, 2)])
    assert more.agreement.interval is not None


def test_cannot_tell_is_an_answer_like_the_others() -> None:
    row = compared([(DONE, DONE, 5), (NOT_SEEN, NOT_SEEN, 5), (NOT_SEEN, DONE, 2)])
    assert row.agreement.all_agreed == Proportion(10, 12)
    assert row.agreement.prevalence == pytest.approx({"done": 0.5, "not_seen": 0.5})


def test_the_same_answers_give_the_same_interval() -> None:
    things = [{"A": str(n % 3), "B": str(n % 2)} for n in range(30)]
    assert agreement(things) == agreement(things)
    assert agreement(things).interval != agreement(things, seed=2).interval


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=1, max_size=30))
def test_who_is_called_first_does_not_matter(given_: list[tuple[str, str]]) -> None:
    one = agreement([{"A": a, "B": b} for a, b in given_])
    other = agreement([{"A": b, "B": a} for a, b in given_])
    assert (one.value is None) == (other.value is None)
    if one.value is not None:
        assert one.value == pytest.approx(other.value)
        assert -1 <= one.value <= 1
        assert (one.value == pytest.approx(1.0)) == (one.all_agreed.share == 1.0)


# --- the program against trainers -----------------------------------------------------------------


def test_precision_counts_not_sure_apart_and_leaves_not_seen_out() -> None:
    decisions = {
        1: [decision(1, "wash_short", 1, "agree"), decision(1, "not_seen", 1, "disagree")],
        2: [decision(2, "wash_short", 1, "disagree"), decision(2, "wash_short", 9, "unsure")],
        3: [decision(3, "hand_to_face", 1, "agree")],
    }
    wash, face = flags_by_kind(decisions)
    assert (wash.name, wash.right) == ("wash_short", Proportion(1, 2, 1))
    assert (wash.agreed_in, wash.disagreed_in, wash.unsure_in) == ((1,), (2,), (2,))
    assert (face.name, face.right) == ("hand_to_face", Proportion(1, 1))
    assert flags_together(decisions).right == Proportion(2, 3, 1)
    rows = [session(1, taken_on=date(2024, 1, 1)), session(2, taken_on=date(2024, 2, 1))]
    months = flags_by_month(decisions, rows)
    assert [(row.name, row.right) for row in months] == [
        ("2024-01", Proportion(1, 1)),
        ("2024-02", Proportion(0, 1, 1)),
    ]


def test_recall_counts_moments_without_a_flag_in_signed_recordings_only() -> None:
    def added(recording: int, covered: bool) -> JudgedMoment:
        return JudgedMoment(Moment(1, recording, 5.0, 7.0, "seen", "T-1", AT), covered)

    decisions = {
        1: [decision(1, "wash_short", 1, "agree"), decision(1, "wash_short", 9, "disagree")],
        2: [decision(2, "wash_short", 1, "agree")],
    }
    moments = {1: [added(1, False), added(1, True)], 2: [added(2, False)]}
    rows = [session(1, signed_on=date(2024, 3, 9)), session(2)]
    (found,) = moments_found(decisions, moments, rows)
    assert (found.name, found.share, found.sessions) == (ALL, Proportion(1, 2), 1)
    assert (found.flagged_in, found.missed_in) == ((1,), (1,))
    (month,) = moments_found(decisions, moments, rows, by_month=True)
    assert (month.name, month.share) == ("2024-03", found.share)
    assert moments_found(decisions, moments, []) == ()
