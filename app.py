"""The page's entry file: the pages and the route that plays video. ``exchange-review page``."""

from pathlib import Path

import streamlit as st

from review import media

PAGES = Path(__file__).resolve().parent / "review" / "pages"

app = st.App(PAGES / "navigation.py", routes=media.routes())
