"""Work shared out to processes of our own, which end when this one does.

Each process takes one task after another and tells how far it is. One that dies takes its task
with it; the task is given out once more, to a new process, and only then is it an error. Processes
are started fresh (spawned), because the trackers do not survive being forked.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Self, cast

from review.errors import ReviewError
from review.sealed import KEYS

Told = Callable[[float], None]
"""Told the share of a task that is done, 0..1."""

TELL_EVERY_S = 0.5
"""How often a process tells how far it is; it also notices then that nobody listens any more."""

TASKS_A_PROCESS = 6
"""After so many tasks a process gives way to a new one: the trackers do not give back all the
memory that they took."""

MEMORY_HABITS = {
    "MALLOC_ARENA_MAX": "2",
    "MALLOC_MMAP_THRESHOLD_": "1500000",
    "MALLOC_TRIM_THRESHOLD_": "2000000",
}
"""How the GNU C library's allocator is told to keep little for later (mallopt(3)); others pay no
heed. Pictures are large and short-lived and many threads make them: with its own habits a process
grew to 450 MB, with these to 290 MB, at the same speed (measured)."""

MOST_TRIES = 2
"""A task that takes its process down this often is at fault itself."""


CORES_VARIABLE = "EXCHANGE_REVIEW_CORES"
"""Environment variable: at most so many cores are used, as where others share the computer."""


def cores() -> int:
    """Processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        found = len(os.sched_getaffinity(0))
    else:
        found = os.cpu_count() or 1
    most = os.environ.get(CORES_VARIABLE, "")
    return max(1, min(found, int(most)) if most.isdigit() else found)


def is_crew() -> bool:
    """Whether this process was started by another one of this program to share its work."""
    return multiprocessing.parent_process() is not None


class CrewError(ReviewError):
    """A task took its process down again and again."""


class Crew:
    """Some processes; use it in a ``with`` statement, which ends them whatever happens."""

    def __init__(self, count: int) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._count = count
        self._hands: dict[Connection, BaseProcess] = {}
        self._served: dict[Connection, int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for connection, process in self._hands.items():
            connection.close()
            process.terminate()
        for process in self._hands.values():
            process.join(5.0)
            if process.is_alive():
                process.kill()
                process.join()
        self._hands.clear()

    def do(
        self,
        function: Callable[[Any, Told], Any],
        tasks: Sequence[Any],
        told: Callable[[int, float], None],
    ) -> Iterator[tuple[int, Any]]:
        """Do all tasks, in any order.

        Args:
            function: of a task and of what is told the share done; importable by name.
            tasks: sent to the processes.
            told: told a task's number and the share of it that is done.

        Yields:
            A task's number and its result, as they are finished.

        Raises:
            CrewError: if a task took its process down twice.
            Exception: what the function raised.
        """
        left = list(range(len(tasks)))[::-1]
        tries = [0] * len(tasks)
        busy: dict[Connection, int] = {}
        idle = list(self._hands)
        while left or busy:
            while left and (idle or len(self._hands) < self._count):
                connection = idle.pop() if idle else self._start()
                number = left.pop()
                tries[number] += 1
                busy[connection] = number
                with suppress(OSError):  # it is gone: seen below, and tried again
                    connection.send((function, tasks[number]))
            for connection in cast("list[Connection]", wait(list(busy))):
                number = busy[connection]
                try:
                    what, content = connection.recv()
                except (EOFError, OSError):
                    del busy[connection]
                    self._bury(connection, tries[number])
                    left.append(number)
                    continue
                if what == "share":
                    told(number, content)
                    continue
                del busy[connection]
                self._served[connection] += 1
                if self._served[connection] >= TASKS_A_PROCESS:
                    self._retire(connection)
                else:
                    idle.append(connection)
                if what == "failed":
                    raise content
                yield number, content

    def _start(self) -> Connection:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_serve, args=(theirs, KEYS.as_lines()), daemon=True)
        with _environment(MEMORY_HABITS):  # read once, when a process begins
            process.start()
        theirs.close()
        self._hands[ours], self._served[ours] = process, 0
        return ours

    def _retire(self, connection: Connection) -> None:
        """Let a process end: it does when nothing more can come."""
        process = self._hands.pop(connection)
        connection.close()
        process.join(5.0)

    def _bury(self, connection: Connection, tries: int) -> None:
        process = self._hands.pop(connection)
        connection.close()
        process.join(5.0)
        if tries >= MOST_TRIES:
            raise CrewError(
                "A part of the work stopped unexpectedly twice (perhaps too little memory is "
                f"free; exit code {process.exitcode}). Close other programs and run it again: "
                "what was finished is kept."
            )


@contextmanager
def _environment(more: Mapping[str, str]) -> Iterator[None]:
    """Add variables that are not set, for the time being."""
    added = {name: value for name, value in more.items() if name not in os.environ}
    os.environ.update(added)
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


def _serve(connection: Connection, keys: str) -> None:
    """Do tasks until the other side is gone; ``keys``: of encrypted recordings."""
    KEYS.take_lines(keys)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who gives out the work
    while True:
        try:
            function, task = connection.recv()
        except (EOFError, OSError):
            return
        teller = _Teller(connection)
        try:
            answer = ("done", function(task, teller))
        except Exception as error:
            answer = ("failed", error)
        try:
            connection.send(answer)
        except OSError:
            return


class _Teller:
    """Sends shares, not too often; ends the process when nobody listens any more."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._told_at = time.monotonic()

    def __call__(self, share: float) -> None:
        if time.monotonic() - self._told_at < TELL_EVERY_S:
            return
        self._told_at = time.monotonic()
        try:
            self._connection.send(("share", share))
        except OSError:
            sys.exit(1)
