"""The patient's, the educator's and the camera page in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from review.demo import make_demo
from review.words import load_words
from tests.browser import browse, serve

EN, ES = load_words("en"), load_words("es")
PAGES = Path("review") / "pages"

SMALLEST_LETTERS = """() => Math.min(...[...document.querySelectorAll('.patient *')]
  .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
  .map(e => parseFloat(getComputedStyle(e).fontSize)))"""
"""Pixels of the smallest text that the patient reads."""

PLAY_TO_THE_END = """async () => {
  const video = document.querySelector('.patient video');
  video.muted = true;
  video.playbackRate = 4;
  await video.play();
  await new Promise((done) => { video.onpause = done; setTimeout(done, 15000); });
  return [video.currentTime, video.paused, video.duration];
}"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[int, ...]]:
    """The invented unit, and the ids of its sessions with a recording."""
    folder = tmp_path_factory.mktemp("browser") / "unit"
    return folder, make_demo(folder)


@pytest.mark.slow
def test_the_patients_page(
    made: tuple[Path, tuple[int, ...]], project: Path, tmp_path: Path
) -> None:
    unit, shown = made
    with serve(tmp_path, project / PAGES / "feedback.py", unit) as address, browse() as page:
        page.goto(f"{address}/?recording={shown[1]}")
        page.wait_for_selector(".patient h1")
        for width in (1366, 390, 320):
            page.set_viewport_size({"width": width, "height": 800})
            page.wait_for_timeout(300)
            assert page.evaluate(SMALLEST_LETTERS) >= 20
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.locator(".patient .next").count() == 2
        for step in range(1, 5):
            assert page.get_by_text(ES.say(f"touch.step{step}"), exact=True).is_visible()

        # By keyboard: Enter opens the few seconds of video, which stop by themselves.
        first = page.locator(".patient summary").first
        said = re.findall(r"(\d+):(\d\d)", first.inner_text())
        first.focus()
        page.keyboard.press("Enter")
        page.locator(".patient video").first.wait_for()
        at_s, paused, lasts_s = page.evaluate(PLAY_TO_THE_END)
        end_s = int(said[1][0]) * 60 + int(said[1][1])
        assert paused
        assert at_s == pytest.approx(end_s, abs=1.5)
        assert at_s < lasts_s - 5

        page.set_viewport_size({"width": 1366, "height": 768})
        paper = page.pdf(format="A4")
        assert paper.startswith(b"%PDF")
        pages = len(re.findall(rb"/Type\s*/Page\b", paper))
        assert 2 <= pages <= 4  # all of it, not the first screen alone
        page.emulate_media(media="print")
        assert page.get_by_text(ES.say("page.phone")).is_visible()
        assert not page.locator(".patient video").first.is_visible()
        assert not page.locator(".st-key-choices").is_visible()


@pytest.mark.slow
def test_the_educators_page(
    made: tuple[Path, tuple[int, ...]], project: Path, tmp_path: Path
) -> None:
    unit, _ = made
    with serve(tmp_path, project / PAGES / "spotcheck.py", unit) as address, browse() as page:
        page.goto(f"{address}/?by=T-1")
        wash = page.get_by_role("region", name=re.compile("Wash by trainee"))
        wash.wait_for(timeout=30_000)
        assert wash.get_by_role("row").count() == 9
        page.get_by_role("tab", name="Sessions").click()
        sessions = page.get_by_role("region", name=re.compile(r"Sessions \(35 in all\)"))
        sessions.wait_for(timeout=30_000)  # a part is drawn when it is opened
        links = sessions.get_by_role("link", name="open")
        assert links.count() == 25
        assert "by=T-1" in str(links.first.get_attribute("href"))
        with page.expect_download() as saved:
            page.get_by_role("button", name=re.compile("Save these sessions")).click()
        table = Path(saved.value.path()).read_text("utf-8-sig")
        assert len(table.splitlines()) == 36
        page.get_by_role("tab", name="Re-checks").click()
        due = page.get_by_role("region", name=re.compile("Due for a re-check"))
        assert due.get_by_role("rowheader").first.inner_text() == "K-139"


@pytest.mark.slow
def test_the_camera_page(made: tuple[Path, tuple[int, ...]], project: Path, tmp_path: Path) -> None:
    with serve(tmp_path, project / PAGES / "camera.py", made[0]) as address, browse() as page:
        page.goto(address)
        page.wait_for_selector("h1")
        page.set_input_files("input[type=file]", project / "sample_clips" / "wrong_order.mp4")
        answers = page.get_by_role("region", name=EN.say("camera.title"))
        answers.wait_for(timeout=120_000)
        assert answers.get_by_role("row").count() == 10
        page.locator("img").first.wait_for(timeout=10_000)
        page.set_input_files(
            "input[type=file]",
            {"name": "note.mp4", "mimeType": "video/mp4", "buffer": b"no video at all"},
        )
        trouble = page.get_by_role("alert")
        trouble.wait_for(timeout=30_000)
        assert "note.mp4" in trouble.inner_text()
        assert "Traceback" not in page.content()
