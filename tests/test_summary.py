"""The terminal summary: everything said, nothing claimed that was not seen."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from review.analysis import CAUTIONS, Analysis, FlagKind, FlagLevel
from review.measures import Result
from review.summary import ordered_flags, print_summary
from review.timeline import Phase, Surface
from review.wording import FLAGS, LEVELS, PHASES, RESULTS, SURFACES, clock


def summary_of(analysis: Analysis, width: int = 200, terminal: bool = False) -> str:
    stream = io.StringIO()
    print_summary(
        analysis, Console(file=stream, width=width, force_terminal=terminal, highlight=False)
    )
    return stream.getvalue()


def test_it_says_phases_measures_flags_and_cautions(analysis: Analysis) -> None:
    text = summary_of(analysis)
    for words in (
        "invented <practice>.mp4",
        "Hand wash",
        "1:03.0",
        "Back of left hand",
        "at least 40 s",
        "WHO Guidelines on Hand Hygiene in Health Care, 2009",
        "The mouth moved for 3.2 s.",
        "1:08.0 to 1:11.2",
        *CAUTIONS,
    ):
        assert words in text


def test_what_was_not_seen_is_said_so(analysis: Analysis) -> None:
    rows = {line.split("  ")[0]: line for line in summary_of(analysis).splitlines()}
    assert "cannot tell" in rows["Palms"]
    assert "not assessable" in rows["Palms"]
    assert "not measured" in rows["Mask seen while the line was open"]
    assert "not assessable" in rows["Mask seen while the line was open"]


def test_a_number_without_target_is_not_judged(analysis: Analysis) -> None:
    row = next(line for line in summary_of(analysis).splitlines() if line.startswith("Wait: drain"))
    assert "10 s" in row
    assert "no target" in row
    assert "met" not in row.replace("not met", "")


def test_it_is_plain_without_a_terminal_and_complete_when_narrow(analysis: Analysis) -> None:
    assert "\x1b" not in summary_of(analysis)
    assert "\x1b" in summary_of(analysis, terminal=True)
    for width in (40, 80):
        assert max(map(len, summary_of(analysis, width).splitlines())) <= width


def test_an_empty_analysis_claims_nothing(analysis: Analysis) -> None:
    empty = analysis.model_copy(
        update={"phases": (), "flags": (), "measures": (), "wash_surfaces": (), "open_line": ()}
    )
    text = summary_of(empty)
    assert "No phase of an exchange was found" in text
    assert "That does not mean that nothing happened" in text


def test_moments_worth_a_look_come_first(analysis: Analysis) -> None:
    assert [flag.level for flag in ordered_flags(analysis)] == list(FlagLevel)


def test_the_word_that_only_a_laboratory_may_use_is_never_said(analysis: Analysis) -> None:
    assert "contaminat" not in summary_of(analysis).lower()


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (Phase, PHASES),
        (Surface, SURFACES),
        (Result, RESULTS),
        (FlagKind, FLAGS),
        (FlagLevel, LEVELS),
    ],
)
def test_everything_has_words(names: type, words: dict[object, str]) -> None:
    assert set(words) == set(names)
    assert len(set(words.values())) == len(words)


@pytest.mark.parametrize(
    ("time_s", "words"),
    [(0.0, "0:00.0"), (59.95, "1:00.0"), (61.04, "1:01.0"), (3599.99, "1:00:00.0")],
)
def test_times_read_as_on_a_player(time_s: float, words: str) -> None:
    assert clock(time_s) == words
