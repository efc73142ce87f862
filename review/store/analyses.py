"""Analyses of a recording, and what a person corrected in them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.analysis import Analysis
from review.store.base import Part, Writing, next_version
from review.store.entering import checked_span
from review.store.figures import latest_analysis, refresh_figures
from review.store.records import AnalysisVersion, Area, Basis, CorrectionSet, StoreError, Window
from review.store.tables import AnalysisRow, CorrectionRow, RecordingRow, segment_as_json
from review.timeline import Interval, Phase, Segment, Timeline


class _Keep(Enum):
    AS_IT_IS = "as it is"


KEEP = _Keep.AS_IT_IS
"""Leave this correction as it is."""

_Kept = Literal[_Keep.AS_IT_IS]


class AnalysesPart(Part):
    """Analyses and corrections."""

    def add_analysis(self, recording_id: int, analysis: Analysis, *, basis: Basis, by: str) -> int:
        """Keep an analysis as the recording's latest version, and say which number it has.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be reviewed.
        """
        with self._writing(by) as writing:
            row = self._reviewable(writing.session, recording_id)
            return keep_analysis(writing, row, analysis, basis)

    def analysis(self, recording_id: int, version: int | None = None) -> AnalysisVersion | None:
        """The latest analysis or one version of it; None where there is none.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be reviewed.
            AnalysisError: if what is kept was made by another release and cannot be read.
        """
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return latest_analysis(session, recording_id, version)

    # --- corrections -------------------------------------------------------------------------

    def corrections(self, recording_id: int) -> CorrectionSet | None:
        """What a person corrected last, or None where nothing was.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be reviewed.
        """
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return newest_correction(session, recording_id)

    def correction_history(self, recording_id: int) -> tuple[CorrectionSet, ...]:
        """All corrections, oldest first.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be reviewed.
        """
        with self._database.reading() as session:
            self._reviewable(session, recording_id)
            return corrections_of(session, recording_id)

    def correct(
        self,
        recording_id: int,
        *,
        phases: Sequence[Segment] | _Kept | None = KEEP,
        windows: Sequence[Window] | _Kept | None = KEEP,
        area: Area | _Kept | None = KEEP,
        by: str,
    ) -> CorrectionSet:
        """Keep a correction as a new version.

        Args:
            recording_id: the recording.
            phases: the whole timeline in order; None for the machine's own. Left out: as before.
            windows: every open-line window, as (connect or disconnect, start and end in
                seconds); empty if the line was never open; None for the machine's own. Left
                out: as before.
            area: four corners of the work area; None for the machine's own. Left out: as before.
            by: who corrects.

        Raises:
            StoreError: if there is no such recording, phases overlap or leave the recording, a
                window is not one of connect or disconnect, or an area has no four corners.
            ConsentError: if it may not be reviewed.
        """
        with self._writing(by) as writing:
            row = self._reviewable(writing.session, recording_id)
            latest = latest_analysis(writing.session, row.id)
            end_s = max(row.duration_s, latest.analysis.recording.duration_s if latest else 0.0)
            before = newest_correction(writing.session, row.id)
            if phases is KEEP:
                phases = before.phases if before else None
            if windows is KEEP:
                windows = before.windows if before else None
            if area is KEEP:
                area = before.area if before else None
            added = writing.add(
                CorrectionRow(
                    recording_id=row.id,
                    version=next_version(writing.session, CorrectionRow, row.id),
                    phases=None if phases is None else _phases_as_json(phases, end_s, row.name),
                    windows=None if windows is None else [_window_as_json(w) for w in windows],
                    area=None if area is None else _area_as_json(area),
                    by=writing.by,
                    at=writing.at,
                )
            )
            writing.note_on(row, "corrected", f"version {added.version}")
            return added.record()


def newest_correction(session: Session, recording_id: int) -> CorrectionSet | None:
    """The last correction of a recording; the others, each with all its phases, are not read."""
    query = select(CorrectionRow).where(CorrectionRow.recording_id == recording_id)
    row = session.scalars(query.order_by(CorrectionRow.version.desc()).limit(1)).first()
    return None if row is None else row.record()


def corrections_of(session: Session, recording_id: int) -> tuple[CorrectionSet, ...]:
    """All corrections of a recording, oldest first."""
    query = select(CorrectionRow).where(CorrectionRow.recording_id == recording_id)
    return tuple(row.record() for row in session.scalars(query.order_by(CorrectionRow.version)))


def _phases_as_json(phases: Sequence[Segment], end_s: float, name: str) -> list[list[object]]:
    try:
        timeline = Timeline(Interval(0.0, end_s), tuple(phases))
    except ValueError as error:
        raise StoreError(
            f"{name}: these phases do not fit the recording of {end_s:.1f} s ({error}). Move the "
            "edges so that no phase overlaps another or leaves the recording."
        ) from error
    return [segment_as_json(segment) for segment in timeline]


def _window_as_json(window: Window) -> list[object]:
    phase, start_s, end_s = window
    if phase not in (Phase.CONNECT, Phase.DISCONNECT):
        raise StoreError(
            f"The line is open while connecting or disconnecting, not in {str(phase)!r}; choose "
            "one of the two."
        )
    return [Phase(phase).value, *checked_span(start_s, end_s)]


def _area_as_json(area: Area) -> list[list[float]]:
    corners = [[float(x), float(y)] for x, y in area]
    if len(corners) != 4 or not all(math.isfinite(value) for row in corners for value in row):
        raise StoreError("A work area has four corners; give a place for each of them.")
    return corners


def keep_analysis(writing: Writing, row: RecordingRow, analysis: Analysis, basis: Basis) -> int:
    """Write an analysis as the latest version and bring the figures up to date.

    Raises:
        StoreError: if ``basis`` is not one of the two.
    """
    if basis not in ("machine", "corrected"):
        raise StoreError(f"An analysis rests on 'machine' or 'corrected', not on {basis!r}.")
    version = next_version(writing.session, AnalysisRow, row.id)
    writing.add(
        AnalysisRow(
            recording_id=row.id,
            version=version,
            made_at=writing.at,
            basis=basis,
            document=analysis.to_json(),
            by=writing.by,
        )
    )
    refresh_figures(writing.session, row.id, analysis)
    writing.note_on(row, "analysed", f"version {version}, {basis}")
    return version
