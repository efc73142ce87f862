"""``exchange-review report``: one session as a PDF, as tables and as marks for players."""

from __future__ import annotations

import getpass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.errors import ReviewError
from review.places import unit_folder

if TYPE_CHECKING:
    from review.reporting import Format, ReportFile


class PaperSize(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report")(report)


def report(
    session: Annotated[
        str,
        typer.Argument(
            help="Number of a recording in the unit's records, or an analysis file (.json).",
            metavar="SESSION",
        ),
    ],
    unit: Annotated[
        Path | None,
        typer.Option("--unit", help="Folder of your unit's records.", file_okay=False),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="The report to print.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="The measures as a table.")] = False,
    vtt: Annotated[bool, typer.Option("--vtt", help="Phases and flags for players.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Everything, for programs.")] = False,
    fhir: Annotated[
        bool, typer.Option("--fhir", help="HL7 FHIR R4, for another health record.")
    ] = False,
    paper: Annotated[PaperSize, typer.Option("--paper", help="Paper of the PDF.")] = PaperSize.A4,
    language: Annotated[
        str,
        typer.Option(
            "--language", help="Of the page for the person who practised; default their own."
        ),
    ] = "",
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the files.", file_okay=False)
    ] = Path("."),
    by: Annotated[
        str, typer.Option("--by", help="Who takes it out, for the record of what was done.")
    ] = "",
) -> None:
    """Write a report of one session: for the file, and for the person who practised.

    Without --pdf, --csv, --vtt, --json or --fhir all are written. A session of the unit needs a
    current consent, and taking it out is noted in the records.
    """
    from review.fhircheck import can_check
    from review.reporting import Format, write_report
    from review.words import languages

    known = [code for code, _ in languages()]
    if language and language not in known:
        raise typer.BadParameter(f"--language is one of: {', '.join(known)}.")
    asked = {Format.PDF: pdf, Format.CSV: csv, Format.VTT: vtt, Format.JSON: json}
    asked |= {Format.FHIR: fhir}
    formats = [form for form, wanted in asked.items() if wanted] or list(asked)
    files = _made(session, unit, formats, paper, language, by)
    for path in write_report(files, out):
        typer.echo(str(path))
    if fhir and not can_check():
        typer.echo(
            "The FHIR bundle was not checked against another library's models: that needs "
            "pip install 'exchange-review[fhir]'.",
            err=True,
        )


def _made(
    session: str,
    unit: Path | None,
    formats: list[Format],
    paper: PaperSize,
    language: str,
    by: str,
) -> tuple[ReportFile, ...]:
    """The files of a recording's report, or of an analysis file's."""
    from review.reporting import report_file, report_recording
    from review.store import open_store

    if not session.isdecimal():
        if unit is not None:
            raise typer.BadParameter(
                f"--unit goes with the number of a recording, not {session!r}."
            )
        return report_file(Path(session), formats, paper=paper.value, language=language)
    folder = unit.expanduser() if unit is not None else unit_folder()
    if not folder.is_dir():
        raise ReviewError(f"{folder}: there are no records here. Name your unit's with --unit.")
    with open_store(folder) as store:
        return report_recording(
            store,
            int(session),
            formats,
            by=by or getpass.getuser(),
            paper=paper.value,
            language=language,
        )
