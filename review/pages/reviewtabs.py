"""What stands below the player on the review page: checklist, measures, times, signature."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import date
from functools import partial
from html import escape
from typing import Any

import streamlit as st

from review.desk import Desk
from review.deskview import (
    ANSWERS,
    OUTCOMES,
    ChecklistRow,
    checklist_rows,
    measure_rows,
    span_words,
    surface_rows,
    typed_action,
    unfinished,
    when,
)
from review.deskwork import Done, act
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.reporttab import show_report
from review.pages.sharing import show_sharing
from review.pages.unit import day_words, show_parts, table
from review.pages.workarea import show_work_area
from review.prepared import Evidence
from review.store import Store
from review.timeline import Phase
from review.wording import PHASES, clock

ANSWER_KEYS = list(ANSWERS)
TABS = "tabs"
"""Key of the tabs, followed by the recording's id: the name of the one that is open."""

NEW = -1
"""Stands for a span that is not there yet."""


# --- below the player ----------------------------------------------------------------------------


def show_tabs(store: Store, desk: Desk, evidence: Future[Evidence | None], by: str) -> None:
    """Everything below the player, in tabs; those in which something may wait to be saved stay."""
    parts: dict[str, Callable[[], None]] = {
        "Checklist": partial(_checklist, store, desk, by),
        "Measures": partial(_measures, desk),
        "Work surface": partial(show_work_area, store, desk, evidence, by),
        "Type times": partial(_times, store, desk, evidence, by),
        "Remarks and signature": partial(_signing, store, desk, by),
        "History": partial(_history, store, desk),
        "Report": partial(show_report, store, desk, by),
        "Clip for teaching": partial(show_sharing, store, desk, by),
    }
    kept = ("Type times", "Remarks and signature", "Report", "Clip for teaching")
    show_parts(parts, f"{TABS}-{desk.entry.id}", kept=kept)


def _checklist(store: Store, desk: Desk, by: str) -> None:
    rows = checklist_rows(desk)
    if not rows:
        st.write("The protocol has no checklist.")
        return
    if not by:
        st.write("Please say first who is reviewing.")
    columns = st.columns(2, gap="large")
    half = (len(rows) + 1) // 2
    for number, row in enumerate(rows):
        with columns[number // half]:
            _checklist_item(store, desk, number, row, by)


def _checklist_item(store: Store, desk: Desk, number: int, row: ChecklistRow, by: str) -> None:
    key = f"item-{desk.entry.id}-{number}"
    st.session_state[key] = row.shown  # what the store says, also after the camera's view changed
    words = f"Critical: {row.item}" if row.critical else row.item
    st.radio(
        markdown_text(words),
        ANSWER_KEYS,
        key=key,
        format_func=ANSWERS.__getitem__,
        horizontal=True,
        disabled=not by,
        on_change=lambda: _answer(store, desk, row, st.session_state[key], by),
    )
    if row.by_camera and row.evidence:
        origin = "The camera's suggestion" if row.answer is None else "The camera"
        st.html(
            f'<div class="plain"><p class="quiet">{escape(f"{origin}: {row.evidence}")}</p></div>'
        )
    if row.answer is not None:
        text = f"{key}-comment"
        st.session_state[text] = row.comment
        st.text_input(
            markdown_text(f"Comment on: {row.item}"),
            key=text,
            placeholder="Comment (may stay empty)",
            label_visibility="collapsed",
            disabled=not by,
            on_change=lambda: _answer(store, desk, row, row.answer, by, st.session_state[text]),
        )


def _answer(
    store: Store, desk: Desk, row: ChecklistRow, answer: Any, by: str, comment: str | None = None
) -> None:
    kept = row.comment if comment is None else comment
    store.answer(desk.entry.id, item=row.item, answer=answer, comment=kept, by=by)


def _measures(desk: Desk) -> None:
    analysis = desk.analysis
    if desk.stale:
        st.warning("The times were corrected; the measures do not follow them yet.")
    for warning in analysis.warnings:
        st.warning(markdown_text(warning))
    columns = ("Measure", "Measured", "Target", "Result", "Seen", "Remark", "Source of the target")
    table("What was measured", columns, measure_rows(analysis))
    if analysis.wash_surfaces:
        heads = ("Surface", "Seconds", "Strokes", "Rounds", "Result")
        title = "Hand surfaces in the wash (left and right are the person's own)"
        table(title, heads, surface_rows(analysis), numbers=(1, 2, 3))
    st.markdown("\n".join(f"- {markdown_text(caution)}" for caution in analysis.cautions))


# --- typed times ---------------------------------------------------------------------------------


def _times(store: Store, desk: Desk, evidence: Future[Evidence | None], by: str) -> None:
    left, right = st.columns(2, gap="large")
    phases = [(p.phase, p.start_s, p.end_s) for p in desk.analysis.phases]
    names = [phase for phase in Phase]
    with left:
        _span_form(store, desk, evidence, by, "phase", "Phase", phases, names)
    with right:
        lines = [Phase.CONNECT, Phase.DISCONNECT]
        _span_form(store, desk, evidence, by, "window", "Line open", list(desk.windows), lines)
    if desk.corrections is None or (
        desk.corrections.phases is None and desk.corrections.windows is None
    ):
        return
    st.button(
        "Go back to the machine's own times",
        disabled=not by,
        on_click=lambda: _typed(store, desk, evidence, {"do": "machine"}, by),
    )


def _span_form(
    store: Store,
    desk: Desk,
    evidence: Future[Evidence | None],
    by: str,
    kind: Any,
    title: str,
    spans: Sequence[tuple[Phase, float, float]],
    names: Sequence[Phase],
) -> None:
    """Choose a span, type its times, save, remove; or add one."""
    base = f"{kind}-{desk.entry.id}"
    labels = {number: span_words(PHASES[p], a, b) for number, (p, a, b) in enumerate(spans)}
    labels[NEW] = "Add one"
    chosen = st.selectbox(title, list(labels), format_func=labels.__getitem__, key=f"{base}-which")
    phase, start, end = spans[chosen] if chosen != NEW else (names[0], 0.0, 0.0)
    with st.form(f"{base}-form", border=False):
        first, second, third = st.columns([2, 1, 1])
        named = first.selectbox(
            "What it is", names, index=names.index(phase), format_func=PHASES.__getitem__
        )
        begin = second.text_input("From", "" if chosen == NEW else clock(start))
        stop = third.text_input("To", "" if chosen == NEW else clock(end))
        buttons = st.columns([1, 1, 3])
        save = buttons[0].form_submit_button("Save", disabled=not by)
        remove = buttons[1].form_submit_button("Remove", disabled=not by or chosen == NEW)
    number = None if chosen == NEW else chosen
    if save:
        try:
            action = typed_action(kind, number, named, begin, stop)
        except ReviewError as error:
            st.error(markdown_text(error))
            return
        _typed(store, desk, evidence, action, by)
        st.rerun()
    if remove:
        _typed(store, desk, evidence, {"do": f"remove_{kind}", "number": number}, by)
        st.rerun()
    said: Done | None = st.session_state.pop("typed", None)
    if said is not None:
        (st.success if said.carried_out else st.error)(markdown_text(said.words))


def _typed(
    store: Store, desk: Desk, evidence: Future[Evidence | None], action: Any, by: str
) -> None:
    st.session_state["typed"] = act(store, desk, action, by=by, evidence=evidence.result)


# --- remarks and signature -----------------------------------------------------------------------


def _signing(store: Store, desk: Desk, by: str) -> None:
    left, right = st.columns(2, gap="large")
    with left:
        _remarks(store, desk, by)
    with right:
        _signature(store, desk, by)


def _remarks(store: Store, desk: Desk, by: str) -> None:
    st.markdown("**Remarks on the whole recording**")
    for comment in desk.comments:
        words = escape(f"{comment.text} ({comment.by}, {when(comment.at)})")
        st.html(f'<div class="plain"><p>{words}</p></div>')
    with st.form(f"remark-{desk.entry.id}", clear_on_submit=True, border=False):
        text = st.text_area("Your remark", height=90)
        if st.form_submit_button("Save the remark", disabled=not by) and text.strip():
            store.comment(desk.entry.id, text, by=by)
            st.rerun()


def _signature(store: Store, desk: Desk, by: str) -> None:
    st.markdown("**Signature**")
    if desk.signoffs and desk.changed_since_signing:
        st.warning("Something changed after the last signature. Signing again makes a new version.")
    for words in unfinished(desk):
        st.markdown(f"- {markdown_text(words)}")
    rows = [row for row in checklist_rows(desk) if row.answer is None and row.suggestion]
    if rows:
        st.markdown(
            f"- {len(rows)} checklist answers come from the camera and are signed as they stand"
        )
    trainers = {t.code: t.name for t in store.trainers()}
    with st.form(f"sign-{desk.entry.id}", border=False):
        name = st.text_input("Name", trainers.get(by, ""))
        outcome = st.radio(
            "Outcome", list(OUTCOMES), index=None, format_func=OUTCOMES.__getitem__, horizontal=True
        )
        first, second = st.columns(2)
        on = first.date_input("Date", date.today(), format="DD/MM/YYYY")
        again = second.date_input("Look again on (may stay empty)", None, format="DD/MM/YYYY")
        signed = st.form_submit_button("Sign", disabled=not by)
    if not signed:
        return
    if outcome is None or not name.strip():
        st.error("Please give a name and choose an outcome; nothing was signed.")
        return
    try:
        for row in rows:
            if row.suggestion is not None:
                store.answer(desk.entry.id, item=row.item, answer=row.suggestion, by=by)
        store.sign(desk.entry.id, name=name, on=on, outcome=outcome, recheck_on=again, by=by)
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    st.rerun()


def _history(store: Store, desk: Desk) -> None:
    signed = [
        (
            str(s.version),
            OUTCOMES[s.outcome],
            s.name,
            day_words(s.on),
            day_words(s.recheck_on) if s.recheck_on else "none",
            f"analysis {s.analysis_version}",
        )
        for s in desk.signoffs
    ]
    if signed:
        heads = ("Version", "Outcome", "Name", "Date", "Look again", "What was signed")
        table("Signatures", heads, signed)
    entries = [
        (when(e.at), e.who, e.what, e.detail) for e in store.audit(100, recording_id=desk.entry.id)
    ]
    table("What was done, newest first", ("When", "Who", "What", "Detail"), entries)
