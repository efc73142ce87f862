"""Files that are there completely or not at all."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from review import wholefile
from review.wholefile import UNHELD_S, clear_half_files, half_files, whole_file


def test_what_was_there_stays_until_the_new_one_is_complete(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old")
    with whole_file(target) as partial:
        partial.write_text("new")
        assert target.read_text() == "old" and half_files(tmp_path) == [partial]
    assert target.read_text() == "new" and os.listdir(tmp_path) == ["a.txt"]


def test_a_writer_that_fails_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), whole_file(tmp_path / "a.txt") as partial:
        partial.write_text("half")
        raise KeyboardInterrupt
    assert os.listdir(tmp_path) == []


def test_it_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Data synced before the rename, the folder after it.

    Nothing less survives a loss of power on every file system (from memory: Pillai et al., OSDI
    2014).
    """
    done = []
    monkeypatch.setattr(
        os, "fsync", lambda handle: done.append(os.readlink(f"/proc/self/fd/{handle}"))
    )
    replace = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: (done.append("renamed"), replace(a, b)))
    with whole_file(tmp_path / "a.txt") as partial:
        partial.write_text("new")
    assert done == [str(partial), "renamed", str(tmp_path)]


def test_only_what_nobody_writes_any_more_is_cleared_away(tmp_path: Path) -> None:
    (tmp_path / "below").mkdir()
    lost = tmp_path / "below" / f".b.mp4.0{wholefile.HALF}"
    lost.write_text("half")
    fresh, stale = tmp_path / ".c.1.partial", tmp_path / ".d.1.partial"
    for place in (fresh, stale):
        place.write_text("half")
    long_ago = os.stat(stale).st_mtime - UNHELD_S - 1
    os.utime(stale, (long_ago, long_ago))
    (tmp_path / "kept.partial").write_text("a file of the user's")
    with whole_file(tmp_path / "a.txt") as held:
        held.write_text("being written")
        assert clear_half_files(tmp_path) == [stale, lost]
    assert sorted(os.listdir(tmp_path)) == [fresh.name, "a.txt", "below", "kept.partial"]


def test_cleared_away_before_the_lock_is_had_another_place_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, cleared = fcntl.flock, list[Path]()

    def late(handle: int, how: int) -> None:
        monkeypatch.setattr(fcntl, "flock", real)
        cleared.extend(clear_half_files(tmp_path))
        real(handle, how)

    monkeypatch.setattr(fcntl, "flock", late)
    with whole_file(tmp_path / "a.txt") as partial:
        partial.write_text("whole")
    assert (tmp_path / "a.txt").read_text() == "whole" and cleared not in ([], [partial])
