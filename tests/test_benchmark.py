"""The benchmark: its recordings hold what they say, and its comparison sees every difference."""

from __future__ import annotations

import copy
import importlib
import json
from pathlib import Path

import numpy as np
import pytest

from review import benchmarkclips, benchmarkprofile
from review.analysis import Analysis
from review.benchmark import Row, Took, as_table, compare, run_way
from review.benchmarkclips import Form, Studio, bursts_beside, sample_of
from review.benchmarkplot import plot_times
from review.benchmarkprofile import module_seconds
from review.commands.speed import later_stages
from review.errors import ReviewError, VideoError
from review.seeking import read_index
from review.video import probe, sample_frames
from tests import media

SMALL = Form("small", 96, 54, "h264", 200_000)


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Studio:
    """Twenty seconds with two long waits, and minutes of two seconds."""
    path = media.write_video(tmp_path / "sample.mp4", media.steady(300, 15), (96, 54))
    pieces = [
        (0.0, 4.0, "hand_rub", "palms"), (4.0, 6.0, "waiting", "drain"),
        (6.0, 9.0, "waiting", "drain"), (9.0, 10.0, "waiting", "flush"),
        (10.0, 14.5, "waiting", "fill"), (14.5, 20.0, "disconnect", "undo"),
    ]  # fmt: skip
    labels = [dict(zip(("start_s", "end_s", "phase", "step"), p, strict=True)) for p in pieces]
    path.with_suffix(".json").write_text(json.dumps({"labels": labels}))
    monkeypatch.setattr(benchmarkclips, "TILE_S", 4.0)
    return Studio(sample_of(path), SMALL, tmp_path / "made")


def test_the_sample_says_where_it_waits(studio: Studio) -> None:
    sample = studio._sample
    assert sample.breaks_s == pytest.approx((6.5, 12.25))
    assert sample.rest == pytest.approx((4.4, 8.6))


def test_a_sample_without_waits_is_refused(tmp_path: Path) -> None:
    path = media.write_video(tmp_path / "a.mp4", media.steady(30, 15), (96, 54))
    with pytest.raises(VideoError, match=r"a\.json is not beside it"):
        sample_of(path)
    path.with_suffix(".json").write_text('{"labels": []}')
    with pytest.raises(VideoError, match="no long wait"):
        sample_of(path)


def test_recordings_have_the_length_and_read_as_one(studio: Studio) -> None:
    path = studio.recording(0.7)
    info = probe(path)
    assert info.duration_s == pytest.approx(42.0, abs=3.0)
    assert not info.warnings and not info.variable_frame_rate
    index = read_index(path, info)
    assert index is not None and index.gap_s < 1.1
    times = [time_s for time_s, _ in sample_frames(path, 120.0, 64)]
    assert np.diff(times).max() < 0.05
    assert studio.recording(0.7) == path  # made once


def test_bursts_are_where_the_list_says(studio: Studio) -> None:
    path = studio.recording(0.9, burst_s=1.0)
    spans = json.loads(bursts_beside(path).read_text())
    assert spans and all(end - start == 1.0 for start, end in spans)
    frames = [(t, picture.astype(int)) for t, picture in sample_frames(path, 10.0, 96)]
    for start, _ in spans:
        inside = next(picture for t, picture in frames if t >= start + 0.4)
        before = next(picture for t, picture in frames if t >= start - 0.6)
        assert np.abs(inside - before).max() > 60


@pytest.fixture
def document(analysis: Analysis) -> dict[str, object]:
    return dict(json.loads(analysis.to_json()))


def test_a_document_does_not_differ_from_itself(document: dict[str, object]) -> None:
    same = compare(document, document)
    assert (same.f1, same.worst_s, same.lost, same.added, same.answers) == (1.0, 0.0, (), (), ())


def test_every_difference_is_seen(document: dict[str, object]) -> None:
    other = copy.deepcopy(document)
    flag = other["flags"].pop(0)  # type: ignore[attr-defined]
    measure = next(
        m
        for m in other["measures"]
        if m["unit"] == "s" and m["value"] is not None  # type: ignore[attr-defined]
    )
    measure["value"] += 1.5
    other["phases"] = other["phases"][1:]  # type: ignore[index]
    found = compare(document, other)
    assert found.f1 < 1.0
    assert (found.worst_measure, found.worst_s) == (measure["name"], pytest.approx(1.5))
    assert found.lost == (f"{flag['kind']} at {flag['start_s']:.0f} s",)
    assert compare(other, document).added == found.lost


def row(minutes: float, share: float) -> Row:
    return Row(
        f"{minutes} min", minutes, Took(60.0, 300.0, 1800, 1800), share, Took(30.0, 500.0, 900, 90),
        Took(20.0, 100.0, 1800), Took(2.0, 100.0, 60),
    )  # fmt: skip


def test_a_slice_stands_for_the_whole() -> None:
    """Sixty seconds for a tenth of it are ten minutes for all: twenty times thirty seconds."""
    one = row(40.0, 0.1)
    assert one.plain_s == pytest.approx(600.0)
    assert one.times_faster == pytest.approx(20.0)
    assert one.times_decoding == pytest.approx(1.5)
    assert as_table([one])[0]["times faster"] == "20.0"


def test_the_plot_is_a_picture(tmp_path: Path) -> None:
    plot_times([row(5.0, 1.0), row(40.0, 0.1)], tmp_path / "b.png")
    assert (tmp_path / "b.png").read_bytes()[:4] == b"\x89PNG"
    assert [path.name for path in tmp_path.iterdir()] == ["b.png"]


def test_decoding_is_measured_in_a_process_of_its_own(studio: Studio) -> None:
    path = studio.recording(0.6)
    every, keys = run_way("decoding", path, "practice"), run_way("keys", path, "practice")
    assert every.decoded > 900 and 30 <= keys.decoded < 60
    assert every.seconds > 0 and 10 < every.memory_mb < 3000


def test_what_cannot_be_measured_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ReviewError, match="decoding way could not be measured"):
        run_way("decoding", tmp_path / "none.mp4", "practice")


def test_time_goes_to_the_module_that_asked_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sleeping lasts at least as long as asked for; what others do for a module is not its own."""
    (tmp_path / "invented_near.py").write_text(
        "import time\nimport invented_far\n"
        "def work():\n    time.sleep(0.02)\n    invented_far.rest()\n    invented_far.rest()\n"
    )
    (tmp_path / "invented_far.py").write_text(
        "import time\ndef rest():\n    list(map(time.sleep, [0.02, 0.02]))\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(benchmarkprofile, "PACKAGE", tmp_path)
    work = importlib.import_module("invented_near").work
    found = module_seconds(work)
    assert list(found) == ["invented_far", "invented_near"], "most first, no other modules"
    assert found["invented_far"] >= 0.08 and found["invented_near"] >= 0.02
    took = Took(1.0, 0.0, 0, later_by_module={"far": 0.3, "near": 0.1, "nowhere": 0.001})
    shown = later_stages(Row("long.mp4", 40.0, None, 1.0, took, took, took))
    assert [list(column.cells) for column in shown.columns[:2]] == [
        ["far", "near"],
        ["75 %", "25 %"],
    ]
