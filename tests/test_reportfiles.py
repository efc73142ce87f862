"""The table and the WebVTT files, read back by other people's programs."""

from __future__ import annotations

import csv
import io
import itertools
import math

import pandas
import pytest
import webvtt

from review.analysis import Analysis
from review.measures import Result
from review.reportcsv import COLUMNS, session_csv
from review.reportvtt import chapters_vtt, flags_vtt, timestamp
from review.sessionfile import MomentRecord, ReviewRecord, Session
from review.store.records import Verdict
from review.wording import PHASES
from tests.sessions import ODD

AT = "2026-03-10T12:00:00Z"


def reviewed(analysis: Analysis, **more: object) -> Session:
    """A session without a store: one decision, and what is given."""
    flag = analysis.flags[1]
    decision = {
        "flag": 1, "kind": flag.kind, "start_s": flag.start_s, "end_s": flag.end_s,
        "verdict": Verdict.AGREE, "comment": ODD, "by": "T-1", "at": AT,
    }  # fmt: skip
    review = ReviewRecord.model_validate(
        {
            "recording_id": 7, "person": "P-1", "trainer": "T-1", "taken_on": "2026-03-09",
            "analysis_version": 2, "made_at": AT, "basis": "machine", "decisions": [decision],
        }
        | more
    )  # fmt: skip
    return Session(analysis=analysis, review=review)


# --- the table -----------------------------------------------------------------------------------


def test_pandas_reads_the_numbers_that_were_measured(analysis: Analysis) -> None:
    table = pandas.read_csv(io.BytesIO(session_csv(reviewed(analysis))))
    assert tuple(table.columns) == COLUMNS
    assert len(table) == len(analysis.measures) + 3 * len(analysis.wash_surfaces)
    by_name = table.set_index("measure")
    for record in analysis.measures:
        value = by_name.loc[record.name, "value"]
        assert math.isnan(value) if record.value is None else value == record.value
    assert set(table["recording"]) == {7} and set(table["taken_on"]) == {"2026-03-09"}


def test_results_are_one_of_four(analysis: Analysis) -> None:
    table = pandas.read_csv(io.BytesIO(session_csv(reviewed(analysis)))).set_index("measure")
    result = table["result"]
    assert result["wash.whole_time"] == "not_met"
    assert result["wait.drain"] == "reported_only"
    assert result["open_line.mask_seen"] == "not_assessable"
    assert set(result) == {"met", "not_met", "not_assessable", "reported_only"}
    unknown = table.loc["wash.surface.palms.seconds"]
    assert math.isnan(unknown["value"]) and unknown["result"] == "not_assessable"


def test_rows_follow_rfc_4180(analysis: Analysis) -> None:
    """RFC 4180, 2: CR LF after each record, the same number of fields, quotes doubled."""
    measure = analysis.measures[0].model_copy(update={"why": 'a "b", c'})
    changed = analysis.model_copy(update={"measures": (measure,), "wash_surfaces": ()})
    text = session_csv(Session(analysis=changed)).decode("utf-8-sig")
    assert text.endswith("\r\n") and text.replace("\r\n", "").count("\n") == 0
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert [len(row) for row in rows] == [len(COLUMNS)] * 2
    assert '"a ""b"", c"' in text and rows[1][-1] == 'a "b", c'


def test_no_cell_is_a_formula(analysis: Analysis) -> None:
    """Starts of formulas: OWASP, 'CSV Injection'."""
    recording = analysis.recording.model_copy(update={"file": "=cmd|' /C calc'!A0"})
    protocol = analysis.protocol.model_copy(update={"name": "+1", "version": "@x"})
    changed = analysis.model_copy(update={"recording": recording, "protocol": protocol})
    rows = csv.reader(io.StringIO(session_csv(reviewed(changed)).decode("utf-8-sig"), newline=""))
    for row in rows:
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row)


# --- WebVTT --------------------------------------------------------------------------------------


def seconds(stamp: str) -> float:
    """Of a timestamp, by arithmetic of its own."""
    hours, minutes, rest = stamp.split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(rest)


def test_chapters_are_the_phases(analysis: Analysis) -> None:
    captions = webvtt.from_string(chapters_vtt(reviewed(analysis))).captions
    assert [(seconds(c.start), seconds(c.end), c.text) for c in captions] == [
        (p.start_s, p.end_s, PHASES[p.phase]) for p in analysis.phases
    ]


def test_chapters_do_not_overlap(analysis: Analysis) -> None:
    """W3C WebVTT, 'file using only nested cues': none overlaps another in part."""
    captions = webvtt.from_string(chapters_vtt(reviewed(analysis))).captions
    for before, after in itertools.pairwise(captions):
        assert seconds(before.end) <= seconds(after.start)


def test_moments_have_their_times_and_words(analysis: Analysis) -> None:
    moment = MomentRecord.model_validate(
        {"start_s": 40.0, "end_s": 40.0, "text": "own", "by": "T-1", "at": AT}
    )
    text = flags_vtt(reviewed(analysis, moments=[moment.model_dump()]))
    captions = webvtt.from_string(text).captions
    spans = [(f.start_s, f.end_s) for f in analysis.flags] + [(40.0, 41.0)]
    assert [(seconds(c.start), seconds(c.end)) for c in captions] == sorted(spans)
    names = [c.identifier for c in captions]
    assert len(set(names)) == len(names) == 4
    talking = next(c for c in captions if c.identifier == "flag-2")
    assert talking.lines[0] == "! Please look: Talking near the open line"
    assert talking.lines[2].startswith("Agreed by T-1: Zoë")


@pytest.mark.parametrize("hostile", [ODD, "\n\n00:00.000 --> 00:09.000\nx", "<v Bob>&lrm;", "\r"])
def test_what_people_type_stays_text(analysis: Analysis, hostile: str) -> None:
    """W3C WebVTT, 'cue text span': no '&' or '<' but in references and tags, and no '-->'."""
    recording = analysis.recording.model_copy(update={"file": f"a {hostile}.mp4"})
    flag = analysis.flags[1].model_copy(update={"message": f"m {hostile}"})
    flags = (analysis.flags[0], flag, analysis.flags[2])
    changed = analysis.model_copy(update={"recording": recording, "flags": flags})
    text = flags_vtt(reviewed(changed))
    assert text.count("-->") == len(analysis.flags)
    assert "<" not in text and "&lrm;" not in text
    captions = webvtt.from_string(text).captions
    assert [len(c.lines) for c in captions] == [3, 3, 3]


def test_no_time_goes_back_and_every_cue_lasts(analysis: Analysis) -> None:
    text = flags_vtt(reviewed(analysis))
    captions = webvtt.from_string(text).captions
    starts = [seconds(c.start) for c in captions]
    assert starts == sorted(starts)
    assert all(seconds(c.end) > seconds(c.start) for c in captions)


def test_timestamps_round_to_milliseconds() -> None:
    assert timestamp(0.0) == "00:00:00.000"
    assert timestamp(7199.9995) == "02:00:00.000"
    assert timestamp(360_000.25) == "100:00:00.250"


def test_what_was_not_measured_is_empty_and_never_nought(analysis: Analysis) -> None:
    unknown = [r for r in analysis.measures if r.value is None]
    assert unknown and all(r.result is Result.NOT_ASSESSABLE for r in unknown)
    text = session_csv(reviewed(analysis)).decode("utf-8-sig")
    rows = csv.DictReader(io.StringIO(text, newline=""))
    cells = {row["measure"]: row["value"] for row in rows}
    assert all(cells[record.name] == "" for record in unknown)
