"""Which pages there are: the unit's, or one analysis file when the program was started with one."""

import os
import sys
from pathlib import Path

import streamlit as st

from review.errors import ReviewError
from review.pages import unit
from review.pages.gate import STATE_PATH
from review.places import UNIT_VARIABLE
from review.roles import AT_THE_COMPUTER, first_page, may_open
from review.signin import address

PAGES = Path(__file__).resolve().parent

UNIT = (
    ("review", "Review"),
    ("blind", "Blind review"),
    ("spotcheck", "Spot check"),
    ("agreement", "Agreement"),
    ("feedback", "Feedback"),
    ("recordings", "Recordings"),
    ("camera", "Camera check"),
    ("erasure", "Keeping"),
    ("accounts", "Accounts"),
)
"""File and title of each of the unit's pages; the file's name is the page's address, too."""

INVENTED = """<style>[data-testid="stHeader"]::after {content: "Invented unit: nobody in it exists";
  position: absolute; top: 1rem; right: 1.5rem; font-size: .9rem; color: #1c1f24;}</style>"""
"""Said in the page's head, where it takes no room; the page's title says it, too."""

WATCH = f"""<script>
if (!window.asksWhetherSignedIn) {{
  const ask = async () => {{
    const answer = await fetch("{STATE_PATH}", {{cache: "no-store"}}).catch(() => null);
    if (answer && answer.status === 403 && !window.leavesAlready) {{
      window.location.replace("{address(why="over")}");
    }}
  }};
  window.asksWhetherSignedIn = setInterval(ask, 20000);
  document.addEventListener("visibilitychange", ask);
}}
</script>"""
"""A page left open goes away by itself once its owner is no longer signed in."""

invented = len(sys.argv) <= 1 and not os.environ.get(UNIT_VARIABLE)
title = "Exchange review (invented unit)" if invented else "Exchange review"
st.set_page_config(page_title=title, layout="wide")
if len(sys.argv) > 1:
    pages = [st.Page(PAGES / "session.py", title="One analysis", default=True)]
else:
    try:
        viewer = unit.viewer(unit.the_store())
    except ReviewError:  # the page itself says what is the matter
        viewer = AT_THE_COMPUTER
    # Somebody who is not signed in gets one page, which says so.
    open_to = [entry for entry in UNIT if may_open(viewer, entry[0])] or [UNIT[0]]
    home = first_page(viewer)
    pages = [
        st.Page(PAGES / f"{name}.py", title=title, url_path=name, default=name == home)
        for name, title in open_to
    ]
    if viewer is not None and viewer.signed_in:
        pages.append(st.Page(PAGES / "passphrase.py", title="Passphrase", url_path="passphrase"))
        words = f"Sign out ({viewer.account})"
        pages.append(st.Page(PAGES / "signout.py", title=words, url_path="sign-out"))
        st.html(WATCH, unsafe_allow_javascript=True)
    if invented:
        st.html(INVENTED)
st.navigation(pages, position="top").run()
