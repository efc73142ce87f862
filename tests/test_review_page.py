"""The review page: its logic run headless, and the page itself in a real browser."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
import streamlit as st
from playwright.sync_api import Page, expect
from streamlit.testing.v1 import AppTest

from review import desk
from review.cli import UNIT_VARIABLE
from review.demo import make_demo
from review.pages.reviewtabs import TABS
from review.store import Answer, Outcome, Store, open_store
from tests.browser import browse, serve


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("review") / "unit"
    make_demo(made)
    return made


@pytest.fixture
def store(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(folder))
    st.cache_resource.clear()
    with open_store(folder) as opened:
        yield opened
    st.cache_resource.clear()


def session_of(store: Store, name: str) -> int:
    return next(e.id for e in store.recordings() if e.name.startswith(name))


def open_page(project: Path, recording: int, by: str = "") -> AppTest:
    page = AppTest.from_file(str(project / "review" / "pages" / "review.py"), default_timeout=60)
    page.query_params["recording"] = str(recording)
    if by:
        page.query_params["by"] = by
    page.run()
    assert not page.exception, page.exception
    return page


def open_tab(page: AppTest, recording: int, name: str) -> None:
    """Run the page with a tab open, which the testing of Streamlit does not remember itself."""
    page.session_state[f"{TABS}-{recording}"] = name
    page.run()
    assert not page.exception, page.exception


def text_of(page: AppTest) -> str:
    html = [element.proto.body for element in page.get("html")]
    kinds = ("markdown", "error", "warning", "info", "success")
    return "\n".join([*html, *[e.value for kind in kinds for e in page.get(kind)]])


def trainer(store: Store) -> str:
    return next(t.code for t in store.trainers() if t.active)


# --- headless --------------------------------------------------------------------------------


def test_measures_and_checklist_are_there(project: Path, store: Store) -> None:
    recording = session_of(store, "planted_faults")
    page = open_page(project, recording, trainer(store))
    labels = [radio.label for radio in page.radio]
    assert sum(label.startswith("Critical: ") for label in labels) == 9
    assert "CDC/HICPAC" not in text_of(page), "drawn when its tab is opened"
    open_tab(page, recording, "Measures")
    text = text_of(page)
    assert "Wash, rubbing time" in text and "CDC/HICPAC" in text
    assert "not assessable" in text or "cannot tell" in text
    assert not any(radio.label.startswith("Critical: ") for radio in page.radio)
    assert "contaminat" not in text.lower()
    open_tab(page, recording, "History")
    assert "What was done, newest first" in text_of(page)


def test_what_was_begun_in_a_tab_is_there_after_a_look_at_another(
    project: Path, store: Store
) -> None:
    recording = session_of(store, "planted_faults")
    page = open_page(project, recording, trainer(store))
    assert not page.text_area  # what was never opened is not drawn
    open_tab(page, recording, "Remarks and signature")
    open_tab(page, recording, "Work surface")
    typed = page.number_input[0].value - 1.5
    page.number_input[0].set_value(typed)
    page.text_area[0].set_value("Begun, not saved")
    open_tab(page, recording, "Work surface")
    open_tab(page, recording, "Measures")
    assert not page.number_input
    assert page.text_area[0].value == "Begun, not saved"
    open_tab(page, recording, "Work surface")
    assert page.number_input[0].value == pytest.approx(typed)
    assert "The corners as typed" in page.caption[0].value


def test_a_recording_is_read_again_only_when_something_was_written(
    project: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    number, by = session_of(store, "dark_small_noisy"), trainer(store)
    read: list[int] = []
    reading = desk.open_desk

    def counted(*arguments: object) -> desk.Desk:
        read.append(number)
        return reading(*arguments)

    monkeypatch.setattr(desk, "open_desk", counted)
    page = open_page(project, number, by)
    page.run()  # that it was watched is written down, too
    before = len(read)
    page.run()
    assert len(read) == before
    other = next(t.code for t in store.trainers() if t.active and t.code != by)
    store.add_moment(number, start_s=1.0, end_s=2.0, text="Seen by a colleague", by=other)
    page.run()
    assert len(read) == before + 1
    shown = page.session_state["desk"][1]
    assert [item.moment.text for item in shown.items if item.moment] == ["Seen by a colleague"]


def test_nothing_can_be_said_before_somebody_is_named(project: Path, store: Store) -> None:
    page = open_page(project, session_of(store, "wrong_order"))
    assert "say first who is reviewing" in text_of(page)
    assert all(radio.disabled for radio in page.radio if radio.label != "Outcome")
    assert store.answers(session_of(store, "wrong_order")) == ()


def test_an_answer_is_in_the_store_at_once_and_shown_again(project: Path, store: Store) -> None:
    number, by = session_of(store, "wrong_order"), trainer(store)
    page = open_page(project, number, by)
    item = next(radio for radio in page.radio if radio.label.startswith("Rings"))
    item.set_value(Answer.NOT_DONE).run()
    assert not page.exception
    kept = store.answers(number)
    assert [(a.answer, a.by) for a in kept] == [(Answer.NOT_DONE, by)]
    again = open_page(project, number, by)
    assert next(r for r in again.radio if r.label.startswith("Rings")).value == Answer.NOT_DONE
    comment = next(t for t in again.text_input if t.label.startswith("Comment on: Rings"))
    comment.set_value("wore a watch").run()
    assert store.answers(number)[0].comment == "wore a watch"


def test_a_typed_time_moves_the_phase(project: Path, store: Store) -> None:
    number, by = session_of(store, "planted_faults"), trainer(store)
    page = open_page(project, number, by)
    open_tab(page, number, "Type times")
    chooser = next(box for box in page.selectbox if box.label == "Phase")
    wash = next(i for i, words in enumerate(chooser.options) if words.startswith("Hand wash"))
    chooser.select_index(wash).run()
    begin, end = (next(t for t in page.text_input if t.label == name) for name in ("From", "To"))
    begin.set_value("0:03.0")
    end.set_value("0:17.0")
    next(b for b in page.button if b.label == "Save").click().run()
    assert not page.exception
    kept = store.corrections(number)
    assert kept is not None and kept.phases is not None
    typed = next(s for s in kept.phases if s.phase == "wash")
    assert (typed.interval.start_s, typed.interval.end_s) == (3.0, 17.0)
    version = store.analysis(number)
    assert version is not None and version.basis == "corrected"
    whole = version.analysis.measure("wash.whole_time")
    assert whole is not None and whole.value == pytest.approx(14.0, abs=0.01)
    page = open_page(project, number, by)
    open_tab(page, number, "Type times")
    next(b for b in page.button if b.label.startswith("Go back to the machine")).click().run()
    assert store.corrections(number).phases is None  # type: ignore[union-attr]


def test_a_time_that_cannot_be_read_changes_nothing(project: Path, store: Store) -> None:
    number, by = session_of(store, "planted_faults"), trainer(store)
    before = store.corrections(number)
    page = open_page(project, number, by)
    open_tab(page, number, "Type times")
    next(t for t in page.text_input if t.label == "From").set_value("soon")
    next(b for b in page.button if b.label == "Save").click().run()
    assert "'soon' is not a time" in text_of(page)
    assert store.corrections(number) == before


def test_signing_needs_a_name_and_an_outcome(project: Path, store: Store) -> None:
    number, by = session_of(store, "clean_exchange"), trainer(store)
    before = len(store.signoffs(number))
    page = open_page(project, number, by)
    open_tab(page, number, "Remarks and signature")
    sign = next(b for b in page.button if b.label == "Sign")
    sign.click().run()
    assert "nothing was signed" in text_of(page)
    assert len(store.signoffs(number)) == before
    next(r for r in page.radio if r.label == "Outcome").set_value(Outcome.PRACTISE_MORE)
    next(b for b in page.button if b.label == "Sign").click().run()
    assert not page.exception
    signed = store.signoffs(number)[-1]
    assert len(store.signoffs(number)) == before + 1
    assert (signed.outcome, signed.on, signed.by) == (Outcome.PRACTISE_MORE, date.today(), by)
    assert "Practise more first" in text_of(page)
    store.comment(number, "seen again", by=by)
    assert "Changed since" in text_of(open_page(project, number, by))


def test_a_recording_without_consent_is_not_opened(project: Path, store: Store) -> None:
    number = session_of(store, "dark_small_noisy")
    entry = store.recording(number)
    consent = store.current_consent(entry.person)
    assert consent is not None
    store.withdraw_consent(consent.id, by="a test")
    st.cache_resource.clear()
    page = open_page(project, number, trainer(store))
    chooser = next(box for box in page.selectbox if box.label == "Recording")
    assert not any(entry.name in words for words in chooser.options)


# --- in a browser ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def address(project_folder: Path, folder: Path, tmp_path_factory: pytest.TempPathFactory
            ) -> Iterator[str]:  # fmt: skip
    page = project_folder / "review" / "pages" / "review.py"
    with serve(tmp_path_factory.mktemp("served"), page, folder) as served:
        yield served


@pytest.fixture(scope="module")
def project_folder() -> Path:
    return Path(__file__).resolve().parent.parent


@pytest.fixture
def review(address: str, store: Store) -> Iterator[tuple[Page, Store, int]]:
    """The page on the session with planted faults, a trainer named."""
    number = session_of(store, "planted_faults")
    with browse() as page:
        page.goto(f"{address}/?recording={number}&by={trainer(store)}")
        page.wait_for_selector(".hands-both", timeout=60_000)
        yield page, store, number


def video(page: Page, what: str) -> float:
    return float(page.locator("video").evaluate(f"(video) => Number(video.{what})"))


@pytest.mark.slow
def test_everything_needed_to_decide_is_in_view(review: tuple[Page, Store, int]) -> None:
    page, _, _ = review
    for what in ("video", ".panel h3", ".panel .reason", ".verdict", ".bar.phases", ".bar.axis"):
        for box in page.locator(what).all():
            place = box.bounding_box()
            assert place is not None and place["y"] >= 0, what
            assert place["y"] + place["height"] <= 768, f"{what} is below the window"


@pytest.mark.slow
def test_a_click_on_a_flag_plays_three_seconds_before_it(
    review: tuple[Page, Store, int],
) -> None:
    page, _, _ = review
    mark = page.locator(".mark[title^='Hand to the face']")
    title = mark.get_attribute("title") or ""
    minutes, seconds = re.findall(r"(\d+):(\d+\.\d)", title)[0]
    page.locator("video").evaluate(
        """(video) => {
            const root = video.getRootNode();
            root.addEventListener("click", () => { window.clicked = performance.now(); },
              { once: true, capture: true });
            video.addEventListener("playing", () => { window.playing = performance.now(); },
              { once: true });
        }"""
    )
    mark.click()
    page.wait_for_function("window.playing !== undefined")
    # The project's own limit: from the click to a playing picture in half a second.
    assert page.evaluate("window.playing - window.clicked") < 500
    asked = 60 * float(minutes) + float(seconds) - 3.0
    assert asked - 0.1 <= video(page, "currentTime") <= asked + 3.0
    expect(page.locator(".panel h3")).to_have_text("Hand to the face")
    mark.focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator(".panel h3")).to_have_text("Hand rub not found")


@pytest.mark.slow
def test_decisions_moments_and_edges_outlive_a_reload(review: tuple[Page, Store, int]) -> None:
    page, store, number = review
    page.locator(".mark").first.click()
    page.keyboard.press("k")
    page.locator("textarea.comment").fill("Too short, talked about it")
    page.get_by_role("button", name="Disagree", exact=False).click()
    expect(page.locator(".status")).to_have_text("Saved.")
    assert [(d.verdict, d.comment) for d in store.decisions(number)] == [
        ("disagree", "Too short, talked about it")
    ]
    page.get_by_role("button", name="Add a moment here").click()
    page.keyboard.type("Sleeve on the table")
    page.keyboard.press("Enter")
    expect(page.locator(".status")).to_have_text("Your moment was saved.")

    window = page.locator(".window").first
    before = window.get_attribute("title") or ""
    edge = page.locator(".edge-open").first
    place = edge.bounding_box()
    assert place is not None
    x, y = place["x"] + place["width"] / 2, place["y"] + place["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 10, y)
    page.mouse.move(x - 20, y)
    versions = len(store.correction_history(number))
    page.mouse.up()
    expect(page.locator(".status")).to_contain_text("follow your times")
    assert len(store.correction_history(number)) == versions + 1, "a drag is one change"
    assert (page.locator(".window").first.get_attribute("title") or "") != before

    page.reload()
    page.wait_for_selector(".panel h3", timeout=60_000)
    marks = page.locator(".mark")
    expect(marks.filter(has_text="+")).to_have_count(1)
    labels = [mark.get_attribute("aria-label") or "" for mark in marks.all()]
    assert sum("disagreed" in label for label in labels) == 1
    assert page.locator(".window").first.get_attribute("title") != before
    page.get_by_role("button", name="Next").focus()
    assert store.moments(number)[0].text == "Sleeve on the table"


@pytest.mark.slow
def test_an_edge_moves_by_keyboard_and_back(review: tuple[Page, Store, int]) -> None:
    page, store, number = review
    page.get_by_role("tab", name="Measures").click()
    figures = page.locator(".unit td")
    expect(figures.first).to_be_visible()
    measured = figures.all_inner_texts()
    rows, stretches = page.locator(".track .bar"), page.locator(".track .span")
    expect(page.locator(".bar.hands .span").first).to_be_attached()
    drawn = [row.get_attribute("class") for row in rows.all()], stretches.count()
    edge = page.locator(".edge-open").nth(1)
    before = float((edge.get_attribute("data-edge") or "").split("|")[2])
    edge.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator(".status")).to_contain_text("follow your times")
    kept = store.corrections(number)
    assert kept is not None and kept.windows is not None
    assert kept.windows[0][2] == pytest.approx(before + 0.2, abs=0.001)
    assert figures.all_inner_texts() != measured
    page.get_by_role("button", name="Undo the move").click()
    expect(page.locator(f'.edge-open[data-edge="open|end|{before:g}"]')).to_have_count(1)
    now = [row.get_attribute("class") for row in rows.all()], stretches.count()
    assert now == drawn, "rows change their place or their content"


@pytest.mark.slow
def test_hands_are_drawn_and_the_face_covered_only_when_asked(
    review: tuple[Page, Store, int],
) -> None:
    page, _, _ = review
    drawn = (
        "(canvas) => canvas.width && canvas.getContext('2d')"
        ".getImageData(0, 0, canvas.width, canvas.height).data.some((v, i) => i % 4 === 3 && v)"
    )
    assert not page.locator("canvas").evaluate(drawn)
    for name in ("Show hands", "Cover face"):
        button = page.get_by_role("button", name=name)
        button.click()
        expect(button).to_have_attribute("aria-pressed", "true")
        page.wait_for_timeout(500)
        assert page.locator("canvas").evaluate(drawn), name
        button.click()
        assert not page.locator("canvas").evaluate(drawn), name


@pytest.mark.slow
def test_the_picture_of_the_wiping_is_seen_and_said(review: tuple[Page, Store, int]) -> None:
    page, store, number = review
    page.get_by_role("tab", name="Work surface").click()
    picture = page.get_by_role("img", name="The work surface as the camera saw it")
    expect(picture).to_be_visible()
    assert picture.evaluate("(image) => image.complete && image.naturalWidth") > 0
    version = store.analysis(number)
    assert version is not None
    covered = version.analysis.measure("surface.covered")
    assert covered is not None and covered.value is not None
    assert f"{covered.value:.0%}".rstrip("%") in (picture.get_attribute("alt") or "")


@pytest.mark.slow
def test_the_video_is_for_this_page_only(review: tuple[Page, Store, int]) -> None:
    page, _, _ = review
    address = page.locator("video").evaluate("(video) => video.src")
    # A fresh context has no page of its own: it asks from nowhere and gets nothing.
    other = page.context.browser.new_context()  # type: ignore[union-attr]
    assert other.request.get(address).status == 404
    other.close()
