"""Many recordings at once: which are to be analysed, what came of each, and the summary.

Results lie in a folder of their own, one document a recording under the recording's name, beside
``batch-summary.json``. A recording whose result is there is not analysed again, unless it or what
it is analysed with changed. Documents and summary are there completely or not at all, and are
written by the one process that runs the batch, whoever did the work.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final

from review.analysis import tool_version, write_text_whole
from review.batchwork import Order, Outcome
from review.errors import AnalysisError, VideoError
from review.protocol import Protocol

SCHEMA: Final = "exchange-review.batch/1"
SUMMARY: Final = "batch-summary.json"
ENDING: Final = ".analysis.json"

SUFFIXES: Final = frozenset(
    {".mp4", ".mov", ".m4v", ".webm", ".mkv", ".avi", ".3gp", ".mts", ".mpg"}
)
"""What names of recordings end in; in lower case."""

MODELS: Final = Path(__file__).resolve().parent / "models"

BETWEEN_SUMMARIES_S: Final = 10.0
"""Seconds between two writings of the summary; what was done since the last one is done again if
the program is killed, quickly, since the landmarks are kept."""

NOT_REACHED: Final = "not_reached"
DONE: Final = "done"
FAILED: Final = "failed"

Run = Callable[[Sequence[Order]], Iterator[tuple[int, Outcome]]]
"""Does orders in any order; gives each one's number and what came of it."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How all recordings of a batch are looked at; see :class:`review.batchwork.Order`."""

    protocol: Protocol
    fps: float = 15.0
    mirrored: bool = False
    sound: bool = False
    cache: Path | None = None
    use_cache: bool = True

    def order(self, video: Path) -> Order:
        """The order for one recording."""
        return Order(
            path=str(video.absolute()),
            protocol=self.protocol.model_dump(mode="json", by_alias=True),
            fps=self.fps,
            mirrored=self.mirrored,
            sound=self.sound,
            cache=str(self.cache.absolute()) if self.cache is not None else "",
            use_cache=self.use_cache,
        )

    def digest(self) -> str:
        """SHA-256 of everything that a document rests on beside the recording; hexadecimal."""
        said = [
            tool_version(),
            self.protocol.model_dump(mode="json", by_alias=True),
            [self.fps, self.mirrored, self.sound],
            [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(MODELS.iterdir())],
        ]
        return _digest(json.dumps(said, sort_keys=True))


@dataclass(frozen=True, slots=True)
class Line:
    """One recording in the summary.

    Attributes:
        file: below the batch's folder.
        outcome: ``done``, ``failed`` or ``not_reached``.
        reason: why it failed; '' otherwise.
        result: the document, below the folder of results; '' where there is none.
        took_s, memory_mib: see :class:`review.batchwork.Outcome`.
        size, changed_ns: of the recording, bytes and nanoseconds: a change of either is taken for
            a change of the recording.
        made_with: see :meth:`Wanted.digest`.
        result_sha256: of the document.
    """

    file: str
    outcome: str = NOT_REACHED
    reason: str = ""
    result: str = ""
    took_s: float = 0.0
    memory_mib: float = 0.0
    size: int = 0
    changed_ns: int = 0
    made_with: str = ""
    result_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """What is to be done and what is done already.

    Attributes:
        folder, out: of the recordings and of the results.
        wanted: how they are looked at.
        lines: one a recording, by name; those of earlier runs that still hold are ``done``.
    """

    folder: Path
    out: Path
    wanted: Wanted
    lines: dict[str, Line] = field(default_factory=dict)

    @property
    def open(self) -> tuple[str, ...]:
        """Recordings that are still to be analysed, by name."""
        return tuple(name for name, line in self.lines.items() if line.outcome == NOT_REACHED)

    def count(self, outcome: str) -> int:
        """How many recordings have that outcome."""
        return sum(line.outcome == outcome for line in self.lines.values())

    def as_json(self) -> str:
        """The summary."""
        content = {
            "schema": SCHEMA,
            "tool_version": tool_version(),
            "protocol": self.wanted.protocol.name,
            "protocol_version": self.wanted.protocol.version,
            "counts": {outcome: self.count(outcome) for outcome in (DONE, FAILED, NOT_REACHED)},
            "recordings": [asdict(line) for line in self.lines.values()],
        }
        return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def plan_batch(folder: Path, out: Path, wanted: Wanted, *, again: bool = False) -> Batch:
    """Look which recordings there are and which have a result that holds.

    Args:
        folder: of the recordings; those in folders below are taken, too.
        out: for the results.
        wanted: how to look.
        again: True has all analysed anew.

    Raises:
        VideoError: if there is no such folder, or no recording in it.
        AnalysisError: if the summary of an earlier run is no such thing.
    """
    videos = find_recordings(folder, out)
    known = {} if again else _earlier(out / SUMMARY)
    digest = wanted.digest()
    lines = {}
    for video in videos:
        name = video.relative_to(folder).as_posix()
        state = video.stat()
        fresh = Line(name, size=state.st_size, changed_ns=state.st_mtime_ns, made_with=digest)
        before = known.get(name)
        lines[name] = before if before is not None and _holds(before, fresh, out) else fresh
    return Batch(folder, out, wanted, lines)


def find_recordings(folder: Path, out: Path) -> list[Path]:
    """Recordings in a folder and those below, by name; hidden ones and results are left out.

    Raises:
        VideoError: if there is no such folder, or no recording in it.
    """
    if not folder.is_dir():
        raise VideoError(f"{folder}: there is no such folder. Name a folder of recordings.")
    found = []
    for path in sorted(folder.rglob("*")):
        place = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in place.parts)
        result = out != folder and out.is_relative_to(folder) and path.is_relative_to(out)
        if path.suffix.lower() in SUFFIXES and path.is_file() and not hidden and not result:
            found.append(path)
    if not found:
        raise VideoError(
            f"{folder}: there is no recording in it ({', '.join(sorted(SUFFIXES))}). Encrypted "
            "ones are analysed from the unit's pages."
        )
    return found


def _earlier(summary: Path) -> dict[str, Line]:
    """The lines of an earlier run by their file; none where there was none."""
    try:
        content = json.loads(summary.read_text(encoding="utf-8"))
        if content["schema"] != SCHEMA:
            raise ValueError(content["schema"])
        return {line["file"]: Line(**line) for line in content["recordings"]}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise AnalysisError(
            f"{summary}: this is no summary of an earlier run ({error}). Name another folder with "
            "--out, or move the file away."
        ) from error


def _holds(before: Line, fresh: Line, out: Path) -> bool:
    """Whether what was found earlier is what would be found now."""
    if before.outcome != DONE:
        return False
    same = ("size", "changed_ns", "made_with")
    if any(getattr(before, name) != getattr(fresh, name) for name in same):
        return False
    try:
        return _digest((out / before.result).read_text(encoding="utf-8")) == before.result_sha256
    except (OSError, ValueError):
        return False


# --- the run ---------------------------------------------------------------------------------


def run_batch(
    batch: Batch,
    run: Run,
    *,
    progress: Callable[[float], None] | None = None,
    told: Callable[[Line], None] | None = None,
) -> Batch:
    """Have all that is open analysed; gives the batch as it is then.

    Whatever ends it, what was finished is kept and stands in the summary.

    Args:
        batch: from :func:`plan_batch`.
        run: does the work.
        progress: told the share done, 0..1, by the recordings' sizes.
        told: told of each recording that is over.

    Raises:
        AnalysisError: if a result cannot be written.
    """
    names = batch.open
    orders = [batch.wanted.order(batch.folder / name) for name in names]
    sizes = [max(batch.lines[name].size, 1) for name in names]
    over_size, written = 0, time.monotonic()
    work = run(orders)
    try:
        for number, outcome in work:
            line = _kept(batch, batch.lines[names[number]], outcome)
            batch.lines[line.file] = line
            over_size += sizes[number]
            if told is not None:
                told(line)
            if progress is not None:
                progress(over_size / sum(sizes))
            if time.monotonic() - written > BETWEEN_SUMMARIES_S:
                write_text_whole(batch.as_json(), batch.out / SUMMARY)
                written = time.monotonic()
    finally:
        close = getattr(work, "close", None)
        if close is not None:
            close()  # ends what is under way before the summary says how far it came
        write_text_whole(batch.as_json(), batch.out / SUMMARY)
    return batch


def _kept(batch: Batch, line: Line, outcome: Outcome) -> Line:
    """Write the document, if there is one; the recording's line in the summary."""
    line = replace(line, took_s=round(outcome.took_s, 3), memory_mib=round(outcome.memory_mib, 1))
    if not outcome.document:
        return replace(line, outcome=FAILED, reason=outcome.reason)
    result = f"{line.file}{ENDING}"
    write_text_whole(outcome.document, batch.out / result)
    return replace(line, outcome=DONE, result=result, result_sha256=_digest(outcome.document))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def reasons(lines: Iterable[Line]) -> Mapping[str, str]:
    """Why each failed recording failed, by its name."""
    return {line.file: line.reason for line in lines if line.outcome == FAILED}
