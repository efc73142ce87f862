"""Analyses outside the page's process: a queue, worked through one after another.

A detached process does the work, so that it goes on when the page is reloaded or stopped. What is
asked for and how far it is stands in files (see :mod:`review.jobfiles`), so that everybody can
tell, even after a stop of the machine. Only the worker writes review copies.

Times of day are UTC, durations seconds. Needs a POSIX system (file locks, sessions).
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import IO, Final, cast

from review.analysis import Analysis
from review.errors import ReviewError
from review.guardedwork import analyse_guarded
from review.guardedwork import copy_guarded as make_review_copy
from review.jobfiles import (
    LOCK_PATIENCE_S,
    STAGE_WORDS,
    UNDER_WAY,
    UNFINISHED,
    Job,
    JobStage,
    all_jobs,
    cancel_mark,
    is_attended,
    job_place,
    not_writable,
    read_job,
    worker_alive,
    worker_lock,
    write_job,
)
from review.landmarks import Sampling
from review.protocol import Protocol, load_protocol
from review.reviewcopy import review_copy_name
from review.sealed import KEYS, is_sealed
from review.store import ConsentError, RecordingEntry, RecordingState, Store, StoreError, open_store
from review.wholefile import clear_half_files

Progress = Callable[[float], None]
Analyse = Callable[[Path, Protocol, Sampling, Path, Progress, bool], Analysis]
"""Recording, protocol, sampling, cache folder, progress, whether the sound may be used: gives the
analysis. It tells the progress before it uses the sound, and ends where that raises."""

Launch = Callable[[Path], None]
"""Starts a worker for a store's folder."""

MOST_TRIES: Final = 3
"""A recording whose analysis took the worker down this many times is not tried again by itself."""

BETWEEN_REPORTS_S: Final = 0.5
"""Seconds between two writings of how far it is; a page looks about once a second."""

KEYS_FOLLOW: Final = "--keys"
"""Tells a worker that the keys of encrypted recordings come on its standard input."""

_log = logging.getLogger(__name__)


_SHARES: Final = {JobStage.TRACKING: (0.0, 0.85), JobStage.COPYING: (0.85, 1.0)}
"""Where each stage lies in the whole: tracking takes about six times as long as copying."""


@dataclass(frozen=True, slots=True)
class JobStatus:
    """How far the analysis of a recording is.

    Attributes:
        share: of the whole work done, 0..1.
        stage: what is being done.
        seconds_left: estimate, or None where there is none yet.
        alive: whether a worker is there to do it; False for what is over, and for work that a
            stop of the machine left unfinished (see :func:`take_up`).
        message: one sentence for people.
    """

    share: float
    stage: JobStage
    seconds_left: float | None
    alive: bool
    message: str


class _Stopped(BaseException):
    """Somebody cancelled the work under way; no library in between may take it for an error."""


class _SoundWithdrawnError(ReviewError):
    """The sound may not be used any more; without it the work may go on."""


# --- asked by the pages ----------------------------------------------------------------------


def start_analysis(
    store_folder: Path | str, recording_id: int, by: str, *, launch: Launch | None = None
) -> None:
    """Ask for the analysis of a recording and its review copy, and return at once.

    Asking again while it is under way changes nothing.

    Args:
        store_folder: the store's folder.
        recording_id: the recording.
        by: who asks; goes to the audit.
        launch: starts the worker; default a detached process.

    Raises:
        ConsentError: if its person has no current consent to review.
        StoreError: if there is no such recording, its video is not kept, or the folder cannot
            be written.
    """
    folder = Path(store_folder).absolute()
    launch = launch or launch_worker
    with open_store(folder) as store:
        entry = store.recording(recording_id)
        store.check_consent(entry.person)
        if not entry.file:
            raise StoreError(f"{entry.name}: its video is not kept, so it cannot be analysed.")
        known = read_job(folder, recording_id)
        if known is None or known.stage not in UNFINISHED:
            cancel_mark(folder, recording_id).unlink(missing_ok=True)
            store.set_state(recording_id, RecordingState.WAITING, by=by)
            write_job(folder, Job(recording_id, by, datetime.now(UTC).isoformat()))
    if not worker_alive(folder) or known is None or known.stage not in UNFINISHED:
        launch(folder)


def job_status(store_folder: Path | str, recording_id: int) -> JobStatus:
    """How far the analysis of a recording is; looks at one small file."""
    folder = Path(store_folder).absolute()
    job = read_job(folder, recording_id)
    if job is None:
        return JobStatus(0.0, JobStage.NONE, None, False, STAGE_WORDS[JobStage.NONE])
    unfinished = job.stage in UNFINISHED
    alive = is_attended(folder, job)
    message = job.message
    if unfinished and cancel_mark(folder, recording_id).exists():
        message = "Stopping."
    elif unfinished and not alive:
        message = "The work was interrupted; it can be taken up again."
    return JobStatus(job.share, job.stage, job.seconds_left if alive else None, alive, message)


def cancel(store_folder: Path | str, recording_id: int) -> None:
    """Stop the analysis of a recording, or take it out of the queue; nothing half is left.

    Work under way stops within about a second while it goes through the recording. What is
    over already stays as it is.

    Raises:
        StoreError: if the folder cannot be written.
    """
    folder = Path(store_folder).absolute()
    job = read_job(folder, recording_id)
    if job is None or job.stage not in UNFINISHED:
        return
    try:
        cancel_mark(folder, recording_id).touch()
    except OSError as error:
        raise not_writable(folder, error) from error
    with worker_lock(folder) as mine:
        if mine:  # nobody is at work: what the worker would do is done here
            _settle_cancelled(folder)


def take_up(store_folder: Path | str, *, launch: Launch | None = None) -> tuple[int, ...]:
    """Go on with what a stop of the machine left unfinished; ids of the recordings concerned.

    Call it when the page starts. It clears half files away; while a worker is alive it does
    nothing else.

    Raises:
        StoreError: if the store cannot be used.
    """
    folder = Path(store_folder).absolute()
    clear_half_files(folder)
    if worker_alive(folder):
        return ()
    unfinished = {job.recording_id for job in all_jobs(folder) if job.stage in UNFINISHED}
    with open_store(folder) as store:
        for entry in store.recordings(state=RecordingState.ANALYSING, without_consent=True):
            if entry.id not in unfinished:
                write_job(folder, Job(entry.id, "taken up", datetime.now(UTC).isoformat()))
                unfinished.add(entry.id)
    if unfinished:
        (launch or launch_worker)(folder)
    return tuple(sorted(unfinished))


def review_copy(store: Store, recording_id: int) -> Path:
    """Where the review copy lies that today's consent allows; it need not exist yet.

    Raises:
        StoreError: if there is no such recording.
        ConsentError: if its person has no current consent to review.
    """
    entry = store.recording(recording_id)
    store.check_consent(entry.person)
    name = partial(review_copy_name, entry.sha256, sound=_may_be_heard(store, entry.person))
    # Of a video that stays where it is, in the clear, the copy may have been encrypted since.
    sealed = is_sealed(Path(entry.file)) or (store.copies / name(sealed=True)).is_file()
    return store.copies / name(sealed=sealed)


def _may_be_heard(store: Store, person: str) -> bool:
    """Whether the consent that holds today includes the sound."""
    consent = store.current_consent(person)
    return consent is not None and consent.sound


def launch_worker(store_folder: Path) -> None:
    """Start a worker in a process of its own that outlives this one.

    It writes what goes wrong to ``jobs/worker.log``.

    Raises:
        StoreError: if the process cannot be started.
    """
    jobs = store_folder / "jobs"
    try:
        jobs.mkdir(parents=True, exist_ok=True, mode=0o700)
        with (jobs / "worker.log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "review.jobs", str(store_folder), KEYS_FOLLOW],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=log,
                cwd=Path(__file__).resolve().parent.parent,
                start_new_session=True,
            )
        # Through a pipe: arguments and environment can be looked up by others.
        with suppress(BrokenPipeError), cast(IO[bytes], process.stdin) as keys:
            keys.write(KEYS.as_lines().encode())
    except OSError as error:
        raise StoreError(
            f"{store_folder}: the analysis could not be started ({error.strerror or error}). "
            "Close other programs and try again."
        ) from error
    # Somebody has to take note of its end, or it would stay in the list of processes.
    threading.Thread(target=process.wait, daemon=True).start()


# --- the worker ------------------------------------------------------------------------------


def work(store_folder: Path | str, *, analyse: Analyse = analyse_guarded) -> None:
    """Work through the queue and return when nothing is left, or another worker is at it.

    Raises:
        StoreError: if the store cannot be used.
    """
    folder = Path(store_folder).absolute()
    while True:
        with worker_lock(folder, patience_s=LOCK_PATIENCE_S) as mine:
            if not mine:
                return
            _clear_up(folder)
            while (job := _next(folder)) is not None:
                _run(folder, job, analyse)
        # Something may have been asked for after the last look and before the lock was free.
        if not any(job.stage is JobStage.WAITING for job in all_jobs(folder)):
            return


def _clear_up(folder: Path) -> None:
    """Put right what a worker left that was stopped in the middle."""
    for job in all_jobs(folder):
        if job.stage not in UNDER_WAY:
            continue
        tries = job.tries + 1
        if tries < MOST_TRIES:
            waiting = Job(job.recording_id, job.by, job.asked_at, tries=tries)
            write_job(folder, waiting)
            continue
        with open_store(folder) as store:
            _fail(
                folder,
                store,
                job,
                f"The analysis stopped the program {tries} times; it is not tried again by "
                "itself. Check that the recording plays, close other programs, then start it "
                "again.",
            )
    clear_half_files(folder)


def _next(folder: Path) -> Job | None:
    """The longest waiting of what was asked for."""
    _settle_cancelled(folder)
    waiting = [job for job in all_jobs(folder) if job.stage is JobStage.WAITING]
    return min(waiting, key=lambda job: (job.asked_at, job.recording_id), default=None)


def _settle_cancelled(folder: Path) -> None:
    """Take out of the queue what was cancelled while waiting (or when nobody was at work)."""
    for mark in (folder / "jobs").glob("*.cancel"):
        job = read_job(folder, int(mark.stem)) if mark.stem.isdigit() else None
        if job is not None and job.stage in UNFINISHED:
            with open_store(folder) as store:
                _cancelled(folder, store, job)
        mark.unlink(missing_ok=True)


def _run(folder: Path, job: Job, analyse: Analyse) -> None:
    """Analyse one recording; whatever happens, its file and its state say how it ended."""
    with open_store(folder) as store:
        try:
            text = _analyse_and_copy(store, job, analyse)
        except _Stopped:
            _cancelled(folder, store, job)
            cancel_mark(folder, job.recording_id).unlink(missing_ok=True)
        except ReviewError as error:
            _fail(folder, store, job, str(error))
        except Exception as error:
            _log.exception("recording %s", job.recording_id)
            _fail(
                folder,
                store,
                job,
                f"Something unexpected went wrong ({type(error).__name__}: {error}). The details "
                f"are in {folder / 'jobs' / 'worker.log'}.",
            )
        else:
            if _was_erased(folder, store, job):
                return
            store.set_state(job.recording_id, RecordingState.READY, text, by=job.by)
            write_job(
                folder,
                replace(
                    job,
                    stage=JobStage.FINISHED,
                    share=1.0,
                    message=text or STAGE_WORDS[JobStage.FINISHED],
                ),
            )


def _analyse_and_copy(store: Store, job: Job, analyse: Analyse) -> str:
    """Do the work; gives a sentence on what could not be done although the analysis is there."""
    entry = store.recording(job.recording_id)
    store.check_consent(entry.person)
    reports = _Reports(store.folder, job, partial(store.check_consent, entry.person))
    reports.stage(JobStage.TRACKING)
    store.set_state(entry.id, RecordingState.ANALYSING, by=job.by)
    analysis = _analysed(store, entry, reports, analyse)
    if analysis.recording.sha256 != entry.sha256:
        raise StoreError(
            f"{entry.file}: the file was changed since it was added. Put the original back, or "
            "add the new file as a recording of its own."
        )
    known = store.analysis(entry.id)
    if (
        known is None
        or known.basis != "machine"
        or known.analysis.without_timing() != analysis.without_timing()
    ):
        store.add_analysis(entry.id, analysis, basis="machine", by=job.by)
    reports.stage(JobStage.COPYING)
    try:
        _make_copy(store, entry, reports)
    except ConsentError:
        raise
    except ReviewError as error:
        return f"The analysis is done, but there is no copy for the browser: {error}"
    return ""


def _analysed(store: Store, entry: RecordingEntry, reports: _Reports, analyse: Analyse) -> Analysis:
    """The analysis that today's consent allows: with the sound, or without a look at it."""

    def check_allowed() -> None:
        store.check_consent(entry.person)
        if not _may_be_heard(store, entry.person):
            raise _SoundWithdrawnError("The consent does not include the sound any more.")

    order = (
        Path(entry.file), store.as_learnt(load_protocol(entry.protocol)),
        Sampling(mirrored=entry.mirrored),
        store.landmarks, reports,
    )  # fmt: skip
    if _may_be_heard(store, entry.person):
        try:
            with reports.checking(check_allowed):
                analysis = analyse(*order, True)
                check_allowed()
                return analysis
        except _SoundWithdrawnError:
            _log.info("recording %s: the sound was withdrawn, going on without it", entry.id)
    return analyse(*order, False)


def _make_copy(store: Store, entry: RecordingEntry, progress: Progress) -> None:
    target = review_copy(store, entry.id)
    if not target.is_file():
        sealed = is_sealed(target)
        with_sound = target.name == review_copy_name(entry.sha256, sound=True, sealed=sealed)
        make_review_copy(Path(entry.file), target, sound=with_sound, progress=progress)


class _Reports:
    """Writes now and then how far a job is; stops it when it was cancelled or may not go on."""

    def __init__(self, folder: Path, job: Job, check_allowed: Callable[[], None]) -> None:
        self._folder, self._job, self._check_allowed = folder, job, check_allowed
        self._started = self._written = time.monotonic()

    def stage(self, stage: JobStage) -> None:
        """Begin a stage."""
        self._job = replace(self._job, stage=stage, message=STAGE_WORDS[stage])
        self._report(0.0)

    @contextmanager
    def checking(self, check_allowed: Callable[[], None]) -> Iterator[None]:
        """Ask this meanwhile whether the work may go on."""
        usual, self._check_allowed = self._check_allowed, check_allowed
        try:
            yield
        finally:
            self._check_allowed = usual

    def __call__(self, share: float) -> None:
        """Told the share of the stage that is done, 0..1. At the end it looks in any case.

        Raises:
            _Stopped: if the job was cancelled.
            ConsentError: if the consent was withdrawn meanwhile.
        """
        if share >= 1.0 or time.monotonic() - self._written >= BETWEEN_REPORTS_S:
            self._report(share)

    def _report(self, share: float) -> None:
        if cancel_mark(self._folder, self._job.recording_id).exists():
            raise _Stopped
        self._check_allowed()
        low, high = _SHARES[self._job.stage]
        done = low + (high - low) * min(max(share, 0.0), 1.0)
        self._written = time.monotonic()
        took = self._written - self._started
        # Too early a guess jumps about and helps nobody.
        left = took * (1.0 - done) / done if done > 0.02 and took > 2.0 else None
        self._job = replace(self._job, share=done, seconds_left=left)
        write_job(self._folder, self._job)


def _was_erased(folder: Path, store: Store, job: Job) -> bool:
    """Whether the recording was erased meanwhile; then nothing is left of its job either."""
    if store.is_recorded(job.recording_id):
        return False
    for place in (job_place, cancel_mark):
        place(folder, job.recording_id).unlink(missing_ok=True)
    return True


def _fail(folder: Path, store: Store, job: Job, message: str) -> None:
    if _was_erased(folder, store, job):
        return
    store.set_state(job.recording_id, RecordingState.FAILED, message, by=job.by)
    write_job(folder, replace(job, stage=JobStage.FAILED, message=message))


def _cancelled(folder: Path, store: Store, job: Job) -> None:
    if _was_erased(folder, store, job):
        return
    store.set_state(job.recording_id, RecordingState.CANCELLED, by=job.by)
    message = STAGE_WORDS[JobStage.CANCELLED]
    write_job(folder, replace(job, stage=JobStage.CANCELLED, message=message, seconds_left=None))


def main(arguments: list[str]) -> int:
    """``python -m review.jobs FOLDER``: be the worker for the store in a folder."""
    logging.basicConfig(format="%(asctime)s %(name)s: %(message)s")
    if KEYS_FOLLOW in arguments[1:]:
        KEYS.take_lines(sys.stdin.read())
    # A polite request to end lets half files be removed; the work is taken up later.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    with suppress(OSError):
        os.nice(5)  # the page goes first
    try:
        work(Path(arguments[0]))
    except ReviewError as error:
        _log.error("%s", error)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
