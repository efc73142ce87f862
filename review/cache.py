"""Landmarks kept on disk, so that a recording is tracked once.

A cache file is named after the recording's SHA-256, the sampling and the models, so a changed
file, setting or model never meets old landmarks. It holds landmarks and no picture, yet a
face's outline is personal data: the folder is readable by its owner only.

Numbers are stored as whole steps (below), differenced in time and compressed. What is returned
is always what was stored, on the first run too, so that results do not depend on the cache.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import sys
import tempfile
import time
import zipfile
import zlib
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.landmarks import Progress, Sampling, model_version
from review.tracking import track_recording
from review.tracks import LandmarkTrack, TimeBase
from review.video import VideoInfo, file_sha256

CACHE_VARIABLE = "EXCHANGE_REVIEW_CACHE"
"""Environment variable naming the cache folder."""

PARTS = ".parts"
"""Suffix of the folder beside a cache file in which an unfinished run keeps what it has."""

FORMAT = 3
"""Raise this when the way of storing changes."""

STEPS_PER_WIDTH = 16384.0
"""Image landmarks: 1/16384 of the picture width (0.06 px at 960), within +-2 widths."""

STEPS_PER_METRE = 20000.0
"""World landmarks: 0.05 mm, within +-1.6 m."""

STEPS_PER_LOG = 8192.0
"""Colours of the lower face: 1/8192 of a natural logarithm, within +-4."""

UNKNOWN_COLOUR = -32768
"""Stands for NaN among the stored colours."""

STEPS_PER_SCORE = 255.0
STEPS_PER_LUMA = 65535.0

MOTION_STEPS = 127.0
"""Picture change is stored as ``round(127 sqrt(change))``: fine for small values (0.004 becomes
0.0040 +- 0.0005), coarse for large ones (0.25 +- 0.004)."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Timing:
    """What making the landmarks took.

    Attributes:
        analysed_s: wall-clock seconds spent reading and tracking when they were made.
        frames_decoded: pictures decoded then.
        frames_tracked: pictures looked at then.
        from_cache: whether this call found them on disk.
    """

    analysed_s: float
    frames_decoded: int
    frames_tracked: int
    from_cache: bool = False


def default_cache_dir() -> Path:
    """The folder named by ``EXCHANGE_REVIEW_CACHE``, else the user's cache folder."""
    named = os.environ.get(CACHE_VARIABLE)
    if named:
        return Path(named).expanduser()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "exchange-review"


def load_or_track(
    path: Path | str,
    sampling: Sampling | None = None,
    cache_dir: Path | str | None = None,
    progress: Progress | None = None,
    *,
    use_cache: bool = True,
    sha256: str = "",
) -> tuple[LandmarkTrack, VideoInfo, Timing]:
    """The recording's landmarks, from the cache if it has them, else tracked and stored.

    A damaged cache file is reported in the log and made anew; a cache that cannot be
    written is reported and done without. What an interrupted run had finished stays in a folder
    beside the cache file, and the next one goes on from there.

    Args:
        path: the recording.
        sampling: how to look at it (default ``Sampling()``).
        cache_dir: the cache folder; default ``default_cache_dir()``.
        progress: told the share done, 0..1.
        use_cache: False reads nothing from the cache and leaves nothing in it.
        sha256: the file's, where it is known: hashing gigabytes takes seconds.

    Returns:
        The track; the recording's facts, with duration and warnings as found while reading;
        and what it took.

    Raises:
        VideoError: if the recording cannot be read.
    """
    path = Path(path)
    sampling = sampling or Sampling()
    if not use_cache:
        packed, info, timing = _track(path, sampling, progress, None)
        return unpack_track(packed), info, timing
    made_from = _made_from(path, sampling, sha256)
    folder = Path(cache_dir) if cache_dir is not None else default_cache_dir()
    place = folder / _file_name(made_from)
    stored = _load(place, made_from, path)
    if stored is not None:
        if progress is not None:
            progress(1.0)
        return stored
    parts = place.with_suffix(PARTS)
    packed, info, timing = _track(path, sampling, progress, parts)
    if _store(place, packed, made_from, info, timing):
        shutil.rmtree(parts, ignore_errors=True)
    return unpack_track(packed), info, timing


def _track(
    path: Path, sampling: Sampling, progress: Progress | None, parts: Path | None
) -> tuple[dict[str, NDArray[Any]], VideoInfo, Timing]:
    """Track, and pack what was found."""
    started = time.perf_counter()
    found = track_recording(path, sampling, progress, keep=parts)
    took = time.perf_counter() - started
    timing = Timing(took, found.frames_decoded, found.frames_tracked)
    return pack_track(found.track), found.info, timing


def _made_from(path: Path, sampling: Sampling, sha256: str = "") -> dict[str, Any]:
    """All that the landmarks depend on."""
    return {
        "format": FORMAT,
        "sha256": sha256 or file_sha256(path),
        "sampling": asdict(sampling),
        "model": model_version(sampling.complexity),
    }


def _file_name(made_from: dict[str, Any]) -> str:
    key = hashlib.sha256(json.dumps(made_from, sort_keys=True).encode()).hexdigest()
    return f"{made_from['sha256'][:16]}-{key[:24]}.npz"


# --- on disk ---------------------------------------------------------------------------------


def _load(
    place: Path, made_from: dict[str, Any], path: Path
) -> tuple[LandmarkTrack, VideoInfo, Timing] | None:
    """What is stored, or None if there is nothing usable."""
    if not place.exists():
        return None
    try:
        with place.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            packed = {name: archive[name] for name in archive.files}
        meta = json.loads(bytes(packed.pop("meta")).decode())
        if meta["made_from"] != made_from:
            raise ValueError("it belongs to another recording")
        facts = meta["info"]
        info = VideoInfo(path=path, **(facts | {"warnings": tuple(facts["warnings"])}))
        return unpack_track(packed), info, Timing(**meta["timing"], from_cache=True)
    except (
        OSError, ValueError, KeyError, TypeError, IndexError, EOFError, MemoryError,
        NotImplementedError, zipfile.BadZipFile, zlib.error,
    ) as error:  # fmt: skip
        _log.warning("The stored landmarks %s are damaged (%s): tracking again.", place, error)
        return None


def _store(
    place: Path,
    packed: dict[str, NDArray[Any]],
    made_from: dict[str, Any],
    info: VideoInfo,
    timing: Timing,
) -> bool:
    """Write beside the final place, then rename: a reader sees all of it or nothing.

    Returns:
        Whether it was written.
    """
    facts = asdict(info)
    del facts["path"]
    took = asdict(timing)
    del took["from_cache"]
    meta = json.dumps({"made_from": made_from, "info": facts, "timing": took}).encode()
    try:
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, name = tempfile.mkstemp(dir=place.parent, prefix=".", suffix=".partial")
    except OSError as error:
        _log.warning("Landmarks cannot be kept in %s (%s).", place.parent, error)
        return False
    try:
        with os.fdopen(handle, "wb") as stream:
            np.savez_compressed(stream, meta=np.frombuffer(meta, dtype=np.uint8), **packed)
        os.replace(name, place)
    except OSError as error:
        _log.warning("Landmarks cannot be kept in %s (%s).", place.parent, error)
        return False
    finally:
        # Gone after the rename; still there after any failure, Ctrl-C included.
        with suppress(OSError):
            os.unlink(name)
    return True


# --- packing ---------------------------------------------------------------------------------


def pack_track(track: LandmarkTrack) -> dict[str, NDArray[Any]]:
    """A track as small arrays; ``unpack_track`` gives it back to within the steps above."""
    hand_rows, face_rows = track.hand_seen, track.face_seen
    motion = np.sqrt(np.clip(np.nan_to_num(track.motion, nan=0.0), 0.0, 1.0))
    return {
        "times_s": track.time.times_s,
        "end_s": np.array(track.time.end_s),
        "hand_seen": np.packbits(hand_rows),
        "hands": _to_steps(track.hands, hand_rows, STEPS_PER_WIDTH),
        "hands_world": _to_steps(track.hands_world, hand_rows, STEPS_PER_METRE),
        "hand_score": np.rint(track.hand_score * STEPS_PER_SCORE).astype(np.uint8),
        "face_seen": np.packbits(face_rows),
        "face": _to_steps(track.face[:, None], face_rows[:, None], STEPS_PER_WIDTH),
        "face_points": np.array(track.face.shape[1]),
        "motion": np.rint(motion * MOTION_STEPS).astype(np.uint8),
        "motion_seen": np.packbits(np.isfinite(track.motion[:, 0, 0])),
        "luma": np.rint(track.luma * STEPS_PER_LUMA).astype(np.uint16),
        "lower_face": _colours_to_steps(track.lower_face),
        "held": np.packbits(track.held),
        "frame_size_px": np.array(track.frame_size_px),
        "mirrored": np.array(track.mirrored),
    }


def unpack_track(packed: dict[str, NDArray[Any]]) -> LandmarkTrack:
    """The track that ``pack_track`` packed.

    Tracks packed without colours of the lower face have them all NaN.

    Raises:
        KeyError, ValueError, IndexError: if the arrays are not such a track.
    """
    time_base = TimeBase(packed["times_s"], float(packed["end_s"]))
    n, k = len(time_base), int(packed["face_points"])
    hand_rows = np.unpackbits(packed["hand_seen"], count=2 * n).astype(bool).reshape(n, 2)
    face_rows = np.unpackbits(packed["face_seen"], count=n).astype(bool)
    motion = (packed["motion"].astype(np.float32) / np.float32(MOTION_STEPS)) ** 2
    motion[~np.unpackbits(packed["motion_seen"], count=n).astype(bool)] = np.nan
    width, height = (int(side) for side in packed["frame_size_px"])
    return LandmarkTrack(
        time=time_base,
        hands=_from_steps(packed["hands"], hand_rows, 21, STEPS_PER_WIDTH),
        hands_world=_from_steps(packed["hands_world"], hand_rows, 21, STEPS_PER_METRE),
        hand_score=packed["hand_score"].astype(np.float32) / np.float32(STEPS_PER_SCORE),
        face=_from_steps(packed["face"], face_rows[:, None], k, STEPS_PER_WIDTH)[:, 0],
        face_score=face_rows.astype(np.float32),
        motion=motion,
        luma=packed["luma"].astype(np.float32) / np.float32(STEPS_PER_LUMA),
        frame_size_px=(width, height),
        mirrored=bool(packed["mirrored"]),
        lower_face=_colours_from_steps(packed.get("lower_face"), n),
        held=np.unpackbits(packed["held"], count=n).astype(bool),
    )


def _colours_to_steps(colours: NDArray[np.float32]) -> NDArray[np.int16]:
    """Shape (n, 2): whole steps, NaN as ``UNKNOWN_COLOUR``."""
    steps = np.rint(np.clip(colours.astype(np.float64) * STEPS_PER_LOG, -32767.0, 32767.0))
    return np.where(np.isfinite(colours), steps, UNKNOWN_COLOUR).astype(np.int16)


def _colours_from_steps(stored: NDArray[Any] | None, n: int) -> NDArray[np.float32]:
    """The inverse of ``_colours_to_steps``; all NaN where nothing was stored."""
    if stored is None:
        return np.full((n, 2), np.nan, dtype=np.float32)
    colours = stored.astype(np.float32) / np.float32(STEPS_PER_LOG)
    colours[stored == UNKNOWN_COLOUR] = np.nan
    return colours


def _to_steps(
    values: NDArray[np.float32], rows: NDArray[np.bool_], steps: float
) -> NDArray[np.uint8]:
    """Seen rows of (n, m, k, 3) as byte planes of their differences in time.

    Per m, one after another; differences wrap round in 16 bits, which loses nothing. The
    low and the high bytes are kept apart: the high ones are nearly all zero and cost nothing.
    """
    planes = []
    for column in range(rows.shape[1]):
        seen = values[rows[:, column], column].reshape(-1, values.shape[2] * 3)
        limit = 32767.0
        whole = np.rint(np.clip(seen.astype(np.float64) * steps, -limit, limit)).astype(np.int16)
        change = np.diff(whole, axis=0, prepend=np.zeros_like(whole[:1])).astype(np.int16)
        # Small changes of either sign become small unsigned numbers: 0, -1, 1, -2, ...
        folded = ((change << 1) ^ (change >> 15)).astype(np.uint16)
        planes += [(folded & 255).astype(np.uint8).T, (folded >> 8).astype(np.uint8).T]
    return np.concatenate([plane.ravel() for plane in planes])


def _from_steps(
    stored: NDArray[np.uint8], rows: NDArray[np.bool_], points: int, steps: float
) -> NDArray[np.float32]:
    """The inverse of ``_to_steps``: shape (n, m, points, 3), NaN where not seen."""
    n, columns = rows.shape
    values = np.full((n, columns, points, 3), np.nan, dtype=np.float32)
    start = 0
    for column in range(columns):
        count = int(rows[:, column].sum())
        size = count * points * 3
        low, high = stored[start : start + size], stored[start + size : start + 2 * size]
        start += 2 * size
        folded = low.astype(np.uint16) | (high.astype(np.uint16) << 8)
        folded = folded.reshape(points * 3, count).T
        change = (folded >> 1).astype(np.int16) ^ -(folded & 1).astype(np.int16)
        whole = np.cumsum(change, axis=0, dtype=np.int16)
        values[rows[:, column], column] = (whole / steps).reshape(count, points, 3)
    if start != stored.size:
        raise ValueError("the stored landmarks have the wrong length")
    return values
