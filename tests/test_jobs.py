"""The queue of analyses: order, progress, cancelling, interruption, and what may go wrong."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import av
import pytest

from review import jobfiles, jobs
from review.analysis import Analysis
from review.jobs import JobStage, cancel, job_status, review_copy, start_analysis, take_up, work
from review.landmarks import Sampling
from review.protocol import Protocol
from review.store import ConsentError, RecordingState, Store, StoreError, open_store
from review.video import probe
from tests import media
from tests.scripted import TAKES, launch_scripted, runs, scripted
from tests.stores import BY, TODAY, add_recording, add_unit, tiny_video

CLIP = Path(__file__).resolve().parent.parent / "sample_clips" / "dark_small_noisy.mp4"


def launch_nothing(_: Path) -> None:
    """Leaves what was asked for in the queue."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "unit") as opened:
        add_unit(opened)
        yield opened


def asked(store: Store, *names: str) -> list[int]:
    """Recordings with these names, each asked to be analysed, in this order."""
    ids = []
    for number, name in enumerate(names):
        video = tiny_video(store.folder.parent, number)
        entry = add_recording(store, video.rename(video.with_name(f"{name}.mp4")))
        start_analysis(store.folder, entry.id, BY, launch=launch_nothing)
        ids.append(entry.id)
    return ids


def first_seconds(source: Path, target: Path, seconds: float) -> Path:
    """The beginning of a recording, its pictures as they are stored."""
    with av.open(str(source)) as whole, av.open(str(target), "w") as piece:
        stream = whole.streams.video[0]
        copied = piece.add_stream_from_template(stream)
        for packet in whole.demux(stream):
            if packet.pts is not None and packet.pts * stream.time_base < seconds:
                packet.stream = copied
                piece.mux(packet)
    return target


def until(true: Callable[[], bool], seconds: float = 40.0) -> None:
    give_up = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < give_up, "it did not come about"
        time.sleep(0.05)


def half_files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.suffix in (".partial", ".cancel")]


# --- the queue, in this process --------------------------------------------------------------


def test_recordings_are_analysed_one_after_another_in_the_order_asked(store: Store) -> None:
    ids = asked(store, "first", "second", "third")
    work(store.folder, analyse=scripted)
    assert runs(store.folder) == ["first.mp4", "second.mp4", "third.mp4"]
    for recording in ids:
        assert store.recording(recording).state is RecordingState.READY
        latest = store.analysis(recording)
        assert latest is not None and latest.basis == "machine"
        assert latest.analysis.recording.sha256 == store.recording(recording).sha256
        assert review_copy(store, recording).is_file()
        status = job_status(store.folder, recording)
        assert (status.stage, status.share, status.alive) == (JobStage.FINISHED, 1.0, False)
    assert half_files(store.folder) == []


def test_the_audit_names_who_asked(store: Store) -> None:
    (recording,) = asked(store, "one")
    work(store.folder, analyse=scripted)
    done = {entry.what: entry.who for entry in store.audit(recording_id=recording)}
    assert done["analysed"] == done["state ready"] == BY


def test_the_copy_has_sound_only_if_the_consent_says_so(store: Store, tmp_path: Path) -> None:
    video = media.write_video(tmp_path / "v.mp4", media.steady(20, 10.0), (64, 48), sound=True)
    entry = add_recording(store, video)
    start_analysis(store.folder, entry.id, BY, launch=launch_nothing)
    work(store.folder, analyse=scripted)
    silent = review_copy(store, entry.id)
    assert not probe(silent).has_audio
    store.add_consent("P-1", purposes=("review",), until=None, sound=True, by=BY)
    assert review_copy(store, entry.id) != silent, "the silent copy is not the one asked for now"
    start_analysis(store.folder, entry.id, BY, launch=launch_nothing)
    work(store.folder, analyse=scripted)
    assert probe(review_copy(store, entry.id)).has_audio


def test_analysing_again_with_the_same_result_adds_no_version(store: Store) -> None:
    (recording,) = asked(store, "one")
    work(store.folder, analyse=scripted)
    start_analysis(store.folder, recording, BY, launch=launch_nothing)
    work(store.folder, analyse=scripted)
    latest = store.analysis(recording)
    assert runs(store.folder) == ["one.mp4"] * 2
    assert latest is not None and latest.version == 1


def test_progress_goes_up_and_has_an_end_in_sight(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """4 s of work in 100 steps: share never falls, and the estimate ends near the truth."""
    monkeypatch.setattr(jobs, "BETWEEN_REPORTS_S", 0.05)
    (recording,) = asked(store, "one")
    seen = []

    def slow(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Callable[[float], None],
        sound: bool,
    ) -> Analysis:
        for step in range(100):
            time.sleep(0.04)
            progress(step / 100)
            seen.append(job_status(store.folder, recording))
        return scripted(path, protocol, sampling, cache, progress, sound)

    work(store.folder, analyse=slow)
    assert [s.share for s in seen] == sorted(s.share for s in seen)
    assert seen[-1].share == pytest.approx(0.85, abs=0.05)
    assert {s.stage for s in seen} == {JobStage.TRACKING} and all(s.alive for s in seen)
    assert seen[0].seconds_left is None
    left = seen[-1].seconds_left
    assert left is not None and 0.2 < left < 3.0  # 15 % of the whole at this pace: 0.7 s


def test_what_goes_wrong_is_said_and_the_next_one_goes_on(store: Store) -> None:
    broken, odd, fine = asked(store, "broken", "odd", "fine")
    work(store.folder, analyse=scripted)
    assert store.recording(broken).state is RecordingState.FAILED
    assert "is broken: record it again." in store.recording(broken).state_text
    assert job_status(store.folder, broken).message == store.recording(broken).state_text
    assert "ZeroDivisionError: an odd thing" in store.recording(odd).state_text
    assert store.recording(fine).state is RecordingState.READY


def test_a_file_that_was_changed_is_not_taken_for_the_one_added(store: Store) -> None:
    (recording,) = asked(store, "one")
    place = Path(store.recording(recording).file)
    tiny_video(place.parent, 7).replace(place)
    work(store.folder, analyse=scripted)
    assert "was changed since it was added" in store.recording(recording).state_text
    assert store.analysis(recording) is None


def test_without_a_copy_the_analysis_is_still_there(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    (recording,) = asked(store, "one")
    store.copies.write_text("a file in the way of the folder")
    work(store.folder, analyse=scripted)
    entry = store.recording(recording)
    assert entry.state is RecordingState.READY and store.analysis(recording) is not None
    assert "no copy for the browser" in entry.state_text and "cannot be written" in entry.state_text


# --- consent ---------------------------------------------------------------------------------


def test_without_consent_nothing_is_asked_for_or_done(store: Store) -> None:
    (recording,) = asked(store, "one")
    consent = store.current_consent("P-1")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)
    work(store.folder, analyse=scripted)
    assert runs(store.folder) == [], "it was withdrawn while waiting"
    assert store.recording(recording).state is RecordingState.FAILED
    with pytest.raises(ConsentError, match="withdrawn"):
        start_analysis(store.folder, recording, BY, launch=launch_nothing)


def test_a_consent_withdrawn_meanwhile_keeps_the_result_out(store: Store) -> None:
    (recording,) = asked(store, "one")

    def withdrawn(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Callable[[float], None],
        sound: bool,
    ) -> Analysis:
        consent = store.current_consent("P-1")
        assert consent is not None
        store.withdraw_consent(consent.id, by=BY)
        return scripted(path, protocol, sampling, cache, progress, sound)

    work(store.folder, analyse=withdrawn)
    assert store.recording(recording).state is RecordingState.FAILED
    assert not store.copies.exists() or list(store.copies.iterdir()) == []
    store.add_consent("P-1", purposes=("review",), until=None, sound=False, by=BY)
    assert store.analysis(recording) is None


def test_a_consent_withdrawn_meanwhile_stops_the_work_at_the_next_step(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "BETWEEN_REPORTS_S", 0.0)
    (recording,) = asked(store, "one")
    told: list[float] = []

    def long(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Callable[[float], None],
        sound: bool,
    ) -> Analysis:
        for step in range(10):
            if step == 3:
                consent = store.current_consent("P-1")
                assert consent is not None
                store.withdraw_consent(consent.id, by=BY)
            told.append(step)
            progress(step / 10)
        raise AssertionError("it went on without consent")

    work(store.folder, analyse=long)
    assert told == [0, 1, 2, 3]
    assert "it was withdrawn" in store.recording(recording).state_text


def test_a_session_without_its_video_cannot_be_analysed(store: Store, analysis: Analysis) -> None:
    entry = store.add_session(analysis, person="P-1", trainer="T-1", taken_on=TODAY, by=BY)
    with pytest.raises(StoreError, match="its video is not kept"):
        start_analysis(store.folder, entry.id, BY, launch=launch_nothing)


# --- cancelling ------------------------------------------------------------------------------


def test_cancelled_while_waiting_it_never_starts(store: Store) -> None:
    first, second = asked(store, "first", "second")
    cancel(store.folder, first)
    assert job_status(store.folder, first).stage is JobStage.CANCELLED
    assert store.recording(first).state is RecordingState.CANCELLED
    work(store.folder, analyse=scripted)
    assert runs(store.folder) == ["second.mp4"]
    assert store.recording(second).state is RecordingState.READY
    assert half_files(store.folder) == []


def test_cancelled_under_way_it_stops_and_leaves_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "BETWEEN_REPORTS_S", 0.0)
    first, second = asked(store, "first", "second")

    def cancelling(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Callable[[float], None],
        sound: bool,
    ) -> Analysis:
        if path.name == "first.mp4":
            cancel(store.folder, first)
            assert job_status(store.folder, first).message == "Stopping."
        return scripted(path, protocol, sampling, cache, progress, sound)

    work(store.folder, analyse=cancelling)
    assert store.recording(first).state is RecordingState.CANCELLED
    assert store.analysis(first) is None and not review_copy(store, first).exists()
    assert store.recording(second).state is RecordingState.READY
    assert half_files(store.folder) == []


def test_cancelled_while_copying_no_half_copy_is_left(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled near the end, when the encoder has begun to write."""
    monkeypatch.setattr(jobs, "BETWEEN_REPORTS_S", 0.0)
    recording = add_recording(store, tiny_video(store.folder.parent, 180)).id
    start_analysis(store.folder, recording, BY, launch=launch_nothing)
    seen = []

    def copying(source, target, *, sound, progress):  # type: ignore[no-untyped-def]
        def stop(share: float) -> None:
            if share > 0.8:
                seen.extend(half_files(store.copies))
                cancel(store.folder, recording)
            progress(share)

        return real(source, target, sound=sound, progress=stop)

    real = jobs.make_review_copy
    monkeypatch.setattr(jobs, "make_review_copy", copying)
    work(store.folder, analyse=scripted)
    assert seen, "there was no half copy to be removed"
    assert store.recording(recording).state is RecordingState.CANCELLED
    assert list(store.copies.iterdir()) == [] and half_files(store.folder) == []


def test_what_is_over_cannot_be_cancelled(store: Store) -> None:
    (recording,) = asked(store, "one")
    work(store.folder, analyse=scripted)
    cancel(store.folder, recording)
    cancel(store.folder, 999)
    assert store.recording(recording).state is RecordingState.READY
    assert half_files(store.folder) == []


def test_after_cancelling_it_can_be_asked_for_again(store: Store) -> None:
    (recording,) = asked(store, "one")
    cancel(store.folder, recording)
    start_analysis(store.folder, recording, BY, launch=launch_nothing)
    work(store.folder, analyse=scripted)
    assert store.recording(recording).state is RecordingState.READY


# --- a process of its own --------------------------------------------------------------------


@pytest.mark.slow
def test_a_detached_worker_survives_its_starter_and_can_be_cancelled(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TAKES, "60")
    first, second = asked(store, "first", "second")
    launch_scripted(store.folder)
    until(lambda: job_status(store.folder, first).stage is JobStage.TRACKING)
    status = job_status(store.folder, first)
    assert status.alive and status.share < 1.0
    assert job_status(store.folder, second).alive, "it waits for a worker that is there"
    # A second worker sees that one is at work and leaves.
    work(store.folder, analyse=scripted)
    assert runs(store.folder) == ["first.mp4"]
    assert take_up(store.folder, launch=launch_nothing) == ()
    for recording in (second, first):
        cancel(store.folder, recording)
    until(lambda: not jobfiles.worker_alive(store.folder))
    for recording in (first, second):
        assert job_status(store.folder, recording).stage is JobStage.CANCELLED
        assert store.recording(recording).state is RecordingState.CANCELLED
    assert runs(store.folder) == ["first.mp4"] and half_files(store.folder) == []


@pytest.mark.slow
def test_killed_under_way_the_work_is_taken_up_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TAKES, "60")
    first, second = asked(store, "first", "second")
    launch_scripted(store.folder)
    until(lambda: job_status(store.folder, first).stage is JobStage.TRACKING)
    until(lambda: runs(store.folder) == ["first.mp4"])  # the stage is told before the run begins
    os.kill(int((store.folder / "worker.pid").read_text()), signal.SIGKILL)
    until(lambda: not jobfiles.worker_alive(store.folder))
    status = job_status(store.folder, first)
    assert (status.stage, status.alive) == (JobStage.TRACKING, False)
    assert "can be taken up again" in status.message
    store.copies.mkdir()
    (store.copies / ".x.mp4.1.held.partial").write_text("half a copy")
    monkeypatch.setenv(TAKES, "0")
    assert take_up(store.folder, launch=launch_scripted) == (first, second)
    until(lambda: job_status(store.folder, second).stage is JobStage.FINISHED)
    assert runs(store.folder) == ["first.mp4", "first.mp4", "second.mp4"]
    assert store.recording(first).state is RecordingState.READY
    until(lambda: not jobfiles.worker_alive(store.folder))
    assert half_files(store.folder) == []


@pytest.mark.slow
def test_a_recording_that_takes_the_worker_down_is_not_tried_for_ever(store: Store) -> None:
    deadly, fine = asked(store, "deadly", "fine")

    def come_and_gone(times: int) -> bool:
        there = len(runs(store.folder)) == times
        return there and not jobfiles.worker_alive(store.folder)

    for times in range(1, jobs.MOST_TRIES + 1):
        assert take_up(store.folder, launch=launch_scripted) == (deadly, fine)
        until(partial(come_and_gone, times))
    assert take_up(store.folder, launch=launch_scripted) == (deadly, fine)
    until(lambda: come_and_gone(jobs.MOST_TRIES + 1))
    assert runs(store.folder) == ["deadly.mp4"] * jobs.MOST_TRIES + ["fine.mp4"]
    assert take_up(store.folder, launch=launch_scripted) == ()
    assert store.recording(deadly).state is RecordingState.FAILED
    assert "stopped the program 3 times" in store.recording(deadly).state_text
    assert store.recording(fine).state is RecordingState.READY


def test_a_recording_left_as_being_analysed_without_a_job_is_taken_up(store: Store) -> None:
    entry = add_recording(store, tiny_video(store.folder.parent))
    store.set_state(entry.id, RecordingState.ANALYSING)
    assert take_up(store.folder, launch=launch_nothing) == (entry.id,)
    work(store.folder, analyse=scripted)
    assert store.recording(entry.id).state is RecordingState.READY
    assert take_up(store.folder, launch=launch_nothing) == ()


def test_the_real_worker_starts_in_a_process_of_its_own(store: Store) -> None:
    """With an empty queue it comes up, finds nothing to do and ends without a complaint."""
    jobs.launch_worker(store.folder)
    until(lambda: (store.folder / "jobs" / "worker.lock").exists())
    until(lambda: not jobfiles.worker_alive(store.folder))
    assert (store.folder / "jobs" / "worker.log").read_text() == ""


# --- files -----------------------------------------------------------------------------------


def test_asked_for_a_moment_ago_counts_as_attended(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    (recording,) = asked(store, "one")
    assert job_status(store.folder, recording).alive, "its worker is just coming up"
    monkeypatch.setattr(jobfiles, "STARTING_S", 0.0)
    assert not job_status(store.folder, recording).alive


def test_a_job_file_that_makes_no_sense_is_passed_over(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    damaged, fine = asked(store, "damaged", "fine")
    place = store.folder / "jobs" / f"{damaged}.json"
    for content in ("{", "[]", json.dumps({"stage": "dancing"}), "{}"):
        place.write_text(content)
        assert job_status(store.folder, damaged).stage is JobStage.NONE
    assert "makes no sense" in caplog.text
    work(store.folder, analyse=scripted)
    assert store.recording(fine).state is RecordingState.READY


def test_nothing_asked_for(store: Store) -> None:
    status = job_status(store.folder, 5)
    assert (status.stage, status.share, status.alive) == (JobStage.NONE, 0.0, False)


# --- for real --------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_piece_of_a_sample_recording_from_end_to_end(store: Store, tmp_path: Path) -> None:
    """The real analysis in the real detached worker, as the page asks for it."""
    entry = add_recording(store, first_seconds(CLIP, tmp_path / "piece.mp4", 6.0))
    start_analysis(store.folder, entry.id, BY)
    assert job_status(store.folder, entry.id).alive
    until(lambda: job_status(store.folder, entry.id).stage is JobStage.FINISHED, 240.0)
    latest = store.analysis(entry.id)
    assert latest is not None and latest.analysis.recording.sha256 == entry.sha256
    assert latest.analysis.timing.frames_tracked == pytest.approx(6.0 * 15, abs=3)
    copy = probe(review_copy(store, entry.id))
    assert copy.duration_s == pytest.approx(entry.duration_s, abs=0.1)
    assert list(store.landmarks.glob("*.npz")), "the landmarks are kept for later"
    assert store.recording(entry.id).state is RecordingState.READY
    assert half_files(store.folder) == []
    until(lambda: not jobfiles.worker_alive(store.folder))
