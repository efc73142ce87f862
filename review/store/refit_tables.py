"""Tables of what a unit learnt from its own corrections. They say nothing of any one person."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from review.store.tables import NEVER_AGAIN, Base, Id, Name, Words


class RefitVersionRow(Base):
    """One accepted version; its id is its number. ``content`` and ``figures`` are JSON."""

    __tablename__ = "refit_versions"
    __table_args__ = (NEVER_AGAIN,)

    id: Mapped[Id]
    protocol: Mapped[Words]
    content: Mapped[Words]
    figures: Mapped[Words]
    by: Mapped[Name]
    at: Mapped[datetime]


class RefitUseRow(Base):
    """Which version is used from then on (NULL: the shipped values); the newest row counts."""

    __tablename__ = "refit_uses"
    __table_args__ = (NEVER_AGAIN,)

    id: Mapped[Id]
    version_id: Mapped[int | None] = mapped_column(ForeignKey("refit_versions.id"))
    by: Mapped[Name]
    at: Mapped[datetime]


REFIT_ADDED_ONLY: Final[tuple[type[Base], ...]] = (RefitVersionRow, RefitUseRow)
"""Rows of these tables are never changed or removed once written."""
