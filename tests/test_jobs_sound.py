"""The sound of a recording is read by a job where the person's consent includes it, never else."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import av
import pytest

from review import guardedwork, jobs
from review.analysis import Analysis
from review.guardedwork import analyse_guarded, analyse_task
from review.jobs import start_analysis, work
from review.landmarks import Sampling
from review.protocol import Protocol, load_protocol
from review.store import RecordingState, Store, open_store
from review.video import probe
from tests import media
from tests.scripted import scripted
from tests.stores import BY, add_recording, add_unit

Progress = Callable[[float], None]


class Watched:
    """An opened recording that writes down which kinds of streams are decoded or read."""

    def __init__(self, container: Any, read: set[str]) -> None:
        self._container, self._read = container, read

    def __getattr__(self, name: str) -> Any:
        return getattr(self._container, name)

    def __enter__(self) -> Watched:
        self._container.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._container.__exit__(*error)

    def _note(self, streams: tuple[Any, ...], kinds: dict[str, Any]) -> None:
        named = {stream.type for stream in streams}
        every = {stream.type for stream in self._container.streams}
        self._read |= named | set(kinds) or every

    def decode(self, *streams: Any, **kinds: Any) -> Any:
        self._note(streams, kinds)
        return self._container.decode(*streams, **kinds)

    def demux(self, *streams: Any, **kinds: Any) -> Any:
        self._note(streams, kinds)
        return self._container.demux(*streams, **kinds)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Kinds of streams read since; opened files are watched."""
    kinds: set[str] = set()
    real = av.open

    def opened(file: Any, mode: Any = None, *rest: Any, **more: Any) -> Any:
        container = real(file, mode, *rest, **more)
        return container if mode == "w" else Watched(container, kinds)

    monkeypatch.setattr(av, "open", opened)
    return kinds


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "unit") as opened:
        add_unit(opened)
        yield opened


def agree(store: Store, *, sound: bool) -> None:
    store.add_consent("P-1", purposes=("review",), until=None, sound=sound, by=BY)


def ask(store: Store, *, number: int = 0) -> int:
    """A recording with sound, whose analysis is asked for."""
    video = store.folder.parent / f"with sound {number}.mp4"
    media.write_video(video, media.steady(20 + number, 10.0), (64, 48), sound=True)
    entry = add_recording(store, video)
    start_analysis(store.folder, entry.id, BY, launch=lambda _: None)
    return entry.id


def no_copy(source: Path, target: Path, **_: Any) -> None:
    """Copies are tested elsewhere, with and without sound."""


def here(
    path: Path,
    protocol: Protocol,
    sampling: Sampling,
    cache: Path,
    progress: Progress,
    sound: bool,
) -> Analysis:
    """What the guarded child does, in this process, so that it can be watched."""
    found = analyse_task(
        str(path), protocol.model_dump(mode="json", by_alias=True), asdict(sampling), str(cache),
        sound, progress,
    )  # fmt: skip
    return Analysis.model_validate_json(found)


@pytest.mark.slow
def test_the_stream_of_sound_is_read_only_while_the_consent_includes_it(
    store: Store, read: set[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "make_review_copy", no_copy)
    recording = ask(store)
    for agreed in (False, True, False):
        agree(store, sound=agreed)
        start_analysis(store.folder, recording, BY, launch=lambda _: None)
        read.clear()
        work(store.folder, analyse=here)
        assert store.recording(recording).state is RecordingState.READY
        assert read - {"video"} == ({"audio"} if agreed else set())
        latest = store.analysis(recording)
        assert latest is not None and latest.analysis.sampling is not None
        assert latest.analysis.sampling.sound is agreed
        assert ('"sound": true' in latest.analysis.to_json()) is agreed


def test_the_sound_withdrawn_while_at_work_is_not_read_and_the_work_goes_on(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "make_review_copy", no_copy)
    agree(store, sound=True)
    recording = ask(store)
    asked: list[bool] = []

    def changed_mind(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Progress,
        sound: bool,
    ) -> Analysis:
        asked.append(sound)
        if sound:
            agree(store, sound=False)
            progress(1.0)  # as the pipeline says before it reads the sound
            raise AssertionError("the sound would have been read")
        return scripted(path, protocol, sampling, cache, progress, sound)

    work(store.folder, analyse=changed_mind)
    assert asked == [True, False]
    assert store.recording(recording).state is RecordingState.READY


def test_what_was_made_with_the_sound_is_not_kept_once_it_was_withdrawn(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "make_review_copy", no_copy)
    agree(store, sound=True)
    recording = ask(store)

    def late(
        path: Path,
        protocol: Protocol,
        sampling: Sampling,
        cache: Path,
        progress: Progress,
        sound: bool,
    ) -> Analysis:
        found = scripted(path, protocol, sampling, cache, progress, sound)
        if sound:
            agree(store, sound=False)
        used = found.sampling.model_copy(update={"sound": sound}) if found.sampling else None
        return found.model_copy(update={"sampling": used})

    work(store.folder, analyse=late)
    latest = store.analysis(recording)
    assert latest is not None and latest.analysis.sampling is not None
    assert not latest.analysis.sampling.sound


@pytest.mark.parametrize("sound", [False, True])
def test_the_child_is_told_whether_the_sound_may_be_used(
    sound: bool, tmp_path: Path, analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    orders: list[dict[str, Any]] = []

    def answered(task: str, order: dict[str, Any], *_: Any, **__: Any) -> str:
        assert task == "review.guardedwork:analyse_task"
        orders.append(order)
        return analysis.to_json()

    monkeypatch.setattr(guardedwork, "run_guarded", answered)
    video = media.write_video(tmp_path / "v.mp4", media.steady(5, 10.0), (64, 48), sound=True)
    monkeypatch.setattr(guardedwork, "guarded_probe", probe)
    analyse_guarded(
        video, load_protocol("practice"), Sampling(), tmp_path, lambda share: None, sound
    )
    assert orders[0]["sound"] is sound
    assert set(orders[0]) | {"progress"} == set(inspect.signature(analyse_task).parameters)
