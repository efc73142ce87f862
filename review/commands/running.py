"""What commands that take a while share: options, a progress bar, and how Ctrl-C ends them."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, TypeVar

import typer

Found = TypeVar("Found")

STOPPED = 130
"""Exit code after Ctrl-C: 128 and the number of the signal, as shells have it."""

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


@contextmanager
def stoppable() -> Iterator[Callable[[], None]]:
    """Turn Ctrl-C into one line; unfinished files were removed on the way here.

    Python raises it wherever the program just is, and where that is a clean-up that may not fail
    (a library's callback, say) it is lost. So it is noted, too.

    Yields:
        To be called now and then: raises KeyboardInterrupt if Ctrl-C was lost.
    """
    heard: list[int] = []

    def note(number: int, _: object) -> None:
        heard.append(number)
        raise KeyboardInterrupt

    def check() -> None:
        if heard:
            raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGINT, note)
    except ValueError:  # not the main thread, which alone hears it
        before = None
    try:
        yield check
        check()
    except KeyboardInterrupt:
        typer.echo("Stopped. No half-written file was left behind.", err=True)
        raise typer.Exit(STOPPED) from None
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
