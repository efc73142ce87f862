"""Hostile words in every field of every page: they are shown as words, and nothing runs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from playwright.sync_api import Page, sync_playwright

from review.analysis import Analysis
from review.pages.session import flags_html, measures_html, phases_html, surfaces_html
from review.pages.strip import time_strip_html
from review.store import open_store
from tests import hostile, media
from tests.browser import SMALL_LAPTOP, chromium, serve
from tests.documents import example_analysis
from tests.stores import TODAY

WORDS = " ".join(hostile.TEXTS) + " ![p](http://127.0.0.1:9/picture.png) [l](http://127.0.0.1:9/)"
NAME = "<b id=taken>![p](http://127.0.0.1:9/p.png)</b> :red[no] $x^2$"
"""For fields that take few characters."""

NOTHING_TAKEN = """() => ({
  title: document.title,
  taken: document.querySelectorAll('#taken, img[src="x"], svg[onload], img[src*="127.0.0.1:9"]')
    .length,
  scripts: [...document.querySelectorAll('script')]
    .filter(s => s.textContent.includes('taken')).length,
  links: [...document.querySelectorAll('a')]
    .filter(a => /^javascript:|127\\.0\\.0\\.1:9/.test(a.getAttribute('href') || '')).length,
  drawn: document.querySelectorAll('.katex').length,
})"""

PAGES = {
    "review": ("?recording={id}&by=T-1", "text=Checklist"),
    "blind": ("blind?recording={id}&by=T-1", "h1"),
    "spotcheck": ("spotcheck?by=T-1", "h1"),
    "agreement": ("agreement?by=T-1", "h1"),
    "feedback": ("feedback?recording={id}", ".patient h1"),
    "recordings": ("recordings?by=T-1", "h1"),
    "erasure": ("erasure?by=T-1", "h1"),
    "accounts": ("accounts?by=T-1", "h1"),
}


def hostile_analysis() -> Analysis:
    """An analysis in which every free text is hostile."""
    document = json.loads(example_analysis().to_json())
    document["recording"]["file"] = NAME
    document["protocol"]["name"] = document["protocol"]["version"] = NAME
    content = document["protocol"]["content"]
    content["name"] = content["version"] = NAME
    content["note"] = WORDS
    for item in content["checklist"]:
        item["item"] = f"{item['item']} {NAME}"
    for target in content["targets"]:
        target["source"] = NAME
    document["warnings"] = [WORDS, NAME]
    for flag in document["flags"]:
        flag["message"] = WORDS
    for measure in document["measures"]:
        measure["why"] = measure["why"] or NAME
        measure["source"] = NAME
    return Analysis.from_json(json.dumps(document))


def hostile_unit(folder: Path) -> int:
    """A unit with hostile words in all that people type; gives the session's id."""
    with open_store(folder) as store:
        who = NAME
        store.add_trainer("T-1", NAME, by=who)
        store.add_trainer("T-2", f"second {NAME}", by=who)
        store.add_person("P-1", note=WORDS, by=who)
        store.add_consent("P-1", purposes=("review", "teaching"), until=None, sound=True, by=who)
        entry = store.add_session(
            hostile_analysis(), person="P-1", trainer="T-1", taken_on=TODAY, by=who, note=WORDS
        )
        for flag in hostile_analysis().flags[:1]:
            store.decide(
                entry.id, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s,
                verdict="disagree", comment=WORDS, by=who,
            )  # fmt: skip
        store.add_moment(entry.id, start_s=1.0, end_s=2.0, text=WORDS, by=who)
        for item in hostile_analysis().protocol.content["checklist"]:
            store.answer(entry.id, item=item["item"], answer="done", comment=WORDS, by=who)
        store.comment(entry.id, WORDS, by=who)
        again = date.today() + timedelta(days=3)
        store.sign(entry.id, name=NAME, on=TODAY, outcome="practise_more", recheck_on=again, by=who)
        video = folder.parent / hostile.HOSTILE_NAMES[5]
        media.write_video(folder.parent / "v.mp4", media.steady(5, 25.0), (96, 64)).rename(video)
        waiting = store.add_recording(
            video, person="P-1", trainer="T-1", protocol="practice", mirrored=False,
            taken_on=TODAY, by=who,
        )  # fmt: skip
        store.set_state(waiting.id, "failed", WORDS, by=who)
        return entry.id


@dataclass
class Browsed:
    page: Page
    address: str
    recording: int
    called: list[str]
    dialogs: list[str]
    errors: list[str]


@pytest.fixture(scope="module")
def browsed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browsed]:
    """A browser on the unit; every request that it makes is written down."""
    folder = tmp_path_factory.mktemp("hostile pages")
    recording = hostile_unit(folder / "unit")
    with serve(folder, None, folder / "unit") as address, sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_page(viewport=SMALL_LAPTOP)
        found = Browsed(page, address, recording, [], [], [])
        page.set_default_timeout(120_000)  # a busy machine is slow, not wrong
        page.set_default_navigation_timeout(120_000)
        page.on("request", lambda request: found.called.append(request.url))
        page.on("dialog", lambda dialog: (found.dialogs.append(dialog.message), dialog.dismiss()))
        page.on("pageerror", lambda error: found.errors.append(str(error)))
        yield found
        browser.close()


def check(browsed: Browsed, shown: str) -> None:
    """Nothing ran, nothing was drawn or fetched, and the words are there as words."""
    page = browsed.page
    assert page.evaluate(NOTHING_TAKEN) == {
        "title": page.title(), "taken": 0, "scripts": 0, "links": 0, "drawn": 0,
    }  # fmt: skip
    assert "taken" not in page.title()
    assert "Traceback" not in page.content()
    host = re.escape(browsed.address.removeprefix("http"))
    ours = re.compile(rf"^((http|ws){host}|data:|blob:)")
    assert [url for url in browsed.called if not ours.match(url)] == []
    assert browsed.dialogs == [] and browsed.errors == []
    if shown:
        assert shown in page.inner_text("body")


SHOWN = {"review": "<b id=taken>", "blind": "", "camera": "", "accounts": "", "erasure": "",
         "agreement": "", "spotcheck": ""}  # fmt: skip
"""Part of the words that each page shows; pages that show codes alone have none to show."""


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PAGES))
def test_no_page_runs_what_people_typed(browsed: Browsed, name: str) -> None:
    path, there = PAGES[name]
    page = browsed.page
    browsed.called.clear()
    page.goto(f"{browsed.address}/{path.format(id=browsed.recording)}")
    page.wait_for_selector(there)
    page.wait_for_timeout(1500)  # until everything below has been drawn, too
    check(browsed, SHOWN.get(name, ""))
    for tab in page.get_by_role("tab").all():
        tab.click()
        page.wait_for_timeout(700)
        check(browsed, "")
    page.wait_for_timeout(1500)
    check(browsed, "")


def test_an_analysis_file_makes_no_elements_of_its_own() -> None:
    """One analysis file alone, as somebody may send it; the HTML is read by Python's reader."""
    analysis = hostile_analysis()
    whole = "".join(
        (
            time_strip_html(analysis), phases_html(analysis), flags_html(analysis.flags),
            surfaces_html(analysis), measures_html(analysis),
        )
    )  # fmt: skip
    harmless = example_analysis()
    plain = "".join(
        (
            time_strip_html(harmless), phases_html(harmless), flags_html(harmless.flags),
            surfaces_html(harmless), measures_html(harmless),
        )
    )  # fmt: skip
    assert elements(whole) == elements(plain)
    assert "&lt;b id=taken&gt;" in whole and "<b id=taken>" not in whole


def elements(html: str) -> list[tuple[str, tuple[str, ...]]]:
    """Every element with the names of its attributes, in order."""
    found: list[tuple[str, tuple[str, ...]]] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.append((tag, tuple(name for name, _ in attrs)))

    Reader().feed(html)
    return found
