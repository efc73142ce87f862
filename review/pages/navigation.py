"""Which pages there are: the unit's, or one analysis file when the program was started with one."""

import os
import sys
from pathlib import Path

import streamlit as st

from review.cli import UNIT_VARIABLE

PAGES = Path(__file__).resolve().parent

UNIT = (
    ("review", "Review"),
    ("spotcheck", "Spot check"),
    ("feedback", "Feedback"),
    ("recordings", "Recordings"),
    ("camera", "Camera check"),
)
"""File and title of each of the unit's pages; the file's name is the page's address, too."""

INVENTED = """<style>[data-testid="stHeader"]::after {content: "Invented unit: nobody in it exists";
  position: absolute; top: 1rem; right: 1.5rem; font-size: .9rem; color: #1c1f24;}</style>"""
"""Said in the page's head, where it takes no room; the page's title says it, too."""

invented = len(sys.argv) <= 1 and not os.environ.get(UNIT_VARIABLE)
title = "Exchange review (invented unit)" if invented else "Exchange review"
st.set_page_config(page_title=title, layout="wide")
if invented:
    st.html(INVENTED)
if len(sys.argv) > 1:
    pages = [st.Page(PAGES / "session.py", title="One analysis", default=True)]
else:
    pages = [
        st.Page(PAGES / f"{name}.py", title=title, url_path=name, default=number == 0)
        for number, (name, title) in enumerate(UNIT)
    ]
st.navigation(pages, position="top").run()
