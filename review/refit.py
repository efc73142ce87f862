"""Learning from a unit's own corrections: from its records to values that are kept, or refused.

Nothing leaves the unit: corrections, decisions and landmarks are read where they lie, and what is
kept are some hundred numbers and the figures of the check. Whoever was erased, or took back the
consent, is in no later refit; a version learnt before stays as it is, for there is nothing in it
that tells one person's part from the others'.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from review.desk import protocol_of
from review.errors import ReviewError
from review.openline import OpenLineWindow, hands_apart
from review.pipeline import Corrections, Evidence, evidence_of
from review.prepared import FEATURES, load_landmarks, slimmed
from review.protocol import Protocol
from review.refitapply import with_values
from review.refitcheck import (
    LEAST_GAIN,
    Checked,
    Compared,
    cross_checked,
    learn,
    too_little,
)
from review.refitfloor import FloorFigures, floor_figures, pulled_above
from review.refitlessons import Lesson
from review.refitvalues import UnitValues
from review.store import RecordingEntry, Store
from review.store.records import CorrectionSet
from review.store.refits import RefitVersion
from review.timeline import Interval, Segment, Timeline
from review.tracks import FeatureTrack, LandmarkTrack

Progress = Callable[[float], None]

MOST_SESSIONS: Final = 200
"""The newest corrected sessions that are learnt from; bounds the work and the memory."""


@dataclass(frozen=True)
class Gathered:
    """What a unit's records offer to learn from.

    Attributes:
        protocol: name of the protocol of all of it.
        lessons: oldest first.
        without_landmarks: corrected sessions whose landmarks are not kept here.
        other_protocols: corrected sessions that were held against another protocol.
    """

    protocol: str
    lessons: tuple[Lesson, ...]
    without_landmarks: int
    other_protocols: int

    def as_json(self) -> dict[str, Any]:
        """What counts, as plain numbers; no codes of people."""
        return {
            "protocol": self.protocol,
            "sessions": len(self.lessons),
            "people": len({lesson.person for lesson in self.lessons}),
            "edges_set": sum(
                segment.source == "person" for lesson in self.lessons for segment in lesson.truth
            ),
            "decisions": sum(len(lesson.decisions) for lesson in self.lessons),
            "moments": sum(len(lesson.moments) for lesson in self.lessons),
            "without_landmarks": self.without_landmarks,
            "other_protocols": self.other_protocols,
        }


@dataclass(frozen=True)
class Outcome:
    """What became of a refit.

    Attributes:
        gathered: what it rests on.
        values: what was learnt.
        checked: by people, against the shipped values.
        floor_shipped, floor_own: on the shipped samples.
        reasons: why it is refused, in sentences; empty where it is accepted.
        kept: the version it became; None where refused or only tried.
    """

    gathered: Gathered
    values: UnitValues
    checked: Checked
    floor_shipped: FloorFigures
    floor_own: FloorFigures
    reasons: tuple[str, ...]
    kept: RefitVersion | None = None

    def figures(self) -> dict[str, Any]:
        """All of it as plain numbers, to be kept with the values."""
        return {
            "data": self.gathered.as_json(),
            "check": self.checked.as_json(),
            "floor": {"shipped": self.floor_shipped.as_json(), "own": self.floor_own.as_json()},
        }


def refit(
    store: Store,
    *,
    by: str,
    protocol: str | None = None,
    keep: bool = True,
    progress: Progress | None = None,
) -> Outcome:
    """Learn from the corrections in a unit's records; kept and used from now on if it is better.

    Args:
        store: the unit's records.
        by: who asks; goes to the audit.
        protocol: name of the protocol whose sessions are meant; default the one with most.
        keep: False only shows what would come of it.
        progress: told the share done, 0..1.

    Raises:
        ReviewError: if there is too little to learn from; it says how much is needed.
    """

    def part(low: float, high: float) -> Progress:
        return lambda share: progress(low + (high - low) * share) if progress else None

    gathered = gather(store, protocol, part(0.0, 0.3))
    lacking = too_little(gathered.lessons)
    if lacking is not None:
        raise ReviewError(f"{store.folder}: {lacking}{_left_out(gathered)}")
    outcome = tried(gathered, part(0.3, 1.0))
    if not keep or outcome.reasons:
        return outcome
    kept = store.add_refit(outcome.values, outcome.figures(), by=by)
    return Outcome(
        gathered, kept.values, outcome.checked, outcome.floor_shipped, outcome.floor_own, (), kept
    )


def tried(gathered: Gathered, progress: Progress | None = None) -> Outcome:
    """Learn and check, keeping nothing."""

    def fit(lessons: Sequence[Lesson]) -> UnitValues:
        return pulled_above(learn(lessons))

    checked = cross_checked(gathered.lessons, progress=progress, fit=fit)
    values = fit(gathered.lessons)
    shipped, own = floor_figures(None), floor_figures(values)
    reasons = why_refused(checked, shipped, own)
    return Outcome(gathered, values, checked, shipped, own, reasons)


def why_refused(checked: Checked, shipped: FloorFigures, own: FloorFigures) -> tuple[str, ...]:
    """Why values are not taken, in sentences; none where they are.

    They must be better beyond doubt, and by a tenth, at the edges of phases or at false flags, for
    people they were not learnt from, worse beyond doubt at neither of them nor at missed flags,
    and hold the floor.
    """
    reasons = []
    if not own.holds(shipped):
        reasons.append(
            f"On the shipped samples it falls through the floor: edges {own.edges_s:.2f} s "
            f"(shipped {shipped.edges_s:.2f} s), flags wrong or missed {own.wrong + own.missed} "
            f"(shipped {shipped.wrong + shipped.missed})."
        )
    if not (checked.edges_s.better or checked.false_flags.better):
        reasons.append(
            "For people it was not learnt from it is not better beyond doubt: of neither edges nor "
            f"false flags does the 95 % interval stay below 0 and the mean fall by "
            f"{LEAST_GAIN:.0%}."
        )
    named: tuple[tuple[str, Compared], ...] = (
        ("edges of phases", checked.edges_s),
        ("false flags", checked.false_flags),
        ("missed flags", checked.missed),
    )
    reasons += [
        f"For people it was not learnt from it is worse at {words}." for words, of in named
        if of.worse
    ]  # fmt: skip
    return tuple(reasons)


def _left_out(gathered: Gathered) -> str:
    words = ""
    if gathered.without_landmarks:
        words += (
            f" {gathered.without_landmarks} more have no landmarks here; analyse them again to "
            "have them count."
        )
    if gathered.other_protocols:
        words += f" {gathered.other_protocols} more belong to another protocol."
    return words


# --- from the records -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Kept:
    """One corrected session as it is kept; ``sha256`` names its landmarks."""

    entry: RecordingEntry
    protocol: Protocol
    corrections: CorrectionSet
    sha256: str


def gather(store: Store, protocol: str | None = None, progress: Progress | None = None) -> Gathered:
    """All corrected sessions that may be looked at today.

    Raises:
        ReviewError: if no corrected session belongs to ``protocol``.
    """
    found = [kept for entry in store.recordings() if (kept := _kept(store, entry)) is not None]
    names = Counter(kept.protocol.name for kept in found)
    chosen = protocol or (names.most_common(1)[0][0] if names else "")
    if protocol is not None and protocol not in names:
        known = ", ".join(sorted(names)) or "none"
        raise ReviewError(
            f"{store.folder}: no session with corrected phases was held against a protocol called "
            f"{protocol!r}; there are: {known}."
        )
    meant = [kept for kept in found if kept.protocol.name == chosen][-MOST_SESSIONS:]
    lessons = []
    for number, kept in enumerate(meant):
        track = load_landmarks(store.landmarks, kept.sha256, kept.entry.mirrored)
        if track is not None:
            lessons.append(_lesson(store, kept, track))
        if progress is not None:
            progress((number + 1) / len(meant))
    return Gathered(
        chosen, tuple(lessons), len(meant) - len(lessons), sum(names.values()) - names[chosen]
    )


def _kept(store: Store, entry: RecordingEntry) -> _Kept | None:
    """What is kept of a session with corrected phases; None for any other one."""
    corrections, version = store.corrections(entry.id), store.analysis(entry.id)
    if corrections is None or corrections.phases is None or version is None:
        return None
    protocol = with_values(protocol_of(version.analysis, entry), None)
    sha256 = entry.sha256 or version.analysis.recording.sha256
    return _Kept(entry, protocol, corrections, sha256)


def _lesson(store: Store, kept: _Kept, track: LandmarkTrack) -> Lesson:
    return make_lesson(
        kept.entry.person,
        kept.entry.name,
        kept.protocol,
        track,
        corrected(kept.corrections, track.time.extent),
        decisions=store.decisions(kept.entry.id),
        moments=tuple(store.moments(kept.entry.id)),
    )


def make_lesson(
    person: str,
    name: str,
    protocol: Protocol,
    track: LandmarkTrack,
    corrections: Corrections,
    **said: Any,
) -> Lesson:
    """A lesson from all landmarks of a session; of these, only what is needed later is kept.

    Args:
        person: as in :class:`Lesson`.
        name: likewise.
        protocol: likewise.
        track: all landmarks.
        corrections: as in :class:`Lesson`.
        said: ``decisions`` and ``moments``, see :class:`Lesson`.
    """
    series = evidence_of(track, protocol)
    features = series.features
    columns = [features.names.index(column) for column in FEATURES]
    kept = FeatureTrack(
        features.time,
        FEATURES,
        tuple(features.units[i] for i in columns),
        features.values[:, columns],
    )
    apart = hands_apart(track, protocol.detection.open_line)
    slim = Evidence(kept, series.emissions, series.mouth, series.face, apart)
    return Lesson(person, name, protocol, slimmed(track), slim, corrections, **said)


def corrected(corrections: CorrectionSet, extent: Interval) -> Corrections:
    """A set of corrections as the stages take it, inside the landmarks' own extent."""
    assert corrections.phases is not None
    segments = tuple(
        Segment(cut, segment.phase, segment.confidence, segment.source)
        for segment in corrections.phases
        if (cut := segment.interval.intersect(extent)) is not None
    )
    windows = corrections.windows
    return Corrections(
        phases=Timeline(extent, segments),
        windows=None
        if windows is None
        else tuple(
            OpenLineWindow(phase, Interval(start, end), 0.0, "person")
            for phase, start, end in windows
        ),
        area=None if corrections.area is None else np.array(corrections.area),
    )
