"""``exchange-review batch``: a whole folder of recordings, several at a time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.errors import ReviewError

if TYPE_CHECKING:
    from review.batch import Batch, Line


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("batch")(batch)


def batch(
    folder: Annotated[Path, typer.Argument(help="Folder of recordings, also in folders below it.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for results.", file_okay=False)],
    protocol: Annotated[
        str, typer.Option("--protocol", help="A protocol file (.toml), or a shipped one's name.")
    ] = "default",
    workers: Annotated[
        int, typer.Option("--workers", min=0, max=256, help="At a time; 0: one a core.")
    ] = 0,
    scheduler: Annotated[
        str, typer.Option("--scheduler", help="A Dask cluster's address, instead of workers here.")
    ] = "",
    tries: Annotated[
        int, typer.Option("--tries", min=1, max=10, help="Where something goes wrong by itself.")
    ] = 3,
    again: Annotated[
        bool, typer.Option("--again", help="Also those that have a result already.")
    ] = False,
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="The recordings show a mirror (selfie) picture.")
    ] = False,
    sound: Annotated[
        bool, typer.Option("--sound", help="Everybody in them agreed to the sound being used.")
    ] = False,
    fps: Annotated[
        float, typer.Option("--fps", min=1.0, max=60.0, help="Most frames a second to look at.")
    ] = 15.0,
    cache: Annotated[
        Path | None,
        typer.Option("--cache", help="Folder for hand and face positions.", file_okay=False),
    ] = None,
    no_cache: Annotated[
        bool, typer.Option("--no-cache", help="Keep no hand and face positions.")
    ] = False,
) -> None:
    """Analyse a folder of recordings, several at a time; run it again to go on."""
    from functools import partial

    from review.batch import Wanted, plan_batch, run_batch
    from review.batchcluster import run_orders
    from review.commands.running import stoppable, with_progress
    from review.crew import cores
    from review.protocol import load_protocol

    if cache is not None and no_cache:
        raise typer.BadParameter("--cache and --no-cache exclude each other.")
    if scheduler and workers:
        raise typer.BadParameter("--scheduler has workers of its own; leave --workers out.")
    wanted = Wanted(load_protocol(protocol), fps, mirrored, sound, cache, use_cache=not no_cache)
    planned = plan_batch(folder, out, wanted, again=again)
    todo = len(planned.open)
    kept = len(planned.lines) - todo
    run = partial(run_orders, workers=workers or cores(), scheduler=scheduler, tries=tries)
    with stoppable() as check:

        def told(line: Line) -> None:
            _tell(line)
            check()

        try:
            with_progress(
                f"{todo} recordings",
                lambda progress: run_batch(planned, run, progress=progress, told=told),
            )
        finally:
            _sum_up(planned, kept)
    if failed := planned.count("failed"):
        raise ReviewError(
            f"{failed} of {len(planned.lines)} recordings could not be analysed (see above)."
        )


def _tell(line: Line) -> None:
    """Say at once what went wrong; the reason names the file."""
    if line.reason:
        typer.echo(
            line.reason if line.file in line.reason else f"{line.file}: {line.reason}", err=True
        )


def _sum_up(planned: Batch, kept: int) -> None:
    from review.batch import DONE, NOT_REACHED, SUMMARY

    done = planned.count(DONE) - kept
    parts = [f"{done} analysed"]
    if kept:
        parts.append(f"{kept} had their result already")
    if failed := planned.count("failed"):
        parts.append(f"{failed} could not be analysed")
    if left := planned.count(NOT_REACHED):
        parts.append(f"{left} not reached; run it again to go on")
    typer.echo(f"{planned.out}: {', '.join(parts)}. The summary is in {planned.out / SUMMARY}.")
