"""The work area that a person drew stands with the corrections.

What stands here never changes once released; a later form is a new file that names this one as
the one before.
"""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision: str = "r0005"
down_revision: str | None = "r0004"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """A column; corrections that are there have no area: the program's own is used."""
    op.add_column("corrections", sa.Column("area", sa.JSON(), nullable=True))


def downgrade() -> None:
    """Going back would throw records away.

    Raises:
        NotImplementedError: always.
    """
    raise NotImplementedError("records are never thrown away")
