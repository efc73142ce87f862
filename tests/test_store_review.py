"""Decisions and the flags they belong to, moments, answers, comments, signatures."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis, Flag, FlagKind, FlagLevel
from review.store import (
    Decision,
    Store,
    StoreError,
    Verdict,
    flag_topic,
    match_decision,
    match_decisions,
)
from review.store.records import NEAR_S, standing_decisions
from tests.stores import BY, TODAY, analysed_store

pytestmark = pytest.mark.any_database


@pytest.fixture
def opened(tmp_path: Path, analysis: Analysis) -> tuple[Store, int]:
    return analysed_store(tmp_path, analysis)


def flag(
    start_s: float,
    end_s: float,
    kind: FlagKind = FlagKind.HAND_TO_FACE,
    message: str = "The left hand was at the face for 3 s.",
    measure: str = "",
) -> Flag:
    return Flag(
        kind=kind,
        start_s=start_s,
        end_s=end_s,
        level=FlagLevel.LOOK,
        confidence=0.9,
        message=message,
        measure=measure,
    )


def about(
    flagged: Flag,
    number: int = 1,
    verdict: Verdict = Verdict.AGREE,
    withdrawn_at: datetime | None = None,
) -> Decision:
    return Decision(
        id=number,
        recording_id=1,
        kind=flagged.kind,
        start_s=flagged.start_s,
        end_s=flagged.end_s,
        verdict=verdict,
        comment="",
        by=BY,
        at=datetime(2026, 3, 10, tzinfo=UTC),
        topic=flag_topic(flagged),
        withdrawn_at=withdrawn_at,
    )


# --- which decision belongs to which flag ----------------------------------------------------


def test_a_decision_belongs_to_a_flag_up_to_two_seconds_away() -> None:
    decision = about(flag(10, 12))
    for start_s, end_s, belongs in (
        (10, 12, True),
        (11, 20, True),
        (14, 15, True),
        (14.001, 15, False),
        (7, 8, True),
        (7, 7.999, False),
        (12, 12, True),
    ):
        found = match_decision(flag(start_s, end_s), [decision])
        assert (found is decision) == belongs, (start_s, end_s)


def test_another_kind_never_belongs() -> None:
    other = flag(10, 12, FlagKind.LEFT_CLEAN_FIELD)
    assert match_decision(other, [about(flag(10, 12))]) is None


def test_the_nearest_decision_is_taken_and_the_newer_of_two_equal_ones() -> None:
    near, far = about(flag(10, 12), 1), about(flag(13.5, 14), 2)
    assert match_decision(flag(10.5, 12), [far, near]) is near
    newer = replace(near, id=3)
    assert match_decision(flag(10.5, 12), [near, newer]) is newer


def test_a_decision_about_one_of_two_neighbours_is_not_taken_for_the_other() -> None:
    first, second = flag(10, 12), flag(13, 14)
    decision = about(second)
    assert match_decisions([first, second], [decision]) == (None, decision)
    assert match_decision(first, [decision]) is decision  # alone it cannot know


def test_two_phases_missing_at_one_place_are_told_apart() -> None:
    """Both flags have the same kind and span; their sentences name the phase."""
    wash = flag(0, 5, FlagKind.PHASE_MISSING, "Hand wash was not found where it is due.")
    wipe = flag(0, 5, FlagKind.PHASE_MISSING, "Surface preparation was not found where it is due.")
    assert flag_topic(wash) != flag_topic(wipe)
    assert match_decisions([wash, wipe], [about(wipe)]) == (None, about(wipe))
    assert match_decision(wash, [about(wipe)]) is None


def test_a_topic_does_not_change_with_the_numbers_in_a_sentence() -> None:
    unseen = "Hand wash was not seen, but the hands were out of view for {} % of the time."
    topics = {flag_topic(flag(0, 5, FlagKind.NOT_SEEN, unseen.format(share))) for share in (80, 91)}
    assert topics == {"Hand wash was not seen, but the hands were out of view for"}
    assert flag_topic(flag(0, 5, FlagKind.NOT_SEEN, "x", "wash.whole_time")) == "wash.whole_time"
    assert flag_topic(flag(0, 5)) == ""


@given(st.integers(0, 2**32))
def test_every_flag_keeps_its_decision_when_all_move_a_little(seed: int) -> None:
    """Flags 10 s apart, each moved by up to 2 s: nothing is lost, nothing changes hands."""
    rng = random.Random(seed)
    flags = [flag(10.0 * n, 10.0 * n + 1.0) for n in range(8)]
    decisions = [about(flagged, n) for n, flagged in enumerate(flags)]
    moved = []
    for flagged in flags:
        by = rng.uniform(0.0, NEAR_S)
        moved.append(flag(flagged.start_s + by, flagged.end_s + by))
    rng.shuffle(decisions)
    found = match_decisions(moved, decisions)
    assert [decision.id if decision else None for decision in found] == list(range(8))


@given(st.integers(0, 2**32))
def test_no_decision_is_used_twice(seed: int) -> None:
    rng = random.Random(seed)

    def somewhere() -> Flag:
        start = rng.uniform(0, 20)
        return flag(start, start + rng.uniform(0, 3))

    flags = [somewhere() for _ in range(rng.randrange(7))]
    decisions = [about(somewhere(), n) for n in range(rng.randrange(7))]
    used = [decision.id for decision in match_decisions(flags, decisions) if decision]
    assert len(used) == len(set(used))


def test_a_later_decision_replaces_one_about_the_same_flag_also_after_it_moved() -> None:
    first = about(flag(10, 12), 1)
    moved = about(flag(11, 13), 2, Verdict.DISAGREE)
    neighbour = about(flag(13, 14), 3)
    assert standing_decisions([first, moved, neighbour]) == (moved, neighbour)


def test_moments_without_length_are_the_same_flag_only_at_the_same_time() -> None:
    one, other = about(flag(5, 5), 1), about(flag(6, 6), 2)
    again = about(flag(5, 5), 3, Verdict.UNSURE)
    assert standing_decisions([one, other, again]) == (other, again)


# --- in the store ----------------------------------------------------------------------------


def test_deciding_again_replaces_and_undoing_brings_back(opened: tuple[Store, int]) -> None:
    store, session = opened
    span = {"kind": "wash_short", "start_s": 0.0, "end_s": 32.0}
    first = store.decide(session, verdict="agree", comment="too quick", by=BY, **span)
    second = store.decide(session, verdict="disagree", by="second nurse", **span)
    assert store.decisions(session) == (second,)
    store.undo_decision(session, second.id, by=BY)
    assert store.decisions(session) == (first,)
    assert first.comment == "too quick" and first.verdict is Verdict.AGREE
    store.undo_decision(session, first.id, by=BY)
    assert store.decisions(session) == ()
    history = store.decision_history(session)
    assert [(d.id, d.verdict, d.by) for d in history] == [
        (first.id, "agree", BY),
        (second.id, "disagree", "second nurse"),
    ]
    assert all(decision.withdrawn_at is not None for decision in history)


def test_undoing_twice_or_elsewhere_is_refused(
    opened: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = opened
    made = store.decide(session, kind="wash_short", start_s=0, end_s=1, verdict="unsure", by=BY)
    other = store.add_session(analysis, person="P-1", trainer="T-1", taken_on=TODAY, by=BY)
    with pytest.raises(StoreError, match="has no decision"):
        store.undo_decision(other.id, made.id, by=BY)
    store.undo_decision(session, made.id, by=BY)
    with pytest.raises(StoreError, match="taken back before"):
        store.undo_decision(session, made.id, by=BY)


def test_words_outside_the_fixed_ones_are_refused(opened: tuple[Store, int]) -> None:
    store, session = opened
    span = {"start_s": 0.0, "end_s": 1.0}
    with pytest.raises(StoreError, match="one of: agree, disagree, unsure"):
        store.decide(session, kind="wash_short", verdict="yes", by=BY, **span)
    with pytest.raises(StoreError, match="kind of flag"):
        store.decide(session, kind="sneeze", verdict="agree", by=BY, **span)
    with pytest.raises(StoreError, match="done, not_done, not_seen"):
        store.answer(session, item="Cap", answer="maybe", by=BY)


def test_open_flags_go_down_and_up_with_decisions(opened: tuple[Store, int]) -> None:
    store, session = opened
    look = {"kind": "talking_near_open_line", "start_s": 68.5, "end_s": 71.0}
    made = store.decide(session, verdict="disagree", by=BY, **look)
    assert [(r.open_flags, r.agreed_flags) for r in store.session_rows()] == [(0, 0)]
    store.undo_decision(session, made.id, by=BY)
    assert [(r.open_flags, r.agreed_flags) for r in store.session_rows()] == [(1, 0)]


def test_moments_are_listed_by_time_and_can_be_removed(opened: tuple[Store, int]) -> None:
    store, session = opened
    late = store.add_moment(session, start_s=80, end_s=80, text=" the cap ", by=BY)
    early = store.add_moment(session, start_s=1.00049, end_s=2, text="sleeve", by=BY)
    assert (early.start_s, late.text) == (1.0, "the cap")
    assert store.moments(session) == (early, late)
    store.remove_moment(session, early.id, by=BY)
    assert store.moments(session) == (late,)
    with pytest.raises(StoreError, match="taken back before"):
        store.remove_moment(session, early.id, by=BY)
    with pytest.raises(StoreError, match="text of the moment is empty"):
        store.add_moment(session, start_s=1, end_s=2, text=" ", by=BY)


def test_the_latest_answer_to_an_item_counts(opened: tuple[Store, int]) -> None:
    store, session = opened
    store.answer(session, item="Rings off", answer="not_seen", by=BY)
    store.answer(session, item="Cap on", answer="done", by=BY)
    store.answer(session, item="Rings off", answer="done", comment="asked", by=BY)
    assert [(a.item, a.answer, a.comment) for a in store.answers(session)] == [
        ("Rings off", "done", "asked"),
        ("Cap on", "done", ""),
    ]


def test_comments_are_kept_to_the_letter(opened: tuple[Store, int]) -> None:
    store, session = opened
    words = "=1+1\t<b>łté</b>\n'; DROP TABLE comments;-- 👩‍⚕️"
    store.comment(session, words, by=BY)
    store.comment(session, "second", by=BY)
    assert [comment.text for comment in store.comments(session)] == [words, "second"]


# --- signatures ------------------------------------------------------------------------------


def sign(store: Store, session: int, recheck_on: date | None = None) -> None:
    store.sign(session, name="Tess", on=TODAY, outcome="signed_off", recheck_on=recheck_on, by=BY)


def test_every_change_after_signing_shows_and_signing_again_settles_it(
    opened: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = opened
    moment = store.add_moment(session, start_s=1, end_s=2, text="sleeve", by=BY)
    made = store.decide(session, kind="wash_short", start_s=0, end_s=32, verdict="agree", by=BY)
    assert not store.changed_since_signing(session), "nothing was signed yet"
    changed = analysis.model_copy(update={"warnings": ("changed",)})
    changes = (
        lambda: store.undo_decision(session, made.id, by=BY),
        lambda: store.decide(
            session, kind="not_seen", start_s=90, end_s=99, verdict="unsure", by=BY
        ),
        lambda: store.remove_moment(session, moment.id, by=BY),
        lambda: store.answer(session, item="Cap on", answer="done", by=BY),
        lambda: store.comment(session, "well done", by=BY),
        lambda: store.correct(session, windows=[("connect", 1.0, 2.0)], by=BY),
        lambda: store.add_analysis(session, changed, basis="corrected", by=BY),
    )
    for change in changes:
        sign(store, session)
        assert not store.changed_since_signing(session)
        change()
        assert store.changed_since_signing(session)
    signed = store.signoffs(session)
    assert [s.version for s in signed] == list(range(1, len(changes) + 1))
    assert len({s.content_sha256 for s in signed}) == len(changes)


def test_watching_and_analysing_again_with_the_same_result_change_nothing_signed(
    opened: tuple[Store, int], analysis: Analysis
) -> None:
    store, session = opened
    sign(store, session)
    store.watched(session, by=BY)
    again = analysis.model_copy(update={"timing": analysis.timing.model_copy()})
    store.add_analysis(session, again, basis="machine", by=BY)
    assert not store.changed_since_signing(session)


def test_signing_needs_a_name_and_a_later_day_to_look_again(opened: tuple[Store, int]) -> None:
    store, session = opened
    with pytest.raises(StoreError, match="must be after"):
        sign(store, session, recheck_on=TODAY)
    with pytest.raises(StoreError, match="The name is empty"):
        store.sign(session, name=" ", on=TODAY, outcome="signed_off", recheck_on=None, by=BY)
    assert store.signoffs(session) == ()
