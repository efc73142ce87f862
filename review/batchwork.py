"""One recording of a batch: read by a guarded child, so that a bad file harms nothing else.

What goes in is text and numbers, what comes out is the analysis document as text, so that it may
happen on another computer. Each child works on one core: a batch keeps all busy by doing several
recordings at a time.
"""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from review.crew import CORES_VARIABLE
from review.errors import ReviewError
from review.guarded import guarded_probe, run_guarded
from review.guardedwork import work_limits
from review.landmarks import Sampling
from review.pipeline import analyse_recording
from review.protocol import Protocol

Progress = Callable[[float], None]

KIB: Final = 1024


@dataclass(frozen=True, slots=True)
class Order:
    """A recording and how to look at it.

    Attributes:
        path: of the recording, the same on every computer that works on the batch.
        protocol: the unit's procedure, as JSON carries it.
        fps: most frames a second to look at.
        mirrored: whether it shows a mirror picture.
        sound: whether the person agreed to the sound being used.
        cache: folder for landmarks; '' for the usual one.
        use_cache: False keeps nothing.
    """

    path: str
    protocol: Mapping[str, Any]
    fps: float
    mirrored: bool
    sound: bool
    cache: str
    use_cache: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a recording.

    Attributes:
        document: the analysis as text; '' where there is none.
        reason: why there is none; '' if there is one.
        took_s: seconds on the clock.
        memory_mib: the most that a child of this process had in memory, MiB.
    """

    document: str
    reason: str
    took_s: float
    memory_mib: float


def analyse_order(order: Order, progress: Progress) -> Outcome:
    """Analyse one recording in a guarded child.

    Args:
        order: what to do.
        progress: told the share done, 0..1; what it raises ends the child and is raised on.

    Returns:
        The document, or why the recording cannot be analysed: that is the file's own answer, and
        trying again would not change it.

    Raises:
        UnexpectedError: if something of this program went wrong.
    """
    started = time.monotonic()
    document = reason = ""
    try:
        limits = work_limits(guarded_probe(order.path).duration_s)
        document = run_guarded(
            "review.batchwork:analyse_task",
            {
                "path": order.path,
                "protocol": dict(order.protocol),
                "sampling": {"fps": order.fps, "mirrored": order.mirrored},
                "sound": order.sound,
                "cache": order.cache,
                "use_cache": order.use_cache,
            },
            limits,
            name=order.path,
            progress=progress,
        )
    except ReviewError as error:
        reason = str(error)
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / KIB
    return Outcome(document, reason, time.monotonic() - started, most)


def analyse_task(
    path: str,
    protocol: dict[str, Any],
    sampling: dict[str, Any],
    sound: bool,
    cache: str,
    use_cache: bool,
    progress: Progress,
) -> str:
    """What the child of :func:`analyse_order` does; gives the document."""
    os.environ[CORES_VARIABLE] = "1"
    return analyse_recording(
        Path(path),
        Protocol.model_validate(protocol),
        sampling=Sampling(**sampling),
        cache_dir=Path(cache) if cache else None,
        use_cache=use_cache,
        progress=progress,
        sound=sound,
    ).to_json()
