"""One recording under review: the video with its timeline, decisions, checklist, signature."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from html import escape
from pathlib import Path
from threading import Timer

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from review.components.player import show_player
from review.desk import Desk, load_evidence, open_desk, overlay_of
from review.deskview import OUTCOMES, player_data
from review.deskwork import Done, act, bring_up_to_date, get_ready
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.reviewtabs import show_tabs
from review.pages.unit import (
    RECORDING,
    WHO,
    browser_key,
    chosen_recording,
    day_words,
    lend,
    open_page,
    playable,
    viewer,
)
from review.prepared import Evidence
from review.protocol import Protocol
from review.roles import Viewer
from review.sealed import can_open, is_sealed
from review.store import RecordingEntry, RecordingState, Store
from review.video import probe

LOOK = """<style>
.stMainBlockContainer {padding: 4.2rem 1.4rem 2rem 1.4rem; max-width: 1700px;}
.stMainBlockContainer [data-testid="stVerticalBlock"] {gap: .55rem;}
.plain p {margin: 0; font-size: .95rem;}
.plain .quiet {color: #3f434a; font-size: .85rem;}
</style>"""

LANES_WAIT_S = 0.6
"""How long a page waits for the rows from the pictures before it is shown without them."""

DESK = "desk"
"""Name in the session of the recording as last read, and of which state of the records."""

NEWEST = 200
"""How many of the newest recordings the chooser lists; older ones are opened from other pages."""


def main() -> None:
    """Choose a recording and review it."""
    store = open_page("", "review")
    st.html(LOOK)
    if store is not None:
        review(store)


@st.cache_resource(show_spinner=False)
def _workers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=1, thread_name_prefix="landmarks")


@st.cache_resource(show_spinner=False, max_entries=2)
def _evidence(
    folder: str, recording_id: int, sha256: str, _entry: RecordingEntry, _protocol: Protocol
) -> Future[Evidence | None]:
    """The landmarks of a recording, read in the background: the page need not wait for them."""
    return _workers().submit(load_evidence, Path(folder), _entry, _protocol)


HEAD_START_S = 2.0
"""The page is drawn first: what is only got ready begins this much later, or both are slow."""


@st.cache_resource(show_spinner=False, max_entries=2)
def _ready_for_corrections(sha256: str, _desk: Desk, _evidence: Evidence) -> Timer:
    """Once a recording, in the background: its first correction need not wait for it."""
    later = Timer(HEAD_START_S, _workers().submit, (get_ready, _desk, _evidence))
    later.daemon = True
    later.start()
    return later


@st.fragment
def review(store: Store) -> None:
    """The whole page; only this part is drawn anew when something was done."""
    entry, by = _choose(store)
    if entry is None:
        return
    if store.must_stay_blind(entry.id, by):
        st.info(
            "You were asked to review this recording blind. Do so on the page 'Blind review'; what "
            "others said is shown here once you have finished."
        )
        return
    try:
        desk = _desk(store, entry.id)
        _count_as_watched(store, entry.id, by)
        evidence = _evidence(str(store.landmarks), entry.id, entry.sha256, entry, desk.protocol)
        if desk.stale and by:
            with st.spinner("The measures follow the corrected times"):
                if (kept := evidence.result()) is not None:
                    desk = bring_up_to_date(store, desk, kept, by=by)
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    _player(store, desk, evidence, by)
    show_tabs(store, desk, evidence, by)
    if by and evidence.done() and (kept := evidence.result()) is not None:
        _ready_for_corrections(entry.sha256, desk, kept)


def _desk(store: Store, recording_id: int) -> Desk:
    """The recording as the records are now: read again once anything was written or a day ended.

    Raises:
        ReviewError: as of :func:`review.desk.open_desk`.
    """
    # Asked before reading: what is written in between makes the next drawing read again.
    as_of = (recording_id, store.newest_link(), store.today())
    known: tuple[object, Desk] | None = st.session_state.get(DESK)
    if known is not None and known[0] == as_of:
        return known[1]
    desk = open_desk(store, recording_id)
    st.session_state[DESK] = as_of, desk
    return desk


# --- what is reviewed, and by whom ---------------------------------------------------------------


def _choose(store: Store) -> tuple[RecordingEntry | None, str]:
    """The recording and the trainer's code; the code is empty until somebody is named."""
    entries = _reviewable(str(store.folder), store)
    trainers = {t.code: t.name for t in store.trainers() if t.active}
    asked = chosen_recording()
    by_id = {e.id: e for i, e in enumerate(entries) if i < NEWEST or e.id == asked}
    if not by_id:
        st.info("There is no recording to review yet. Add one on the page 'Recordings'.")
        return None, ""
    left, middle, right = st.columns([5, 3, 6], vertical_alignment="center")
    chosen = left.selectbox(
        "Recording",
        list(by_id),
        index=list(by_id).index(asked) if asked in by_id else 0,
        format_func=lambda i: _entry_words(by_id[i]),
        label_visibility="collapsed",
    )
    by = _reviewer(middle, trainers, viewer(store))
    # A reload of the page, or a link to another one, finds both again.
    st.session_state[RECORDING], st.session_state[WHO] = chosen, by or ""
    if st.query_params.get(RECORDING) != str(chosen):
        st.query_params[RECORDING] = str(chosen)
    if by and not browser_key() and st.query_params.get(WHO) != by:
        st.query_params[WHO] = by
    with right:
        blind = store.must_stay_blind(chosen, by or "")
        words = "" if blind else escape(_state_words(store, by_id[chosen]))
        st.html(f'<div class="plain"><p>{words}</p></div>')
    return by_id[chosen], by or ""


def _reviewer(place: DeltaGenerator, trainers: Mapping[str, str], looking: Viewer | None) -> str:
    """The code of whoever reviews: the one signed in, else chosen from the list; may be empty."""
    if looking is None or looking.signed_in:
        code = looking.trainer if looking else ""
        words = f"Reviewing: {trainers.get(code, code)} ({code})"
        place.html(f'<div class="plain"><p>{escape(words)}</p></div>')
        return code
    known = st.session_state.get(WHO) or st.query_params.get(WHO, "")
    chosen = place.selectbox(
        "Who is reviewing",
        list(trainers),
        index=list(trainers).index(known) if known in trainers else None,
        format_func=lambda code: f"{trainers[code]} ({code})",
        placeholder="Who is reviewing?",
        label_visibility="collapsed",
    )
    return chosen or ""


@st.cache_resource(show_spinner=False, ttl=10.0)
def _reviewable(folder: str, _store: Store) -> tuple[RecordingEntry, ...]:
    """Kept for some seconds: the page is drawn anew at every decision."""
    return _store.recordings(state=RecordingState.READY)


def _entry_words(entry: RecordingEntry) -> str:
    return f"{entry.person} \u00b7 {day_words(entry.taken_on)} \u00b7 {entry.name}"


def _state_words(store: Store, entry: RecordingEntry) -> str:
    signed = store.signoffs(entry.id)
    if not signed:
        return "Not signed yet."
    last = signed[-1]
    words = f"{OUTCOMES[last.outcome]}: {last.name}, {day_words(last.on)} (version {last.version})."
    return words + (" Changed since." if store.changed_since_signing(entry.id) else "")


def _count_as_watched(store: Store, recording_id: int, by: str) -> None:
    """Once a browser session and recording, as soon as it is known who watches."""
    seen: set[int] = st.session_state.setdefault("watched", set())
    if by and recording_id not in seen:
        seen.add(recording_id)
        store.watched(recording_id, by=by)


# --- the player ----------------------------------------------------------------------------------


def _player(store: Store, desk: Desk, evidence: Future[Evidence | None], by: str) -> None:
    key = f"player-{desk.entry.id}"
    try:
        found = evidence.result(timeout=LANES_WAIT_S)
        note, late = "" if found else "not kept here", False
    except TimeoutError:
        found, note, late = None, "being read ...", True
    if is_sealed(Path(desk.entry.file)) and not can_open(Path(desk.entry.file)):
        st.info("This video is kept encrypted and is locked: unlock it on the page 'Keeping'.")
    video, sound = _video(store, desk.entry)
    data = player_data(
        desk,
        found.lanes if found else None,
        video=lend(video, desk.entry.id) if video else "",
        points=_points_address(store, desk, found),
        sound=sound,
        may_act=bool(by),
        lanes_note=note,
    )
    data["confirmed"] = st.session_state.get(f"{key}-confirmed")
    data["notice"] = st.session_state.get(f"{key}-notice")
    show_player(
        data, key=key, on_actions=partial(_take_actions, store, desk.entry.id, key, evidence, by)
    )
    if late:  # even if they are there by now: what was sent does not have them
        _wait_for_lanes(evidence)


@st.fragment(run_every=0.5)
def _wait_for_lanes(evidence: Future[Evidence | None]) -> None:
    if evidence.done():
        st.rerun()


def _take_actions(
    store: Store, recording_id: int, key: str, evidence: Future[Evidence | None], by: str
) -> None:
    """Carry out what the browser sent and has not been confirmed yet, in order."""
    outbox = st.session_state[key].get("outbox") or {}
    client, last = str(outbox.get("client", "")), 0
    confirmed = st.session_state.get(f"{key}-confirmed")
    if confirmed and confirmed["client"] == client:
        last = confirmed["n"]
    for action in outbox.get("actions", ()):
        if action["n"] <= last:
            continue
        try:  # opened anew: another trainer may have changed something meanwhile
            desk = _desk(store, recording_id)
            done = act(store, desk, action, by=by, evidence=evidence.result)
        except ReviewError as error:
            done = Done(str(error), False)
        last = action["n"]
        st.session_state[f"{key}-confirmed"] = {"client": client, "n": last}
        st.session_state[f"{key}-notice"] = {
            "client": client,
            "n": last,
            "words": done.words,
            "ok": done.carried_out,
        }


def _video(store: Store, entry: RecordingEntry) -> tuple[Path | None, bool]:
    """The video to show, and whether it has sound.

    The copy made for reviewing, which has sound only where the consent allows it; without one
    the recording itself, unless its sound may not be heard.
    """
    copy = playable(store, entry)
    if copy is not None:
        return copy, _has_sound(str(copy), copy.stat().st_mtime_ns)
    original = Path(entry.file) if entry.file else None
    if original is None or not can_open(original):
        return None, False
    consent = store.current_consent(entry.person)
    has_sound = _has_sound(str(original), original.stat().st_mtime_ns)
    allowed = consent is not None and consent.sound
    return (original, has_sound) if allowed or not has_sound else (None, False)


@st.cache_data(show_spinner=False, max_entries=64)
def _has_sound(path: str, changed: int) -> bool:
    return probe(path).has_audio


def _points_address(store: Store, desk: Desk, found: Evidence | None) -> str:
    if found is None:
        return ""
    # One maker a recording: a new one at every drawing would be lent under a new address.
    makers: dict[int, Callable[[], bytes]] = st.session_state.setdefault("points", {})
    entry = desk.entry
    maker = makers.setdefault(entry.id, partial(overlay_of, store.landmarks, entry, desk.protocol))
    return lend(maker, entry.id)


if __name__ == "__main__":
    main()
