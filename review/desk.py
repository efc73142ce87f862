"""One recording on the desk: everything that is reviewed, put together from the store.

The page draws a :class:`Desk`; what the trainer does with it is carried out by
:mod:`review.deskwork`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from review.analysis import Analysis, Flag
from review.edges import (
    Window,
)
from review.errors import ReviewError
from review.lanes import overlay_bytes
from review.prepared import Evidence, load_prepared
from review.protocol import Protocol, load_protocol
from review.store import Store
from review.store.records import (
    AnalysisVersion,
    ChecklistAnswer,
    Comment,
    CorrectionSet,
    Decision,
    Moment,
    RecordingEntry,
    SignOff,
    flag_topic,
    match_decisions,
)
from review.timeline import Phase

BEFORE_S = 3.0
"""A flagged moment is played from this long before it: enough to see what led to it."""

AFTER_S = 1.0
LONGEST_LOOK_S = 12.0
"""'Only the moments' stays this long with a flag, at most: a whole wash is watched by choice."""

PHASE_LOOK_S = 3.0
"""What is played of a phase's beginning."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to walk to: a flag with what was decided about it, or a trainer's own moment."""

    start_s: float
    end_s: float
    flag: Flag | None = None
    decision: Decision | None = None
    moment: Moment | None = None

    @property
    def key(self) -> str:
        """A name that stays as long as the thing does."""
        if self.flag is not None:
            span = f"{self.start_s:.3f}-{self.end_s:.3f}"
            return f"{self.flag.kind}@{span}:{flag_topic(self.flag)}"
        return f"moment@{self.moment.id if self.moment else ''}"


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything about one recording under review.

    Attributes:
        entry: the recording.
        protocol: what it was held against.
        version: the analysis shown and its number; the newest.
        corrections: what a person set, or None.
        stale: whether the corrections could not be followed, because the landmarks are not
            kept here; the measures are then still those from before.
        items: flags and own moments in order of time.
        answers: the checklist's answers by the item's text.
        comments: remarks about the whole recording, oldest first.
        signoffs: signatures, oldest first.
        changed_since_signing: whether anything changed after the last one.
    """

    entry: RecordingEntry
    protocol: Protocol
    version: AnalysisVersion
    corrections: CorrectionSet | None
    stale: bool
    items: tuple[Item, ...]
    answers: Mapping[str, ChecklistAnswer]
    comments: tuple[Comment, ...]
    signoffs: tuple[SignOff, ...]
    changed_since_signing: bool

    @property
    def analysis(self) -> Analysis:
        """The analysis shown."""
        return self.version.analysis

    @property
    def windows(self) -> tuple[Window, ...]:
        """The open-line windows shown."""
        return tuple((w.phase, w.start_s, w.end_s) for w in self.analysis.open_line)

    @property
    def set_by_person(self) -> frozenset[tuple[float, float]]:
        """Spans of phases that a person set, rounded as in the analysis."""
        phases = (self.corrections.phases if self.corrections else None) or ()
        return frozenset(
            (round(s.interval.start_s, 3), round(s.interval.end_s, 3))
            for s in phases
            if s.source == "person"
        )


class DeskError(ReviewError):
    """A recording that cannot be put on the desk, and why."""


# --- opening -------------------------------------------------------------------------------------


def open_desk(store: Store, recording_id: int) -> Desk:
    """Put one analysed recording on the desk. Reads the store alone, not the video.

    Raises:
        DeskError: if it has no analysis yet, or there is no current consent.
    """
    with store.one_state():
        return _open_desk(store, recording_id)


def _open_desk(store: Store, recording_id: int) -> Desk:
    if not store.may_review(recording_id):
        raise DeskError(
            "There is no current consent to review this recording. Record one on the page "
            "'Recordings', or leave the recording closed."
        )
    entry = store.recording(recording_id)
    version = store.analysis(recording_id)
    if version is None:
        raise DeskError(entry.state_text or "This recording has not been analysed yet.")
    corrections = store.corrections(recording_id)
    return Desk(
        entry=entry,
        protocol=protocol_of(version.analysis, entry),
        version=version,
        corrections=corrections,
        stale=_is_stale(version, corrections),
        items=_items(version.analysis, store.decisions(recording_id), store.moments(recording_id)),
        answers={answer.item: answer for answer in store.answers(recording_id)},
        comments=tuple(store.comments(recording_id)),
        signoffs=tuple(store.signoffs(recording_id)),
        changed_since_signing=store.changed_since_signing(recording_id),
    )


def protocol_of(analysis: Analysis, entry: RecordingEntry) -> Protocol:
    """The protocol kept inside the analysis; the recording's own where none was kept."""
    if analysis.protocol.content:
        return Protocol.model_validate(analysis.protocol.content)
    return load_protocol(entry.protocol)


def _is_stale(version: AnalysisVersion, corrections: CorrectionSet | None) -> bool:
    """Whether what a person set is newer than the analysis, or was never followed."""
    if corrections is None or corrections.is_the_machines:
        return False
    return version.basis == "machine" or version.made_at < corrections.at


def _items(
    analysis: Analysis, decisions: tuple[Decision, ...], moments: tuple[Moment, ...]
) -> tuple[Item, ...]:
    matched = match_decisions(analysis.flags, decisions)
    items = [
        Item(flag.start_s, flag.end_s, flag, decision)
        for flag, decision in zip(analysis.flags, matched, strict=True)
    ]
    items += [Item(m.start_s, m.end_s, moment=m) for m in moments]
    return tuple(sorted(items, key=lambda item: (item.start_s, item.end_s, item.key)))


def stops(desk: Desk) -> tuple[tuple[float, float], ...]:
    """What 'only the moments' plays: each flag and own moment, and each phase's beginning.

    Spans in seconds, in order; those that overlap are one.
    """
    end = desk.analysis.recording.duration_s
    spans = [
        (max(item.start_s - BEFORE_S, 0.0), min(item.end_s, item.start_s + LONGEST_LOOK_S))
        for item in desk.items
    ]
    spans += [
        (max(p.start_s - AFTER_S, 0.0), p.start_s + PHASE_LOOK_S)
        for p in desk.analysis.phases
        if p.phase is not Phase.OTHER
    ]
    joined: list[tuple[float, float]] = []
    for start, stop in sorted(spans):
        stop = min(stop + AFTER_S, end)
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stop))
        elif start < stop:
            joined.append((start, stop))
    return tuple((round(a, 3), round(b, 3)) for a, b in joined)


# --- points over the picture ----------------------------------------------------------------------


def overlay_of(folder: Path, entry: RecordingEntry, protocol: Protocol) -> bytes:
    """The points to draw over the picture; nothing where no landmarks are kept."""
    found = load_evidence(folder, entry, protocol)
    return b"" if found is None else overlay_bytes(found.track)


def load_evidence(folder: Path, entry: RecordingEntry, protocol: Protocol) -> Evidence | None:
    """What a correction of a recording needs, and its lanes; None where no landmarks are kept.

    Args:
        folder: where landmarks are kept, named after the recording's hash.
        entry: the recording.
        protocol: what it is held against.
    """
    return load_prepared(folder, entry.sha256, entry.mirrored, protocol)
