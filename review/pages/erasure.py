"""Erasing a person, how videos are kept, and whether the record of what was done is whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Final

import streamlit as st

from review.cache import default_cache_dir
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.unit import day_words, open_page, table, viewer, who_is_here
from review.roles import Action, may
from review.store import Store
from review.store.erasing_plan import ErasurePlan, Receipt, ended_on, left_lines
from review.store.keeping import KEEP_WORDS, MOST_DAYS, Keep

RECEIPT: Final = "receipt of the last erasure"
"""In this browser session's memory alone; the records keep none."""

SAID: Final = "said about keeping"


def main() -> None:
    """The whole page."""
    store = open_page("Keeping and erasing", "erasure")
    if store is None:
        return
    who = who_is_here(store)
    if not who:
        st.write("Choose who you are to change something.")
    for kind, words in st.session_state.pop(SAID, []):
        (st.success if kind == "done" else st.error)(markdown_text(words))
    settles = may(viewer(store), Action.CHANGE_ACCOUNTS)
    erase, keep, whole = st.tabs(["Erase a person", "How videos are kept", "Is the record whole?"])
    with erase:
        if RECEIPT not in st.session_state and store.receipts_at_opening:
            *before, st.session_state[RECEIPT] = store.receipts_at_opening
            store.receipts_at_opening = tuple(before)
        show_receipt()
        show_due(store, who, settles=settles)
        show_erasing(store, who)
    with keep:
        show_keeping(store, who, settles=settles)
    with whole:
        show_whole(store)


def say_later(kind: str, words: str) -> None:
    """Keep words for the next drawing of the page, after something was changed."""
    st.session_state.setdefault(SAID, []).append((kind, words))


# --- erasing ----------------------------------------------------------------------------------


def show_due(store: Store, who: str, *, settles: bool) -> None:
    """Who is due, and after how many days somebody is."""
    days = store.keeping().erase_after_days
    due, today = store.due_for_erasure(), date.today()
    table(
        f"Due for erasure ({len(due)}): the consent ended more than {_days(days)} ago",
        ("Person", "Consent ended on", "Days ago"),
        [
            (code, day_words(end), str((today - end).days))
            for code in due
            if (end := ended_on(store.consents(code)[-1], today)) is not None
        ],
        numbers=(2,),
        empty="nobody.",
    )
    if settles:
        with st.expander("Change the number of days"), st.form("days"):
            new = st.number_input(
                "Days from the end of a consent until a person is due", 0, MOST_DAYS, days,
                width=420,
            )  # fmt: skip
            if st.form_submit_button("Keep this number", disabled=not who):
                _try(lambda: store.set_keeping(erase_after_days=int(new), by=who), "Kept.")
                st.rerun()


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def show_erasing(store: Store, who: str) -> None:
    """Choose somebody, read what goes and what stays, and say yes."""
    st.subheader("Erase somebody")
    st.write(
        "Everything about the person goes: video kept here, review copies, hand and face "
        "positions, analyses, decisions, comments, signatures. It cannot be undone."
    )
    codes = [person.code for person in store.people()]
    left, _ = st.columns([1, 2])
    with left:
        person = st.selectbox("Person to erase", codes, index=None, placeholder="Choose a code")
    if person is None:
        return
    originals = st.checkbox("Also delete the videos that lie outside the records")
    older = st.checkbox("Also delete older copies of the records (of everybody in them)")
    try:
        plan = store.plan_erasure(
            person,
            caches=[default_cache_dir()],
            delete_originals=originals,
            delete_backups=older,
        )
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    show_plan(plan)
    below, _ = st.columns([1, 2])
    with below:
        typed = st.text_input(f"Type {person} to be sure")
    if st.button(
        f"Erase everything about {person}", type="primary", disabled=not who or typed != person
    ):
        erase_now(store, plan, who)


def show_plan(plan: ErasurePlan) -> None:
    """What goes, and what stays."""
    table(
        f"Recordings that go ({len(plan.recordings)})",
        ("Day", "Name"),
        [
            (day_words(date.fromisoformat(recording.taken_on)), recording.name)
            for recording in plan.recordings
        ],
        empty="none.",
    )
    st.write(f"Files that go: {len(plan.going)}")
    with st.expander("Name these files"):
        st.code("\n".join(plan.going) or "none", language=None, wrap_lines=True)
    st.code("\n".join(left_lines(plan)), language=None, wrap_lines=True)


def erase_now(store: Store, plan: ErasurePlan, who: str) -> None:
    """Do it, and keep the receipt until the next page."""
    try:
        with st.spinner(f"Erasing {plan.person}"):
            st.session_state[RECEIPT] = store.erase(
                plan.person,
                by=who,
                caches=[default_cache_dir()],
                delete_originals=plan.delete_originals,
                delete_backups=plan.delete_backups,
            )
    except ReviewError as error:
        say_later("trouble", str(error))
    st.rerun()


def show_receipt() -> None:
    """The receipt of what was erased a moment ago."""
    receipt: Receipt | None = st.session_state.get(RECEIPT)
    if receipt is None:
        return
    person = receipt.plan.person
    st.success(
        f"{markdown_text(person)} was erased. Save or print the receipt for whoever asked: it is "
        "kept nowhere, and is gone when this page is closed."
    )
    st.code(receipt.as_text(), language=None, wrap_lines=True)
    one, two, three, _ = st.columns([1, 1, 1, 2])
    stem = f"receipt-{person}"
    with one:
        st.download_button("Save as text", receipt.as_text(), f"{stem}.txt", "text/plain")
    with two:
        st.download_button("Save as JSON", receipt.as_json(), f"{stem}.json", "application/json")
    with three:
        if st.button("Put it away"):
            del st.session_state[RECEIPT]
            st.rerun()


# --- keeping ----------------------------------------------------------------------------------


def show_keeping(store: Store, who: str, *, settles: bool) -> None:
    """What happens to videos, and the passphrase of those that are encrypted."""
    now = store.keeping()
    st.write(f"A video that is added {KEEP_WORDS[now.video]}, unless something else is chosen.")
    if settles:
        with st.form("video"):
            choices: list[Keep] = [k for k in KEEP_WORDS if k != "sealed" or now.has_passphrase]
            video = st.radio(
                "A video that is added", choices, choices.index(now.video),
                format_func=KEEP_WORDS.__getitem__,
            )  # fmt: skip
            if st.form_submit_button("Keep this choice", disabled=not who):
                _try(lambda: store.set_keeping(video=video, by=who), "Kept.")
                st.rerun()
    st.subheader("Encrypted videos")
    if not now.has_passphrase:
        show_new_passphrase(store, who, settles=settles)
    elif now.unlocked:
        show_unlocked(store, who, settles=settles)
    else:
        show_locked(store)


def show_new_passphrase(store: Store, who: str, *, settles: bool) -> None:
    """Begin to encrypt."""
    st.write(
        "Videos and review copies can be kept encrypted, so that a stolen computer or disk shows "
        "none of them. It does not help while this program runs unlocked, and analyses, comments "
        "and hand and face positions are not encrypted: encrypt the whole disk for that."
    )
    if not settles:
        return
    with st.form("new-passphrase", clear_on_submit=True):
        one = st.text_input("Passphrase of the unit's videos", type="password")
        two = st.text_input("The same again", type="password")
        st.write("Write it down and keep it safe: without it nobody can open these videos again.")
        if st.form_submit_button("Set the passphrase", disabled=not who):
            if one != two:
                say_later("trouble", "The two passphrases differ; nothing was changed.")
            else:
                _try(
                    lambda: store.set_video_passphrase(one, by=who),
                    "Set. Videos can be kept encrypted from now on.",
                )
            st.rerun()


def show_locked(store: Store) -> None:
    """Ask for the passphrase."""
    st.write("They are locked: they can neither be analysed nor shown.")
    with st.form("unlock", clear_on_submit=True):
        typed = st.text_input("Passphrase of the unit's videos", type="password")
        if st.form_submit_button("Unlock", type="primary"):
            _try(lambda: store.unlock_videos(typed), "Unlocked until this program ends.")
            st.rerun()


def show_unlocked(store: Store, who: str, *, settles: bool) -> None:
    """Lock again, encrypt what is there, change the passphrase."""
    st.write("They are unlocked until this program ends.")
    if st.button("Lock them now"):
        _try(store.lock_videos, "Locked.")
        st.rerun()
    if not settles:
        return
    if st.button("Encrypt the videos that are kept here already", disabled=not who):
        _try(lambda: store.seal_what_is_kept(by=who), "Done; originals elsewhere were left alone.")
        st.rerun()
    with st.expander("Change the passphrase"), st.form("change", clear_on_submit=True):
        old = st.text_input("Passphrase until now", type="password")
        new = st.text_input("New passphrase", type="password")
        again = st.text_input("The new one again", type="password")
        if st.form_submit_button("Change it", disabled=not who):
            if new != again:
                say_later("trouble", "The two new passphrases differ; nothing was changed.")
            else:
                _try(lambda: store.change_video_passphrase(old, new, by=who), "Changed.")
            st.rerun()


def _try(action: Callable[[], object], done: str) -> None:
    """Do something that the records may refuse, with words either way."""
    try:
        action()
    except ReviewError as error:
        say_later("trouble", str(error))
    else:
        say_later("done", done)


# --- whole ------------------------------------------------------------------------------------


def show_whole(store: Store) -> None:
    """Check the chain of the audit."""
    st.write(
        "Every entry of the audit (who saw, changed, signed, exported, erased) carries a digest "
        "that rests on all before it. A changed, removed or added entry is found by checking. "
        "Write the last digest down outside this computer now and then: with it even a cut end "
        "is found."
    )
    expected = st.text_input("A digest that you wrote down (may stay empty)")
    if not st.button("Check the record"):
        return
    report = store.verify_audit(expected.strip())
    if report.holds:
        emptied = f" {report.emptied} of them were emptied by erasures." if report.emptied else ""
        st.success(f"{report.count} entries, all as they were written.{emptied}")
        if report.matched is not None:
            st.write(f"The digest that you wrote down is that of entry {report.matched}.")
    else:
        st.error(
            f"Entry {report.first_bad} is not as it was written: {report.why}. Put these records "
            "aside as they are, and look at your own backups."
        )
    st.write("The last digest, to write down:")
    st.code(report.chain_sha256, language=None, wrap_lines=True)


if __name__ == "__main__":
    main()
