"""Who is due and why: agreed days, intervals, events, gaps; each at its edge."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from review.protocol import EventRule, Recheck, Trigger
from review.recheck import Why, rechecks
from review.store.records import Outcome, SessionRow
from review.store.standard_records import PersonEvent
from tests.test_spotcheck import DAY, session

RULES = {
    "practice": Recheck(
        interval_days=100,
        interval_source="unit setting",
        gap_days=60,
        gap_source="unit setting",
        after=(EventRule(event=Trigger.PERITONITIS, within_days=14, source="unit setting"),),
    )
}


def ago(days: int) -> date:
    return DAY - timedelta(days)


def signed(number: int, days_ago: int, recheck: date | None, **more: object) -> SessionRow:
    on = ago(days_ago)
    return session(number, signed_on=on, outcome=Outcome.PRACTISE_MORE, recheck_on=recheck,
                   taken_on=on, **more)  # fmt: skip


def event(days_ago: int, kind: Trigger = Trigger.PERITONITIS, person: str = "P-1") -> PersonEvent:
    at = datetime(2024, 1, 1, tzinfo=UTC)
    return PersonEvent(1, person, kind, ago(days_ago), "", "T-1", at)


def test_who_is_due_the_longest_overdue_first() -> None:
    rows = [
        signed(1, 60, ago(30)),
        signed(2, 40, ago(3)),  # the latest of P-1 counts
        signed(3, 40, DAY, person="P-2"),
        signed(4, 40, DAY + timedelta(14), person="P-3"),
        signed(5, 40, DAY + timedelta(15), person="P-4"),
        signed(6, 40, None, person="P-5"),
        session(7, person="P-6"),
        session(8, taken_on=ago(1)),  # of P-1, after the signature
    ]
    found = rechecks(rows, DAY, ahead_days=14)
    assert [(due.person, due.days_late, due.newer) for due in found] == [
        ("P-1", 3, 8),
        ("P-2", 0, None),
        ("P-3", -14, None),
    ]


def test_without_rules_a_signature_without_a_day_ends_the_matter() -> None:
    assert rechecks([signed(1, 60, ago(30)), signed(2, 0, None)], DAY) == ()


def test_the_interval_counts_only_where_the_trainer_set_no_day() -> None:
    rules = {"practice": Recheck(interval_days=100, interval_source="unit setting")}
    (due,) = rechecks([signed(1, 100, None)], DAY, rules=rules)
    assert [(r.why, r.due_on, r.days) for r in due.reasons] == [(Why.INTERVAL, DAY, 100)]
    assert due.reasons[0].source == "unit setting"
    assert rechecks([signed(1, 85, None)], DAY, ahead_days=14, rules=rules) == ()
    assert rechecks([signed(1, 300, DAY + timedelta(200))], DAY, rules=rules) == ()


def test_an_event_counts_until_a_session_from_that_day_on_was_signed() -> None:
    rules = {"practice": RULES["practice"].model_copy(update={"gap_days": None})}
    before = signed(1, 40, None)
    (due,) = rechecks([before], DAY, rules=rules, events=[event(20)])
    assert [(r.why, r.due_on) for r in due.reasons] == [(Why.EVENT, ago(6))]
    assert due.days_late == 6
    assert due.reasons[0].event == event(20)
    watched_only = session(2, taken_on=ago(5))
    (due,) = rechecks([before, watched_only], DAY, rules=rules, events=[event(20)])
    assert due.newer == 2
    for days in (20, 5):  # the same day counts
        after = signed(2, days, None)
        assert rechecks([before, after], DAY, rules=rules, events=[event(20)]) == ()


def test_an_event_counts_even_though_the_trainer_set_a_later_day() -> None:
    row = signed(1, 40, DAY + timedelta(10))
    (due,) = rechecks([row], DAY, rules=RULES, events=[event(20)])
    assert [r.why for r in due.reasons] == [Why.EVENT, Why.AGREED_DAY]
    assert due.due_on == ago(6)


def test_what_the_protocol_does_not_ask_about_is_no_trigger() -> None:
    rows = [signed(1, 40, None)]
    rules = {"practice": Recheck()}
    assert rechecks(rows, DAY, rules=rules, events=[event(20)]) == ()
    assert rechecks(rows, DAY, rules=RULES, events=[event(20, Trigger.NEW_HELPER)]) == ()


def test_an_event_that_was_taken_back_is_passed_over() -> None:
    back = replace(event(20), taken_back_at=datetime(2024, 1, 2, tzinfo=UTC))
    assert rechecks([signed(1, 40, None)], DAY, rules=RULES, events=[back]) == ()


def test_an_event_of_somebody_without_a_session_is_not_lost() -> None:
    (due,) = rechecks([], DAY, rules=RULES, events=[event(20, person="P-9")])
    assert (due.person, due.trainer, due.recording_id, due.newer) == ("P-9", "", None, None)


def test_a_long_time_without_a_session_is_due_signed_or_not() -> None:
    (due,) = rechecks([session(1, taken_on=ago(60))], DAY, rules=RULES)
    assert [(r.why, r.due_on) for r in due.reasons] == [(Why.GAP, DAY)]
    assert due.recording_id is None
    assert rechecks([session(1, taken_on=ago(45))], DAY, rules=RULES) == ()


def test_the_protocol_of_the_latest_session_counts() -> None:
    rows = [signed(1, 100, None), session(2, taken_on=ago(1), protocol="asks nothing")]
    assert rechecks(rows, DAY, rules=RULES) == ()


@given(st.lists(st.integers(0, 400), min_size=1, max_size=6), st.integers(0, 60))
def test_looking_further_ahead_never_loses_anybody(days: list[int], ahead: int) -> None:
    rows = [signed(n, d, None, person=f"P-{n}") for n, d in enumerate(days)]
    near = {due.person for due in rechecks(rows, DAY, ahead, rules=RULES)}
    far = {due.person for due in rechecks(rows, DAY, ahead + 30, rules=RULES)}
    assert near <= far
    for due in rechecks(rows, DAY, ahead, rules=RULES):
        assert due.due_on == min(reason.due_on for reason in due.reasons)
        assert due.days_late == (DAY - due.due_on).days >= -ahead
