"""Keeps the trackers' own chatter off the terminal."""

from __future__ import annotations

import os
import threading
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

_STDERR = threading.RLock()


@contextmanager
def notices_hidden() -> Iterator[None]:
    """Hide the tracker's one deprecation notice about its own protobuf calls."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"SymbolDatabase\.GetPrototype")
        yield


@contextmanager
def quiet() -> Iterator[None]:
    """Keep the tracker's native start-up chatter off the terminal.

    It is written to file descriptor 2 by libraries that heed no setting, so the descriptor is
    pointed elsewhere meanwhile. Errors are raised as exceptions and are not affected.
    """
    os.environ.setdefault("GLOG_minloglevel", "2")
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    with _STDERR, notices_hidden(), ExitStack() as stack:
        try:
            saved = os.dup(2)
        except OSError:
            saved = -1  # no standard error at all (a service): nothing to keep quiet
        if saved >= 0:
            stack.callback(os.close, saved)
            stack.callback(os.dup2, saved, 2)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
        yield
