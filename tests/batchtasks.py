"""What test workers do with an order, instead of an analysis; see ``test_batch.py``."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import psutil

from review.batchwork import Order, Outcome


def act(order: Order) -> Outcome:
    """By the name of the file: die once, die always, break down, look at the sockets, or echo."""
    place = Path(order.path)
    if place.name == "dies-once" and not place.exists():
        place.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if place.name == "dies-always":
        os.kill(os.getpid(), signal.SIGKILL)
    if place.name == "breaks":
        with place.open("a") as tries:
            tries.write("x")
        raise ZeroDivisionError("as planned")
    if place.name == "sockets":
        return Outcome(json.dumps(_sockets()), "", 0.0, 0.0)
    return Outcome(f"{place.name} done", "", 0.0, 0.0)


def _sockets() -> list[str]:
    """Addresses at which this worker, its siblings or who started them listen."""
    mine = psutil.Process()
    top = mine.parent()
    assert top is not None
    family = [top, *top.children(recursive=True)]
    return sorted(
        {
            connection.laddr.ip
            for process in family
            for connection in process.net_connections(kind="inet")
            if connection.status == psutil.CONN_LISTEN
        }
    )
