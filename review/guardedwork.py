"""The work that decodes recordings, each in a guarded child: analysis, review copy, camera check.

What the functions here do in this process is send the order and put the answer together again;
the ``..._task`` beside each is what its child does. See :mod:`review.guarded`.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from review.analysis import Analysis
from review.cameracheck import CameraCheck, CameraFinding
from review.cameralook import Looked, look_at
from review.errors import VideoError
from review.guarded import Limits, UnexpectedError, guarded_probe, run_guarded
from review.landmarks import Sampling
from review.measures import Result
from review.pipeline import review_recording
from review.prepared import keep_prepared
from review.protocol import Protocol
from review.reviewcopy import make_review_copy
from review.words import Words, words_for

Progress = Callable[[float], None]

MEMORY_MIB: Final = 8192
"""Address space for tracking: trackers and libraries reserve about 2 GiB (measured), 4K pictures
another 1 GiB, and little of it is ever touched."""

START_S, CPU_PER_S, WALL_PER_S, LONGEST_S = 900.0, 8.0, 30.0, 3 * 3600.0
"""Seconds granted to begin with, processor and clock seconds granted for each second of video,
and the longest video that they are granted for. An ordinary machine takes about one a second; a
file that lies about its length gets no more than the longest."""


def work_limits(duration_s: float) -> Limits:
    """What looking through a recording of that length may take."""
    believed_s = min(duration_s, LONGEST_S) if math.isfinite(duration_s) else LONGEST_S
    return Limits(
        memory_mib=MEMORY_MIB,
        cpu_s=START_S + CPU_PER_S * max(believed_s, 0.0),
        wall_s=START_S + WALL_PER_S * max(believed_s, 0.0),
        file_mib=16_384,
    )


# --- analysis --------------------------------------------------------------------------------


def analyse_guarded(
    path: Path,
    protocol: Protocol,
    sampling: Sampling,
    cache: Path,
    progress: Progress,
    sound: bool,
) -> Analysis:
    """The real analysis; what its page will need lies beside the landmarks afterwards.

    ``sound``: whether the person's consent allows the sound to be used; without, it is not read.

    See :func:`review.pipeline.review_recording` and :func:`review.guarded.run_guarded`.
    """
    limits = work_limits(guarded_probe(path).duration_s)
    found = run_guarded(
        "review.guardedwork:analyse_task",
        {
            "path": str(Path(path).absolute()),
            "protocol": protocol.model_dump(mode="json", by_alias=True),
            "sampling": asdict(sampling),
            "cache": str(cache.absolute()),
            "sound": sound,
        },
        limits,
        name=str(path),
        progress=progress,
        log=True,
    )
    return Analysis.model_validate_json(found)


def analyse_task(
    path: str,
    protocol: dict[str, Any],
    sampling: dict[str, Any],
    cache: str,
    sound: bool,
    progress: Progress,
) -> str:
    """What the child of :func:`analyse_guarded` does."""
    unit_protocol = Protocol.model_validate(protocol)
    reviewed = review_recording(
        Path(path),
        unit_protocol,
        sampling=Sampling(**sampling),
        cache_dir=Path(cache),
        progress=progress,
        sound=sound,
    )
    keep_prepared(Path(cache), reviewed, unit_protocol)
    return reviewed.analysis.to_json()


# --- review copy -----------------------------------------------------------------------------


def copy_guarded(source: Path | str, target: Path, *, sound: bool, progress: Progress) -> Path:
    """As :func:`review.reviewcopy.make_review_copy`."""
    run_guarded(
        "review.guardedwork:copy_task",
        {"source": str(source), "target": str(target), "sound": sound},
        work_limits(guarded_probe(source).duration_s),
        name=str(source),
        progress=progress,
        log=True,
    )
    return target


def copy_task(source: str, target: str, sound: bool, progress: Progress) -> None:
    """What the child of :func:`copy_guarded` does."""
    make_review_copy(source, target, sound=sound, progress=progress)


# --- camera check ----------------------------------------------------------------------------

CHECKING: Final = Limits(memory_mib=MEMORY_MIB, cpu_s=600.0, wall_s=900.0)
"""A camera check looks at some seconds of a clip and writes nothing."""


def look_at_guarded(clip: Path, words: Words, progress: Progress) -> Looked:
    """As :func:`review.cameralook.look_at`, for a clip that somebody dropped.

    Raises:
        VideoError: if it cannot be read.
    """
    try:
        found = run_guarded(
            "review.guardedwork:look_at_task",
            {"clip": str(clip), "language": words.language},
            CHECKING,
            name=str(clip),
            progress=progress,
        )
    except UnexpectedError as error:
        raise VideoError(
            f"{clip}: it could not be looked at ({error}). Play it in a video player, and if it "
            "plays there, export it again as MP4 (H.264)."
        ) from error
    findings = tuple(
        CameraFinding(**(finding | {"result": Result(finding["result"])}))
        for finding in found["check"].pop("findings")
    )
    data = np.frombuffer(base64.b64decode(found["picture"]), dtype=np.uint8)
    picture = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1], dtype=np.uint8)
    return Looked(CameraCheck(findings=findings, **found["check"]), picture)


def look_at_task(clip: str, language: str, progress: Progress) -> dict[str, Any]:
    """What the child of :func:`look_at_guarded` does."""
    looked = look_at(Path(clip), words_for(language), progress=progress)
    picture = cv2.imencode(".png", np.ascontiguousarray(looked.picture[..., ::-1]))[1]
    return {
        "check": asdict(looked.check),
        "picture": base64.b64encode(picture.tobytes()).decode(),
    }
