"""Takes the pictures of the pages that the README shows: ``python -m tests.screens``.

Made from the invented unit; nobody in them exists.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from review.demo import make_demo
from review.store import open_store
from tests.browser import browse, serve

FOLDER = Path(__file__).resolve().parent.parent / ".screens"

SHOTS = {
    "review": ("?recording={id}&by=T-1", 700, "text=Wash short"),
    "spotcheck": ("spotcheck", 1000, "table"),
    "feedback": ("feedback?recording={id}", 900, ".patient img"),
}
"""Address, height of the picture in pixels, and what must be there before it is taken."""


def main() -> None:
    """Write one PNG a page."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        unit = Path(made) / "unit"
        faults = make_demo(unit)[1]
        with open_store(unit) as store:  # the README is in English, this person reads Spanish
            store.change_person(store.recording(faults).person, language="en", by="T-1")
        with serve(Path(made), None, unit) as address, browse() as page:
            for name, (path, height, there) in SHOTS.items():
                page.set_viewport_size({"width": 1366, "height": height})
                page.goto(f"{address}/{path.format(id=faults)}")
                page.locator(there).first.wait_for(state="attached", timeout=120_000)
                page.wait_for_timeout(6000)  # pictures and lanes come a moment later
                page.screenshot(path=str(FOLDER / f"{name}.png"))


if __name__ == "__main__":
    main()
