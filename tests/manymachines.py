"""How far the program goes past one process: a batch over workers, a store with many writers.

Measures, and asserts nothing but that nothing is lost or different. Files stay in the folder.

    python -m tests.manymachines batch FOLDER [--recordings 200] [--workers 1 2 4] [--fps 5]
    .ci/postgres python -m tests.manymachines store [--writers 20] [--each 50]

Run it where nothing else runs. Recordings are cut from the drawn samples: nobody was filmed.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import psutil

from review.analysis import Flag, read_analysis
from review.batch import ENDING, SUMMARY
from review.store import Store, StoreError, flag_topic, open_store
from review.store.server import keep_address
from tests.documents import example_analysis
from tests.servers import Databases, server_at_hand
from tests.stores import BY, TODAY, analysed_store

SAMPLES = Path(__file__).resolve().parent.parent / "sample_clips"
LENGTH_S, WIDTH, FPS = 4.0, 320, 15


# --- recordings ------------------------------------------------------------------------------


def cut_recordings(folder: Path, count: int) -> list[Path]:
    """So many short, small recordings, each with content of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    samples = sorted(SAMPLES.glob("*.mp4"))
    made = []
    for number in range(count):
        target = folder / f"short {number:03}.mp4"
        if not target.exists():
            start_s = 1.0 + 0.37 * (number // len(samples))
            _cut(samples[number % len(samples)], target, start_s, f"short {number}")
        made.append(target)
    return made


def _cut(source: Path, target: Path, start_s: float, title: str) -> None:
    partial = target.with_suffix(".part.mp4")
    with av.open(str(source)) as old, av.open(str(partial), "w") as new:
        video = old.streams.video[0]
        height = round(video.height * WIDTH / video.width / 2) * 2
        out: Any = new.add_stream("libx264", rate=FPS, options={"preset": "veryfast"})
        out.width, out.height, out.pix_fmt = WIDTH, height, "yuv420p"
        new.metadata["title"] = title
        assert video.time_base is not None
        old.seek(int(start_s / video.time_base), stream=video)
        step, begun, written = 1.0 / FPS, None, 0
        for picture in old.decode(video):
            assert picture.time is not None
            begun = picture.time if begun is None else begun
            at = picture.time - begun
            if at >= LENGTH_S:
                break
            if at + 1e-6 < written * step:
                continue
            small = picture.reformat(WIDTH, height, "yuv420p")
            small.pts, small.time_base = written, Fraction(1, FPS)
            written += 1
            new.mux(out.encode(small))
        new.mux(out.encode())
    partial.rename(target)


# --- the batch -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ran:
    """One run: seconds on the clock, of processors, most memory of all its processes together."""

    code: int
    wall_s: float
    cpu_s: float
    memory_mib: float


def run_batch(
    folder: Path, out: Path, *more: str, meddle: Callable[[psutil.Process], None] | None = None
) -> Ran:
    """The command as a person starts it, watched from outside."""
    command = [sys.executable, "-m", "review", "batch", str(folder), "--out", str(out), *more]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.monotonic()
    child = subprocess.Popen(command)
    process, most = psutil.Process(child.pid), 0.0
    if meddle is not None:
        threading.Thread(target=meddle, args=(process,), daemon=True).start()
    while child.poll() is None:
        most = max(most, _memory(process))
        time.sleep(0.5)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Ran(child.returncode, time.monotonic() - started, cpu, most)


def _memory(process: psutil.Process) -> float:
    """Of a process and all below it, MiB; what they share counts once (PSS)."""
    total = 0.0
    try:
        for one in [process, *process.children(recursive=True)]:
            text = Path(f"/proc/{one.pid}/smaps_rollup").read_text()
            total += next(int(row.split()[1]) for row in text.splitlines() if row[:4] == "Pss:")
    except (OSError, StopIteration, psutil.Error):
        return 0.0  # one of them ended just now
    return total / 1024


def kill_a_worker(out: Path, after: int, killed: list[int]) -> Callable[[psutil.Process], None]:
    """Something that kills a worker at work once so many results are there."""

    def meddle(process: psutil.Process) -> None:
        while len(list(out.rglob(f"*{ENDING}"))) < after:
            time.sleep(0.2)
        while not killed:
            for child in process.children(recursive=True):
                try:
                    parent = child.parent()
                    if "review.guarded" in child.cmdline() and parent is not None:
                        parent.kill()
                        killed.append(parent.pid)
                        return
                except psutil.Error:
                    continue
            time.sleep(0.05)

    return meddle


def documents(out: Path) -> dict[str, str]:
    """All results without what the runs took."""
    return {
        path.relative_to(out).as_posix(): read_analysis(path).without_timing().to_json()
        for path in sorted(out.rglob(f"*{ENDING}"))
    }


def measure_batch(folder: Path, count: int, workers: Sequence[int], fps: float) -> None:
    """Each number of workers in turn; then two workers of which one is killed."""
    recordings = cut_recordings(folder / "recordings", count)
    options = ["--no-cache", "--fps", f"{fps:g}", "--protocol", "practice"]
    first: dict[str, str] = {}
    base = 0.0
    print(f"{count} recordings of {LENGTH_S:g} s, {os.cpu_count()} cores, load {os.getloadavg()}")
    for number in workers:
        out = folder / f"results-{number}"
        shutil.rmtree(out, ignore_errors=True)
        ran = run_batch(folder / "recordings", out, *options, "--workers", str(number))
        found = documents(out)
        first, base = first or found, base or ran.wall_s
        assert ran.code == 0 and len(found) == count and found == first
        print(
            f"{number} workers: {ran.wall_s:.0f} s ({ran.wall_s / base:.2f} of the first), "
            f"{ran.cpu_s:.0f} s of processors, {count / ran.wall_s * 60:.1f} a minute, most memory "
            f"{ran.memory_mib:.0f} MiB; load now {os.getloadavg()[0]:.1f}",
            flush=True,
        )
    few = folder / "few"
    few.mkdir(exist_ok=True)
    for recording in recordings[: max(12, count // 10)]:
        if not (few / recording.name).exists():
            os.link(recording, few / recording.name)
    out, killed = folder / "results-killed", list[int]()
    shutil.rmtree(out, ignore_errors=True)
    meddle = kill_a_worker(out, 4, killed)
    ran = run_batch(few, out, *options, "--workers", "2", meddle=meddle)
    found = documents(out)
    assert ran.code == 0 and killed and found == {name: first[name] for name in found}
    assert len(found) == len(list(few.iterdir()))
    print(
        f"a worker of two killed midway: all {len(found)} of {len(found)} results there and the "
        f"same, {ran.wall_s:.0f} s",
        flush=True,
    )
    alone = subprocess.run(
        [sys.executable, "-m", "review", "analyse", *map(str, recordings[:3]), "--no-cache",
         "--fps", f"{fps:g}", "--protocol", "practice", "--out", str(folder / "plain")],
        stdout=subprocess.DEVNULL, check=True,
    )  # fmt: skip
    assert alone.returncode == 0
    for recording in recordings[:3]:
        plain = read_analysis(folder / "plain" / f"{recording.stem}{ENDING}")
        assert plain.without_timing().to_json() == first[f"{recording.name}{ENDING}"]
    print("the plain command's documents are the same, to the byte, but for the times it took")
    summary = json.loads((folder / f"results-{workers[0]}" / SUMMARY).read_text())
    most = max(line["memory_mib"] for line in summary["recordings"])
    print(f"most memory of one guarded child: {most:.0f} MiB")


# --- the store -------------------------------------------------------------------------------


def write(folder: Path, session: int, who: int, each: int, gate: Any, refused: Any) -> None:
    """One writer: decisions, comments and signatures of its own; what is refused is tried again."""
    with open_store(folder) as store:
        version = store.analysis(session)
        assert version is not None
        flag = version.analysis.flags[0]
        gate.wait()
        for number in range(each):
            while True:
                try:
                    _enter(store, session, flag, f"{who}/{number}", number)
                    break
                except StoreError as error:  # somebody waited too long; nothing was written
                    refused.put(str(error))


def _enter(store: Store, session: int, flag: Flag, mark: str, number: int) -> None:
    if number % 10 == 9:
        store.sign(session, name=mark, on=TODAY, outcome="practise_more", recheck_on=None, by=BY)
    elif number % 2:
        store.comment(session, mark, by=BY)
    else:
        store.decide(
            session,
            kind=flag.kind,
            start_s=flag.start_s,
            end_s=flag.end_s,
            topic=flag_topic(flag),
            verdict="agree",
            comment=mark,
            by=BY,
        )


def measure_store(writers: int, each: int, kinds: Sequence[str]) -> None:
    """Many processes that write at once, in a file and, where one is at hand, on a server."""
    for kind in kinds:
        if kind == "server" and not server_at_hand():
            print("server: none at hand; start this with .ci/postgres")
            continue
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "unit"
            folder.mkdir()
            if kind == "server":
                databases = Databases()
                keep_address(folder, databases.lend())
            store, session = analysed_store(folder, example_analysis())
            before = store.verify_audit().count
            store.close()
            processes = multiprocessing.get_context("spawn")
            gate = processes.Barrier(writers + 1)
            refused = processes.SimpleQueue()
            crew = [
                processes.Process(target=write, args=(folder, session, who, each, gate, refused))
                for who in range(writers)
            ]
            for process in crew:
                process.start()
            gate.wait()
            started = time.monotonic()
            for process in crew:
                process.join()
            wall_s = time.monotonic() - started
            assert all(process.exitcode == 0 for process in crew)
            with open_store(folder) as store:
                audit = store.verify_audit()
                found = {d.comment for d in store.decision_history(session)}
                found |= {c.text for c in store.comments(session)}
                found |= {s.name for s in store.signoffs(session)}
                versions = [s.version for s in store.signoffs(session)]
            told = list[str]()
            while not refused.empty():
                told.append(refused.get())
            wanted = {f"{who}/{number}" for who in range(writers) for number in range(each)}
            assert found == wanted, f"{len(wanted - found)} of {len(wanted)} lost"
            assert versions == list(range(1, writers * (each // 10) + 1))
            assert audit.holds and audit.count == before + writers * each
            if kind == "server":
                databases.take_back()
            print(
                f"{kind}: {writers} processes, {writers * each} things entered "
                f"in {wall_s:.1f} s, {writers * each / wall_s:.0f} a second; nothing lost, "
                f"{len(told)} times told to try again, the audit's {audit.count} entries hold; "
                f"load {os.getloadavg()[0]:.1f}",
                flush=True,
            )
            for words in sorted(set(told)):
                print(f"  told {told.count(words)} times: {words}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parts = parser.add_subparsers(dest="part", required=True)
    batch = parts.add_parser("batch")
    batch.add_argument("folder", type=Path)
    batch.add_argument("--recordings", type=int, default=200)
    batch.add_argument("--workers", type=int, nargs="+", default=[1, 2, 4])
    batch.add_argument("--fps", type=float, default=5.0)
    store = parts.add_parser("store")
    store.add_argument("--writers", type=int, default=20)
    store.add_argument("--each", type=int, default=50)
    store.add_argument("--on", nargs="+", choices=["file", "server"], default=["file", "server"])
    chosen = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    if chosen.part == "batch":
        measure_batch(chosen.folder, chosen.recordings, chosen.workers, chosen.fps)
    else:
        measure_store(chosen.writers, chosen.each, chosen.on)


if __name__ == "__main__":
    main()
