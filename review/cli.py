"""The ``exchange-review`` command: reads its arguments and calls the modules that do the work.

Exit codes: 0 done; 1 could not, with one clear line; 2 wrong usage; 130 stopped with Ctrl-C.
Heavy modules are imported where they are used, so that ``--help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar, cast

import typer

from review.commands import accounts, records, report, share, speed, trust
from review.commands.serving import THIS_COMPUTER, checked_serving, is_this_computer, named_unit
from review.errors import ReviewError
from review.places import IDLE_MINUTES, IDLE_VARIABLE, UNIT_VARIABLE

if TYPE_CHECKING:
    from rich.console import Console

    from review.analysis import Analysis
    from review.evaluation import EvaluationReport
    from review.handwashing_set import SetReport
    from review.openlinereport import OpenLineReport
    from review.protocol import Protocol
    from review.washreport import WashReport

Found = TypeVar("Found")

DONE, COULD_NOT, WRONG_USAGE, STOPPED = 0, 1, 2, 130

DEBUG_VARIABLE = "EXCHANGE_REVIEW_DEBUG"
"""Set it to 1 to get the traceback of an unexpected error instead of one line."""

PAGE_OPTIONS = {
    "server.address": "127.0.0.1",
    "server.headless": "true",
    "browser.gatherUsageStats": "false",
    "runner.magicEnabled": "false",
    "client.toolbarMode": "minimal",
    "logger.hideWelcomeMessage": "true",
}
"""Only this computer may connect and nothing is reported, wherever the page is started from.

The page server's greeting would ask a host outside for this computer's address.
"""

app = typer.Typer(
    name="exchange-review",
    help="Review recorded peritoneal dialysis bag exchanges. A training aid, not a diagnosis.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
protocol_app = typer.Typer(
    help="Work with protocol files (a unit's own procedure).", no_args_is_help=True
)
app.add_typer(protocol_app, name="protocol")

ProtocolOption = Annotated[
    str, typer.Option("--protocol", help="A protocol file (.toml), or the name of a shipped one.")
]
CacheOption = Annotated[
    Path | None,
    typer.Option(
        "--cache", help="Folder for hand and face positions already found.", file_okay=False
    ),
]
NoCacheOption = Annotated[
    bool, typer.Option("--no-cache", help="Keep nothing and look at every frame again.")
]


@app.command()
def analyse(
    videos: Annotated[list[Path], typer.Argument(help="Recordings to analyse.", metavar="VIDEO")],
    out: Annotated[
        Path,
        typer.Option(
            "--out", help="Result file (.json) for one recording, or a folder for several."
        ),
    ] = Path("."),
    protocol: ProtocolOption = "default",
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="The recording shows a mirror (selfie) picture.")
    ] = False,
    sound: Annotated[
        bool,
        typer.Option(
            "--sound",
            help="The person agreed to it: let the sound make talking more or less probable.",
        ),
    ] = False,
    fps: Annotated[
        float, typer.Option("--fps", min=1.0, max=60.0, help="Most frames a second to look at.")
    ] = 15.0,
    cache: CacheOption = None,
    no_cache: NoCacheOption = False,
) -> None:
    """Analyse recordings: a summary here, and everything as JSON in --out."""
    from review.protocol import load_protocol
    from review.summary import make_console

    if cache is not None and no_cache:
        raise typer.BadParameter("--cache and --no-cache exclude each other.")
    targets = result_paths(videos, out)
    run = _Run(load_protocol(protocol), fps, mirrored, sound, cache, use_cache=not no_cache)
    console = make_console()
    failed = 0
    with stoppable():
        for number, (video, target) in enumerate(zip(videos, targets, strict=True)):
            if number:
                console.print()
            try:
                _analyse_one(video, target, run, console)
            except ReviewError as error:
                failed += 1
                typer.echo(str(error), err=True)
            except Exception as error:
                if os.environ.get(DEBUG_VARIABLE):
                    raise
                failed += 1
                typer.echo(f"{video}: {_unexpected(error)}", err=True)
    if failed:
        if len(videos) > 1:
            typer.echo(f"{failed} of {len(videos)} recordings could not be analysed.", err=True)
        raise typer.Exit(COULD_NOT)


def result_paths(videos: Sequence[Path], out: Path) -> list[Path]:
    """Where the result of each recording goes.

    ``out`` ending in ``.json`` is the file for a single recording; anything else is a folder,
    in which each result is called after its recording and no two share a name.

    Raises:
        typer.BadParameter: if one result file was named for several recordings, or ``out`` is
            something that cannot be either.
    """
    if out.suffix.lower() == ".json" and not out.is_dir():
        if len(videos) > 1:
            raise typer.BadParameter(
                f"--out {out} is one file but {len(videos)} recordings were given; name a folder."
            )
        return [out]
    if out.exists() and not out.is_dir():
        raise typer.BadParameter(f"--out {out} is neither a folder nor a .json file.")
    paths: list[Path] = []
    for video in videos:
        path = out / f"{video.stem}.analysis.json"
        count = 2
        while path in paths:
            path = out / f"{video.stem}-{count}.analysis.json"
            count += 1
        paths.append(path)
    return paths


@dataclass(frozen=True, slots=True)
class _Run:
    """What one call of ``analyse`` asks for every recording; ``cache`` None: the usual place."""

    protocol: Protocol
    fps: float
    mirrored: bool
    sound: bool
    cache: Path | None
    use_cache: bool

    def analyse(self, video: Path, progress: Callable[[float], None]) -> Analysis:
        """Run the pipeline on one recording."""
        from review.landmarks import Sampling
        from review.pipeline import analyse_recording

        return analyse_recording(
            video,
            self.protocol,
            sampling=Sampling(fps=self.fps, mirrored=self.mirrored),
            cache_dir=self.cache,
            use_cache=self.use_cache,
            progress=progress,
            sound=self.sound,
        )


def _analyse_one(video: Path, target: Path, run: _Run, console: Console) -> None:
    """Analyse one recording with a progress bar, write its result and print its summary."""
    from review.analysis import write_analysis
    from review.summary import print_summary

    analysis = with_progress(video.name, lambda progress: run.analyse(video, progress))
    write_analysis(analysis, target)
    print_summary(analysis, console)
    console.print(f"\nEverything found is in {target}", soft_wrap=True, markup=False)


def with_progress(name: str, work: Callable[[Callable[[float], None]], Found]) -> Found:
    """Run ``work`` under a progress bar with the time left; silent when not on a terminal."""
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    from review.summary import make_console

    console = make_console(to_stderr=True)
    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("time left"),
        TimeRemainingColumn(compact=True),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    ) as bar:
        task = bar.add_task(name, total=1.0)
        return work(lambda share: bar.update(task, completed=share))


def _cache_folder(named: Path | None) -> Path:
    """The folder named by ``--cache``, else the usual one."""
    from review.cache import default_cache_dir

    return named if named is not None else default_cache_dir()


@app.command()
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


@protocol_app.command("check")
def protocol_check(
    file: Annotated[str, typer.Argument(help="The protocol file, or the name of a shipped one.")],
) -> None:
    """Check a protocol file; a mistake is named with its line and key."""
    from review.protocol import load_protocol

    protocol = load_protocol(file)
    bounded = sum(target.has_bounds for target in protocol.targets)
    typer.echo(
        f"{file}: in order. {protocol.name}, version {protocol.version}: "
        f"{len(protocol.steps)} steps, {bounded} targets, "
        f"{len(protocol.targets) - bounded} numbers only reported, "
        f"{len(protocol.checklist)} checklist items."
    )


@protocol_app.command("list")
def protocol_list() -> None:
    """List the protocols that come with the program."""
    from review.protocol import load_protocol, shipped_protocols

    for name in shipped_protocols():
        protocol = load_protocol(name)
        typer.echo(f"{name}: {protocol.name}, version {protocol.version}")


@app.command()
def page(
    analysis: Annotated[
        Path | None, typer.Argument(help="Analysis to open, or a folder of them.")
    ] = None,
    unit: Annotated[
        Path | None,
        typer.Option("--unit", help="Folder of your unit's records; made if it is new."),
    ] = None,
    port: Annotated[int, typer.Option("--port", min=1024, max=65535)] = 8501,
    address: Annotated[
        str,
        typer.Option(
            "--address",
            help="Address to answer at; others than this computer's need accounts and TLS.",
        ),
    ] = THIS_COMPUTER,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", help="Certificate for TLS (.pem).")
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", help="Its private key (.pem).")] = None,
    idle: Annotated[
        float,
        typer.Option(
            "--idle", min=1, max=720, help="Minutes of doing nothing until somebody is signed out."
        ),
    ] = IDLE_MINUTES,
) -> None:
    """Open the unit's pages, or analyses, in the browser, on this computer only.

    Without a folder an invented unit is shown, to look around in. Ctrl-C ends it.
    """
    import subprocess

    if analysis is not None and unit is not None:
        raise typer.BadParameter("name analyses or --unit, not both.")
    if analysis is not None and not analysis.exists():
        raise ReviewError(f"{analysis}: there is no such file or folder. Check the name.")
    environment = dict(os.environ)
    named = named_unit(unit, in_environment=bool(environment.get(UNIT_VARIABLE)))
    serving = checked_serving(address, certificate, key, unit=None if analysis else named)
    where = " on this computer" if is_this_computer(address) else ""
    typer.echo(f"Open {serving.shown(port)} in a browser{where}. Ctrl-C ends it.")
    if named is not None:
        environment[UNIT_VARIABLE] = str(named)
    environment[IDLE_VARIABLE] = str(idle)
    with suppress(KeyboardInterrupt):
        command = page_command(app_file(), analysis, port, serving.options)
        code = subprocess.call(command, env=environment)
        if code:
            raise ReviewError(
                f"The page could not be shown on port {port}; try another with --port."
            )


def app_file() -> Path:
    """The page's entry file: beside the package, in a clone as in an installation.

    Raises:
        ReviewError: if it is not there.
    """
    path = Path(__file__).resolve().parent.parent / "app.py"
    if not path.is_file():
        raise ReviewError(f"{path} is missing; install the program again.")
    return path


def page_command(
    app_path: Path, analysis: Path | None, port: int, more: Mapping[str, str] | None = None
) -> list[str]:
    """The command that serves the page; ``more`` options come before the usual ones."""
    options = [f"--{name}={value}" for name, value in (PAGE_OPTIONS | dict(more or {})).items()]
    command = [sys.executable, "-m", "streamlit", "run", str(app_path), *options]
    command.append(f"--server.port={port}")
    return command if analysis is None else [*command, "--", str(analysis.resolve())]


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="New folder for the invented unit's records.")],
) -> None:
    """Make an invented unit to look around in; open it with 'page --unit FOLDER'."""
    from review.demo import make_demo

    make_demo(folder)
    typer.echo(f"{folder}: an invented unit; nobody in it exists.")


@app.command()
def train(
    folder: Annotated[Path, typer.Argument(help="Folder of rendered recordings with labels.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the trained model.")],
    versions: Annotated[
        int, typer.Option("--versions", min=0, help="Degraded versions of each recording.")
    ] = 10,
    steps: Annotated[int, typer.Option("--steps", min=1, help="Steps of the fit.")] = 2400,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the fit.")] = 1,
) -> None:
    """Fit the movement model to labelled recordings (for developers)."""
    from review.training import main as train_main

    train_main(folder, out, versions=versions, steps=steps, seed=seed)


accounts.add_to(app)
records.add_to(app)
report.add_to(app)
share.add_to(app)
speed.add_to(app)
trust.add_to(app)


def _unexpected(error: Exception) -> str:
    return (
        f"something unexpected went wrong ({type(error).__name__}: {error}). "
        f"Set {DEBUG_VARIABLE}=1 and run it again to see where."
    ).replace("\n", " ")


@contextmanager
def stoppable() -> Iterator[None]:
    """Turn Ctrl-C into one line; unfinished files were removed on the way here."""
    try:
        yield
    except KeyboardInterrupt:
        typer.echo("Stopped. No half-written file was left behind.", err=True)
        raise typer.Exit(STOPPED) from None


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code; errors become one line on standard error."""
    try:
        app(args=None if arguments is None else list(arguments), prog_name="exchange-review")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else COULD_NOT if stop.code else DONE
    except ReviewError as error:
        typer.echo(str(error), err=True)
        return COULD_NOT
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        typer.echo(_unexpected(error), err=True)
        return COULD_NOT
    return DONE


if __name__ == "__main__":
    sys.exit(main())
