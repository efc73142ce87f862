"""The session document: it holds what the records hold, and comes back the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from review.analysis import Analysis
from review.errors import AnalysisError
from review.reporting import recorded_session
from review.sessionfile import SCHEMA, Session, SessionError, read_session
from review.store import Store
from tests.documents import example_analysis
from tests.sessions import ODD, reviewed_store
from tests.stores import TODAY


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, int, Session]]:
    store, number = reviewed_store(tmp_path_factory.mktemp("unit"), example_analysis())
    yield store, number, recorded_session(store, number)
    store.close()


def test_it_comes_back_as_it_was(kept: tuple[Store, int, Session]) -> None:
    session = kept[2]
    assert Session.from_json(session.to_json()) == session
    assert json.loads(session.to_json())["schema"] == SCHEMA == "exchange-review.session/1"


def test_it_holds_what_the_records_hold(kept: tuple[Store, int, Session]) -> None:
    store, number, session = kept
    review = session.review
    assert review is not None
    assert (review.recording_id, review.person, review.taken_on) == (number, "P-1", TODAY)
    assert review.trainer_name == "Tess Invented"
    for mine, theirs in zip(session.decisions(), store.decisions(number), strict=True):
        assert (mine.kind, mine.verdict, mine.comment) == (
            theirs.kind, theirs.verdict, theirs.comment,
        )  # fmt: skip
    for mine, theirs in zip(session.answers(), store.answers(number), strict=True):
        assert (mine.item, mine.answer, mine.at) == (theirs.item, theirs.answer, theirs.at)
    assert review.corrections is not None
    assert [p.source for p in review.corrections.phases or ()] == ["person"]
    assert [(w.start_s, w.end_s) for w in review.corrections.windows or ()] == [(66.0, 74.5)]
    assert review.stale  # nothing followed the corrections here
    assert review.sign_offs[-1].recheck_on == date(2026, 4, 7)
    assert not review.changed_since_signing


def test_a_decision_names_its_flag(kept: tuple[Store, int, Session]) -> None:
    session = kept[2]
    first = session.decision_on(0)
    assert first is not None and first.comment == ODD
    assert session.decision_on(2) is None
    assert session.review is not None
    gone = [d for d in session.review.decisions if d.kind == "left_clean_field"]
    assert [d.flag for d in gone] == [None]


def test_it_says_nothing_of_where_files_lie(kept: tuple[Store, int, Session]) -> None:
    store, _, session = kept
    assert str(store.folder) not in session.to_json()


def test_an_analysis_file_is_a_session_without_a_review(analysis: Analysis, tmp_path: Path) -> None:
    place = tmp_path / "one.analysis.json"
    place.write_text(analysis.to_json(), encoding="utf-8")
    session = read_session(place)
    assert session.analysis == analysis and session.review is None
    assert session.decisions() == () and session.answers() == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("nothing", "neither a session nor an analysis"),
        ("[1]", "neither a session nor an analysis"),
        ('{"schema": "exchange-review.session/9"}', "exchange-review.session/9"),
        ('{"schema": "exchange-review.session/1"}', "analysis: Field required"),
    ],
)
def test_what_is_no_session_says_so(text: str, said: str) -> None:
    with pytest.raises(SessionError, match=said):
        Session.from_json(text, "x.json")


def test_a_decision_about_a_flag_that_is_not_there_is_refused(
    kept: tuple[Store, int, Session],
) -> None:
    content = json.loads(kept[2].to_json())
    content["review"]["decisions"][0]["flag"] = 99
    with pytest.raises(SessionError, match="flag 99"):
        Session.from_json(json.dumps(content))


def test_a_damaged_analysis_inside_is_named(analysis: Analysis) -> None:
    content = json.loads(analysis.to_json())
    content["recording"]["duration_s"] = -1
    with pytest.raises(AnalysisError, match=r"recording\.duration_s"):
        Session.from_json(json.dumps(content))


def test_a_missing_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"none\.json: this file cannot be read"):
        read_session(tmp_path / "none.json")
