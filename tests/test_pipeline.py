"""The main job end to end: a recording in, phases, numbers and flags out.

The sample recordings are tracked for real, once for all tests here.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import builders
import media
import numpy as np
import pytest

from review.analysis import Analysis, FlagKind, FlagLevel
from review.cache import load_or_track
from review.degrade import mirror_track
from review.flags import find_flags
from review.labels import LabelFile, read_labels
from review.landmarks import Sampling
from review.measures import Result
from review.metrics import boundary_errors, segmental_counts
from review.pipeline import Corrections, analyse_recording, measurements, review_track
from review.protocol import load_protocol
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import LandmarkTrack

PRACTICE = load_protocol("practice")
REAL_CLIPS = "EXCHANGE_REVIEW_REAL_CLIPS"


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("landmarks")


def sample(name: str) -> Path:
    path = Path(__file__).resolve().parent.parent / "sample_clips" / f"{name}.mp4"
    assert path.is_file(), f"the sample recording {path.name} belongs to the project"
    return path


@pytest.fixture(scope="module")
def faulty(cache: Path) -> tuple[LandmarkTrack, Analysis, LabelFile]:
    path = sample("planted_faults")
    analysis = analyse_recording(path, PRACTICE, cache_dir=cache)
    track, _, timing = load_or_track(path, Sampling(), cache)
    assert timing.from_cache, "the second look at a recording must need no tracking"
    return track, analysis, read_labels(path.with_suffix(".json"))


def runs(timeline: Timeline) -> list[tuple[Phase, Interval]]:
    return [(segment.phase, segment.interval) for segment in timeline]


def looked_at(analysis: Analysis) -> set[FlagKind]:
    return {flag.kind for flag in analysis.flags if flag.level is FlagLevel.LOOK}


def test_phases_of_the_sample_are_found_where_they_are(faulty):
    _, analysis, labels = faulty
    counts = segmental_counts(runs(labels.timeline), runs(analysis.timeline), 0.5)
    assert counts.f1 is not None and counts.f1 >= 0.9
    errors = boundary_errors(runs(labels.timeline), runs(analysis.timeline), labels.extent)
    assert errors.size >= 10
    assert float(np.median(errors)) <= 1.0


def test_the_planted_faults_are_the_flags(faulty):
    _, analysis, labels = faulty
    assert looked_at(analysis) == {FlagKind(flag.kind) for flag in labels.flags}


def test_every_flag_says_why_and_lies_inside_the_recording(faulty):
    _, analysis, _ = faulty
    for flag in analysis.flags:
        assert len(flag.message) > 20 and flag.message.rstrip().endswith(".")
        assert 0 <= flag.start_s < flag.end_s <= analysis.recording.duration_s + 0.2


def test_the_wash_is_timed(faulty):
    _, analysis, labels = faulty
    whole, rubbing = analysis.measure("wash.whole_time"), analysis.measure("wash.rubbing_time")
    assert whole is not None and rubbing is not None
    assert whole.value == pytest.approx(labels.wash.whole_s, abs=1.5)
    assert rubbing.value == pytest.approx(labels.wash.rubbing_s, abs=2.0)
    assert whole.result is Result.NOT_MET and "WHO" in whole.source


def test_a_mirror_picture_gives_the_same_answer_with_left_and_right_exchanged(faulty):
    track, _, _ = faulty
    plain, mirrored = review_track(track, PRACTICE), review_track(mirror_track(track), PRACTICE)
    ours = [segment.phase for segment in plain.phases]
    assert [segment.phase for segment in mirrored.phases] == ours
    for a, b in zip(plain.phases, mirrored.phases, strict=True):
        assert a.interval.start_s == pytest.approx(b.interval.start_s, abs=0.5)
    left_right = {record.surface: record.seconds for record in plain.hygiene.surfaces}
    for record in mirrored.hygiene.surfaces:
        # The network learned from both kinds of picture; it is not mirror-symmetric by itself.
        assert record.seconds == pytest.approx(left_right[record.surface.other_side], abs=1.2)
    assert {flag.kind for flag in find_flags(plain, PRACTICE)} == {
        flag.kind for flag in find_flags(mirrored, PRACTICE)
    }


def test_the_same_recording_gives_the_same_document(faulty, cache):
    _, analysis, _ = faulty
    again = analyse_recording(sample("planted_faults"), PRACTICE, cache_dir=cache)
    assert again.without_timing() == analysis.without_timing()
    assert Analysis.from_json(again.to_json()) == again


def test_a_moved_edge_moves_what_depends_on_it_and_nothing_else(faulty):
    track, _, _ = faulty
    found = review_track(track, PRACTICE)
    wash = found.phases.of(Phase.WASH)[0]
    moved = tuple(
        replace(s, interval=Interval(s.interval.start_s, s.interval.end_s - 3.0), source="person")
        if s is wash
        else s
        for s in found.phases
    )
    corrected = review_track(
        track, PRACTICE, corrections=Corrections(phases=Timeline(found.phases.extent, moved))
    )
    before = {m.name: m.value for m in measurements(found)}
    after = {m.name: m.value for m in measurements(corrected)}
    assert after["wash.whole_time"] == pytest.approx(before["wash.whole_time"] - 3.0)
    assert after["open_line.connect_time"] == before["open_line.connect_time"]


def test_hands_hidden_for_the_whole_wash_make_it_not_assessable(faulty):
    track, _, _ = faulty
    found = review_track(track, PRACTICE)
    wash = found.phases.of(Phase.WASH)[0].interval
    hands, world = track.hands.copy(), track.hands_world.copy()
    hidden = track.time.inside(wash)
    hands[hidden], world[hidden] = np.nan, np.nan
    blind = replace(track, hands=hands, hands_world=world)
    again = review_track(blind, PRACTICE, corrections=Corrections(phases=found.phases))
    values = {m.name: m.value for m in measurements(again) if m.name.startswith("wash.")}
    assert set(values.values()) == {None}
    kinds = {flag.kind for flag in find_flags(again, PRACTICE)}
    assert FlagKind.NOT_SEEN in kinds
    assert not kinds & {FlagKind.WASH_SHORT, FlagKind.WASH_SURFACE_MISSED}


# --- recordings that show no exchange --------------------------------------------------------


def nothing_claimed(analysis: Analysis) -> None:
    assert {phase.phase for phase in analysis.phases} == {Phase.OTHER}
    assert {flag.kind for flag in analysis.flags} <= {FlagKind.NOT_SEEN}
    assert {measure.result for measure in analysis.measures} == {Result.NOT_ASSESSABLE}
    assert all(measure.value is None for measure in analysis.measures)


@pytest.mark.parametrize(("seconds", "fps"), [(5.0, 15.0), (20.0, 1.0), (0.1, 15.0)])
def test_a_picture_without_people_claims_nothing(tmp_path, seconds, fps):
    path = tmp_path / "card.mp4"
    media.write_video(path, media.steady(max(1, round(seconds * fps)), fps))
    nothing_claimed(analyse_recording(path, PRACTICE, cache_dir=tmp_path / "cache"))


@pytest.mark.parametrize("which", ["left", "right"])
def test_one_still_hand_claims_nothing(which):
    at_s = builders.times(30.0, 15.0)
    still = np.tile([0.5, 0.6], (len(at_s), 1))
    hands = builders.hands_at(
        still if which == "left" else None, still if which == "right" else None, len(at_s)
    )
    found = review_track(builders.make_track(at_s, hands), PRACTICE)
    assert {segment.phase for segment in found.phases} == {Phase.OTHER}


def test_one_sample_is_enough_to_answer():
    at_s = builders.times(0.05, 20.0)
    found = review_track(builders.make_track(at_s), PRACTICE)
    assert [segment.phase for segment in found.phases] == [Phase.OTHER]


@pytest.mark.skipif(REAL_CLIPS not in os.environ, reason=f"{REAL_CLIPS} names no folder")
def test_real_footage_of_other_things_is_no_exchange(cache):
    clips = sorted(
        path
        for path in Path(os.environ[REAL_CLIPS]).iterdir()
        if path.suffix in (".mp4", ".mkv", ".mpg")
    )
    assert clips, "the folder holds no recordings"
    for path in clips:
        nothing_claimed(analyse_recording(path, PRACTICE, cache_dir=cache))


def test_the_machine_marks_its_own_segments(faulty):
    track, _, _ = faulty
    segments: list[Segment] = list(review_track(track, PRACTICE).phases)
    assert {segment.source for segment in segments} == {"machine"}
    assert all(0 <= segment.confidence <= 1 for segment in segments)
