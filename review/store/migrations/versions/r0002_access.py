"""Who may sign in, and who did.

What stands here never changes once released; a later form is a new file that names this one as
the one before.
"""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision: str = "r0002"
down_revision: str | None = "r0001"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

CODE, WORD, TIME = sa.String(40), sa.String(40), sa.DateTime(timezone=True)


def upgrade() -> None:
    """Bring the records from the form before to this one."""
    op.create_table(
        "accounts",
        sa.Column("name", CODE, nullable=False),
        sa.Column("role", WORD, nullable=False),
        sa.Column("trainer", CODE, nullable=True),
        sa.Column("person", CODE, nullable=True),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("added_at", TIME, nullable=False),
        sa.ForeignKeyConstraint(["trainer"], ["trainers.code"], name="fk_accounts_trainer"),
        sa.ForeignKeyConstraint(["person"], ["people.code"], name="fk_accounts_person"),
        sa.PrimaryKeyConstraint("name", name="pk_accounts"),
    )
    op.create_table(
        "sign_in_tries",
        sa.Column("place", WORD, nullable=False),
        sa.Column("tries", sa.Float(), nullable=False),
        sa.Column("last_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("place", name="pk_sign_in_tries"),
    )


def downgrade() -> None:
    """Going back would throw records away.

    Raises:
        NotImplementedError: always.
    """
    raise NotImplementedError("records are never thrown away")
