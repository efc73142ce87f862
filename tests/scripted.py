"""A scripted analysis for tests of the jobs: no tracking, but progress, and files on the way."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from review.analysis import Analysis
from review.errors import VideoError
from review.jobs import work
from review.landmarks import Sampling
from review.protocol import Protocol
from review.video import file_sha256
from tests.documents import example_analysis

TAKES = "SCRIPTED_SECONDS"
"""Environment variable: how long the scripted analysis takes, seconds."""


def scripted(
    path: Path,
    protocol: Protocol,
    sampling: Sampling,
    cache: Path,
    progress: Callable[[float], None],
    sound: bool,
) -> Analysis:
    """The example analysis with the recording's own hash.

    Writes down every run in ``runs`` beside the cache; a file called ``broken`` in its name
    fails, one called ``deadly`` takes the process down.
    """
    with (cache.parent / "runs").open("a") as runs:
        runs.write(f"{path.name}\n")
    assert protocol.name == "Practice session" and not sampling.mirrored
    if "broken" in path.name:
        raise VideoError(f"{path} is broken: record it again.")
    if "odd" in path.name:
        raise ZeroDivisionError("an odd thing")
    if "deadly" in path.name:
        os.kill(os.getpid(), 9)
    steps, takes_s = 20, float(os.environ.get(TAKES, "0"))
    for step in range(steps):
        time.sleep(takes_s / steps)
        progress(step / steps)
    document = example_analysis()
    recording = document.recording.model_copy(
        update={"sha256": file_sha256(path), "file": path.name}
    )
    return document.model_copy(update={"recording": recording})


def runs(folder: Path) -> list[str]:
    """Names of the recordings in the order in which they were analysed."""
    place = folder / "runs"
    return place.read_text().splitlines() if place.exists() else []


def launch_scripted(folder: Path) -> None:
    """A worker in a process of its own, as ``launch_worker`` starts one, with this analysis."""
    root = Path(__file__).resolve().parent.parent
    subprocess.run(
        ["/bin/sh", "-c", '"$@" >/dev/null 2>"$0" &', str(folder / "jobs" / "worker.log"),
         sys.executable, "-c",
         "import sys; from tests.scripted import work_scripted; work_scripted(sys.argv[1])",
         str(folder)],
        cwd=root, check=True, start_new_session=True,
    )  # fmt: skip


def work_scripted(folder: str) -> None:
    """Be the worker."""
    (Path(folder) / "worker.pid").write_text(str(os.getpid()))
    work(folder, analyse=scripted)
