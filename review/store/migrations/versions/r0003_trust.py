"""The audit as a chain; how a video is kept; erasure.

What stands here never changes once released; a later form is a new file that names this one as
the one before. The digests are worked out here once more for the same reason: this step must
write the same links whatever later releases do.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Sequence
from datetime import UTC

import sqlalchemy as sa
from alembic import op

revision: str = "r0003"
down_revision: str | None = "r0002"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

TIME = sa.DateTime(timezone=True)
DIGEST = sa.String(64)
START = "0" * 64

GUARDS = (
    """CREATE TRIGGER audit_stays BEFORE DELETE ON audit
       BEGIN SELECT RAISE(ABORT, 'entries of the audit are never removed'); END""",
    """CREATE TRIGGER audit_is_only_emptied BEFORE UPDATE ON audit
       WHEN NEW.id IS NOT OLD.id OR NEW.who <> '' OR NEW.what <> 'emptied' OR NEW.subject <> ''
            OR NEW.detail <> '' OR NEW.recording_id IS NOT NULL
       BEGIN SELECT RAISE(ABORT, 'entries of the audit are never changed'); END""",
    """CREATE TRIGGER audit_chain_stays BEFORE DELETE ON audit_chain
       BEGIN SELECT RAISE(ABORT, 'links of the audit are never removed'); END""",
    """CREATE TRIGGER audit_chain_is_only_unsalted BEFORE UPDATE ON audit_chain
       WHEN NEW.number IS NOT OLD.number OR NEW.audit_id IS NOT OLD.audit_id
            OR NEW.content_sha256 IS NOT OLD.content_sha256
            OR NEW.chain_sha256 IS NOT OLD.chain_sha256 OR NEW.salt IS NOT NULL
       BEGIN SELECT RAISE(ABORT, 'links of the audit are never changed'); END""",
    """CREATE TRIGGER audit_head_stays BEFORE DELETE ON audit_head
       BEGIN SELECT RAISE(ABORT, 'the end of the audit is never removed'); END""",
    """CREATE TRIGGER audit_head_only_grows BEFORE UPDATE ON audit_head
       WHEN NEW.id IS NOT OLD.id OR NEW.count <= OLD.count
       BEGIN SELECT RAISE(ABORT, 'the audit only grows'); END""",
)
"""Against slips, in a file of SQLite. Whoever means harm can remove them; the chain shows it."""

_REFUSE = """CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION USING MESSAGE = TG_ARGV[0], ERRCODE = 'integrity_constraint_violation';
END $$"""

_ON_SERVER = (
    ("audit", "DELETE", "", "entries of the audit are never removed"),
    ("audit", "TRUNCATE", "", "entries of the audit are never removed"),
    (
        "audit",
        "UPDATE",
        "NEW.id IS DISTINCT FROM OLD.id OR NEW.who <> '' OR NEW.what <> 'emptied'"
        " OR NEW.subject <> '' OR NEW.detail <> '' OR NEW.recording_id IS NOT NULL",
        "entries of the audit are never changed",
    ),
    ("audit_chain", "DELETE", "", "links of the audit are never removed"),
    ("audit_chain", "TRUNCATE", "", "links of the audit are never removed"),
    (
        "audit_chain",
        "UPDATE",
        "NEW.number IS DISTINCT FROM OLD.number OR NEW.audit_id IS DISTINCT FROM OLD.audit_id"
        " OR NEW.content_sha256 IS DISTINCT FROM OLD.content_sha256"
        " OR NEW.chain_sha256 IS DISTINCT FROM OLD.chain_sha256 OR NEW.salt IS NOT NULL",
        "links of the audit are never changed",
    ),
    ("audit_head", "DELETE", "", "the end of the audit is never removed"),
    ("audit_head", "TRUNCATE", "", "the end of the audit is never removed"),
    (
        "audit_head",
        "UPDATE",
        "NEW.id IS DISTINCT FROM OLD.id OR NEW.count <= OLD.count",
        "the audit only grows",
    ),
)
"""The same guards in a database of PostgreSQL: table, what is refused, when, and the words. They
were added before any records were kept on a server."""


def upgrade() -> None:
    """Bring the records from the form before to this one."""
    op.create_table(
        "audit_chain",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("audit_id", sa.Integer(), nullable=False),
        sa.Column("salt", DIGEST, nullable=True),
        sa.Column("content_sha256", DIGEST, nullable=False),
        sa.Column("chain_sha256", DIGEST, nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit_chain"),
        sa.ForeignKeyConstraint(["audit_id"], ["audit.id"], name="fk_audit_chain_audit_id"),
        sa.UniqueConstraint("audit_id", name="uq_audit_chain_audit_id"),
    )
    op.create_table(
        "audit_head",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("chain_sha256", DIGEST, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit_head"),
    )
    op.create_table(
        "erasures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("asked_at", TIME, nullable=False),
        sa.Column("by", sa.String(200), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_erasures"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "keeping",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("video", sa.String(40), nullable=False),
        sa.Column("erase_after_days", sa.Integer(), nullable=False),
        sa.Column("vault", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_keeping"),
    )
    _chain_what_is_there(op.get_bind())
    if op.get_bind().dialect.name == "sqlite":
        for guard in GUARDS:
            op.execute(guard)
    if op.get_bind().dialect.name == "postgresql":
        _guard_on_server()


def _guard_on_server() -> None:
    op.execute(_REFUSE)
    for table, what, when, words in _ON_SERVER:
        each = "STATEMENT" if what == "TRUNCATE" else "ROW"
        condition = f" WHEN ({when})" if when else ""
        op.execute(
            f"CREATE TRIGGER {table}_{what.lower()}_refused BEFORE {what} ON {table}"
            f" FOR EACH {each}{condition} EXECUTE FUNCTION refuse_change('{words}')"
        )


def _chain_what_is_there(connection: sa.Connection) -> None:
    """A link for every entry, in the order of their ids."""
    audit = sa.table(
        "audit", sa.column("id", sa.Integer()), sa.column("at", TIME), sa.column("who"),
        sa.column("what"), sa.column("subject"), sa.column("detail"), sa.column("recording_id"),
    )  # fmt: skip
    chain = sa.table(
        "audit_chain", sa.column("number"), sa.column("audit_id"), sa.column("salt"),
        sa.column("content_sha256"), sa.column("chain_sha256"),
    )  # fmt: skip
    head = sa.table("audit_head", sa.column("id"), sa.column("count"), sa.column("chain_sha256"))
    number, before = 0, START
    for row in connection.execute(sa.select(audit).order_by(audit.c.id)).all():
        number += 1
        salt = secrets.token_hex(32)
        at = row.at.replace(tzinfo=UTC) if row.at.tzinfo is None else row.at.astimezone(UTC)
        said = [
            at.isoformat(timespec="microseconds"), row.who, row.what, row.subject, row.detail,
            row.recording_id,
        ]  # fmt: skip
        text = json.dumps(said, ensure_ascii=True, separators=(",", ":"))
        content = hashlib.sha256(f"{salt}{text}".encode()).digest()
        link = bytes.fromhex(before) + content + number.to_bytes(8, "big")
        before = hashlib.sha256(link).hexdigest()
        connection.execute(
            sa.insert(chain).values(
                number=number,
                audit_id=row.id,
                salt=salt,
                content_sha256=content.hex(),
                chain_sha256=before,
            )
        )
    if number:
        connection.execute(sa.insert(head).values(id=1, count=number, chain_sha256=before))


def downgrade() -> None:
    """Going back would throw records away.

    Raises:
        NotImplementedError: always.
    """
    raise NotImplementedError("records are never thrown away")
