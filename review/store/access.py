"""Accounts and signing in. See :mod:`review.roles` for who may do what."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from review.passphrases import NOBODYS, checked_passphrase, fits, hashed, is_outdated
from review.roles import Role
from review.store.access_records import (
    Account,
    SignInError,
    level_after,
    wait_after,
    wait_together,
    wait_words,
)
from review.store.access_tables import AccountRow, SignInTriesRow
from review.store.base import Part, Writing, person_row
from review.store.entering import checked_code, checked_word
from review.store.records import StoreError
from review.store.tables import TrainerRow

TOGETHER: Final = "all"
"""Place of the count over all names."""

UNKNOWN: Final = "unknown"
"""Place that keeps notes about unknown names few."""

NOTES_OF_UNKNOWN: Final = 5.0
"""Notes about unknown names at once; later ones come :data:`TOGETHER_EACH_S` apart at least."""

AT_SIGN_IN: Final = "sign-in"
"""Who the audit names for what happens before somebody is known."""

WRONG: Final = "This name and this passphrase do not belong together."


@dataclass(frozen=True, slots=True)
class _Try:
    """What was found when a try began; ``account`` None for an unknown or closed one."""

    place: str
    tries: int
    account: Account | None
    secret: str


class AccessPart(Part):
    """Accounts, signing in, and the notes about both."""

    folder: Path
    """The unit's folder; set where recordings are kept."""

    # --- accounts ----------------------------------------------------------------------------

    def sign_in_is_on(self) -> bool:
        """Whether everybody signs in: as soon as there is one account, open or closed."""
        with self._database.reading() as session:
            return session.scalars(select(AccountRow.name).limit(1)).first() is not None

    def has_administrator(self) -> bool:
        """Whether there is an open account that can look after the others."""
        with self._database.reading() as session:
            return _administrators(session) > 0

    def accounts(self) -> tuple[Account, ...]:
        """All accounts by name, closed ones too."""
        with self._database.reading() as session:
            rows = session.scalars(select(AccountRow).order_by(AccountRow.name))
            return tuple(row.record() for row in rows)

    def account(self, name: str) -> Account | None:
        """One account, closed or not; None where there is none."""
        with self._database.reading() as session:
            row = session.get(AccountRow, name)
            return row.record() if row else None

    def add_account(
        self,
        name: str,
        role: Role | str,
        passphrase: str,
        *,
        trainer: str = "",
        person: str = "",
        by: str,
    ) -> Account:
        """Add an account. The first one is an administrator's; from then on everybody signs in.

        Args:
            name: 1 to 40 letters, digits or ``- _ .``; kept in lower case.
            role: what it is for.
            passphrase: see :func:`review.passphrases.checked_passphrase`.
            trainer: whose it is, for trainers and educators.
            person: whose it is, for patients.
            by: who adds it.

        Raises:
            StoreError: if the name is taken, the role does not fit the code, or it is the first
                and not an administrator's.
            PassphraseError: if the passphrase is not accepted.
        """
        name, role = account_name(name), checked_word(role, Role, "role")
        _check_whose(role, trainer, person)
        known = self._known_here(trainer, person)
        secret = hashed(checked_passphrase(passphrase, account=name, known=known))
        with self._writing(by) as writing:
            session = writing.session
            if session.get(AccountRow, name) is not None:
                raise StoreError(
                    f"The account {name!r} is there already, perhaps closed; choose another name."
                )
            if role is not Role.ADMINISTRATOR and _administrators(session) == 0:
                raise StoreError(
                    "The first account must be an administrator's: from then on everybody signs "
                    "in, and somebody has to look after the accounts."
                )
            if person:
                person_row(session, person)
            if trainer and session.get(TrainerRow, trainer) is None:
                raise StoreError(f"There is no trainer with the code {trainer!r}; add one first.")
            row = writing.add(
                AccountRow(
                    name=name,
                    role=role.value,
                    trainer=trainer or None,
                    person=person or None,
                    secret=secret,
                    changes=1,
                    active=True,
                    added_at=writing.at,
                )
            )
            whose = f", {trainer or person}" if trainer or person else ""
            writing.note("account added", f"account {name}", f"{role.value}{whose}")
            return row.record()

    def close_account(self, name: str, *, by: str) -> Account:
        """Close an account for good; whoever is signed in with it no longer is.

        Raises:
            StoreError: if there is no such open account, or it is the last administrator's.
        """
        with self._writing(by) as writing:
            row = _open_row(writing.session, name)
            last = row.role == Role.ADMINISTRATOR and _administrators(writing.session) == 1
            if last:
                raise StoreError(
                    f"{row.name!r} is the only administrator; add another one before closing it."
                )
            row.active = False
            writing.note("account closed", f"account {row.name}")
            return row.record()

    def _known_here(self, trainer: str, person: str) -> tuple[str, ...]:
        """What everybody in the unit knows of an account's owner: no part of a secret."""
        with self._database.reading() as session:
            row = session.get(TrainerRow, trainer) if trainer else None
            return (self.folder.name, trainer, person, row.name if row else "")

    def set_passphrase(self, name: str, passphrase: str, *, by: str) -> Account:
        """Set a new passphrase; sign-ins with the old one end, and waits are over.

        Raises:
            StoreError: if there is no such open account.
            PassphraseError: if the passphrase is not accepted.
        """
        name = account_name(name)
        account = self.account(name)
        known = self._known_here(account.trainer, account.person) if account else ()
        secret = hashed(checked_passphrase(passphrase, account=name, known=known))
        with self._writing(by) as writing:
            row = _open_row(writing.session, name)
            row.secret, row.changes = secret, row.changes + 1
            tries = writing.session.get(SignInTriesRow, place_of(name))
            if tries is not None:
                tries.tries = 0.0
            writing.note("passphrase changed", f"account {name}")
            return row.record()

    # --- signing in --------------------------------------------------------------------------

    def sign_in(self, name: str, passphrase: str, *, again: bool = False) -> Account:
        """The account that a name and a passphrase open.

        The try is counted before the passphrase is looked at, so that trying many at once gains
        nothing. Known and unknown names take the same steps.

        Args:
            name: as typed.
            passphrase: as typed.
            again: whether it is asked of somebody who is signed in already.

        Raises:
            SignInError: if they do not fit, or it is too early to try again.
        """
        begun = self._begin_try(name)
        if isinstance(begun, SignInError):
            raise begun
        fitted = fits(begun.secret, passphrase) and begun.account is not None
        return self._end_try(begun, passphrase, fitted, "" if again else "signed in")

    def _begin_try(self, name: str) -> _Try | SignInError:
        plain = name.strip().lower()
        place = place_of(plain)
        with self._writing(AT_SIGN_IN) as writing:
            own, together = _tries(writing, place), _tries(writing, TOGETHER)
            wait = wait_after(int(own.tries), _since(own, writing.at))
            level = level_after(together.tries, _since(together, writing.at))
            if (early := _too_early(wait, wait_together(level))) is not None:
                return early  # not raised here: that the clock was moved back is kept
            own.tries, together.tries = own.tries + 1.0, level + 1.0
            own.last_at = together.last_at = writing.at
            row = writing.session.get(AccountRow, plain)
            opens = row is not None and row.active
            return _Try(
                place,
                int(own.tries),
                row.record() if row is not None and opens else None,
                row.secret if row is not None and opens else NOBODYS,
            )

    def _end_try(self, begun: _Try, passphrase: str, fitted: bool, note: str) -> Account:
        renewed = hashed(passphrase) if fitted and is_outdated(begun.secret) else ""
        name = begun.account.name if begun.account else ""
        with self._writing(AT_SIGN_IN) as writing:
            own, together = _tries(writing, begun.place), _tries(writing, TOGETHER)
            own.last_at = writing.at  # written either way: both take as long
            row = writing.session.get(AccountRow, name) if fitted else None
            if row is not None and row.active and row.secret == begun.secret:
                own.tries, together.tries = 0.0, max(together.tries - 1.0, 0.0)
                row.secret = renewed or row.secret
                account = row.record()
                if note:
                    replace(writing, by=account.viewer.by).note(note, f"account {name}")
                return account
            if _worth_a_note(begun.tries) and (name or _few_unknown(writing)):
                writing.note(
                    "sign-in failed",
                    f"account {name}" if name else "no account",
                    f"{begun.tries} in a row" if begun.tries > 1 else "",
                )
        wait = wait_after(begun.tries, 0.0)
        raise SignInError(f"{WRONG} {_later(wait)}", wait)

    def signed_out(self, account: Account) -> None:
        """Note that somebody signed out."""
        with self._writing(account.viewer.by) as writing:
            writing.note("signed out", f"account {account.name}")

    def saw_feedback(self, recording_id: int, *, by: str) -> None:
        """Note who opened the feedback of a recording; it does not count as a review.

        Raises:
            StoreError: if there is no such recording.
            ConsentError: if it may not be shown.
        """
        with self._writing(by) as writing:
            writing.note_on(self._reviewable(writing.session, recording_id), "saw the feedback")


def account_name(name: str) -> str:
    """An account's name as it is kept.

    Raises:
        StoreError: if it cannot be one.
    """
    return checked_code(name, "account").lower()


def place_of(name: str) -> str:
    """Which row counts wrong tries of a name: 16 bits of its SHA-256, four hexadecimal digits."""
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:4]


def _check_whose(role: Role, trainer: str, person: str) -> None:
    wants = {
        Role.TRAINER: (True, False),
        Role.EDUCATOR: (True, False),
        Role.PATIENT: (False, True),
        Role.ADMINISTRATOR: (False, False),
    }[role]
    if (bool(trainer), bool(person)) == wants:
        return
    asked = (
        "a trainer's code" if wants[0] else "a person's code" if wants[1] else "no code of anybody"
    )
    raise StoreError(f"An account for the role {role.value!r} needs {asked}, and nothing else.")


def _administrators(session: Session) -> int:
    query = select(func.count()).where(
        AccountRow.role == Role.ADMINISTRATOR.value, AccountRow.active
    )
    return session.scalar(query) or 0


def _open_row(session: Session, name: str) -> AccountRow:
    row = session.get(AccountRow, name.strip().lower())
    if row is None or not row.active:
        raise StoreError(
            f"There is no open account {name.strip()!r}; look at the list of accounts."
        )
    return row


def _tries(writing: Writing, place: str) -> SignInTriesRow:
    row = writing.session.get(SignInTriesRow, place)
    if row is None:
        row = writing.add(SignInTriesRow(place=place, tries=0.0, last_at=writing.at))
    return row


def _since(row: SignInTriesRow, now: datetime) -> float:
    """Seconds since the last try; where the clock was moved back, the wait starts anew."""
    if row.last_at > now:
        row.last_at = now
    return (now - row.last_at).total_seconds()


def _too_early(own_s: float | None, together_s: float) -> SignInError | None:
    if own_s is None:
        return SignInError(_later(None), None)
    wait_s = max(own_s, together_s)
    if wait_s > 0.0:
        return SignInError(f"There were too many wrong passphrases. {_later(wait_s)}", wait_s)
    return None


def _later(wait_s: float | None) -> str:
    if wait_s is None:
        return (
            "There were too many wrong passphrases in a row, so this name is closed for now. Ask "
            "your unit's administrator to set a new passphrase."
        )
    return f"Please wait {wait_words(wait_s)}, then try again." if wait_s else "Please try again."


def _worth_a_note(tries: int) -> bool:
    """The first wrong try, the one that makes somebody wait, and then every tenth."""
    return tries in (1, 5) or tries % 10 == 0


def _few_unknown(writing: Writing) -> bool:
    row = _tries(writing, UNKNOWN)
    level = level_after(row.tries, _since(row, writing.at))
    few = level < NOTES_OF_UNKNOWN
    row.tries, row.last_at = level + (1.0 if few else 0.0), writing.at
    return few
