"""Versions of what a unit learnt from its own corrections, and which of them is in use.

What stands here never changes once released; a later form is a new file that names this one as
the one before.
"""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision: str = "r0006"
down_revision: str | None = "r0005"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

NAME = sa.String(200)
TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Two tables; a unit that has learnt nothing uses the shipped values."""
    op.create_table(
        "refit_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("protocol", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_refit_versions"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "refit_uses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version_id", sa.Integer(), nullable=True),
        sa.Column("by", NAME, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_refit_uses"),
        sa.ForeignKeyConstraint(
            ["version_id"], ["refit_versions.id"], name="fk_refit_uses_version_id"
        ),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    """Going back would throw records away.

    Raises:
        NotImplementedError: always.
    """
    raise NotImplementedError("records are never thrown away")
