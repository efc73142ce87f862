"""The tables of erasures under way, and of how the unit keeps video."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON
from sqlalchemy.orm import Mapped, mapped_column

from review.store.tables import NEVER_AGAIN, Base, Id, Name, Word


class ErasureRow(Base):
    """An erasure that is not over.

    ``plan`` is what is to go, as JSON; NULL once all rows are gone and only the old pages of the
    file remain to be overwritten. The row itself goes at the end.
    """

    __tablename__ = "erasures"
    __table_args__ = NEVER_AGAIN

    id: Mapped[Id]
    asked_at: Mapped[datetime]
    by: Mapped[Name]
    plan: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class KeepingRow(Base):
    """The unit's own settings of keeping and erasing, in one row.

    ``vault`` is the key that encrypts videos, itself encrypted by the unit's passphrase; NULL
    where no passphrase was set.
    """

    __tablename__ = "keeping"

    id: Mapped[Id]
    video: Mapped[Word]
    erase_after_days: Mapped[int]
    vault: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
