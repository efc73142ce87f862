"""Every page of the app against axe-core's rules for WCAG 2.2 A and AA, in a real browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from review.demo import make_demo
from tests.browser import browse, serve

RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
}

PAGES = {
    "review": ("?recording={id}&by=T-1", "text=Agree"),
    "spotcheck": ("spotcheck", "text=Rubbed long enough"),
    "agreement": ("agreement?by=T-1", "text=All said the same"),
    "blind": ("blind?by=T-2", "text=1. Checklist"),
    "feedback": ("feedback?recording={id}", ".patient h1"),
    "recordings": ("recordings?by=T-1", "text=From a folder"),
    "camera": ("camera", "h1"),
    "erasure": ("erasure?by=T-1", "text=Person to erase"),
}
"""Address of each page, and what shows that it is there."""


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Page, str, int]]:
    """The browser, the app's address, and a session with faults."""
    folder = tmp_path_factory.mktemp("axe")
    shown = make_demo(folder / "unit")
    with serve(folder, None, folder / "unit") as address, browse() as page:
        yield page, address, shown[1]


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PAGES))
def test_no_serious_violation(opened: tuple[Page, str, int], name: str) -> None:
    page, address, recording = opened
    path, there = PAGES[name]
    page.goto(f"{address}/{path.format(id=recording)}")
    page.wait_for_selector(there)
    page.wait_for_timeout(1500)  # until everything below has been drawn, too
    found = Axe().run(page, options=RULES).response["violations"]
    worst = [
        (rule["id"], rule["impact"], [node["html"][:200] for node in rule["nodes"]][:3])
        for rule in found
        if rule["impact"] in ("serious", "critical")
    ]
    assert not worst, worst
