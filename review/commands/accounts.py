"""``exchange-review account``: who may sign in to a unit's pages."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.commands.operator import operator_name, typed_passphrase, unit_store
from review.errors import ReviewError

if TYPE_CHECKING:
    pass

UnitOption = Annotated[
    Path | None, typer.Option("--unit", help="Folder of your unit's records.", file_okay=False)
]
NameArgument = Annotated[str, typer.Argument(help="Name to sign in with.", metavar="NAME")]


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    accounts = typer.Typer(help="Who may sign in to your unit's pages.", no_args_is_help=True)
    accounts.command("add")(add)
    accounts.command("list")(show)
    accounts.command("close")(close)
    accounts.command("passphrase")(passphrase)
    app.add_typer(accounts, name="account")


def add(
    name: NameArgument,
    role: Annotated[
        str, typer.Option("--role", help="trainer, educator, patient or administrator.")
    ],
    trainer: Annotated[
        str, typer.Option("--trainer", help="Code of the trainer, for trainers and educators.")
    ] = "",
    person: Annotated[str, typer.Option("--person", help="Code of the person, for patients.")] = "",
    unit: UnitOption = None,
) -> None:
    """Add an account; the passphrase is asked for. With the first one, everybody signs in.

    The first one is an administrator's. Where standard input is no terminal, the passphrase is
    its first line.
    """
    with unit_store(unit, new=True) as store:
        first = not store.sign_in_is_on()
        account = store.add_account(
            name, role, _asked(), trainer=trainer, person=person, by=operator_name()
        )
    typer.echo(f"{account.name}: added, {account.role.value}.")
    if first:
        typer.echo("From now on everybody signs in before the pages show anything.")


def show(unit: UnitOption = None) -> None:
    """List all accounts."""
    with unit_store(unit) as store:
        accounts = store.accounts()
    if not accounts:
        typer.echo("There are no accounts: whoever sits at this computer sees everything.")
    for account in accounts:
        whose = account.trainer or account.person
        parts = [account.role.value, *([whose] if whose else [])]
        typer.echo(f"{account.name}: {', '.join(parts)}{'' if account.active else ', closed'}")


def close(name: NameArgument, unit: UnitOption = None) -> None:
    """Close an account at once and for good; what its owner did stays in the records."""
    with unit_store(unit) as store:
        account = store.close_account(name, by=operator_name())
    typer.echo(f"{account.name}: closed.")


def passphrase(name: NameArgument, unit: UnitOption = None) -> None:
    """Set a new passphrase, also for somebody who waits after too many wrong ones."""
    with unit_store(unit) as store:
        account = store.set_passphrase(name, _asked(), by=operator_name())
    typer.echo(f"{account.name}: the new passphrase holds from now on.")


def _asked() -> str:
    """The passphrase, typed twice without being shown, or the first line of standard input.

    Raises:
        ReviewError: if the two differ.
    """
    first = typed_passphrase()
    if sys.stdin.isatty() and first != getpass.getpass("The same again: "):
        raise ReviewError("The two passphrases differ; nothing was changed.")
    return first
