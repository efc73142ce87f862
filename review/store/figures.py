"""The session figures of a recording: worked out when something changes, read by the thousand."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.analysis import Analysis, FlagLevel
from review.measures import REPORTED_ONLY, Result
from review.store.records import (
    AnalysisVersion,
    Basis,
    Decision,
    Verdict,
    match_decisions,
    standing_decisions,
)
from review.store.standard_figures import keep_results
from review.store.tables import AnalysisRow, DecisionRow, SessionFiguresRow

BETWEEN = ","
"""Stands between the names of surfaces; no name holds it."""


def no_figures(recording_id: int) -> SessionFiguresRow:
    """The figures of a recording that has not been analysed."""
    return SessionFiguresRow(
        recording_id=recording_id,
        surfaces_missed="",
        surfaces_unclear="",
        look_flags=0,
        open_flags=0,
        agreed_flags=0,
        watched=0,
    )


def refresh_figures(session: Session, recording_id: int, analysis: Analysis | None = None) -> None:
    """Bring the figures up to date with the latest analysis and the standing decisions.

    ``analysis`` may be given where it was just kept: it need not be read again.
    """
    if analysis is None:
        latest = latest_analysis(session, recording_id)
        if latest is None:
            return
        analysis = latest.analysis
    figures = session.get_one(SessionFiguresRow, recording_id)
    figures.wash_rubbing_s = _value(analysis, "wash.rubbing_time")
    figures.wash_whole_s = _value(analysis, "wash.whole_time")
    rubbed = _value(analysis, "wash.surfaces_rubbed")
    figures.surfaces_rubbed = None if rubbed is None else round(rubbed)
    figures.surfaces_missed = _surfaces(analysis, Result.NOT_MET)
    figures.surfaces_unclear = _surfaces(analysis, Result.NOT_ASSESSABLE)
    verdicts = look_verdicts(analysis, standing(session, recording_id))
    figures.look_flags = len(verdicts)
    figures.open_flags = verdicts.count(None)
    figures.agreed_flags = verdicts.count(Verdict.AGREE)
    keep_results(session, recording_id, analysis)


def look_verdicts(analysis: Analysis, decisions: Sequence[Decision]) -> list[Verdict | None]:
    """What was decided about each flag that asks for a look; None for nothing yet."""
    # All flags take part in the matching, so that a decision about a note stays with the note.
    matched = zip(analysis.flags, match_decisions(analysis.flags, decisions), strict=True)
    return [
        decision.verdict if decision else None
        for flag, decision in matched
        if flag.level is FlagLevel.LOOK
    ]


def standing(session: Session, recording_id: int) -> tuple[Decision, ...]:
    """The decisions that count now."""
    return standing_decisions(decision_history(session, recording_id))


def decision_history(session: Session, recording_id: int) -> tuple[Decision, ...]:
    """All decisions about a recording, oldest first, undone ones too."""
    query = select(DecisionRow).where(DecisionRow.recording_id == recording_id)
    return tuple(row.record() for row in session.scalars(query.order_by(DecisionRow.id)))


def latest_analysis(
    session: Session, recording_id: int, version: int | None = None
) -> AnalysisVersion | None:
    """The latest analysis of a recording, or one version of it; None where there is none."""
    query = select(AnalysisRow).where(AnalysisRow.recording_id == recording_id)
    if version is not None:
        query = query.where(AnalysisRow.version == version)
    row = session.scalars(query.order_by(AnalysisRow.version.desc()).limit(1)).first()
    if row is None:
        return None
    basis: Basis = "corrected" if row.basis == "corrected" else "machine"
    analysis = Analysis.from_json(row.document, f"analysis {row.version} of {recording_id}")
    return AnalysisVersion(recording_id, row.version, row.made_at, basis, analysis)


def _value(analysis: Analysis, name: str) -> float | None:
    measure = analysis.measure(name)
    if measure is None:
        return None
    # A number of which too little was seen to judge it must not be judged elsewhere either.
    asked = measure.target not in ("", REPORTED_ONLY)
    return None if asked and measure.result is Result.NOT_ASSESSABLE else measure.value


def _surfaces(analysis: Analysis, result: Result) -> str:
    return BETWEEN.join(s.surface.value for s in analysis.wash_surfaces if s.result is result)
