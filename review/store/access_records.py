"""Accounts as plain records, and how long to wait after wrong passphrases."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from review.roles import Role, Viewer
from review.store.records import StoreError

FREE_TRIES: Final = 5
"""Wrong passphrases in a row before the first wait. Common practice, no source."""

FIRST_WAIT_S: Final = 30.0
LONGEST_WAIT_S: Final = 900.0
"""The wait doubles from the first to the longest. Common practice, no source."""

MOST_TRIES: Final = 100
"""Wrong passphrases in a row after which only a new passphrase opens the account again.

NIST SP 800-63B revision 4, 3.2.2: no more than 100 in a row on one account (value from memory).
"""

MOST_TOGETHER: Final = 50
"""Wrong passphrases over all names at once before everybody waits. Common practice, no source."""

TOGETHER_EACH_S: Final = 10.0
"""After that, one more sign-in is let through in each of these, seconds."""


class SignInError(StoreError):
    """Nobody was signed in.

    Attributes:
        wait_s: seconds until it may be tried again; 0 for now, None for not before a new
            passphrase was set.
    """

    def __init__(self, message: str, wait_s: float | None = 0.0) -> None:
        super().__init__(message)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who may sign in.

    Attributes:
        name: lower-case letters, digits or ``- _ .``.
        role: what it is for.
        trainer: code of the trainer whose account it is; empty for others.
        person: code of the person who learns whose account it is; empty for others.
        active: False once it was closed; it is never opened again.
        changes: counts the passphrases set, so that an older sign-in is known to be old.
        added_at: UTC.
    """

    name: str
    role: Role
    trainer: str
    person: str
    active: bool
    changes: int
    added_at: datetime

    @property
    def viewer(self) -> Viewer:
        """Whoever signed in with it."""
        return Viewer(self.name, self.role, self.trainer, self.person)


def wait_after(tries: int, since_s: float) -> float | None:
    """How long to wait before the next try.

    Args:
        tries: wrong passphrases in a row.
        since_s: seconds since the last of them; a clock that was moved back counts as 0.

    Returns:
        Seconds, 0 for none, or None where only a new passphrase helps.

    >>> [wait_after(tries, 0.0) for tries in (4, 5, 6, 7, 50, 100)]
    [0.0, 30.0, 60.0, 120.0, 900.0, None]
    >>> wait_after(6, 50.0), wait_after(6, -9e9)
    (10.0, 60.0)
    """
    if tries >= MOST_TRIES:
        return None
    if tries < FREE_TRIES:
        return 0.0
    doubled = FIRST_WAIT_S * 2.0 ** min(tries - FREE_TRIES, 20)
    return max(0.0, min(doubled, LONGEST_WAIT_S) - max(since_s, 0.0))


def level_after(level: float, since_s: float) -> float:
    """How much of the wrong tries over all names still counts, ``since_s`` seconds later."""
    return max(0.0, level - max(since_s, 0.0) / TOGETHER_EACH_S)


def wait_together(level: float) -> float:
    """How long everybody waits, seconds; 0 for not.

    >>> wait_together(49.0), wait_together(50.5)
    (0.0, 15.0)
    """
    over = level - (MOST_TOGETHER - 1.0)
    return over * TOGETHER_EACH_S if over > 1e-9 else 0.0


def wait_words(wait_s: float) -> str:
    """A wait in words, rounded up.

    >>> wait_words(29.2), wait_words(61.0), wait_words(60.0)
    ('30 seconds', '2 minutes', '1 minute')
    """
    seconds = max(int(-(-wait_s // 1)), 1)
    if seconds < 60:
        return f"{seconds} second{'' if seconds == 1 else 's'}"
    minutes = -(-seconds // 60)
    return f"{minutes} minute{'' if minutes == 1 else 's'}"
