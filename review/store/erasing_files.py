"""The files of an erasure: finding them, stopping work on them, removing them."""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from review.store.erasing_plan import HASH_SHOWN, ErasedRecording, belongs_to
from review.store.records import StoreError
from review.wholefile import clear_half_files, sync_names

DATABASE: Final = frozenset({"records.sqlite", "records.sqlite-wal", "records.sqlite-shm"})

STANDING: Final = ("videos", "copies", "landmarks", "jobs", "incoming", "protocols")
"""Folders in that of the records which stay when they are empty."""

LOG: Final = "worker.log"
"""What went wrong in analyses; it may name any recording, so it is emptied."""

LOCK: Final = "erasing.lock"

BETWEEN_LOOKS_S: Final = 0.1


def files_of(
    folder: Path, recordings: Sequence[ErasedRecording], others: Collection[str], person: str
) -> tuple[list[Path], list[Path]]:
    """Files in the records' folder that go, and those that another person's recording needs.

    Args:
        folder: of the records.
        recordings: that go.
        others: SHA-256 of all recordings that stay.
        person: code.
    """
    numbers = [recording.id for recording in recordings]
    kept = {sha[:HASH_SHOWN] for sha in others if sha}
    hashes = [r.sha256 for r in recordings if r.sha256]
    alone = [sha for sha in hashes if sha[:HASH_SHOWN] not in kept]
    both = [sha for sha in hashes if sha[:HASH_SHOWN] in kept]
    going, staying = [], []
    for path in sorted(folder.rglob("*")):
        place = path.relative_to(folder)
        if path.is_dir() or is_database(place):
            continue
        if belongs_to(place, hashes=alone, numbers=numbers, person=person):
            going.append(path)
        elif belongs_to(place, hashes=both, numbers=()):
            staying.append(path)
    return going, staying


def cached_files(caches: Iterable[Path], recordings: Sequence[ErasedRecording]) -> list[Path]:
    """Hand and face positions kept in folders outside the records.

    They go also where another person's recording of the same video stays: they can be found anew.
    """
    starts = {r.sha256[:HASH_SHOWN] for r in recordings if r.sha256}
    named = [path for cache in caches for start in starts for path in cache.glob(f"{start}*")]
    found = [file for path in named for file in ([path] if path.is_file() else path.rglob("*"))]
    return sorted(path for path in set(found) if path.is_file())


def older_copies(folder: Path) -> list[Path]:
    """Copies of the database beside it, such as those made before a new release."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_file() and is_database(Path(path.name)) and path.name not in DATABASE
    )


def is_database(place: Path) -> bool:
    """Whether this is the database, its log, or a copy of it beside it.

    Args:
        place: relative to the records' folder.
    """
    return len(place.parts) == 1 and ".sqlite" in place.name


def is_inside(path: Path, folder: Path) -> bool:
    """Whether a file lies in a folder or one below."""
    return path.absolute().is_relative_to(folder)


def wait_until_idle(folder: Path, numbers: Collection[int], patience_s: float) -> None:
    """Ask for a stop of the work on these recordings, and wait until it has stopped.

    Raises:
        StoreError: if it goes on for longer than that, or cannot be asked.
    """
    jobs = folder / "jobs"
    give_up = time.monotonic() + patience_s
    while busy := [number for number in numbers if _under_way(jobs, number)]:
        if not _at_work(jobs):
            return
        try:
            for number in busy:
                (jobs / f"{number}.cancel").touch()
        except OSError as error:
            raise StoreError(
                f"{jobs}: an analysis under way cannot be stopped ({error.strerror or error}). "
                "Allow writing to the folder, then try again."
            ) from error
        if time.monotonic() >= give_up:
            raise StoreError(
                "An analysis of this person's recording is still stopping. What is to be erased "
                "is noted, and nothing of it is shown any more; it goes on when the records are "
                "opened next."
            )
        time.sleep(BETWEEN_LOOKS_S)


def _under_way(jobs: Path, number: int) -> bool:
    try:
        content = json.loads((jobs / f"{number}.json").read_text(encoding="utf-8"))
        return content["stage"] in ("tracking", "copying")
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _at_work(jobs: Path) -> bool:
    """Whether a worker lives: it holds the lock for as long as it does."""
    try:
        handle = os.open(jobs / "worker.lock", os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


@contextmanager
def only_one(folder: Path, *, wait: bool) -> Iterator[bool]:
    """Whether nobody else erases in this folder; if so nobody else will until the block ends.

    Raises:
        StoreError: if the lock's file cannot be made.
    """
    try:
        handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise StoreError(
            f"{folder}: nothing can be erased here ({error.strerror or error}). Allow writing to "
            "the folder."
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        yield False
    else:
        yield True
    finally:
        os.close(handle)


def remove_files(paths: Iterable[Path], roots: Iterable[Path]) -> None:
    """Remove files, and have their going on the disk; those that are gone already are passed over.

    A folder below ``roots`` that becomes empty by it goes, too; the roots themselves stay.

    Raises:
        StoreError: naming the first file that cannot be removed.
    """
    folders = set()
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(
                f"{path}: it cannot be removed ({error.strerror or error}). Allow that, or remove "
                "it yourself; the erasure goes on when the records are opened next."
            ) from error
        folders.add(path.parent)
    stay = set(roots)
    for folder in sorted(folders, key=lambda folder: len(folder.parts), reverse=True):
        if not folder.is_dir():
            continue
        sync_names(folder)
        if folder not in stay and any(folder.is_relative_to(root) for root in stay):
            with suppress(OSError):  # something else is in it
                folder.rmdir()


def clear_leftovers(folder: Path) -> None:
    """Half files that nobody writes any more, and the log of analyses."""
    clear_half_files(folder)
    log = folder / "jobs" / LOG
    if log.is_file():
        os.truncate(log, 0)
