"""Work on files that nobody has looked at yet, in a child process with limits.

Decoders are large programs in a language without safety nets, and a recording may come from
anywhere: damaged on the way, or made to break its reader. So it is read where it can do little
harm: in a process of its own with bounded memory, processor time, time on the clock and size of
files, which is stopped when it goes beyond. What comes back is text (JSON), never a Python object,
and what goes wrong is one line that names the file.

Needs a POSIX system (``resource``).
"""

from __future__ import annotations

import importlib
import json
import os
import queue
import resource
import select
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

from review import errors
from review.errors import ReviewError, VideoError
from review.sealed import KEYS
from review.video import VideoInfo, probe

Progress = Callable[[float], None]

MIB: Final = 1 << 20

PATIENCE_S: Final = 10.0
"""A child that is asked to end may clean up for this long."""

LONGEST_ANSWER: Final = 256 * MIB
"""Bytes of all that a child may say; an analysis of hours is a few MiB."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a child may use; beyond it is stopped.

    Attributes:
        memory_mib: address space, MiB, with everything that its libraries reserve.
        cpu_s: processor time of all its threads together, seconds.
        wall_s: time on the clock, seconds.
        file_mib: largest file it may write, MiB; 0: it cannot write at all.
    """

    memory_mib: int
    cpu_s: float
    wall_s: float
    file_mib: int = 0


class UnexpectedError(Exception):
    """A mistake of this program came to light in a child; the text says of what kind."""


PROBING: Final = Limits(memory_mib=2048, cpu_s=30.0, wall_s=60.0)
"""To look at a new recording: one picture is decoded. The largest picture that cameras make (8K,
33 million pixels) takes about 1 GiB with the decoder's own threads (measured)."""


def guarded_probe(path: Path | str) -> VideoInfo:
    """As :func:`review.video.probe`, in a child process that cannot write and is bounded.

    Raises:
        VideoError: if it is no usable recording, or cannot be looked at within the limits.
    """
    path = Path(path).absolute()
    try:
        found = run_guarded(
            "review.guarded:probe_task", {"path": str(path)}, PROBING, name=str(path)
        )
    except UnexpectedError as error:
        raise VideoError(f"{_broke_down(str(path))} ({error})") from error
    return VideoInfo(**(found | {"path": path, "warnings": tuple(found["warnings"])}))


def probe_task(path: str) -> dict[str, Any]:
    """What the child of :func:`guarded_probe` does."""
    return asdict(probe(path)) | {"path": path}


def run_guarded(
    task: str,
    arguments: Mapping[str, Any],
    limits: Limits,
    *,
    name: str,
    progress: Progress | None = None,
    log: bool = False,
) -> Any:
    """Call a function of this program in a child process and give what it returns.

    Args:
        task: ``module:function``.
        arguments: by name; text, numbers and the like, as JSON carries them.
        limits: what the child may use.
        name: the file it is about, for the message when the child does not come back.
        progress: given to the function as ``progress``. The child waits until it returns; what it
            raises ends the child, whose half-written files are removed, and is raised on.
        log: the child's own words on standard error are kept (a worker has a log), else dropped.

    Returns:
        What the function returned, as JSON carries it.

    Raises:
        VideoError: if the child was stopped at a limit or broke down.
        ReviewError: what the function raised, of the same class.
        UnexpectedError: if the function raised something else.
    """
    order: dict[str, Any] = {"task": task, "arguments": dict(arguments)}
    order |= {"limits": asdict(limits), "progress": progress is not None}
    order["keys"] = KEYS.as_lines()  # through the pipe, never on the disk
    answers, answering = os.pipe()
    try:
        child = subprocess.Popen(
            [sys.executable, "-P", "-m", "review.guarded", str(answering)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=None if log else subprocess.DEVNULL,
            pass_fds=(answering,),
            env=_environment(),
            start_new_session=True,  # Ctrl-C is for the parent, which ends the child in order
        )
    except OSError as error:
        os.close(answers)
        raise VideoError(
            f"{name}: it cannot be looked at now ({error.strerror or error}). Close other "
            "programs and try again."
        ) from error
    finally:
        os.close(answering)
    with os.fdopen(answers, "rb", buffering=0) as pipe:
        try:
            return _converse(child, pipe.fileno(), order, limits, name, progress)
        finally:
            _end(child)


def _environment() -> dict[str, str]:
    """The parent's, with this package on the path wherever the parent was started."""
    root = str(Path(__file__).resolve().parent.parent)
    known = os.environ.get("PYTHONPATH")
    return os.environ | {"PYTHONPATH": f"{root}{os.pathsep}{known}" if known else root}


def _converse(
    child: subprocess.Popen[bytes],
    pipe: int,
    order: Mapping[str, Any],
    limits: Limits,
    name: str,
    progress: Progress | None,
) -> Any:
    """Send the order, pass on progress, and give the answer."""
    _tell(child, json.dumps(order))
    for line in _lines(pipe, time.monotonic() + limits.wall_s, name, limits):
        try:
            said = json.loads(line)
            kind, value = said["kind"], said.get("value")
        except (ValueError, TypeError, KeyError):
            raise VideoError(_broke_down(name)) from None
        if kind == "share" and progress is not None:
            progress(float(value))
            _tell(child, "on")
        elif kind == "result":
            return value
        elif kind == "error":
            raise _as_raised(str(said.get("class")), str(value))
        elif kind == "memory":
            raise VideoError(_too_much(name, f"{limits.memory_mib / 1024:g} GiB of memory"))
        elif kind == "unexpected":
            raise UnexpectedError(str(value))
    with suppress(subprocess.TimeoutExpired):
        child.wait(PATIENCE_S)
    if child.returncode == -signal.SIGXCPU:
        raise VideoError(_too_much(name, f"{limits.cpu_s:.0f} s of work"))
    raise VideoError(_broke_down(name))


def _tell(child: subprocess.Popen[bytes], line: str) -> None:
    assert child.stdin is not None
    with suppress(BrokenPipeError):  # it is gone; how it ended is told below
        child.stdin.write(line.encode() + b"\n")
        child.stdin.flush()


def _lines(pipe: int, give_up: float, name: str, limits: Limits) -> Iterator[bytes]:
    """Whole lines as they come, until the child closes the pipe."""
    kept, total = b"", 0
    while True:
        ready, _, _ = select.select([pipe], [], [], max(give_up - time.monotonic(), 0.0))
        if not ready:
            raise VideoError(_too_much(name, f"{limits.wall_s:.0f} s"))
        piece = os.read(pipe, 1 << 16)
        total += len(piece)
        if not piece:
            return
        if total > LONGEST_ANSWER:
            raise VideoError(_broke_down(name))
        *whole, kept = (kept + piece).split(b"\n") if b"\n" in piece else (kept + piece,)
        yield from whole


def _end(child: subprocess.Popen[bytes]) -> None:
    """See that the child is gone, politely first."""
    if child.stdin is not None:
        with suppress(OSError):
            child.stdin.close()
    try:
        child.wait(0.5)
    except subprocess.TimeoutExpired:
        child.terminate()
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _as_raised(kind: str, message: str) -> ReviewError:
    """An error of the class of that name, of those that belong to this program."""
    found = getattr(errors, kind, ReviewError)
    known = isinstance(found, type) and issubclass(found, ReviewError)
    return found(message) if known else ReviewError(message)


def _too_much(name: str, what: str) -> str:
    return (
        f"{name}: reading it took more than {what}, so it was stopped. Play it in a video player, "
        "and if it plays there, export it again as MP4 (H.264)."
    )


def _broke_down(name: str) -> str:
    return (
        f"{name}: the reader broke down on it; it is damaged, or no ordinary video. Play it in a "
        "video player, and if it plays there, export it again as MP4 (H.264)."
    )


# --- in the child ----------------------------------------------------------------------------


class _Parent:
    """The parent, as the child sees it: orders come in, answers go out.

    When the parent is gone, or closes the line, the child ends.
    """

    def __init__(self, answering: int) -> None:
        self._out = answering
        self._in: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            self._in.put(line)
        # A request to end lets half-written files be removed; a decoder that does not come back
        # to Python hears none.
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(PATIENCE_S)
        os._exit(1)

    def order(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self._in.get())
        return found

    def say(self, kind: str, value: Any = None, **more: str) -> None:
        line = json.dumps({"kind": kind, "value": value} | more).encode() + b"\n"
        while line:
            line = line[os.write(self._out, line) :]

    def progress(self, share: float) -> None:
        self.say("share", share)
        self._in.get()


def _limit(limits: Limits) -> None:
    """Bind this process; it cannot undo it."""
    cpu = max(1, round(limits.cpu_s))
    bounds = {
        resource.RLIMIT_AS: (limits.memory_mib * MIB,) * 2,
        resource.RLIMIT_CPU: (cpu, cpu + 5),
        resource.RLIMIT_FSIZE: (limits.file_mib * MIB,) * 2,
        resource.RLIMIT_CORE: (0, 0),
    }
    for what, (soft, hard) in bounds.items():
        most = resource.getrlimit(what)[1]
        if most != resource.RLIM_INFINITY:
            soft, hard = min(soft, most), min(hard, most)
        resource.setrlimit(what, (soft, hard))


def _leave(*_: object) -> NoReturn:
    sys.exit(128 + signal.SIGTERM)


def main(arguments: list[str]) -> int:
    """``python -m review.guarded FD``: take one order from standard input, answer on FD."""
    signal.signal(signal.SIGTERM, _leave)
    parent = _Parent(int(arguments[0]))
    order = parent.order()
    module, _, function = order["task"].partition(":")
    work = getattr(importlib.import_module(module), function)
    sys.dont_write_bytecode = True
    KEYS.take_lines(order["keys"])
    more = {"progress": parent.progress} if order["progress"] else {}
    _limit(Limits(**order["limits"]))
    try:
        parent.say("result", work(**order["arguments"], **more))
    except ReviewError as error:
        parent.say("error", str(error), **{"class": type(error).__name__})
    except MemoryError:
        parent.say("memory")
    except Exception as error:
        traceback.print_exc()
        parent.say("unexpected", f"{type(error).__name__}: {error}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
