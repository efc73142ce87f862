"""What the review page shows, as plain data and words; no page is needed to make it."""

from __future__ import annotations

import hashlib
import json
import re
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from functools import lru_cache
from typing import Any, Literal

from review.analysis import Analysis, FlagLevel, MeasureRecord
from review.desk import BEFORE_S, Desk, Item, stops
from review.edges import SHORTEST_S, EdgeError
from review.lanes import Lanes
from review.measures import Result, quantity
from review.protocol import ChecklistItem, Protocol
from review.store.records import Answer, Outcome, Verdict
from review.summary import is_only_reported, measure_name, measured_text
from review.timeline import Surface
from review.wording import FLAGS, LEVELS, PHASES, RESULTS, SURFACES, clock

SIGNS = {FlagLevel.LOOK: "!", FlagLevel.NOTE: "i", FlagLevel.CANNOT_TELL: "?"}
"""A sign on each flag, so that its level is told without colour."""

OWN_SIGN = "+"
OWN_LEVEL = "Added by you"
OWN_TITLE = "Your own moment"

ANSWERS = {Answer.DONE: "Done", Answer.NOT_DONE: "Not done", Answer.NOT_SEEN: "Cannot tell"}

VERDICTS = {Verdict.AGREE: "Agreed", Verdict.DISAGREE: "Disagreed", Verdict.UNSURE: "Not sure"}

OUTCOMES = {Outcome.SIGNED_OFF: "Signed off", Outcome.PRACTISE_MORE: "Practise more first"}

RESULT_SIGNS = {Result.MET: "\u2713", Result.NOT_MET: "\u2717", Result.NOT_ASSESSABLE: "?"}

USUAL_FRAME_S = 1 / 30
"""One picture on or back, where the file does not say how many it has a second."""


# --- the player ----------------------------------------------------------------------------------


def player_data(
    desk: Desk,
    lanes: Lanes | None,
    *,
    video: str,
    points: str,
    sound: bool,
    may_act: bool,
    lanes_note: str = "",
) -> dict[str, Any]:
    """Everything the player shows, ready to be sent to the browser as JSON.

    Args:
        desk: the recording.
        lanes: the rows from the pictures, or None while they are not there.
        video: address of the video, empty if there is none.
        points: address of the tracked points, empty if there are none.
        sound: whether there is sound that may be heard.
        may_act: whether somebody is named as reviewing.
        lanes_note: what the empty rows say.

    Returns:
        Times in seconds, each to the millisecond; ``stamp`` changes when anything shown does,
        ``lanes_stamp`` when the rows from the pictures do.
    """
    analysis = desk.analysis
    rows, rows_stamp = (None, lanes_note) if lanes is None else _lanes_data(lanes)
    rate = analysis.recording.fps
    by_person = desk.set_by_person
    shown: dict[str, Any] = {
        "recording": desk.entry.id,
        "duration": analysis.recording.duration_s,
        "frame_s": round(1 / rate, 5) if rate else USUAL_FRAME_S,
        "lead": BEFORE_S,
        "shortest_s": SHORTEST_S,
        "phases": [
            {
                "phase": p.phase.value,
                "label": PHASES[p.phase],
                "start": p.start_s,
                "end": p.end_s,
                "person": (p.start_s, p.end_s) in by_person,
            }
            for p in analysis.phases
        ],
        "open": [
            {
                "label": PHASES[w.phase],
                "start": w.start_s,
                "end": w.end_s,
                "unsure": w.uncertainty_s or 0.0,
                "person": w.basis == "person",
            }
            for w in analysis.open_line
        ],
        "items": [_item_data(item) for item in desk.items],
        "stops": [list(span) for span in stops(desk)],
        "lanes_stamp": rows_stamp,
        "lanes_note": lanes_note,
        "surface_names": {s.value: SURFACES[s] for s in Surface},
        "surface_order": [s.value for s in Surface],
        "may_act": may_act,
        "sound": sound,
    }
    return {**shown, "stamp": _stamp(shown), "lanes": rows, "video": video, "points": points}


@lru_cache(maxsize=4)
def _lanes_data(lanes: Lanes) -> tuple[dict[str, list[list[float | str]]], str]:
    """The rows from the pictures, and what tells them from others.

    Kept: of all that the player shows they are most, and no correction changes them.
    """
    rows: dict[str, list[list[float | str]]] = {
        field.name: [[row.start_s, row.end_s, row.kind] for row in getattr(lanes, field.name)]
        for field in fields(lanes)
    }
    return rows, _stamp(rows)


def _stamp(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


def _item_data(item: Item) -> dict[str, Any]:
    common = {"key": item.key, "start": item.start_s, "end": item.end_s}
    if item.flag is None:
        moment = item.moment
        return common | {
            "kind": "moment",
            "level": "own",
            "level_words": OWN_LEVEL,
            "sign": OWN_SIGN,
            "title": OWN_TITLE,
            "text": moment.text if moment else "",
            "when": f"Added by {moment.by}, {when(moment.at)}" if moment else "",
        }
    flag, decision = item.flag, item.decision
    unknown = flag.level is FlagLevel.CANNOT_TELL
    return common | {
        "kind": "flag",
        "level": flag.level.value,
        "level_words": LEVELS[flag.level],
        "sign": SIGNS[flag.level],
        "title": FLAGS[flag.kind],
        "text": f"{flag.message} Why it may be wrong: {flag.doubt}" if flag.doubt else flag.message,
        "sure": "" if unknown else f"{quantity(flag.confidence, 'share')} sure",
        "verdict": decision.verdict.value if decision else "",
        "comment": decision.comment if decision else "",
        "when": decision_words(decision.verdict, decision.by, decision.at) if decision else "",
    }


def decision_words(verdict: Verdict, by: str, at: datetime) -> str:
    """Who decided what, and when."""
    return f"{VERDICTS[verdict]} by {by}, {when(at)}"


def when(at: datetime) -> str:
    """A moment on this computer's clock, for people."""
    local = at.astimezone()
    return f"{local.day} {local:%b %Y, %H:%M}"


# --- checklist -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ChecklistRow:
    """One item of the checklist as it stands.

    Attributes:
        item, critical: from the protocol.
        by_camera: whether the camera helps with it.
        answer: what the trainer said, or None.
        suggestion: what the camera suggests, or None where a person must say.
        evidence: the measures behind the suggestion, in words.
        comment: the trainer's.
    """

    item: str
    critical: bool
    by_camera: bool
    answer: Answer | None
    suggestion: Answer | None
    evidence: str
    comment: str

    @property
    def shown(self) -> Answer | None:
        """The trainer's answer, else the camera's suggestion."""
        return self.answer or self.suggestion


class Given(typing.Protocol):
    """An answer that was given to an item of the checklist."""

    @property
    def answer(self) -> Answer:
        """What was said."""

    @property
    def comment(self) -> str:
        """It may be empty."""


def checklist_rows(desk: Desk) -> tuple[ChecklistRow, ...]:
    """The protocol's checklist with answers and suggestions, in its order."""
    return answered_checklist(desk.protocol, desk.analysis, desk.answers)


def answered_checklist(
    protocol: Protocol, analysis: Analysis, answers: Mapping[str, Given]
) -> tuple[ChecklistRow, ...]:
    """A checklist with the answers by the item's text, and what the measures suggest."""
    rows = []
    for item in protocol.checklist:
        given = answers.get(item.item)
        records = _records(item, analysis)
        rows.append(
            ChecklistRow(
                item=item.item,
                critical=item.critical,
                by_camera=item.seen_by == "camera",
                answer=given.answer if given else None,
                suggestion=suggest(records) if item.seen_by == "camera" else None,
                evidence="; ".join(_evidence(record) for record in records),
                comment=given.comment if given else "",
            )
        )
    return tuple(rows)


def _records(item: ChecklistItem, analysis: Analysis) -> tuple[MeasureRecord, ...]:
    found = (analysis.measure(name) for name in item.measures)
    return tuple(record for record in found if record is not None)


def suggest(records: Sequence[MeasureRecord]) -> Answer | None:
    """What measures say about a checklist item: a miss counts, and doubt is never 'done'.

    None where no measure belongs to it, or the protocol asks nothing of those that do.
    """
    judged = [record.result for record in records if not is_only_reported(record)]
    if not judged:
        return None
    if Result.NOT_MET in judged:
        return Answer.NOT_DONE
    return Answer.DONE if all(result is Result.MET for result in judged) else Answer.NOT_SEEN


def _evidence(record: MeasureRecord) -> str:
    words = f"{measure_name(record)}: {measured_text(record)}"
    if not is_only_reported(record):
        words += f" ({record.target}: {RESULTS[record.result]})"
    return words


def unfinished(desk: Desk) -> tuple[str, ...]:
    """What is still open before signing, in words."""
    undecided = sum(1 for item in desk.items if item.flag is not None and item.decision is None)
    missing = [row for row in checklist_rows(desk) if row.shown is None]
    critical = [row for row in missing if row.critical]
    not_done = [row for row in checklist_rows(desk) if row.critical and _not_done(row)]
    words = []
    if undecided:
        words.append(f"{_count(undecided, 'moment')} not decided yet")
    if critical:
        words.append(f"{_count(len(critical), 'critical item')} not answered yet")
    if len(missing) > len(critical):
        words.append(f"{_count(len(missing) - len(critical), 'other item')} not answered yet")
    words += [f"critical and not done: {row.item}" for row in not_done]
    return tuple(words)


def _not_done(row: ChecklistRow) -> bool:
    return row.shown is Answer.NOT_DONE


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


# --- tables and times ----------------------------------------------------------------------------


def measure_rows(analysis: Analysis) -> tuple[tuple[str, ...], ...]:
    """Name, number, target, answer, share seen, remark and source of each measure."""
    return tuple(
        (
            measure_name(record),
            measured_text(record),
            record.target or "no target",
            "no target" if is_only_reported(record) else result_words(record.result),
            quantity(record.seen_fraction, "share"),
            record.why,
            record.source,
        )
        for record in analysis.measures
    )


def result_words(result: Result) -> str:
    """One of the three answers, as a sign and words."""
    return f"{RESULT_SIGNS[result]} {RESULTS[result]}"


def surface_rows(analysis: Analysis) -> tuple[tuple[str, ...], ...]:
    """Surface, seconds, strokes, rounds and answer of each hand surface of the wash."""
    unknown = "cannot tell"
    return tuple(
        (
            SURFACES[row.surface],
            unknown if row.seconds is None else f"{row.seconds:.1f}",
            unknown if row.strokes is None else str(row.strokes),
            unknown if row.rounds is None else str(row.rounds),
            result_words(row.result),
        )
        for row in analysis.wash_surfaces
    )


def read_clock(text: str) -> float:
    """Seconds from a time as people write it: ``75.2``, ``1:15.2`` or ``1:01:15``.

    >>> read_clock("1:15.2"), read_clock(" 75,2 "), read_clock("1:00:00")
    (75.2, 75.2, 3600.0)

    Raises:
        EdgeError: if it is no time.
    """
    parts = text.strip().replace(",", ".").split(":")
    well = 1 <= len(parts) <= 3 and all(re.fullmatch(r"\d+", part) for part in parts[:-1])
    if not well or not re.fullmatch(r"\d+(\.\d+)?", parts[-1]):
        raise EdgeError(f"'{text}' is not a time. Write it as 1:15.2 (minutes, seconds).")
    if any(float(part) >= 60 for part in parts[1:]):
        raise EdgeError(f"'{text}' is not a time: a minute has 60 seconds.")
    total = 0.0
    for part in parts:
        total = 60 * total + float(part)
    return total


def typed_action(
    do: Literal["phase", "window"], number: int | None, phase: str, start: str, end: str
) -> Mapping[str, Any]:
    """The action for a span typed by hand, for :func:`review.desk.act`.

    Raises:
        EdgeError: if a time cannot be read.
    """
    return {
        "do": do,
        "number": number,
        "phase": phase,
        "start": read_clock(start),
        "end": read_clock(end),
    }


def span_words(label: str, start_s: float, end_s: float) -> str:
    """A named span for people."""
    return f"{label}, {clock(start_s)} \u2013 {clock(end_s)}"
