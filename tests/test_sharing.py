"""Clips for teaching: only with a consent to teaching, noted, and nothing left when stopped."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from review import sharing
from review.cli import app
from review.sharing import share_recording
from review.store import ConsentError, Store, StoreError, open_store
from review.store.records import Purpose
from review.video import probe
from tests import media
from tests.stores import BY, add_recording, add_unit

MADE = {"pictures": 9, "pictures_found": 7, "covered": 0.1, "duration_s": 0.36, "sound": False}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "unit") as opened:
        add_unit(opened)
        yield opened


@pytest.fixture
def recording(store: Store, tmp_path: Path) -> int:
    video = media.write_video(tmp_path / "v.mp4", media.steady(25, 25.0), (96, 64), sound=True)
    return add_recording(store, video).id


@pytest.fixture
def made_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clip is made without looking for faces; `test_sharedcopy.py` looks at the making."""

    def make(task, arguments, limits, *, name, progress):  # type: ignore[no-untyped-def]
        Path(arguments["target"]).write_bytes(b"clip")
        return MADE

    monkeypatch.setattr(sharing, "run_guarded", make)


def agree(store: Store, *purposes: Purpose, sound: bool = False) -> None:
    store.add_consent("P-1", purposes=purposes, until=None, sound=sound, by=BY)


def exported(store: Store) -> list[str]:
    return [entry.detail for entry in store.audit() if entry.what == "exported"]


def test_without_a_consent_to_teaching_there_is_no_clip(
    store: Store, recording: int, tmp_path: Path, made_at_once: None
) -> None:
    clip = tmp_path / "clip.mp4"

    def refused(words: str, *, sound: bool = False) -> None:
        with pytest.raises(ConsentError, match=words):
            share_recording(store, recording, clip, start_s=0, end_s=1, by=BY, sound=sound)
        assert not clip.exists() and exported(store) == []

    refused("P-1 may be shared: the consent does not include teaching")
    agree(store, "review", "teaching")
    refused("does not include the sound", sound=True)
    consent = store.current_consent("P-1")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)
    refused("withdrawn")


def test_a_clip_is_noted_with_its_span(
    store: Store, recording: int, tmp_path: Path, made_at_once: None
) -> None:
    agree(store, "review", "teaching")
    clip = tmp_path / "clip.mp4"
    made = share_recording(store, recording, clip, start_s=0.25, end_s=0.75, by=BY)
    assert made.pictures_found == 7 and clip.exists()
    assert exported(store) == [
        "clip for teaching, 0.25 s to 0.75 s, faces covered, without sound: clip.mp4"
    ]
    assert [e.who for e in store.audit() if e.what == "exported"] == [BY]


def test_a_consent_withdrawn_meanwhile_leaves_no_clip(
    store: Store, recording: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    agree(store, "review", "teaching")

    def withdrawn(task, arguments, limits, *, name, progress):  # type: ignore[no-untyped-def]
        Path(arguments["target"]).write_bytes(b"clip")
        consent = store.current_consent("P-1")
        assert consent is not None
        store.withdraw_consent(consent.id, by=BY)
        return MADE

    monkeypatch.setattr(sharing, "run_guarded", withdrawn)
    with pytest.raises(ConsentError):
        share_recording(store, recording, tmp_path / "c.mp4", start_s=0, end_s=1, by=BY)
    assert not (tmp_path / "c.mp4").exists() and exported(store) == []


def test_a_clip_that_cannot_be_noted_does_not_exist(
    store: Store, recording: int, tmp_path: Path, made_at_once: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    agree(store, "review", "teaching")

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.")

    monkeypatch.setattr(type(store), "note_export", full)
    with pytest.raises(StoreError, match="full"):
        share_recording(store, recording, tmp_path / "c.mp4", start_s=0, end_s=1, by=BY)
    assert not (tmp_path / "c.mp4").exists()


def test_places_and_recordings_that_do_not_do(
    store: Store, recording: int, tmp_path: Path, made_at_once: None
) -> None:
    agree(store, "review", "teaching")
    (tmp_path / "there.mp4").touch()
    (tmp_path / "link.mp4").symlink_to(tmp_path / "unit" / "records.sqlite")
    for name, words in (
        ("there.mp4", "there already"),
        ("link.mp4", "there already"),
        ("clip.mov", "ends in .mp4"),
        ("none/clip.mp4", "no folder"),
    ):
        with pytest.raises(StoreError, match=words):
            share_recording(store, recording, tmp_path / name, start_s=0, end_s=1, by=BY)
    Path(store.recording(recording).file).write_bytes(b"another file")
    with pytest.raises(StoreError, match="was changed since it was added"):
        share_recording(store, recording, tmp_path / "c.mp4", start_s=0, end_s=1, by=BY)
    assert exported(store) == []


def test_the_command_makes_a_clip_in_a_child(store: Store, recording: int, tmp_path: Path) -> None:
    """The real thing, on pictures without a face: refused until somebody looked."""
    agree(store, "review", "teaching", sound=True)
    clip = tmp_path / "clip.mp4"
    words = ["share", str(recording), "--unit", str(store.folder), "--from", "0.2", "--to", "0.6"]
    words += ["--out", str(clip), "--by", "Tess", "--sound"]
    refused = CliRunner().invoke(app, words)
    assert refused.exit_code == 1 and "--looked-at" in str(refused.exception)
    assert not clip.exists() and exported(store) == []
    done = CliRunner().invoke(app, [*words, "--looked-at"])
    assert done.exit_code == 0, done.output
    assert "Watch it once before you hand it on" in done.output
    assert probe(clip).has_audio and probe(clip).duration_s == pytest.approx(0.4, abs=0.05)
    assert len(exported(store)) == 1 and "with sound" in exported(store)[0]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["clip.mp4", "unit", "v.mp4"]


def test_stopped_it_leaves_nothing(store: Store, recording: int, tmp_path: Path) -> None:
    agree(store, "review", "teaching")
    out = tmp_path / "out"
    out.mkdir()

    def stop(share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        share_recording(
            store, recording, out / "c.mp4", start_s=0, end_s=1, by=BY, looked_at=True,
            progress=stop,
        )  # fmt: skip
    assert list(out.iterdir()) == [] and exported(store) == []
