"""Files that are there completely or not at all, and clearing away what a lost writer left.

A file is written under another name in the same folder, put on the disk, and then takes its own
name in one step (POSIX ``rename``). While it is written its half is locked; the system drops the
lock when the writer ends, however it ends. So a half file that nobody holds can go at once.
Needs a POSIX system (file locks).
"""

from __future__ import annotations

import fcntl
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

HALF: Final = ".held.partial"
"""How the name of a file being written ends."""

UNHELD_S: Final = 600.0
"""Other ``.partial`` files carry no lock; untouched for this long (seconds) their writer is gone:
they are written in one go, within seconds."""


@contextmanager
def whole_file(target: Path, *, private: bool = False) -> Iterator[Path]:
    """A place to write to, which becomes ``target`` if the block ends without an error.

    The place is an empty file to begin with, for its owner's eyes only if ``private``. Its folder
    must exist. Power may fail at any moment: afterwards ``target`` is as it was before or as it
    should be.

    Raises:
        OSError: if it cannot be written.
    """
    partial, handle = _held(target, 0o600 if private else 0o666)
    try:
        yield partial
        os.fsync(handle)
        os.replace(partial, target)
        sync_names(target.parent)
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        os.close(handle)


def _held(target: Path, mode: int) -> tuple[Path, int]:
    """A new half file and its handle, with the lock on it."""
    while True:
        partial = target.with_name(f".{target.name}.{secrets.token_hex(4)}{HALF}")
        handle = os.open(partial, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
        fcntl.flock(handle, fcntl.LOCK_EX)
        if os.fstat(handle).st_nlink:
            return partial, handle
        os.close(handle)  # somebody cleared it away between the making and the lock


def sync_names(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def half_files(folder: Path) -> list[Path]:
    """Everything half written in a folder and those below, by name; in use or not."""
    return sorted(path for path in folder.rglob(".*.partial") if path.is_file())


def clear_half_files(folder: Path) -> list[Path]:
    """Remove the half files, in a folder and those below, whose writer is gone; says which."""
    return [path for path in half_files(folder) if _clear(path)]


def _clear(half: Path) -> bool:
    """Whether this half file was nobody's and is gone now."""
    try:
        handle = os.open(half, os.O_RDONLY)
    except OSError:
        return False  # finished meanwhile
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        held_kind = half.name.endswith(HALF)
        if held_kind or time.time() - os.fstat(handle).st_mtime > UNHELD_S:
            half.unlink(missing_ok=True)
            return True
    except OSError:
        return False  # being written, or not ours to remove
    finally:
        os.close(handle)
    return False
