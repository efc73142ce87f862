"""Signing in and out in a real browser, and where the pages' requests go."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from review.demo import make_demo
from review.roles import PAGES
from review.store import open_store
from tests.accounts import OTHER, PASSPHRASE, add_accounts, quick_hashes
from tests.browser import browse, serve
from tests.test_accessibility import RULES

NO_SIGN_OF_LIFE = 90_000
"""Milliseconds until a page that does not come is given up."""


@pytest.fixture(scope="module")
def opened(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Page, str, Path, tuple[int, ...]]]:
    """The browser, the app's address, the unit's folder with accounts, its shown sessions."""
    folder = tmp_path_factory.mktemp("signed")
    shown = make_demo(folder / "unit")
    with pytest.MonkeyPatch.context() as patch, open_store(folder / "unit") as store:
        quick_hashes(patch)
        add_accounts(store)
    asked: list[str] = []
    with serve(folder, None, folder / "unit") as address, browse() as page:
        page.on("request", lambda request: asked.append(request.url))
        yield page, address, folder / "unit", shown
    assert {host for url in asked if (host := reached(url))} == {urlsplit(address).netloc}


def reached(url: str) -> str:
    """Host and port that a request goes to; empty for one that stays in the page."""
    parts = urlsplit(url)
    return "" if parts.scheme in ("data", "blob", "about") else parts.netloc


def sign_in(page: Page, name: str, passphrase: str = PASSPHRASE) -> None:
    page.get_by_label("Your name here").fill(name)
    page.get_by_label("Your passphrase").fill(passphrase)
    page.get_by_role("button", name="Sign in").click()


def sign_out(page: Page) -> None:
    page.get_by_role("link", name="Sign out").click()
    # Whichever comes first: the page itself, or what it asks by itself now and then.
    page.wait_for_url("**/sign-in?o*=1", timeout=NO_SIGN_OF_LIFE)


def serious(page: Page) -> list[tuple[str, object]]:
    found = Axe().run(page, options=RULES).response["violations"]
    return [
        (rule["id"], [node["html"][:200] for node in rule["nodes"]][:3])
        for rule in found
        if rule["impact"] in ("serious", "critical")
    ]


@pytest.mark.slow
def test_no_request_leaves_this_computer(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Every page with everything it asks for: pictures, fonts, scripts, video, connections."""
    folder = tmp_path_factory.mktemp("local")
    shown = make_demo(folder / "unit")
    with serve(folder, None, folder / "unit") as address, browse() as page:
        asked: list[str] = []
        refused: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda socket: asked.append(socket.url))
        page.on("console", lambda said: refused.append(said.text) if "Refused" in said.text
                or "Content Security Policy" in said.text else None)  # fmt: skip
        for name in PAGES:
            if name == "passphrase":  # in the menu only for those who signed in
                continue
            page.goto(f"{address}/{name}?recording={shown[1]}&by=T-1", wait_until="networkidle")
            page.locator("h1, .patient, iframe, video").first.wait_for(timeout=NO_SIGN_OF_LIFE)
            page.wait_for_timeout(1500)
        own = urlsplit(address).netloc
    assert {host for url in asked if (host := reached(url))} == {own}
    assert any("/recording/" in url for url in asked), "a video was asked for"
    assert any(url.startswith("ws://") for url in asked)
    assert refused == []


@pytest.mark.slow
def test_from_signing_in_to_signing_out(
    opened: tuple[Page, str, Path, tuple[int, ...]],
) -> None:
    page, address, _, shown = opened
    page.goto(f"{address}/review?recording={shown[1]}")
    page.wait_for_url("**/sign-in?next=*")
    assert serious(page) == []
    for width in (1366, 390, 320):
        page.set_viewport_size({"width": width, "height": 768})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size({"width": 1366, "height": 768})
    page.get_by_label("Your passphrase").fill("shown")
    page.get_by_label("Show what I type").check()
    expect(page.get_by_label("Your passphrase")).to_have_attribute("type", "text")

    sign_in(page, "tess", "not this one at all")
    page.get_by_role("alert").wait_for()
    assert "do not go together" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("Your name here").input_value() == "tess"
    assert page.get_by_label("Your passphrase").input_value() == ""
    assert serious(page) == []
    sign_in(page, "tess")
    page.wait_for_url(f"**/*recording={shown[1]}*", timeout=NO_SIGN_OF_LIFE)
    page.get_by_text("Reviewing: Invented trainer A (T-1)").wait_for(timeout=NO_SIGN_OF_LIFE)
    assert page.evaluate("document.cookie").find("exchange-review") == -1
    video = page.locator("video").first
    video.wait_for(state="attached", timeout=NO_SIGN_OF_LIFE)
    lent = str(video.evaluate("v => v.currentSrc || v.src"))
    in_page = "async url => (await fetch(url, {headers: {range: 'bytes=0-9'}})).status"
    assert page.evaluate(in_page, lent) == 206
    assert page.get_by_role("link", name="Accounts").count() == 0

    sign_out(page)
    own_page = {"sec-fetch-site": "same-origin"}
    assert page.request.get(lent, headers=own_page).status == 403
    page.go_back()
    page.wait_for_url("**/sign-in*", timeout=NO_SIGN_OF_LIFE)
    assert page.locator("video").count() == 0


@pytest.mark.slow
def test_a_patient_finds_the_own_feedback_and_no_other_page(
    opened: tuple[Page, str, Path, tuple[int, ...]],
) -> None:
    page, address, _, shown = opened
    page.goto(f"{address}/sign-in?language=es")
    assert page.get_by_role("heading").inner_text() == "Entrar"
    page.get_by_role("link", name="In English").click()
    sign_in(page, "pat")
    page.locator(".patient h1").wait_for(timeout=NO_SIGN_OF_LIFE)
    titles = page.get_by_test_id("stTopNavLink").all_inner_texts()
    assert [title.split("(")[0].strip() for title in titles] == [
        "Feedback", "Passphrase", "Sign out",
    ]  # fmt: skip
    for other in ("review", "accounts", f"feedback?recording={shown[1]}"):
        page.goto(f"{address}/{other}")
        page.locator(".patient h1").wait_for(timeout=NO_SIGN_OF_LIFE)
        assert page.get_by_text("Page not found").count() == 0
        assert "K-111" not in page.content() and page.locator("iframe").count() == 0
    sign_out(page)


@pytest.mark.slow
def test_an_account_closed_elsewhere_takes_the_page_away(
    opened: tuple[Page, str, Path, tuple[int, ...]],
) -> None:
    page, address, unit, _ = opened
    with pytest.MonkeyPatch.context() as patch, open_store(unit) as store:
        quick_hashes(patch)
        store.add_account("temp", "educator", OTHER, trainer="T-2", by="test")
    page.goto(f"{address}/sign-in")
    sign_in(page, "temp", OTHER)
    page.get_by_text("Reviewing: Invented trainer B").wait_for(timeout=NO_SIGN_OF_LIFE)
    with open_store(unit) as store:
        store.close_account("temp", by="test")
    # What the page does by itself three times a minute, at once.
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_url("**/sign-in?over=1", timeout=NO_SIGN_OF_LIFE)
    assert "signed out" in page.locator("[role=status]").inner_text()


@pytest.mark.slow
def test_the_accounts_page_can_be_used_by_everybody(
    opened: tuple[Page, str, Path, tuple[int, ...]],
) -> None:
    page, address, _, _ = opened
    page.goto(f"{address}/sign-in")
    sign_in(page, "ann")
    page.get_by_role("link", name="Accounts").click(timeout=NO_SIGN_OF_LIFE)
    page.get_by_role("region", name="Accounts (").wait_for(timeout=NO_SIGN_OF_LIFE)
    page.wait_for_timeout(1000)
    assert serious(page) == []
    page.get_by_role("link", name="Passphrase").click()
    page.get_by_role("heading", name="Your passphrase").wait_for(timeout=NO_SIGN_OF_LIFE)
    page.wait_for_timeout(500)
    assert serious(page) == []
    sign_out(page)
