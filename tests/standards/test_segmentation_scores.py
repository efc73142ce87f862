"""Segmental F1 and edit score as published, on a worked example.

Sources: Lea C et al. CVPR 2017 (arXiv 1611.05267); Abu Farha Y, Gall J. CVPR 2019
(arXiv 1903.01945) and its public evaluation code: accuracy over all frames, edit score over
runs of equal labels, F1@k with intersection over union, counts summed over recordings.

The example was worked by hand and by a script of its own: 30 frames, truth A10 B10 C10,
found A8 B10 A2 C10. Overlaps: A8 with A10 8/10; B10 (8..18) with B10 (10..20) 8/12 = 0.667;
A2 (18..20) with A10 nothing; C10 with C10 1.
"""

from __future__ import annotations

import pytest

from review.metrics import (
    Counts,
    edit_score,
    frame_accuracy,
    runs_of,
    segmental_counts,
    sum_counts,
)

TRUE = "A" * 10 + "B" * 10 + "C" * 10
FOUND = "A" * 8 + "B" * 10 + "A" * 2 + "C" * 10


def test_worked_example_frame_accuracy() -> None:
    accuracy = frame_accuracy(TRUE, FOUND)
    assert accuracy is not None
    assert round(100 * accuracy, 2) == 86.67


def test_worked_example_edit_score() -> None:
    assert edit_score(runs_of(TRUE), runs_of(FOUND)) == 0.75


@pytest.mark.parametrize(
    ("overlap", "counts", "f1"),
    [
        (0.10, Counts(3, 1, 0), 85.71),
        (0.25, Counts(3, 1, 0), 85.71),
        (0.50, Counts(3, 1, 0), 85.71),
        (0.75, Counts(2, 2, 1), 57.14),
    ],
)
def test_worked_example_f1(overlap: float, counts: Counts, f1: float) -> None:
    found = segmental_counts(runs_of(TRUE), runs_of(FOUND), overlap)
    assert found == counts
    assert found.f1 is not None
    assert round(100 * found.f1, 2) == f1


def test_counts_are_summed_over_recordings_before_f1() -> None:
    """Micro average: (3 + 0) hits, (1 + 1) false alarms, (0 + 1) misses -> 6/9."""
    second = segmental_counts(runs_of("AAAA"), runs_of("BBBB"), 0.5)
    first = segmental_counts(runs_of(TRUE), runs_of(FOUND), 0.5)
    assert sum_counts([first, second]).f1 == pytest.approx(6 / 9)


def test_over_segmentation_hurts_edit_and_f1_but_hardly_accuracy() -> None:
    """The point of the published scores (Ishikawa et al. 2021, arXiv 2007.06866, introduction)."""
    flicker = "".join("X" if i % 10 == 5 else label for i, label in enumerate(TRUE))
    accuracy, edit = frame_accuracy(TRUE, flicker), edit_score(runs_of(TRUE), runs_of(flicker))
    f1 = segmental_counts(runs_of(TRUE), runs_of(flicker), 0.5).f1
    assert accuracy is not None and edit is not None and f1 is not None
    assert accuracy == 0.9 and edit < 0.4 and f1 < 0.6
