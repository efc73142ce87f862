"""``exchange-review refit``: learning from the unit's own corrections, and going back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.commands.operator import operator_name, typed_passphrase, unit_store
from review.errors import ReviewError

if TYPE_CHECKING:
    from review.refit import Outcome
    from review.refitcheck import Checked, Compared
    from review.store import Store
    from review.store.refits import RefitVersion

SHIPPED = "shipped"


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("refit")(refit)


def refit(
    unit: Annotated[
        Path, typer.Option("--unit", help="Folder of your unit's records.", file_okay=False)
    ],
    protocol: Annotated[
        str | None,
        typer.Option("--protocol", help="Name of the protocol whose sessions are meant."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show what would come of it.")
    ] = False,
    listed: Annotated[
        bool, typer.Option("--list", help="List the versions that were accepted.")
    ] = False,
    use: Annotated[
        str | None,
        typer.Option("--use", help="Use an accepted version, or 'shipped'.", metavar="VERSION"),
    ] = None,
    account: Annotated[
        str,
        typer.Option(
            "--as",
            help="Your account, where the unit has accounts (administrator, educator).",
            metavar="NAME",
        ),
    ] = "",
) -> None:
    """Learn from the unit's corrected phases and decided flags; nothing leaves the unit.

    What was learnt is used for analyses made from then on, if it is better for people it was not
    learnt from and stays above a floor on the shipped samples. Otherwise it is refused, with the
    numbers.
    """
    if sum((listed, use is not None, dry_run)) > 1:
        raise typer.BadParameter("choose one of --list, --use and --dry-run.")
    with unit_store(unit) as store:
        if listed:
            _list(store)
            return
        by = _who(store, account)
        if use is not None:
            _use(store, use, by)
            return
        _refit(store, protocol, by, keep=not dry_run)


def _refit(store: Store, protocol: str | None, by: str, *, keep: bool) -> None:
    from review.commands.running import stoppable, with_progress
    from review.refit import refit as learn_and_check

    with stoppable():
        outcome = with_progress(
            "Learning",
            lambda progress: learn_and_check(
                store, by=by, protocol=protocol, keep=keep, progress=progress
            ),
        )
    typer.echo("\n".join(outcome_lines(outcome)))
    if outcome.reasons:
        raise ReviewError(f"{store.folder}: nothing was changed; the reasons stand above.")
    if outcome.kept is None:
        typer.echo("Only tried: nothing was kept. Leave --dry-run out to use it.")
    else:
        typer.echo(
            f"Accepted as version {outcome.kept.version}; analyses made from now on use it. "
            f"'refit --use {SHIPPED}' goes back."
        )


def _use(store: Store, wanted: str, by: str) -> None:
    if wanted != SHIPPED and not wanted.isdecimal():
        raise ReviewError(
            f"{wanted!r} is no version; name a number that 'refit --list' shows, or '{SHIPPED}'."
        )
    version = None if wanted == SHIPPED else int(wanted)
    store.use_refit(version, by=by)
    words = "the shipped values" if version is None else f"version {version}"
    typer.echo(
        f"Analyses made from now on use {words}. Those that are there say what they were made with."
    )


def _list(store: Store) -> None:
    versions, now = store.refits(), store.refit_in_use()
    if not versions:
        typer.echo("Nothing was learnt yet: the shipped values are used.")
        return
    typer.echo("\n".join(line for version in versions for line in version_lines(version, now)))
    if now is None:
        typer.echo("In use: the shipped values.")
    else:
        old = "" if now.fits else " It fits another release's network, so the shipped values are."
        typer.echo(f"In use: version {now.version}, with the protocol '{now.protocol}'.{old}")


# --- in words --------------------------------------------------------------------------------


def version_lines(version: RefitVersion, now: RefitVersion | None) -> list[str]:
    """One version in words."""
    data, check = version.figures["data"], version.figures["check"]
    mark = " (in use)" if now is not None and now.version == version.version else ""
    lines = [
        f"{version.version}{mark}: {version.at:%Y-%m-%d %H:%M} UTC, by {version.by}; protocol "
        f"'{version.protocol}', {data['sessions']} sessions of {data['people']} people, "
        f"{data['decisions']} decisions"
    ]
    for key, words, unit in FIGURES:
        found = check[key]
        lines.append(
            f"   {words}: {found['shipped']:.2f} -> {found['own']:.2f} {unit} "
            f"({found['difference']:+.2f}, 95 % {found['low']:+.2f} to {found['high']:+.2f})"
        )
    return lines


FIGURES = (
    ("edges_s", "edges of phases off by", "s"),
    ("false_flags", "false flags", "a session"),
    ("missed", "missed flags", "a session"),
)


def outcome_lines(outcome: Outcome) -> list[str]:
    """What a refit found, in words, whether accepted or not."""
    from review.refitfloor import EDGES_MARGIN_S, FLAGS_MARGIN

    data = outcome.gathered.as_json()
    shipped, own = outcome.floor_shipped, outcome.floor_own
    kinds = ", ".join(outcome.values.flags) or "none (too few decisions)"
    return [
        f"Protocol '{data['protocol']}': {data['sessions']} sessions with corrected phases, of "
        f"{data['people']} people; {data['edges_set']} spans set by hand, {data['decisions']} "
        f"decisions, {data['moments']} added moments.",
        "",
        *check_lines(outcome.checked),
        "",
        f"Shipped samples: edges {shipped.edges_s:.2f} -> {own.edges_s:.2f} s, flags wrong or "
        f"missed {shipped.wrong + shipped.missed} -> {own.wrong + own.missed} (allowed: up to "
        f"{shipped.edges_s + EDGES_MARGIN_S:.2f} s and {FLAGS_MARGIN} flags more).",
        f"Flags with a threshold of their own: {kinds}.",
        *([""] if outcome.reasons else []),
        *(f"Refused: {reason}" for reason in outcome.reasons),
    ]


def check_lines(checked: Checked) -> list[str]:
    """The check by people as a table."""
    rows: tuple[tuple[str, Compared], ...] = (
        ("Edge of a phase, off by (s)", checked.edges_s),
        ("False flags a session", checked.false_flags),
        ("Missed flags a session", checked.missed),
    )
    return [
        f"Checked by people: each of {checked.people} with values learnt from the others "
        f"({checked.sessions} sessions).",
        f"{'':30}{'shipped':>9}{'own':>9}{'difference':>12}   95 % interval",
        *(
            f"{words:30}{of.shipped:9.2f}{of.own:9.2f}{of.difference:+12.2f}   "
            f"{of.low:+.2f} to {of.high:+.2f}"
            for words, of in rows
        ),
        "Means over people; the interval of the difference is a bootstrap over people.",
    ]


# --- who, and where --------------------------------------------------------------------------


def _who(store: Store, account: str) -> str:
    """Who asks, for the audit.

    Raises:
        ReviewError: if the unit has accounts and this is nobody who may.
    """
    from review.roles import Action, may

    if not store.sign_in_is_on():
        if account:
            raise ReviewError("This unit has no accounts; leave --as out.")
        return operator_name()
    if not account:
        raise ReviewError(
            "This unit has accounts: name yours with --as; administrators and educators may "
            "do this."
        )
    viewer = store.sign_in(account, typed_passphrase()).viewer
    if not may(viewer, Action.REFIT):
        raise ReviewError(
            f"The account {account!r} may not do this; administrators and educators may."
        )
    return viewer.by
