"""People, consents and recordings: who may be reviewed, what is added, how far it is."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Collection, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import streamlit as st

from review.errors import ReviewError
from review.escaping import markdown_text
from review.jobs import cancel, job_status, start_analysis
from review.pages.sessiontable import STATES
from review.pages.unit import (
    Link,
    day_words,
    link_to,
    name_file_boxes,
    open_page,
    pages_of,
    store_folder,
    table,
    viewer,
    who_is_here,
)
from review.places import INCOMING, PROTOCOLS, files_in
from review.protocol import shipped_protocols
from review.roles import AT_THE_COMPUTER, Action, Viewer, may, may_open
from review.store import Consent, RecordingEntry, RecordingState, Store
from review.store.keeping import KEEP_WORDS, Keep, memory_folder
from review.store.records import Purpose
from review.words import languages

SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".webm", ".mkv", ".avi", ".3gp", ".mts", ".mpg"})
ROWS_A_PAGE = 25
YEAR = timedelta(days=365)
UNDER_WAY = (RecordingState.WAITING, RecordingState.ANALYSING)

PURPOSES: dict[str, tuple[Purpose, ...]] = {
    "Own review only": ("review",),
    "Own review, and showing it to others who learn": ("review", "teaching"),
}


def main() -> None:
    """The whole page."""
    store = open_page("Recordings", "recordings")
    if store is None:
        return
    looking = viewer(store)
    who = who_is_here(store)
    if not who:
        st.write("Choose who you are to add or change something.")
    say_now()
    tabs: tuple[tuple[str, Action, Callable[[], None]], ...] = (
        ("Add recordings", Action.ADD_RECORDINGS, lambda: show_adding(store, who, looking)),
        ("All recordings", Action.KEEP_PEOPLE, lambda: show_recordings(store, who, looking)),
        ("People and consents", Action.KEEP_PEOPLE, lambda: show_people(store, who)),
        ("Trainers", Action.ADD_TRAINERS, lambda: show_trainers(store, who)),
        ("What was done", Action.READ_AUDIT, lambda: show_actions(store)),
    )
    shown = [tab for tab in tabs if may(looking, tab[1])]
    for place, (_, _, show) in zip(st.tabs([tab[0] for tab in shown]), shown, strict=True):
        with place:
            show()


def say_later(kind: str, words: str) -> None:
    """Keep words for the next drawing of the page, after something was changed."""
    st.session_state.setdefault("said", []).append((kind, words))


def say_now() -> None:
    """Show what was kept."""
    for kind, words in st.session_state.pop("said", []):
        (st.success if kind == "done" else st.error)(markdown_text(words))


# --- adding -----------------------------------------------------------------------------------


def show_adding(store: Store, who: str, looking: Viewer | None) -> None:
    """Choose the person, then the files."""
    allowed = [p.code for p in store.people() if p.active and store.current_consent(p.code)]
    if not allowed:
        st.write(
            "Nobody has a current consent. Add the person and the consent under "
            "'People and consents' first."
        )
        return
    one, two, three = st.columns(3)
    with one:
        person = st.selectbox("Person (only those with a current consent)", allowed)
    with two:
        taken_on = st.date_input("Taken on", date.today(), max_value=date.today())
    free = looking == AT_THE_COMPUTER  # only there may somebody name any path
    with three:
        protocol = _chosen_protocol(store, free=free)
    mirrored = st.checkbox("It is a mirror picture (taken with a phone's front camera)")
    keep = _chosen_keeping(store)
    st.subheader("From a folder on this computer")
    if free:
        folder = st.text_input("Folder", placeholder="for instance Videos/practice")
        files = _chosen_files(folder)
    else:
        files = _chosen_incoming(store.folder / INCOMING)
    st.subheader("Or drop small files here")
    dropped = st.file_uploader(
        "Files up to 20 MB each", type=[s[1:] for s in sorted(SUFFIXES)], accept_multiple_files=True
    )
    name_file_boxes()
    ready = bool(who and (files or dropped) and protocol)
    if st.button("Add and analyse", type="primary", disabled=not ready):
        more: dict[str, Any] = {
            "person": person,
            "trainer": who,
            "protocol": protocol,
            "mirrored": mirrored,
            "taken_on": taken_on,
            "by": who,
        }
        for file in files:
            _add(store, file, keep=keep, **more)
        # What is to lie encrypted on the disk takes no way over it in the clear.
        passing = memory_folder() if keep == "sealed" else None
        with tempfile.TemporaryDirectory(prefix="added-", dir=passing) as place:
            for upload in dropped:
                path = Path(place) / Path(upload.name).name
                path.write_bytes(upload.getvalue())
                _add(store, path, keep="sealed" if keep == "sealed" else "copy", **more)
        st.rerun()


OWN = "our own file"


def _at(names: Sequence[str], name: str) -> int:
    return names.index(name) if name in names else 0


def _chosen_keeping(store: Store) -> Keep:
    """What happens to the files that are chosen; the unit's own choice stands first."""
    now = store.keeping()
    choices: list[Keep] = [k for k in KEEP_WORDS if k != "sealed" or now.unlocked]
    usual = now.video if now.video in choices else choices[0]
    if now.has_passphrase and not now.unlocked:
        st.write("To keep videos encrypted, unlock them on the page 'Keeping' first.")
    return st.selectbox(
        "Each file", choices, choices.index(usual), format_func=KEEP_WORDS.__getitem__, width=420
    )


def _chosen_protocol(store: Store, *, free: bool) -> str:
    """A shipped protocol's name, or the path of one of the unit's own; may be empty."""
    own = files_in(store.folder / PROTOCOLS, frozenset({".toml"}))
    shipped = shipped_protocols()
    names = (*shipped, *own, *((OWN,) if free else ()))
    chosen = st.selectbox("Procedure", names, index=_at(shipped, "practice"))
    if chosen == OWN:
        return st.text_input("Path of your unit's protocol file (.toml)")
    return str(own[chosen]) if chosen in own else chosen


def _chosen_incoming(folder: Path) -> list[Path]:
    """The chosen ones of the videos that were put where signed-in staff may pick them."""
    try:
        found = files_in(folder, SUFFIXES)
    except OSError as error:
        st.error(
            f"{markdown_text(folder)} cannot be looked into ({error.strerror}). Ask your "
            "administrator."
        )
        return []
    if not found:
        st.write(
            f"No video is waiting. Put some into {markdown_text(folder)}, on the computer that "
            "runs this."
        )
        return []
    return [found[name] for name in st.multiselect(f"Videos ({len(found)})", list(found))]


def _chosen_files(folder: str) -> list[Path]:
    """The videos of a folder that were chosen."""
    if not folder:
        return []
    place = Path(folder).expanduser()
    if not place.is_dir():
        st.error(f"{markdown_text(place)} is not a folder on this computer. Check the name.")
        return []
    try:
        found = {
            path.name: path for path in sorted(place.iterdir()) if path.suffix.lower() in SUFFIXES
        }
    except OSError as error:
        st.error(
            f"{markdown_text(place)} cannot be looked into ({error.strerror}). Choose another "
            "folder."
        )
        return []
    if not found:
        st.write(f"There is no video in {markdown_text(place)}.")
        return []
    return [found[name] for name in st.multiselect(f"Videos ({len(found)})", list(found))]


def _add(store: Store, path: Path, *, keep: Keep, **more: Any) -> None:
    """Add one file and ask for its analysis; says how it went."""
    try:
        entry = store.add_recording(path, keep=keep, **more)
        if entry.state is RecordingState.READY:
            say_later("done", f"{path.name} was added before; it is ready.")
            return
        start_analysis(store_folder(), entry.id, more["by"])
    except ReviewError as error:
        say_later("trouble", f"{path.name}: {error}")
        return
    say_later("done", f"{path.name} was added. See how far it is under 'All recordings'.")


# --- the list ---------------------------------------------------------------------------------


def show_recordings(store: Store, who: str, looking: Viewer | None) -> None:
    """Every recording that may be seen, with work under way above."""
    adds = bool(who) and may(looking, Action.ADD_RECORDINGS)
    opens = {page for page in ("review", "feedback") if may_open(looking, page)}
    show_work(store, adds)
    entries = store.recordings()
    shown = entries[pages_of(len(entries), ROWS_A_PAGE, "Recordings", "recordings-page")]
    table(
        f"Recordings ({len(entries)})",
        ("Day", "Person", "Trainer", "Name", "Length", "State", "Remark", "Review", "Feedback"),
        [_row(entry, opens) for entry in shown],
        numbers=(4,),
    )
    again = [e for e in entries if e.state in (RecordingState.FAILED, RecordingState.CANCELLED)]
    for entry in again:
        if st.button(
            markdown_text(f"Analyse again: {entry.name} of {entry.person}"),
            key=f"again-{entry.id}",
            disabled=not adds,
        ):
            _try(lambda entry=entry: start_analysis(store_folder(), entry.id, who))
            st.rerun()


def _row(entry: RecordingEntry, opens: Collection[str]) -> tuple[str, ...]:
    ready = entry.state is RecordingState.READY
    minutes, seconds = divmod(round(entry.duration_s), 60)
    return (
        day_words(entry.taken_on),
        entry.person,
        entry.trainer,
        entry.name,
        f"{minutes}:{seconds:02d}",
        STATES[entry.state],
        entry.state_text,
        Link("open", link_to("review", entry.id)) if ready and "review" in opens else "",
        Link("open", link_to("feedback", entry.id)) if ready and "feedback" in opens else "",
    )


@st.fragment(run_every=1.5)
def show_work(store: Store, adds: bool) -> None:
    """Analyses under way: how far, how long still, and a way to stop them."""
    entries = [entry for state in UNDER_WAY for entry in store.recordings(state=state)]
    for entry in sorted(entries, key=lambda entry: entry.id):
        status = job_status(store_folder(), entry.id)
        left, right = st.columns([5, 1], vertical_alignment="center")
        with left:
            said = f"{entry.name} of {entry.person}: {_progress_words(status)}"
            st.progress(status.share, markdown_text(said))
        with right:
            if st.button("Stop", key=f"stop-{entry.id}", disabled=not adds):
                _try(lambda entry=entry: cancel(store_folder(), entry.id))
    before = st.session_state.get("under-way", 0)
    st.session_state["under-way"] = len(entries)
    if len(entries) < before:
        st.rerun()  # something was finished: the list below is old


def _progress_words(status: Any) -> str:
    if not status.alive:
        return f"{status.message} Nothing is at work on it; start it again below."
    if status.seconds_left is None:
        return str(status.message)
    minutes = max(round(status.seconds_left / 60), 1)
    return f"{status.message} About {minutes} minute{'' if minutes == 1 else 's'} left."


def _try(action: Any) -> None:
    """Do something that the records may refuse, with their words."""
    try:
        action()
    except ReviewError as error:
        say_later("trouble", str(error))


# --- people -----------------------------------------------------------------------------------


def show_people(store: Store, who: str) -> None:
    """Who learns here, and what they agreed to."""
    people = store.people()
    consents = {person.code: store.consents(person.code) for person in people}
    table(
        f"People ({len(people)})",
        ("Code", "Language", "Note", "Consent"),
        [
            (p.code, p.language, p.note, consent_words(consents[p.code], date.today()))
            for p in people
        ],
    )
    left, right = st.columns(2, gap="large")
    with left, st.form("person", clear_on_submit=True):
        st.subheader("Add a person")
        code = st.text_input("Code (your unit's own; no name is needed)")
        language = st.selectbox(
            "Language of the feedback", [c for c, _ in languages()],
            format_func=dict(languages()).__getitem__,
        )  # fmt: skip
        note = st.text_input("Note (may stay empty)")
        if st.form_submit_button("Add the person", disabled=not who):
            _try(lambda: store.add_person(code, note=note, language=language, by=who))
            st.rerun()
    with right:
        show_consent(store, who, [person.code for person in people], consents)


def consent_words(consents: Sequence[Consent], today: date) -> str:
    """The latest consent in words."""
    if not consents:
        return "none: nothing may be analysed or shown"
    last = consents[-1]
    if last.withdrawn_at is not None:
        return (
            f"withdrawn on {day_words(last.withdrawn_at.date())}: nothing may be analysed or shown"
        )
    if not last.holds(today):
        return f"ended on {day_words(last.until or today)}: nothing may be analysed or shown"
    what = "review and teaching" if "teaching" in last.purposes else "review"
    until = f"until {day_words(last.until)}" if last.until else "until it is taken back"
    return (
        f"{what}, {'with' if last.sound else 'without'} sound, {until} (given to {last.given_to})"
    )


def show_consent(
    store: Store, who: str, codes: Sequence[str], consents: dict[str, tuple[Consent, ...]]
) -> None:
    """Record a consent, or take one back."""
    st.subheader("Consent")
    if not codes:
        st.write("Add a person first.")
        return
    person = st.selectbox("Person", codes)
    last = consents[person][-1] if consents[person] else None
    with st.form("consent", clear_on_submit=True):
        what = st.selectbox("For what", list(PURPOSES))
        until = st.date_input("Until", date.today() + YEAR, min_value=date.today())
        sound = st.checkbox(
            "The sound may be kept, and may make talking more or less probable in the analysis"
        )
        st.write(
            "Record it only after the person has agreed. It takes the place of an earlier one."
        )
        if st.form_submit_button("Record the consent", disabled=not who):
            _try(
                lambda: store.add_consent(
                    person, purposes=PURPOSES[what], until=until, sound=sound, by=who
                )
            )
            st.rerun()
    if last is not None and last.withdrawn_at is None:
        sure = st.checkbox(f"{person} takes the consent back: nothing of theirs is shown any more")
        if st.button("Take the consent back", disabled=not (who and sure)):
            _try(lambda: store.withdraw_consent(last.id, by=who))
            st.rerun()


def show_trainers(store: Store, who: str) -> None:
    """Who teaches here."""
    table(
        "Trainers",
        ("Code", "Name"),
        [(trainer.code, trainer.name) for trainer in store.trainers()],
    )
    with st.form("trainer", clear_on_submit=True):
        code, name = st.text_input("Trainer's code"), st.text_input("Trainer's name")
        if st.form_submit_button("Add the trainer"):
            _try(lambda: store.add_trainer(code, name, by=who or code))
            st.rerun()


def show_actions(store: Store) -> None:
    """The latest entries of the audit."""
    table(
        "What was done, the latest first (times in UTC)",
        ("When", "Who", "What", "To", "Detail"),
        [
            (f"{entry.at:%Y-%m-%d %H:%M}", entry.who, entry.what, entry.subject, entry.detail)
            for entry in store.audit(100)
        ],
    )


if __name__ == "__main__":
    main()
