"""For the administrator: who may sign in, and as what."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.unit import day_words, open_page, store_folder, table, viewer
from review.passphrases import SHORTEST
from review.roles import Role
from review.store import Account, Store

ROLES = {
    Role.TRAINER: "Trainer: review, feedback, recordings, camera check",
    Role.EDUCATOR: "Educator: as a trainer, and looks across the unit",
    Role.PATIENT: "Patient: the feedback on their own practice, nothing else",
    Role.ADMINISTRATOR: "Administrator: accounts, consents, what was done; sees no video",
}
SAID, TURN = "said about accounts", "accounts changed"


def main() -> None:
    """The whole page."""
    store = open_page("Accounts", "accounts")
    if store is None:
        return
    looking = viewer(store)
    if looking is None or not looking.signed_in:
        show_how_to_begin()
        return
    for kind, words in st.session_state.pop(SAID, []):
        (st.success if kind == "done" else st.error)(words)
    accounts = store.accounts()
    table(
        f"Accounts ({len(accounts)})",
        ("Name", "Role", "Whose", "State", "Since"),
        [_row(account) for account in accounts],
    )
    add, change, close = st.tabs(["Add an account", "New passphrase", "Close an account"])
    still_open = [account.name for account in accounts if account.active]
    with add:
        show_adding(store, looking.by)
    with change:
        show_passphrase(store, looking.by, still_open)
    with close:
        show_closing(store, looking.by, still_open)


def show_how_to_begin() -> None:
    """What a unit without accounts means, and how to have everybody sign in."""
    st.write(
        "This unit has no accounts. Whoever sits at this computer sees and does everything here, "
        "and only says who they are. That is enough for one computer in a locked room."
    )
    st.write(
        "To have everybody sign in with a passphrase of their own, add an administrator in a "
        "terminal on this computer. From then on nothing is shown before signing in:"
    )
    command = "exchange-review account add NAME --role administrator"
    st.code(f"{command} --unit {store_folder()}", language=None, wrap_lines=True)


def _row(account: Account) -> tuple[str, ...]:
    return (
        account.name,
        account.role.value,
        account.trainer or account.person or "",
        "open" if account.active else "closed",
        day_words(account.added_at.astimezone().date()),
    )


def show_adding(store: Store, by: str) -> None:
    """A new account: its role first, since that says whose it can be."""
    role = st.radio("What it is for", list(ROLES), format_func=ROLES.__getitem__)
    people = [person.code for person in store.people() if person.active]
    trainers = [trainer.code for trainer in store.trainers() if trainer.active]
    codes = people if role is Role.PATIENT else trainers
    turn = st.session_state.get(TURN, 0)  # an empty form once an account was added, not before
    with st.form(f"account-{turn}"):
        left, right = st.columns(2)
        name = left.text_input("Name to sign in with")
        whose = ""
        if role is not Role.ADMINISTRATOR:
            label = "Whose practice" if role is Role.PATIENT else "Which trainer"
            whose = right.selectbox(label, codes, index=None, placeholder="Choose a code") or ""
        passphrase = _passphrase_boxes(f"new-{turn}")
        if not st.form_submit_button("Add the account"):
            return
    of_person = role is Role.PATIENT
    _try(
        lambda: store.add_account(
            name,
            role,
            _twice(passphrase),
            trainer="" if of_person else whose,
            person=whose if of_person else "",
            by=by,
        ),
        "The account was added. Hand the passphrase over in person; it is shown nowhere.",
    )


def show_passphrase(store: Store, by: str, names: list[str]) -> None:
    """A new passphrase for somebody who forgot theirs, or who waits after too many tries."""
    with st.form("passphrase", clear_on_submit=True):
        name = st.selectbox("Account", names, index=None, placeholder="Choose a name")
        passphrase = _passphrase_boxes("change")
        if not st.form_submit_button("Set the passphrase"):
            return
    _try(
        lambda: store.set_passphrase(name or "", _twice(passphrase), by=by),
        "The passphrase was set; whoever was signed in with the old one no longer is.",
    )


def show_closing(store: Store, by: str, names: list[str]) -> None:
    """Close an account for good."""
    with st.form("close", clear_on_submit=True):
        name = st.selectbox("Account", names, index=None, placeholder="Choose a name")
        st.write("It is closed at once and for good. What its owner did stays in the records.")
        sure = st.checkbox("Yes, close it")
        if not st.form_submit_button("Close the account"):
            return
    if not sure:
        st.error("Please tick the box first; nothing was closed.")
        return
    _try(lambda: store.close_account(name or "", by=by), "The account was closed.")


def _passphrase_boxes(key: str) -> tuple[str, str]:
    left, right = st.columns(2)
    first = left.text_input(
        f"Passphrase (at least {SHORTEST} characters; four or five words)",
        type="password",
        key=f"{key}-passphrase",
        autocomplete="new-password",
    )
    second = right.text_input(
        "The same again", type="password", key=f"{key}-again", autocomplete="new-password"
    )
    return first, second


def _twice(passphrase: tuple[str, str]) -> str:
    """A passphrase that was typed alike both times.

    Raises:
        ReviewError: if it was not.
    """
    if passphrase[0] != passphrase[1]:
        raise ReviewError("The two passphrases differ; nothing was changed. Type both again.")
    return passphrase[0]


def _try(action: Callable[[], object], done: str) -> None:
    """Do something that the records may refuse; a mistake leaves the form as it was filled in."""
    try:
        action()
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    st.session_state.setdefault(SAID, []).append(("done", done))
    st.session_state[TURN] = st.session_state.get(TURN, 0) + 1
    st.rerun()


if __name__ == "__main__":
    main()
