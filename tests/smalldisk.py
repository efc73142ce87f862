"""What is done on a disk that fills up, and on one that may not be written: run as a program.

It mounts a small disk in memory (so it needs a world of its own), works there, and says as JSON
what it was told.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from review.errors import ReviewError
from review.jobfiles import Job, write_job
from review.reviewcopy import make_review_copy
from review.store import open_store
from review.store.checking import back_up, check_records
from review.store.salvage import salvage
from review.wholefile import half_files
from tests import media
from tests.documents import example_analysis
from tests.oldstores import first_store
from tests.stores import BY, TODAY, add_unit

ROOM = "3m"


def told(action: Callable[[], Any]) -> str:
    """The words of the error that this ends in; '' if it ends well."""
    try:
        action()
    except ReviewError as error:
        return str(error)
    return ""


def fill(folder: Path) -> Path:
    """A file that takes all room that is left."""
    filler = folder / "filler"
    with filler.open("wb") as stream:
        take_all(stream.fileno())
    return filler


def take_all(handle: int) -> None:
    """Write until there is no room for one byte more."""
    for size in (1 << 16, 1 << 12, 1):
        try:
            while True:
                os.write(handle, b"x" * size)
        except OSError:
            continue


def main(place: Path, video: Path) -> dict[str, Any]:
    """Work, run out of room, get room, then lose the right to write."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={ROOM}", "none", place], check=True)
    unit = place / "unit"
    said: dict[str, Any] = {}
    kept = 0
    old = first_store(place / "old")
    with open_store(unit) as store:
        add_unit(store)
        session = store.add_session(
            example_analysis(), person="P-1", trainer="T-1", taken_on=TODAY, by=BY
        ).id
        filler = fill(place)
        os.truncate(filler, filler.stat().st_size - (1 << 13))  # room for its beginning
        said["review copy"] = told(
            lambda: make_review_copy(video, unit / "copies" / "c.mp4", sound=False)
        )
        os.truncate(filler, filler.stat().st_size - (1 << 18))

        def comment() -> None:
            nonlocal kept
            for _ in range(10_000):
                store.comment(session, "a remark " * 300, by=BY)
                kept += 1

        job = Job(session, BY, datetime.now(UTC).isoformat(), message="long " * 3000)
        said["comment"] = told(comment)
        with filler.open("ab") as stream:
            take_all(stream.fileno())
        said["comment again"] = told(comment)
        said["copy"] = told(
            lambda: store.add_recording(
                video, person="P-1", trainer="T-1", protocol="practice", mirrored=False,
                taken_on=TODAY, by=BY, copy=True,
            )
        )  # fmt: skip
        said["job"] = told(lambda: write_job(unit, job))
        said["backup"] = told(lambda: back_up(unit, place / "backup.sqlite"))
        said["salvage"] = told(lambda: salvage(unit, place / "salvaged"))
        said["read"] = len(store.comments(session)), len(store.session_rows())
    said["older form"] = told(lambda: open_store(old).close())
    said["older form, files"] = sorted(path.name for path in old.iterdir())
    said["opened anew"] = told(lambda: open_store(unit).close())
    filler.unlink()
    with open_store(old) as store:
        said["older form, later"] = len(store.people())
    with open_store(unit) as store:
        store.comment(session, "there is room again", by=BY)
        said["kept"], said["there"] = kept, len(store.comments(session)) - 1
        said["audit"] = store.verify_audit().holds
    said["check"] = check_records(unit).troubles
    said["left"] = sorted(path.name for path in place.iterdir())
    said["half"] = list(map(str, half_files(place)))

    subprocess.run(["mount", "-o", "remount,ro", place], check=True)
    said["read-only, opened"] = told(lambda: open_store(unit).close())
    said["read-only, checked"] = check_records(unit).troubles
    said["read-only, job"] = told(lambda: write_job(unit, job))
    return said


if __name__ == "__main__":
    world = Path(sys.argv[1])
    original = media.write_video(world / "v.mp4", media.steady(200, 25.0), (320, 240))
    (world / "disk").mkdir()
    print(json.dumps(main(world / "disk", original)))
