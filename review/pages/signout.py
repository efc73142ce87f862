"""Signing out: the page that its own entry in the menu opens."""

from __future__ import annotations

import streamlit as st

from review import signin
from review.media import SHELF
from review.pages.unit import browser_key, leave_for, session_name, the_store
from review.signedin import SIGN_INS


def main() -> None:
    """End the sign-in of this browser, and what is lent to it."""
    account = SIGN_INS.end(browser_key())
    SHELF.take_back(session_name())
    if account is not None:
        the_store().signed_out(account)
    for key in list(st.session_state):
        del st.session_state[key]
    st.info("You are signed out.")
    leave_for(signin.address(why="out"))


if __name__ == "__main__":
    main()
