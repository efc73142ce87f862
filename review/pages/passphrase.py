"""Everybody's own passphrase, to be changed by nobody else than its owner."""

from __future__ import annotations

import streamlit as st

from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.unit import browser_key, open_page, viewer
from review.passphrases import SHORTEST
from review.signedin import SIGN_INS


def main() -> None:
    """The whole page."""
    store = open_page("Your passphrase", "passphrase")
    if store is None:
        return
    looking = viewer(store)
    if looking is None or not looking.signed_in:
        st.write("This unit has no accounts, so there is no passphrase to change.")
        return
    with st.form("own", clear_on_submit=True, width=560):
        st.write(
            f"At least {SHORTEST} characters. Four or five words that do not belong together are "
            "easy to remember and hard to guess. Nobody else needs to know them."
        )
        old = st.text_input("Your passphrase now", type="password", autocomplete="current-password")
        new = st.text_input("The new one", type="password", autocomplete="new-password")
        again = st.text_input("The new one again", type="password", autocomplete="new-password")
        if not st.form_submit_button("Change it"):
            return
    if new != again:
        st.error("The two new ones differ; nothing was changed.")
        return
    try:
        store.sign_in(looking.account, old, again=True)
        account = store.set_passphrase(looking.account, new, by=looking.by)
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    SIGN_INS.renew(browser_key(), account)
    st.success("Your passphrase is changed.")


if __name__ == "__main__":
    main()
