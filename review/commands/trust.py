"""``exchange-review erase``, ``audit`` and ``keeping``: what is kept, how, and that it is whole."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from review.commands.operator import operator_name, typed_passphrase, unit_store
from review.errors import ReviewError

if TYPE_CHECKING:
    from review.store.erasing_plan import ErasurePlan, Receipt

UnitOption = Annotated[
    Path, typer.Option("--unit", help="Folder of your unit's records.", file_okay=False)
]


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("erase")(erase)
    audit = typer.Typer(help="The record of who did what, and whether it is whole.")
    audit.command("verify")(verify)
    audit.command("show")(show)
    app.add_typer(audit, name="audit", no_args_is_help=True)
    app.command("keeping")(keeping)


# --- erasing ---------------------------------------------------------------------------------


def erase(
    unit: UnitOption,
    person: Annotated[
        str | None, typer.Argument(help="Code of the person.", metavar="PERSON")
    ] = None,
    due: Annotated[
        bool, typer.Option("--due", help="Everybody whose consent ended long enough ago.")
    ] = False,
    delete_originals: Annotated[
        bool, typer.Option("--delete-originals", help="Also videos that lie outside the records.")
    ] = False,
    delete_backups: Annotated[
        bool,
        typer.Option(
            "--delete-backups", help="Also older copies of the records (of everybody in them)."
        ),
    ] = False,
    cache: Annotated[
        Path | None,
        typer.Option("--cache", help="Folder of hand and face positions.", file_okay=False),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would go and what would stay.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    receipt: Annotated[
        Path | None,
        typer.Option("--receipt", help="Folder for the receipts, as text and JSON."),
    ] = None,
) -> None:
    """Erase everything about a person, for good, and print a receipt."""
    from review.cache import default_cache_dir

    if (person is None) == (not due):
        raise typer.BadParameter("name a person, or --due, and not both.")
    caches = [cache if cache is not None else default_cache_dir()]
    with unit_store(unit) as store:
        for finished in (*store.receipts_at_opening, *store.finish_erasures(patience_s=10.0)):
            _hand_out(finished, receipt)
        people = [person] if person is not None else list(store.due_for_erasure())
        if not people:
            typer.echo("Nobody is due.")
        plans = [
            store.plan_erasure(
                code,
                caches=caches,
                delete_originals=delete_originals,
                delete_backups=delete_backups,
            )
            for code in people
        ]
        if dry_run or not yes:
            _say_plans(plans)
        if dry_run or not plans:
            return
        if not yes:
            _ask(len(plans))
        for code in people:
            done = store.erase(
                code,
                by=operator_name(),
                caches=caches,
                delete_originals=delete_originals,
                delete_backups=delete_backups,
            )
            _hand_out(done, receipt)


def _say_plans(plans: Sequence[ErasurePlan]) -> None:
    from review.store.erasing_plan import plan_lines

    for plan in plans:
        typer.echo("\n".join([*plan_lines(plan), ""]))


def _ask(count: int) -> None:
    """Go on only after a yes.

    Raises:
        ReviewError: if there is nobody to ask, or the answer is no.
    """
    if not sys.stdin.isatty():
        raise ReviewError("Nothing was erased. Add --yes to erase without being asked.")
    whom = "this person" if count == 1 else f"these {count} people"
    if not typer.confirm(f"Erase everything about {whom}? It cannot be undone."):
        raise ReviewError("Nothing was erased.")


def _hand_out(receipt: Receipt, folder: Path | None) -> None:
    """Print a receipt, and write it where that was asked for; the records keep none."""
    from review.analysis import write_text_whole

    typer.echo(receipt.as_text())
    if folder is not None:
        stem = f"receipt-{receipt.plan.person}-{receipt.done_at:%Y%m%dT%H%M%SZ}"
        for text, suffix in ((receipt.as_text(), ".txt"), (receipt.as_json(), ".json")):
            place = folder / f"{stem}{suffix}"
            write_text_whole(text, place)
            typer.echo(str(place))


# --- the audit -------------------------------------------------------------------------------


def verify(
    unit: UnitOption,
    expect: Annotated[
        str, typer.Option("--expect", help="A last digest that you wrote down before.")
    ] = "",
) -> None:
    """Check that no entry of the audit was changed, removed, added or moved."""
    with unit_store(unit) as store:
        report = store.verify_audit(expect.strip())
    if not report.holds:
        raise ReviewError(
            f"{unit}: entry {report.first_bad} of the audit is not as it was written: "
            f"{report.why}. Put these records aside as they are, and look at your own backups."
        )
    emptied = f"; {report.emptied} were emptied by erasures" if report.emptied else ""
    typer.echo(f"{report.count} entries, all as they were written{emptied}.")
    if report.matched is not None:
        typer.echo(f"The digest that you wrote down is that of entry {report.matched}.")
    typer.echo(f"Last digest: {report.chain_sha256}")
    typer.echo("Write it down elsewhere; give it to --expect the next time.")


def show(
    unit: UnitOption,
    limit: Annotated[int, typer.Option("--limit", min=1, help="How many, the latest first.")] = 50,
) -> None:
    """Print the latest entries of the audit, the newest first; times are UTC."""
    with unit_store(unit) as store:
        for numbered in store.numbered_audit(limit):
            entry = numbered.entry
            words = " | ".join(
                part for part in (entry.who, entry.what, entry.subject, entry.detail) if part
            )
            typer.echo(f"{numbered.number}  {entry.at:%Y-%m-%d %H:%M:%S}  {words}")


# --- keeping ---------------------------------------------------------------------------------


def keeping(
    unit: UnitOption,
    video: Annotated[
        str | None,
        typer.Option("--video", help="What happens to added videos: stay, copy or sealed."),
    ] = None,
    erase_after: Annotated[
        int | None, typer.Option("--erase-after", help="Days from the end of a consent to 'due'.")
    ] = None,
    set_passphrase: Annotated[
        bool, typer.Option("--set-passphrase", help="Set the passphrase of encrypted videos.")
    ] = False,
    change_passphrase: Annotated[
        bool, typer.Option("--change-passphrase", help="Change it; no video is encrypted anew.")
    ] = False,
    seal: Annotated[
        bool, typer.Option("--seal", help="Encrypt the videos that the records hold already.")
    ] = False,
) -> None:
    """Show or change how videos are kept and when records are due for erasure."""
    from review.store.keeping import KEEP_WORDS

    with unit_store(unit) as store:
        if set_passphrase:
            store.set_video_passphrase(_new_passphrase(), by=operator_name())
        if change_passphrase:
            store.change_video_passphrase(
                typed_passphrase("Passphrase until now"), _new_passphrase(), by=operator_name()
            )
        if video is not None or erase_after is not None:
            store.set_keeping(video=video, erase_after_days=erase_after, by=operator_name())  # type: ignore[arg-type]  # it says what is allowed
        if seal:
            if not store.keeping().unlocked:
                store.unlock_videos(typed_passphrase("Passphrase of the videos"))
            typer.echo(f"Encrypted: {store.seal_what_is_kept(by=operator_name())} files.")
        now = store.keeping()
        typer.echo(f"A video that is added {KEEP_WORDS[now.video]}.")
        typer.echo(f"Records are due for erasure {now.erase_after_days} days after a consent ends.")
        typer.echo(f"Passphrase for encrypted videos: {'set' if now.has_passphrase else 'none'}.")


def _new_passphrase() -> str:
    """Typed twice at a terminal, or one line of standard input.

    Raises:
        ReviewError: if the two differ.
    """
    first = typed_passphrase("New passphrase")
    if sys.stdin.isatty() and first != typed_passphrase("The same again"):
        raise ReviewError("The two passphrases differ; nothing was changed.")
    return first
