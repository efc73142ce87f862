"""Scores of hand surfaces: worked by hand, and against scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import (
    confusion_matrix,
    f1_score,
    precision_recall_fscore_support,
    precision_score,
    recall_score,
)

from review.emissions import SURFACES
from review.labels import LabelFile
from review.protocol import load_protocol
from review.timeline import Interval, Phase, Surface
from review.washscores import (
    WashSamples,
    confusion,
    expected_calibration_error,
    join_samples,
    macro_f1,
    macro_f1_interval,
    macro_precision,
    macro_recall,
    reliability,
    sample_clip,
    sample_reliability,
    surface_counts,
)
from review.washsteps import (
    ANSWERS,
    NONE,
    UNTOLD,
    TrueStep,
    abstention,
    hygiene_runs,
    hygiene_times,
    rubbing_error,
    score_steps,
    stroke_errors,
    strokes_right,
    surface_time_error,
    true_steps,
)
from tests.washes import PERFECT, Answers, wash_content, wash_course, wash_labels

PALMS, THUMB, BACK = (SURFACES.index(name) for name in ("palms", "thumb_left", "back_left"))
WASH = load_protocol("practice").detection.wash

FLAWED: Answers = (
    (2, 5, "palms"),
    (5, 6, "back_left"),  # one second of the palms taken for a back
    (7, 8, "thumb_left"),  # a pause taken for rubbing
    (8, 9, "thumb_left"),
    (9, 10, "cannot_tell"),  # visible, and yet not told
    (10, 12, "thumb_left"),  # hidden, and yet told
    (15, 16, "palms"),  # the rest of the rub not found
)
"""A course with every kind of mistake, a second or more each."""


def samples_of(true: list[int], found: list[int], **more: list[float]) -> WashSamples:
    n = len(true)
    return WashSamples(
        true=np.array(true, dtype=np.int64),
        found=np.array(found, dtype=np.int64),
        hidden=np.array(more.get("hidden", [0] * n), dtype=bool),
        at_edge=np.array(more.get("at_edge", [0] * n), dtype=bool),
        top=np.array(more.get("top", found), dtype=np.int64),
        confidence=np.array(more.get("confidence", [1.0] * n), dtype=np.float64),
        both_seen=np.array(more.get("both_seen", [np.nan] * n), dtype=np.float64),
    )


# --- truth -----------------------------------------------------------------------------------


def test_true_steps_and_runs() -> None:
    assert hygiene_runs(wash_labels()) == (
        (Phase.WASH, Interval(2, 14)),
        (Phase.HAND_RUB, Interval(15, 18)),
    )
    assert true_steps(wash_labels()) == (
        TrueStep(Surface.PALMS, Interval(2, 6), False, 4.0),
        TrueStep(Surface.THUMB_LEFT, Interval(8, 10), False, 2.5),
        TrueStep(Surface.THUMB_LEFT, Interval(10, 12), True, 2.5),
        TrueStep(Surface.PALMS, Interval(15, 18), False, 3.0),
    )


def test_neighbouring_pieces_of_one_surface_are_one_step() -> None:
    """Talking cuts pieces, not steps; a file's rounding may leave a gap of milliseconds."""
    content = wash_content()
    content["labels"][1:2] = [
        {"start_s": 2, "end_s": 3.004, "phase": "wash", "step": "palms", "strokes": 1.0},
        {"start_s": 3.0, "end_s": 4, "phase": "wash", "step": "palms", "strokes": 1.5},
        {"start_s": 4, "end_s": 6, "phase": "wash", "step": "palms", "talking": True},
    ]
    first = true_steps(LabelFile.model_validate(content))[0]
    # One piece does not say its strokes, so nobody knows how many the step had.
    assert first == TrueStep(Surface.PALMS, Interval(2, 6), False, None)


def test_one_surface_in_two_phases_is_two_steps() -> None:
    content = wash_content()
    content["labels"][5:7] = [{"start_s": 12, "end_s": 15, "phase": "wash", "step": "palms"}]
    steps = true_steps(LabelFile.model_validate(content))
    assert [s.interval for s in steps if s.surface is Surface.PALMS] == [
        Interval(2, 6), Interval(12, 15), Interval(15, 18),
    ]  # fmt: skip


# --- by time, worked by hand -----------------------------------------------------------------


def test_samples_of_the_worked_example() -> None:
    samples = sample_clip(wash_labels(), wash_course(FLAWED))
    assert len(samples) == 60 + 15  # 12 s of wash and 3 s of rub, every 0.2 s
    assert samples.hidden.sum() == 10
    # Changes at 2, 6, 8, 12, 14 (wash), 15 and 18 (rub); samples lie at 2.1, 2.3, ...
    # Within 0.3 s: two on each side inside washes and rubs; 10 s is no change of surface.
    assert samples.at_edge.sum() == 2 * (1 + 2 + 2 + 2 + 1) + 2 * 2
    matrix = confusion(samples)
    expected = np.zeros((10, 11), dtype=int)
    expected[PALMS, PALMS] = 15 + 5
    expected[PALMS, BACK] = 5
    expected[PALMS, NONE] = 10
    expected[THUMB, THUMB] = 5
    expected[THUMB, UNTOLD] = 5
    expected[NONE, THUMB] = 5
    expected[NONE, NONE] = 15
    np.testing.assert_array_equal(matrix, expected)


def test_scores_of_the_worked_example() -> None:
    matrix = confusion(sample_clip(wash_labels(), wash_course(FLAWED)))
    counts = surface_counts(matrix)
    palms, thumb, back = (counts[s] for s in (Surface.PALMS, Surface.THUMB_LEFT, Surface.BACK_LEFT))
    assert (palms.precision, palms.recall) == (1.0, pytest.approx(20 / 35))
    assert (thumb.precision, thumb.recall) == (0.5, 0.5)
    assert (back.precision, back.recall, back.f1) == (0.0, None, 0.0)
    # Two surfaces truly occur: F1 40/55 and 10/20.
    assert macro_f1(matrix) == pytest.approx((40 / 55 + 0.5) / 2)
    assert macro_precision(matrix) == pytest.approx(0.75)
    assert macro_recall(matrix) == pytest.approx((20 / 35 + 0.5) / 2)


def test_perfect_answers_score_one() -> None:
    labels, course = wash_labels(), wash_course(probability=1.0)
    samples, steps = sample_clip(labels, course), score_steps(labels, course)
    times = hygiene_times(labels, course, WASH)
    for without_edges in (False, True):
        matrix = confusion(samples, without_edges=without_edges)
        assert macro_f1(matrix) == macro_precision(matrix) == macro_recall(matrix) == 1.0
    assert expected_calibration_error(sample_reliability(samples)) == pytest.approx(0.0)
    assert abstention(steps, hidden=True) == 1.0
    assert abstention(steps, hidden=False) == 0.0
    assert strokes_right(steps) == 1.0
    assert rubbing_error(times) == pytest.approx(0.0, abs=1e-9)
    assert surface_time_error(times) == pytest.approx(0.0, abs=1e-9)


def test_nothing_to_score_is_none_never_zero() -> None:
    content = wash_content() | {
        "labels": [{"start_s": 0, "end_s": 20, "phase": "other", "step": "rest"}]
    }
    labels, course = LabelFile.model_validate(content), wash_course()
    samples, steps = sample_clip(labels, course), score_steps(labels, course)
    assert len(samples) == 0 and steps == ()
    matrix = confusion(samples)
    assert macro_f1(matrix) is macro_precision(matrix) is macro_recall(matrix) is None
    assert expected_calibration_error(sample_reliability(samples)) is None
    assert abstention(steps, hidden=True) is abstention(steps, hidden=False) is None
    assert strokes_right(steps) is None
    times = hygiene_times(labels, course, WASH)
    assert times == () and rubbing_error(times) is surface_time_error(times) is None
    assert macro_f1_interval([matrix]) is None and macro_f1_interval([matrix, matrix]) is None
    assert len(join_samples([])) == 0


def test_a_course_that_ends_early_found_nothing_after_its_end() -> None:
    content = wash_content()
    content["labels"][-1]["end_s"] = content["duration_s"] = 30.0
    content["labels"].append({"start_s": 30, "end_s": 32, "phase": "wash", "step": "palms"})
    content["duration_s"] = 32.0
    samples = sample_clip(LabelFile.model_validate(content), wash_course())
    assert (samples.found[-10:] == NONE).all() and (samples.true[-10:] == PALMS).all()


def test_hand_loss_is_the_share_of_the_step() -> None:
    course = wash_course()
    both = (course.time.times_s >= 5.0) & (course.time.times_s < 9.0)
    shares = sample_clip(wash_labels(), course, both).both_seen
    assert set(shares[:20].tolist()) == {0.25}  # palms: the last of four seconds
    assert np.isnan(shares[20:30]).all()  # the pause is no step
    assert set(shares[30:40].tolist()) == {0.5}
    assert set(shares[40:50].tolist()) == {0.0}
    assert np.isnan(sample_clip(wash_labels(), course).both_seen).all()


def test_edges_can_be_left_out() -> None:
    samples = samples_of([0, 0, 1], [0, 1, 1], at_edge=[0, 1, 0])
    assert confusion(samples).sum() == 3
    assert macro_f1(confusion(samples, without_edges=True)) == 1.0


# --- against scikit-learn --------------------------------------------------------------------

pairs = st.lists(st.tuples(st.integers(0, NONE), st.integers(0, UNTOLD)), min_size=1, max_size=80)


@given(pairs)
def test_scores_agree_with_scikit_learn(rows: list[tuple[int, int]]) -> None:
    true, found = [a for a, _ in rows], [b for _, b in rows]
    matrix = confusion(samples_of(true, found))
    np.testing.assert_array_equal(
        matrix, confusion_matrix(true, found, labels=range(UNTOLD + 1))[: NONE + 1]
    )
    precision, recall, f1, support = precision_recall_fscore_support(
        true, found, labels=range(NONE), zero_division=np.nan
    )
    for number, counts in enumerate(surface_counts(matrix).values()):
        assert counts.hits + counts.misses == support[number]
        for mine, theirs in (
            (counts.precision, precision[number]),
            (counts.recall, recall[number]),
        ):
            assert (mine is None) == np.isnan(theirs)
            assert mine is None or mine == pytest.approx(theirs)
        if counts.f1 is not None:
            assert counts.f1 == pytest.approx(np.nan_to_num(f1[number]))


@given(pairs)
def test_macro_scores_agree_with_scikit_learn(rows: list[tuple[int, int]]) -> None:
    true, found = [a for a, _ in rows], [b for _, b in rows]
    matrix = confusion(samples_of(true, found))
    occurring = sorted({label for label in true if label < NONE})
    if not occurring:
        assert macro_f1(matrix) is None
        return
    options = {"labels": occurring, "average": "macro", "zero_division": 0}
    assert macro_f1(matrix) == pytest.approx(f1_score(true, found, **options))
    assert macro_recall(matrix) == pytest.approx(recall_score(true, found, **options))
    told = sorted(set(occurring) & set(found))
    if told:
        options["labels"] = told
        assert macro_precision(matrix) == pytest.approx(precision_score(true, found, **options))
    else:
        assert macro_precision(matrix) is None


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.booleans()), min_size=1, max_size=60),
    st.integers(2, 12),
)
def test_reliability_agrees_with_scikit_learn(rows: list[tuple[float, bool]], bins: int) -> None:
    """scikit-learn leaves empty bins out; its bins are closed on the other side at 0 only."""
    confidence, right = np.array([p for p, _ in rows]), np.array([hit for _, hit in rows])
    edges = np.linspace(0.0, 1.0, bins + 1)
    if np.isclose(confidence[:, None], edges[None, 1:-1], atol=1e-12).any():
        return
    curve = reliability(confidence, right, bins)
    shares, means = calibration_curve(right, confidence, n_bins=bins, pos_label=True)
    filled = curve.count > 0
    np.testing.assert_allclose(curve.accuracy[filled], shares)
    np.testing.assert_allclose(curve.confidence[filled], means)
    assert curve.count.sum() == len(rows)


# --- calibration, worked by hand -------------------------------------------------------------


def test_calibration_error_worked_by_hand() -> None:
    """Guo et al. 2017, equation 3: two bins, |0.5 - 0.25| of 2 and |2/3 - 0.9| of 3 answers."""
    curve = reliability([0.2, 0.3, 0.9, 0.9, 0.9], [True, False, True, True, False], bins=2)
    assert curve.count.tolist() == [2, 3]
    np.testing.assert_allclose(curve.accuracy, [0.5, 2 / 3])
    assert expected_calibration_error(curve) == pytest.approx(2 / 5 * 0.25 + 3 / 5 * (0.9 - 2 / 3))


def test_bins_are_open_below_and_closed_above() -> None:
    """Guo et al. 2017: bin m holds ((m - 1) / M, m / M]; a confidence of 0 goes to the first."""
    assert reliability([0.0, 0.1, 0.11, 1.0], [True] * 4).count.tolist() == [2, 1] + [0] * 7 + [1]


def test_calibrated_answers_have_no_error(rng: np.random.Generator) -> None:
    """Right as often as sure: the error is the noise of sampling alone."""
    confidence = rng.uniform(0.1, 1.0, 200_000)
    curve = reliability(confidence, rng.uniform(size=200_000) < confidence)
    assert expected_calibration_error(curve) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("confidence", "right", "message"),
    [([0.5], [True, False], "1,"), ([1.5], [True], "outside"), ([-0.1], [True], "outside")],
)
def test_wrong_confidences_are_refused(
    confidence: list[float], right: list[bool], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        reliability(confidence, right)


def test_only_answers_given_are_calibrated() -> None:
    """Hidden moments and those answered 'cannot tell' carry no answer."""
    samples = samples_of(
        [0, 1, 2, 3], [0, 1, UNTOLD, 3], hidden=[0, 1, 0, 0], top=[0, 1, 2, 4],
        confidence=[0.95, 0.95, 0.95, 0.55],
    )  # fmt: skip
    curve = sample_reliability(samples)
    assert curve.count.tolist() == [0, 0, 0, 0, 0, 1, 0, 0, 0, 1]
    assert (curve.accuracy[5], curve.accuracy[9]) == (0.0, 1.0)


def test_none_of_them_has_the_rest_of_the_probability() -> None:
    """0.3 for the palms leaves 0.7 for none; while hidden, what is hidden is not 'none'."""
    samples = sample_clip(wash_labels(), wash_course(probability=0.3))
    at_palms, at_hidden = 5, 45
    assert samples.top[at_palms] == NONE and samples.confidence[at_palms] == pytest.approx(0.7)
    assert samples.confidence[at_hidden] == pytest.approx(0.7)


# --- bootstrap -------------------------------------------------------------------------------


def test_interval_holds_the_score_and_narrows_with_more_recordings(
    rng: np.random.Generator,
) -> None:
    def recording() -> np.ndarray:
        true = rng.integers(0, NONE, 60)
        found = np.where(rng.uniform(size=60) < rng.uniform(0.6, 1.0), true, NONE)
        return confusion(samples_of(true.tolist(), found.tolist()))

    widths = []
    for count in (5, 80):
        matrices = [recording() for _ in range(count)]
        interval = macro_f1_interval(matrices)
        whole = macro_f1(np.sum(matrices, axis=0))
        assert interval is not None and whole is not None
        assert interval[0] <= whole <= interval[1]
        assert macro_f1_interval(matrices) == interval  # the same every time
        widths.append(interval[1] - interval[0])
    assert widths[1] < 0.5 * widths[0]


def test_recordings_alike_leave_no_doubt() -> None:
    matrix = confusion(samples_of([0, 0, 1, 1], [0, 1, 1, 1]))
    interval = macro_f1_interval([matrix] * 4)
    assert interval == (macro_f1(matrix), macro_f1(matrix))


# --- steps -----------------------------------------------------------------------------------


def test_abstention_and_strokes_of_the_worked_example() -> None:
    """Visible: palms, thumb (half of it untold, which counts), palms. Hidden: one, told."""
    steps = score_steps(wash_labels(), wash_course(FLAWED))
    assert [step.untold for step in steps] == [0.0, 0.5, 0.0, 0.0]
    assert abstention(steps, hidden=False) == pytest.approx(1 / 3)
    assert abstention(steps, hidden=True) == 0.0
    # One stroke a second while rubbing is found: 4 for 4, 1 for 2.5, 1 for 3.
    np.testing.assert_allclose(stroke_errors(steps), [0.0, -1.5, -2.0])
    assert strokes_right(steps) == pytest.approx(1 / 3)


def test_a_stroke_more_or_less_is_right() -> None:
    steps = score_steps(wash_labels(), wash_course(strokes_per_s=1.25))
    np.testing.assert_allclose(stroke_errors(steps), [1.0, 0.0, 0.75])
    assert strokes_right(steps) == 1.0
    assert strokes_right(score_steps(wash_labels(), wash_course(strokes_per_s=1.26))) < 1.0  # type: ignore[operator]


def test_short_ends_of_steps_are_not_scored() -> None:
    """Somebody steps in 0.9 s before the thumb is done: too little to count strokes in."""
    content = wash_content()
    content["labels"][3]["end_s"] = content["labels"][4]["start_s"] = 8.9
    steps = score_steps(LabelFile.model_validate(content), wash_course())
    assert [step.step.interval.start_s for step in steps] == [2, 8.9, 15]


# --- durations -------------------------------------------------------------------------------


def test_times_of_the_worked_example() -> None:
    wash, rub = hygiene_times(wash_labels(), wash_course(FLAWED), WASH)
    # Truth: palms 4 s and the visible 2 s of the thumb. Found: 2-6 and 7-9 and 10-12; the breaks
    # of 1 s are longer than a pause, so they stay out.
    assert (wash.phase, wash.true_s) == (Phase.WASH, 6.0)
    assert wash.found_s == pytest.approx(8.0)
    assert wash.relative_error == pytest.approx(1 / 3)
    assert wash.surfaces[Surface.PALMS] == (4.0, pytest.approx(3.0))
    assert wash.surfaces[Surface.BACK_LEFT] == (0.0, pytest.approx(1.0))
    assert wash.surfaces[Surface.THUMB_LEFT] == (2.0, pytest.approx(4.0))
    assert (rub.phase, rub.true_s) == (Phase.HAND_RUB, 3.0)
    assert rub.relative_error == pytest.approx(-2 / 3)
    assert rubbing_error((wash, rub)) == pytest.approx((1 / 3 + 2 / 3) / 2)
    # Off by 1, 1 and 2 s in the wash and 2 s in the rub, of 9 s.
    assert surface_time_error((wash, rub)) == pytest.approx(6 / 9)
    assert surface_time_error((wash, rub), Surface.PALMS) == pytest.approx(3 / 7)
    assert surface_time_error((wash, rub), Surface.FINGERTIPS_LEFT) is None


def test_rubbing_found_outside_the_wash_is_an_error() -> None:
    """Two seconds before it count to the wash, one after 14.5 s (half-way) to the rub."""
    course = wash_course(((0, 2, "palms"), *PERFECT[:3], (14.6, 15, "palms"), (15, 18, "palms")))
    wash, rub = hygiene_times(wash_labels(), course, WASH)
    assert wash.found_s == pytest.approx(6.0 + 2.0)
    assert rub.found_s == pytest.approx(3.4)


def test_a_wash_without_rubbing_has_no_relative_error() -> None:
    content = wash_content()
    for piece in content["labels"]:
        if piece["phase"] == "wash":
            piece.update(step="rinse", strokes=None)
    wash, rub = hygiene_times(LabelFile.model_validate(content), wash_course(), WASH)
    assert wash.true_s == 0.0 and wash.relative_error is None
    assert rubbing_error((wash, rub)) == pytest.approx(0.0, abs=1e-9)


def test_answers_are_named() -> None:
    assert ANSWERS[:NONE] == SURFACES and ANSWERS[NONE:] == ("none", "cannot_tell")
    assert ANSWERS[UNTOLD] == "cannot_tell"


def test_samples_need_one_shape() -> None:
    with pytest.raises(ValueError, match="found"):
        samples_of([0, 1], [0])
