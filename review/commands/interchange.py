"""``exchange-review people import``: codes of people and trainers from a list (CSV)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.commands.operator import operator_name, typed_passphrase, unit_store
from review.errors import ReviewError

if TYPE_CHECKING:
    from review.enrolment import Plan
    from review.store import Store


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    people = typer.Typer(
        help="People who learn and those who teach them, by your unit's own codes.",
        no_args_is_help=True,
    )
    people.callback()(_group)
    people.command("import")(import_people)
    app.add_typer(people, name="people")


def _group() -> None:
    """With a callback, 'import' stays a word of its own although it is the only one."""


def import_people(
    file: Annotated[
        Path, typer.Argument(help="The list (CSV, UTF-8).", metavar="FILE", dir_okay=False)
    ],
    unit: Annotated[
        Path | None, typer.Option("--unit", help="Folder of your unit's records.", file_okay=False)
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would become of every line.")
    ] = False,
    account: Annotated[
        str,
        typer.Option(
            "--as", help="Administrator's account, where the unit has accounts.", metavar="NAME"
        ),
    ] = "",
) -> None:
    """Take in a list of people's codes and of trainers, all of it or nothing.

    The first line names the columns: code (needed), kind (person or trainer), language and note
    (of a person), name (of a trainer). Who is there already stays as is. No names or birth dates
    of people who learn: the unit's own code is enough.
    """
    from review.enrolment import State, make_plan

    content = _content(file)
    with unit_store(unit) as store:
        by = _at_work(store, account)
        plan = make_plan(content, str(file), store.people(), store.trainers())
        refused = plan.count(State.REFUSED)
        _say(plan, done=not (dry_run or refused))
        counts = (
            f"{plan.count(State.ADDED)} to add, {plan.count(State.UNCHANGED)} there already, "
            f"{refused} refused"
        )
        if refused:
            raise ReviewError(
                f"{file}: {counts}, so nothing was added. Put right what is said above and try "
                "again."
            )
        if dry_run:
            typer.echo(f"{file}: {counts}. Nothing was changed.")
            return
        store.enrol(plan.people, plan.trainers, by=by)
    typer.echo(
        f"{file}: {len(plan.people)} people and {len(plan.trainers)} trainers added, "
        f"{plan.count(State.UNCHANGED)} were there already."
    )
    if plan.people:
        typer.echo("Record each person's consent before anything is analysed or shown.")


def _say(plan: Plan, *, done: bool) -> None:
    from review.enrolment import State
    from review.escaping import plain_line

    would = {State.ADDED: "added" if done else "would be added"}
    for line in plan.lines:
        parts = [would.get(line.state, line.state.value), line.what, line.why]
        typer.echo(plain_line(f"line {line.line}: {': '.join(part for part in parts if part)}"))


def _content(file: Path) -> bytes:
    """The bytes of a list.

    Raises:
        ReviewError: if it cannot be read.
    """
    from review.enrolment import LARGEST

    try:
        if not file.is_file():  # a pipe may never end
            raise ReviewError(f"{file}: there is no such file. Check the name.")
        with file.open("rb") as opened:
            return opened.read(LARGEST + 1)
    except OSError as error:
        raise ReviewError(
            f"{file}: it cannot be read ({error.strerror or error}). Check its permissions."
        ) from error


def _at_work(store: Store, account: str) -> str:
    """Who does it, for the audit.

    Where the unit has accounts it is an administrator's work, as on the pages; the passphrase is
    asked for, or is the first line of standard input where that is no terminal.

    Raises:
        ReviewError: if no account is named, or it may not.
        SignInError: if name and passphrase do not fit.
    """
    from review.roles import Action, may

    if not store.sign_in_is_on():
        if account:
            raise ReviewError("--as names an account, and this unit has none.")
        return operator_name()
    if not account:
        raise ReviewError("This unit has accounts: say whose it is with --as (an administrator's).")
    viewer = store.sign_in(account, typed_passphrase()).viewer
    if not may(viewer, Action.ADD_TRAINERS):
        raise ReviewError(f"{account} may not do this; it is an administrator's work.")
    return viewer.by
