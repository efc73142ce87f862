"""Scores against worked examples, exact edges and reference libraries."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import accuracy_score, f1_score, roc_auc_score

from review.metrics import (
    Counts,
    Labelled,
    boundary_errors,
    edit_score,
    frame_accuracy,
    gap_between,
    interval_counts,
    match_by_overlap,
    match_intervals,
    overlap_ratio,
    quantile,
    roc_auc,
    runs_of,
    segmental_counts,
    time_counts,
    time_error,
)
from review.timeline import Interval


def spans(*items: tuple[str, float, float]) -> list[Labelled]:
    return [(label, Interval(start, end)) for label, start, end in items]


# --- counts ----------------------------------------------------------------------------------


def test_counts_add_before_the_ratio_is_taken() -> None:
    total = Counts(1, 0, 0) + Counts(1, 2, 4)
    assert (total.precision, total.recall, total.f1) == (0.5, pytest.approx(1 / 3), 0.4)


def test_what_is_not_defined_is_none() -> None:
    assert (Counts().precision, Counts().recall, Counts().f1) == (None, None, None)
    assert (Counts(0, 2, 0).precision, Counts(0, 2, 0).recall) == (0.0, None)
    assert (Counts(0, 0, 2).precision, Counts(0, 0, 2).recall) == (None, 0.0)
    assert frame_accuracy([], []) is None
    assert edit_score([], []) is None
    assert roc_auc([True, True], [0.1, 0.2]) is None
    assert roc_auc([True, False], [0.1, np.nan]) is None
    assert time_error(10.0, None) is None
    assert quantile([], 0.9) is None


# --- segmentation ----------------------------------------------------------------------------


@settings(max_examples=60)
@given(st.lists(st.sampled_from("abc"), min_size=1, max_size=40), st.randoms())
def test_identical_is_perfect_and_accuracy_is_sklearns(labels: list[str], random: object) -> None:
    """Reference: scikit-learn's accuracy_score."""
    runs = runs_of(labels)
    assert sum(span.duration_s for _, span in runs) == len(labels)
    assert frame_accuracy(labels, labels) == 1.0
    assert edit_score(runs, runs) == 1.0
    assert segmental_counts(runs, runs, 0.99).f1 == 1.0
    other = labels[::-1]
    assert frame_accuracy(labels, other) == pytest.approx(accuracy_score(labels, other))


@pytest.mark.parametrize(
    ("true", "found", "distance"),
    [
        ("kitten", "sitting", 3),
        ("abc", "abc", 0),
        ("abc", "", 3),
        ("", "ab", 2),
        ("abcd", "dbca", 2),
    ],
)
def test_edit_score_rests_on_the_levenshtein_distance(true: str, found: str, distance: int) -> None:
    """Kitten / sitting = 3 is the textbook example of the distance."""
    a = [(letter, Interval(i, i + 1)) for i, letter in enumerate(true)]
    b = [(letter, Interval(i, i + 1)) for i, letter in enumerate(found)]
    assert edit_score(a, b) == pytest.approx(1 - distance / max(len(true), len(found)))


def test_background_is_left_out_but_not_joined_over() -> None:
    true = spans(("a", 0, 4), ("-", 4, 6), ("a", 6, 10))
    found = spans(("a", 0, 10))
    assert edit_score(true, found, background="-") == 0.5
    assert segmental_counts(true, found, 0.1, background="-") == Counts(1, 0, 1)
    assert segmental_counts(true, found, 0.1) == Counts(1, 0, 2)


def test_overlap_at_the_very_edge_counts() -> None:
    true, found = spans(("a", 0, 10)), spans(("a", 0, 5))
    assert overlap_ratio(true[0][1], found[0][1]) == 0.5
    assert segmental_counts(true, found, 0.5) == Counts(1, 0, 0)
    assert segmental_counts(true, found, 0.5 + 1e-9) == Counts(0, 1, 1)
    assert overlap_ratio(Interval(0, 1), Interval(1, 2)) == 0.0


def test_a_found_segment_gets_no_second_choice() -> None:
    """The published code rejects a segment whose best match is taken, even if another is free."""
    true = spans(("a", 0, 10), ("a", 12, 14))
    found = spans(("a", 0, 7), ("a", 7, 13))
    assert overlap_ratio(found[1][1], true[0][1]) > overlap_ratio(found[1][1], true[1][1]) > 0.1
    assert segmental_counts(true, found, 0.1) == Counts(1, 1, 1)


def test_nothing_found_and_nothing_true() -> None:
    some = spans(("a", 0, 5), ("b", 5, 9))
    assert segmental_counts(some, [], 0.5) == Counts(0, 0, 2)
    assert segmental_counts([], some, 0.5) == Counts(0, 2, 0)
    assert segmental_counts([], some, 0.0) == Counts(0, 2, 0)
    assert edit_score(some, []) == 0.0


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="2 true labels but 1 found"):
        frame_accuracy("ab", "a")
    with pytest.raises(ValueError, match="classes for"):
        roc_auc([True], [0.5, 0.5])
    with pytest.raises(ValueError, match="widths"):
        time_counts("ab", "ab", [1.0], "a")


# --- boundaries ------------------------------------------------------------------------------


def test_boundary_errors_by_hand() -> None:
    extent = Interval(0, 40)
    true = spans(("o", 0, 2), ("a", 2, 10), ("b", 10, 20), ("a", 20, 30), ("c", 30, 40))
    found = spans(("o", 0, 3), ("a", 3, 10.5), ("b", 10.5, 19), ("a", 19, 30), ("c", 30, 39))
    errors = boundary_errors(true, found, extent, background="o")
    # a: 1, 0.5 and 1, 0; b: 0.5, 1; c: 0, and its end is the end of the recording
    assert sorted(errors.tolist()) == [0, 0, 0.5, 0.5, 1, 1, 1]
    assert quantile(errors, 0.5) == 0.5


def test_extra_and_missing_segments_have_no_edges() -> None:
    true = spans(("a", 5, 10), ("b", 10, 15))
    found = spans(("a", 5, 9), ("c", 9, 20))
    assert boundary_errors(true, found, Interval(0, 20)).tolist() == [0, 1]
    assert boundary_errors(true, [], Interval(0, 20)).size == 0


@settings(max_examples=60)
@given(
    st.lists(st.integers(1, 9), min_size=2, max_size=8),
    st.lists(st.integers(1, 9), min_size=2, max_size=8),
)
def test_matching_has_the_largest_total_overlap(a: list[int], b: list[int]) -> None:
    """Against all one-to-one assignments."""

    def cut(lengths: list[int]) -> list[Interval]:
        edges = np.cumsum([0, *lengths]).tolist()
        return [Interval(s, e) for s, e in pairwise(edges)][::2]

    true, found = cut(a), cut(b)

    def shared(i: int, j: int) -> float:
        common = true[i].intersect(found[j])
        return common.duration_s if common else 0.0

    pairs = match_by_overlap(true, found)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    assert all(shared(i, j) > 0 for i, j in pairs)
    padded = max(len(true), len(found))
    best = max(
        sum(shared(i, j) for i, j in enumerate(order) if i < len(true) and j < len(found))
        for order in permutations(range(padded))
    )
    assert sum(shared(i, j) for i, j in pairs) == pytest.approx(best)


# --- flagged moments -------------------------------------------------------------------------


def test_flags_match_by_kind_and_time_within_the_tolerance() -> None:
    true = spans(("face", 10, 12), ("talk", 30, 35))
    found = spans(("face", 14, 15), ("face", 31, 32), ("talk", 34, 60))
    assert gap_between(true[0][1], found[0][1]) == 2.0
    assert interval_counts(true, found, tolerance_s=2.0) == Counts(2, 1, 0)
    assert interval_counts(true, found, tolerance_s=1.99) == Counts(1, 2, 1)


def test_one_flag_cannot_stand_for_two() -> None:
    true = spans(("face", 10, 12), ("face", 13, 15))
    assert interval_counts(true, spans(("face", 9, 16)), 1.0) == Counts(1, 0, 1)
    assert interval_counts(spans(("face", 9, 16)), true, 1.0) == Counts(1, 1, 0)


def test_as_many_pairs_as_possible_even_if_one_must_take_its_second_choice() -> None:
    true = spans(("f", 0, 10), ("f", 11, 12))
    found = spans(("f", 9, 11.5), ("f", -4, -1))
    # The first prefers found[0] (it overlaps), which is the second one's only candidate.
    assert match_intervals(true, found, 1.0) == [(0, 1), (1, 0)]


# --- numbers ---------------------------------------------------------------------------------


@settings(max_examples=80)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 6)), min_size=2, max_size=60))
def test_roc_auc_is_sklearns_with_ties(samples: list[tuple[bool, int]]) -> None:
    """Reference: scikit-learn's roc_auc_score."""
    positive = [p for p, _ in samples]
    scores = [s / 6 for _, s in samples]
    found = roc_auc(positive, scores)
    if len(set(positive)) < 2:
        assert found is None
    else:
        assert found == pytest.approx(roc_auc_score(positive, scores))


def test_roc_auc_leaves_out_what_could_not_be_scored(rng: np.random.Generator) -> None:
    positive = rng.random(500) < 0.3
    scores = rng.normal(size=500) + positive
    holes = rng.random(500) < 0.2
    expected = roc_auc_score(positive[~holes], scores[~holes])
    assert roc_auc(positive, np.where(holes, np.nan, scores)) == pytest.approx(expected)


def test_roc_auc_by_hand() -> None:
    assert roc_auc([False, False, True, True], [0.1, 0.4, 0.35, 0.8]) == 0.75  # 3 of 4 pairs
    assert roc_auc([False, True], [0.5, 0.5]) == 0.5


def test_f1_by_time_is_sklearns_weighted_f1(rng: np.random.Generator) -> None:
    """Reference: scikit-learn's f1_score with sample weights."""
    true = rng.choice(list("abc"), 200)
    found = np.where(rng.random(200) < 0.7, true, rng.choice(list("abc"), 200))
    widths = rng.uniform(0.05, 0.3, 200)
    for label in "abc":
        expected = f1_score(true == label, found == label, sample_weight=widths)
        assert time_counts(true, found, widths, label).f1 == pytest.approx(expected)


def test_time_error_within_two_seconds_or_eight_percent() -> None:
    error = time_error(40.0, 43.0)
    assert error is not None and error.seconds == 3.0 and error.relative == pytest.approx(0.075)
    assert error.within(2.0, 0.08) and not error.within(2.0, 0.07)
    short = time_error(10.0, 8.0)
    assert short is not None and short.within(2.0, 0.08)  # exactly two seconds
    zero = time_error(0.0, 1.0)
    assert zero is not None and zero.relative is None and not zero.within(0.5, 0.08)


def test_quantiles_interpolate() -> None:
    assert quantile([0.0, 1.0, 2.0, 3.0], 0.9) == pytest.approx(2.7)
