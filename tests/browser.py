"""A real page server and a real browser, for tests of what only a browser can tell."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Page, sync_playwright

from review.cli import PAGE_OPTIONS

BROWSER_VARIABLE = "EXCHANGE_REVIEW_CHROMIUM"
"""Environment variable naming the browser, where it is not called chromium."""

REQUIRED_VARIABLE = "EXCHANGE_REVIEW_BROWSER_REQUIRED"
"""Set where the browser tests must run: a missing browser is a failure then."""

SMALL_LAPTOP = {"width": 1366, "height": 768}


def chromium() -> str:
    """The browser's program; Debian's plays H.264, as the ordinary ones do."""
    found = os.environ.get(BROWSER_VARIABLE) or shutil.which("chromium")
    if not found and not os.environ.get(REQUIRED_VARIABLE):
        # The only tests that may be left out: a browser is no Python package. The full check
        # (.ci/run) installs one and asks for it.
        pytest.skip(f"no chromium was found; install it, or name it in {BROWSER_VARIABLE}")
    assert found, f"no chromium was found; install it, or name it in {BROWSER_VARIABLE}"
    return found


@contextmanager
def serve(folder: Path, page: Path | None, unit: Path) -> Iterator[str]:
    """The whole app, or one page with the media route, served until the end; gives its address."""
    project = Path(__file__).resolve().parent.parent
    entry = project / "app.py"
    if page is not None:
        (folder / "served.py").write_text(
            "import streamlit as st\n"
            "st.set_page_config(layout='wide')\n"
            f"st.navigation([st.Page({str(page)!r}, title='Review', default=True)], "
            "position='top').run()\n",
            encoding="utf-8",
        )
        entry = folder / "app.py"
        entry.write_text(
            "import streamlit as st\n"
            "from review import media\n"
            "app = st.App('served.py', routes=media.routes())\n",
            encoding="utf-8",
        )
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    options = PAGE_OPTIONS | {"server.port": str(port)}
    command = [sys.executable, "-m", "streamlit", "run", str(entry)]
    command += [f"--{name}={value}" for name, value in options.items()]
    environment = os.environ | {"PYTHONPATH": str(project), "EXCHANGE_REVIEW_UNIT": str(unit)}
    with (folder / "server.log").open("w") as log:
        server = subprocess.Popen(command, env=environment, cwd=project, stdout=log, stderr=log)
        try:
            _wait_for(f"http://127.0.0.1:{port}/_stcore/health", server, folder / "server.log")
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()
            server.wait(20)


def _wait_for(address: str, server: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        assert server.poll() is None, log.read_text()
        try:
            with urllib.request.urlopen(address, timeout=2.0):
                return
        except OSError:
            time.sleep(0.2)
    raise AssertionError(f"the page server did not start: {log.read_text()}")


@contextmanager
def browse() -> Iterator[Page]:
    """A headless browser with the window of a small laptop; complaints of the page fail."""
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_page(viewport=SMALL_LAPTOP)
        trouble: list[str] = []
        page.on("pageerror", lambda error: trouble.append(str(error)))
        try:
            yield page
        finally:
            browser.close()
        assert not trouble, trouble
