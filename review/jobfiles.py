"""The files in which a store's jobs say how far they are, and the lock of its worker.

One small file a recording (``jobs/<id>.json``), written whole each time; ``<id>.cancel`` beside
it asks for a stop; ``worker.lock`` is held by the worker as long as it lives. Times of day are
UTC, durations seconds. Needs a POSIX system (file locks).
"""

from __future__ import annotations

import fcntl
import json
import logging
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Final

from review.analysis import write_text_whole
from review.errors import AnalysisError
from review.store import StoreError

LOCK_PATIENCE_S: Final = 2.0
"""A new worker tries this long for the lock: somebody may just be looking whether it is held."""

STARTING_S: Final = 20.0
"""A worker that was just started needs some seconds to come up, more on a busy machine."""

_log = logging.getLogger(__name__)


class JobStage(StrEnum):
    """What is being done for a recording."""

    NONE = "none"
    WAITING = "waiting"
    TRACKING = "tracking"
    COPYING = "copying"
    FINISHED = "finished"
    FAILED = "failed"
    CANCELLED = "cancelled"


UNDER_WAY: Final = frozenset({JobStage.TRACKING, JobStage.COPYING})
UNFINISHED: Final = UNDER_WAY | {JobStage.WAITING}

STAGE_WORDS: Final = {
    JobStage.NONE: "No analysis was asked for.",
    JobStage.WAITING: "Waiting for its turn.",
    JobStage.TRACKING: "Looking for hands and face in the recording.",
    JobStage.COPYING: "Making the copy that plays in the browser.",
    JobStage.FINISHED: "The analysis is done.",
    JobStage.CANCELLED: "The analysis was cancelled.",
}


@dataclass(frozen=True, slots=True)
class Job:
    """What stands in a job's file. ``asked_at`` is UTC in ISO 8601, so that it sorts."""

    recording_id: int
    by: str
    asked_at: str
    stage: JobStage = JobStage.WAITING
    share: float = 0.0
    seconds_left: float | None = None
    message: str = STAGE_WORDS[JobStage.WAITING]
    tries: int = 0


def job_place(folder: Path, recording_id: int) -> Path:
    """The file of a recording's job."""
    return folder / "jobs" / f"{recording_id}.json"


def cancel_mark(folder: Path, recording_id: int) -> Path:
    """The file that, by being there, asks for a stop."""
    return folder / "jobs" / f"{recording_id}.cancel"


def not_writable(folder: Path, error: Exception) -> StoreError:
    """The error for a folder of jobs that cannot be written to."""
    cause = error.__cause__ or error
    return StoreError(
        f"{folder / 'jobs'}: how far the analysis is cannot be written here "
        f"({getattr(cause, 'strerror', None) or cause}). Free some space, or allow writing to the "
        "folder."
    )


def write_job(folder: Path, job: Job) -> None:
    """Write a job's file, all of it or nothing.

    Raises:
        StoreError: if it cannot be written.
    """
    try:
        write_text_whole(json.dumps(asdict(job)), job_place(folder, job.recording_id))
    except AnalysisError as error:
        raise not_writable(folder, error) from error


def read_job(folder: Path, recording_id: int) -> Job | None:
    """What is known of a job, or None; a file that makes no sense is reported and passed over."""
    place = job_place(folder, recording_id)
    try:
        content = json.loads(place.read_text(encoding="utf-8"))
        return Job(**(content | {"stage": JobStage(content["stage"])}))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError) as error:
        _log.warning("%s makes no sense (%s) and is passed over.", place, error)
        return None


def all_jobs(folder: Path) -> list[Job]:
    """Every job of a store, in no order."""
    names = [place.stem for place in (folder / "jobs").glob("*.json") if place.stem.isdigit()]
    found = [read_job(folder, int(name)) for name in names]
    return [job for job in found if job is not None]


def worker_alive(folder: Path) -> bool:
    """Whether a worker is at work for this store."""
    with worker_lock(folder, shared=True) as free:
        return not free


def is_attended(folder: Path, job: Job) -> bool:
    """Whether a worker does the job, will, or was started for it a moment ago."""
    if job.stage not in UNFINISHED:
        return False
    asked_s = (datetime.now(UTC) - datetime.fromisoformat(job.asked_at)).total_seconds()
    starting = job.stage is JobStage.WAITING and not job.tries and 0.0 <= asked_s < STARTING_S
    return starting or worker_alive(folder)


@contextmanager
def worker_lock(folder: Path, *, shared: bool = False, patience_s: float = 0.0) -> Iterator[bool]:
    """Whether the lock could be had; if so it is held until the block ends.

    The system releases it when its holder ends, however it ends.

    Raises:
        StoreError: if the lock's file cannot be made.
    """
    place = folder / "jobs" / "worker.lock"
    try:
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise not_writable(folder, error) from error
    try:
        give_up = time.monotonic() + patience_s
        while True:
            try:
                fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= give_up:
                    yield False
                    return
                time.sleep(0.05)
            else:
                yield True
                return
    finally:
        os.close(handle)
