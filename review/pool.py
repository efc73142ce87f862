"""Many labelled files: finding them, and one piece of work for each, some at a time."""

from __future__ import annotations

import logging
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import TypeVar

from review.errors import LabelError, ReviewError
from review.evaluation import SkippedFile

_log = logging.getLogger(__name__)

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


def find_labelled(
    folders: Sequence[Path], suffixes: Sequence[str], remedy: str
) -> tuple[list[tuple[Path, Path]], list[SkippedFile]]:
    """Recordings with their label files (``*.json``), sorted within each folder.

    Args:
        folders: where to look; not in folders inside them.
        suffixes: what recordings' names end in; of two with one stem the later suffix counts.
        remedy: the command that makes such recordings, for the error.

    Returns:
        The pairs, and the recordings without labels.

    Raises:
        LabelError: if a folder does not exist, or there is not one pair in all of them.
    """
    pairs: list[tuple[Path, Path]] = []
    skipped: list[SkippedFile] = []
    for folder in folders:
        if not folder.is_dir():
            raise LabelError(f"{folder}: there is no such folder. Name a folder of clips.")
        found = {
            path.name.removesuffix(suffix): path
            for suffix in suffixes
            for path in folder.glob(f"*{suffix}")
        }
        for name, path in sorted(found.items()):
            labels = folder / f"{name}.json"
            if labels.is_file():
                pairs.append((path, labels))
            else:
                skipped.append(SkippedFile(str(path), f"no label file {labels.name} beside it"))
    if not pairs:
        named = ", ".join(str(folder) for folder in folders) or "no folder"
        raise LabelError(
            f"{named}: no recording ({' or '.join(suffixes)}) with a label file (.json) of the "
            f"same name. Render some with {remedy}."
        )
    return pairs, skipped


def lost(pair: tuple[Path, Path], reason: str) -> SkippedFile:
    """The outcome of a labelled recording whose process ended early."""
    return SkippedFile(str(pair[0]), reason)


def outcomes(
    items: Sequence[Item],
    work: Callable[[Item], Outcome],
    lost: Callable[[Item, str], Outcome],
    jobs: int = 1,
) -> Iterator[tuple[int, Outcome]]:
    """What ``work`` makes of each item, with the item's number, as it comes.

    Args:
        items: what to work on.
        work: must not raise; with ``jobs`` above 1 it must be importable by name.
        lost: makes the outcome of an item whose process ended early, from the reason.
        jobs: processes at a time; 1 works in this one.
    """
    if min(jobs, len(items)) <= 1:
        yield from ((number, work(item)) for number, item in enumerate(items))
        return
    # Fresh processes: a tracker started before a fork would be shared and break.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(jobs, len(items)), mp_context=context) as pool:
        numbers: dict[Future[Outcome], int] = {
            pool.submit(work, item): number for number, item in enumerate(items)
        }
        try:
            for future in as_completed(numbers):
                number = numbers[future]
                try:
                    yield number, future.result()
                except BrokenProcessPool as error:
                    reason = f"the process that analysed it ended early ({error})"
                    yield number, lost(items[number], reason)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def in_order(
    items: Sequence[Item],
    work: Callable[[Item], Outcome],
    lost: Callable[[Item, str], Outcome],
    jobs: int = 1,
    progress: Callable[[float], None] | None = None,
) -> list[Outcome]:
    """What ``work`` makes of each item, in their order; see :func:`outcomes`.

    ``progress`` is called with the share done, 0..1.
    """
    done: dict[int, Outcome] = {}
    for number, outcome in outcomes(items, work, lost, jobs):
        done[number] = outcome
        if progress is not None:
            progress(len(done) / len(items))
    return [done[number] for number in range(len(items))]


def attempt(file: str, work: Callable[[], Outcome]) -> Outcome | SkippedFile:
    """What ``work`` makes of a file, or why it could not.

    One broken file must not end an evaluation of hundreds; the reason is printed with it.
    """
    try:
        return work()
    except ReviewError as error:
        return SkippedFile(file, str(error))
    except Exception as error:
        _log.exception("while evaluating %s", file)
        return SkippedFile(file, f"unexpected {type(error).__name__}: {error}")
