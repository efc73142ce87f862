"""Tasks for the tests of the crew, importable by the processes that do them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from review.errors import VideoError

Told = Callable[[float], None]


def squared(number: int, told: Told) -> int:
    told(0.5)
    return number * number


def who(_: int, told: Told) -> int:
    time.sleep(0.2)
    return os.getpid()


def variable(name: str, told: Told) -> str | None:
    return os.environ.get(name)


def fails(number: int, told: Told) -> int:
    if number == 3:
        raise VideoError("number three is broken: choose another.")
    return number


def dies_once(place: Path, told: Told) -> str:
    """Take the process down at the first try."""
    if not place.exists():
        place.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return place.name


def dies(_: int, told: Told) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def waits(place: Path, told: Told) -> None:
    """Write down which process it is, then tell shares until nobody listens."""
    place.write_text(str(os.getpid()))
    for _ in range(600):
        time.sleep(0.1)
        told(0.1)
