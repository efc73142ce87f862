"""A trainer's own reading of a recording, without seeing what anybody else said of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from html import escape

import streamlit as st

from review.analysis import Flag, FlagLevel
from review.desk import protocol_of
from review.deskview import ANSWERS
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.unit import day_words, lend, open_page, playable, who_is_here
from review.protocol import ChecklistItem
from review.store import Decision, RecordingEntry, Store, Verdict, flag_topic, match_decisions
from review.store.standard_records import BlindReview, BlindState
from review.wording import FLAGS, clock

BEFORE_S = 3.0
"""A flagged moment is played from this long before it."""

SAID, TROUBLE = "blind-said", "blind-trouble"
"""Keys of words for the next drawing of the page: what was done, or could not be kept."""

VERDICTS = {
    Verdict.AGREE: "Agree",
    Verdict.DISAGREE: "Disagree",
    Verdict.UNSURE: "Not sure",
}

LOOK = """<style>
.blind video {width: 100%; max-width: 900px; background: #1c1f24;}
.blind p {margin: .2rem 0;}
</style>"""


def main() -> None:
    """Choose one of one's own blind reviews, and fill it in."""
    store = open_page("Blind review", "blind")
    if store is None:
        return
    st.html(LOOK)
    who = who_is_here(store)
    if not who:
        st.write("Choose who you are to see what you were asked to look at.")
        return
    if said := st.session_state.pop(SAID, ""):
        st.success(markdown_text(said))
    if trouble := st.session_state.pop(TROUBLE, ""):
        st.error(markdown_text(trouble))
    waiting = {
        review.id: review
        for review in store.blind_reviews(trainer=who)
        if review.state is BlindState.OPEN
    }
    if not waiting:
        st.write("You were not asked to look at anything, or have finished it all. Thank you.")
        return
    entries = {number: store.recording(review.recording_id) for number, review in waiting.items()}
    left, _ = st.columns([1, 1])
    with left:
        chosen = st.selectbox(
            f"You were asked to look at ({len(waiting)})",
            list(waiting),
            format_func=lambda number: _entry_words(entries[number]),
        )
    if chosen is not None:
        fill_in(store, waiting[chosen], entries[chosen], who)


def _entry_words(entry: RecordingEntry) -> str:
    return f"{entry.person}, {day_words(entry.taken_on)}, {entry.name}"


def fill_in(store: Store, review: BlindReview, entry: RecordingEntry, who: str) -> None:
    """First the checklist, with nothing filled in; only then the flagged moments."""
    version = store.analysis(entry.id)
    if version is None:
        st.error("This recording has no analysis any more; ask for it to be analysed again.")
        return
    if not _watching(store, entry, who):
        return
    analysis = version.analysis
    flags = [flag for flag in analysis.flags if flag.level is not FlagLevel.CANNOT_TELL]
    checklist = protocol_of(analysis, entry).checklist
    step = f"blind-step-{review.id}"
    # Flags tell something about the checklist, so they come after it and do not lead back to it.
    moments = bool(review.decisions) or st.session_state.get(step, False) or not checklist
    video = playable(store, entry)
    left, right = st.columns([3, 2], gap="large")
    with left:
        _video(entry, "" if video is None else lend(video, entry.id), flags if moments else ())
    with right:
        if moments:
            _moments(store, review, flags, who)
        else:
            _checklist(store, review, checklist, who, step)


def _watching(store: Store, entry: RecordingEntry, who: str) -> bool:
    """Count the recording as watched, once a browser session; False, with words, if it may not."""
    seen: set[int] = st.session_state.setdefault("watched", set())
    try:
        if entry.id not in seen:
            store.watched(entry.id, by=who)
            seen.add(entry.id)
    except ReviewError as error:
        st.error(markdown_text(error))
        return False
    return True


def _video(entry: RecordingEntry, address: str, flags: Sequence[Flag]) -> None:
    if not address:
        st.write("There is no video of this recording here; answer what you know of it.")
        return
    places = {0.0: "From the beginning"} | {
        max(flag.start_s - BEFORE_S, 0.0): f"{clock(flag.start_s)}  {FLAGS[flag.kind]}"
        for flag in flags
    }
    start = 0.0
    if flags:
        start = st.selectbox("Play", list(places), format_func=places.__getitem__)
    st.html(
        f'<div class="blind"><video controls preload="metadata" '
        f'aria-label="{escape(_entry_words(entry))}" src="{escape(address)}#t={start:.2f}">'
        "</video></div>"
    )


def _checklist(
    store: Store, review: BlindReview, items: Sequence[ChecklistItem], who: str, step: str
) -> None:
    st.subheader("1. Checklist")
    st.write("What you see with your own eyes. Every answer is kept at once.")
    for number, item in enumerate(items):
        key = f"blind-{review.id}-{number}"
        given = review.answers.get(item.item)
        st.radio(
            markdown_text(f"Critical: {item.item}" if item.critical else item.item),
            list(ANSWERS),
            index=None if given is None else list(ANSWERS).index(given),
            format_func=ANSWERS.__getitem__,
            horizontal=True,
            key=key,
            on_change=partial(_answer, store, review.id, item.item, key, who),
        )
    missing = sum(item.item not in review.answers for item in items)
    if missing:
        st.write(f"{missing} of {len(items)} not answered; they will be left out.")
    st.button("Go on to the moments", type="primary", on_click=_go_on, args=(step,))


def _go_on(step: str) -> None:
    st.session_state[step] = True


def _answer(store: Store, review: int, item: str, key: str, who: str) -> None:
    try:
        store.answer_blind(review, {item: st.session_state[key]}, by=who)
    except ReviewError as error:
        st.session_state[TROUBLE] = str(error)


def _moments(store: Store, review: BlindReview, flags: Sequence[Flag], who: str) -> None:
    st.subheader("2. Moments")
    if flags:
        st.write("What the program would put before a nurse. Is it so?")
    else:
        st.write("Nothing was flagged in this recording.")
    decided: Mapping[int, Decision | None] = dict(
        enumerate(match_decisions(flags, review.decisions))
    )
    for number, flag in enumerate(flags):
        key = f"blind-{review.id}-flag-{number}"
        said = decided[number]
        st.radio(
            markdown_text(f"{clock(flag.start_s)} {FLAGS[flag.kind]}: {flag.message}"),
            list(VERDICTS),
            index=None if said is None else list(VERDICTS).index(said.verdict),
            format_func=VERDICTS.__getitem__,
            horizontal=True,
            key=key,
            on_change=partial(_judge, store, review.id, flag, key, who),
        )
    st.button("Finish", type="primary", on_click=_finish, args=(store, review.id, who))


def _finish(store: Store, review: int, who: str) -> None:
    try:
        store.finish_blind(review, by=who)
    except ReviewError as error:
        st.session_state[TROUBLE] = str(error)
        return
    st.session_state[SAID] = "Finished. Now you may see on the page 'Review' what others said."


def _judge(store: Store, review: int, flag: Flag, key: str, who: str) -> None:
    try:
        store.judge_blind(
            review,
            kind=flag.kind,
            start_s=flag.start_s,
            end_s=flag.end_s,
            topic=flag_topic(flag),
            verdict=st.session_state[key],
            by=who,
        )
    except ReviewError as error:
        st.session_state[TROUBLE] = str(error)


if __name__ == "__main__":
    main()
