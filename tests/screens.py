"""Takes the pictures of the pages that the README shows: ``python -m tests.screens``.

Made from the invented unit; nobody in them exists.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from review.demo import make_demo
from tests.browser import browse, serve

FOLDER = Path(__file__).resolve().parent.parent / ".screens"

SHOTS = {
    "review": ("?recording={id}&by=T-1", 700),
    "spotcheck": ("spotcheck", 1000),
    "feedback": ("feedback?recording={id}", 900),
}
"""Address, and height of the picture in pixels."""


def main() -> None:
    """Write one PNG a page."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        unit = Path(made) / "unit"
        faults = make_demo(unit)[1]
        with serve(Path(made), None, unit) as address, browse() as page:
            for name, (path, height) in SHOTS.items():
                page.set_viewport_size({"width": 1366, "height": height})
                language = "&language=en" if name == "feedback" else ""
                page.goto(f"{address}/{path.format(id=faults)}{language}")
                page.wait_for_timeout(6000)
                page.screenshot(path=str(FOLDER / f"{name}.png"))


if __name__ == "__main__":
    main()
