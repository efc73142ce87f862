"""The first form of the records.

What stands here never changes; a later form is a new file that names this one as the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

revision: str = "r0001"
down_revision: str | None = None
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

CODE, NAME, WORD = sa.String(40), sa.String(200), sa.String(40)
TIME = sa.DateTime(timezone=True)


def _need(name: str, kind: sa.types.TypeEngine[Any]) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=False)


def _may(name: str, kind: sa.types.TypeEngine[Any]) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=True)


def _points(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=f"fk_{table}_{column}")


def _key(table: str, column: str = "id") -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(column, name=f"pk_{table}")


def _once(table: str, *columns: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(*columns, name=f"uq_{table}_{'_'.join(columns)}")


def _index(table: str, *columns: str) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, list(columns))


def _numbered(table: str, *parts: sa.schema.SchemaItem) -> None:
    """A table whose ids are never used twice."""
    op.create_table(
        table, _need("id", sa.Integer()), *parts, _key(table), sqlite_autoincrement=True
    )


def _of_recording(table: str, *parts: sa.schema.SchemaItem) -> None:
    """A numbered table of things that somebody entered about a recording."""
    _numbered(
        table,
        _need("recording_id", sa.Integer()),
        *parts,
        _need("by", NAME),
        _points(table, "recording_id", "recordings.id"),
    )


def upgrade() -> None:
    """Make all tables."""
    _people()
    _recordings()
    _entered()
    _numbered(
        "withdrawals",
        _may("consent_id", sa.Integer()),
        _may("decision_id", sa.Integer()),
        _may("moment_id", sa.Integer()),
        _need("by", NAME),
        _need("at", TIME),
        sa.CheckConstraint(
            "(CASE WHEN consent_id IS NULL THEN 0 ELSE 1 END)"
            " + (CASE WHEN decision_id IS NULL THEN 0 ELSE 1 END)"
            " + (CASE WHEN moment_id IS NULL THEN 0 ELSE 1 END) = 1",
            name=op.f("ck_withdrawals_one_thing"),
        ),
        _points("withdrawals", "consent_id", "consents.id"),
        _points("withdrawals", "decision_id", "decisions.id"),
        _points("withdrawals", "moment_id", "moments.id"),
        _once("withdrawals", "consent_id"),
        _once("withdrawals", "decision_id"),
        _once("withdrawals", "moment_id"),
    )
    _numbered(
        "audit",
        _need("at", TIME),
        _need("who", NAME),
        _need("what", WORD),
        _need("subject", sa.Text()),
        _need("detail", sa.Text()),
        _may("recording_id", sa.Integer()),
    )
    _index("audit", "recording_id", "id")


def _people() -> None:
    op.create_table(
        "people",
        _need("code", CODE),
        _need("note", sa.Text()),
        _need("language", WORD),
        _need("active", sa.Boolean()),
        _key("people", "code"),
    )
    op.create_table(
        "trainers",
        _need("code", CODE),
        _need("name", NAME),
        _need("active", sa.Boolean()),
        _key("trainers", "code"),
    )
    _numbered(
        "consents",
        _need("person", CODE),
        _need("for_review", sa.Boolean()),
        _need("for_teaching", sa.Boolean()),
        _may("until", sa.Date()),
        _need("sound", sa.Boolean()),
        _need("given_to", NAME),
        _need("recorded_at", TIME),
        _points("consents", "person", "people.code"),
    )
    _index("consents", "person", "id")


def _recordings() -> None:
    _numbered(
        "recordings",
        _need("person", CODE),
        _need("trainer", CODE),
        _need("file", sa.Text()),
        _need("name", sa.Text()),
        _may("sha256", sa.String(64)),
        _need("duration_s", sa.Float()),
        _need("mirrored", sa.Boolean()),
        _need("protocol", sa.Text()),
        _need("taken_on", sa.Date()),
        _need("added_at", TIME),
        _need("state", WORD),
        _need("state_text", sa.Text()),
        _points("recordings", "person", "people.code"),
        _points("recordings", "trainer", "trainers.code"),
        _once("recordings", "person", "sha256"),
    )
    op.create_table(
        "session_figures",
        sa.Column("recording_id", sa.Integer(), autoincrement=False, nullable=False),
        _may("wash_rubbing_s", sa.Float()),
        _may("wash_whole_s", sa.Float()),
        _may("surfaces_rubbed", sa.Integer()),
        _need("surfaces_missed", sa.Text()),
        _need("surfaces_unclear", sa.Text()),
        _need("look_flags", sa.Integer()),
        _need("open_flags", sa.Integer()),
        _need("agreed_flags", sa.Integer()),
        _may("signed_on", sa.Date()),
        _may("outcome", WORD),
        _may("recheck_on", sa.Date()),
        _need("watched", sa.Integer()),
        _points("session_figures", "recording_id", "recordings.id"),
        _key("session_figures", "recording_id"),
    )
    _of_recording(
        "analyses",
        _need("version", sa.Integer()),
        _need("made_at", TIME),
        _need("basis", WORD),
        _need("document", sa.Text()),
        _once("analyses", "recording_id", "version"),
    )


def _entered() -> None:
    _of_recording(
        "corrections",
        _need("version", sa.Integer()),
        _may("phases", sa.JSON()),
        _may("windows", sa.JSON()),
        _need("at", TIME),
        _once("corrections", "recording_id", "version"),
    )
    _of_recording(
        "decisions",
        _need("kind", WORD),
        _need("topic", NAME),
        _need("start_s", sa.Float()),
        _need("end_s", sa.Float()),
        _need("verdict", WORD),
        _need("comment", sa.Text()),
        _need("at", TIME),
    )
    _of_recording(
        "moments",
        _need("start_s", sa.Float()),
        _need("end_s", sa.Float()),
        _need("text", sa.Text()),
        _need("at", TIME),
    )
    _of_recording(
        "answers",
        _need("item", sa.Text()),
        _need("answer", WORD),
        _need("comment", sa.Text()),
        _need("at", TIME),
    )
    _of_recording("comments", _need("text", sa.Text()), _need("at", TIME))
    _of_recording(
        "signoffs",
        _need("version", sa.Integer()),
        _need("name", NAME),
        _need("on", sa.Date()),
        _need("outcome", WORD),
        _may("recheck_on", sa.Date()),
        _need("analysis_version", sa.Integer()),
        _need("content_sha256", sa.String(64)),
        _need("at", TIME),
        _once("signoffs", "recording_id", "version"),
    )
    for table in ("decisions", "moments", "answers", "comments"):
        _index(table, "recording_id", "id")


def downgrade() -> None:
    """There is nothing before this one.

    Raises:
        NotImplementedError: always; going back would throw records away.
    """
    raise NotImplementedError("records are never thrown away")
