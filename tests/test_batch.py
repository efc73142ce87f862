"""A folder of recordings at once: what is done, what is kept, and what a lost worker costs."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from review import batchcluster
from review.analysis import Analysis, read_analysis
from review.batch import (
    ENDING,
    SUMMARY,
    Batch,
    Line,
    Wanted,
    find_recordings,
    plan_batch,
    run_batch,
)
from review.batchcluster import ClusterError, run_orders
from review.batchwork import Order, Outcome, analyse_order
from review.cli import main
from review.errors import AnalysisError, VideoError
from review.protocol import load_protocol
from review.wholefile import half_files
from tests.batchtasks import act
from tests.media import steady, write_video

WANTED = Wanted(load_protocol("practice"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three files that only look like recordings, one of them in a folder below."""
    place = tmp_path / "recordings"
    (place / "below").mkdir(parents=True)
    for name in ("a.mp4", "b.MOV", "below/a.mp4", ".hidden.mp4", "notes.txt"):
        (place / name).write_text(name)
    return place


class Scripted:
    """Does orders at once: each document is the given analysis, but for the names that fail."""

    def __init__(self, analysis: Analysis, *fail: str) -> None:
        self.fail, self.asked = fail, list[str]()
        self.document = analysis.to_json()

    def __call__(self, orders: Sequence[Order]) -> Iterator[tuple[int, Outcome]]:
        for number, order in reversed(list(enumerate(orders))):
            name = Path(order.path).name
            self.asked.append(name)
            bad = name in self.fail
            yield number, Outcome("" if bad else self.document, f"{name}: bad" if bad else "", 1, 2)


def counts(batch: Batch) -> dict[str, int]:
    found: dict[str, int] = json.loads((batch.out / SUMMARY).read_text())["counts"]
    return found


# --- which, and what is kept -----------------------------------------------------------------


def test_recordings_of_a_folder_and_those_below(folder: Path) -> None:
    found = [path.relative_to(folder).as_posix() for path in find_recordings(folder, folder)]
    assert found == ["a.mp4", "b.MOV", "below/a.mp4"]
    assert find_recordings(folder, folder / "below") == [folder / "a.mp4", folder / "b.MOV"]


def test_a_folder_without_recordings_is_said(tmp_path: Path) -> None:
    with pytest.raises(VideoError, match="no recording in it"):
        find_recordings(tmp_path, tmp_path)
    with pytest.raises(VideoError, match="no such folder"):
        find_recordings(tmp_path / "none", tmp_path)


def test_one_bad_recording_stops_nothing_and_its_reason_is_in_the_summary(
    folder: Path, tmp_path: Path, analysis: Analysis
) -> None:
    told: list[Line] = []
    shares: list[float] = []
    batch = run_batch(
        plan_batch(folder, tmp_path / "out", WANTED),
        Scripted(analysis, "b.MOV"),
        progress=shares.append,
        told=told.append,
    )
    assert counts(batch) == {"done": 2, "failed": 1, "not_reached": 0}
    assert [line.reason for line in told if line.outcome == "failed"] == ["b.MOV: bad"]
    assert shares == sorted(shares) and shares[-1] == 1.0
    for name in ("a.mp4", "below/a.mp4"):
        assert read_analysis(tmp_path / "out" / f"{name}{ENDING}") == analysis
    assert not (tmp_path / "out" / f"b.MOV{ENDING}").exists()


def test_what_is_finished_is_not_done_again_but_what_failed_is(
    folder: Path, tmp_path: Path, analysis: Analysis
) -> None:
    out = tmp_path / "out"
    run_batch(plan_batch(folder, out, WANTED), Scripted(analysis, "b.MOV"))
    again = Scripted(analysis)
    batch = run_batch(plan_batch(folder, out, WANTED), again)
    assert again.asked == ["b.MOV"] and counts(batch)["done"] == 3
    assert plan_batch(folder, out, WANTED).open == ()
    assert len(plan_batch(folder, out, WANTED, again=True).open) == 3


@pytest.mark.parametrize("what", ["recording", "result", "gone", "protocol", "fps", "sound"])
def test_whatever_changed_is_done_again(
    folder: Path, tmp_path: Path, analysis: Analysis, what: str
) -> None:
    out, wanted = tmp_path / "out", WANTED
    run_batch(plan_batch(folder, out, WANTED), Scripted(analysis))
    result, expected = out / f"a.mp4{ENDING}", ["a.mp4"]
    match what:
        case "recording":
            (folder / "a.mp4").write_text("another")
        case "result":
            result.write_text(result.read_text() + " ")
        case "gone":
            result.unlink()
        case "protocol":
            wanted, expected = replace(WANTED, protocol=load_protocol("default")), []
        case "fps":
            wanted, expected = replace(WANTED, fps=10.0), []
        case _:
            wanted, expected = replace(WANTED, sound=True), []
    everything = ["a.mp4", "b.MOV", "below/a.mp4"]
    assert list(plan_batch(folder, out, wanted).open) == (expected or everything)


def test_a_stop_keeps_what_was_finished(folder: Path, tmp_path: Path, analysis: Analysis) -> None:
    out, closed = tmp_path / "out", []

    def stopped(orders: Sequence[Order]) -> Iterator[tuple[int, Outcome]]:
        try:
            yield next(Scripted(analysis)(orders))
            raise KeyboardInterrupt
        finally:
            closed.append(True)

    batch = plan_batch(folder, out, WANTED)
    with pytest.raises(KeyboardInterrupt):
        run_batch(batch, stopped)
    assert closed and counts(batch) == {"done": 1, "failed": 0, "not_reached": 2}
    assert half_files(out) == []
    assert plan_batch(folder, out, WANTED).open == ("a.mp4", "b.MOV")


def test_what_is_no_summary_is_left_alone(folder: Path, tmp_path: Path) -> None:
    (tmp_path / SUMMARY).write_text('{"schema": "something else"}')
    with pytest.raises(AnalysisError, match="no summary of an earlier run"):
        plan_batch(folder, tmp_path, WANTED)


# --- one order -------------------------------------------------------------------------------


def test_a_file_that_is_no_recording_is_its_own_answer(folder: Path) -> None:
    outcome = analyse_order(WANTED.order(folder / "a.mp4"), lambda share: None)
    assert outcome.document == "" and "not a video this program can read" in outcome.reason


# --- workers ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_lost_workers_and_breakdowns_cost_only_the_recordings_at_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two workers: one is killed once, one recording kills every worker, another never works."""
    monkeypatch.setattr(batchcluster, "LOST_WORKERS", 1)
    monkeypatch.setitem(batchcluster.QUIET, "distributed.scheduler.allowed-failures", 1)
    names = ["dies-once", "one", "breaks", "two", "sockets", "dies-always"]
    orders = [WANTED.order(tmp_path / name) for name in names]
    environment = dict(os.environ)
    found = {
        names[number]: outcome
        for number, outcome in run_orders(orders, workers=2, tries=2, work=act)
    }
    assert set(found) == set(names)
    assert dict(os.environ) == environment
    for name in ("dies-once", "one", "two"):
        assert found[name].document == f"{name} done"
    assert "took 2 workers with it" in found["dies-always"].reason
    assert "ZeroDivisionError: as planned" in found["breaks"].reason
    assert (tmp_path / "breaks").read_text() in ("xx", "xxx"), "tried again, and not for ever"
    assert json.loads(found["sockets"].document) == ["127.0.0.1"], "nobody else can connect"
    assert not [p for p in psutil.Process().children(recursive=True) if "dask" in p.name()]


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("tcp://scheduler.example:8786", "without TLS anybody"),
        ("scheduler.example", "no scheduler's address"),
        ("tls://scheduler.example", "no scheduler's address"),
    ],
)
def test_a_cluster_without_tls_is_refused(tmp_path: Path, address: str, words: str) -> None:
    with pytest.raises(ClusterError, match=words):
        next(run_orders([WANTED.order(tmp_path / "a.mp4")], scheduler=address))


def test_without_the_library_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'exchange-review\[batch\]'"):
        next(run_orders([WANTED.order(tmp_path / "a.mp4")]))


@pytest.mark.slow
def test_stopped_and_taken_up_it_gives_what_the_plain_command_gives(tmp_path: Path) -> None:
    """The real thing: Ctrl-C after the first result, the rest by a second run, byte for byte."""
    folder, out, cache = tmp_path / "recordings", tmp_path / "out", tmp_path / "cache"
    folder.mkdir()
    for number, pictures in enumerate((10, 11, 250)):  # the last is still under way then
        write_video(folder / f"invented {number}.mp4", steady(pictures, 10.0), (64, 48))
    (folder / "junk.mp4").write_text("junk")
    command = ["batch", str(folder), "--out", str(out), "--workers", "1", "--cache", str(cache)]
    process = subprocess.Popen(
        [sys.executable, "-m", "review", *command],
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,  # Ctrl-C reaches all processes of a terminal
    )
    give_up = time.monotonic() + 240.0
    while not list(out.glob(f"*{ENDING}")):
        assert time.monotonic() < give_up and process.poll() is None
        time.sleep(0.02)
    family = psutil.Process(process.pid).children(recursive=True)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=120.0)
    assert process.returncode == 130
    assert "Stopped. No half-written file was left behind." in said and "Traceback" not in said
    gone, alive = psutil.wait_procs(family, timeout=60.0)
    assert gone and not alive
    assert half_files(tmp_path) == []
    before = {path: path.stat().st_mtime_ns for path in out.glob(f"*{ENDING}")}
    assert 1 <= len(before) < 3
    assert main(command) == 1, "the junk"
    assert {path: path.stat().st_mtime_ns for path in before} == before, "not done again"
    plain = tmp_path / "plain"
    videos = sorted(map(str, folder.glob("invented *.mp4")))
    shutil.rmtree(cache)
    assert main(["analyse", *videos, "--out", str(plain), "--cache", str(cache)]) == 0
    for number in range(3):
        one = read_analysis(out / f"invented {number}.mp4{ENDING}").without_timing().to_json()
        other = read_analysis(plain / f"invented {number}{ENDING}").without_timing().to_json()
        assert one == other
