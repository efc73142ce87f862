"""Open-line scores worked by hand. What was found is scripted: this is about scoring."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from review.cli import app
from review.errors import VideoError
from review.labels import LabelFile
from review.measures import Measurement
from review.openline import OpenLineWindow
from review.openlineevaluate import evaluate_open_line
from review.openlinereport import GOALS, NAMES, OpenLineReport, meets_goal, summarise
from review.openlinescores import OpenLineClip, OpenLineTrace, score_open_line, seen_talking
from review.protocol import Protocol, load_protocol
from review.surface import WipingFindings
from review.talking import TalkingSpan
from review.timeline import Interval, Phase
from review.touching import FaceContact
from review.tracks import FeatureTrack, TimeBase

PIECES = [
    (0.0, 20.0, "wash", "palms", False, []),
    (20.0, 40.0, "surface_prep", "wipe", False, []),
    (40.0, 42.0, "other", "hand_to_face", False, ["hand_to_face"]),
    (42.0, 50.0, "connect", "join", False, []),
    (50.0, 54.0, "connect", "join", True, []),
    (54.0, 60.0, "connect", "join", False, []),
    (60.0, 66.0, "waiting", "drain", False, []),
    (66.0, 70.0, "waiting", "flush", True, []),
    (70.0, 90.0, "waiting", "fill", False, []),
]
PROTOCOL = load_protocol("practice")


def labels(**more: Any) -> LabelFile:
    """90 s: talking 50-54 in view, 66-70 out of view (the mouth is seen up to 60 s)."""
    names = ("start_s", "end_s", "phase", "step", "talking", "events")
    content = {
        "duration_s": 90.0,
        "labels": [dict(zip(names, piece, strict=True)) for piece in PIECES],
        "clip": {"skin_tone": 5, "width": 480, "height": 270, "mask": False},
        "surface": {
            "covered": 0.9, "gone_over_again": 0.2, "gone_back": 0.1,
            "corners": [[0.3, 0.4], [0.6, 0.4], [0.6, 0.5], [0.3, 0.5]],
        },
        "open_line": [{"phase": "connect", "start_s": 45, "end_s": 56}],
        "mouth_visible": [[0.0, 60.0]],
        "touches": [{"start_s": 40, "end_s": 42, "hand": "left"}],
    }  # fmt: skip
    return LabelFile.model_validate(content | more)


def wiping(covered: float | None, again: float | None) -> WipingFindings:
    return WipingFindings(
        Measurement("surface.covered", covered, "share"),
        Measurement("surface.gone_over_again", again, "share"),
        None,
        None,
    )


def touch(start: float, end: float, hand: Any = "left") -> FaceContact:
    return FaceContact(Interval(start, end), hand, 0.2, 0.9, False, 1.0)


def trace(**more: Any) -> OpenLineTrace:
    """Right in everything, but 0.5 s late at one edge and 4 points off in the wiped area."""
    at = np.arange(900) / 10.0
    probability = np.where((at >= 50) & (at < 54), 0.9, 0.1)
    track = FeatureTrack(TimeBase(at, 90.0), ("probability",), ("1",), probability[:, None])
    content: dict[str, Any] = {
        "probability": track,
        "spoken": (TalkingSpan(Interval(50.2, 53.5), 0.9),),
        "windows": (OpenLineWindow(Phase.CONNECT, Interval(45.0, 56.5), 0.5),),
        "contacts": (touch(40.1, 41.8),),
        "wiping": wiping(0.94, None),
        "wiping_in_area": wiping(0.9, 0.1),
        "measures": {
            "open_line.talking_time": 3.3, "open_line.mask_seen": 0.0,
            "wait.drain": 6.5, "wait.flush": 7.0, "wait.fill": None,
        },
    }  # fmt: skip
    return OpenLineTrace(**(content | more))


def scored(**more: Any) -> OpenLineClip:
    return score_open_line(labels(), trace(**more), "invented.mp4")


def test_a_right_answer_scores_as_worked_by_hand() -> None:
    scores = summarise([scored()])
    assert list(scores) == list(NAMES)
    assert scores["talking_auc"] == scores["span_auc"] == 1.0
    assert scores["talking_assessed"] == 1.0
    assert (scores["spans"], scores["span_recall"]) == (1, 1.0)
    # 60 s in view less 4 s of talking.
    assert scores["silent_minutes"] == pytest.approx(56.0 / 60.0)
    assert scores["false_per_half_hour"] == 0.0
    assert scores["window_median_s"] == pytest.approx(0.25)  # of 0.0 and 0.5
    assert scores["touch_recall"] == scores["touch_precision"] == scores["right_hand"] == 1.0
    assert scores["covered_pp"] == pytest.approx(4.0)
    assert scores["covered_in_area_pp"] == pytest.approx(0.0)
    assert scores["again_pp"] is None and scores["area_not_told"] == 0.5
    # 0.5 s off is right, 3 s off is wrong, not measured is wrong.
    assert scores["waits_within"] == pytest.approx(1 / 3)


def test_a_found_span_is_false_only_without_any_talking_seen_or_unseen() -> None:
    spoken = tuple(
        TalkingSpan(Interval(start, start + 2.0), 0.9) for start in (10.0, 53.0, 67.0, 80.0)
    )
    clip = scored(spoken=spoken)
    assert clip.found_spans.false_alarms == 2  # at 10 s, and at 80 s where no mouth is seen
    assert summarise([clip])["false_per_half_hour"] == pytest.approx(2 * 1800 / 56.0)
    assert summarise([scored(spoken=())])["span_recall"] == 0.0


def test_talking_out_of_view_is_not_asked_for_and_short_words_neither() -> None:
    assert seen_talking(labels()) == (Interval(50.0, 54.0),)
    assert seen_talking(labels(mouth_visible=[[0.0, 50.3]])) == ()


def test_what_was_not_assessed_is_told_apart_from_silence() -> None:
    blind = FeatureTrack(
        TimeBase(np.array([0.0, 45.0]), 90.0), ("probability",), ("1",), np.full((2, 1), np.nan)
    )
    scores = summarise([scored(probability=blind)])
    assert scores["talking_assessed"] == 0.0
    assert scores["talking_auc"] is None and scores["span_auc"] is None


def test_touches_count_once_and_only_after_the_hands_were_clean() -> None:
    clip = scored(contacts=(touch(5.0, 6.0), touch(42.5, 43.0, "right"), touch(60.0, 61.0)))
    assert (clip.touches.hits, clip.touches.false_alarms, clip.touches.misses) == (1, 2, 0)
    assert clip.right_hand == (0, 1)
    early = labels(touches=[{"start_s": 5, "end_s": 6}])
    assert score_open_line(early, trace(contacts=()), "f").touches.misses == 0
    by_event = labels(touches=None)
    assert score_open_line(by_event, trace(), "f").touches.hits == 1


@pytest.mark.parametrize(
    ("masked", "talking", "silent"),
    [(True, 0.0, 1), (True, None, 0), (True, 2.0, 0), (False, 0.0, 0)],
)
def test_only_a_zero_behind_a_mask_is_a_masked_mouth_called_silent(
    masked: bool, talking: float | None, silent: int
) -> None:
    content = labels(clip={"mask": masked})
    found = trace(measures={"open_line.talking_time": talking, "open_line.mask_seen": None})
    scores = summarise([score_open_line(content, found, "f")])
    assert scores["masked_silent"] == silent
    assert scores["masks_not_told"] == (1.0 if masked else None)
    assert meets_goal("masked_silent", scores["masked_silent"]) == ("not met" if silent else "met")


def test_an_area_without_gone_back_is_held_against_what_there_is() -> None:
    old = labels(surface={"covered": 0.9, "gone_over_again": 0.2})
    clip = score_open_line(old, trace(wiping=wiping(0.9, 0.2), wiping_in_area=None), "f")
    assert clip.area_errors == {"covered": 0.0, "again": 0.0}


def test_nothing_scored_prints_dashes_and_never_a_zero_share() -> None:
    empty = OpenLineReport((), protocol="P")
    ratios = {k: v for k, v in empty.summary().items() if k in GOALS and k != "masked_silent"}
    assert set(ratios.values()) == {None}
    assert all(meets_goal(name, None) == "-" for name in GOALS)


def test_the_report_names_goals_groups_and_failures(tmp_path: Path) -> None:
    for name in ("good", "broken", "bare"):
        (tmp_path / f"{name}.mp4").write_bytes(b"")
        if name != "bare":
            (tmp_path / f"{name}.json").write_text(labels().model_dump_json())

    def analyse(path: Path, protocol: Protocol, truth: LabelFile, cache: Path | None) -> Any:
        assert truth.surface is not None and protocol is PROTOCOL and cache is None
        if path.stem == "broken":
            raise VideoError(f"{path} is broken: record it again.")
        return trace()

    report = evaluate_open_line([tmp_path], PROTOCOL, analyse=analyse)
    text = report.table()
    assert "at least 0.97" in text and "at most 1 " in text and "not met" in text
    assert "Skin tone: 5" in text and "Picture size: 480x270" in text
    assert "Picture height: up to 270 px" in text
    assert "broken.mp4 is broken" in text and "no label file bare.json" in text
    assert report.markdown().startswith("### The open line")
    content = json.loads(report.to_json())
    assert content["summary"]["span_recall"] == 1.0
    assert content["goals"]["false_per_half_hour"] == "at most 1"
    assert content["clips"][0]["waits"]["fill"] == {"true_s": 20.0, "error_s": None}


def test_the_two_evaluations_exclude_each_other() -> None:
    from typer.testing import CliRunner

    outcome = CliRunner().invoke(app, ["evaluate", "x", "--wash", "--open-line"])
    assert outcome.exit_code == 2


def test_a_shipped_recordings_labels_have_every_truth(project: Path) -> None:
    truth = LabelFile.model_validate_json(
        (project / "sample_clips" / "planted_faults.json").read_text()
    )
    assert truth.touches and truth.touches[0].hand == "right"
    assert truth.surface is not None and truth.surface.gone_back == 1.0
    assert truth.surface.corners is not None and len(truth.surface.corners) == 4
    assert truth.clip.mask is False
