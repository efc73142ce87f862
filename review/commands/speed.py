"""``exchange-review benchmark``: how long an analysis takes, against others ways of looking."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.errors import ReviewError

if TYPE_CHECKING:
    from rich.table import Table

    from review.benchmark import Row

SAMPLE = Path(__file__).resolve().parents[2] / "sample_clips" / "planted_faults.mp4"
"""Hand work in the recordings made here comes from this one."""


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("benchmark")(benchmark)


def benchmark(
    videos: Annotated[
        list[Path] | None,
        typer.Argument(help="Recordings to measure; without any, some are made.", metavar="VIDEO"),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the table, the plot and what is made.")
    ] = Path("benchmark"),
    minutes: Annotated[
        list[float] | None,
        typer.Option("--minutes", min=3.0, max=240.0, help="Lengths to make (5, 20, 40, 90)."),
    ] = None,
    forms: Annotated[
        list[str] | None,
        typer.Option("--form", help="Also five minutes of: hevc, 4k. Both if not named."),
    ] = None,
    protocol: Annotated[str, typer.Option("--protocol", help="The protocol.")] = "default",
    slice_s: Annotated[
        float, typer.Option("--slice", min=5.0, help="Seconds of long recordings done plainly.")
    ] = 60.0,
    whole_s: Annotated[
        float, typer.Option("--whole-below", help="Shorter ones are done plainly throughout.")
    ] = 420.0,
    sample: Annotated[
        Path, typer.Option("--sample", help="Labelled recording that hand work is taken from.")
    ] = SAMPLE,
) -> None:
    """Measure the speed: plain way, shipped way, decoding alone, key pictures alone.

    Leave the computer alone meanwhile. Made recordings are drawn: nobody was filmed.
    """
    from rich.console import Console

    from review.benchmark import measure
    from review.benchmarkclips import FORMS, Studio, sample_of

    console = Console()
    unknown = set(forms or ()) - (FORMS.keys() - {"1080p"})
    if unknown:
        raise typer.BadParameter(f"--form knows hevc and 4k, not {', '.join(sorted(unknown))}.")
    out.mkdir(parents=True, exist_ok=True)

    def told(words: str) -> None:
        console.print(words, style="dim", highlight=False)

    places = list(videos or ())
    if not places:
        if not sample.exists():
            raise ReviewError(f"{sample}: not there; name a labelled recording with --sample.")
        drawn = sample_of(sample)
        studio = Studio(drawn, FORMS["1080p"], out)
        places = [studio.recording(length, told=told) for length in minutes or (5, 20, 40, 90)]
        places += [
            Studio(drawn, FORMS[name], out).recording(5, told=told)
            for name in (("hevc", "4k") if forms is None else forms)
        ]
    rows = [
        measure(place, protocol, told, whole_plain_below_s=whole_s, slice_s=slice_s)
        for place in places
    ]
    report(rows, out, console)


def report(rows: list[Row], out: Path, console: object) -> None:
    """Print the table, and keep it with the plot."""
    import csv

    from rich.console import Console
    from rich.table import Table

    from review.benchmark import as_table
    from review.benchmarkplot import plot_times

    assert isinstance(console, Console)
    table = as_table(rows)
    for line, row in zip(table, rows, strict=True):
        shown = Table(title=line["recording"], show_header=False, title_justify="left")
        for name, words in line.items():
            if name != "recording" and words:
                shown.add_row(name, words)
        for kind, names in (
            ("lost", row.differs.lost if row.differs else ()),
            ("added", row.differs.added if row.differs else ()),
            ("other answer", row.differs.answers if row.differs else ()),
        ):
            if names:
                shown.add_row(kind, "; ".join(names))
        console.print(shown)
    longest = max(rows, key=lambda row: row.minutes)
    console.print(later_stages(longest))
    place = out / "benchmark.csv"
    with place.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(table[0]))
        writer.writeheader()
        writer.writerows(table)
    plot_times(
        [row for row in rows if not row.name.startswith(("hevc", "4k"))], out / "benchmark.png"
    )
    console.print(f"{place} and benchmark.png beside it.", highlight=False)


def later_stages(row: Row) -> Table:
    """What the stages after the landmarks spend their time on, by module."""
    from rich.table import Table

    shown = Table(title=f"{row.name}, after the landmarks", title_justify="left")
    shown.add_column("module")
    shown.add_column("share", justify="right")
    shown.add_column("under the profiler", justify="right")
    spent = row.ours.later_by_module
    whole_s = sum(spent.values())
    for module, seconds in spent.items():
        if seconds >= 0.01 * whole_s:
            shown.add_row(module, f"{100 * seconds / whole_s:.0f} %", f"{seconds:.2f} s")
    return shown
