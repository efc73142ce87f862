"""Killed at any point: nothing confirmed is lost, nothing half is served, the work is finished."""

from __future__ import annotations

import hashlib
import json
import random
import re
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from review.jobs import take_up
from review.sealed import open_bytes
from review.store import RecordingState, open_store
from review.store.database import HEAD
from review.store.store import FILE
from review.video import probe, sample_frames
from review.wholefile import clear_half_files, half_files
from tests import killing, media
from tests.killing import Kill, Task, Unbroken
from tests.oldstores import FIRST, ROWS, first_store, rows_of_the_first_form
from tests.stores import BY, add_recording, add_unit

SHORT, LONG = 4, 35
"""Kills of each task in an ordinary run, and with ``-m trust``."""

MOMENT = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(\.\d+)?(\+00:00)?")
TELLS_THE_WAY = {"audit", "audit_chain", "audit_head", "sqlite_sequence"}
"""Tables that say how often something was tried: they differ, and are checked by themselves."""


def videos(folder: Path, lengths: tuple[int, ...] = (20, 26)) -> None:
    folder.mkdir()
    for number, count in enumerate(lengths):
        media.write_video(folder / f"invented {number}.mp4", media.steady(count, 10.0), (64, 48))


def for_importing(folder: Path) -> None:
    videos(folder)
    with open_store(folder / "unit") as store:
        add_unit(store)


def for_analysing(folder: Path) -> None:
    for_importing(folder)
    with open_store(folder / "unit") as store:
        add_recording(store, folder / "invented 0.mp4")


def for_copying(folder: Path) -> None:
    videos(folder, (150,))
    (folder / "unit").mkdir()


def for_bringing_up_to_date(folder: Path) -> None:
    folder.mkdir()
    first_store(folder / "unit")


def for_erasing(folder: Path) -> None:
    """Two persons with one recording each, copied, analysed and commented."""
    videos(folder)
    with open_store(folder / "unit") as store:
        add_unit(store, people=2)
    for number, person in enumerate(("P-1", "P-2"), 1):
        with open_store(folder / "unit") as store:
            entry = store.add_recording(
                folder / f"invented {number - 1}.mp4", person=person, trainer="T-1",
                protocol="practice", mirrored=False, taken_on=killing.TODAY, by=BY, copy=True,
            )  # fmt: skip
            assert entry.id == number
        killing.start_analysis(folder / "unit", number, BY, launch=lambda _: None)
    killing.work(folder / "unit", analyse=killing.scripted)
    with open_store(folder / "unit") as store:
        for number in (1, 2):
            store.comment(number, f"about {number}", by=BY)
            store.sign(
                number, name="Tess", on=killing.TODAY, outcome="signed_off", recheck_on=None, by=BY
            )


def for_encrypting(folder: Path) -> None:
    """The same, with a passphrase."""
    for_erasing(folder)
    with open_store(folder / "unit") as store:
        store.set_video_passphrase(killing.PASSPHRASE, by=BY, cost=1 << 10)


# --- what has to be so -----------------------------------------------------------------------


def check_sound(unit: Path) -> None:
    """By SQLite's own checks, and by the chain of the audit."""
    with closing(sqlite3.connect(unit / FILE)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    with open_store(unit) as store:
        report = store.verify_audit()
        assert report.holds, report
        for entry in store.recordings(without_consent=True):
            if entry.file and Path(entry.file).is_relative_to(unit):
                # What the records point to is all there: the hash is that of the original.
                assert plain_sha256(Path(entry.file)) == entry.sha256


def check_copies(unit: Path) -> None:
    """A copy that has its name is complete: its last picture decodes where the original's is."""
    for copy in (unit / "copies").glob("[!.]*.mp4*"):
        info = probe(copy)
        last = [time_s for time_s, _ in sample_frames(copy, 100.0)][-1]
        assert last > info.duration_s - 0.2


def plain_sha256(path: Path) -> str:
    """Of what is in a file, encrypted or not."""
    with open_bytes(path) as stream:
        return hashlib.sha256(stream.read()).hexdigest()


def check_confirmed(unit: Path, confirmed: list[Any]) -> None:
    """Each thing that the process was told is kept is there."""
    with open_store(unit) as store:
        for what, *rest in confirmed:
            match what:
                case "recording":
                    assert store.recording(rest[0]).file == rest[1]
                    assert Path(rest[1]).is_file()
                case "asked":
                    assert take_up(unit, launch=lambda _: None) in ((1,), ())
                    done = store.recording(1).state is RecordingState.READY
                    assert done or (unit / "jobs" / "1.json").is_file()
                case "analysed":
                    assert store.analysis(1) is not None
                    assert store.recording(1).state is RecordingState.READY
                case "copy":
                    assert probe(unit / "copies" / rest[0]).duration_s > 14.8
                case "erased":
                    assert "P-1" not in {person.code for person in store.people()}
                case "opened":
                    assert store.recording(1).name == "a.mp4"
                case "encrypted":
                    assert not list((unit / "videos").glob("*.mp4"))
                    assert not list((unit / "copies").glob("*.mp4"))
                case "done":
                    pass
                case _:
                    raise AssertionError(what)


def check_cleared(unit: Path, kill: Kill) -> None:
    """What was left half goes when the pages start; a guarded child ends a moment later."""
    give_up = time.monotonic() + (60.0 if kill.guarded else 0.0)
    while True:
        if (unit / FILE).exists():
            take_up(unit, launch=lambda _: None)
        else:
            clear_half_files(unit)
        if not half_files(unit):
            return
        assert time.monotonic() < give_up, kill
        time.sleep(0.05)


def picture(unit: Path) -> dict[str, Any]:
    """All that the records hold and all files, but for times of day and how often was tried."""
    found: dict[str, Any] = {}
    if (unit / FILE).exists():
        with closing(sqlite3.connect(unit / FILE)) as connection:
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type='table'"):
                if name not in TELLS_THE_WAY:
                    rows = connection.execute(f'SELECT * FROM "{name}"').fetchall()
                    text = MOMENT.sub("a moment", repr(rows)).replace(str(unit.parent), "...")
                    found[name] = text
    for path in sorted(unit.rglob("*")):
        name = path.relative_to(unit).as_posix()
        if path.is_dir() or name.startswith(FILE) or name.endswith((".lock", "runs")):
            continue
        if name.startswith("jobs/") and path.suffix == ".json":
            found[name] = json.loads(path.read_text())["stage"]
        elif path.suffix == ".sqlite":
            found[name] = rows_of_the_first_form(path)
        else:
            found[name] = plain_sha256(path)
    return found


CASES: dict[str, tuple[Callable[[Path], None], Task]] = {
    "importing": (for_importing, killing.importing),
    "analysing": (for_analysing, killing.analysing),
    "copying": (for_copying, killing.copying),
    "bringing up to date": (for_bringing_up_to_date, killing.bringing_up_to_date),
    "erasing": (for_erasing, killing.erasing),
    "encrypting": (for_encrypting, killing.encrypting),
}


@pytest.mark.trust
@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_killed_anywhere_nothing_is_lost_and_the_work_is_finished(
    case: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    how_many: Callable[[int, int], int],
    record_number: Callable[..., None],
) -> None:
    killing.read_in_this_process(monkeypatch.setattr)
    prepare, task = CASES[case]
    prepare(tmp_path / "before")
    whole = Path(shutil.copytree(tmp_path / "before", tmp_path / "whole"))
    takes: Unbroken = killing.unbroken(task, whole / "unit")
    expected = picture(whole / "unit")
    rng, killed, tries, looked_for = random.Random(case), 0, 0, 0
    while killed < how_many(SHORT, LONG):
        tries += 1
        assert tries < 4 * LONG, "it is hardly ever killed in time"
        kill = takes.somewhere(rng, guarded=tries % 10 == 1)
        place = Path(shutil.copytree(tmp_path / "before", tmp_path / "now"))
        unit = place / "unit"
        confirmed, was_killed = killing.run(task, unit, kill)
        killed += was_killed
        looked_for += len(confirmed)
        check_copies(unit)
        if (unit / FILE).exists():
            check_sound(unit)
            check_confirmed(unit, confirmed)
        check_cleared(unit, kill)
        task(unit, lambda _: None)
        assert picture(unit) == expected, kill
        if (unit / FILE).exists():
            check_sound(unit)
        shutil.rmtree(place)
    record_number("processes killed", killed)
    record_number("confirmed things looked for, each found", looked_for)


def test_every_row_of_the_first_form_is_there_in_this_one(tmp_path: Path) -> None:
    unit = first_store(tmp_path / "unit")
    expected = {table: sorted(rows) for table, rows in ROWS.items()}
    assert rows_of_the_first_form(unit / FILE) == expected, "the sample itself"
    with open_store(unit) as store:
        assert rows_of_the_first_form(unit / FILE) == expected
        assert store.verify_audit().holds and store.verify_audit().count == len(ROWS["audit"])
        # And the program reads it as what it was.
        assert [p.code for p in store.people()] == ["P-1", "P-2"]
        assert store.current_consent("P-2") is None and store.current_consent("P-1") is not None
        assert [d.verdict for d in store.decisions(1)] == ["agree"]
        assert len(store.decision_history(1)) == 2 and len(store.moments(1)) == 1
        assert store.corrections(1) == store.correction_history(1)[1]
        (signed,) = store.signoffs(1)
        assert (signed.analysis_version, str(signed.recheck_on)) == (2, "2026-05-01")
        row = next(row for row in store.session_rows() if row.recording_id == 1)
        assert (row.agreed_flags, row.watched) == (1, 3)
        assert store.comment(1, "later", by=BY).id == 2
    kept = unit / f"records.before-{HEAD}-was-{FIRST}.sqlite"
    assert rows_of_the_first_form(kept) == expected
