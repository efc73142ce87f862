"""How quick the pages are: ``python -m tests.pagespeed``. Prints medians, keeps nothing.

A sample exchange is drawn out to an hour by repeating the landmarks of its waiting, or, with
``--exchanges``, several of them one after the other; the video is the sample's own over and over,
padded to a gigabyte. The stages find the flags in that; an invented trainer's own moments make them
up to 200. A real page server and a headless browser do the rest.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from datetime import date
from pathlib import Path

import av
import numpy as np
from playwright.sync_api import Page

from review.analysis import Analysis, read_analysis
from review.cache import pack_track
from review.demo import data_folder, sample_folder
from review.desk import load_evidence, open_desk
from review.pipeline import Corrections, Reviewed, build_analysis, evidence_of, review_track
from review.prepared import keep_prepared, load_landmarks
from review.protocol import load_protocol
from review.reviewcopy import review_copy_name
from review.store import RecordingState, Store, open_store
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import LandmarkTrack, TimeBase
from tests.browser import browse, serve
from tests.stores import many_sessions

SAMPLE = "planted_faults"
PROTOCOL = "practice"
GIGABYTE = 1_000_000_000
BY = "T-1"

WATCH = """(root) => {
  const home = root.getRootNode();
  const started = {};
  window.took = null;
  const text = () => home.querySelector('.status').textContent;
  const figures = () => [...document.querySelectorAll('.unit td')].map((c) => c.innerText).join();
  const before = figures();
  home.addEventListener('pointerup', () => {
    const from = performance.now();
    const look = () => {
      if (text().includes('follow your times') && figures() !== before) {
        window.took = performance.now() - from;
      } else requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  }, { once: true, capture: true });
}"""
"""From letting go of an edge to new measures on the page, milliseconds in ``window.took``."""

WATCH_CLICK = """(video) => {
  window.took = null;
  video.getRootNode().addEventListener('click', () => {
    const from = performance.now();
    video.addEventListener('seeked', () => video.requestVideoFrameCallback(
      () => { window.took = performance.now() - from; }), { once: true });
  }, { once: true, capture: true });
}"""
"""From a click on a moment to its first picture, milliseconds in ``window.took``."""

READ_ALL = """async (video) => {
  const stream = (await fetch(video.src)).body.getReader();
  let size = 0;
  for (;;) {
    const { done, value } = await stream.read();
    if (done) return size;
    size += value.length;
  }
}"""


EDGES = {
    "open": '.edge-open[aria-label^="Line closed"]',
    "wash": '.edge-phase[aria-label^="Hand wash ends"]',
    "surface": '.edge-phase[aria-label^="Surface preparation ends"]',
    "waiting": '.edge-phase[aria-label*="Waiting begins"]',
}
"""Edges that are moved. Each changes a measure; those of phases change other things, too."""


@dataclass(slots=True)
class Times:
    """What was measured: unit and limit, the single figures, and the server's own seconds of work.

    The last tell what it would take on a computer with nothing else to do.
    """

    unit: str
    limit: float
    found: list[float] = field(default_factory=list)
    work_s: list[float] = field(default_factory=list)

    @contextmanager
    def watching(self, pid: int) -> Iterator[None]:
        """Note what the server works in the block."""
        before = worked_s(pid)
        yield
        self.work_s.append(worked_s(pid) - before)


# --- the hour ------------------------------------------------------------------------------------


def drawn_out(
    track: LandmarkTrack, analysis: Analysis, minutes: float, exchanges: int
) -> tuple[LandmarkTrack, Timeline]:
    """A recording of so many exchanges one after the other, and its phases.

    All are the same; their waiting is repeated until the whole lasts about as long as asked.
    """
    lasts_s = round(track.time.end_s, 3)
    waits = [p for p in analysis.phases if p.phase is Phase.WAITING]
    missing_s = 60 * minutes / exchanges - lasts_s
    again = max(0, round(missing_s / sum(p.end_s - p.start_s for p in waits)))
    times_s, taken, at, segments, now_s = track.time.times_s, [], [], [], 0.0
    for found in [p for _ in range(exchanges) for p in analysis.phases]:
        first, last = np.searchsorted(times_s, [found.start_s, found.end_s])
        span_s = round(found.end_s - found.start_s, 3)
        begun_s = now_s
        for _ in range(1 + again if found.phase is Phase.WAITING else 1):
            taken.append(np.arange(first, last))
            at.append(times_s[first:last] - found.start_s + now_s)
            now_s = round(now_s + span_s, 3)
        segments.append(Segment(Interval(begun_s, now_s), found.phase, found.confidence))
    index = np.concatenate(taken)
    arrays = {
        f.name: getattr(track, f.name)[index]
        for f in fields(track)
        if isinstance(getattr(track, f.name), np.ndarray)
    }
    made = replace(track, time=TimeBase(np.concatenate(at), now_s), **arrays)
    extent = made.time.extent
    cut = [(s.interval.intersect(extent), s) for s in segments]
    return made, Timeline(extent, tuple(replace(s, interval=i) for i, s in cut if i is not None))


def repeated_video(source: Path, target: Path, times: int) -> None:
    """The same pictures over and over, not coded anew, in a file of a gigabyte."""
    with av.open(str(target), "w", options={"movflags": "faststart"}) as out:
        with av.open(str(source)) as first:
            stream = out.add_stream_from_template(first.streams.video[0])
        offset = 0
        for _ in range(times):
            with av.open(str(source)) as container:
                end = 0
                for packet in container.demux(container.streams.video[0]):
                    if packet.pts is None or packet.dts is None:
                        continue
                    end = max(end, packet.pts + (packet.duration or 0))
                    packet.pts, packet.dts = packet.pts + offset, packet.dts + offset
                    packet.stream = stream
                    out.mux(packet)
                offset += end
    size = target.stat().st_size
    with target.open("r+b") as file:  # one large box of the kind that players pass over
        file.seek(0, os.SEEK_END)
        file.write((1).to_bytes(4, "big") + b"free" + (GIGABYTE - size).to_bytes(8, "big"))
        file.truncate(GIGABYTE)


def make_unit(folder: Path, minutes: float, items: int, exchanges: int) -> int:
    """A unit with the long session; its id."""
    analysis = read_analysis(data_folder() / f"{SAMPLE}.json")
    short = load_landmarks(data_folder(), analysis.recording.sha256, False)
    assert short is not None
    protocol = load_protocol(PROTOCOL)
    track, phases = drawn_out(short, analysis, minutes, exchanges)
    times = round(track.time.end_s / short.time.end_s)
    evidence = evidence_of(track, protocol)
    findings = review_track(
        track, protocol, evidence=evidence, corrections=Corrections(phases=phases)
    )
    with open_store(folder) as store:
        store.add_trainer(BY, "Invented trainer", by=BY)
        store.add_person("K-1", by=BY)
        store.add_consent("K-1", purposes=("review",), until=None, sound=True, by=BY)
        video = folder / "hour.mp4"
        repeated_video(sample_folder() / f"{SAMPLE}.mp4", video, times)
        entry = store.add_recording(
            video,
            person="K-1",
            trainer=BY,
            protocol=PROTOCOL,
            mirrored=False,
            taken_on=date(2026, 3, 10),
            by=BY,
        )
        recording = analysis.recording.model_copy(
            update={"sha256": entry.sha256, "duration_s": track.time.end_s, "file": video.name}
        )
        made = build_analysis(findings, protocol, recording)
        store.add_analysis(entry.id, made, basis="machine", by=BY)
        _keep_landmarks(store, track, entry.sha256)
        store.copies.mkdir(parents=True, exist_ok=True)
        os.link(video, store.copies / review_copy_name(entry.sha256, sound=True))
        store.set_state(entry.id, RecordingState.READY, by=BY)
        for number in range(items - len(made.flags)):
            start = (number + 0.5) * (track.time.end_s - 2) / max(items - len(made.flags), 1)
            store.add_moment(entry.id, start_s=start, end_s=start + 2, text="Invented", by=BY)
        talking = findings.open_line.probability
        keep_prepared(store.landmarks, Reviewed(made, findings, talking, track, evidence), protocol)
    print(f"{track.time.end_s:.0f} s, {len(made.flags)} flags, {items} moments in all")
    return entry.id


def _keep_landmarks(store: Store, track: LandmarkTrack, sha256: str) -> None:
    meta = json.dumps({"made_from": {"sha256": sha256}}).encode()
    store.landmarks.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(
        store.landmarks / f"{sha256[:16]}-repeated.npz",
        meta=np.frombuffer(meta, dtype=np.uint8),
        **pack_track(track),  # type: ignore[arg-type]
    )


# --- measuring -----------------------------------------------------------------------------------


def ready(page: Page, address: str) -> float:
    """Seconds from asking for the review page to its timeline, first moment and first picture."""
    started = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_selector(".hands-both", state="attached", timeout=120_000)
    page.wait_for_selector(".panel h3", timeout=60_000)
    page.locator("video").evaluate(
        "(video) => new Promise((done) => { const look = () => video.readyState >= 2 ? done() :"
        " requestAnimationFrame(look); look(); })"
    )
    return time.perf_counter() - started


def took(page: Page) -> float:
    """Seconds that the page measured itself."""
    until = time.perf_counter() + 60.0
    # Asked from outside: the page's own rules forbid scripts made of text, which the browser
    # driver's waiting would need.
    while page.evaluate("window.took") is None:
        assert time.perf_counter() < until, "nothing happened after a click"
        page.wait_for_timeout(20)
    return float(page.evaluate("window.took")) / 1000


def drag(page: Page, edge: str, by: float) -> float:
    """Seconds from letting go of the first such edge in view to the new measures."""
    edges = [edge for edge in page.locator(edge).all() if edge.is_visible()]
    boxes = [(edge.bounding_box(), edge) for edge in edges]
    box, handle = next((b, e) for b, e in boxes if b and 200 < b["x"] < 1200)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    handle.evaluate(WATCH)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by / 2, y)
    page.mouse.move(x + by, y)
    page.mouse.up()
    return took(page)


def worked_s(pid: int) -> float:
    """Processor seconds that a process has used."""
    parts = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Resident memory of a process, MB (10**6 bytes)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) * 1024 / 1e6


def peak_mb(pid: int) -> float:
    """The most that :func:`memory_mb` ever was."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) * 1024 / 1e6


def pid_on(address: str) -> int:
    """The process that serves an address on this computer."""
    port = f":{int(address.rsplit(':', 1)[1]):04X}"
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    inode = next(row[9] for row in rows if row[1].endswith(port) and row[3] == "0A")
    for place in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if os.readlink(place) == f"socket:[{inode}]":
                return int(place.parts[2])
        except OSError:
            continue
    raise AssertionError(f"nobody serves {address}")


def measure_review(
    unit: Path, work: Path, session: int, runs: int, found: dict[str, Times]
) -> None:
    """Page ready, edges, clicks and memory on the long session."""
    for _ in range(runs):
        with serve(work, None, unit) as address, browse() as page:
            here, pid = f"{address}/?recording={session}&by={BY}", pid_on(address)
            time.sleep(3.0)  # the server finds its feet
            times = found["review page ready, first time"]
            with times.watching(pid):
                times.found.append(ready(page, here))
            for _ in range(2):
                page.wait_for_timeout(3000)
                times = found["review page ready, again"]
                with times.watching(pid):
                    times.found.append(ready(page, here))
    with serve(work, None, unit) as address, browse() as page:
        pid = pid_on(address)
        time.sleep(3.0)
        idle = memory_mb(pid)
        ready(page, f"{address}/?recording={session}&by={BY}")
        page.wait_for_timeout(10_000)
        measure_clicks(page, pid, runs, found["click to playing picture"])
        page.get_by_role("tab", name="Measures").click()
        page.locator(".unit td").first.wait_for()
        page.keyboard.press("k")
        page.locator(".mark:not(.folded)").first.click()  # the hand work is near
        for _ in range(5):  # about two minutes in view
            page.get_by_role("button", name="Zoom in").click()
        for number in range(runs):
            for what, edge in EDGES.items():
                times = found[f"edge ({what}) to new measures"]
                with times.watching(pid):
                    # To and fro, a little further each time: where an edge was before, some of
                    # what follows from it is remembered.
                    times.found.append(drag(page, edge, (14 + number) * (-1) ** (number + 1)))
                page.wait_for_timeout(1000)
        size = page.locator("video").evaluate(READ_ALL)
        assert size == GIGABYTE
        found["memory above idle, 1 GB video"].found.append(peak_mb(pid) - idle)
        found["memory when idle"].found.append(idle)


def measure_clicks(page: Page, pid: int, runs: int, times: Times) -> None:
    """Clicks on moments all over the recording."""
    marks, video = page.locator(".mark:not(.folded)"), page.locator("video")
    for place in np.linspace(3, marks.count() - 3, 2 * runs).astype(int):
        video.evaluate(WATCH_CLICK)
        with times.watching(pid):
            marks.nth(int(place)).click()
            times.found.append(took(page))


def measure_spotcheck(unit: Path, work: Path, runs: int, found: dict[str, Times]) -> None:
    """The educator's page over ten thousand sessions."""
    with open_store(unit) as store:
        store.add_trainer(BY, "Invented trainer", by=BY)
        many_sessions(store)
    with serve(work, None, unit) as address, browse() as page:
        pid, region = pid_on(address), page.get_by_role("region", name="Wash by trainee")
        for number in range(runs + 1):
            started, before = time.perf_counter(), worked_s(pid)
            page.goto(f"{address}/spotcheck?by={BY}", wait_until="commit")
            region.wait_for(timeout=60_000)
            name = f"spot check of 10,000, {'again' if number else 'first time'}"
            found[name].found.append(time.perf_counter() - started)
            found[name].work_s.append(worked_s(pid) - before)
        for _ in range(runs):
            page.goto(f"{address}/camera?by={BY}", wait_until="commit")
            link = page.get_by_role("link", name="Spot check")
            link.wait_for(timeout=60_000)
            page.wait_for_timeout(1000)
            times = found["spot check of 10,000, from another page"]
            with times.watching(pid):
                started = time.perf_counter()
                link.click()
                region.wait_for(timeout=60_000)
                times.found.append(time.perf_counter() - started)


def yardstick_s() -> float:
    """Seconds that five million additions take in a Python loop: how quick this computer is."""
    started, total = time.process_time(), 0
    for number in range(5_000_000):
        total += number * number
    assert total > 0
    return time.process_time() - started


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--exchanges", type=int, default=1, help="in those minutes (default 1)")
    parser.add_argument("--moments", type=int, default=200)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--unit", type=Path, help="keep the made unit here, or use it again")
    asked = parser.parse_args(arguments)
    found = {
        "review page ready, first time": Times("s", 2.0),
        "review page ready, again": Times("s", 2.0),
        "click to playing picture": Times("s", 0.5),
        **{f"edge ({what}) to new measures": Times("s", 0.5) for what in EDGES},
        "spot check of 10,000, first time": Times("s", 1.0),
        "spot check of 10,000, again": Times("s", 1.0),
        "spot check of 10,000, from another page": Times("s", 1.0),
        "memory when idle": Times("MB", float("nan")),
        "memory above idle, 1 GB video": Times("MB", 300.0),
    }
    with tempfile.TemporaryDirectory() as made:
        work = Path(made)
        unit = asked.unit or work / "unit"
        known = unit / "session.txt"
        if not known.is_file():
            session = make_unit(unit, asked.minutes, asked.moments, asked.exchanges)
            known.write_text(str(session))
        session = int(known.read_text())
        with open_store(unit) as store:  # as the analysis left it, also where it is used again
            desk = open_desk(store, session)
            load_evidence(store.landmarks, desk.entry, desk.protocol)
        measure_review(unit, work, session, asked.runs, found)
        measure_spotcheck(work / "many", work, asked.runs, found)
    print(f"five million additions in a Python loop: {yardstick_s():.2f} s")
    print(f"{'':40}{'median':>10}{'worst':>10}{'limit':>10}{'':6}{'server works':>12}")
    for name, times in found.items():
        middle, worst = statistics.median(times.found), max(times.found)
        works = f"{statistics.median(times.work_s):>10.2f} s" if times.work_s else ""
        print(f"{name:40}{middle:>10.2f}{worst:>10.2f}{times.limit:>10.1f} {times.unit:5}{works}")


if __name__ == "__main__":
    main()
