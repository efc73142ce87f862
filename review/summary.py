"""A readable summary of one analysis for the terminal; plain text where there is none."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from review.analysis import Analysis, Flag, FlagLevel, MeasureRecord
from review.measures import MEASURES, REPORTED_ONLY, Result, quantity
from review.wording import FLAGS, LEVELS, PHASES, RESULTS, SURFACES, clock

PLAIN_WIDTH = 110
"""Columns where the output is a file or a pipe, which have no width of their own."""

_RESULT_STYLE = {Result.MET: "green", Result.NOT_MET: "bold red", Result.NOT_ASSESSABLE: "dim"}
_LEVEL_STYLE = {FlagLevel.LOOK: "bold red", FlagLevel.NOTE: "yellow", FlagLevel.CANNOT_TELL: "dim"}
_LEVEL_ORDER = (FlagLevel.LOOK, FlagLevel.NOTE, FlagLevel.CANNOT_TELL)


def make_console(*, to_stderr: bool = False) -> Console:
    """A console that is plain, and wide enough, when the output is not a terminal."""
    console = Console(stderr=to_stderr, highlight=False)
    if not console.is_terminal:
        console = Console(
            stderr=to_stderr, highlight=False, width=PLAIN_WIDTH, color_system=None, emoji=False
        )
    return console


def print_summary(analysis: Analysis, console: Console) -> None:
    """Print one analysis: phases, wash, measures, flagged moments and the cautions."""
    recording = analysis.recording
    console.print(Text(recording.file, style="bold"))
    rate = "" if recording.fps is None else f", {recording.fps:.4g} frames a second"
    console.print(
        f"{clock(recording.duration_s)} long, {recording.width} x {recording.height}{rate}. "
        f"Protocol: {analysis.protocol.name}, version {analysis.protocol.version}."
    )
    for warning in analysis.warnings:
        console.print(Text(f"Limits: {warning}", style="yellow"))
    _print_phases(analysis, console)
    _print_surfaces(analysis, console)
    _print_measures(analysis, console)
    _print_flags(analysis, console)
    _heading(console, "Please remember")
    for caution in analysis.cautions:
        console.print(Text(f"- {caution}"))


def _heading(console: Console, words: str) -> None:
    console.print()
    console.print(Text(words, style="bold underline" if console.is_terminal else ""))


def _table(console: Console, *columns: str, right: tuple[str, ...] = ()) -> Table:
    table = Table(
        box=SIMPLE_HEAD if console.is_terminal else None, pad_edge=False, padding=(0, 2, 0, 0)
    )
    for column in columns:
        table.add_column(column, justify="right" if column in right else "left")
    return table


def _print_phases(analysis: Analysis, console: Console) -> None:
    _heading(console, "Phases")
    if not analysis.phases:
        console.print("No phase of an exchange was found in this recording.")
        return
    table = _table(
        console,
        "Phase",
        "From",
        "To",
        "Lasts",
        "Sure",
        right=("From", "To", "Lasts", "Sure"),
    )
    for phase in analysis.phases:
        table.add_row(
            PHASES[phase.phase],
            clock(phase.start_s),
            clock(phase.end_s),
            quantity(phase.end_s - phase.start_s, "s"),
            quantity(phase.confidence, "share"),
        )
    console.print(table)


def _print_surfaces(analysis: Analysis, console: Console) -> None:
    if not analysis.wash_surfaces:
        return
    _heading(console, "Hand wash, surface by surface")
    table = _table(
        console,
        "Surface",
        "Seconds",
        "Strokes",
        "Rounds",
        "First",
        "Last",
        "Result",
        right=("Seconds", "Strokes", "Rounds", "First", "Last"),
    )
    for row in analysis.wash_surfaces:
        table.add_row(
            SURFACES[row.surface],
            _number(row.seconds, ".1f"),
            _number(row.strokes, "d"),
            _number(row.rounds, "d"),
            "-" if row.first_s is None else clock(row.first_s),
            "-" if row.last_s is None else clock(row.last_s),
            Text(RESULTS[row.result], style=_RESULT_STYLE[row.result]),
        )
    console.print(table)


def _number(value: float | None, form: str) -> str:
    return "cannot tell" if value is None else format(value, form)


def _print_measures(analysis: Analysis, console: Console) -> None:
    if not analysis.measures:
        return
    _heading(console, "Measures")
    table = _table(console, "Measure", "Measured", "Target", "Result", "Seen", right=("Seen",))
    sources: dict[str, int] = {}
    for measure in analysis.measures:
        mark = ""
        if measure.source:
            mark = f" [{sources.setdefault(measure.source, len(sources) + 1)}]"
        table.add_row(
            measure_name(measure),
            measured_text(measure),
            Text((measure.target or "no target") + mark),
            Text(result_text(measure), style=_RESULT_STYLE[measure.result]),
            quantity(measure.seen_fraction, "share"),
        )
    console.print(table)
    for measure in analysis.measures:
        if measure.why and not is_only_reported(measure):
            console.print(Text(f"{measure_name(measure)}: {measure.why}"))
    console.print()
    for source, number in sources.items():
        console.print(Text(f"[{number}] {source}"))


def measure_name(measure: MeasureRecord) -> str:
    """A measure in plain words; one of a later release keeps its own name."""
    return name_of_measure(measure.name)


def name_of_measure(name: str) -> str:
    """The same from the measure's own name."""
    return MEASURES[name][1] if name in MEASURES else name


def is_only_reported(measure: MeasureRecord) -> bool:
    """Whether there is a number but the protocol asks nothing of it."""
    return measure.value is not None and measure.target in ("", REPORTED_ONLY)


def result_text(measure: MeasureRecord) -> str:
    """The answer in words; a number of which nothing is asked has no answer to give."""
    return "no target" if is_only_reported(measure) else RESULTS[measure.result]


def measured_text(measure: MeasureRecord) -> str:
    """The number with its unit, or words saying that there is none."""
    return "not measured" if measure.value is None else quantity(measure.value, measure.unit)


def ordered_flags(analysis: Analysis) -> tuple[Flag, ...]:
    """Flags as the nurse should meet them: look, then note, then cannot tell; each by time."""
    return tuple(
        sorted(analysis.flags, key=lambda flag: (_LEVEL_ORDER.index(flag.level), flag.start_s))
    )


def _print_flags(analysis: Analysis, console: Console) -> None:
    _heading(console, "Moments to look at")
    if not analysis.flags:
        console.print("None was flagged. That does not mean that nothing happened.")
        return
    for flag in ordered_flags(analysis):
        console.print(
            Text.assemble(
                (f"{clock(flag.start_s)} to {clock(flag.end_s)}", "bold"),
                "  ",
                (LEVELS[flag.level], _LEVEL_STYLE[flag.level]),
                f": {FLAGS[flag.kind]} (sure: {quantity(flag.confidence, 'share')})",
            )
        )
        console.print(Text(f"    {flag.message}"))
        if flag.doubt:
            console.print(Text(f"    Why it may be wrong: {flag.doubt}"))
