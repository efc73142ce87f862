"""``exchange-review records``: whether a unit's records are sound, copies of them, and salvage."""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from review.errors import ReviewError

SERVER_VARIABLE: Final = "EXCHANGE_REVIEW_SERVER"
"""Environment variable: address of the database that records are moved to."""

FolderArgument = Annotated[
    Path, typer.Argument(help="Folder of your unit's records.", metavar="FOLDER")
]
NewFolder = Annotated[Path, typer.Option("--to", help="A new folder.", metavar="NEW_FOLDER")]


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    records = typer.Typer(
        help="Look after a unit's records: check, copy, put back, save what can be read; move them "
        "to a database server.",
        no_args_is_help=True,
    )
    records.command("check")(check)
    records.command("backup")(backup)
    records.command("restore")(restore)
    records.command("salvage")(salvage)
    records.command("server")(server)
    app.add_typer(records, name="records")


def check(folder: FolderArgument) -> None:
    """Look whether the records and their files are sound; nothing is changed."""
    from review.store.checking import check_records

    found = check_records(folder)
    for line in found.troubles:
        typer.echo(line)
    if found.troubles:
        raise ReviewError(f"{folder}: {len(found.troubles)} lines to look at (see above).")
    typer.echo(f"{folder}: in order. Looked at: {', '.join(found.looked_at)}.")


def backup(
    folder: FolderArgument,
    to: Annotated[Path, typer.Option("--to", help="A new file.", dir_okay=False, metavar="FILE")],
) -> None:
    """Copy the records to one file, also while the pages are open. Videos are not in it."""
    from review.store.checking import back_up

    file = back_up(folder, to)
    typer.echo(f"{file}: a sound copy of the records. Keep it as safe as the records themselves.")
    if any((folder / "videos").glob("*")):
        typer.echo(f"The videos in {folder / 'videos'} are not in it; copy that folder as well.")


def restore(
    file: Annotated[Path, typer.Argument(help="A copy of records.", metavar="FILE")],
    to: NewFolder,
) -> None:
    """Make records from a copy, in a new folder."""
    from review.store.checking import restore as put_back

    found = put_back(file, to)
    since = f" after {found.last_at:%Y-%m-%d %H:%M} UTC" if found.last_at else ""
    typer.echo(f"{to}: the records as they were in {file.name}.")
    if found.videos_missing:
        typer.echo(f"The videos of {found.videos_missing} recordings are not where they were.")
    typer.echo(
        f"What was done{since} is not in them. See to it that consents taken back and persons "
        "erased since then are so again."
    )


def salvage(folder: FolderArgument, to: NewFolder) -> None:
    """Save what can be read of damaged records into a new folder; the old one stays as it is."""
    from review.store.salvage import salvage as save

    found = save(folder, to)
    for line in found.lines():
        typer.echo(line)
    typer.echo(f"{to}: the new records. The old ones were not touched.")


def server(folder: FolderArgument) -> None:
    """Move the rows of the records to a PostgreSQL server; videos and files stay in the folder.

    The address of an empty database (postgresql://USER@COMPUTER/DATABASE) is asked for, or taken
    from EXCHANGE_REVIEW_SERVER or standard input, never from the command line: it may hold a
    password. Stop the pages first.
    """
    from review.store.moving import move_to_server

    found = move_to_server(folder.expanduser(), _address())
    typer.echo(f"{folder}: the rows are in {found.address} from now on ({found.rows} moved).")
    if found.old_file is not None:
        typer.echo(
            f"{found.old_file}: the records as they were. Delete it once you trust the server: "
            "everything about everybody is in it."
        )
    typer.echo("Videos and all other files stay in the folder. Have both backed up.")


def _address() -> str:
    """The address, from the environment, or typed without being shown, or standard input."""
    if named := os.environ.get(SERVER_VARIABLE):
        return named
    if sys.stdin.isatty():
        return getpass.getpass("Address of the database (not shown): ").strip()
    return sys.stdin.readline().strip()
