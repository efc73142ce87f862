"""Processes that work on records and are killed (SIGKILL) at a seeded point.

The point is a line of the program, counted, or a moment. Lines are the same in every run; moments
reach also what goes on inside a library. Each task tells what the records confirmed.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType
from typing import Any

from review import jobs
from review.jobs import start_analysis, work
from review.reviewcopy import make_review_copy
from review.store import open_store, recordings
from review.video import probe
from tests.scripted import scripted
from tests.stores import BY, TODAY

OURS = str(Path(__file__).resolve().parent.parent / "review") + os.sep

PASSPHRASE = "an invented passphrase of a unit"

Tell = Callable[[Any], None]
Task = Callable[[Path, Tell], None]


# --- what is done: each may be done again after it was killed --------------------------------


def importing(folder: Path, tell: Tell) -> None:
    """Two recordings are added and copied to the records."""
    with open_store(folder) as store:
        for video in sorted(folder.parent.glob("*.mp4")):
            entry = store.add_recording(
                video, person="P-1", trainer="T-1", protocol="practice", mirrored=False,
                taken_on=TODAY, by=BY, copy=True,
            )  # fmt: skip
            tell(("recording", entry.id, entry.file))


def analysing(folder: Path, tell: Tell) -> None:
    """Recording 1 is analysed, by a script rather than by tracking, and its copy made."""
    start_analysis(folder, 1, BY, launch=lambda _: None)
    tell(("asked", 1))
    work(folder, analyse=scripted)
    tell(("analysed", 1))


def copying(folder: Path, tell: Tell) -> None:
    """A review copy is made."""
    video = min(folder.parent.glob("*.mp4"))
    tell(("copy", make_review_copy(video, folder / "copies" / "c.mp4", sound=False).name))


def bringing_up_to_date(folder: Path, tell: Tell) -> None:
    """Records of an older form are opened."""
    open_store(folder).close()
    tell(("opened",))


def erasing(folder: Path, tell: Tell) -> None:
    """All about one person is erased."""
    with open_store(folder) as store:
        if any(person.code == "P-1" for person in store.people()):
            store.erase("P-1", by=BY)
        tell(("erased",))


def encrypting(folder: Path, tell: Tell) -> None:
    """All videos and copies in the records are encrypted."""
    with open_store(folder) as store:
        store.unlock_videos(PASSPHRASE)
        store.seal_what_is_kept(by=BY)
        tell(("encrypted",))


# --- killing ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kill:
    """Where a process is killed: at this line of the program, or after so many seconds.

    ``guarded`` tells whether recordings are read in guarded children, as in earnest.
    """

    line: int | None = None
    after_s: float | None = None
    guarded: bool = False


class _Lines:
    """Counts lines of the program as they are run, and kills at one of them."""

    def __init__(self, last: int | None) -> None:
        self.count, self._last = 0, last

    def __call__(self, frame: FrameType, event: str, _: Any) -> Any:
        if not frame.f_code.co_filename.startswith(OURS):
            return None
        if event == "line":
            self.count += 1
            if self.count == self._last:
                os.kill(os.getpid(), signal.SIGKILL)
        return self


def read_in_this_process(patch: Callable[[Any, str, Any], None]) -> None:
    """Let recordings be read without a guarded child each, which costs a second to start."""
    patch(jobs, "make_review_copy", make_review_copy)
    patch(recordings, "guarded_probe", probe)


def _run(task: Task, folder: Path, kill: Kill, told: Connection) -> None:
    if not kill.guarded:
        read_in_this_process(setattr)
    line = kill.line
    told.send("up")
    lines, started = _Lines(line), time.monotonic()
    sys.settrace(lines)
    try:
        task(folder, told.send)
    finally:
        sys.settrace(None)
    told.send(("done", lines.count, time.monotonic() - started))


def run(task: Task, folder: Path, kill: Kill) -> tuple[list[Any], bool]:
    """Do a task in a process of its own until it is killed or done.

    Returns:
        What was confirmed, and whether it was killed before its end.
    """
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.killing"])
    told, teller = processes.Pipe(duplex=False)
    process = processes.Process(target=_run, args=(task, folder, kill, teller), daemon=True)
    process.start()
    teller.close()
    assert told.poll(60), "the process did not come up"
    assert told.recv() == "up"
    if kill.after_s is not None:
        time.sleep(kill.after_s)
        process.kill()
    process.join(60)
    assert process.exitcode in (0, -signal.SIGKILL), f"it failed by itself: {process.exitcode}"
    said = []
    while True:
        try:
            said.append(told.recv())
        except EOFError:
            break
    return said, process.exitcode != 0


@dataclass(frozen=True)
class Unbroken:
    """What a task takes when nothing disturbs it: lines of the program, and seconds."""

    lines: int
    seconds: float

    def somewhere(self, rng: random.Random, *, guarded: bool) -> Kill:
        """A point within it; three in four by lines."""
        if rng.random() < 0.75:
            return Kill(line=rng.randint(1, self.lines), guarded=guarded)
        return Kill(after_s=rng.uniform(0.0, self.seconds), guarded=guarded)


def unbroken(task: Task, folder: Path) -> Unbroken:
    """Do a task to its end."""
    said, was_killed = run(task, folder, Kill())
    assert not was_killed
    return Unbroken(*said[-1][1:])
