"""The tables of the audit's chain."""

from __future__ import annotations

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from review.store.tables import Base, Id

DIGEST = 64
"""Characters of a SHA-256 in hexadecimal."""


class AuditLinkRow(Base):
    """One link of the chain: what an entry of the audit held when it was written.

    ``number`` counts from 1 without gaps. ``salt`` is NULL once the entry was emptied.
    """

    __tablename__ = "audit_chain"

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    audit_id: Mapped[int] = mapped_column(ForeignKey("audit.id"), unique=True)
    salt: Mapped[str | None] = mapped_column(String(DIGEST))
    content_sha256: Mapped[str] = mapped_column(String(DIGEST))
    chain_sha256: Mapped[str] = mapped_column(String(DIGEST))


class AuditHeadRow(Base):
    """The chain's end, in one row: how many links, and the digest of the last."""

    __tablename__ = "audit_head"

    id: Mapped[Id]
    count: Mapped[int]
    chain_sha256: Mapped[str] = mapped_column(String(DIGEST))
