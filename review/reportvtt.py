"""Phases and flagged moments as WebVTT, so that any player can show them beside the video.

Two files, for a player reads one kind from each: chapters (the phases) and cues (the flagged
moments with what a trainer said). After 'WebVTT: The Web Video Text Tracks Format', W3C Candidate
Recommendation: start times never go back, a cue ends after it starts, identifiers are unique, and
text has ``&`` and ``<`` as references and holds no ``-->`` (sections on file structure, cue text
and chapter title text).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from review.deskview import OWN_TITLE, SIGNS, VERDICTS
from review.escaping import vtt_text
from review.sessionfile import Session
from review.wording import FLAGS, LEVELS, PHASES

SHORTEST_S: Final = 1.0
"""A moment without length is shown for this long (seconds)."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One cue; seconds, lines of plain text."""

    name: str
    start_s: float
    end_s: float
    lines: tuple[str, ...]


def chapters_vtt(session: Session) -> str:
    """The phases as chapters; stretches without a phase have none."""
    cues = (
        Cue(f"phase-{number}", phase.start_s, phase.end_s, (PHASES[phase.phase],))
        for number, phase in enumerate(session.analysis.phases, start=1)
        if phase.end_s > phase.start_s
    )
    return _file("Phases", session, cues)


def flags_vtt(session: Session) -> str:
    """The flagged moments and the trainer's own, with what was decided about them."""
    cues = [
        Cue(f"flag-{number + 1}", flag.start_s, flag.end_s, _flag_lines(session, number))
        for number, flag in enumerate(session.analysis.flags)
    ]
    moments = session.review.moments if session.review else ()
    cues += [
        Cue(f"moment-{number}", m.start_s, m.end_s, (OWN_TITLE, m.text))
        for number, m in enumerate(moments, start=1)
    ]
    return _file("Flagged moments", session, sorted(cues, key=lambda cue: (cue.start_s, cue.end_s)))


def _flag_lines(session: Session, number: int) -> tuple[str, ...]:
    flag, decision = session.analysis.flags[number], session.decision_on(number)
    lines = [f"{SIGNS[flag.level]} {LEVELS[flag.level]}: {FLAGS[flag.kind]}", flag.message]
    if decision is None:
        lines.append("Not decided yet.")
    else:
        said = f"{VERDICTS[decision.verdict]} by {decision.by}"
        lines.append(f"{said}: {decision.comment}" if decision.comment else f"{said}.")
    return tuple(lines)


def _file(title: str, session: Session, cues: Iterable[Cue]) -> str:
    name = vtt_text(session.analysis.recording.file)
    parts = [f"WEBVTT {title} of {name}"]
    for cue in cues:
        end_s = cue.end_s if cue.end_s > cue.start_s else cue.start_s + SHORTEST_S
        text = "\n".join(vtt_text(line) for line in cue.lines)
        parts.append(f"{cue.name}\n{timestamp(cue.start_s)} --> {timestamp(end_s)}\n{text}")
    return "\n\n".join(parts) + "\n"


def timestamp(time_s: float) -> str:
    """A WebVTT timestamp with hours, to the millisecond.

    >>> timestamp(3671.0305), timestamp(59.9996)
    ('01:01:11.030', '00:01:00.000')
    """
    milliseconds = round(time_s * 1000)
    minutes, rest = divmod(milliseconds, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"
