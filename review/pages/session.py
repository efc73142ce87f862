"""One analysis on one page: phases, wash, measures, flagged moments and the cautions."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path

import streamlit as st

from review.analysis import Analysis, Flag, FlagLevel, read_analysis
from review.deskview import measure_rows, surface_rows
from review.errors import AnalysisError
from review.escaping import markdown_text
from review.measures import quantity
from review.pages.strip import time_strip_html
from review.summary import ordered_flags
from review.wording import FLAGS, LEVELS, PHASES, clock

LOOK = """<style>
.review table {border-collapse: collapse; width: 100%; font-size: 1.05rem;}
.review caption {text-align: left; font-weight: 600; padding: .3rem 0;}
.review th, .review td {text-align: left; padding: .5rem .8rem; border-bottom: 1px solid #8a8d93;
  vertical-align: top;}
.review td.number, .review th.number {text-align: right; font-variant-numeric: tabular-nums;}
.review .flag {border-left: 8px solid #1c1f24; padding: .6rem 1rem; margin: 0 0 .9rem 0;
  background: #efece3;}
.review .flag.note {border-left-style: double;}
.review .flag.cannot_tell {border-left-style: dotted;}
.review .flag p {margin: .2rem 0;}
.review .why {color: #3f434a;}
</style>"""


def main() -> None:
    """Choose an analysis and show it."""
    st.title("Exchange review")
    st.html(LOOK)
    try:
        analysis = choose_analysis()
    except AnalysisError as error:
        st.error(markdown_text(error))
        return
    if analysis is None:
        st.write(
            "Open an analysis to begin. Make one with "
            "`exchange-review analyse VIDEO --out analysis.json`."
        )
        return
    show(analysis)


def choose_analysis() -> Analysis | None:
    """The analysis named at the start, picked from the folder, or handed in by the person.

    Raises:
        AnalysisError: if it is not a valid analysis.
    """
    start = Path(sys.argv[1]) if len(sys.argv) > 1 else Path.cwd()
    upload = st.sidebar.file_uploader("Open another analysis (.json)", type="json")
    if upload is not None:
        try:
            text = upload.getvalue().decode("utf-8")
        except UnicodeDecodeError as error:
            raise AnalysisError(f"{upload.name}: this file is not text.") from error
        return Analysis.from_json(text, upload.name)
    if start.is_file():
        return read_analysis(start)
    if not start.is_dir():
        raise AnalysisError(f"{start}: there is no such file or folder.")
    files = find_analyses(start)
    if not files:
        return None
    names = {str(path.relative_to(start)): path for path in files}
    return read_analysis(names[st.selectbox("Analysis", list(names))])


def find_analyses(folder: Path) -> list[Path]:
    """The analyses in ``folder``: files called analysis.json or something.analysis.json."""
    return sorted({*folder.glob("analysis.json"), *folder.glob("*.analysis.json")})


def show(analysis: Analysis) -> None:
    """The whole page for one analysis."""
    recording = analysis.recording
    st.header(recording.file)
    st.write(
        f"{clock(recording.duration_s)} long, {recording.width} x {recording.height}. "
        f"Protocol: {analysis.protocol.name}, version {analysis.protocol.version}."
    )
    for warning in analysis.warnings:
        st.warning(markdown_text(warning))
    st.subheader("Phases")
    if analysis.phases:
        st.html(time_strip_html(analysis))
        st.html(phases_html(analysis))
    else:
        st.write("No phase of an exchange was found in this recording.")
    st.subheader("Moments to look at")
    st.html(flags_html(ordered_flags(analysis)))
    if analysis.wash_surfaces:
        st.subheader("Hand wash, surface by surface")
        st.html(surfaces_html(analysis))
    if analysis.measures:
        st.subheader("Measures")
        st.html(measures_html(analysis))
    show_checklist(analysis.protocol.content)
    st.subheader("Please remember")
    st.markdown("\n".join(f"- {markdown_text(caution)}" for caution in analysis.cautions))


def phases_html(analysis: Analysis) -> str:
    """The phases as a table: what the strip shows, in numbers."""
    rows = [
        (
            PHASES[phase.phase],
            clock(phase.start_s),
            clock(phase.end_s),
            quantity(phase.end_s - phase.start_s, "s"),
            quantity(phase.confidence, "share"),
        )
        for phase in analysis.phases
    ]
    columns = ("Phase", "From", "To", "Lasts", "Sure")
    return table_html("The phases found", columns, rows, numbers=(1, 2, 3, 4))


def flags_html(flags: Sequence[Flag]) -> str:
    """The flagged moments, each with its time, its reason and how sure the program is."""
    if not flags:
        words = "None was flagged. That does not mean that nothing happened."
        return f'<div class="review"><p>{words}</p></div>'
    blocks = [
        f'<div class="flag {flag.level}"><p><strong>{LEVELS[flag.level]}: {FLAGS[flag.kind]}'
        f"</strong></p><p>{clock(flag.start_s)} to {clock(flag.end_s)}"
        f"{_sure(flag)}</p><p>{escape(flag.message)}</p></div>"
        for flag in flags
    ]
    return f'<div class="review">{"".join(blocks)}</div>'


def _sure(flag: Flag) -> str:
    if flag.level is FlagLevel.CANNOT_TELL:
        return ""
    return f", sure: {quantity(flag.confidence, 'share')}"


def surfaces_html(analysis: Analysis) -> str:
    """The hand surfaces of the wash as a table."""
    return table_html(
        "What was seen of each hand surface (left and right are the person's own)",
        ("Surface", "Seconds", "Strokes", "Rounds", "Result"),
        surface_rows(analysis),
        numbers=(1, 2, 3),
    )


def measures_html(analysis: Analysis) -> str:
    """The measures as a table, each with its target, its source and what is in doubt."""
    columns = ("Measure", "Measured", "Target", "Result", "Seen", "Remark", "Source of the target")
    return table_html("What was measured", columns, measure_rows(analysis), numbers=(1, 4))


def table_html(
    caption: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int] = (),
) -> str:
    """A plain table; ``numbers`` are the positions of right-aligned columns, from 0."""

    def cells(values: Sequence[str], tag: str) -> str:
        scope = ' scope="col"' if tag == "th" else ""
        kinds = [' class="number"' if place in numbers else "" for place in range(len(values))]
        return "".join(
            f"<{tag}{scope}{kind}>{escape(value)}</{tag}>"
            for kind, value in zip(kinds, values, strict=True)
        )

    body = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in rows)
    return (
        f'<div class="review"><table><caption>{escape(caption)}</caption>'
        f"<thead><tr>{cells(columns, 'th')}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def show_checklist(protocol: Mapping[str, object]) -> None:
    """What the unit's protocol asks the trainer to look for; nothing is ticked by the program."""
    items = protocol.get("checklist")
    if not isinstance(items, Sequence) or not items:
        return
    st.subheader("For the trainer to look for")
    lines = []
    for item in items:
        critical = " **(critical)**" if item.get("critical") else ""
        helped = " (see the measures above)" if item.get("seen_by") == "camera" else ""
        lines.append(f"- {markdown_text(item.get('item', ''))}{critical}{helped}")
    st.markdown("\n".join(lines))


if __name__ == "__main__":
    main()
