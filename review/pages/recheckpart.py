"""Who is to be looked at again and why, and what happened to people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import streamlit as st

from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.sessiontable import open_link
from review.pages.unit import day_words, table, who_is_here
from review.protocol import Protocol, Trigger
from review.recheck import Reason, Recheck, Why, rechecks
from review.store import Store
from review.store.records import SessionRow
from review.store.standard_records import PersonEvent

DAY = "YYYY-MM-DD"
EVENTS = {
    Trigger.PERITONITIS: "Peritonitis",
    Trigger.CATHETER_INFECTION: "Catheter infection",
    Trigger.HOSPITAL_STAY: "Hospital stay",
    Trigger.NEW_HELPER: "Another helper",
    Trigger.CHANGED_ABILITY: "Change in hands, sight or mind",
    Trigger.NEW_SYSTEM: "Another system or supplier",
    Trigger.BACK_FROM_PAUSE: "Back after a pause",
}
"""What may happen to a person, in words."""


@st.fragment
def show_rechecks(
    store: Store, rows: Sequence[SessionRow], protocols: Mapping[str, Protocol]
) -> None:
    """Who is due, why, and the events behind it."""
    ahead = st.number_input("Also those due in the next days", 0, 365, 14, width=300)
    persons = {row.person for row in rows}
    events = [event for event in store.events() if event.person in persons]
    rules = {name: protocol.recheck for name, protocol in protocols.items()}
    found = rechecks(rows, date.today(), int(ahead), rules=rules, events=events)
    table(
        "Due for a re-check, the longest overdue first",
        ("Trainee", "Trainer", "Due on", "When", "Why", "Signed session", "Newer session"),
        [_cells(due) for due in found],
        empty="nobody in this time.",
    )
    _rules(protocols)
    _events(store, events, sorted(persons))


def _cells(due: Recheck) -> tuple[str, ...]:
    return (
        due.person,
        due.trainer,
        day_words(due.due_on),
        when_words(due.days_late),
        "; ".join(map(reason_words, due.reasons)),
        "none" if due.recording_id is None else open_link(due.recording_id),
        "none" if due.newer is None else open_link(due.newer),
    )


def reason_words(reason: Reason) -> str:
    """Why somebody is due, in words."""
    match reason.why:
        case Why.AGREED_DAY:
            return "day agreed on at the signature"
        case Why.INTERVAL:
            return f"{reason.days} days since the signature"
        case Why.GAP:
            return f"no session for {reason.days} days"
        case Why.EVENT:
            assert reason.event is not None
            return (
                f"{EVENTS[reason.event.kind].lower()} on {day_words(reason.event.on)}, "
                f"within {reason.days} days"
            )


def when_words(days_late: int) -> str:
    """How far a day is away, in words.

    >>> when_words(3), when_words(0), when_words(-1)
    ('3 days late', 'today', 'in 1 day')
    """
    if days_late == 0:
        return "today"
    days = f"{abs(days_late)} day{'' if abs(days_late) == 1 else 's'}"
    return f"{days} late" if days_late > 0 else f"in {days}"


def _rules(protocols: Mapping[str, Protocol]) -> None:
    """The days that the protocols ask for, each with its source."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for name, protocol in protocols.items():
        rule = protocol.recheck
        asked = [(EVENTS[e.event], f"within {e.within_days} days", e.source) for e in rule.after]
        if rule.gap_days is not None:
            asked.insert(0, ("No session", f"after {rule.gap_days} days", rule.gap_source))
        if rule.interval_days is not None:
            words = f"{rule.interval_days} days after the signature, where it names no day"
            asked.insert(0, ("Interval", words, rule.interval_source))
        for row in asked:
            rows.setdefault(row, []).append(name)
    with st.expander("When the protocols ask for a re-check"):
        table(
            "As set in the protocol file, under [recheck]",
            ("What", "When", "Source"),
            list(rows),
            empty="only the day that a signature names.",
        )


# --- events -----------------------------------------------------------------------------------


def _events(store: Store, events: Sequence[PersonEvent], persons: Sequence[str]) -> None:
    """What happened to people: a list, a form, and a way to take a mistake back."""
    st.subheader("What happened to people")
    who = who_is_here(store)
    table(
        "Events, the latest first",
        ("Day", "Trainee", "What", "Note", "Entered by"),
        [
            (day_words(event.on), event.person, EVENTS[event.kind], event.note, event.by)
            for event in reversed(events)
        ],
        empty="none was entered.",
    )
    if not who:
        st.write("Choose who you are to enter something.")
        return
    left, right = st.columns(2, gap="large")
    with left:
        _enter(store, persons, who)
    with right:
        _take_back(store, events, who)


def _enter(store: Store, persons: Sequence[str], who: str) -> None:
    with st.form("event", clear_on_submit=True):
        person = st.selectbox("Trainee", persons, index=None, placeholder="Choose a trainee")
        kind = st.selectbox(
            "What happened",
            list(EVENTS),
            index=None,
            format_func=EVENTS.__getitem__,
            placeholder="Choose an event",
        )
        on = st.date_input(
            "On (the last day, if it lasted)", date.today(), max_value=date.today(), format=DAY
        )
        note = st.text_input("Note (may stay empty)")
        if st.form_submit_button("Enter the event"):
            if person is None or kind is None:
                st.error("Choose a trainee and what happened; nothing was entered.")
                return
            try:
                store.add_event(person, kind=kind, on=on, note=note, by=who)
            except ReviewError as error:
                st.error(markdown_text(error))
                return
            st.rerun()


def _take_back(store: Store, events: Sequence[PersonEvent], who: str) -> None:
    if not events:
        return
    by_id = {event.id: event for event in reversed(events)}
    with st.form("event-back"):
        chosen = st.selectbox(
            "Entered by mistake",
            list(by_id),
            index=None,
            format_func=lambda number: _event_words(by_id[number]),
            placeholder="Choose an event",
        )
        if st.form_submit_button("Take it back") and chosen is not None:
            try:
                store.take_event_back(chosen, by=who)
            except ReviewError as error:
                st.error(markdown_text(error))
                return
            st.rerun()


def _event_words(event: PersonEvent) -> str:
    return f"{EVENTS[event.kind]}, {event.person}, {day_words(event.on)}"
