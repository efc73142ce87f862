"""What an erasure takes away and what it leaves: worked out here, done elsewhere.

A plan names everything before anything is touched, so that an erasure that was interrupted can
go on, and so that a person can look before saying yes. A receipt says afterwards what went. Both
name the person and are for whoever asked; the records keep neither once the erasure is over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

from review.store.records import Consent

HASH_SHOWN: Final = 16
"""Hexadecimal digits of a recording's hash by which files made from it are named (or more)."""

BY_NUMBER: Final = "jobs"
"""The folder in which the first number of a name is a recording's."""

RECEIPT_SCHEMA: Final = "exchange-review.erasure-receipt/1"

_NUMBERED = re.compile(r"\.?(\d+)(?!\d)")
_RECORDING = re.compile(r"(?<![A-Za-z0-9])(?:recording|session|clip)[-_ ]?(\d+)(?!\d)")


@dataclass(frozen=True, slots=True)
class ErasedRecording:
    """A recording that goes.

    Attributes:
        id: as in the records.
        name: its file name, or how the session is called.
        taken_on: day, ISO 8601.
        file: where the video lies; empty where none is kept.
        sha256: of the video; empty where none is kept.
    """

    id: int
    name: str
    taken_on: str
    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ErasurePlan:
    """Everything that goes, and what stays.

    Attributes:
        person: code.
        recordings: of this person.
        files: what is removed from the disk, as paths.
        originals: videos that lie outside the records; removed only if ``delete_originals``.
        shared: files that another person's recording of the same video still needs.
        backups: older copies of the records, which hold the person as they were; removed only if
            ``delete_backups``.
        exports: what was written out before, one line each: the records do not know where it is.
        caches: folders of hand and face positions outside the records that were looked through.
    """

    person: str
    recordings: tuple[ErasedRecording, ...]
    files: tuple[str, ...]
    originals: tuple[str, ...]
    shared: tuple[str, ...]
    backups: tuple[str, ...]
    exports: tuple[str, ...]
    caches: tuple[str, ...]
    delete_originals: bool = False
    delete_backups: bool = False

    def as_json(self) -> dict[str, Any]:
        """To be kept while the erasure is under way."""
        return asdict(self)

    @staticmethod
    def from_json(kept: dict[str, Any]) -> ErasurePlan:
        """The inverse of :meth:`as_json`."""
        lists: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in kept.items()
        }
        lists["recordings"] = tuple(ErasedRecording(**r) for r in kept["recordings"])
        return ErasurePlan(**lists)

    @property
    def going(self) -> tuple[str, ...]:
        """All files that are removed, in one list without repeats."""
        more = self.originals if self.delete_originals else ()
        old = self.backups if self.delete_backups else ()
        return tuple(dict.fromkeys((*self.files, *more, *old)))


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an erasure did.

    Attributes:
        plan: what was to go.
        by: who did it.
        done_at: UTC.
        rows: how many rows went from each table, by its name.
        emptied: entries of the audit whose content went.
        overwritten: whether the freed places in the file of the records were overwritten; if
            not, that is done when the records are opened next.
        on_server: whether the rows were on a database server, which keeps more than its tables.
    """

    plan: ErasurePlan
    by: str
    done_at: datetime
    rows: dict[str, int]
    emptied: int
    overwritten: bool
    on_server: bool = False

    def as_json(self) -> str:
        """The receipt for other programs."""
        left = {
            "originals": () if self.plan.delete_originals else self.plan.originals,
            "older_copies_of_the_records": () if self.plan.delete_backups else self.plan.backups,
            "needed_by_others": self.plan.shared,
            "exported_before": self.plan.exports,
        }
        content = {
            "schema": RECEIPT_SCHEMA,
            "person": self.plan.person,
            "by": self.by,
            "done_at": self.done_at.isoformat(timespec="seconds"),
            "recordings": [{"name": r.name, "taken_on": r.taken_on} for r in self.plan.recordings],
            "files_removed": self.plan.going,
            "rows_removed": self.rows,
            "audit_entries_emptied": self.emptied,
            "freed_places_overwritten": self.overwritten,
            "left": left,
        }
        if self.on_server:
            content["on_server"] = True
        return json.dumps(content, indent=2, ensure_ascii=False) + "\n"

    def as_text(self) -> str:
        """The receipt for people."""
        plan = self.plan
        lines = [
            f"Receipt: the records of {plan.person} were erased",
            f"Done at {self.done_at:%Y-%m-%d %H:%M} UTC by {self.by}.",
            "",
            *_listed("Recordings", [f"{r.name}, taken on {r.taken_on}" for r in plan.recordings]),
            *_listed("Files removed", plan.going),
            f"Rows removed from the records: {sum(self.rows.values())}",
            *(f"- {name.replace('_', ' ')}: {n}" for name, n in self.rows.items() if n),
            f"Entries of the audit emptied: {self.emptied}. Their digests stay; they tell nothing.",
        ]
        if not self.overwritten:
            lines.append(
                "Freed places in the file of the records are overwritten when it is opened next."
            )
        if self.on_server:
            lines.append(
                "The server's log of changes and copies of it hold what was removed until they are "
                "replaced; tell whoever looks after the server."
            )
        return "\n".join([*lines, "", *left_lines(plan)]) + "\n"


def left_lines(plan: ErasurePlan) -> list[str]:
    """What an erasure leaves, with what to do about it, as lines for people."""
    lines = ["What is left, and yours to look after", ""]
    if plan.originals and not plan.delete_originals:
        lines += _listed("Videos that were never part of the records", plan.originals)
    if plan.backups and not plan.delete_backups:
        lines += _listed("Older copies of the records, with everything in them", plan.backups)
    if plan.shared:
        lines += _listed("Files that another person's recording needs", plan.shared)
    if plan.exports:
        lines += _listed("Written out before; look for these", plan.exports)
    lines.append(
        "Not known to the records: your own backups, printed pages, results written elsewhere."
    )
    return lines


def plan_lines(plan: ErasurePlan) -> list[str]:
    """A plan in words, before anything is done."""
    return [
        f"To be erased: everything about {plan.person}",
        "",
        *_listed("Recordings", [f"{r.name}, taken on {r.taken_on}" for r in plan.recordings]),
        *_listed("Files", plan.going),
        "",
        *left_lines(plan),
    ]


def _listed(title: str, things: Sequence[str]) -> list[str]:
    return [f"{title}: {len(things)}", *(f"- {thing}" for thing in things)]


# --- which files belong to whom --------------------------------------------------------------


def belongs_to(
    place: Path, *, hashes: Iterable[str], numbers: Iterable[int], person: str = ""
) -> bool:
    """Whether a file in the records' folder was made from a recording, judging by its path.

    It was if the path names the recording's hash (its first 16 digits), if it lies in ``jobs``
    and begins with the recording's number, or says ``recording-<number>``, ``session-<number>``
    or ``clip-<number>``, or names the person.

    Args:
        place: relative to the folder of the records.
        hashes: SHA-256 of recordings, hexadecimal; empty ones are passed over.
        numbers: ids of recordings.
        person: a code, or '' for none.

    >>> belongs_to(Path("jobs/7.json"), hashes=[], numbers=[7])
    True
    >>> belongs_to(Path("jobs/71.json"), hashes=[], numbers=[7])
    False
    >>> belongs_to(Path("reports/recording-7.pdf"), hashes=[], numbers=[7])
    True
    """
    text, wanted = place.as_posix(), set(numbers)
    if any(sha[:HASH_SHOWN] in text for sha in hashes if len(sha) >= HASH_SHOWN):
        return True
    if place.parts[0] == BY_NUMBER:
        found = _NUMBERED.match(place.name)
        return found is not None and int(found[1]) in wanted
    if any(int(found[1]) in wanted for found in _RECORDING.finditer(text)):
        return True
    return bool(person) and any(names_person(part.split(".")[0], person) for part in place.parts)


def names_person(text: str, person: str) -> bool:
    """Whether a text holds a person's code as a word of its own.

    A code that is a mere number, or shorter than three characters, is too easily found in other
    words; it counts only as ``person <code>`` or ``of <code>``.

    >>> names_person("feedback for K-10 again", "K-10"), names_person("K-104", "K-10")
    (True, False)
    >>> names_person("version 7", "7"), names_person("person 7", "7")
    (False, True)
    """
    whole = rf"(?<![A-Za-z0-9._-]){re.escape(person)}(?![A-Za-z0-9_-])(?!\.[A-Za-z0-9])"
    if person.isdigit() or len(person) < 3:
        whole = rf"(?:person|of) {whole.removeprefix('(?<![A-Za-z0-9._-])')}"
    return re.search(whole, text) is not None


# --- who is due ------------------------------------------------------------------------------


def ended_on(consent: Consent | None, today: date) -> date | None:
    """The last day of a consent that is over; None while it holds, and where there is none."""
    if consent is None:
        return None
    days = []
    if consent.withdrawn_at is not None:
        days.append(consent.withdrawn_at.astimezone().date())
    if consent.until is not None and consent.until < today:
        days.append(consent.until)
    return min(days, default=None)


def is_due(consent: Consent | None, today: date, after_days: int) -> bool:
    """Whether a consent ended more than so many days ago."""
    end = ended_on(consent, today)
    return end is not None and (today - end).days > after_days
