"""What children do in tests of hostile files: read many of them, or misbehave."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from review.errors import VideoError
from review.guarded import Limits, _limit
from review.video import probe, sample_frames

PROJECT = Path(__file__).resolve().parent.parent

READING = Limits(memory_mib=2048, cpu_s=3600.0, wall_s=0.0)
"""For the child that reads many: as for one new recording, but time, which its parent watches."""


@dataclass(frozen=True, slots=True)
class Read:
    """How reading one file ended.

    Attributes:
        outcome: 'read', 'refused' (by VideoError), 'hole' (another exception), 'died' (the child
            was ended by a signal), 'long' (it was ended for taking too long).
        words: the message, or what kind of exception.
        seconds: on the clock.
        pictures: that were decoded.
    """

    path: Path
    outcome: str
    words: str = ""
    seconds: float = 0.0
    pictures: int = 0


def read_one(path: Path) -> Read:
    """Probe a file and go through all its pictures, small ones."""
    begun, pictures = time.monotonic(), 0
    try:
        probe(path)
        for _ in sample_frames(path, 15.0, 64):
            pictures += 1
        outcome, words = "read", ""
    except VideoError as error:
        outcome, words = "refused", str(error)
    except Exception as error:
        outcome, words = "hole", f"{type(error).__name__}: {error}"
    return Read(path, outcome, words, time.monotonic() - begun, pictures)


def read_all(paths: Sequence[Path], longest_s: float) -> list[Read]:
    """Each file read in a child with limits; a child that ends before its time is replaced."""
    left, found = list(paths), []
    while left:
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.hostilework"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=PROJECT,
        )
        assert child.stdin is not None and child.stdout is not None
        try:
            while left:
                child.stdin.write(json.dumps(str(left[0])).encode() + b"\n")
                child.stdin.flush()
                # The first file has the child's start in it, slow on a busy machine.
                ready, _, _ = select.select([child.stdout], [], [], longest_s + 60.0)
                line = child.stdout.readline() if ready else b""
                path = left.pop(0)
                if not line:
                    how = "died" if ready else "long"
                    found.append(Read(path, how, "" if not ready else str(child.wait())))
                    break
                found.append(Read(**(json.loads(line) | {"path": path})))
        finally:
            child.kill()
            child.stdin.close()
            child.stdout.close()
            child.wait()
    return found


def main() -> None:
    """Read the files named on standard input, a line of JSON each way."""
    _limit(READING)
    for line in sys.stdin:
        read = asdict(read_one(Path(json.loads(line))))
        print(json.dumps(read | {"path": ""}), flush=True)


# --- misbehaving -----------------------------------------------------------------------------


def echo(words: str) -> str:
    return words


def allocate(mib: int) -> int:
    return len(bytearray(mib << 20))


def spin() -> None:
    while True:
        pass


def wait() -> None:
    time.sleep(600)


def write(place: str, size: int) -> None:
    Path(place).write_bytes(bytes(size))


def crash() -> None:
    os.abort()


def chatter() -> None:
    """Send nonsense where answers are expected, on every open descriptor."""
    for number in range(3, 1024):
        try:
            os.write(number, b"{nonsense}\n")
        except OSError:
            continue


def refuse(name: str) -> None:
    raise VideoError(f"{name} is not liked.")


def stumble() -> None:
    raise ZeroDivisionError("an odd thing")


def half(place: str, progress: Callable[[float], None]) -> None:
    """Write something, step by step, which is removed if it is stopped on the way."""
    path = Path(place)
    try:
        for step in range(1000):
            with path.open("ab") as stream:
                stream.write(b"half")
            progress(step / 1000)
    finally:
        path.unlink()


if __name__ == "__main__":
    main()
