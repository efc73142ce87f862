"""Who may see and do what: one table, and 'no' to everything that is not in it.

A unit without accounts is one computer with whoever sits at it, as with paper in a locked room:
everything in the table is open there. As soon as there is one account, everybody signs in.

Administrators look after accounts, consents and the record of what was done, and see no video,
analysis or feedback: none of that work needs a picture of a patient. Somebody who does both jobs
has two accounts, and what each did stands apart in the records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What an account is for."""

    TRAINER = "trainer"
    EDUCATOR = "educator"
    PATIENT = "patient"
    ADMINISTRATOR = "administrator"


class Action(StrEnum):
    """What somebody does on a page, where the page alone does not say who may."""

    WATCH = "watch a recording"
    ADD_RECORDINGS = "add recordings"
    SEND_FILES = "send files"
    KEEP_PEOPLE = "keep people and consents"
    ADD_TRAINERS = "add trainers"
    READ_AUDIT = "read what was done"
    CHANGE_ACCOUNTS = "change accounts"
    REFIT = "have the program learn from corrections"


_TEACHING: Final = frozenset({Role.TRAINER, Role.EDUCATOR})
_EDUCATOR: Final = frozenset({Role.EDUCATOR})
_STAFF: Final = _TEACHING | {Role.ADMINISTRATOR}
_ADMINISTRATOR: Final = frozenset({Role.ADMINISTRATOR})

PAGES: Final[Mapping[str, frozenset[Role]]] = {
    "review": _TEACHING,
    "spotcheck": _EDUCATOR,
    "agreement": _EDUCATOR,
    "blind": _TEACHING,
    "feedback": _TEACHING | {Role.PATIENT},
    "recordings": _STAFF,
    "camera": _TEACHING,
    "erasure": _STAFF,
    "accounts": _ADMINISTRATOR,
    "passphrase": frozenset(Role),
}
"""Address of each page, and who may open it."""

ACTIONS: Final[Mapping[Action, frozenset[Role]]] = {
    Action.WATCH: _TEACHING | {Role.PATIENT},  # patients their own: see may_see
    Action.ADD_RECORDINGS: _TEACHING,
    Action.SEND_FILES: _TEACHING,
    Action.KEEP_PEOPLE: _STAFF,
    Action.ADD_TRAINERS: _ADMINISTRATOR,
    Action.READ_AUDIT: _ADMINISTRATOR,
    Action.CHANGE_ACCOUNTS: _ADMINISTRATOR,
    Action.REFIT: _EDUCATOR | _ADMINISTRATOR,
}
"""Each action, and who may do it."""


@dataclass(frozen=True, slots=True)
class Viewer:
    """Whoever looks at a page.

    Attributes:
        account: the name signed in with; empty in a unit without accounts.
        role: of the account; None in a unit without accounts.
        trainer: code of the trainer whose account it is, or empty.
        person: code of the person who learns whose account it is, or empty.
    """

    account: str = ""
    role: Role | None = None
    trainer: str = ""
    person: str = ""

    @property
    def signed_in(self) -> bool:
        """Whether this is somebody who signed in."""
        return bool(self.account)

    @property
    def by(self) -> str:
        """The name for the audit: the code of a trainer or person, else the account.

        Codes hold no blank, so an account never passes for a trainer.

        >>> Viewer("ann", Role.ADMINISTRATOR).by
        'account ann'
        """
        return self.trainer or self.person or (f"account {self.account}" if self.account else "")


AT_THE_COMPUTER: Final = Viewer()
"""Whoever sits at the computer of a unit without accounts."""


def may_open(viewer: Viewer | None, page: str) -> bool:
    """Whether somebody may open a page; None is nobody, who may open none.

    >>> may_open(Viewer("p", Role.PATIENT, person="P-1"), "review")
    False
    >>> may_open(AT_THE_COMPUTER, "review"), may_open(AT_THE_COMPUTER, "a page of no table")
    (True, False)
    """
    return _in_table(viewer, PAGES.get(page))


def may(viewer: Viewer | None, action: Action) -> bool:
    """Whether somebody may do something; None is nobody, who may do nothing."""
    return _in_table(viewer, ACTIONS.get(action))


def may_see(viewer: Viewer | None, person: str) -> bool:
    """Whether somebody may see sessions of one person: patients their own, trainers all.

    >>> own = Viewer("p", Role.PATIENT, person="P-1")
    >>> may_see(own, "P-1"), may_see(own, "P-2"), may_see(own, "")
    (True, False, False)
    """
    if viewer is None or not may(viewer, Action.WATCH):
        return False
    return viewer.role is not Role.PATIENT or (bool(person) and viewer.person == person)


def pages_for(viewer: Viewer | None) -> tuple[str, ...]:
    """Addresses of the pages somebody may open, in the order of the table."""
    return tuple(page for page in PAGES if may_open(viewer, page))


def first_page(viewer: Viewer | None) -> str:
    """The page that somebody meets first, at the address without a name.

    >>> first_page(AT_THE_COMPUTER), first_page(Viewer("p", Role.PATIENT, person="P-1"))
    ('review', 'feedback')
    """
    return next(iter(pages_for(viewer)), "review")


def _in_table(viewer: Viewer | None, roles: frozenset[Role] | None) -> bool:
    if viewer is None or roles is None:
        return False
    if not viewer.signed_in:
        return viewer == AT_THE_COMPUTER
    return viewer.role in roles
