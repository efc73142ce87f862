"""Checking records, copying them while they are in use, putting a copy back; the commands."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from review.cli import COULD_NOT, DONE, main
from review.jobs import start_analysis, work
from review.store import StoreError, open_store
from review.store.checking import back_up, check_records, restore
from review.store.store import FILE
from tests.oldstores import first_store
from tests.scripted import scripted
from tests.stores import BY, TODAY, add_unit, tiny_video


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit with one recording, copied to the records and analysed."""
    folder = tmp_path_factory.mktemp("whole")
    with open_store(folder / "unit") as store:
        add_unit(store)
        store.add_recording(
            tiny_video(folder), person="P-1", trainer="T-1", protocol="practice", mirrored=False,
            taken_on=TODAY, by=BY, copy=True,
        )  # fmt: skip
    start_analysis(folder / "unit", 1, BY, launch=lambda _: None)
    work(folder / "unit", analyse=scripted)
    return folder / "unit"


@pytest.fixture
def unit(whole: Path, tmp_path: Path) -> Iterator[Path]:
    """A copy of it; its records point to this copy's own video."""
    folder = Path(shutil.copytree(whole, tmp_path / "unit"))
    with closing(sqlite3.connect(folder / FILE)) as connection:
        video = next((folder / "videos").glob("*.mp4"))
        connection.execute("UPDATE recordings SET file = ?", (str(video),))
        connection.commit()
    yield folder


def video_of(unit: Path) -> Path:
    return next((unit / "videos").glob("[!.]*.mp4"))


def test_sound_records_are_in_order(unit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # What tracking found lies under the first 16 digits of the hash (review/cache.py).
    (unit / "landmarks").mkdir(exist_ok=True)
    (unit / "landmarks" / f"{video_of(unit).name[:16]}-0123456789abcdef.npz").write_bytes(b"x")
    before = {path: path.read_bytes() for path in unit.rglob("*") if path.is_file()}
    assert main(["records", "check", str(unit)]) == DONE
    assert "in order" in capsys.readouterr().out
    assert {path: path.read_bytes() for path in unit.rglob("*") if path.is_file()} == before


def test_each_trouble_is_named(unit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (unit / "copies" / "somebody's.mp4").write_text("x")
    (unit / "videos" / ".x.mp4.0.held.partial").write_text("half")
    with closing(sqlite3.connect(unit / FILE)) as connection:
        connection.execute("DROP TRIGGER audit_stays")
        connection.execute("DELETE FROM audit WHERE id = 3")
        connection.commit()
    assert main(["records", "check", str(unit)]) == COULD_NOT
    said = capsys.readouterr().out.splitlines()
    assert any("somebody's.mp4: it belongs to no recording" in line for line in said)
    assert any("held.partial: half written" in line for line in said)
    assert any("audit, entry 3: it is missing" in line for line in said)
    # The entry's link in the chain belongs to nothing now, and the way out is named.
    assert len(said) == 5 and any("records salvage" in line for line in said)


def test_a_video_that_was_changed_or_is_gone(unit: Path) -> None:
    assert check_records(unit).troubles == ()
    with video_of(unit).open("ab") as video:
        video.write(b"one byte more")
    (trouble,) = check_records(unit).troubles
    assert "the video of recording 1 is not the one that was added" in trouble
    video_of(unit).unlink()
    (trouble,) = check_records(unit).troubles
    assert "the video of recording 1 is not there" in trouble


def test_damage_is_found_and_the_way_out_said(unit: Path) -> None:
    content = bytearray((unit / FILE).read_bytes())
    content[4096 * 3 : 4096 * 9] = bytes(4096 * 6)
    (unit / FILE).write_bytes(content)
    assert "'records salvage'" in check_records(unit).troubles[-1]
    (unit / FILE).write_text("this is a letter\n" * 300)
    (trouble,) = check_records(unit).troubles
    assert "damaged" in trouble and "'records restore'" in trouble
    with pytest.raises(StoreError, match="there are no records"):
        check_records(unit / "videos")


def test_an_older_form_is_only_looked_at(tmp_path: Path) -> None:
    old = first_store(tmp_path / "old")
    before = (old / FILE).read_bytes()
    found = check_records(old)
    assert any("its form is older (r0001)" in said for said in found.looked_at)
    assert len(found.troubles) == 2, "its two videos lie in a folder that is gone"
    assert (old / FILE).read_bytes() == before


# --- copies ----------------------------------------------------------------------------------


def test_a_copy_put_back_is_what_was_there(
    unit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "safe" / "copy.sqlite"
    with open_store(unit) as store:
        kept = store.comment(1, "before the copy", by=BY)
        assert main(["records", "backup", str(unit), "--to", str(copy)]) == DONE
        store.comment(1, "after the copy", by=BY)
        people, audit = store.people(), store.audit(limit=1000)
    assert "videos" in capsys.readouterr().out
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert os.listdir(copy.parent) == ["copy.sqlite"]
    new = tmp_path / "new"
    assert main(["records", "restore", str(copy), "--to", str(new)]) == DONE
    assert "persons erased since" in capsys.readouterr().out
    with open_store(new) as store:
        assert store.comments(1) == (kept,) and store.people() == people
        assert store.audit(limit=1000)[1:] == audit[1:], "and a line that it was put back"
        assert store.verify_audit().holds
    assert check_records(new).troubles == ()
    assert os.listdir(copy.parent) == ["copy.sqlite"]


def test_a_copy_made_while_somebody_writes_is_one_state(unit: Path, tmp_path: Path) -> None:
    stop = threading.Event()

    def write() -> None:
        with open_store(unit) as store:
            while not stop.is_set():
                store.comment(1, "one more", by=BY)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [back_up(unit, tmp_path / f"copy {n}.sqlite") for n in range(5)]
    finally:
        stop.set()
        writer.join()
    for number, copy in enumerate(copies):
        restore(copy, tmp_path / f"new {number}")
        with open_store(tmp_path / f"new {number}") as store:
            assert store.verify_audit().holds
            said = sum(entry.what == "commented" for entry in store.audit(limit=100_000))
            assert said == len(store.comments(1))


def test_an_older_copy_is_brought_up_to_date(tmp_path: Path) -> None:
    copy = back_up(first_store(tmp_path / "old"), tmp_path / "copy.sqlite")
    found = restore(copy, tmp_path / "new")
    assert found.videos_missing == 2 and str(found.last_at) == "2025-11-08 09:30:00.123456+00:00"
    with open_store(tmp_path / "new") as store:
        assert [person.code for person in store.people()] == ["P-1", "P-2"]


def test_what_is_no_copy_is_refused_and_nothing_is_left(unit: Path, tmp_path: Path) -> None:
    (tmp_path / "letter").write_text("a letter\n" * 2000)
    with pytest.raises(StoreError, match="no sound copy"):
        restore(tmp_path / "letter", tmp_path / "new")
    with pytest.raises(StoreError, match="no such file"):
        restore(tmp_path / "nothing", tmp_path / "new")
    copy = back_up(unit, tmp_path / "copy.sqlite")
    with pytest.raises(StoreError, match="choose a new folder"):
        restore(copy, unit)
    with pytest.raises(StoreError, match="choose a new name"):
        back_up(unit, copy)
    content = bytearray((unit / FILE).read_bytes())
    content[4096 * 3 : 4096 * 9] = bytes(4096 * 6)
    (unit / FILE).write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        back_up(unit, tmp_path / "damaged.sqlite")
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r7777'")
        connection.commit()
    with pytest.raises(StoreError, match="newer release"):
        restore(copy, tmp_path / "new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["copy.sqlite", "letter", "unit"]


def test_the_salvage_command(
    unit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (unit / FILE).read_bytes()
    new = tmp_path / "new"
    assert main(["records", "salvage", str(unit), "--to", str(new)]) == DONE
    assert "Nothing was lost." in capsys.readouterr().out
    assert (unit / FILE).read_bytes() == before
    found = check_records(new)
    assert found.troubles == ()
    with open_store(new) as store:
        # The video came along, and the records point to where it is now.
        assert Path(store.recording(1).file) == video_of(new)
    assert main(["records", "salvage", str(unit), "--to", str(new)]) == COULD_NOT
    assert "choose a new folder" in capsys.readouterr().err
