"""How long an analysis takes, against the plain way and against decoding alone, in one run.

Every figure comes from a process of its own, so that its memory can be told, one after another on
an otherwise idle computer. The plain way looks at every picture of the recording in one run; on
long recordings at a stated slice of it, from which the whole is reckoned.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from review.errors import ReviewError
from review.metrics import Labelled, segmental_counts
from review.timeline import Interval

MEMORY_EVERY_S = 0.3
"""How often memory is looked at."""

PLAIN_FPS = 30.0
"""Every picture of an ordinary phone recording."""


@dataclass(frozen=True, slots=True)
class Took:
    """One way of going through one recording.

    Attributes:
        seconds: wall-clock time.
        memory_mb: most memory held by this process and its helpers together, what they share
            counted once.
        decoded: pictures decoded.
        tracked: pictures in which hands were looked for.
        close_s: seconds of the recording looked at closely.
        later_s: what all came to that follows the landmarks.
        later_by_module: seconds of that by module, done once more under a profiler.
        document: the analysis, where there is one.
    """

    seconds: float
    memory_mb: float
    decoded: int
    tracked: int = 0
    close_s: float = 0.0
    later_s: float = 0.0
    later_by_module: dict[str, float] = field(default_factory=dict)
    document: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One recording.

    Attributes:
        name: of the file.
        minutes: its length.
        plain: the plain way on the whole recording or on the slice.
        plain_share: the slice's share of the recording.
        ours, decoding, keys: the shipped way; decoding every picture; key pictures alone.
        differs: how the findings differ from the plain way's, where it saw the whole recording.
    """

    name: str
    minutes: float
    plain: Took | None
    plain_share: float
    ours: Took
    decoding: Took
    keys: Took
    differs: Difference | None = None

    @property
    def plain_s(self) -> float | None:
        """What the plain way takes, or would take, for the whole recording."""
        return None if self.plain is None else self.plain.seconds / self.plain_share

    @property
    def times_faster(self) -> float | None:
        """Plain way over shipped way."""
        return None if self.plain_s is None else self.plain_s / self.ours.seconds

    @property
    def times_decoding(self) -> float:
        """Shipped way over decoding alone."""
        return self.ours.seconds / self.decoding.seconds


@dataclass(frozen=True, slots=True)
class Difference:
    """Two analyses of one recording, the first taken as the truth.

    Attributes:
        f1: segmental F1 at 50 % overlap of the phases.
        worst_s: largest difference of a duration that both measured, seconds, and which.
        worst_measure: its name.
        lost, added: flags of the first that the second lacks; flags it has besides.
        answers: measures with another answer (met, not met, not assessable).
    """

    f1: float
    worst_s: float
    worst_measure: str
    lost: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    answers: tuple[str, ...] = field(default_factory=tuple)


def compare(plain: dict[str, Any], ours: dict[str, Any]) -> Difference:
    """How an analysis document differs from another one of the same recording."""

    def segments(document: dict[str, Any]) -> list[Labelled]:
        return [(p["phase"], Interval(p["start_s"], p["end_s"])) for p in document["phases"]]

    one, other = ({m["name"]: m for m in document["measures"]} for document in (plain, ours))
    apart = {
        name: abs(one[name]["value"] - other[name]["value"])
        for name in one.keys() & other.keys()
        if one[name]["unit"] == "s"
        and one[name]["value"] is not None
        and other[name]["value"] is not None
    }
    worst = max(apart, key=lambda name: apart[name], default="")
    left = [(f["kind"], f["start_s"], f["end_s"]) for f in ours["flags"]]
    lost = []
    for flag in plain["flags"]:
        match = next(
            (f for f in left if f[0] == flag["kind"] and f[1] <= flag["end_s"] + 2.0
             and flag["start_s"] <= f[2] + 2.0),
            None,
        )  # fmt: skip
        if match is None:
            lost.append(f"{flag['kind']} at {flag['start_s']:.0f} s")
        else:
            left.remove(match)
    return Difference(
        f1=segmental_counts(segments(plain), segments(ours), 0.5).f1 or 0.0,
        worst_s=apart.get(worst, 0.0),
        worst_measure=worst,
        lost=tuple(lost),
        added=tuple(f"{kind} at {start:.0f} s" for kind, start, _ in left),
        answers=tuple(
            name
            for name in sorted(one.keys() & other.keys())
            if one[name]["result"] != other[name]["result"]
        ),
    )


# --- one way, in a process of its own ------------------------------------------------------------


def run_way(way: str, video: Path, protocol: str, slice_s: float = 0.0) -> Took:
    """Go through a recording one way, in a fresh process.

    Args:
        way: ``ours``, ``plain``, ``decoding`` or ``keys``.
        video: the recording.
        protocol: name or file of the protocol.
        slice_s: with ``plain``: only so many seconds from the middle; 0: all.

    Raises:
        ReviewError: if it fails.
    """
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "took.json"
        code = (
            "from review.benchmark import _be; import sys; "
            "_be(sys.argv[1], sys.argv[2], sys.argv[3], float(sys.argv[4]), sys.argv[5])"
        )
        command = [sys.executable, "-c", code, way, str(video), protocol, str(slice_s), str(out)]
        ended = subprocess.run(command, capture_output=True, text=True, check=False)
        if ended.returncode or not out.exists():
            last = (ended.stderr.strip().splitlines() or ["no word"])[-1]
            raise ReviewError(f"{video}: the {way} way could not be measured ({last}).")
        return Took(**json.loads(out.read_text(encoding="utf-8")))


def _be(way: str, video: str, protocol: str, slice_s: float, out: str) -> None:
    """Do it, measure it, write it down."""
    memory = _Memory()
    memory.start()
    took = _WAYS[way](Path(video), protocol, slice_s)
    took["memory_mb"] = memory.most_mb()
    Path(out).write_text(json.dumps(took), encoding="utf-8")


class _Memory(threading.Thread):
    """Watches what this process and its helpers hold together; shared pages count once."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self._most = 0.0

    def run(self) -> None:
        """Look now and then, as long as the process lives."""
        while True:
            self._look()
            time.sleep(MEMORY_EVERY_S)

    def _look(self) -> None:
        pids = [os.getpid(), *(helper.pid for helper in multiprocessing.active_children())]
        self._most = max(self._most, sum(_held_mb(pid) for pid in pids if pid is not None))

    def most_mb(self) -> float:
        """The most seen, or this process's own peak if that is more."""
        self._look()
        return max(self._most, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


def _held_mb(pid: int) -> float:
    """Proportional set size; 0 for a process that has just ended."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0
    return sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024.0


def _ours(video: Path, protocol: str, slice_s: float) -> dict[str, Any]:
    from review.landmarks import Sampling

    return _analysed(video, protocol, Sampling())


def _plain(video: Path, protocol: str, slice_s: float) -> dict[str, Any]:
    from review.landmarks import Sampling, look_at
    from review.seeking import Stretch, read_index
    from review.video import probe

    sampling = Sampling(fps=PLAIN_FPS, everywhere=True)
    if not slice_s:
        return _analysed(video, protocol, sampling)
    info = probe(video)
    index = read_index(video, info)
    if index is None:
        raise ReviewError(f"{video}: its index does not allow to begin in the middle.")
    first = round((info.duration_s - slice_s) / 2 * PLAIN_FPS)
    cells = (first, first + round(slice_s * PLAIN_FPS))
    started = time.perf_counter()
    pictures = Stretch(video, index, cells, PLAIN_FPS, sampling.max_side_px)
    looks = look_at(pictures, sampling)
    seconds = time.perf_counter() - started
    return asdict(Took(seconds, 0.0, pictures.frames_decoded, len(looks)))


def _analysed(video: Path, protocol: str, sampling: Any) -> dict[str, Any]:
    from review.benchmarkprofile import module_seconds
    from review.pipeline import build_analysis, recording_of, review_track
    from review.protocol import load_protocol
    from review.tracking import track_recording
    from review.video import file_sha256

    rules = load_protocol(protocol)
    started = time.perf_counter()
    found = track_recording(video, sampling)
    before = time.perf_counter()
    findings = review_track(found.track, rules)
    later = time.perf_counter() - before
    recording = recording_of(found.info, False, file_sha256(video))
    analysis = build_analysis(findings, rules, recording)
    seconds = time.perf_counter() - started
    return asdict(
        Took(
            seconds,
            0.0,
            found.frames_decoded,
            found.frames_tracked,
            found.close_s,
            later,
            {} if sampling.everywhere else module_seconds(lambda: review_track(found.track, rules)),
            json.loads(analysis.to_json()),
        )
    )


def _decoding(
    video: Path, protocol: str, slice_s: float, *, keys_alone: bool = False
) -> dict[str, Any]:
    from review.video import Trouble, decoded, open_video

    started, count = time.perf_counter(), 0
    with open_video(video) as (container, stream):
        if keys_alone:
            stream.codec_context.skip_frame = "NONKEY"
        for _ in decoded(container, stream, Trouble()):
            count += 1
    return asdict(Took(time.perf_counter() - started, 0.0, count))


_WAYS: dict[str, Callable[[Path, str, float], dict[str, Any]]] = {
    "ours": _ours,
    "plain": _plain,
    "decoding": _decoding,
    "keys": partial(_decoding, keys_alone=True),
}


def measure(
    video: Path,
    protocol: str,
    told: Callable[[str], None],
    *,
    whole_plain_below_s: float,
    slice_s: float,
) -> Row:
    """All ways through one recording.

    Args:
        video: the recording.
        protocol: name or file of the protocol.
        told: told what is being done.
        whole_plain_below_s: up to this length the plain way sees the whole recording.
        slice_s: seconds of a longer one that it sees.

    Raises:
        VideoError: if it cannot be read.
        ReviewError: if one of the ways fails.
    """
    from review.video import probe

    length_s = probe(video).duration_s
    took: dict[str, Took] = {}
    for way in ("keys", "decoding", "ours"):
        told(f"{video.name}: {way}")
        took[way] = run_way(way, video, protocol)
    told(f"{video.name}: plain")
    whole = length_s <= whole_plain_below_s
    plain = run_way("plain", video, protocol, 0.0 if whole else slice_s)
    differs = None
    if plain.document is not None and took["ours"].document is not None:
        differs = compare(plain.document, took["ours"].document)
    return Row(
        video.name,
        length_s / 60.0,
        plain,
        1.0 if whole else slice_s / length_s,
        took["ours"],
        took["decoding"],
        took["keys"],
        differs,
    )


def as_table(rows: Sequence[Row]) -> list[dict[str, str]]:
    """The rows as words, one dictionary a recording, for the terminal and for CSV."""
    return [
        {
            "recording": row.name,
            "minutes": f"{row.minutes:.1f}",
            "closely": f"{row.ours.close_s / 60:.1f} min",
            "shipped": f"{row.ours.seconds:.0f} s",
            "plain": "" if row.plain_s is None else f"{row.plain_s:.0f} s",
            "times faster": "" if row.times_faster is None else f"{row.times_faster:.1f}",
            "decoding alone": f"{row.decoding.seconds:.0f} s",
            "times decoding": f"{row.times_decoding:.2f}",
            "key pictures": f"{row.keys.seconds:.0f} s",
            "decoded": f"{row.ours.decoded}",
            "tracked": f"{row.ours.tracked}",
            "later stages": f"{row.ours.later_s:.2f} s",
            "memory": f"{row.ours.memory_mb:.0f} MB",
            "phases F1@50": "" if row.differs is None else f"{row.differs.f1:.2f}",
            "worst duration": ""
            if row.differs is None
            else f"{row.differs.worst_s:.2f} s {row.differs.worst_measure}",
            "flags lost": "" if row.differs is None else f"{len(row.differs.lost)}",
            "flags added": "" if row.differs is None else f"{len(row.differs.added)}",
        }
        for row in rows
    ]
