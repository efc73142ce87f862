"""The ``exchange-review`` command: reads its arguments and calls the modules that do the work.

Exit codes: 0 done; 1 could not, with one clear line; 2 wrong usage; 130 stopped with Ctrl-C.
Heavy modules are imported where they are used, so that ``--help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.commands import (
    accounts,
    batch,
    evaluating,
    interchange,
    records,
    refit,
    report,
    service,
    share,
    speed,
    trust,
)
from review.commands.running import (
    CacheOption,
    NoCacheOption,
    ProtocolOption,
    stoppable,
    with_progress,
)
from review.commands.serving import (
    THIS_COMPUTER,
    checked_serving,
    is_this_computer,
    named_unit,
    serve,
)
from review.errors import ReviewError
from review.places import BEHIND_VARIABLE, IDLE_MINUTES, IDLE_VARIABLE, UNIT_VARIABLE

if TYPE_CHECKING:
    from rich.console import Console

    from review.analysis import Analysis
    from review.protocol import Protocol

DONE, COULD_NOT, WRONG_USAGE = 0, 1, 2

DEBUG_VARIABLE = "EXCHANGE_REVIEW_DEBUG"
"""Set it to 1 to get the traceback of an unexpected error instead of one line."""

PAGE_OPTIONS = {
    "server.address": "127.0.0.1",
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "runner.magicEnabled": "false",
    "runner.postScriptGC": "false",
    "client.toolbarMode": "minimal",
    "logger.hideWelcomeMessage": "true",
}
"""Only this computer may connect and nothing is reported, wherever the page is started from.

The page server's greeting would ask a host outside for this computer's address. The program's own
files do not change while it runs, so nothing watches them. A full collection of garbage after every
click held the answer up by a tenth of a second; Python's own collector does without.
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
    behind: Annotated[
        str,
        typer.Option(
            "--behind",
            help="Host by which browsers reach the web server in front (see 'service').",
            metavar="HOST",
        ),
    ] = "",
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
    if analysis is not None and unit is not None:
        raise typer.BadParameter("name analyses or --unit, not both.")
    if analysis is not None and not analysis.exists():
        raise ReviewError(f"{analysis}: there is no such file or folder. Check the name.")
    environment = dict(os.environ)
    named = named_unit(unit, in_environment=bool(environment.get(UNIT_VARIABLE)))
    served = None if analysis else named
    serving = checked_serving(address, certificate, key, unit=served, behind=behind)
    where = " on this computer" if is_this_computer(address) and not behind else ""
    typer.echo(f"Open {serving.shown(port)} in a browser{where}. Ctrl-C ends it.")
    if named is not None:
        environment[UNIT_VARIABLE] = str(named)
    environment[IDLE_VARIABLE] = str(idle)
    environment[BEHIND_VARIABLE] = serving.behind
    with suppress(KeyboardInterrupt):
        command = page_command(app_file(), analysis, port, serving.options)
        code = serve(command, env=environment)
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


accounts.add_to(app)
batch.add_to(app)
evaluating.add_to(app)
interchange.add_to(app)
records.add_to(app)
refit.add_to(app)
report.add_to(app)
service.add_to(app)
share.add_to(app)
speed.add_to(app)
trust.add_to(app)


def _unexpected(error: Exception) -> str:
    return (
        f"something unexpected went wrong ({type(error).__name__}: {error}). "
        f"Set {DEBUG_VARIABLE}=1 and run it again to see where."
    ).replace("\n", " ")


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
