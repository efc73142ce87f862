"""What calls for a re-check; reviews by two trainers; answers to every target.

What stands here never changes once released; a later form is a new file that names this one as
the one before.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

revision: str = "r0004"
down_revision: str | None = "r0003"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

CODE, NAME, WORD = sa.String(40), sa.String(200), sa.String(40)
TIME = sa.DateTime(timezone=True)

ASKS_NOTHING = ("", "reported only")
"""How the analyses of this form write that a number is told and not judged."""


def _need(name: str, kind: sa.types.TypeEngine[Any]) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=False)


def _points(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=f"fk_{table}_{column}")


def _key(table: str, column: str = "id") -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(column, name=f"pk_{table}")


def _once(table: str, *columns: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(*columns, name=f"uq_{table}_{'_'.join(columns)}")


def _index(table: str, *columns: str) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, list(columns))


def _entered(table: str, *parts: sa.schema.SchemaItem) -> None:
    """A numbered table of things that somebody entered; its ids are never used twice."""
    op.create_table(
        table,
        _need("id", sa.Integer()),
        *parts,
        _need("by", NAME),
        _need("at", TIME),
        _key(table),
        sqlite_autoincrement=True,
    )


def _of_review(table: str, *parts: sa.schema.SchemaItem) -> None:
    _entered(
        table,
        _need("review_id", sa.Integer()),
        *parts,
        _points(table, "review_id", "blind_reviews.id"),
    )


def upgrade() -> None:
    """Make the tables, and take the answers to targets out of the analyses that are there."""
    _events()
    _blind_reviews()
    op.create_table(
        "target_results",
        sa.Column("recording_id", sa.Integer(), autoincrement=False, nullable=False),
        _need("results", sa.Text()),
        _points("target_results", "recording_id", "recordings.id"),
        _key("target_results", "recording_id"),
    )
    _fill_results()


def _events() -> None:
    _entered(
        "events",
        _need("person", CODE),
        _need("kind", WORD),
        _need("on", sa.Date()),
        _need("note", sa.Text()),
        _points("events", "person", "people.code"),
    )
    _index("events", "person", "id")
    _entered(
        "events_taken_back",
        _need("event_id", sa.Integer()),
        _points("events_taken_back", "event_id", "events.id"),
        _once("events_taken_back", "event_id"),
    )


def _blind_reviews() -> None:
    _entered(
        "blind_reviews",
        _need("recording_id", sa.Integer()),
        _need("trainer", CODE),
        _points("blind_reviews", "recording_id", "recordings.id"),
        _points("blind_reviews", "trainer", "trainers.code"),
        _once("blind_reviews", "recording_id", "trainer"),
    )
    _of_review("blind_answers", _need("item", sa.Text()), _need("answer", WORD))
    _of_review(
        "blind_verdicts",
        _need("kind", WORD),
        _need("topic", NAME),
        _need("start_s", sa.Float()),
        _need("end_s", sa.Float()),
        _need("verdict", WORD),
    )
    _of_review("blind_endings", _need("how", WORD), _once("blind_endings", "review_id"))
    _index("blind_answers", "review_id", "id")
    _index("blind_verdicts", "review_id", "id")


# --- answers of the analyses that are there ---------------------------------------------------


def _fill_results() -> None:
    connection = op.get_bind()
    newest = sa.text(
        "SELECT a.recording_id, a.document FROM analyses a JOIN"
        " (SELECT recording_id, MAX(version) AS version FROM analyses GROUP BY recording_id) n"
        " ON n.recording_id = a.recording_id AND n.version = a.version"
    )
    insert = sa.text("INSERT INTO target_results (recording_id, results) VALUES (:id, :results)")
    for number, document in connection.execute(newest).fetchall():
        results = json.dumps(dict(_answers(document)), ensure_ascii=False, separators=(",", ":"))
        connection.execute(insert, {"id": number, "results": results})


def _answers(document: str) -> Iterator[tuple[str, list[str]]]:
    """By measure, the answer and the target; nothing for a document that cannot be read."""
    try:
        measures = json.loads(document).get("measures", [])
        for measure in measures:
            if measure["target"] not in ASKS_NOTHING:
                yield measure["name"], [measure["result"], measure["target"]]
    except (ValueError, KeyError, TypeError, AttributeError):
        # Opening the recording says that its analysis cannot be read; it has no answers here.
        return


def downgrade() -> None:
    """Going back would throw records away.

    Raises:
        NotImplementedError: always.
    """
    raise NotImplementedError("records are never thrown away")
