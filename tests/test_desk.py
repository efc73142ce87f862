"""The review desk without a page: what is shown, decided and corrected, against a real store."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis, MeasureRecord
from review.demo import make_demo
from review.desk import (
    BEFORE_S,
    DeskError,
    load_evidence,
    open_desk,
    overlay_of,
    stops,
)
from review.deskview import (
    RESULT_SIGNS,
    checklist_rows,
    measure_rows,
    player_data,
    read_clock,
    suggest,
    typed_action,
    unfinished,
    when,
)
from review.deskwork import act, analyse_corrected, bring_up_to_date
from review.edges import (
    SHORTEST_S,
    EdgeError,
    change_phase,
    move_edge,
    move_window_edge,
    place_phase,
    place_window,
    remove_window,
)
from review.lanes import Lanes, overlay_bytes, stretches
from review.measures import Result
from review.prepared import Evidence, load_landmarks
from review.store import Answer, Store, Verdict, open_store
from review.timeline import Interval, Phase, Timeline, total_s
from review.tracks import TimeBase
from tests import builders
from tests.stores import BY, analysed_store

PHASES = builders.phases(
    (Phase.OTHER, 0.0, 2.0),
    (Phase.WASH, 2.0, 18.0),
    (Phase.OTHER, 18.0, 20.0),
    (Phase.SURFACE_PREP, 20.0, 36.0),
    (Phase.CONNECT, 36.0, 60.0),
)
WHOLE = PHASES.extent


def spans(phases: Timeline) -> list[tuple[str, float, float]]:
    return [(s.phase.value, s.interval.start_s, s.interval.end_s) for s in phases]


def none() -> None:
    """No landmarks are kept."""


# --- edges -----------------------------------------------------------------------------------


def test_a_shared_edge_moves_both_phases() -> None:
    moved = move_edge(PHASES, 36.0, 40.0)
    assert spans(moved)[-2:] == [("surface_prep", 20.0, 40.0), ("connect", 40.0, 60.0)]
    assert [s.source for s in moved][-2:] == ["person", "person"]
    assert spans(PHASES)[-1] == ("connect", 36.0, 60.0), "the one that came in is not changed"


def test_filler_is_used_up_and_a_named_phase_is_not() -> None:
    assert spans(move_edge(PHASES, 18.0, 30.0))[1:3] == [
        ("wash", 2.0, 20.0),
        ("surface_prep", 20.0, 36.0),
    ]
    assert spans(move_edge(PHASES, 20.0, 1.0))[1:3] == [
        ("wash", 2.0, 18.0),
        ("surface_prep", 18.0, 36.0),
    ]
    assert spans(move_edge(PHASES, 36.0, 3.0))[-2] == ("surface_prep", 20.0, 20.0 + SHORTEST_S)
    assert spans(move_edge(PHASES, 36.0, 99.0))[-1] == ("connect", 60.0 - SHORTEST_S, 60.0)


def test_an_edge_that_is_not_there_is_refused() -> None:
    with pytest.raises(EdgeError, match="not there any more"):
        move_edge(PHASES, 25.0, 26.0)


def test_an_edge_at_a_gap_stops_at_the_phase_beyond() -> None:
    phases = builders.phases((Phase.WASH, 0.0, 10.0), (Phase.CONNECT, 15.0, 30.0))
    assert spans(move_edge(phases, 10.0, 20.0))[0] == ("wash", 0.0, 15.0)
    assert spans(move_edge(phases, 15.0, 5.0))[1] == ("connect", 10.0, 30.0)


@given(edge=st.sampled_from([2.0, 18.0, 20.0, 36.0]), to=st.floats(-5.0, 70.0))
def test_moving_an_edge_neither_loses_nor_doubles_time(edge: float, to: float) -> None:
    moved = move_edge(PHASES, edge, to)
    assert total_s(s.interval for s in moved) == pytest.approx(WHOLE.duration_s)
    assert sum(s.interval.duration_s for s in moved) == pytest.approx(WHOLE.duration_s)
    named = [s.phase for s in moved if s.phase is not Phase.OTHER]
    assert named == [Phase.WASH, Phase.SURFACE_PREP, Phase.CONNECT]


@given(start=st.floats(0.0, 59.0), length=st.floats(0.5, 60.0), number=st.integers(0, 4))
def test_typed_spans_always_give_a_timeline(start: float, length: float, number: int) -> None:
    end = min(start + length, 60.0)
    for changed in (
        place_phase(PHASES, Phase.HAND_RUB, start, end),
        change_phase(PHASES, number, Phase.HAND_RUB, start, end),
    ):
        assert [s.interval for s in changed if s.phase is Phase.HAND_RUB] == [Interval(start, end)]
        assert changed.extent == WHOLE


def test_a_typed_phase_takes_its_neighbours_along() -> None:
    changed = change_phase(PHASES, 3, Phase.SURFACE_PREP, 21.0, 34.0)
    assert spans(changed)[2:] == [
        ("other", 18.0, 21.0),
        ("surface_prep", 21.0, 34.0),
        ("connect", 34.0, 60.0),
    ]


@pytest.mark.parametrize(("start", "end"), [(5.0, 5.0), (9.0, 5.0), (-1.0, 5.0), (50.0, 70.0)])
def test_impossible_spans_are_refused(start: float, end: float) -> None:
    with pytest.raises(EdgeError):
        place_phase(PHASES, Phase.WASH, start, end)


def test_window_edges_stop_at_their_neighbours() -> None:
    windows = [(Phase.CONNECT, 40.0, 45.0), (Phase.DISCONNECT, 50.0, 55.0)]
    assert move_window_edge(windows, 45.0, "end", 58.0, WHOLE)[0] == (Phase.CONNECT, 40.0, 50.0)
    assert move_window_edge(windows, 50.0, "start", 56.0, WHOLE)[1][1] == 55.0 - SHORTEST_S
    with pytest.raises(EdgeError, match="overlap"):
        place_window(windows, None, Phase.CONNECT, 44.0, 52.0, WHOLE)
    assert len(place_window(windows, 1, Phase.DISCONNECT, 51.0, 52.0, WHOLE)) == 2
    assert remove_window(windows, 0) == (windows[1],)
    with pytest.raises(EdgeError):
        remove_window(windows, 2)


# --- rows of the timeline --------------------------------------------------------------------


def test_stretches_are_runs_of_equal_codes() -> None:
    time = TimeBase(np.arange(6) * 0.5, 3.0)
    found = stretches(np.array([0, 0, 1, 1, 1, 0]), time, ("no", "yes"))
    assert [(s.start_s, s.end_s, s.kind) for s in found] == [
        (0.0, 1.0, "no"),
        (1.0, 2.5, "yes"),
        (2.5, 3.0, "no"),
    ]


@given(seed=st.integers(0, 1000), parts=st.integers(1, 50))
def test_coarser_stretches_cover_the_same_time(seed: int, parts: int) -> None:
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.uniform(0.01, 2.0, 200))
    time = TimeBase(at, float(at[-1] + 1.0))
    found = stretches(rng.integers(0, 3, 200), time, ("a", "b", "c"), parts)
    assert found[0].start_s == pytest.approx(at[0], abs=0.001)
    assert found[-1].end_s == pytest.approx(time.end_s, abs=0.001)
    assert all(a.end_s == b.start_s for a, b in itertools.pairwise(found))
    assert all(a.kind != b.kind for a, b in itertools.pairwise(found))


def test_the_points_to_draw_are_where_the_hands_are_in_the_picture() -> None:
    at = np.arange(4) / 10
    path = np.tile([0.25, 0.3], (4, 1))
    track = builders.make_track(at, builders.hands_at(path, None, 4))
    block = overlay_bytes(track)
    size = int.from_bytes(block[:4], "little")
    header = json.loads(block[4 : 4 + size])
    assert header == {"samples": 4, "hands": [4, 0], "faces": 0, "aspect": 0.5625}
    start = 4 + size + 4 * 4
    assert np.frombuffer(block, "<i4", 4, start).tolist() == [0, 1, 2, 3]
    points = np.frombuffer(block, "<u2", 4 * 42, start + 16).reshape(4, 21, 2)
    places = points / 32767.5 - 0.5
    np.testing.assert_allclose(places, track.hands[:, 0, :, :2], atol=1 / 32767)
    assert len(block) == start + 16 + 4 * 84


def test_points_of_a_mirror_recording_lie_on_its_own_picture() -> None:
    import dataclasses

    at = np.arange(2) / 10
    track = builders.make_track(at, builders.hands_at(np.tile([0.25, 0.3], (2, 1)), None, 2))
    mirrored = dataclasses.replace(track, mirrored=True)
    block, size = overlay_bytes(mirrored), int.from_bytes(overlay_bytes(mirrored)[:4], "little")
    points = np.frombuffer(block, "<u2", 2 * 42, 4 + size + 8 + 8).reshape(2, 21, 2)
    np.testing.assert_allclose(
        points[..., 0] / 32767.5 - 0.5, 1.0 - track.hands[:, 0, :, 0], atol=1 / 32767
    )


def test_lanes_come_back_from_what_was_kept() -> None:
    lanes = Lanes(hands=stretches(np.array([2, 0]), TimeBase(np.array([0.0, 1.0]), 2.0), "abc"))
    assert Lanes.from_json(lanes.to_json()) == lanes
    with pytest.raises(ValueError, match="no lanes"):
        Lanes.from_json('{"hands": 3}')


# --- deciding --------------------------------------------------------------------------------


@pytest.fixture
def invented(tmp_path: Path, analysis: Analysis) -> Iterator[tuple[Store, int]]:
    store, recording_id = analysed_store(tmp_path / "unit", analysis)
    with store:
        yield store, recording_id


def do(store: Store, recording_id: int, by: str = "T-1", **action: Any) -> tuple[str, bool]:
    done = act(store, open_desk(store, recording_id), action, by=by, evidence=none)
    return done.words, done.carried_out


def test_a_decision_is_in_the_store_when_the_call_returns(invented: tuple[Store, int]) -> None:
    store, number = invented
    key = open_desk(store, number).items[1].key
    assert do(store, number, do="decide", key=key, verdict="agree", comment=" seen ") == (
        "Saved.",
        True,
    )
    with open_store(store.folder) as again:
        item = open_desk(again, number).items[1]
    assert item.decision is not None
    assert (item.decision.verdict, item.decision.comment) == (Verdict.AGREE, "seen")
    assert item.decision.by == "T-1"


def test_undoing_brings_back_what_was_decided_before(invented: tuple[Store, int]) -> None:
    store, number = invented
    key = open_desk(store, number).items[0].key
    for verdict in ("agree", "disagree"):
        do(store, number, do="decide", key=key, verdict=verdict)
    do(store, number, do="undo", key=key)
    decision = open_desk(store, number).items[0].decision
    assert decision is not None and decision.verdict is Verdict.AGREE
    do(store, number, do="undo", key=key)
    assert open_desk(store, number).items[0].decision is None
    assert do(store, number, do="undo", key=key) == ("There is nothing to undo here.", False)


def test_a_moment_of_ones_own_is_walked_to_like_a_flag(invented: tuple[Store, int]) -> None:
    store, number = invented
    assert do(store, number, do="moment", at=40.0, text="Sleeve on the table")[1]
    items = open_desk(store, number).items
    assert [item.flag is None for item in items] == [False, True, False, False]
    assert items[1].moment is not None and items[1].moment.text == "Sleeve on the table"
    assert do(store, number, do="remove_moment", key=items[1].key)[1]
    assert len(open_desk(store, number).items) == 3


@pytest.mark.parametrize(
    "action",
    [
        {"do": "decide", "key": "no such flag", "verdict": "agree"},
        {"do": "decide", "verdict": "agree"},
        {"do": "moment", "at": 1.0, "text": "   "},
        {"do": "moment", "at": "soon", "text": "x"},
        {"do": "edge", "lane": "phase", "from": 5.0, "to": 6.0},
        {"do": "edge", "lane": "open", "side": "end", "from": 5.0, "to": 6.0},
        {"do": "phase", "number": 99, "phase": "wash", "start": 0, "end": 5},
        {"do": "phase", "number": None, "phase": "dance", "start": 0, "end": 5},
        {"do": "window", "number": None, "phase": "wash", "start": 1, "end": 5},
        {"do": "undo_correction"},
        {"do": "something else", "phase": "wash", "start": 0, "end": 1, "number": None},
        {},
    ],
)
def test_what_cannot_be_done_changes_nothing_and_says_so(
    invented: tuple[Store, int], action: dict[str, Any]
) -> None:
    store, number = invented
    before = open_desk(store, number)
    words, carried_out = do(store, number, **action)
    assert words and not carried_out
    assert open_desk(store, number) == before


def test_nothing_is_saved_before_somebody_is_named(invented: tuple[Store, int]) -> None:
    store, number = invented
    key = open_desk(store, number).items[0].key
    assert not do(store, number, by="", do="decide", key=key, verdict="agree")[1]
    assert open_desk(store, number).items[0].decision is None


def test_without_consent_nothing_is_opened(invented: tuple[Store, int]) -> None:
    store, number = invented
    consent = store.current_consent("P-1")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)
    with pytest.raises(DeskError, match="no current consent"):
        open_desk(store, number)


# --- what is shown ---------------------------------------------------------------------------


def test_the_player_gets_plain_data(invented: tuple[Store, int]) -> None:
    store, number = invented
    desk = open_desk(store, number)
    data = player_data(desk, None, video="/v", points="", sound=False, may_act=True)
    assert json.loads(json.dumps(data)) == data
    assert [item["level"] for item in data["items"]] == ["note", "look", "cannot_tell"]
    assert len({item["sign"] for item in data["items"]}) == 3, "levels differ without colour"
    assert data["items"][1]["text"] == "The mouth moved for 3.2 s."
    assert "sure" in data["items"][1]["sure"]
    assert data["items"][2]["sure"] == "", "a thing not seen has no certainty"
    assert data["lead"] == BEFORE_S == 3.0
    do(store, number, do="decide", key=desk.items[0].key, verdict="unsure")
    later = player_data(
        open_desk(store, number), None, video="/v", points="", sound=False, may_act=True
    )
    assert later["stamp"] != data["stamp"]
    assert later["items"][0]["verdict"] == "unsure"


def test_rows_from_the_pictures_have_a_stamp_of_their_own(invented: tuple[Store, int]) -> None:
    store, number = invented
    time = TimeBase(np.array([0.0, 1.0]), 2.0)

    def shown(codes: list[int] | None, note: str = "") -> dict[str, Any]:
        lanes = None if codes is None else Lanes(hands=stretches(np.array(codes), time, "abc"))
        return player_data(
            open_desk(store, number),
            lanes,
            video="",
            points="",
            sound=False,
            may_act=True,
            lanes_note=note,
        )

    before = shown([2, 0])
    assert before["lanes"]["hands"] == [[0.0, 1.0, "c"], [1.0, 2.0, "a"]]
    do(store, number, do="decide", key=before["items"][0]["key"], verdict="agree")
    after = shown([2, 0])
    assert after["stamp"] != before["stamp"]
    assert after["lanes_stamp"] == before["lanes_stamp"], "a decision draws no row anew"
    others = [shown([0, 2]), shown(None), shown(None, "being read")]
    assert len({data["lanes_stamp"] for data in (before, *others)}) == 4
    assert len({data["stamp"] for data in (after, *others)}) == 4


def test_only_the_moments_are_flags_and_beginnings_of_phases(invented: tuple[Store, int]) -> None:
    store, number = invented
    desk = open_desk(store, number)
    played = stops(desk)
    assert all(a < b for a, b in played)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(played))
    for item in desk.items:
        start = max(item.start_s - BEFORE_S, 0.0)
        assert any(a <= start and item.start_s < b for a, b in played)
    for phase in desk.analysis.phases:
        assert any(a <= phase.start_s < b for a, b in played)
    assert sum(b - a for a, b in played) < desk.analysis.recording.duration_s


def record(result: Result, target: str = "at least 40 s") -> MeasureRecord:
    value = None if result is Result.NOT_ASSESSABLE else 1.0
    return MeasureRecord(
        name="wash.whole_time", value=value, unit="s", target=target, result=result
    )


@pytest.mark.parametrize(
    ("results", "answer"),
    [
        ([], None),
        ([Result.MET, Result.MET], Answer.DONE),
        ([Result.MET, Result.NOT_MET], Answer.NOT_DONE),
        ([Result.MET, Result.NOT_ASSESSABLE], Answer.NOT_SEEN),
        ([Result.NOT_MET, Result.NOT_ASSESSABLE], Answer.NOT_DONE),
        ([Result.NOT_ASSESSABLE], Answer.NOT_SEEN),
    ],
)
def test_the_camera_never_takes_doubt_for_done(
    results: list[Result], answer: Answer | None
) -> None:
    assert suggest([record(result) for result in results]) is answer


def test_a_measure_that_is_only_reported_suggests_nothing() -> None:
    reported = record(Result.MET, target="reported only").model_copy(
        update={"result": Result.NOT_ASSESSABLE}
    )
    assert suggest([reported]) is None


def test_what_is_open_before_signing_is_said(invented: tuple[Store, int]) -> None:
    store, number = invented
    desk = open_desk(store, number)
    rows = checklist_rows(desk)
    assert len(rows) == len(desk.protocol.checklist) and all(row.answer is None for row in rows)
    assert unfinished(desk)[0] == "3 moments not decided yet"
    critical = [row for row in rows if row.critical]
    for row in rows:
        store.answer(number, item=row.item, answer="done", by="T-1")
    store.answer(number, item=critical[0].item, answer="not_done", by="T-1")
    said = unfinished(open_desk(store, number))
    assert said == ("3 moments not decided yet", f"critical and not done: {critical[0].item}")


def test_three_answers_keep_three_signs(invented: tuple[Store, int]) -> None:
    assert len(set(RESULT_SIGNS.values())) == 3
    rows = measure_rows(open_desk(*invented).analysis)
    masked = next(row for row in rows if row[0].startswith("Mask seen"))
    assert masked[1] == "not measured" and masked[3] == "? not assessable"


@pytest.mark.parametrize("text", ["", "1:2:3:4", "abc", "1:75", "-3", "1e3", "1:-2", "1:00:61"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(EdgeError):
        read_clock(text)
    with pytest.raises(EdgeError):
        typed_action("phase", 0, "wash", "0:01", text)


def test_moments_of_the_clock_are_this_computers() -> None:
    at = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
    assert when(at).startswith(f"{at.astimezone().day} ")


# --- correcting ------------------------------------------------------------------------------


def test_times_are_kept_even_where_the_measures_cannot_follow(
    invented: tuple[Store, int],
) -> None:
    store, number = invented
    words, carried_out = do(store, number, do="edge", lane="phase", **{"from": 50.0, "to": 52.0})
    assert carried_out and "could not follow" in words
    desk = open_desk(store, number)
    assert desk.stale
    assert desk.corrections is not None and desk.corrections.phases is not None
    assert desk.corrections.phases[1].interval.end_s == 52.0


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """The invented unit, and its session with planted faults."""
    folder = tmp_path_factory.mktemp("desk") / "unit"
    make_demo(folder)
    with open_store(folder) as store:
        entry = next(e for e in store.recordings() if e.name.startswith("planted_faults"))
        return folder, entry.id


@pytest.fixture(scope="module")
def evidence(unit: tuple[Path, int]) -> Evidence:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        found = load_evidence(store.landmarks, desk.entry, desk.protocol)
    assert found is not None, "the landmarks of the samples are part of the invented unit"
    return found


def test_landmarks_are_found_by_hash_alone(unit: tuple[Path, int]) -> None:
    with open_store(unit[0]) as store:
        entry = store.recording(unit[1])
        assert load_landmarks(store.landmarks, entry.sha256, entry.mirrored) is not None
        assert load_landmarks(store.landmarks, entry.sha256, not entry.mirrored) is None
        assert load_landmarks(store.landmarks, "0" * 64, False) is None
        assert load_landmarks(store.landmarks, "", False) is None
        protocol = open_desk(store, unit[1]).protocol
        assert len(overlay_of(store.landmarks, entry, protocol)) > 1000


def test_damaged_landmarks_are_passed_over(unit: tuple[Path, int], tmp_path: Path) -> None:
    with open_store(unit[0]) as store:
        entry = store.recording(unit[1])
    (tmp_path / f"{entry.sha256[:16]}-broken.npz").write_bytes(b"PK\x03\x04 not a file")
    assert load_landmarks(tmp_path, entry.sha256, entry.mirrored) is None


def test_lanes_tell_the_whole_recording(unit: tuple[Path, int], evidence: Evidence) -> None:
    lanes, extent = evidence.lanes, evidence.track.time.extent
    for row in (lanes.hands, lanes.mouth):
        assert row[0].start_s == pytest.approx(extent.start_s, abs=0.01)
        assert row[-1].end_s == pytest.approx(extent.end_s, abs=0.2)
    assert {s.kind for s in lanes.hands} <= {"none", "one", "both"}
    assert {s.kind for s in lanes.mouth} <= {"hidden", "still", "moving"}


def test_measures_follow_a_moved_edge(unit: tuple[Path, int], evidence: Evidence) -> None:
    """Closed form: the whole wash lasts from edge to edge, so it grows by what was added."""
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        wash = next(p for p in desk.analysis.phases if p.phase is Phase.WASH)
        action = {"do": "edge", "lane": "phase", "from": wash.end_s, "to": wash.end_s + 1.5}
        done = act(store, desk, action, by="T-1", evidence=lambda: evidence)
        assert done.carried_out, done.words
        after = open_desk(store, unit[1])
        was, now = (d.analysis.measure("wash.whole_time") for d in (desk, after))
        assert was is not None and was.value is not None and now is not None
        assert now.value == pytest.approx(was.value + 1.5, abs=0.01)
        assert not after.stale and after.version.basis == "corrected"
        assert (wash.start_s, round(wash.end_s + 1.5, 3)) in after.set_by_person
        # Undone, everything is as the machine said.
        act(store, after, {"do": "undo_correction"}, by="T-1", evidence=lambda: evidence)
        back = open_desk(store, unit[1])
        assert [(p.phase, p.start_s, p.end_s) for p in back.analysis.phases] == [
            (p.phase, p.start_s, p.end_s) for p in desk.analysis.phases
        ]
        assert back.set_by_person == frozenset()


def test_a_moved_open_line_is_measured_as_set(unit: tuple[Path, int], evidence: Evidence) -> None:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        first = desk.analysis.open_line[0]
        action = {
            "do": "edge",
            "lane": "open",
            "side": "start",
            "from": first.start_s,
            "to": first.start_s - 2.0,
        }
        assert act(store, desk, action, by="T-1", evidence=lambda: evidence).carried_out
        after = open_desk(store, unit[1])
        measured = after.analysis.measure("open_line.connect_time")
        assert measured is not None
        assert measured.value == pytest.approx(first.end_s - first.start_s + 2.0, abs=0.01)
        assert after.analysis.open_line[0].basis == "person"
        act(store, after, {"do": "machine"}, by="T-1", evidence=lambda: evidence)
        assert open_desk(store, unit[1]).analysis.open_line[0].start_s == first.start_s


def test_an_edge_at_its_limit_says_so_and_adds_no_version(
    unit: tuple[Path, int], evidence: Evidence
) -> None:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        wash = next(p for p in desk.analysis.phases if p.phase is Phase.WASH)
        action = {"do": "edge", "lane": "phase", "from": wash.end_s, "to": wash.start_s - 5.0}
        assert act(store, desk, action, by="T-1", evidence=lambda: evidence).carried_out
        after = open_desk(store, unit[1])
        small = next(p for p in after.analysis.phases if p.phase is Phase.WASH)
        kept = len(store.correction_history(unit[1]))
        again = {"do": "edge", "lane": "phase", "from": small.end_s, "to": small.start_s - 5.0}
        done = act(store, after, again, by="T-1", evidence=lambda: evidence)
        assert not done.carried_out and "stays where it was" in done.words
        assert len(store.correction_history(unit[1])) == kept
        assert open_desk(store, unit[1]).version.version == after.version.version
        act(store, after, {"do": "machine"}, by="T-1", evidence=lambda: evidence)


def test_a_decision_stays_with_a_flag_that_moved(
    unit: tuple[Path, int], evidence: Evidence
) -> None:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        item = next(i for i in desk.items if i.flag and i.flag.kind == "wash_short")
        act(
            store,
            desk,
            {"do": "decide", "key": item.key, "verdict": "agree"},
            by="T-1",
            evidence=lambda: evidence,
        )
        moved = {"do": "edge", "lane": "phase", "from": item.end_s, "to": item.end_s - 1.0}
        act(store, open_desk(store, unit[1]), moved, by="T-1", evidence=lambda: evidence)
        after = open_desk(store, unit[1])
        again = next(i for i in after.items if i.flag and i.flag.kind == "wash_short")
        assert again.end_s != item.end_s
        assert again.decision is not None and again.decision.verdict is Verdict.AGREE
        act(store, after, {"do": "machine"}, by="T-1", evidence=lambda: evidence)


def test_what_a_stop_left_unfinished_is_taken_up(
    unit: tuple[Path, int], evidence: Evidence
) -> None:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
        wash = next(p for p in desk.analysis.phases if p.phase is Phase.WASH)
        action = {"do": "edge", "lane": "phase", "from": wash.end_s, "to": wash.end_s + 1.0}
        act(store, desk, action, by="T-1", evidence=none)  # saved, then the program stopped
        stale = open_desk(store, unit[1])
        assert stale.stale
        fresh = bring_up_to_date(store, stale, evidence, by="T-1")
        assert not fresh.stale
        assert any(p.end_s == round(wash.end_s + 1.0, 3) for p in fresh.analysis.phases)
        act(store, fresh, {"do": "machine"}, by="T-1", evidence=lambda: evidence)


def test_correcting_nothing_gives_the_machines_own_answer(
    unit: tuple[Path, int], evidence: Evidence
) -> None:
    with open_store(unit[0]) as store:
        desk = open_desk(store, unit[1])
    first = analyse_corrected(desk, evidence, None, None)
    again = analyse_corrected(desk, evidence, None, None)
    assert first == again
