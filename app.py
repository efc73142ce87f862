"""The page's entry file: the pages, the gate before them, and the routes for video and sign-in."""

import gc
from importlib import import_module
from pathlib import Path
from threading import Thread

import streamlit as st
from starlette.middleware import Middleware

from review import media, signin
from review.pages.gate import Gate, records
from review.pages.opening import Opening


def _read_ahead() -> None:
    """Read the modules of the pages while the browser opens: the first page is there sooner."""
    for name in ("deskview", "deskwork", "pages.reviewtabs", "components.player", "spotcheck"):
        import_module(f"review.{name}")
    import_module("pandas")  # the page server reads it for the first component it shows
    # Modules stay as long as the server: going through them again and again when collecting
    # garbage took as long as reading ten thousand sessions.
    gc.collect()
    gc.freeze()


Thread(target=_read_ahead, daemon=True).start()

PAGES = Path(__file__).resolve().parent / "review" / "pages"

app = st.App(
    PAGES / "navigation.py",
    routes=[*media.routes(), *signin.routes(records)],
    middleware=[Middleware(Gate), Middleware(Opening)],
)
