"""Records as the first form of them held them: made by its own migration, filled row by row.

The values are written as the first release wrote them. Nobody in them exists.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from review.store.database import make_file
from review.store.store import FILE
from tests.documents import example_analysis

FIRST = "r0001"
AT = "2025-11-0{} 09:30:00.123456"
BY = "an invented nurse"

WINDOWS = '[["connect", 66.0, 75.5]]'
PHASES = '[["wash", 0.0, 32.0, null, "human"], ["connect", 63.0, 80.0, 0.9, "machine"]]'

ROWS: dict[str, list[tuple[object, ...]]] = {
    "people": [("P-1", "walks with a stick", "es", 1), ("P-2", "", "en", 0)],
    "trainers": [("T-1", "Tess Invented", 1), ("T-2", "Tom Invented", 0)],
    "consents": [
        (1, "P-1", 1, 0, "2025-12-31", 0, BY, AT.format(1)),
        (2, "P-1", 1, 1, None, 1, BY, AT.format(2)),
        (3, "P-2", 1, 0, None, 0, BY, AT.format(3)),
    ],
    "recordings": [
        (1, "P-1", "T-1", "/gone/a.mp4", "a.mp4", "a" * 64, 152.25, 0, "practice", "2025-11-01",
         AT.format(4), "ready", ""),
        (2, "P-1", "T-2", "", "invented", None, 152.25, 1, "practice", "2025-11-02", AT.format(5),
         "ready", "It is invented."),
        (7, "P-2", "T-1", "/gone/b.mp4", "b.mp4", "b" * 64, 60.0, 0, "default", "2025-11-03",
         AT.format(6), "failed", "It was too dark."),
    ],
    "session_figures": [
        (1, 16.5, 32.0, 8, "", "palms", 1, 0, 1, "2025-11-08", "practise_more", "2026-05-01", 3),
        (2, 16.5, None, None, "", "palms", 1, 1, 0, None, None, None, 0),
        (7, None, None, None, "", "", 0, 0, 0, None, None, None, 0),
    ],
    "analyses": [
        (1, 1, 1, AT.format(4), "machine", example_analysis().to_json(), BY),
        (2, 2, 1, AT.format(5), "machine", example_analysis().to_json(), BY),
        (3, 1, 2, AT.format(7), "corrected", example_analysis().to_json(), BY),
    ],
    "corrections": [(1, 1, 1, None, WINDOWS, AT.format(7), BY),
                    (2, 1, 2, PHASES, None, AT.format(7), BY)],
    "decisions": [
        (1, 1, "wash_short", "", 0.0, 32.0, "agree", "quite short", AT.format(7), BY),
        (2, 1, "talking_near_open_line", "", 68.0, 71.2, "disagree", "", AT.format(7), BY),
    ],
    "moments": [(1, 1, 12.5, 14.0, "sleeves", AT.format(7), BY),
                (2, 1, 20.0, 20.0, "by mistake", AT.format(7), BY)],
    "answers": [(1, 1, "Nails are short", "not_seen", "", AT.format(7), BY)],
    "comments": [(1, 1, "Went well, señora.", AT.format(7), BY)],
    "signoffs": [
        (1, 1, 1, "Tess", "2025-11-08", "practise_more", "2026-05-01", 2, "c" * 64, AT.format(8),
         BY),
    ],
    "withdrawals": [
        (1, 3, None, None, BY, AT.format(8)),
        (2, None, 2, None, BY, AT.format(8)),
        (3, None, None, 2, BY, AT.format(8)),
    ],
    "audit": [
        (1, AT.format(1), BY, "added", "person P-1", "", None),
        (2, AT.format(4), BY, "added", "recording 1", "a.mp4 of P-1, taken on 2025-11-01", 1),
        (3, AT.format(7), BY, "decided", "recording 1", "wash_short at 0.0 s: agree", 1),
        (5, AT.format(8), BY, "signed", "recording 1", "version 1, practise_more", 1),
    ],
}  # fmt: skip
"""Every row of every table of the first form."""


def first_store(folder: Path) -> Path:
    """Records of the first form in a new folder."""
    folder.mkdir(parents=True)
    make_file(folder / FILE, FIRST)
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("PRAGMA foreign_keys = ON")
        for table, rows in ROWS.items():
            places = ", ".join("?" * len(rows[0]))
            connection.executemany(f'INSERT INTO "{table}" VALUES ({places})', rows)
        connection.commit()
    return folder


def rows_of_the_first_form(file: Path) -> dict[str, list[tuple[object, ...]]]:
    """The same tables and columns as they stand in a file of any form."""
    with closing(sqlite3.connect(":memory:")) as fresh:
        fresh.execute("ATTACH ? AS other", (f"{file}",))
        found = {}
        for table, rows in ROWS.items():
            columns = [r[0] for r in fresh.execute(
                "SELECT name FROM pragma_table_info(?, 'other') ORDER BY cid", (table,)
            )][: len(rows[0])]  # fmt: skip
            named = ", ".join(f'"{column}"' for column in columns)
            found[table] = fresh.execute(
                f'SELECT {named} FROM other."{table}" ORDER BY 1'
            ).fetchall()
        return found
