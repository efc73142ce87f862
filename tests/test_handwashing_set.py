"""The reader of the published hand-washing set, on made-up folders in the published layout.

The set itself is not here. What was found is scripted, but for one test with the real stages.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sklearn.metrics import accuracy_score, confusion_matrix, recall_score

from review.emissions import SURFACES
from review.errors import LabelError, VideoError
from review.handwashing_set import (
    CODE_OF,
    CODES,
    SET_NAMES,
    UNTOLD,
    FrameCodes,
    SetReport,
    agreed_codes,
    analyse_washing,
    codes_of,
    compare_codes,
    evaluate_set,
    find_videos,
    read_codes,
)
from review.protocol import Protocol, load_protocol
from review.timeline import Surface
from review.washevaluate import WashTrace
from tests.media import steady, write_video
from tests.washes import DURATION_S, PERFECT, Answers, wash_course

PROTOCOL = load_protocol("practice")
FPS = 30
CLASSES = {name: CODE_OF[Surface(name)] for name in SURFACES}


def trace(answers: Answers = PERFECT) -> WashTrace:
    course = wash_course(answers)
    return WashTrace(course, np.zeros(course.answer.shape, dtype=bool), 1.0)


def frames(*spans: tuple[float, float, int], fps: float = FPS) -> list[dict[str, int]]:
    """Labels of 20 s: code 0 and no washing but in ``spans`` (from, to, code)."""
    out = [{"is_washing": 0, "code": 0} for _ in range(round(DURATION_S * fps))]
    for start, end, code in spans:
        for number in range(round(start * fps), round(end * fps)):
            out[number] = {"is_washing": 1, "code": code}
    return out


FIRST = frames((2, 6, 1), (6, 8, 0), (8, 12, 5), (12, 13, 7), (15, 18, 1))
SECOND = frames((2, 5, 1), (5, 6, 3), (6, 8, 0), (8, 12, 5), (12, 14, 0), (15, 18, 1))


def write_set(folder: Path, annotations: dict[str, list[Any]], name: str = "2020_camera1") -> Path:
    """One recording with its annotators in the published layout."""
    videos = folder / "DataSet1" / "Videos"
    videos.mkdir(parents=True, exist_ok=True)
    (videos / f"{name}.mp4").write_bytes(b"")
    for annotator, labels in annotations.items():
        place = folder / "DataSet1" / "Annotations" / annotator
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{name}.json").write_text(json.dumps({"labels": labels}), encoding="utf-8")
    return videos / f"{name}.mp4"


def scripted(path: Path, protocol: Protocol, mirrored: bool, cache: Path | None) -> WashTrace:
    assert not mirrored
    if "broken" in path.name:
        raise VideoError(f"{path}: it cannot be read.")
    return trace()


# --- reading ---------------------------------------------------------------------------------


def test_videos_are_found_with_all_their_annotators(tmp_path: Path) -> None:
    video = write_set(tmp_path, {"Annotator1": FIRST, "Annotator2": SECOND})
    write_set(tmp_path, {}, "bare")
    (tmp_path / "DataSet1" / "Videos" / "notes.txt").write_text("no video")
    (tmp_path / "DataSet2" / "Annotations" / "Annotator7").mkdir(parents=True)
    found, skipped = find_videos(tmp_path)
    assert [item.video for item in found] == [video]
    assert [path.parent.name for path in found[0].annotations] == ["Annotator1", "Annotator2"]
    assert [Path(item.file).name for item in skipped] == ["bare.mp4"]


def test_annotations_without_folders_of_annotators_are_found(tmp_path: Path) -> None:
    """A later set of the same form has one annotator and may do without the inner folder."""
    write_set(tmp_path, {"": FIRST})
    assert len(find_videos(tmp_path)[0][0].annotations) == 1


@pytest.mark.parametrize("make", [False, True])
def test_a_folder_that_is_not_the_set_is_an_error(tmp_path: Path, make: bool) -> None:
    folder = tmp_path / "x"
    if make:
        (folder / "DataSet1" / "Videos").mkdir(parents=True)
    with pytest.raises(LabelError, match="'Videos'" if make else "no such folder"):
        evaluate_set(folder, PROTOCOL, analyse=scripted)


def test_codes_are_read(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(json.dumps({"labels": FIRST, "more": 1}), encoding="utf-8")
    codes = read_codes(path)
    assert codes.code.size == codes.washing.size == 600
    assert codes.washing.sum() == round((4 + 2 + 4 + 1 + 3) * FPS)
    assert np.bincount(codes.code, minlength=8)[7] == FPS


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "not JSON"),
        ("[]", "no list 'labels'"),
        ('{"labels": []}', "no list 'labels'"),
        ('{"labels": [{"is_washing": 1, "code": 8}]}', r"frame 0: 'code' .* 0\.\.7, not 8"),
        ('{"labels": [{"is_washing": 2, "code": 1}]}', r"frame 0: 'is_washing' .* 0\.\.1, not 2"),
        ('{"labels": [{"is_washing": 1, "code": "1"}]}', "not '1'"),
        ('{"labels": [{"is_washing": 1}]}', "not None"),
        ('{"labels": [7]}', "frame 0"),
    ],
)
def test_broken_annotations_are_named(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "a.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LabelError, match=message) as caught:
        read_codes(path)
    assert "a.json" in str(caught.value)


def test_missing_annotation_is_named(tmp_path: Path) -> None:
    with pytest.raises(LabelError, match="cannot be read"):
        read_codes(tmp_path / "a.json")


# --- comparing, worked by hand ---------------------------------------------------------------


def codes(labels: list[dict[str, int]]) -> FrameCodes:
    return FrameCodes(
        np.array([label["is_washing"] for label in labels], dtype=bool),
        np.array([label["code"] for label in labels], dtype=np.int64),
    )


def test_annotators_agree_where_all_say_the_same() -> None:
    """They differ from 5 to 6 s, and from 13 to 14 s only one calls it washing."""
    _, agreed = agreed_codes([codes(FIRST), codes(SECOND)])
    spans = np.flatnonzero(np.diff(agreed.astype(int), prepend=0, append=0)) / FPS
    assert spans.tolist() == [2.0, 5.0, 6.0, 13.0, 15.0, 18.0]


def test_the_towel_counts_as_another_movement() -> None:
    first, agreed = agreed_codes([codes(FIRST), codes(SECOND)])
    at = round(12.5 * FPS)
    assert codes(FIRST).code[at] == 7 and first[at] == 0 and agreed[at]


def test_annotators_may_end_a_frame_apart_but_not_seconds() -> None:
    assert agreed_codes([codes(FIRST), codes(FIRST[:-3])])[0].size == 597
    with pytest.raises(ValueError, match="500 to 600 frames"):
        agreed_codes([codes(FIRST), codes(FIRST[:500])])
    with pytest.raises(ValueError, match="no annotator"):
        agreed_codes([])


def test_surfaces_become_codes() -> None:
    """Codes of the published list: left and right are one code, nine surfaces make six."""
    assert set(CODE_OF) == set(Surface) and set(CODE_OF.values()) == set(range(1, 7))
    for surface in Surface:
        assert CODE_OF[surface] == CODE_OF[surface.other_side]
    course = wash_course(((0, 1, "back_left"), (1, 2, "back_right"), (2, 3, "cannot_tell")))
    found = codes_of(course, 80)  # four a second
    assert found[:16].tolist() == [2] * 8 + [UNTOLD] * 4 + [0] * 4


def test_frame_accuracy_worked_by_hand() -> None:
    """12 s of agreed washing; found: palms 2-6 and 15-18, thumb 8-10, untold 10-12.

    Agreed: 1 in 2-5 and 15-18 (right), 0 in 6-8 and 12-13 (right), 5 in 8-12 (half right).
    """
    clip = compare_codes([codes(FIRST), codes(SECOND)], trace(), "invented.mp4")
    expected = np.zeros((7, 8), dtype=int)
    expected[1, 1], expected[0, 0] = 6 * FPS, 3 * FPS
    expected[5, 5] = expected[5, UNTOLD] = 2 * FPS
    np.testing.assert_array_equal(clip.matrix, expected)
    summary = SetReport((clip,)).summary()
    assert list(summary) == list(SET_NAMES)
    assert summary["accuracy"] == pytest.approx(11 / 13)
    assert summary["mean_recall"] == pytest.approx((1 + 1 + 0.5) / 3)
    assert summary["untold"] == pytest.approx(2 / 13)
    assert summary["most_common"] == pytest.approx(6 / 13)
    # Someone calls 2-14 and 15-18 washing: 15 s.
    assert summary["agreed"] == pytest.approx(13 / 15)


def test_perfect_answers_score_one() -> None:
    answers: Answers = ((2, 6, "palms"), (8, 12, "thumb_right"), (15, 18, "palms"))
    summary = SetReport((compare_codes([codes(FIRST)], trace(answers), "a"),)).summary()
    assert summary["accuracy"] == summary["mean_recall"] == summary["agreed"] == 1.0


def test_nothing_compared_is_none_never_zero() -> None:
    for report in (SetReport(()), SetReport((compare_codes([codes(frames())], trace(), "a"),))):
        summary = report.summary()
        for name in ("accuracy", "agreed", "mean_recall", "untold", "most_common"):
            assert summary[name] is None
        assert json.loads(report.to_json())["summary"]["accuracy"] is None


def test_scores_agree_with_scikit_learn(rng: np.random.Generator) -> None:
    true = rng.integers(0, 8, 600)
    answers = tuple(
        (s, s + 1, str(rng.choice([*SURFACES, "cannot_tell"]))) for s in range(0, 20, 2)
    )
    given = FrameCodes(np.ones(600, dtype=bool), true)
    clip = compare_codes([given], trace(answers), "a")
    merged, found = np.where(true == 7, 0, true), codes_of(trace(answers).course, 600)
    summary = SetReport((clip,)).summary()
    assert summary["accuracy"] == pytest.approx(accuracy_score(merged, found))
    assert summary["mean_recall"] == pytest.approx(
        recall_score(merged, found, labels=range(7), average="macro")
    )
    np.testing.assert_array_equal(clip.matrix, confusion_matrix(merged, found, labels=range(8))[:7])


def test_annotations_of_another_recording_are_refused() -> None:
    few = codes(frames((2, 6, 1), fps=2.0))
    with pytest.raises(LabelError, match=r"2\.0 a second"):
        compare_codes([few], trace(), "a.mp4")


# --- the whole way ---------------------------------------------------------------------------


def test_a_folder_is_compared_and_nothing_left_out_in_silence(tmp_path: Path) -> None:
    write_set(tmp_path, {"Annotator1": FIRST, "Annotator2": SECOND}, "a")
    write_set(tmp_path, {"Annotator1": FIRST}, "b")
    write_set(tmp_path, {"Annotator1": FIRST}, "broken")
    write_set(tmp_path, {"Annotator1": FIRST, "Annotator2": FIRST[:100]}, "unequal")
    write_set(tmp_path, {}, "bare")
    shares: list[float] = []
    report = evaluate_set(tmp_path, PROTOCOL, 1, shares.append, analyse=scripted)
    assert [Path(clip.file).stem for clip in report.clips] == ["a", "b"]
    assert [clip.annotators for clip in report.clips] == [2, 1]
    reasons = {Path(item.file).stem: item.reason for item in (*report.failed, *report.skipped)}
    assert "cannot be read" in reasons["broken"]
    assert "100 to 600 frames" in reasons["unequal"]
    assert "no annotation" in reasons["bare"]
    assert shares == [0.25, 0.5, 0.75, 1.0]
    text = report.table()
    for words in (*SET_NAMES.values(), *CODES, "0.751", "Failed: 2", "Left out: 1"):
        assert words.strip() in text, words
    content = json.loads(report.to_json())
    assert np.array(content["frames"]).shape == (7, 8)
    assert [clip["annotators"] for clip in content["clips"]] == [2, 1]
    assert report.markdown().count("|5 thumb") == 1


@pytest.mark.slow
def test_the_real_stages_read_a_video_of_the_set(tmp_path: Path) -> None:
    """60 pictures of a test card: every labelled frame is compared, none invented or lost."""
    labels = [{"is_washing": 1, "code": int(number < 15)} for number in range(60)]
    video = write_set(tmp_path, {"Annotator1": labels})
    write_video(video, steady(60, 30.0))
    report = evaluate_set(tmp_path, PROTOCOL, analyse=analyse_washing)
    assert report.failed == ()
    assert report.matrix.sum(axis=1).tolist() == [45, 15, 0, 0, 0, 0, 0]
