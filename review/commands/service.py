"""``exchange-review service``: files for running the pages on a server of the unit's own."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from review.commands.serving import checked_host
from review.errors import ReviewError


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("service")(service)


def service(
    host: Annotated[
        str,
        typer.Option(
            "--host", help="Name by which browsers reach the server, as in its certificate."
        ),
    ],
    unit: Annotated[Path, typer.Option("--unit", help="Folder of your unit's records.")] = Path(
        "/var/lib/exchange-review/unit"
    ),
    backups: Annotated[Path, typer.Option("--backups", help="Folder for copies.")] = Path(
        "/var/backups/exchange-review"
    ),
    days: Annotated[
        int, typer.Option("--days", min=1, max=3650, help="How long copies are kept.")
    ] = 30,
    user: Annotated[str, typer.Option("--user", help="Whom it runs as.")] = "exchange-review",
    port: Annotated[
        int, typer.Option("--port", min=1024, max=65535, help="Port on this computer.")
    ] = 8501,
    certificate: Annotated[
        Path, typer.Option("--certificate", help="Certificate for TLS (.pem).")
    ] = Path("/etc/exchange-review/certificate.pem"),
    key: Annotated[Path, typer.Option("--key", help="Its private key (.pem).")] = Path(
        "/etc/exchange-review/key.pem"
    ),
    program: Annotated[
        Path | None,
        typer.Option("--program", help="The command to run; default this one."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder to write the files to; without it they are printed.",
            file_okay=False,
        ),
    ] = None,
) -> None:
    """Print, or write, the files for a server: systemd units, nightly copies, nginx with TLS.

    Nothing is installed or started; the README says what to do with them.
    """
    from review.analysis import write_text_whole
    from review.serverfiles import Server, server_files

    files = server_files(
        Server(
            host=checked_host(host),
            unit=unit,
            backups=backups,
            program=program or _this_program(),
            certificate=certificate,
            key=key,
            user=user,
            port=port,
            days=days,
        )
    )
    for name, content in files.items():
        if out is None:
            typer.echo(f"# ==> {name}\n{content}")
        else:
            write_text_whole(content, out / name)
            typer.echo(str(out / name))


def _this_program() -> Path:
    """The command of the environment in which this runs.

    Raises:
        ReviewError: if its Python lies where the service does not see it.
    """
    from review.serverfiles import is_hidden

    python = Path(sys.executable).resolve()
    if is_hidden(python):
        raise ReviewError(
            f"{python}: the service does not see this Python. Make the environment anew with the "
            "system's own (/usr/bin/python3 -m venv), or name the command with --program."
        )
    return Path(sys.executable).with_name("exchange-review")
