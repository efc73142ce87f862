"""The analysis document: round trip, refusals, and writing whole or not at all."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from review import wholefile
from review.analysis import (
    CAUTIONS,
    SCHEMA,
    Analysis,
    Flag,
    FlagKind,
    FlagLevel,
    MeasureRecord,
    PhaseRecord,
    ProtocolUsed,
    Recording,
    Timing,
    read_analysis,
    write_analysis,
)
from review.errors import AnalysisError
from review.measures import MEASURES, Measurement, Result
from review.protocol import Protocol, load_protocol
from review.timeline import Interval, Phase, Segment

TIMES = st.floats(0.0, 1e5, allow_nan=False)
SHARES = st.floats(0.0, 1.0)


@st.composite
def analyses(draw: st.DrawFn) -> Analysis:
    """Any analysis with phases, flags and measures that fit the schema."""
    edges = sorted(draw(st.lists(TIMES, max_size=8)))
    phases = tuple(
        PhaseRecord(
            phase=draw(st.sampled_from(Phase)),
            start_s=start,
            end_s=end,
            confidence=draw(SHARES),
        )
        for start, end in zip(edges[::2], edges[1::2], strict=False)
    )
    flags = tuple(
        Flag(
            kind=draw(st.sampled_from(FlagKind)),
            start_s=start,
            end_s=start + draw(st.floats(0.0, 100.0)),
            level=draw(st.sampled_from(FlagLevel)),
            confidence=draw(SHARES),
            message=draw(st.text(min_size=1, max_size=40)),
        )
        for start in draw(st.lists(TIMES, max_size=4))
    )
    protocol = load_protocol("default")
    measures = tuple(
        MeasureRecord.of(
            Measurement(
                name,
                draw(st.none() | st.floats(0.0, 1e4)),
                MEASURES[name][0],
                seen_fraction=draw(SHARES),
            ),
            protocol.target(name),
        )
        for name in draw(st.sets(st.sampled_from(sorted(MEASURES)), max_size=4))
    )
    return Analysis(
        recording=Recording(
            file=draw(st.text(max_size=20)), duration_s=draw(TIMES), width=640, height=360
        ),
        protocol=ProtocolUsed.of(protocol),
        phases=phases,
        flags=flags,
        measures=measures,
    )


@given(analyses())
def test_round_trip_gives_the_same_document(document: Analysis) -> None:
    text = document.to_json()
    again = Analysis.from_json(text)
    assert again == document
    assert again.to_json() == text


def test_the_document_has_the_agreed_fields(analysis: Analysis) -> None:
    content = json.loads(analysis.to_json())
    assert content["schema"] == SCHEMA == "exchange-review.analysis/1"
    fields = {
        "recording": {"file", "sha256", "duration_s", "fps", "width", "height"},
        "protocol": {"name", "version"},
        "timing": {"analysed_s", "frames_decoded", "frames_tracked"},
    }
    for name, keys in fields.items():
        assert keys <= set(content[name])
    rows = {
        "phases": {"phase", "start_s", "end_s", "confidence"},
        "measures": {
            *("name", "value", "unit", "target", "source"),
            *("result", "spans", "seen_fraction", "why"),
        },
        "wash_surfaces": {"surface", "seconds", "strokes", "rounds", "result"},
        "flags": {"kind", "start_s", "end_s", "level", "confidence", "message", "measure"},
    }
    for name, keys in rows.items():
        assert content[name], f"the example must have {name}"
        assert all(keys <= set(row) for row in content[name])
    assert len(content["wash_surfaces"]) == 9


def test_the_protocol_used_can_be_read_back_from_the_document(analysis: Analysis) -> None:
    assert Protocol.model_validate(analysis.protocol.content) == load_protocol("practice")


def test_two_runs_differ_in_timing_only(analysis: Analysis) -> None:
    other = analysis.model_copy(update={"timing": Timing(analysed_s=99.0)})
    assert other != analysis
    assert other.without_timing() == analysis.without_timing()


def test_a_measure_out_of_reach_stays_null_and_unjudged(analysis: Analysis) -> None:
    mask = analysis.measure("open_line.mask_seen")
    assert mask is not None
    assert (mask.value, mask.result) == (None, Result.NOT_ASSESSABLE)
    assert mask.why == "The face was out of view."
    assert analysis.measure("wait.fill") is None
    for result in ("met", "not_met"):
        with pytest.raises(ValidationError, match="not_assessable"):
            MeasureRecord.model_validate(
                {"name": "wait.fill", "value": None, "unit": "s", "result": result}
            )


def test_the_timeline_holds_the_phases(analysis: Analysis) -> None:
    timeline = analysis.timeline
    assert timeline.phase_at(10.0) is Phase.WASH
    assert timeline.phase_at(33.0) is None
    assert timeline.extent == Interval(0.0, 152.25)


def test_a_phase_beyond_the_recording_does_not_fit(analysis: Analysis) -> None:
    short = analysis.recording.model_copy(update={"duration_s": 100.0})
    with pytest.raises(AnalysisError, match="do not fit"):
        _ = analysis.model_copy(update={"recording": short}).timeline


def test_a_segment_becomes_a_record() -> None:
    record = PhaseRecord.of(Segment(Interval(1.00049, 2.0), Phase.WASH, 0.75))
    assert (record.start_s, record.end_s, record.confidence) == (1.0, 2.0, 0.75)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"phases": [{"phase": "wash", "start_s": 5, "end_s": 4, "confidence": 1}]}, "before"),
        ({"phases": [{"phase": "nap", "start_s": 1, "end_s": 4, "confidence": 1}]}, "phase"),
        ({"phases": [{"phase": "wash", "start_s": 1, "end_s": 4, "confidence": 2}]}, "confid"),
        (
            {
                "phases": [
                    {"phase": "wash", "start_s": 1, "end_s": 4, "confidence": 1},
                    {"phase": "wash", "start_s": 3, "end_s": 5, "confidence": 1},
                ]
            },
            "overlap",
        ),
        ({"recording": {"file": "a"}}, "recording.duration_s"),
    ],
)
def test_a_document_that_breaks_the_schema_is_refused(
    analysis: Analysis, change: dict[str, Any], words: str
) -> None:
    content = json.loads(analysis.to_json()) | change
    with pytest.raises(AnalysisError, match=words) as caught:
        Analysis.from_json(json.dumps(content), "a.json")
    assert str(caught.value).startswith("a.json: ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not JSON"),
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ("[]", "is not an analysis"),
        ("{}", "is not an analysis"),
        ('{"schema": "other/1"}', "is not an analysis"),
        ('{"schema": "exchange-review.analysis/2"}', "analyse' again with this release"),
    ],
)
def test_other_texts_are_refused_with_a_remedy(text: str, words: str) -> None:
    with pytest.raises(AnalysisError, match=words):
        Analysis.from_json(text, "a.json")


@given(st.text(max_size=60))
def test_any_text_is_an_analysis_or_an_analysis_error(text: str) -> None:
    with pytest.raises(AnalysisError):
        Analysis.from_json(text)


def test_not_a_number_never_enters_a_document() -> None:
    with pytest.raises(ValidationError, match="finite"):
        MeasureRecord(name="wait.fill", value=math.nan, unit="s", result=Result.NOT_ASSESSABLE)


def test_written_and_read_back(analysis: Analysis, tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "a.json"
    write_analysis(analysis, path)
    assert read_analysis(path) == analysis
    assert [entry.name for entry in path.parent.iterdir()] == ["a.json"]


def test_a_stopped_write_leaves_the_old_file_and_nothing_else(
    analysis: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.json"
    path.write_text("the old result")

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(wholefile.os, "fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        write_analysis(analysis, path)
    assert path.read_text() == "the old result"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.json"]


def test_a_place_that_cannot_be_written_is_named(analysis: Analysis, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(AnalysisError, match=r"cannot be written here.*--out"):
        write_analysis(analysis, tmp_path / "file" / "a.json")


def test_missing_and_binary_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(AnalysisError, match="no such file"):
        read_analysis(tmp_path / "none.json")
    (tmp_path / "video.mp4").write_bytes(b"\x00\xff\xfe")
    with pytest.raises(AnalysisError, match="cannot be read as text"):
        read_analysis(tmp_path / "video.mp4")


def test_the_cautions_say_what_to_do_after_a_possible_touch() -> None:
    text = " ".join(CAUTIONS).lower()
    for words in ("does not diagnose", "protocol", "stop, close the line", "call the unit"):
        assert words in text
