"""Damaged and hostile recordings: one clear line each, in bounded time, and nothing else happens.

The mutations and what they rest on: `tests/hostile.py`. Published sources: FFmpeg's own protocol
documentation on `protocol_whitelist` and the `concat` and HLS demuxers (from memory).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import socket
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from review.errors import VideoError
from review.escaping import plain_line
from review.guarded import guarded_probe
from review.video import file_sha256, probe, sample_frames
from tests import hostile, media
from tests.hostilework import read_all

LONGEST_S = 90.0
"""Seconds for one file on a busy machine; an idle one takes well under a second."""


def tree(folder: Path) -> dict[str, str]:
    """Every file below a folder with its content's hash, every link with its goal."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            found[str(path)] = os.readlink(path)
        elif path.is_file():
            found[str(path)] = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            found[str(path)] = "folder or device"
    return found


def is_clear(message: str, path: Path) -> bool:
    """One line for people that names the file and says what to do, and no inside of a program."""
    return (
        len(message.splitlines()) == 1
        and plain_line(path.name) in message
        and not any(word in message for word in ("Traceback", "Errno", "Exception", "0x"))
        and message.endswith(".")
    )


@pytest.mark.trust
def test_mutated_recordings(
    tmp_path: Path, how_many: Callable[[int, int], int], record_number: Callable[..., None]
) -> None:
    """Probed and read through, each in a child with bounded memory that can write nothing."""
    files = hostile.mutated(tmp_path / "in", how_many(60, 600), seed=20240229)
    assert len(files) >= 60
    before = tree(tmp_path)
    found = read_all(files, LONGEST_S)
    assert [read.path for read in found] == files
    assert tree(tmp_path) == before, "something was written"
    outcomes = Counter(read.outcome for read in found)
    record_number("hostile recordings read", len(found))
    for outcome in ("read", "refused", "died", "long", "hole"):
        record_number(f"hostile recordings: {outcome}", outcomes[outcome])
    record_number("hostile recordings: slowest (s)", max(read.seconds for read in found))
    assert [read for read in found if read.outcome == "hole"] == []
    unclear = [r for r in found if r.outcome == "refused" and not is_clear(r.words, r.path)]
    assert unclear == []
    assert outcomes["read"] > 0 and outcomes["refused"] > 0, "the mutations do too much or nothing"
    # What ended a child ends it in earnest, too, and is one line there.
    for read in [r for r in found if r.outcome in ("died", "long")]:
        with pytest.raises(VideoError) as caught:
            guarded_probe(read.path)
        assert is_clear(str(caught.value), read.path)


# --- files that point elsewhere --------------------------------------------------------------


@contextmanager
def listener() -> Iterator[tuple[str, list[str]]]:
    """An address on this computer, and what called there."""
    calls: list[str] = []
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        server.settimeout(0.1)
        done = threading.Event()

        def answer() -> None:
            while not done.is_set():
                try:
                    calling, _ = server.accept()
                except TimeoutError:
                    continue
                calls.append(calling.recv(200).decode("latin-1"))
                calling.close()

        thread = threading.Thread(target=answer)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.getsockname()[1]}", calls
        finally:
            done.set()
            thread.join()


@pytest.mark.trust
def test_a_file_opens_no_other_file_and_no_address(
    tmp_path: Path, record_number: Callable[..., None]
) -> None:
    """The other file is a fine recording: whoever opened it would have pictures to show."""
    secret = media.write_video(tmp_path / "secret.ts", media.steady(20, 25.0), (320, 240))
    with listener() as (address, calls):
        files = hostile.pointing_elsewhere(tmp_path / "in", secret, address)
        before = tree(tmp_path)
        for path in files:
            if path.name == "reference.mov":  # its header is read, its pictures lie elsewhere
                with pytest.raises(VideoError) as caught:
                    list(sample_frames(path))
            else:
                with pytest.raises(VideoError) as caught:
                    probe(path)
            assert is_clear(str(caught.value), path), str(caught.value)
    assert calls == []
    assert tree(tmp_path) == before
    record_number("files that point elsewhere", len(files))
    record_number("files that point elsewhere: opened others or called", len(calls))


def test_the_listener_would_have_heard_a_call() -> None:
    with listener() as (address, calls):
        host, port = address.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port))) as calling:
            calling.sendall(b"GET /")
            calling.recv(1)
    assert calls == ["GET /"]


@pytest.mark.parametrize(
    "name", ["concat:secret.mp4", "file:secret.mp4", "subfile,,start,0,end,0,,:secret.mp4"]
)
def test_a_name_is_no_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """The file of that name is read, not the one that a decoder would take it for."""
    media.write_video(tmp_path / "secret.mp4", media.steady(5, 25.0), (320, 240))
    made = media.write_video(tmp_path / "own.mp4", media.steady(5, 25.0), (96, 64))
    made.rename(tmp_path / name)
    monkeypatch.chdir(tmp_path)
    assert (probe(name).width, probe(name).height) == (96, 64)


# --- what is no file -------------------------------------------------------------------------


def test_links_pipes_devices_and_folders(tmp_path: Path) -> None:
    fine = media.write_video(tmp_path / "fine.mp4", media.steady(5, 25.0), (96, 64))
    link = tmp_path / "link.mp4"
    link.symlink_to(fine)
    assert probe(link).width == 96, "a link to a recording is a recording"
    (tmp_path / "nowhere.mp4").symlink_to(tmp_path / "gone.mp4")
    (tmp_path / "round.mp4").symlink_to(tmp_path / "round.mp4")
    (tmp_path / "device.mp4").symlink_to("/dev/zero")
    (tmp_path / "memory.mp4").symlink_to("/proc/self/mem")
    (tmp_path / "folder.mp4").mkdir()
    os.mkfifo(tmp_path / "pipe.mp4")
    (tmp_path / "empty.mp4").touch()
    for name in ("nowhere", "round", "device", "memory", "folder", "pipe", "empty"):
        path = tmp_path / f"{name}.mp4"
        for look in (probe, file_sha256, sample_frames):
            if name == "memory" and look is not probe:
                continue  # an ordinary file to the system; it is refused before it is hashed
            with pytest.raises(VideoError) as caught:
                look(path)
            assert is_clear(str(caught.value), path), str(caught.value)


@pytest.mark.parametrize("name", hostile.HOSTILE_NAMES)
def test_names_that_mean_something(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text("no video")
    with pytest.raises(VideoError) as caught:
        probe(path)
    assert is_clear(str(caught.value), path), str(caught.value)
    assert not set("\x07\x1b\n\u202e") & set(str(caught.value))
    shutil.copy(media.write_video(tmp_path / "sound.mp4", media.steady(3, 25.0), (96, 64)), path)
    assert probe(path).width == 96


def test_a_name_in_no_encoding(tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/half\xff.mp4"))
    path.write_text("no video")
    with pytest.raises(VideoError) as caught:
        guarded_probe(path)
    str(caught.value).encode("utf-8")
    assert len(str(caught.value).splitlines()) == 1
