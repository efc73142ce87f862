"""The page's entry file: navigation only. Start it with ``exchange-review page``."""

from pathlib import Path

import streamlit as st

PAGES = Path(__file__).resolve().parent / "review" / "pages"

st.set_page_config(page_title="Exchange review", layout="wide")
st.navigation(
    [st.Page(PAGES / "session.py", title="One recording", default=True)], position="top"
).run()
