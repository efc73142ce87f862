"""The measures of one session as a table with one row a measure, for statistics programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Final

from review.analysis import MeasureRecord, WashSurface
from review.escaping import csv_cell
from review.measures import Result
from review.sessionfile import Session
from review.summary import is_only_reported, measure_name
from review.wording import SURFACES

COLUMNS: Final = (
    "recording",
    "file",
    "person",
    "trainer",
    "taken_on",
    "protocol",
    "protocol_version",
    "analysis_version",
    "measure",
    "name",
    "value",
    "unit",
    "target",
    "result",
    "seen_share",
    "source",
    "remark",
)
"""One row a measure. ``value`` is empty where it could not be measured. ``result`` is met,
not_met, not_assessable, or reported_only where the protocol asks nothing of a number."""

Row = tuple[object, ...]


def session_csv(session: Session) -> bytes:
    """The table as CSV (RFC 4180: CR LF, quotes doubled), UTF-8 with a byte order mark.

    Text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n", quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(COLUMNS)
    for row in session_rows(session):
        writer.writerow(["" if cell is None else csv_cell(cell) for cell in row])
    return text.getvalue().encode("utf-8-sig")


def session_rows(session: Session) -> Iterator[Row]:
    """The rows under :data:`COLUMNS`: all measures, then each hand surface of the wash."""
    analysis, review = session.analysis, session.review
    known: Row = (
        review.recording_id if review else None,
        analysis.recording.file,
        review.person if review else None,
        review.trainer if review else None,
        review.taken_on.isoformat() if review else None,
        analysis.protocol.name,
        analysis.protocol.version,
        review.analysis_version if review else None,
    )
    for record in analysis.measures:
        yield (*known, *_measure(record))
    for surface in analysis.wash_surfaces:
        for row in _surface(surface):
            yield (*known, *row)


def _measure(record: MeasureRecord) -> Row:
    return (
        record.name,
        measure_name(record),
        record.value,
        record.unit,
        record.target,
        "reported_only" if is_only_reported(record) else record.result.value,
        record.seen_fraction,
        record.source,
        record.why,
    )


def _surface(surface: WashSurface) -> Iterator[Row]:
    """Seconds, strokes and rounds of one hand surface; the result belongs to the seconds."""
    name = SURFACES[surface.surface]
    told = surface.result is not Result.NOT_ASSESSABLE
    for what, value, unit in (
        ("seconds", surface.seconds, "s"),
        ("strokes", surface.strokes, "strokes"),
        ("rounds", surface.rounds, "rounds"),
    ):
        result = surface.result.value if what == "seconds" or not told else "reported_only"
        yield (
            f"wash.surface.{surface.surface}.{what}",
            f"Wash, {name}: {what}",
            value if told else None,
            unit,
            "",
            result,
            None,
            "",
            "",
        )
