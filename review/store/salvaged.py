"""What a salvage saved and what was lost, and the words for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

REPORT: Final = "salvage-report.txt"
LEFT_OVER: Final = "records.left-over.jsonl"
"""Rows that could be read and found no place, one a line as JSON."""


@dataclass(slots=True)
class TableSaved:
    """What became of one table.

    Attributes:
        kept: rows in the new records.
        left_over: rows that could be read and did not fit.
        lost_pages: pages of it that could not be read.
        lost_rows: rows that could not be read on pages that could.
        ids_missing: ids, up to the highest ever given, that are not there although something of
            the table was lost; those of rows that were erased before are among them.
    """

    kept: int = 0
    left_over: int = 0
    lost_pages: int = 0
    lost_rows: int = 0
    ids_missing: int = 0

    @property
    def is_whole(self) -> bool:
        """Whether nothing of it was lost."""
        return not (self.left_over or self.lost_pages or self.lost_rows)

    def line(self, name: str) -> str:
        """One line of the report."""
        parts = [
            f"{self.lost_pages} damaged pages" if self.lost_pages else "",
            f"{self.lost_rows} unreadable rows" if self.lost_rows else "",
            f"{self.left_over} rows that fit nowhere" if self.left_over else "",
            f"{self.ids_missing} ids missing" if self.ids_missing else "",
        ]
        return f"{name}: {self.kept} rows saved; {', '.join(part for part in parts if part)}."


@dataclass(slots=True)
class Salvaged:
    """What was saved and what was lost.

    Attributes:
        tables: by name.
        unplaced: rows that could be read, and not told of which table they are.
        log_is_whole: False if the file's log is damaged: the newest entries may be missing.
        free_pages_known: False if pages given free could not be told from others, so that rows
            deleted before may be among those kept.
        consents_withdrawn: consents that have to be asked for anew.
        files: videos and other files that came along.
        files_lost: those that could not be read.
    """

    tables: dict[str, TableSaved] = field(default_factory=dict)
    unplaced: int = 0
    log_is_whole: bool = True
    free_pages_known: bool = True
    consents_withdrawn: int = 0
    files: int = 0
    files_lost: list[str] = field(default_factory=list)

    @property
    def kept(self) -> int:
        """Rows in the new records."""
        return sum(table.kept for table in self.tables.values())

    @property
    def is_whole(self) -> bool:
        """Whether nothing was lost at all."""
        tables = all(table.is_whole for table in self.tables.values())
        return tables and self.log_is_whole and not self.unplaced and not self.files_lost

    def lines(self) -> list[str]:
        """The report, for people."""
        said = [f"{self.kept} rows were saved; {self.files} files came along."]
        said += [t.line(name) for name, t in sorted(self.tables.items()) if not t.is_whole]
        said += [f"{file}: this file could not be read." for file in self.files_lost]
        if self.unplaced:
            said.append(f"{self.unplaced} rows could be read, but not told where they belong.")
        if self.unplaced or any(table.left_over for table in self.tables.values()):
            said.append(
                f"What could be read and fits nowhere is in {LEFT_OVER}. Look it through, then "
                "delete it; an erasure takes it along only with older copies."
            )
        if not self.log_is_whole:
            said.append("The newest entries may be missing: look over what was done last.")
        if not self.free_pages_known:
            said.append(
                "Rows that were deleted before may be back: see that nobody who was erased is."
            )
        if self.consents_withdrawn:
            said.append(
                f"A withdrawal may be among what was lost, so {self.consents_withdrawn} consents "
                "no longer count. Ask the persons soon and record their consents anew."
            )
        if self.is_whole:
            said.append("Nothing was lost.")
        return said
