"""Evaluation against labels. The analyses are scripted: this is about scoring, not seeing."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from review.analysis import Analysis
from review.errors import LabelError, VideoError
from review.evaluate import Findings, Traces, compare, evaluate_folders, find_clips
from review.evaluation import (
    NAMES,
    EvaluationReport,
    format_report,
    meets_goal,
    summarise,
)
from review.labels import LabelFile, read_labels
from review.metrics import Counts
from review.protocol import Protocol, load_protocol
from review.timeline import Interval, Phase, Surface
from review.tracks import FeatureTrack, TimeBase

PIECES = [
    (0, 2, "other", "rest"),
    (2, 7, "wash", "palms"),
    (7, 12, "wash", "thumb_left"),
    (12, 14, "wash", "rinse"),
    (14, 20, "surface_prep", "wipe"),
    (20, 30, "connect", "join"),
]
TALKING = (22.0, 25.0)


def label_content(**more: Any) -> dict[str, Any]:
    """A clip of 30 s: 10 s of rubbing in a wash of 12 s, talking for 3 s while connecting."""
    pieces = []
    for start, end, phase, step in PIECES:
        cuts = [start, *(c for c in TALKING if start < c < end), end]
        for a, b in pairwise(cuts):
            pieces.append(
                {"start_s": a, "end_s": b, "phase": phase, "step": step, "talking": a == 22.0}
            )
    return {
        "duration_s": 30.0,
        "labels": pieces,
        "clip": {"name": "invented", "skin_tone": 3, "handed": "left", "kind": "exchange"},
        "flags": [{"kind": "talking_near_open_line", "start_s": 22, "end_s": 25}],
        "wash": {
            "whole_s": 12.0,
            "rubbing_s": 10.0,
            "surfaces": {"palms": {"seconds": 5.0}, "thumb_left": {"seconds": 5.0}},
        },
        "rubs": [{"before": "connect", "seconds": 0.0}],
        "surface": {"covered": 0.9, "gone_over_again": 0.0},
        "open_line": [{"phase": "connect", "start_s": 21, "end_s": 28}],
        "mouth_visible": [[0.0, 24.0]],
    } | more


def labels(**more: Any) -> LabelFile:
    return LabelFile.model_validate(label_content(**more))


PERFECT = [(0, 2, "other"), (2, 14, "wash"), (14, 20, "surface_prep"), (20, 30, "connect")]


def analysis(
    phases: list[tuple[float, float, str]] = PERFECT,
    flags: tuple[tuple[str, float, float, str], ...] = (),
    **values: float | None,
) -> Analysis:
    """An invented analysis; ``values`` are measures with '__' for the dot."""
    units = {"covered": "share", "gone_over_again": "share"}
    return Analysis.model_validate(
        {
            "schema": "exchange-review.analysis/1",
            "recording": {"file": "invented.mp4", "duration_s": 30.0, "width": 64, "height": 48},
            "protocol": {"name": "test", "version": "1"},
            "phases": [
                {"start_s": a, "end_s": b, "phase": phase, "confidence": 0.9}
                for a, b, phase in phases
            ],
            "measures": [
                {
                    "name": name.replace("__", "."),
                    "value": value,
                    "unit": units.get(name.partition("__")[2], "s"),
                    "result": "not_assessable",
                }
                for name, value in values.items()
            ],
            "open_line": [{"phase": "connect", "start_s": 21.5, "end_s": 28.0}],
            "flags": [
                {
                    "kind": kind,
                    "start_s": a,
                    "end_s": b,
                    "level": level,
                    "confidence": 0.9,
                    "message": "Invented.",
                }
                for kind, a, b, level in flags
            ],
        }
    )


def traces() -> Traces:
    """Talking seen from 22 to 24 s but scored lower from 23 s on; the thumb 1 s too long."""
    times = np.arange(300) / 10.0
    probability = np.full(300, 0.2)
    probability[(times >= 22) & (times < 23)] = 0.9
    probability[(times >= 23) & (times < 24)] = 0.1
    probability[times < 1] = np.nan
    return Traces(
        FeatureTrack(TimeBase(times, 30.0), ("probability",), ("1",), probability[:, None]),
        {Surface.PALMS: (Interval(2, 6),), Surface.THUMB_LEFT: (Interval(7, 13),)},
    )


# --- label files -----------------------------------------------------------------------------


def test_labels_join_into_a_timeline() -> None:
    found = [(s.phase.value, s.interval.start_s, s.interval.end_s) for s in labels().timeline]
    assert found == [(phase, a, b) for a, b, phase in PERFECT]


def test_labels_answer_by_time() -> None:
    at = np.array([0.0, 6.99, 7.0, 21.99, 22.0, 24.99, 25.0, 29.9])
    assert labels().steps_at(at)[:3] == ["rest", "palms", "thumb_left"]
    assert labels().talking_at(at).tolist() == [False] * 4 + [True, True, False, False]
    assert labels().mouth_visible_at(at).tolist() == [True] * 5 + [False] * 3
    assert labels(mouth_visible=None).mouth_visible_at(at).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"duration_s": 31.0}, r"labels end at 30.* s, the clip at 31"),
        ({"labels": []}, "labels: "),
        ({"flags": [{"kind": "wash_shrt", "start_s": 0, "end_s": 1}]}, r"flags\.0\.kind"),
        ({"clip": {"skin_tone": 9}}, r"clip\.skin_tone"),
        ({"wash": {"whole_s": -1, "rubbing_s": 0}}, r"wash\.whole_s"),
        ({"open_line": [{"phase": "wash", "start_s": 0, "end_s": 1}]}, r"open_line\.0\.phase"),
    ],
)
def test_wrong_labels_name_file_and_key(
    tmp_path: Path, change: dict[str, Any], message: str
) -> None:
    path = tmp_path / "clip.json"
    path.write_text(json.dumps(label_content(**change)))
    with pytest.raises(LabelError, match=rf"clip\.json: not a valid label file: .*{message}"):
        read_labels(path)


def test_a_gap_between_labels_is_refused(tmp_path: Path) -> None:
    content = label_content()
    content["labels"][1]["start_s"] = 2.5
    path = tmp_path / "clip.json"
    path.write_text(json.dumps(content))
    with pytest.raises(LabelError, match=r"gap or overlap at 2.0 s"):
        read_labels(path)


def test_unreadable_labels_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "clip.json"
    path.write_text("{")
    with pytest.raises(LabelError, match=r"clip\.json: this label file is not JSON"):
        read_labels(path)
    path.write_bytes(b"\xff\xfe\xff")
    with pytest.raises(LabelError, match=r"clip\.json: this label file cannot be read"):
        read_labels(path)
    with pytest.raises(LabelError, match="cannot be read"):
        read_labels(tmp_path / "none.json")


# --- scoring one clip ------------------------------------------------------------------------


def test_a_perfect_analysis_scores_perfectly() -> None:
    flag = ("talking_near_open_line", 22.0, 25.0, "look")
    scores = compare(labels(), Findings(analysis(flags=(flag,), wash__rubbing_time=10.0)), "a")
    summary = summarise([scores])
    for name in ("frame_accuracy", "edit", "f1_10", "f1_25", "f1_50", "flag_recall"):
        assert summary[name] == 1.0, name
    assert summary["flag_precision"] == summary["wash_rubbing_within"] == 1.0
    assert summary["boundary_median_s"] == summary["boundary_p90_s"] == 0.0


def test_scores_of_an_imperfect_analysis_by_hand() -> None:
    """Wash found to 13 s, wiping not found, connect 3 s late."""
    found = [(0, 2, "other"), (2, 13, "wash"), (13, 23, "other"), (23, 30, "connect")]
    scores = compare(labels(), Findings(analysis(found)), "a")
    assert scores.frame_accuracy == pytest.approx((2 + 11 + 7) / 30)
    assert scores.edit == pytest.approx(1 - 1 / 3)  # wash, (wipe), connect
    assert scores.segments[0.5] == Counts(2, 0, 1)
    assert sorted(scores.boundary_errors_s) == [0, 1, 3]  # the end of connect is the clip's
    assert scores.found_phases_s == 18
    assert scores.open_line_errors_s == (0.5, 0.0)


def test_a_gap_in_the_found_phases_is_wrong_not_an_error() -> None:
    scores = compare(labels(), Findings(analysis([(2, 14, "wash")])), "a")
    assert scores.frame_accuracy == pytest.approx(12 / 30)


def test_flags_count_at_level_look_by_kind_and_within_two_seconds() -> None:
    def counts(*flags: tuple[str, float, float, str]) -> dict[str, Counts]:
        found = compare(labels(), Findings(analysis(flags=flags)), "a").flags
        return {kind.value: value for kind, value in found.items()}

    kind = "talking_near_open_line"
    assert counts((kind, 27.0, 28.0, "look")) == {kind: Counts(1, 0, 0)}
    assert counts((kind, 27.1, 28.0, "look")) == {kind: Counts(0, 1, 1)}
    assert counts((kind, 22.0, 25.0, "note")) == {kind: Counts(0, 0, 1)}
    assert counts(("not_seen", 22.0, 25.0, "cannot_tell")) == {kind: Counts(0, 0, 1)}
    assert counts(("wash_short", 2.0, 14.0, "look")) == {
        kind: Counts(0, 0, 1),
        "wash_short": Counts(0, 1, 0),
    }
    without = compare(labels(flags=None), Findings(analysis()), "a")
    assert without.flags == {} and not without.clean


def test_wash_time_within_two_seconds_or_eight_percent() -> None:
    def share(found: float | None, true: float = 10.0) -> float | None:
        wash = {"whole_s": 60.0, "rubbing_s": true}
        scores = compare(labels(wash=wash), Findings(analysis(wash__rubbing_time=found)), "a")
        return summarise([scores])["wash_rubbing_within"]

    assert share(12.0) == 1.0 and share(12.1) == 0.0  # two seconds
    assert share(54.0, 50.0) == 1.0 and share(54.1, 50.0) == 0.0  # eight percent
    assert share(None) == 0.0  # not measured is not within
    no_wash = {"whole_s": 0.0, "rubbing_s": 0.0}
    scores = compare(labels(wash=no_wash), Findings(analysis()), "a")
    assert summarise([scores])["wash_rubbing_within"] is None


def test_talking_counts_where_the_mouth_can_be_seen_and_was_assessed() -> None:
    """Seen 0..24 s; not assessed before 1 s. 10 of 20 positives outscore all, 10 none."""
    scores = compare(labels(), Findings(analysis(), traces()), "a")
    assert scores.talking is not None
    assert scores.talking.talking.sum() == 20 and scores.talking.talking.size == 240
    summary = summarise([scores])
    assert summary["talking_auc"] == pytest.approx(0.5)
    assert summary["talking_assessed"] == pytest.approx(230 / 240)
    assert summarise([compare(labels(), Findings(analysis()), "a")])["talking_auc"] is None


def test_hand_surfaces_by_time() -> None:
    scores = compare(labels(), Findings(analysis(), traces()), "a")

    def seconds(surface: Surface) -> tuple[float, ...]:
        counts = scores.surfaces[surface.value]
        return counts.hits, counts.false_alarms, counts.misses

    assert seconds(Surface.PALMS) == pytest.approx((4, 0, 1))
    assert seconds(Surface.THUMB_LEFT) == pytest.approx((5, 1, 0))
    assert scores.surfaces["back_left"] == Counts()
    expected = (Counts(4, 0, 1).f1, Counts(5, 1, 0).f1)
    assert summarise([scores])["surface_f1"] == pytest.approx(np.mean(np.array(expected, float)))


def test_clean_clips_and_other_activity() -> None:
    look = ("hand_to_face", 3.0, 4.0, "look")
    clean = [
        compare(labels(flags=[]), Findings(analysis(flags=flags)), "a")
        for flags in [(), (), (look, look), (("wash_short", 2.0, 3.0, "note"),)]
    ]
    assert all(scores.clean for scores in clean)
    summary = summarise(clean)
    assert summary["clean_flags_per_clip"] == 0.5
    assert summary["clean_flagged"] == 0.25
    assert summary["invented"] is None
    other = labels(clip={"kind": "other_activity"}, flags=[])
    invented = [
        compare(other, Findings(analysis(found)), "a")
        for found in (PERFECT, [(0.0, 30.0, "other")])
    ]
    assert not any(scores.clean for scores in invented)
    assert summarise(invented)["invented"] == 0.5


def test_nothing_to_score_is_none_everywhere() -> None:
    summary = summarise([])
    assert set(summary) == set(NAMES)
    assert {name for name, value in summary.items() if value is not None} == {"clips"}


# --- folders ---------------------------------------------------------------------------------


def fake_analyse(
    path: Path, protocol: Protocol, mirrored: bool, cache_dir: Path | None
) -> Findings:
    """A scripted stand-in; its file name says what happens."""
    if path.stem.startswith("broken"):
        raise VideoError(f"{path.name}: this is not a video.")
    if path.stem.startswith("bug"):
        raise ZeroDivisionError("a mistake of ours")
    # Mirroring must come from the label: without it the phases of 'mirror' are wrong.
    wrong = path.stem.startswith("mirror") and not mirrored
    return Findings(analysis([(0.0, 30.0, "other")] if wrong else PERFECT), traces())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("clip_b", "clip_a", "broken", "bug", "mirror", "badlabel", "unlabelled"):
        (tmp_path / f"{name}.mp4").write_bytes(b"not read here")
        content = label_content()
        if name == "mirror":
            content["clip"] |= {"mirrored": True, "handed": "right", "skin_tone": 6}
        if name == "badlabel":
            content["duration_s"] = 99
        if name != "unlabelled":
            (tmp_path / f"{name}.json").write_text(json.dumps(content))
    (tmp_path / "clip_a.analysis.json").write_text("{}")
    return tmp_path


def names(files: object) -> list[str]:
    return [Path(item.file).stem for item in files]  # type: ignore[attr-defined]


@pytest.mark.parametrize("jobs", [1, 2])
def test_every_file_is_scored_or_reported(
    folder: Path, jobs: int, caplog: pytest.LogCaptureFixture
) -> None:
    seen: list[float] = []
    report = evaluate_folders(
        [folder], load_protocol("practice"), jobs, seen.append, analyse=fake_analyse
    )
    assert names(report.clips) == ["clip_a", "clip_b", "mirror"]
    assert [scores.frame_accuracy for scores in report.clips] == [1.0, 1.0, 1.0]
    reasons = dict(zip(names(report.failed), (f.reason for f in report.failed), strict=True))
    assert list(reasons) == ["badlabel", "broken", "bug"]
    assert "not a valid label file" in reasons["badlabel"]
    assert reasons["broken"] == "broken.mp4: this is not a video."
    assert reasons["bug"] == "unexpected ZeroDivisionError: a mistake of ours"
    assert names(report.skipped) == ["unlabelled"]
    assert seen == sorted(seen) and len(seen) == 6 and seen[-1] == 1.0
    if jobs == 1:  # the traceback is logged where it happened
        assert "while evaluating" in caplog.text


def test_the_number_of_processes_changes_nothing(folder: Path) -> None:
    def run(jobs: int) -> str:
        report = evaluate_folders([folder], load_protocol("practice"), jobs, analyse=fake_analyse)
        return report.to_json()

    assert run(1) == run(2)


def test_folders_without_clips_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LabelError, match="there is no such folder"):
        find_clips([tmp_path / "none"])
    with pytest.raises(LabelError, match="no recording"):
        find_clips([tmp_path])


# --- the report ------------------------------------------------------------------------------


@pytest.fixture
def report(folder: Path) -> EvaluationReport:
    return evaluate_folders([folder], load_protocol("practice"), analyse=fake_analyse)


def test_groups_add_up(report: EvaluationReport) -> None:
    groups = report.groups()
    assert {name: s["clips"] for name, s in groups["Skin tone"].items()} == {"3": 2, "6": 1}
    assert {name: s["clips"] for name, s in groups["Handedness"].items()} == {
        "left": 2,
        "right": 1,
    }
    for members in groups.values():
        assert sum(scores["clips"] or 0 for scores in members.values()) == len(report.clips)


def test_the_plain_table_shows_every_score_and_every_failure(report: EvaluationReport) -> None:
    text = report.table()
    for words in NAMES.values():
        assert words in text
    for name in ("badlabel", "broken", "bug", "unlabelled"):
        assert f"{name}.mp4: " in text
    (line,) = (line for line in text.splitlines() if line.startswith("Segmental F1@50"))
    assert line.split() == ["Segmental", "F1@50", "1.000", "at", "least", "0.95", "met"]
    assert "Skin tone: 6" in text and "talking_near_open_line" in text and "thumb_left" in text


def test_an_undefined_score_prints_as_a_dash(report: EvaluationReport) -> None:
    (line,) = (s for s in report.table().splitlines() if s.startswith("Flags, precision"))
    assert line.split()[2:] == ["-", "at", "least", "0.9", "-"]
    assert meets_goal("flag_precision", None) == "-"
    assert meets_goal("boundary_median_s", 1.0) == "met"
    assert meets_goal("boundary_median_s", 1.01) == "not met"
    assert meets_goal("edit", 0.1) == "-"


def test_markdown_tables_are_well_formed(report: EvaluationReport) -> None:
    text = format_report(report, "markdown")
    assert text == report.markdown()
    rows = [line for line in text.splitlines() if line.startswith("|")]
    blocks = [block for block in text.split("\n\n") if block.startswith("|")]
    assert len(blocks) == 4 and len(rows) > 30
    for block in blocks:
        assert len({line.count("|") for line in block.splitlines()}) == 1
        assert set(block.splitlines()[1]) <= set("|-: ")


def test_json_holds_the_same_numbers(report: EvaluationReport) -> None:
    content = json.loads(report.to_json())
    assert content["summary"] == pytest.approx(report.summary())
    assert [clip["clip"]["mirrored"] for clip in content["clips"]] == [False, False, True]
    assert content["flags"]["talking_near_open_line"]["misses"] == 3
    assert content["flags"]["talking_near_open_line"]["precision"] is None
    assert len(content["failed"]) == 3


def test_a_report_without_traces_leaves_out_what_they_would_give(
    report: EvaluationReport,
) -> None:
    bare = EvaluationReport(
        tuple(replace(clip, talking=None, surfaces={}) for clip in report.clips)
    )
    assert "Hand surfaces by time\n" not in bare.table()
    assert json.loads(bare.to_json())["summary"]["talking_auc"] is None
    assert bare.summary()["f1_50"] == 1.0
    assert Phase.OTHER.value not in json.dumps(bare.groups())
