"""The invented unit: quick, the same every time, marked as invented, true where it is real."""

from __future__ import annotations

import sqlite3
from datetime import date
from pathlib import Path

import pytest

from review.analysis import read_analysis
from review.demo import LEARNERS, SHOWN, WITHDRAWN, data_folder, make_demo
from review.errors import ReviewError
from review.invented import INVENTED, Story, invent_analysis
from review.measures import Result
from review.protocol import load_protocol
from review.recheck import rechecks
from review.store import ConsentError, Store, open_store
from review.timeline import Surface
from review.video import file_sha256

TODAY = date.today()


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, tuple[int, ...]]:
    """The unit, and the ids of its sessions with a recording."""
    folder = tmp_path_factory.mktemp("demo") / "unit"
    shown = make_demo(folder, today=TODAY)
    return open_store(folder), shown


def test_there_is_something_to_see_on_every_page(
    unit: tuple[Store, tuple[int, ...]],
) -> None:
    store, shown = unit
    rows = store.session_rows()
    assert {row.person for row in rows} == {learner.code for learner in LEARNERS}
    assert len({row.trainer for row in rows}) == 2
    assert len(rows) > 30
    assert any(row.wash_rubbing_s is None for row in rows)
    assert any(row.surfaces_missed for row in rows)
    assert any(row.open_flags for row in rows)
    assert any(due.days_late > 0 for due in rechecks(rows, TODAY))
    assert len({(row.taken_on.year, row.taken_on.month) for row in rows}) >= 5
    assert len(shown) == len(SHOWN)


def test_the_shown_recordings_have_their_own_real_analyses(
    unit: tuple[Store, tuple[int, ...]], project: Path
) -> None:
    store, shown = unit
    for number in shown:
        entry, version = store.recording(number), store.analysis(number)
        assert version is not None
        video = Path(entry.file)
        assert version.analysis.recording.sha256 == file_sha256(video) == entry.sha256
        assert INVENTED not in version.analysis.warnings
        assert list(store.landmarks.glob(f"{entry.sha256[:16]}-*.npz"))
        assert list(store.copies.glob(f"{entry.sha256[:32]}-*.mp4"))


def test_all_others_say_that_they_are_invented(
    unit: tuple[Store, tuple[int, ...]],
) -> None:
    store, shown = unit
    for entry in store.recordings():
        if entry.id not in shown:
            version = store.analysis(entry.id)
            assert version is not None
            assert INVENTED in version.analysis.warnings
            assert entry.state_text == INVENTED
            assert entry.file == ""
    assert all(person.note.startswith("Invented.") for person in store.people())
    assert all("Invented" in trainer.name for trainer in store.trainers())


def test_a_withdrawn_consent_hides_its_sessions(
    unit: tuple[Store, tuple[int, ...]],
) -> None:
    store, _ = unit
    hidden = [e for e in store.recordings(without_consent=True) if e.person == WITHDRAWN]
    assert hidden
    assert WITHDRAWN not in {row.person for row in store.session_rows()}
    with pytest.raises(ConsentError):
        store.analysis(hidden[0].id)


def content(folder: Path) -> list[list[tuple[object, ...]]]:
    """Everything in the records but the chain over the audit, whose digests are salted."""
    connection = sqlite3.connect(folder / "records.sqlite")
    tables = [
        name
        for (name,) in connection.execute("select name from sqlite_master where type = 'table'")
    ]
    alike = sorted(set(tables) - {"audit_chain", "audit_head"})
    found = [connection.execute(f'select * from "{name}"').fetchall() for name in alike]
    connection.close()
    return found


def test_the_same_day_gives_the_same_unit(tmp_path: Path) -> None:
    make_demo(tmp_path / "a", today=TODAY)
    make_demo(tmp_path / "b", today=TODAY)
    assert content(tmp_path / "a") == content(tmp_path / "b")


def test_records_are_never_written_over(tmp_path: Path) -> None:
    open_store(tmp_path).close()
    with pytest.raises(ReviewError, match="holds records already"):
        make_demo(tmp_path)


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(ReviewError, match="not an empty folder"):
        make_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_nothing_half_made_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("review.demo.shutil.copyfile", fail)
    with pytest.raises(ReviewError, match="No space left"):
        make_demo(tmp_path / "unit")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_or_other_sample_is_named(tmp_path: Path, project: Path) -> None:
    with pytest.raises(ReviewError, match=r"clean_exchange\.mp4 is missing"):
        make_demo(tmp_path / "unit", clips=tmp_path)
    for name in SHOWN:
        (tmp_path / f"{name}.mp4").write_bytes(b"another file")
    with pytest.raises(ReviewError, match="is not the recording"):
        make_demo(tmp_path / "unit", clips=tmp_path)
    assert not (tmp_path / "unit").exists()


def test_the_kept_data_belongs_to_the_samples_and_stays_small(project: Path) -> None:
    sizes = [path.stat().st_size for path in data_folder().iterdir()]
    assert sum(sizes) < 6_000_000
    for name in SHOWN:
        analysis = read_analysis(data_folder() / f"{name}.json")
        sha256 = file_sha256(project / "sample_clips" / f"{name}.mp4")
        assert analysis.recording.sha256 == sha256
        assert len(list(data_folder().glob(f"{sha256[:16]}-*.npz"))) == 1


def test_an_invented_analysis_follows_the_rules() -> None:
    protocol = load_protocol("practice")
    analysis = invent_analysis(
        Story(rubbing_s=12.0, missed=(Surface.THUMB_LEFT,), rub_before_connect_s=0), protocol
    )
    kinds = [flag.kind.value for flag in analysis.flags]
    assert kinds == ["wash_short", "wash_surface_missed", "hand_rub_missing"]
    rubbing = analysis.measure("wash.rubbing_time")
    assert rubbing is not None
    assert rubbing.result is Result.NOT_MET
    assert analysis.timeline
    hidden = invent_analysis(Story(rubbing_s=None), protocol)
    assert [flag.level.value for flag in hidden.flags] == ["cannot_tell"]
    for name in ("wash.rubbing_time", "wash.whole_time", "wash.surfaces_rubbed"):
        record = hidden.measure(name)
        assert record is not None
        assert record.value is None
