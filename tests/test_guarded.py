"""Work in a guarded child: its limits hold, its answers come back, nothing of it is left."""

from __future__ import annotations

import inspect
import os
from pathlib import Path

import pytest

from review import jobs
from review.errors import VideoError
from review.guarded import Limits, UnexpectedError, guarded_probe, run_guarded
from review.guardedwork import analyse_guarded, copy_guarded
from review.store import open_store
from review.video import probe
from tests import media
from tests.stores import add_recording, add_unit, tiny_video

ROOMY = Limits(memory_mib=1024, cpu_s=60.0, wall_s=120.0)
"""The wall clock is generous: a busy machine starts a child slowly."""


def children() -> set[int]:
    """Processes of this one that are there, from the list of processes."""
    listed = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")
    return {int(number) for number in listed.split()}


def test_what_a_child_finds_is_what_is_found_here(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a \n b.mp4", media.steady(10, 25.0), (96, 64), sound=True)
    assert guarded_probe(path) == probe(path)


def test_an_answer_and_an_error_come_back_as_they_are() -> None:
    words = "caf\u00e9 \udcff \u202e {nonsense}"
    assert run_guarded("tests.hostilework:echo", {"words": words}, ROOMY, name="x") == words
    with pytest.raises(VideoError, match=r"^a\.mp4 is not liked\.$"):
        run_guarded("tests.hostilework:refuse", {"name": "a.mp4"}, ROOMY, name="x")
    with pytest.raises(UnexpectedError, match="ZeroDivisionError: an odd thing"):
        run_guarded("tests.hostilework:stumble", {}, ROOMY, name="x")


@pytest.mark.parametrize(
    ("task", "arguments", "limits", "words"),
    [
        ("allocate", {"mib": 900}, Limits(512, 60.0, 120.0), "more than 0.5 GiB of memory"),
        ("spin", {}, Limits(1024, 1.0, 120.0), "more than 1 s of work"),
        ("wait", {}, Limits(1024, 60.0, 4.0), "more than 4 s"),
        ("crash", {}, ROOMY, "broke down"),
        ("chatter", {}, ROOMY, "broke down"),
    ],
)
def test_a_child_that_goes_beyond_is_one_line(
    task: str, arguments: dict[str, int], limits: Limits, words: str
) -> None:
    before = children()
    with pytest.raises(VideoError, match=words) as caught:
        run_guarded(f"tests.hostilework:{task}", arguments, limits, name="/videos/a.mp4")
    assert str(caught.value).startswith("/videos/a.mp4: ")
    assert "export it again" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert children() == before


def test_a_child_writes_nothing_unless_it_may(tmp_path: Path) -> None:
    order = {"place": str(tmp_path / "a"), "size": 3 << 20}
    with pytest.raises(UnexpectedError, match="File too large"):
        run_guarded("tests.hostilework:write", order, ROOMY, name="x")
    assert not (tmp_path / "a").exists() or (tmp_path / "a").stat().st_size == 0
    run_guarded("tests.hostilework:write", order, Limits(1024, 60.0, 120.0, file_mib=8), name="x")
    assert (tmp_path / "a").stat().st_size == 3 << 20


def test_what_progress_raises_ends_the_child_which_clears_up(tmp_path: Path) -> None:
    place, told = tmp_path / "half", []
    before = children()

    def stop(share: float) -> None:
        told.append(share)
        assert place.exists()
        if len(told) == 3:
            raise KeyboardInterrupt

    limits = Limits(1024, 60.0, 120.0, file_mib=1)
    with pytest.raises(KeyboardInterrupt):
        run_guarded(
            "tests.hostilework:half", {"place": str(place)}, limits, name="x", progress=stop
        )
    assert told == [0.0, 0.001, 0.002], "the child waits until it is told to go on"
    assert not place.exists() and children() == before


def test_a_new_recording_is_looked_at_in_a_child_only(
    tmp_path: Path, guarded_adding: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever decoding would do in this process, adding does not do it."""

    def never(path: object) -> None:
        raise AssertionError("the recording was decoded in the parent")

    monkeypatch.setattr("review.guarded.probe", never)
    monkeypatch.setattr("review.video.open_video", never)
    with open_store(tmp_path / "unit") as store:
        add_unit(store)
        assert add_recording(store, tiny_video(tmp_path)).duration_s == pytest.approx(2.0, abs=0.1)
        (tmp_path / "no video.mp4").write_bytes(b"nothing of the kind")
        with pytest.raises(VideoError, match=r"no video\.mp4 is not a video"):
            add_recording(store, tmp_path / "no video.mp4")
        assert len(store.recordings()) == 1


def test_the_worker_analyses_in_a_child() -> None:
    assert inspect.signature(jobs.work).parameters["analyse"].default is analyse_guarded
    assert jobs.make_review_copy is copy_guarded
