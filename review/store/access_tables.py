"""Tables of accounts, and of wrong passphrases."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from review.roles import Role
from review.store.access_records import Account
from review.store.tables import CODE, Base, Word, Words


class AccountRow(Base):
    """See :class:`Account`. ``secret`` is a hash with its salt and settings."""

    __tablename__ = "accounts"

    name: Mapped[str] = mapped_column(String(CODE), primary_key=True)
    role: Mapped[Word]
    trainer: Mapped[str | None] = mapped_column(String(CODE), ForeignKey("trainers.code"))
    person: Mapped[str | None] = mapped_column(String(CODE), ForeignKey("people.code"))
    secret: Mapped[Words]
    changes: Mapped[int]
    active: Mapped[bool]
    added_at: Mapped[datetime]

    def record(self) -> Account:
        """The row as a record; the hash stays where it is."""
        return Account(
            name=self.name,
            role=Role(self.role),
            trainer=self.trainer or "",
            person=self.person or "",
            active=self.active,
            changes=self.changes,
            added_at=self.added_at,
        )


class SignInTriesRow(Base):
    """Wrong passphrases, by a place that several names share, and over all names.

    A name typed into the wrong box may be a passphrase, so no name is kept here: 16 bits of its
    hash say which row counts for it, for names with and without an account alike.
    """

    __tablename__ = "sign_in_tries"

    place: Mapped[Word] = mapped_column(primary_key=True)
    tries: Mapped[float]
    last_at: Mapped[datetime]
