"""What stands on the pages of a printed report that is for the file, as plain words.

A pure function from a session to texts in reading order; :mod:`review.reportpdf` sets them on
paper. Nothing is judged here: results are those of the analysis, decisions those of the trainer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from review.analysis import Analysis, Flag, FlagLevel, MeasureRecord
from review.deskview import (
    ANSWERS,
    OUTCOMES,
    OWN_SIGN,
    RESULT_SIGNS,
    SIGNS,
    VERDICTS,
    ChecklistRow,
    answered_checklist,
)
from review.handmap import full_s, hand_map_words
from review.measures import quantity
from review.protocol import Protocol
from review.reportstrip import Block, Mark, letter_of
from review.sessionfile import DecisionRecord, MomentRecord, ReviewRecord, Session
from review.store.records import Answer
from review.summary import is_only_reported, measure_name, measured_text
from review.timeline import Phase
from review.wording import FLAGS, LEVELS, PHASES, RESULTS, clock

MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip

ANSWER_SIGNS: Final = {Answer.DONE: "\u2713", Answer.NOT_DONE: "\u2717", Answer.NOT_SEEN: "?"}
"""A sign beside each answer, which is always written out as well."""


@dataclass(frozen=True, slots=True)
class MeasureLine:
    """A number that the protocol asks something of."""

    name: str
    measured: str
    target: str
    sign: str
    result: str
    seen: str
    source: str


@dataclass(frozen=True, slots=True)
class FlagLine:
    """A flagged moment, or one that the trainer added.

    Attributes:
        letter: on the strip and here.
        sign, level: how much it asks of the reader, as a sign and in words.
        doubt: why it might be wrong; empty once a person decided.
        decision: who decided what; for a trainer's own moment who added it.
        comment: the trainer's.
    """

    letter: str
    sign: str
    level: str
    title: str
    when: str
    message: str
    doubt: str
    decision: str
    comment: str


@dataclass(frozen=True, slots=True)
class ChecklistLine:
    """An item of the checklist with its answer as a sign and in words.

    ``hint``: what the camera suggests where nobody answered; it is no answer.
    """

    sign: str
    answer: str
    item: str
    critical: bool
    hint: str
    comment: str


@dataclass(frozen=True, slots=True)
class FilePage:
    """All texts of the pages for the file, in reading order.

    Attributes:
        head: label and text of what the report is about.
        notes: what limits it, and what a person set in place of the machine's answer.
        blocks, marks, open_line: what the strip shows.
        phases: the phases in words, numbered as on the strip.
        measures: held against a target. ``reported``: name, number and source of the others.
        remarks_on_measures: why a number is missing or in doubt.
        sources: who asks for it, numbered from 1 as in ``measures``.
        hands: the hand picture in words. ``hands_key``: what its patterns mean.
        surface: the wiping in words.
        signed: the last signature, line by line; empty where nothing was signed.
        footer: on every page.
    """

    title: str
    head: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    duration_s: float
    blocks: tuple[Block, ...]
    marks: tuple[Mark, ...]
    open_line: tuple[tuple[float, float], ...]
    strip: str
    phases: tuple[str, ...]
    measures: tuple[MeasureLine, ...]
    reported: tuple[tuple[str, str, str], ...]
    remarks_on_measures: tuple[str, ...]
    sources: tuple[str, ...]
    hands: str
    hands_key: str
    surface: str
    flags: tuple[FlagLine, ...]
    checklist: tuple[ChecklistLine, ...]
    remarks: tuple[str, ...]
    signed: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    footer: str


def file_page(session: Session) -> FilePage:
    """Put a session into words for the file."""
    analysis, review = session.analysis, session.review
    sources = _Sources()
    measures = _measures(analysis, sources)
    blocks = tuple(
        Block(number, PHASES[phase.phase], phase.start_s, phase.end_s)
        for number, phase in enumerate(
            (phase for phase in analysis.phases if phase.phase is not Phase.OTHER), start=1
        )
    )
    flags, marks = _flags(session, sources)
    return FilePage(
        title=_title(session),
        head=_head(session),
        notes=_notes(session),
        duration_s=analysis.recording.duration_s,
        blocks=blocks,
        marks=marks,
        open_line=tuple((w.start_s, w.end_s) for w in analysis.open_line),
        strip=_strip_words(analysis, blocks, flags),
        phases=tuple(_phase_words(block) for block in blocks),
        measures=measures,
        reported=tuple(
            (measure_name(record), _value(record), sources.number(record.source))
            for record in analysis.measures
            if _is_reported(record.target) and record.value is not None
        ),
        remarks_on_measures=_remarks(analysis),
        sources=tuple(sources.texts),
        hands=hand_map_words(analysis.wash_surfaces) if analysis.wash_surfaces else "",
        hands_key=_hands_key(),
        surface=_surface_words(analysis),
        flags=flags,
        checklist=_checklist(session),
        remarks=tuple(
            f"{remark.text} ({remark.by}, {entered(remark.at)})"
            for remark in (review.remarks if review else ())
        ),
        signed=_signed(review),
        cautions=analysis.cautions,
        footer=_footer(session),
    )


# --- head and notes ------------------------------------------------------------------------------


def day_words(day: date) -> str:
    """A day as the report writes it.

    >>> day_words(date(2024, 3, 9))
    '9 Mar 2024'
    """
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def entered(at: datetime) -> str:
    """The day on which something was entered, on this computer's clock; exports hold the time."""
    return day_words(at.astimezone().date())


def _title(session: Session) -> str:
    review = session.review
    if review is None:
        return "Session report"
    return f"Session report: person {review.person}, {day_words(review.taken_on)}"


def _head(session: Session) -> tuple[tuple[str, str], ...]:
    analysis, review = session.analysis, session.review
    recording = analysis.recording
    rows = []
    if review is not None:
        named = f"{review.trainer_name} ({review.trainer})" if review.trainer_name else ""
        rows.append(("Trainer", named or review.trainer))
    protocol = f"{analysis.protocol.name}, version {analysis.protocol.version}"
    rows += [
        ("Protocol", protocol),
        ("Recording", f"{recording.file}, {clock(recording.duration_s)} long"),
    ]
    version = [] if analysis.tool_version == "unknown" else [f"program {analysis.tool_version}"]
    if review is not None:
        basis = "corrected" if review.basis == "corrected" else "as the program found it"
        version = [f"version {review.analysis_version}, {basis}", *version]
    if version:
        rows.append(("Analysis", ", ".join(version)))
    return tuple(rows)


def _notes(session: Session) -> tuple[str, ...]:
    review, notes = session.review, list(session.analysis.warnings)
    if review is None:
        notes.append(
            "Made from an analysis file: it holds no decisions, no checklist answers and no "
            "signature."
        )
        return tuple(notes)
    if review.note and review.note not in notes:
        notes.append(review.note)
    made = review.corrections
    if made is not None and (made.phases is not None or made.windows is not None):
        what = " and ".join(
            words
            for words, given in (("phases", made.phases), ("open line", made.windows))
            if given is not None
        )
        notes.append(f"Times set by a person ({what}): {made.by}, {entered(made.at)}.")
    if made is not None and made.area is not None:
        notes.append(f"Work area drawn by a person: {made.by}, {entered(made.at)}.")
    if review.stale:
        notes.append("The times were corrected; the measures do not follow them yet.")
    return tuple(notes)


def _footer(session: Session) -> str:
    review = session.review
    if review is None:
        return f"Session report \u00b7 {session.analysis.recording.file}"
    day = day_words(review.taken_on)
    return (
        f"Session report \u00b7 {review.person} \u00b7 {day} \u00b7 recording {review.recording_id}"
    )


# --- measures ------------------------------------------------------------------------------------


class _Sources:
    """The sources in the order in which they are first met."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def number(self, source: str) -> str:
        """``[1]``, ``[2]``, ...; nothing for no source."""
        if not source:
            return ""
        if source not in self.texts:
            self.texts.append(source)
        return f"[{self.texts.index(source) + 1}]"

    def short(self, message: str) -> str:
        """A sentence with its sources as numbers: they are listed once, below the measures."""
        for number, source in enumerate(self.texts, start=1):
            message = message.replace(f"({source})", f"[{number}]")
            message = message.replace(f"; {source})", f" [{number}])")
        return message


def _is_reported(target: str) -> bool:
    return target in ("", "reported only")


def _measures(analysis: Analysis, sources: _Sources) -> tuple[MeasureLine, ...]:
    return tuple(
        MeasureLine(
            name=measure_name(record),
            measured=_value(record),
            target=_target(record.target),
            sign=RESULT_SIGNS[record.result],
            result=RESULTS[record.result],
            seen=quantity(record.seen_fraction, "share"),
            source=sources.number(record.source),
        )
        for record in analysis.measures
        if not _is_reported(record.target)
    )


def _number(words: str) -> str:
    """Without the word 'surfaces', which the measure's name says already; on one line."""
    return words.removesuffix(" surfaces").replace(" ", "\u00a0")


def _target(words: str) -> str:
    """Shorter, for a narrow column: 'min. 40 s' for 'at least 40 s'."""
    return _number(words.replace("at least ", "min. ").replace("at most ", "max. "))


def _value(record: MeasureRecord) -> str:
    return "\u2013" if record.value is None else _number(measured_text(record))


_PLAIN: Final = "The protocol sets no target; the number is reported only."


def _remarks(analysis: Analysis) -> tuple[str, ...]:
    """Why numbers are missing or in doubt; the same reason is said once for all it is about."""
    by_reason: dict[tuple[str, str], list[str]] = {}
    for record in analysis.measures:
        missing = _is_reported(record.target) and record.value is None
        if record.why and record.why != _PLAIN and not is_only_reported(record):
            start = "Not measured: " if missing else ""
            by_reason.setdefault((start, record.why), []).append(measure_name(record))
    return tuple(
        f"{start}{', '.join(names)}. {why}" if start else f"{', '.join(names)}: {why}"
        for (start, why), names in by_reason.items()
    )


def _hands_key() -> str:
    full = full_s(None)
    half = (full + 1) // 2
    return (
        f"Left and right: the person's own. White: not rubbed; dots: under {half} s; lines: "
        f"{half} s or more; crossed: {full} s or more; ?: cannot tell."
    )


def _surface_words(analysis: Analysis) -> str:
    parts = []
    for name in ("surface.covered", "surface.gone_over_again"):
        record = analysis.measure(name)
        if record is not None:
            parts.append(f"{measure_name(record)}: {measured_text(record)}.")
    return " ".join(parts)


# --- time ----------------------------------------------------------------------------------------


def _phase_words(block: Block) -> str:
    """To whole seconds; the exports hold more."""
    start, end = (clock(round(time)).removesuffix(".0") for time in (block.start_s, block.end_s))
    length = quantity(round(block.end_s - block.start_s), "s")
    return f"{block.number}\u00a0{block.name} {start}\u2013{end} ({length})"


def _strip_words(analysis: Analysis, blocks: Sequence[Block], flags: Sequence[FlagLine]) -> str:
    phases = "; ".join(_phase_words(block) for block in blocks) or "none found"
    lines = ", ".join(f"{clock(w.start_s)} to {clock(w.end_s)}" for w in analysis.open_line)
    moments = "; ".join(f"{flag.letter} {flag.title} {flag.when}" for flag in flags)
    return (
        f"The recording over time. Phases: {phases}. Line open: {lines or 'not found'}. "
        f"Moments: {moments or 'none'}."
    )


# --- flags ---------------------------------------------------------------------------------------


def _flags(session: Session, sources: _Sources) -> tuple[tuple[FlagLine, ...], tuple[Mark, ...]]:
    """Flags and own moments by time, and the same as marks on the strip."""
    things: list[tuple[Flag, DecisionRecord | None] | MomentRecord] = [
        (flag, session.decision_on(number)) for number, flag in enumerate(session.analysis.flags)
    ]
    things += session.review.moments if session.review else ()
    things.sort(key=_start_of)
    lines, marks = [], []
    for place, thing in enumerate(things):
        letter = letter_of(place)
        if isinstance(thing, MomentRecord):
            lines.append(_moment_line(letter, thing))
            marks.append(Mark(letter, thing.start_s, thing.end_s))
        else:
            flag, decision = thing
            reviewed = session.review is not None
            lines.append(_flag_line(letter, flag, decision, sources, reviewed))
            marks.append(Mark(letter, flag.start_s, flag.end_s))
    return tuple(lines), tuple(marks)


def flags_by_letter(session: Session) -> Mapping[str, Flag]:
    """Which letter each flag has in the report."""
    things: list[Flag | MomentRecord] = [*session.analysis.flags]
    things += session.review.moments if session.review else ()
    things.sort(key=lambda thing: (thing.start_s, thing.end_s))
    named = ((letter_of(place), thing) for place, thing in enumerate(things))
    return {letter: thing for letter, thing in named if isinstance(thing, Flag)}


def _start_of(thing: tuple[Flag, DecisionRecord | None] | MomentRecord) -> tuple[float, float]:
    span = thing if isinstance(thing, MomentRecord) else thing[0]
    return span.start_s, span.end_s


def _flag_line(
    letter: str, flag: Flag, decision: DecisionRecord | None, sources: _Sources, reviewed: bool
) -> FlagLine:
    said = "Not decided yet." if reviewed else ""
    if decision is not None:
        said = f"{VERDICTS[decision.verdict]}: {decision.by}, {entered(decision.at)}."
    sure = (
        ""
        if flag.level is FlagLevel.CANNOT_TELL
        else f", {quantity(flag.confidence, 'share')} sure"
    )
    return FlagLine(
        letter=letter,
        sign=SIGNS[flag.level],
        level=LEVELS[flag.level] + sure,
        title=FLAGS[flag.kind],
        when=_span_words(flag.start_s, flag.end_s),
        message=sources.short(flag.message),
        doubt="" if decision is not None else flag.doubt,
        decision=said,
        comment=decision.comment if decision else "",
    )


def _moment_line(letter: str, moment: MomentRecord) -> FlagLine:
    return FlagLine(
        letter=letter,
        sign=OWN_SIGN,
        level="Added by the trainer",
        title="Trainer's own moment",
        when=_span_words(moment.start_s, moment.end_s),
        message=moment.text,
        doubt="",
        decision=f"Added: {moment.by}, {entered(moment.at)}.",
        comment="",
    )


def _span_words(start_s: float, end_s: float) -> str:
    return clock(start_s) if end_s <= start_s else f"{clock(start_s)}\u2013{clock(end_s)}"


# --- checklist and signature ---------------------------------------------------------------------


def _checklist(session: Session) -> tuple[ChecklistLine, ...]:
    content = session.analysis.protocol.content
    if not content:
        return ()
    answers = {answer.item: answer for answer in session.review.answers} if session.review else {}
    rows = answered_checklist(Protocol.model_validate(content), session.analysis, answers)
    return tuple(_checklist_line(row) for row in rows)


def _checklist_line(row: ChecklistRow) -> ChecklistLine:
    """A person's answer; without one what the camera suggests, said to be no answer."""
    sign, answer, hint = "\u2013", "Not answered", ""
    if row.answer is not None:
        sign, answer = ANSWER_SIGNS[row.answer], ANSWERS[row.answer]
    elif row.suggestion is not None:
        hint = f"camera: {ANSWERS[row.suggestion].lower()}"
    return ChecklistLine(sign, answer, row.item, row.critical, hint, row.comment)


def _signed(review: ReviewRecord | None) -> tuple[tuple[str, str], ...]:
    if review is None or not review.sign_offs:
        return ()
    last = review.sign_offs[-1]
    again = f"on {day_words(last.recheck_on)}" if last.recheck_on else "no day set"
    rows = [
        ("Outcome", OUTCOMES[last.outcome]),
        ("Signed", f"{last.name}, {day_words(last.on)}"),
        ("Look again", again),
        ("Version", f"{last.version} (of analysis {last.analysis_version})"),
    ]
    if review.changed_since_signing:
        rows.append(("Changed since", "yes, something was entered after this signature"))
    return tuple(rows)
