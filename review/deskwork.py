"""What the trainer does with the recording on the desk: decide, add moments, correct times.

The page sends what was done as small plain mappings; :func:`act` writes each of them to the store
before it returns. A correction is an input to the stages after the landmarks, which are run
again; the machine's own answer stays in the store.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from review.analysis import Analysis
from review.desk import Desk, DeskError, Item, open_desk
from review.edges import (
    EdgeError,
    Side,
    Window,
    change_phase,
    move_edge,
    move_window_edge,
    place_phase,
    place_window,
    remove_window,
)
from review.errors import ReviewError
from review.openline import OpenLineWindow
from review.pipeline import Corrections, build_analysis, review_track
from review.prepared import Evidence
from review.store import Store
from review.store.records import Area, Basis, CorrectionSet, Verdict, flag_topic
from review.timeline import Interval, Phase, Segment, Timeline
from review.workarea import work_area

OWN_MOMENT_S = 2.0
"""Length given to a moment that a trainer adds at one point in time."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Done:
    """What came of an action: words for the person, and whether it was carried out."""

    words: str
    carried_out: bool = True


# --- acting --------------------------------------------------------------------------------------


def act(
    store: Store,
    desk: Desk,
    action: Mapping[str, Any],
    *,
    by: str,
    evidence: Callable[[], Evidence | None],
) -> Done:
    """Carry out one thing the trainer did, and write it to the store before returning.

    Args:
        store: the unit's records.
        desk: as it was when the trainer acted.
        action: ``{"do": ...}`` with what belongs to it: ``decide`` (key, verdict, comment),
            ``undo`` (key), ``moment`` (at, text), ``remove_moment`` (key), ``edge`` (lane
            phase, from, to; lane open, side, from, to), ``phase`` (number or None, phase,
            start, end), ``remove_phase`` (number), ``window`` (number or None, phase, start,
            end), ``remove_window`` (number), ``area`` (corners, four pairs in picture widths, or
            None for the machine's own), ``undo_correction`` and ``machine`` (nothing).
        by: the trainer's code.
        evidence: gives what a correction needs, or None where it is not kept.

    Returns:
        Words for the trainer. Nothing is half done: what cannot be carried out changes
        nothing and says why.
    """
    if not by:
        return Done("Please say first who is reviewing; nothing was saved.", False)
    try:
        doing = _ACTIONS.get(str(action.get("do")))
        if doing is not None:
            return doing(store, desk, action, by)
        return _correct(store, desk, action, by, evidence)
    except ReviewError as error:
        return Done(str(error), False)
    except (KeyError, TypeError, ValueError) as error:
        _log.warning("An action could not be read: %r (%s)", action, error)
        return Done("That could not be understood; nothing was changed.", False)


def _item(desk: Desk, key: object) -> Item:
    found = next((item for item in desk.items if item.key == key), None)
    if found is None:
        raise DeskError("This moment is not there any more; nothing was saved. Look again.")
    return found


def _decide(store: Store, desk: Desk, action: Mapping[str, Any], by: str) -> Done:
    item = _item(desk, action["key"])
    if item.flag is None:
        raise DeskError("A moment of your own needs no decision.")
    verdict = Verdict(action["verdict"])
    store.decide(
        desk.entry.id,
        kind=item.flag.kind,
        start_s=item.flag.start_s,
        end_s=item.flag.end_s,
        verdict=verdict,
        comment=str(action.get("comment", "")).strip(),
        topic=flag_topic(item.flag),
        by=by,
    )
    return Done("Saved.")


def _undo(store: Store, desk: Desk, action: Mapping[str, Any], by: str) -> Done:
    item = _item(desk, action["key"])
    if item.decision is None:
        return Done("There is nothing to undo here.", False)
    store.undo_decision(desk.entry.id, item.decision.id, by=by)
    return Done("Undone. The earlier decision is kept in the history.")


def _add_moment(store: Store, desk: Desk, action: Mapping[str, Any], by: str) -> Done:
    text = str(action.get("text", "")).strip()
    if not text:
        return Done("Please say in a few words what there is to see; nothing was saved.", False)
    end = desk.analysis.recording.duration_s
    start = min(max(float(action["at"]), 0.0), max(end - OWN_MOMENT_S, 0.0))
    store.add_moment(
        desk.entry.id, start_s=start, end_s=min(start + OWN_MOMENT_S, end), text=text, by=by
    )
    return Done("Your moment was saved.")


def _remove_moment(store: Store, desk: Desk, action: Mapping[str, Any], by: str) -> Done:
    item = _item(desk, action["key"])
    if item.moment is None:
        raise DeskError("Only a moment of your own can be removed.")
    store.remove_moment(desk.entry.id, item.moment.id, by=by)
    return Done("Your moment was removed.")


_ACTIONS: dict[str, Callable[[Store, Desk, Mapping[str, Any], str], Done]] = {
    "decide": _decide,
    "undo": _undo,
    "moment": _add_moment,
    "remove_moment": _remove_moment,
}


# --- correcting ----------------------------------------------------------------------------------


def _correct(
    store: Store,
    desk: Desk,
    action: Mapping[str, Any],
    by: str,
    evidence: Callable[[], Evidence | None],
) -> Done:
    phases, windows, area = _wanted(store, desk, action)
    if action["do"] == "edge" and (phases, windows, area) == _as_set(desk, desk.corrections):
        raise EdgeError("The edge stays where it was, as far as it goes; nothing was changed.")
    store.correct(
        desk.entry.id,
        phases=None if phases is None else phases.segments,
        windows=windows,
        area=area,
        by=by,
    )
    found = evidence()
    if found is None:
        return Done(
            "What you set was saved. The measures could not follow it, because the landmarks "
            "of this recording are not kept here; analyse it again to bring them up to date."
        )
    follow_corrections(store, desk, found, phases, windows, area, by=by)
    what = "work area" if action["do"] == "area" else "times"
    return Done(f"Saved. Measures and moments follow your {what}.")


Set = tuple[Timeline | None, tuple[Window, ...] | None, Area | None]
"""Phases, open-line windows and work area that a person set; None = the machine's own."""


def _wanted(store: Store, desk: Desk, action: Mapping[str, Any]) -> Set:
    """What is set after an action; undoing takes up the last correction but one."""
    now = desk.corrections
    if action["do"] == "area":
        return *_as_set(desk, now)[:2], _area(desk, action["corners"])
    if action["do"] != "undo_correction":
        return *corrected(desk, action), None if now is None else now.area
    history = store.correction_history(desk.entry.id)
    if not history:
        raise EdgeError("There is no correction to undo.")
    return _as_set(desk, history[-2] if len(history) > 1 else None)


def _as_set(desk: Desk, corrections: CorrectionSet | None) -> Set:
    if corrections is None:
        return None, None, None
    extent = Interval(0.0, desk.analysis.recording.duration_s)
    phases = None if corrections.phases is None else Timeline(extent, corrections.phases)
    return phases, corrections.windows, corrections.area


def _area(desk: Desk, corners: Any) -> Area | None:
    if corners is None:
        return None
    recording = desk.analysis.recording
    places = [(float(x), float(y)) for x, y in corners]
    return work_area(places, recording.height / max(recording.width, 1))


def corrected(
    desk: Desk, action: Mapping[str, Any]
) -> tuple[Timeline | None, tuple[Window, ...] | None]:
    """Phases and open-line windows after one correction; None = the machine's own.

    Raises:
        EdgeError: if the correction does not fit what is there.
    """
    now = desk.corrections
    extent = Interval(0.0, desk.analysis.recording.duration_s)
    shown = _timeline(desk, extent)
    phases = shown if now is not None and now.phases is not None else None
    windows = now.windows if now is not None else None
    do, lane = action["do"], action.get("lane")
    if do == "machine":
        return None, None
    if do == "edge" and lane == "phase":
        return move_edge(shown, float(action["from"]), float(action["to"])), windows
    if do == "edge" and lane == "open":
        side: Side = "start" if action["side"] == "start" else "end"
        moved = move_window_edge(
            desk.windows, float(action["from"]), side, float(action["to"]), extent
        )
        return phases, moved
    if do == "remove_window":
        return phases, remove_window(desk.windows, int(action["number"]))
    if do == "remove_phase":
        return _as_other(shown, int(action["number"])), windows
    name, start, end = Phase(action["phase"]), float(action["start"]), float(action["end"])
    number = None if action["number"] is None else int(action["number"])
    if do == "window":
        return phases, place_window(desk.windows, number, name, start, end, extent)
    if do == "phase" and number is None:
        return place_phase(shown, name, start, end), windows
    if do == "phase" and number is not None:
        return change_phase(shown, number, name, start, end), windows
    raise EdgeError("That correction is not known; nothing was changed.")


def _timeline(desk: Desk, extent: Interval) -> Timeline:
    """The phases shown, with what a person set marked as theirs."""
    by_person = desk.set_by_person
    segments = tuple(
        Segment(
            Interval(p.start_s, min(p.end_s, extent.end_s)),
            p.phase,
            p.confidence,
            "person" if (p.start_s, p.end_s) in by_person else "machine",
        )
        for p in desk.analysis.phases
    )
    return Timeline(extent, segments)


def _as_other(phases: Timeline, number: int) -> Timeline:
    if not 0 <= number < len(phases.segments):
        raise EdgeError("This phase is not there any more. Look at the timeline again.")
    span = phases.segments[number].interval
    return change_phase(phases, number, Phase.OTHER, span.start_s, span.end_s)


def bring_up_to_date(store: Store, desk: Desk, evidence: Evidence, *, by: str) -> Desk:
    """Follow corrections that were saved but not followed, and put the recording on the desk anew.

    That happens when the program was stopped between the two, or the landmarks came later.
    """
    now = desk.corrections
    if now is None:
        return desk
    follow_corrections(store, desk, evidence, *_as_set(desk, now), by=by)
    return open_desk(store, desk.entry.id)


def follow_corrections(
    store: Store,
    desk: Desk,
    evidence: Evidence,
    phases: Timeline | None,
    windows: tuple[Window, ...] | None,
    area: Area | None,
    *,
    by: str,
) -> Analysis:
    """Run the stages after the landmarks with what a person set, and store the outcome."""
    analysis = analyse_corrected(desk, evidence, phases, windows, area)
    machines = phases is None and windows is None and area is None
    basis: Basis = "machine" if machines else "corrected"
    store.add_analysis(desk.entry.id, analysis, basis=basis, by=by)
    return analysis


def get_ready(desk: Desk, evidence: Evidence) -> None:
    """Work out beforehand what the next correction will probably leave as it is.

    Both for phases as they are now and as shown, rounded, which they are once one is moved.
    """
    extent = Interval(0.0, desk.analysis.recording.duration_s)
    phases, windows, area = _as_set(desk, desk.corrections)
    for timeline in (_timeline(desk, extent), phases):
        analyse_corrected(desk, evidence, timeline, windows, area)


def analyse_corrected(
    desk: Desk,
    evidence: Evidence,
    phases: Timeline | None,
    windows: tuple[Window, ...] | None,
    area: Area | None = None,
) -> Analysis:
    """The analysis that follows from what a person set."""
    extent = evidence.track.time.extent
    corrections = Corrections(
        phases=evidence.phases if phases is None else _fit(phases, extent),
        windows=None
        if windows is None
        else tuple(
            OpenLineWindow(phase, Interval(start, end), 0.0, "person")
            for phase, start, end in windows
        ),
        area=None if area is None else np.array(area),
    )
    findings = review_track(
        evidence.track,
        desk.protocol,
        corrections=corrections,
        evidence=evidence.series,
        memory=evidence.memory,
    )
    before = desk.analysis
    return build_analysis(
        findings,
        desk.protocol,
        before.recording,
        sampling=before.sampling,
        warnings=before.warnings,
        timing=before.timing,
    )


def _fit(phases: Timeline, extent: Interval) -> Timeline:
    """The same phases inside the landmarks' own extent (they differ by rounding at most)."""
    segments = tuple(
        Segment(cut, s.phase, s.confidence, s.source)
        for s in phases
        if (cut := s.interval.intersect(extent)) is not None
    )
    return Timeline(extent, segments)
