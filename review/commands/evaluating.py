"""``exchange-review evaluate`` and ``train``: analyses against labels, and fitting the model."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from review.commands.running import (
    CacheOption,
    NoCacheOption,
    ProtocolOption,
    stoppable,
    with_progress,
)
from review.errors import ReviewError

if TYPE_CHECKING:
    from review.evaluation import EvaluationReport
    from review.handwashing_set import SetReport
    from review.openlinereport import OpenLineReport
    from review.washreport import WashReport


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("evaluate")(evaluate)
    app.command("train")(train)


def _cache_folder(named: Path | None) -> Path:
    """The folder named by ``--cache``, else the usual one."""
    from review.cache import default_cache_dir

    return named if named is not None else default_cache_dir()


def evaluate(
    folders: Annotated[
        list[Path] | None,
        typer.Argument(help="Folders of recordings with label files.", metavar="FOLDER"),
    ] = None,
    protocol: ProtocolOption = "practice",
    jobs: Annotated[int, typer.Option("--jobs", min=1, max=64, help="Recordings at a time.")] = 2,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Also write all numbers to this file.")
    ] = None,
    cache: CacheOption = None,
    no_cache: NoCacheOption = False,
    wash: Annotated[
        bool, typer.Option("--wash", help="Score which hand surface is rubbed, in washes and rubs.")
    ] = False,
    open_line: Annotated[
        bool,
        typer.Option(
            "--open-line", help="Score talking, touches, wiping and waits around the open line."
        ),
    ] = False,
    dataset: Annotated[
        Path | None,
        typer.Option(
            "--dataset",
            help="With --wash: the unpacked published hand-washing set, instead of folders.",
            file_okay=False,
        ),
    ] = None,
    plots: Annotated[
        Path | None,
        typer.Option("--plots", help="With --wash: folder for pictures (.png).", file_okay=False),
    ] = None,
) -> None:
    """Compare analyses with labels and print one table of how well they agree."""
    from review.analysis import write_text_whole
    from review.evaluate import evaluate_folders
    from review.protocol import load_protocol

    if cache is not None and no_cache:
        raise typer.BadParameter("--cache and --no-cache exclude each other.")
    if wash and open_line:
        raise typer.BadParameter("--wash and --open-line are two evaluations; name one.")
    if not wash and (dataset is not None or plots is not None):
        raise typer.BadParameter("--dataset and --plots need --wash.")
    if (dataset is None) == (not folders):
        raise typer.BadParameter(
            "name folders of recordings, or --dataset with --wash, and not both."
        )
    if dataset is not None and plots is not None:
        raise typer.BadParameter("--plots draws labelled folders, not the published set.")
    folder = None if no_cache else _cache_folder(cache)
    unit_protocol = load_protocol(protocol)

    def work(
        progress: Callable[[float], None],
    ) -> EvaluationReport | WashReport | OpenLineReport | SetReport:
        if dataset is not None:
            from review.handwashing_set import evaluate_set

            return evaluate_set(dataset, unit_protocol, jobs, progress, folder)
        if wash:
            from review.washevaluate import evaluate_washes

            return evaluate_washes(folders or [], unit_protocol, jobs, progress, folder)
        if open_line:
            from review.openlineevaluate import evaluate_open_line

            return evaluate_open_line(folders or [], unit_protocol, jobs, progress, folder)
        return evaluate_folders(folders or [], unit_protocol, jobs, progress, cache_dir=folder)

    with stoppable():
        report = with_progress("Evaluating", work)
        typer.echo(report.table())
        if json_file is not None:
            write_text_whole(report.to_json(), json_file)
        if plots is not None and wash:
            from review.washplots import save_plots

            for path in save_plots(cast("WashReport", report), plots):
                typer.echo(str(path))
    if report.failed:
        raise ReviewError(f"{len(report.failed)} recordings could not be evaluated (see above).")


def train(
    folder: Annotated[Path, typer.Argument(help="Folder of rendered recordings with labels.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the trained model.")],
    versions: Annotated[
        int, typer.Option("--versions", min=0, help="Degraded versions of each recording.")
    ] = 10,
    steps: Annotated[int, typer.Option("--steps", min=1, help="Steps of the fit.")] = 2400,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the fit.")] = 1,
    start: Annotated[
        Path | None,
        typer.Option("--go-on-from", help="A model to go on from (default: begin anew)."),
    ] = None,
    only_surfaces: Annotated[
        bool,
        typer.Option(
            "--only-surfaces",
            help="Fit hand surfaces and strokes; leave phases and the open line as they are.",
        ),
    ] = False,
) -> None:
    """Fit the movement model to labelled recordings (for developers)."""
    from review.training import main as train_main

    train_main(
        folder,
        out,
        versions=versions,
        steps=steps,
        seed=seed,
        start=start,
        only_surfaces=only_surfaces,
    )
