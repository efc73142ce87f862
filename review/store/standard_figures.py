"""The answers to every target of a recording: worked out when it is analysed, read in thousands."""

from __future__ import annotations

import json
from functools import lru_cache

from sqlalchemy.orm import Session

from review.analysis import Analysis
from review.measures import REPORTED_ONLY, Result
from review.store.standard_records import TargetResults
from review.store.standard_tables import TargetResultsRow


def keep_results(session: Session, recording_id: int, analysis: Analysis) -> None:
    """Bring the kept answers of a recording up to date with its latest analysis."""
    results = json.dumps(
        {
            measure.name: [measure.result.value, measure.target]
            for measure in analysis.measures
            if measure.target not in ("", REPORTED_ONLY)
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    row = session.get(TargetResultsRow, recording_id)
    if row is None:
        session.add(TargetResultsRow(recording_id=recording_id, results=results))
    else:
        row.results = results


@lru_cache(maxsize=1 << 16)
def read_results(kept: str) -> TargetResults:
    """The answers as kept; remembered, because thousands of recordings answer alike."""
    return {name: (Result(result), target) for name, (result, target) in json.loads(kept).items()}
