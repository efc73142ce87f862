"""``exchange-review share``: a clip for teaching, with every face covered."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from review.errors import ReviewError
from review.places import unit_folder


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("share")(share)


def share(
    recording: Annotated[
        int, typer.Argument(help="Number of a recording in the unit's records.", min=1)
    ],
    start_s: Annotated[
        float, typer.Option("--from", min=0.0, help="Begin of the clip, seconds.", metavar="S")
    ],
    end_s: Annotated[
        float, typer.Option("--to", min=0.0, help="End of the clip, seconds.", metavar="S")
    ],
    out: Annotated[Path, typer.Option("--out", help="The clip: a new file ending in .mp4.")],
    unit: Annotated[
        Path | None,
        typer.Option("--unit", help="Folder of your unit's records.", file_okay=False),
    ] = None,
    sound: Annotated[
        bool, typer.Option("--sound", help="Keep the sound, where the consent includes it.")
    ] = False,
    looked_at: Annotated[
        bool,
        typer.Option(
            "--looked-at", help="No face was found; I watched the span and none shows in it."
        ),
    ] = False,
    by: Annotated[
        str, typer.Option("--by", help="Who makes it, for the record of what was done.")
    ] = "",
) -> None:
    """Cut out a clip for teaching: faces covered, no sound, no place, device or date in it.

    It needs the person's consent to teaching, and is noted in the records.
    """
    # Imported here, as everywhere in commands: '--help' answers at once.
    from review.commands.running import stoppable, with_progress
    from review.sharing import share_recording
    from review.store import open_store

    folder = unit.expanduser() if unit is not None else unit_folder()
    if not folder.is_dir():
        raise ReviewError(f"{folder}: there are no records here. Name your unit's with --unit.")
    with open_store(folder) as store, stoppable():
        made = with_progress(
            "Looking for faces",
            lambda progress: share_recording(
                store,
                recording,
                out,
                start_s=start_s,
                end_s=end_s,
                by=by or getpass.getuser(),
                sound=sound,
                looked_at=looked_at,
                progress=progress,
            ),
        )
    typer.echo(
        f"{out}: {made.duration_s:.1f} s, {'with' if made.sound else 'without'} sound. Faces were "
        f"found in {made.pictures_found} of {made.pictures} pictures; {made.covered:.0%} of the "
        "picture is covered. Watch it once before you hand it on: the program can miss a face."
    )
