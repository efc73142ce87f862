"""Washes scored from files, added up, printed and drawn. What was found is scripted here."""

from __future__ import annotations

import json
import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from review.cache import pack_track
from review.emissions import SURFACES
from review.errors import LabelError, VideoError
from review.evaluation import SkippedFile
from review.labels import ClipInfo
from review.pool import outcomes
from review.protocol import Protocol, load_protocol
from review.timeline import Interval, Phase, Segment, Timeline
from review.washevaluate import (
    TRACKED_SUFFIX,
    WashTrace,
    analyse_wash,
    evaluate_washes,
    find_recordings,
    load_track,
    score_wash,
    trace_of,
)
from review.washplots import CONFUSION_FILE, GROUPS_FILE, RELIABILITY_FILE, save_plots
from review.washreport import WashReport, grid, number
from review.washsummary import GOALS, HAND_LOSS, NAMES, WashClip, meets_goal, worst_gap
from tests.builders import hands_at, make_track, times
from tests.washes import PERFECT, Answers, wash_content, wash_course, wash_labels

PROTOCOL = load_protocol("practice")
BLIND: Answers = ()


def trace(answers: Answers = PERFECT, probability: float = 0.9) -> WashTrace:
    course = wash_course(answers, probability)
    both = course.time.times_s < 8.0  # both hands while the palms rub, one with the thumb
    return WashTrace(course, both, 40.0)


def clip(answers: Answers = PERFECT, probability: float = 0.9, **info: object) -> WashClip:
    return score_wash(wash_labels(**info), trace(answers, probability), PROTOCOL, "invented.mp4")


def report() -> WashReport:
    """Skin tone 2 perfect and twice as often, skin tone 5 with nothing found."""
    return WashReport(
        clips=(
            clip(skin_tone=2, handed="left", fps=30, height=480, tempo_hz=1.0, viewpoint="front"),
            clip(skin_tone=2, handed="right", fps=12, height=720, tempo_hz=2.4),
            clip(BLIND, skin_tone=5, handed="right", fps=24, height=1080, distance_m=0.3),
        ),
        failed=(SkippedFile("broken.mp4", "it is broken"),),
        skipped=(SkippedFile("bare.mp4", "no label file"),),
        protocol="Practice session",
    )


# --- adding up -------------------------------------------------------------------------------


def test_one_wash_in_several_skins_is_one_wash_to_the_interval() -> None:
    same = [clip(skin_tone=tone, seed=7) for tone in (1, 2)] + [clip(BLIND, skin_tone=3, seed=7)]
    alone = WashReport(tuple(same)).summary()
    assert alone["macro_f1"] == pytest.approx(0.8)
    assert alone["macro_f1_low"] is None and alone["macro_f1_high"] is None
    other = [clip(skin_tone=tone, seed=8) for tone in (1, 2)]
    both = WashReport((*same, *other)).summary()
    assert both["macro_f1_low"] == pytest.approx(0.8) and both["macro_f1_high"] == 1.0
    assert alone["skin_tone_gap"] == pytest.approx(0.8)  # still by recording


def test_summary_worked_by_hand() -> None:
    """Per clip 35 true samples of palms and 10 of the thumb are visible; 45 of 65 are surfaces.

    Two of three clips are perfect, so recall is 2/3, precision 1 and F1 2 * 2/3 / (5/3) = 0.8.
    """
    summary = report().summary()
    assert list(summary) == list(NAMES)
    assert summary["clips"] == 3 and summary["samples"] == 3 * 65
    assert summary["macro_recall"] == pytest.approx(2 / 3)
    assert summary["macro_precision"] == 1.0
    assert summary["macro_f1"] == pytest.approx(0.8)
    # Skin tone 5 has no hit at all: F1 0; left-handed 1, right-handed one of two: 2/3.
    assert summary["skin_tone_gap"] == pytest.approx(0.8)
    assert summary["handed_gap"] == pytest.approx(0.8 - 2 / 3)
    # Six washes and rubs; those of the third clip were not found at all.
    assert summary["rubbing_time_error"] == pytest.approx(2 / 6)
    assert summary["rubbing_time_median"] == pytest.approx(0.0, abs=1e-9)
    assert summary["rubbing_time_bias"] == pytest.approx(-1 / 3)
    assert summary["surface_time_error"] == pytest.approx(1 / 3)
    assert summary["abstained_hidden"] == pytest.approx(2 / 3)
    assert summary["abstained_visible"] == 0.0
    # Strokes of a perfect clip, one a second: 4, 2 for 2.5, 3; of a blind one 0.
    assert summary["strokes_right"] == pytest.approx(2 / 3)
    assert summary["inference_ms"] == 40.0
    low, high = summary["macro_f1_low"], summary["macro_f1_high"]
    assert low is not None and high is not None and low <= 0.8 <= high


def test_groups_have_their_own_scores_and_numbers() -> None:
    groups = report().groups()
    assert {name: scores["macro_f1"] for name, scores in groups["Skin tone"].items()} == {
        "2": 1.0, "5": 0.0,
    }  # fmt: skip
    assert groups["Skin tone"]["2"]["clips"] == 2
    assert list(groups["Frame rate"]) == [
        "15 pictures/s or less", "15 to 25 pictures/s", "above 25 pictures/s",
    ]  # fmt: skip
    assert list(groups["Picture height"]) == ["480 px or less", "480 to 720 px", "above 720 px"]
    assert set(groups["Tempo"]) == {"1.2 strokes/s or less", "above 2 strokes/s", "not said"}
    assert set(groups["Viewpoint"]) == {"front", "not said"}
    assert set(groups["Hand geometry"]) == {"not said"}


def test_hand_loss_compares_steps() -> None:
    """Both hands are seen with the first palms, one with the thumb and with the rub's palms."""
    loss = report().groups()["Hand loss"]
    assert list(loss) == [HAND_LOSS[0][0], HAND_LOSS[2][0]]
    assert loss[HAND_LOSS[2][0]]["samples"] == 3 * 20
    assert loss[HAND_LOSS[0][0]]["samples"] == 3 * (10 + 15)


def test_nothing_scored_prints_dashes_never_zeros() -> None:
    empty = WashReport((), protocol="Practice session")
    summary = empty.summary()
    assert summary["clips"] == summary["samples"] == 0
    assert {name for name, value in summary.items() if value is not None} == {"clips", "samples"}
    assert all(meets_goal(name, summary[name]) == "-" for name in GOALS)
    assert "0.000" not in empty.table()
    assert json.loads(empty.to_json())["summary"]["macro_f1"] is None


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("macro_f1", 0.9, "met"),
        ("macro_f1", 0.8999, "not met"),
        ("calibration_error", 0.05, "met"),
        ("abstained_visible", 0.06, "not met"),
        ("abstained_visible", None, "-"),
        ("macro_recall", 0.1, "-"),
    ],
)
def test_goals(name: str, value: float | None, said: str) -> None:
    assert meets_goal(name, value) == said


def test_every_goal_is_a_score() -> None:
    assert set(GOALS) <= set(NAMES)


def test_no_gap_without_groups() -> None:
    assert worst_gap(None, {"1": {"macro_f1": 0.5}}) is None
    assert worst_gap(0.9, {"1": {"macro_f1": None}}) is None


# --- printing --------------------------------------------------------------------------------


def test_the_table_holds_everything() -> None:
    text = report().table()
    for words in (
        *NAMES.values(), "back_left", "Skin tone: 5", "Hand loss: ", "Failed: 1", "it is broken",
        "Left out: 1", "no label file", "Practice session", "not met",
    ):  # fmt: skip
        assert words.strip() in text, words
    assert "\x1b" not in text


def test_markdown_is_a_table_of_its_own_width() -> None:
    text = report().markdown()
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert len(rows) > 40
    assert "### By group" in text
    blocks: dict[int, int] = {}
    for row in rows:
        blocks[row.count("|")] = blocks.get(row.count("|"), 0) + 1
    # Summary 5 bars, surfaces 7, confusion 13, groups 12; each with a head and a rule.
    assert set(blocks) == {5, 7, 13, 12}
    assert blocks[13] == 10 + 2 and blocks[7] == 9 + 2 and blocks[5] == len(NAMES) + 2


def test_confusion_is_printed_in_per_cent_of_the_truth() -> None:
    rows = {
        cells[0]: dict(zip([*SURFACES, "none", "cannot_tell"], cells[1:], strict=True))
        for line in report().table().splitlines()
        if len(cells := line.split()) == 12 and cells[0] in (*SURFACES, "none")
    }
    assert len(rows) == 10
    assert rows["thumb_left"] == dict.fromkeys(rows["thumb_left"], "0.0") | {
        "thumb_left": "66.7", "none": "33.3",
    }  # fmt: skip
    # Backs never occur in truth: there is no share of nothing.
    assert set(rows["back_left"].values()) == {"-"}


def test_json_holds_the_same_numbers() -> None:
    content = json.loads(report().to_json())
    assert content["summary"]["macro_f1"] == pytest.approx(0.8)
    assert content["groups"]["Skin tone"]["5"]["clips"] == 1
    assert content["surfaces"]["palms"]["recall"] == pytest.approx(2 / 3)
    assert content["surfaces"]["back_left"] == {
        "samples": 0, "precision": None, "recall": None, "f1": None, "time_error": None,
    }  # fmt: skip
    assert np.array(content["confusion"]["samples"]).shape == (10, 11)
    assert sum(content["reliability"]["count"]) == 3 * 65
    assert content["reliability"]["accuracy"][0] is None
    assert content["clips"][0]["clip"]["skin_tone"] == 2
    assert content["clips"][0]["times"][0]["surfaces"]["palms"] == pytest.approx([4.0, 4.0])
    assert content["failed"] == [{"file": "broken.mp4", "reason": "it is broken"}]


def test_numbers_and_grid() -> None:
    assert [number(v) for v in (None, 3, 0.12345, 57.4)] == ["-", "3", "0.123", "57"]
    assert grid(("A", "B"), [("[red]x", "1")], "markdown").splitlines()[-1] == "|[red]x | 1|"


# --- pictures --------------------------------------------------------------------------------


def test_plots_are_pictures_of_the_report(tmp_path: Path) -> None:
    paths = save_plots(report(), tmp_path / "plots")
    assert [p.name for p in paths] == [CONFUSION_FILE, RELIABILITY_FILE, GROUPS_FILE]
    assert sorted(os.listdir(tmp_path / "plots")) == sorted(p.name for p in paths)
    for path in paths:
        picture = cv2.imread(str(path))
        assert picture is not None and min(picture.shape[:2]) > 500
        assert picture.std() > 10  # something is drawn on it
    with (tmp_path / "plots" / CONFUSION_FILE).open("rb") as file:
        assert file.read(8) == b"\x89PNG\r\n\x1a\n"


def test_plots_change_with_the_scores(tmp_path: Path) -> None:
    good = save_plots(WashReport((clip(),)), tmp_path / "good")
    bad = save_plots(WashReport((clip(BLIND),)), tmp_path / "bad")
    for one, other in zip(good[:2], bad[:2], strict=True):
        assert one.read_bytes() != other.read_bytes()


def test_no_plots_without_samples(tmp_path: Path) -> None:
    assert save_plots(WashReport(()), tmp_path / "plots") == ()
    assert not (tmp_path / "plots").exists()


# --- from files ------------------------------------------------------------------------------


def write_clip(folder: Path, name: str, content: dict | None = None, suffix: str = ".mp4") -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}{suffix}").write_bytes(b"")
    if content is not None:
        (folder / f"{name}.json").write_text(json.dumps(content), encoding="utf-8")


def scripted(path: Path, protocol: Protocol, mirrored: bool, cache: Path | None) -> WashTrace:
    """Perfect, except for clips whose name says otherwise; importable by other processes."""
    if "broken" in path.name:
        raise VideoError(f"{path}: it cannot be read.")
    if "odd" in path.name:
        raise ZeroDivisionError("odd")
    if "gone" in path.name:
        os._exit(3)
    return trace(BLIND if "blind" in path.name else PERFECT)


def test_folders_are_scored_and_nothing_is_left_out_in_silence(tmp_path: Path) -> None:
    no_wash = wash_content() | {
        "labels": [{"start_s": 0, "end_s": 20, "phase": "other", "step": "rest"}]
    }
    for name, content in (
        ("a", wash_content(skin_tone=1)), ("blind", wash_content(skin_tone=6)),
        ("broken", wash_content()), ("odd", wash_content()), ("bare", None), ("other", no_wash),
    ):  # fmt: skip
        write_clip(tmp_path / "one", name, content)
    (tmp_path / "one" / "wrong.mp4").write_bytes(b"")
    (tmp_path / "one" / "wrong.json").write_text("{", encoding="utf-8")
    shares: list[float] = []
    found = evaluate_washes([tmp_path / "one"], PROTOCOL, 1, shares.append, analyse=scripted)
    assert [Path(c.file).name for c in found.clips] == ["a.mp4", "blind.mp4"]
    reasons = {Path(item.file).name: item.reason for item in (*found.failed, *found.skipped)}
    assert "cannot be read" in reasons["broken.mp4"]
    assert reasons["odd.mp4"] == "unexpected ZeroDivisionError: odd"
    assert "not JSON" in reasons["wrong.mp4"]
    assert "no label file" in reasons["bare.mp4"]
    assert "no wash" in reasons["other.mp4"]
    assert len(found.failed) == 3 and len(found.skipped) == 2
    assert shares[-1] == 1.0 and shares == sorted(shares) and len(shares) == 6
    assert found.groups()["Skin tone"]["1"]["macro_f1"] == 1.0


@pytest.mark.slow
def test_processes_give_the_same_and_one_that_dies_is_reported(tmp_path: Path) -> None:
    for name in ("a", "b", "blind"):
        write_clip(tmp_path, name, wash_content())
    alone = evaluate_washes([tmp_path], PROTOCOL, 1, analyse=scripted)
    together = evaluate_washes([tmp_path], PROTOCOL, 2, analyse=scripted)
    assert alone.to_json() == together.to_json()
    write_clip(tmp_path, "gone", wash_content())
    broken = evaluate_washes([tmp_path], PROTOCOL, 2, analyse=scripted)
    assert any("ended early" in item.reason for item in broken.failed)
    assert len(broken.clips) + len(broken.failed) == 4


def test_pool_keeps_numbers() -> None:
    assert sorted(outcomes("abc", str.upper, lambda item, why: why)) == [
        (0, "A"), (1, "B"), (2, "C"),
    ]  # fmt: skip


def test_landmarks_stand_in_for_the_video(tmp_path: Path) -> None:
    write_clip(tmp_path, "a", wash_content())
    write_clip(tmp_path, "a", suffix=TRACKED_SUFFIX)
    write_clip(tmp_path, "b", wash_content(), suffix=TRACKED_SUFFIX)
    pairs, skipped = find_recordings([tmp_path])
    assert [path.name for path, _ in pairs] == [f"a{TRACKED_SUFFIX}", f"b{TRACKED_SUFFIX}"]
    assert skipped == []


@pytest.mark.parametrize("make", [False, True])
def test_a_folder_without_recordings_is_an_error(tmp_path: Path, make: bool) -> None:
    folder = tmp_path / "x"
    if make:
        folder.mkdir()
    with pytest.raises(LabelError, match="no such folder" if not make else "no recording"):
        evaluate_washes([folder], PROTOCOL, analyse=scripted)


# --- with the real stages --------------------------------------------------------------------


def rubbing_track(seconds: float = 20.0) -> object:
    """Two built hands that move to and fro twice a second; the left one lost half the time."""
    at = times(seconds, 15.0)
    way = 0.02 * np.sin(2 * np.pi * 2.0 * at)
    left = np.stack([0.47 + way, np.full(at.size, 0.6)], axis=1)
    left[at > seconds / 2] = np.nan
    right = np.stack([0.53 - way, np.full(at.size, 0.6)], axis=1)
    return make_track(at, hands_at(left, right, at.size))


def test_trace_of_a_track_runs_the_shipped_model() -> None:
    track = rubbing_track()
    whole = Timeline(Interval(0.0, 20.0), (Segment(Interval(0.0, 20.0), Phase.WASH),))
    found = trace_of(track, PROTOCOL, whole)  # type: ignore[arg-type]
    assert found.both_seen.shape == found.course.answer.shape
    assert found.both_seen[5:90].all() and not found.both_seen[115:].any()
    assert found.inference_ms > 0
    # The phases decide where a surface can be named at all.
    nothing = Timeline(Interval(0.0, 20.0), (Segment(Interval(0.0, 20.0), Phase.OTHER),))
    assert (trace_of(track, PROTOCOL, nothing).course.answer == -1).all()  # type: ignore[arg-type]


def test_kept_landmarks_are_read_and_broken_ones_named(tmp_path: Path) -> None:
    track = rubbing_track()
    path = tmp_path / f"wash{TRACKED_SUFFIX}"
    np.savez_compressed(path, **pack_track(track))  # type: ignore[arg-type]
    read = load_track(path, False, None)
    np.testing.assert_array_equal(read.hand_seen, track.hand_seen)  # type: ignore[attr-defined]
    assert analyse_wash(path, PROTOCOL, False, None).course.time.end_s == pytest.approx(20.0, abs=1)
    path.write_bytes(b"PK broken")
    with pytest.raises(LabelError, match="cannot be read"):
        load_track(path, False, None)


def test_clip_facts_are_optional() -> None:
    assert ClipInfo().fps is None and ClipInfo(kind="wash").kind == "wash"
