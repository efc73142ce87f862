"""Orders of a batch done by workers of Dask's: processes here, or a cluster that is there already.

Workers of this computer answer on its own address only, over TLS with a certificate made for the
run, so that nobody else who works at it can send them anything; there is no dashboard. A worker
that is lost has its recordings taken up by the others. Whoever runs a batch writes the results;
workers only read recordings.
"""

from __future__ import annotations

import os
import signal
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from typing import Any, Final
from urllib.parse import urlsplit

from review.analysis import tool_version
from review.batchwork import Order, Outcome, analyse_order
from review.errors import ReviewError

WORKER_MEMORY: Final = "1GiB"
"""What a worker process itself may take; the reading is done by guarded children with limits."""

LOST_WORKERS: Final = 3
"""A recording whose worker was lost more often than this is at fault itself."""

WAIT_S: Final = 30
"""How long to wait for a scheduler and its first worker, seconds."""

AHEAD: Final = 4
"""Orders that wait in the scheduler beside those under way; more are sent as these get done."""

HERE: Final = frozenset({"127.0.0.1", "localhost", "::1"})

QUIET: Final = {
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.scheduler.allowed-failures": LOST_WORKERS,
    # A worker holds the orders that it works on and no others, so that none is blamed for its loss.
    "distributed.scheduler.worker-saturation": 1.0,
    "distributed.worker.memory.spill": False,  # nothing of a recording goes to a disk
    "distributed.worker.memory.target": False,
    "distributed.admin.tick.limit": "60s",
}
"""No pages, nothing on the disk, and no complaints about a busy computer."""


Work = Callable[[Order], Outcome]


class ClusterError(ReviewError):
    """Workers that cannot be had."""


class _Stopped(BaseException):
    """Nobody waits for this recording any more."""


def run_orders(
    orders: Sequence[Order],
    *,
    workers: int = 1,
    scheduler: str = "",
    tries: int = 3,
    work: Work | None = None,
) -> Iterator[tuple[int, Outcome]]:
    """What comes of each order, as it comes, with the order's number.

    Args:
        orders: what to do.
        workers: processes on this computer.
        scheduler: address of a cluster's scheduler, to use its workers instead.
        tries: how often a recording is tried where something of this program goes wrong.
        work: what a worker does with an order; importable by name. Default: :func:`do_order`.

    Raises:
        ClusterError: if the workers cannot be had.
    """
    if not orders:
        return
    with ExitStack() as stack:
        client = stack.enter_context(
            _connected(scheduler) if scheduler else _started(min(workers, len(orders)))
        )
        yield from _given_out(client, orders, tries, work or do_order)


def _given_out(
    client: Any, orders: Sequence[Order], tries: int, work: Work
) -> Iterator[tuple[int, Outcome]]:
    _, distributed = _libraries()
    waiting = iter(range(len(orders)))
    numbers: dict[str, int] = {}

    def give() -> Any:
        number = next(waiting, None)
        if number is None:
            return None
        future = client.submit(
            work, orders[number], key=f"recording-{number}", retries=tries - 1, pure=False
        )
        numbers[future.key] = number
        return future

    first = [give() for _ in range(min(len(orders), 2 * _threads(client) + AHEAD))]
    # Results are fetched as they come: what lies in a worker goes with it.
    under_way = distributed.as_completed(first, with_results=True, raise_errors=False)
    try:
        for future, result in under_way:
            number = numbers.pop(future.key)
            outcome = _outcome(future.status, result)
            future.release()
            # A cluster may have grown meanwhile.
            while len(numbers) < 2 * _threads(client) + AHEAD and (more := give()) is not None:
                under_way.add(more)
            yield number, outcome
    finally:
        with suppress(Exception):
            client.cancel([*under_way.futures])


def _threads(client: Any) -> int:
    cores: dict[str, int] = client.ncores()
    return max(1, sum(cores.values()))


def _outcome(status: str, result: Any) -> Outcome:
    """What came of a recording, whatever happened to it."""
    _, distributed = _libraries()
    if isinstance(result, Outcome):
        return result
    error = result[1] if isinstance(result, tuple) else result  # type, error, trace
    if isinstance(error, distributed.KilledWorker):
        reason = (
            f"it took {LOST_WORKERS + 1} workers with it and is not tried again. Check that it "
            "plays, and that the workers have the memory."
        )
    else:
        kind = type(error).__name__ if isinstance(error, BaseException) else status
        reason = f"something unexpected went wrong, every time it was tried ({kind}: {error})."
    return Outcome("", reason, 0.0, 0.0)


# --- workers ---------------------------------------------------------------------------------


@contextmanager
def _started(workers: int) -> Iterator[Any]:
    """Worker processes of this computer, which end with the block."""
    dask, distributed = _libraries()
    with ExitStack() as stack:
        stack.enter_context(dask.config.set(QUIET))
        stack.enter_context(_environment_kept())
        scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="exchange-review-"))
        with _left_alone():
            cluster = stack.enter_context(
                distributed.LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    processes=True,
                    host="127.0.0.1",
                    dashboard_address=None,
                    scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
                    memory_limit=WORKER_MEMORY,
                    local_directory=scratch,
                    security=distributed.Security.temporary(),
                    silence_logs="CRITICAL",
                    preload=[__name__],  # for workers that take a lost one's place
                )
            )
        yield stack.enter_context(distributed.Client(cluster))


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    """The workers of a cluster that somebody started."""
    parts = urlsplit(address)
    if parts.scheme not in ("tls", "tcp") or not parts.hostname or not parts.port:
        raise ClusterError(
            f"{address}: this is no scheduler's address; it looks like tls://COMPUTER:8786."
        )
    if parts.scheme == "tcp" and parts.hostname not in HERE:
        raise ClusterError(
            f"{address}: without TLS anybody on the way could read what is sent and have the "
            "workers run anything. Start the cluster with TLS and name it as tls://."
        )
    dask, distributed = _libraries()
    with dask.config.set(QUIET), ExitStack() as stack:
        try:
            client = stack.enter_context(distributed.Client(address, timeout=WAIT_S))
            client.wait_for_workers(1, timeout=WAIT_S)
            releases = set(client.run(tool_version).values())
        except ModuleNotFoundError as error:
            raise ClusterError(
                f"{address}: its workers lack {error.name}; install this program there."
            ) from error
        except (OSError, TimeoutError, ValueError, TypeError) as error:
            raise ClusterError(
                f"{address}: no scheduler with workers answers there ({error}). Check the address, "
                "the certificates (DASK_DISTRIBUTED__COMM__TLS__...), and that workers run."
            ) from error
        if releases != {tool_version()}:
            raise ClusterError(
                f"{address}: its workers run {', '.join(sorted(releases))} of this program, this "
                f"computer {tool_version()}. Install the same everywhere."
            )
        yield client


def _libraries() -> tuple[Any, Any]:
    try:
        import dask
        import distributed
    except ModuleNotFoundError as error:
        raise ClusterError(
            f"What shares out a batch is not installed here ({error.name}). Install it: "
            "pip install 'exchange-review[batch]'."
        ) from error
    return dask, distributed


@contextmanager
def _environment_kept() -> Iterator[None]:
    """Dask sets variables for its workers in this process; afterwards they are as they were."""
    before = dict(os.environ)
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)


@contextmanager
def _left_alone() -> Iterator[None]:
    """Processes started in the block do not hear Ctrl-C, which is for this one alone."""
    try:
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    except ValueError:  # not the main thread, which alone hears it
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


# --- in a worker -----------------------------------------------------------------------------


def dask_setup(_: object) -> None:
    """Called by Dask in each new worker: Ctrl-C is for the process that runs the batch."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def do_order(order: Order) -> Outcome:
    """What a worker does with an order."""
    _, distributed = _libraries()
    worker: Any = distributed.get_worker()
    key = worker.get_current_task()

    def progress(_: float) -> None:
        task = worker.state.tasks.get(key)
        if task is None or task.state in ("cancelled", "resumed"):
            raise _Stopped

    try:
        return analyse_order(order, progress)
    except _Stopped:
        return Outcome("", "it was stopped.", 0.0, 0.0)
