"""What is prepared for the review page: the same as without it, and never out of date."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from review import pipeline, prepared
from review.analysis import Analysis, ProtocolUsed, Recording
from review.cache import pack_track, unpack_track
from review.degrade import mirror_track
from review.lanes import overlay_bytes
from review.openline import open_line_windows
from review.pipeline import Corrections, Reviewed, build_analysis, evidence_of, review_track
from review.prepared import (
    MADE_BY,
    keep_prepared,
    landmarks_file,
    load_prepared,
    prepare,
    slimmed,
)
from review.protocol import Protocol, load_protocol
from review.timeline import Phase
from review.tracks import LandmarkTrack
from tests import builders
from tests.test_layers import imports, layer, part, sources

SHA = "5" * 64
PRACTICE = load_protocol("practice")
PHASES = builders.phases(
    (Phase.WASH, 0.0, 8.0),
    (Phase.SURFACE_PREP, 8.0, 16.0),
    (Phase.HAND_RUB, 16.0, 20.0),
    (Phase.CONNECT, 20.0, 28.0),
    (Phase.OTHER, 28.0, 30.0),
)


@pytest.fixture(scope="module")
def track() -> LandmarkTrack:
    """Half a minute of hands that move, part and get lost, and a mouth that moves."""
    rng = np.random.default_rng(4)
    at = builders.times(30.0, 15.0)
    n = len(at)
    apart = 0.16 + 0.13 * np.sin(2 * np.pi * 0.11 * at)
    beat = 0.02 * np.sin(2 * np.pi * 1.4 * at)
    left = np.stack([0.5 + apart / 2 + beat, np.full(n, 0.4)], axis=1)
    right = np.stack([0.5 - apart / 2, 0.4 + beat], axis=1)
    left[(at > 11) & (at < 12)] = np.nan
    hands = builders.hands_at(left, right, n)
    face = builders.faces(builders.syllables(at, rng), jitter=0.0002, rng=rng)
    face[at < 3] = np.nan
    made = builders.make_track(at, hands, face)
    return unpack_track(pack_track(made))


@pytest.fixture
def folder(tmp_path: Path, track: LandmarkTrack) -> Path:
    keep_landmarks(tmp_path, track)
    return tmp_path


def keep_landmarks(folder: Path, track: LandmarkTrack, name: str = "a") -> Path:
    meta = json.dumps({"made_from": {"sha256": SHA}}).encode()
    place = folder / f"{SHA[:16]}-{name}.npz"
    np.savez(place, meta=np.frombuffer(meta, dtype=np.uint8), **pack_track(track))  # type: ignore[arg-type]
    return place


def document(track: LandmarkTrack, **what: Any) -> Analysis:
    recording = Recording(file="x.mp4", duration_s=track.time.end_s, width=1280, height=720)
    return build_analysis(review_track(track, PRACTICE, **what), PRACTICE, recording)


def same(one: Any, other: Any) -> bool:
    """Equal to the last bit, NaN where NaN is."""
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(one, other, equal_nan=True)
    if dataclasses.is_dataclass(one):
        fields = [f.name for f in dataclasses.fields(one) if f.compare]
        return all(same(getattr(one, name), getattr(other, name)) for name in fields)
    return bool(one == other)


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# --- the same results ------------------------------------------------------------------------


def test_later_stages_say_the_same_from_what_was_kept(folder: Path, track: LandmarkTrack) -> None:
    load_prepared(folder, SHA, False, PRACTICE)
    again = load_prepared(folder, SHA, False, PRACTICE)
    assert again is not None
    assert files(folder) == [f"{SHA[:16]}-a.evidence", f"{SHA[:16]}-a.npz"]
    machine = document(track)
    kept = document(
        again.track, evidence=again.series, corrections=Corrections(phases=again.phases)
    )
    assert kept == machine
    for silent in (False, True):  # where the model says nothing, the hands tell
        whole, series = evidence_of(track, PRACTICE), again.series
        if silent:
            closed = np.full_like(series.emissions.open_prob, 0.01)
            quiet = dataclasses.replace(series.emissions, open_prob=closed)
            series = dataclasses.replace(series, emissions=quiet)
            whole = dataclasses.replace(whole, emissions=quiet)
        corrections = Corrections(phases=PHASES)
        direct = document(track, evidence=whole, corrections=corrections)
        assert document(again.track, evidence=series, corrections=corrections) == direct
        assert direct.open_line and direct.open_line[0].basis != "phase"


def test_what_is_read_is_what_was_worked_out(folder: Path, track: LandmarkTrack) -> None:
    made = prepare(track, PRACTICE)
    load_prepared(folder, SHA, False, PRACTICE)
    read = load_prepared(folder, SHA, False, PRACTICE)
    assert read is not None and same(read, made)
    assert read.track.time.times_s is not made.track.time.times_s


def test_the_analysis_leaves_it_beside_the_landmarks(
    folder: Path, track: LandmarkTrack, monkeypatch: pytest.MonkeyPatch
) -> None:
    evidence = evidence_of(track, PRACTICE)
    findings = review_track(track, PRACTICE, evidence=evidence)
    recording = Recording(file="", sha256=SHA, duration_s=30.0, width=1280, height=720)
    analysis = build_analysis(findings, PRACTICE, recording)
    talking = findings.open_line.probability
    keep_prepared(folder, Reviewed(analysis, findings, talking, track, evidence), PRACTICE)
    expected = prepare(track, PRACTICE)
    monkeypatch.setattr(prepared, "prepare", None)  # nothing is left to do
    found = load_prepared(folder, SHA, False, PRACTICE)
    assert found is not None and same(found, expected)
    # The page takes the protocol from the document.
    stored = Protocol.model_validate(ProtocolUsed.of(PRACTICE).content)
    assert same(load_prepared(folder, SHA, False, stored), found)


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_points_to_draw_are_the_same(track: LandmarkTrack, mirrored: bool) -> None:
    whole = dataclasses.replace(mirror_track(track), mirrored=True) if mirrored else track
    assert overlay_bytes(slimmed(whole)) == overlay_bytes(whole)


def test_remembering_changes_nothing(track: LandmarkTrack, monkeypatch: pytest.MonkeyPatch) -> None:
    found = prepare(track, PRACTICE)
    moved = builders.phases(*[(s.phase, s.interval.start_s, s.interval.end_s) for s in PHASES])
    wiped: list[int] = []
    real = pipeline.measure_wiping

    def counted(*given: Any, **named: Any) -> Any:
        wiped.append(1)
        return real(*given, **named)

    monkeypatch.setattr(pipeline, "measure_wiping", counted)
    steps = [
        Corrections(phases=PHASES),
        Corrections(phases=moved, windows=()),
        Corrections(phases=PHASES, area=np.array([[0.2, 0.3], [0.8, 0.3], [0.8, 0.6], [0.2, 0.6]])),
        Corrections(phases=builders.phases((Phase.SURFACE_PREP, 8.0, 15.0), (Phase.WASH, 15, 30))),
        Corrections(phases=PHASES),
    ]
    fresh = [document(found.track, evidence=found.series, corrections=c) for c in steps]
    wiped.clear()
    kept = [
        document(found.track, evidence=found.series, corrections=c, memory=found.memory)
        for c in steps
    ]
    assert kept == fresh
    assert len(wiped) == 3, "once for each time and area"


# --- never out of date -----------------------------------------------------------------------


def test_another_protocol_or_other_landmarks_make_it_anew(
    folder: Path, track: LandmarkTrack, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    def noted(given: LandmarkTrack, protocol: Protocol, *rest: Any) -> Any:
        made.append(protocol.name)
        return prepare(given, protocol, *rest)

    monkeypatch.setattr(prepared, "prepare", noted)
    other = load_protocol("default")
    for protocol in (PRACTICE, PRACTICE, other, PRACTICE):
        load_prepared(folder, SHA, False, protocol)
    assert made == [PRACTICE.name, other.name, PRACTICE.name]
    shorter = dataclasses.replace(track, face_score=np.zeros(len(track.time), dtype=np.float32))
    shorter = dataclasses.replace(shorter, face=np.full_like(track.face, np.nan))
    keep_landmarks(folder, shorter)
    found = load_prepared(folder, SHA, False, PRACTICE)
    assert found is not None and len(made) == 4
    assert {s.kind for s in found.lanes.mouth} == {"hidden"}
    monkeypatch.setattr(prepared, "_program", lambda: "another release")
    load_prepared(folder, SHA, False, PRACTICE)
    assert len(made) == 5


@pytest.mark.parametrize("spoilt", [b"", b"PK\x03\x04 not a file", None])
def test_a_damaged_file_is_made_again(folder: Path, spoilt: bytes | None) -> None:
    first = load_prepared(folder, SHA, False, PRACTICE)
    place = folder / f"{SHA[:16]}-a.evidence"
    place.write_bytes(place.read_bytes()[:-500] if spoilt is None else spoilt)
    assert same(load_prepared(folder, SHA, False, PRACTICE), first)
    assert same(load_prepared(folder, SHA, False, PRACTICE), first)


def test_a_folder_that_cannot_be_written_is_done_without(
    folder: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(place: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(prepared, "whole_file", full)
    assert load_prepared(folder, SHA, False, PRACTICE) is not None
    assert "cannot be kept" in caplog.text
    assert files(folder) == [f"{SHA[:16]}-a.npz"]


def test_without_landmarks_there_is_nothing(folder: Path, tmp_path: Path) -> None:
    assert load_prepared(folder, "6" * 64, False, PRACTICE) is None
    assert load_prepared(folder, SHA, True, PRACTICE) is None
    assert landmarks_file(tmp_path / "nowhere", SHA, False) is None
    (folder / f"{SHA[:16]}-a.npz").unlink()
    assert load_prepared(folder, SHA, False, PRACTICE) is None


def test_a_long_recording_is_prepared_in_a_process_of_its_own(
    folder: Path, track: LandmarkTrack, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = prepare(track, PRACTICE)
    monkeypatch.setattr(prepared, "LONG_SAMPLES", 10)
    monkeypatch.setattr(prepared, "prepare", None)  # not here
    assert same(load_prepared(folder, SHA, False, PRACTICE), expected)


def test_every_module_that_decides_the_content_is_named(project: Path) -> None:
    known, seen = sources(project), set[str]()
    waiting = [
        f"review.{name}"
        for name in ("features", "emissions", "mouth", "talking", "touching", "phases", "rubbing",
                     "mask", "lanes")
    ]  # fmt: skip
    while waiting:
        module = waiting.pop()
        if module in seen or module not in known or module in ("review.flags", "review.protocol"):
            continue  # flags come after; the protocol is part of the key
        seen.add(module)
        waiting += imports(known[module])
    stages = {part(module) for module in seen if layer(part(module)) in (0, 3)}
    others = {"errors", "escaping", "review"}  # words for people
    assert stages - others <= set(MADE_BY), sorted(stages - others - set(MADE_BY))
    assert all((project / "review" / f"{name}.py").is_file() for name in MADE_BY)


def test_the_hands_tell_the_windows_as_before(track: LandmarkTrack) -> None:
    """Given or worked out on the way, how far the hands are apart leads to the same windows."""
    settings = PRACTICE.detection.open_line
    apart = prepare(track, PRACTICE).series.apart
    told = open_line_windows(PHASES, track, settings, None, apart)
    assert told == open_line_windows(PHASES, track, settings)
    assert told[0].basis == "hands"
