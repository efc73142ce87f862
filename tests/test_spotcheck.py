"""Looking across a unit: intervals by published examples, groups, re-checks, samples, export."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from review.change import by_person
from review.escaping import csv_cell
from review.measures import MEASURES, Result
from review.proportions import Proportion, median_interval, wilson
from review.sessionlist import Choice, choose, sort_sessions, to_csv
from review.spotcheck import (
    Band,
    any_surface_missed,
    group,
    long_enough,
    month_of,
    surfaces_missed,
)
from review.store.records import Outcome, RecordingState, SessionRow
from review.store.standard_records import TargetResults
from review.targets import over_time, target_rows
from review.timeline import Surface

DAY = date(2024, 3, 9)
BANDS = {"practice": Band(15.0, None, "unit setting")}


def session(number: int, **more: object) -> SessionRow:
    """A ready session of P-1 with 20 s of rubbing, all surfaces rubbed, no flag."""
    row = SessionRow(
        recording_id=number,
        person="P-1",
        trainer="T-1",
        taken_on=DAY,
        protocol="practice",
        state=RecordingState.READY,
        wash_rubbing_s=20.0,
        wash_whole_s=45.0,
        surfaces_rubbed=9,
        surfaces_missed=(),
        surfaces_unclear=(),
        look_flags=0,
        open_flags=0,
        agreed_flags=0,
        signed_on=None,
        outcome=None,
        recheck_on=None,
        watched=0,
    )
    return replace(row, **more)  # type: ignore[arg-type]


# --- intervals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("met", "n", "low", "high"),
    [
        # Newcombe RG, Stat Med 1998;17:857-872, Table I, Wilson without continuity correction.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_the_interval_of_newcombes_examples(met: int, n: int, low: float, high: float) -> None:
    interval = wilson(met, n)
    assert interval is not None
    assert interval == pytest.approx((low, high), abs=5e-5)


def test_the_interval_of_rs_example() -> None:
    """6 of 32, from a note on R's prop.test without correction: 0.08890 to 0.35309."""
    assert wilson(6, 32) == pytest.approx((0.08890, 0.35309), abs=5e-6)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_agrees_with_scipy(case: tuple[int, int]) -> None:
    """SciPy's binomtest(...).proportion_ci(method='wilson')."""
    met, n = case
    reference = stats.binomtest(met, n).proportion_ci(0.95, method="wilson")
    assert wilson(met, n) == pytest.approx((reference.low, reference.high), abs=1e-9)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_holds_the_share_and_stays_within_0_and_1(case: tuple[int, int]) -> None:
    met, n = case
    interval = wilson(met, n)
    assert interval is not None
    assert 0.0 <= interval[0] <= met / n <= interval[1] <= 1.0
    mirrored = wilson(n - met, n)
    assert mirrored == pytest.approx((1 - interval[1], 1 - interval[0]), abs=1e-12)


def test_of_nothing_there_is_no_share_and_no_interval() -> None:
    nothing = Proportion(0, 0, cannot_tell=3)
    assert nothing.share is None
    assert nothing.interval is None
    with pytest.raises(ValueError, match="no interval"):
        wilson(5, 4)
    with pytest.raises(ValueError, match="no proportion"):
        Proportion(5, 4)


def test_a_median_needs_six_values_for_an_interval() -> None:
    """With n values min..max covers the median with 1 - 2 / 2^n: 0.9375 for 5, 0.96875 for 6."""
    assert median_interval([1.0, 2, 3, 4, 5]) is None
    assert median_interval([3.0, 1, 2, 6, 5, 4]) == (1.0, 6.0)


@given(st.integers(6, 3000))
def test_the_medians_interval_agrees_with_scipys_binomial(n: int) -> None:
    """The ranks of the sign test: k - 1 = the largest j with binom.cdf(j, n, 1/2) <= 0.025."""
    interval = median_interval([float(value) for value in range(1, n + 1)])
    ranks = np.arange(n // 2 + 1)
    k = int((stats.binom.cdf(ranks, n, 0.5) <= 0.025).sum())
    assert interval == (k, n + 1 - k)


# --- groups -----------------------------------------------------------------------------------


def test_what_cannot_be_told_is_counted_apart_and_never_as_a_miss() -> None:
    rows = [session(1), session(2, wash_rubbing_s=15.0), session(3, wash_rubbing_s=14.9),
            session(4, wash_rubbing_s=None)]  # fmt: skip
    assert long_enough(rows, BANDS) == Proportion(2, 3, 1)
    (row,) = group(rows, "person", BANDS)
    assert row.sessions == 4
    assert row.cannot_tell == 1
    assert row.median_s == 15.0


def test_each_wash_is_held_against_its_own_protocol() -> None:
    bands = {"practice": Band(15.0, None), "strict": Band(30.0, 60.0)}
    rows = [session(1), session(2, protocol="strict"), session(3, protocol="strict",
            wash_rubbing_s=61.0), session(4, protocol="asks nothing")]  # fmt: skip
    assert long_enough(rows, bands) == Proportion(1, 3, 0)


def test_groups_by_person_trainer_and_month() -> None:
    rows = [
        session(1, person="P-2", trainer="T-2", taken_on=date(2024, 1, 31)),
        session(2, person="P-1", trainer="T-1", taken_on=date(2024, 2, 1), look_flags=3),
        session(3, person="P-1", trainer="T-2", taken_on=date(2024, 2, 29), look_flags=1),
        session(4, person="P-3", state=RecordingState.FAILED),
    ]
    by_person = group(rows, "person", BANDS)
    assert [row.group for row in by_person] == ["P-1", "P-2"]
    assert by_person[0].flags_per_session == 2.0
    assert by_person[0].last_on == date(2024, 2, 29)
    assert [row.group for row in group(rows, "trainer", BANDS)] == ["T-1", "T-2"]
    months = group(rows, "month", BANDS)
    assert [(row.group, row.sessions) for row in months] == [("2024-01", 1), ("2024-02", 2)]
    assert month_of(date(987, 1, 1)) == "0987-01"


def test_sessions_are_shared_out_and_none_is_lost(rng: np.random.Generator) -> None:
    rows = [session(n, person=f"P-{rng.integers(5)}", wash_rubbing_s=float(rng.uniform(5, 40)))
            for n in range(100)]  # fmt: skip
    groups = group(rows, "person", BANDS)
    assert sum(row.sessions for row in groups) == 100
    assert sum(row.long_enough.met for row in groups) == long_enough(rows, BANDS).met


def test_a_session_with_some_surfaces_unclear_says_neither_yes_nor_no() -> None:
    rows = [
        session(1),
        session(2, surfaces_missed=("palms",), surfaces_unclear=("thumb_left",)),
        session(3, surfaces_unclear=("thumb_left",)),
        session(4, surfaces_rubbed=None),
    ]
    assert any_surface_missed(rows) == Proportion(1, 2, 2)


def test_surfaces_missed_most_come_first() -> None:
    rows = [
        session(1, surfaces_missed=("thumb_left", "fingertips_right")),
        session(2, surfaces_missed=("thumb_left",), surfaces_unclear=("palms",)),
        session(3, surfaces_rubbed=None, surfaces_unclear=tuple(Surface)),
        session(4),
        session(5, surfaces_rubbed=None),  # no wash at all
        session(6, surfaces_rubbed=None, surfaces_unclear=("palms",)),  # eight could be told
    ]
    found = surfaces_missed(rows)
    assert [row.surface for row in found[:2]] == [Surface.THUMB_LEFT, Surface.FINGERTIPS_RIGHT]
    by_surface = {row.surface: row.missed for row in found}
    assert len(by_surface) == len(Surface)
    assert by_surface[Surface.THUMB_LEFT] == Proportion(2, 4, 2)
    assert by_surface[Surface.PALMS] == Proportion(0, 2, 4)


def test_no_session_gives_no_group_and_no_share() -> None:
    assert group([], "month", BANDS) == ()
    assert all(row.missed.share is None for row in surfaces_missed([]))


# --- choosing, order, export ------------------------------------------------------------------


def test_a_choice_leaves_what_fits_it() -> None:
    rows = [session(1), session(2, person="P-2", open_flags=1), session(3, trainer="T-2"),
            session(4, taken_on=DAY + timedelta(1))]  # fmt: skip

    def left(choice: Choice) -> list[int]:
        return [row.recording_id for row in choose(rows, choice)]

    assert left(Choice()) == [1, 2, 3, 4]
    assert left(Choice(persons=frozenset({"P-2"}))) == [2]
    assert left(Choice(trainers=frozenset({"T-2"}), persons=frozenset({"P-2"}))) == []
    assert left(Choice(since=DAY, until=DAY)) == [1, 2, 3]
    assert left(Choice(only_open=True)) == [2]
    assert left(Choice(words="p-2 t-1")) == [2]


def test_what_could_not_be_told_comes_last_in_either_order() -> None:
    rows = [session(1, wash_rubbing_s=None), session(2, wash_rubbing_s=9), session(3)]
    assert [r.recording_id for r in sort_sessions(rows, "wash_rubbing_s")] == [2, 3, 1]
    down = sort_sessions(rows, "wash_rubbing_s", descending=True)
    assert [r.recording_id for r in down] == [3, 2, 1]


def read_back(content: bytes) -> list[dict[str, str]]:
    assert content.startswith(b"\xef\xbb\xbf")
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_the_table_reads_back() -> None:
    row = session(7, wash_rubbing_s=None, surfaces_missed=("palms", "thumb_left"),
                  signed_on=DAY, outcome=Outcome.SIGNED_OFF)  # fmt: skip
    waiting = session(8, state=RecordingState.WAITING, wash_rubbing_s=None)
    first, second = read_back(to_csv([row, waiting]))
    assert first["recording"] == "7"
    assert first["wash_rubbing_s"] == "cannot tell"
    assert first["surfaces_missed"] == "palms thumb_left"
    assert first["outcome"] == "signed_off"
    assert second["wash_rubbing_s"] == ""


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\uff1d1", "|x", "%x"]
)
def test_no_cell_is_run_by_a_spreadsheet(text: str) -> None:
    """Beginnings named by OWASP, 'CSV Injection' (value from memory)."""
    (row,) = read_back(to_csv([session(1, trainer=text)]))
    assert row["trainer"].startswith("'")
    assert csv_cell("T-1") == "T-1"


# --- speed ------------------------------------------------------------------------------------


def many(count: int) -> Sequence[SessionRow]:
    rng = np.random.default_rng(5)
    surfaces = [surface.value for surface in Surface]
    return [
        session(
            n,
            person=f"P-{n % 400}",
            trainer=f"T-{n % 12}",
            taken_on=DAY - timedelta(int(rng.integers(900))),
            wash_rubbing_s=float(rng.uniform(5, 40)) if n % 9 else None,
            surfaces_missed=(surfaces[n % 9],) if n % 3 else (),
            look_flags=int(rng.integers(6)),
            signed_on=DAY - timedelta(40) if n % 2 else None,
            recheck_on=DAY if n % 2 else None,
        )
        for n in range(count)
    ]


def many_results(rows: Sequence[SessionRow]) -> dict[int, TargetResults]:
    """Answers to eight targets, as many as the shipped protocols ask."""
    rng = np.random.default_rng(6)
    names = list(MEASURES)[:8]
    answers = rng.choice(list(Result), size=(len(rows), len(names)), p=[0.6, 0.3, 0.1])
    return {
        row.recording_id: {n: (Result(a), "at least 20 s") for n, a in zip(names, own, strict=True)}
        for row, own in zip(rows, answers, strict=True)
    }


def test_ten_thousand_sessions_are_counted_once_each() -> None:
    rows = many(10_000)
    results = many_results(rows)
    chosen = choose(rows, Choice(since=date(2000, 1, 1)))
    assert len(chosen) == 10_000
    analysed = sum(row.state is RecordingState.READY for row in chosen)
    for by in ("person", "trainer", "month"):
        assert sum(row.sessions for row in group(chosen, by, BANDS)) == analysed
    for row in target_rows(chosen, results):
        series = over_time(chosen, results, row.measure, "month")
        assert sum(r.share.met for r in series) == row.share.met
    assert sum(len(own) for own in by_person(chosen).values()) == analysed
    ordered = sort_sessions(chosen, "wash_rubbing_s", descending=True)
    assert {row.recording_id for row in ordered} == {row.recording_id for row in rows}
