"""A list of people's codes and of trainers, read from CSV: what it asks for, line by line.

Everything is looked at before anything is done: a list is taken whole or not at all. People are
known by the unit's own code; a column that looks like a name or a birth date is refused, so that
neither ends up in the records by mistake.

Columns, in any order, named in the first line:

- ``code`` (needed): 1 to 40 letters, digits or ``- _ .``
- ``kind``: ``person`` or ``trainer``; left out or empty: person
- ``language``: of a person's feedback page, for instance ``en`` or ``es``; empty: ``en``
- ``note``: what the unit wants to remember of a person
- ``name``: of a trainer, as reports show it; empty for a person

Comma, semicolon or tab; UTF-8 with or without a byte order mark.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NoReturn

from review.errors import ReviewError
from review.escaping import csv_cell, plain_line
from review.measures import near_miss
from review.store.entering import checked_code, checked_language, checked_text, needed_text
from review.store.records import Person, StoreError, Trainer
from review.store.tables import NAME

COLUMNS: Final = ("code", "kind", "language", "note", "name")
SEPARATORS: Final = ",;\t"
LARGEST: Final = 4 * 1024 * 1024
"""Bytes; ten thousand people with a note each take about one MiB. Ours, no source."""

ENOUGH: Final = "the unit's own code is enough"

_PERSONAL: Final = re.compile(
    r"name|nombre|apellido|vorname|nachname|pr[eé]nom|\bnom\b|birth|born|\bdob\b|nacimiento|"
    r"geburt|naissance|\bage\b|address|direcci|phone|tel[eé]f|e-?mail|correo|insurance|national"
)
"""Column names that tell who somebody is, in the languages we could think of. Ours, no source."""

_DATE: Final = re.compile(
    r"(?:(?:19|20)\d\d[-._/](?:0?[1-9]|1[0-2])[-._/](?:0?[1-9]|[12]\d|3[01])"
    r"|(?:0?[1-9]|[12]\d|3[01])[-._/](?:0?[1-9]|[12]\d|3[01])[-._/](?:(?:19|20)?\d\d))"
)
"""A day of the calendar, year first or last: no code, but perhaps a birthday."""


class Kind(StrEnum):
    """Whom a line is about."""

    PERSON = "person"
    TRAINER = "trainer"


class State(StrEnum):
    """What becomes of a line."""

    ADDED = "added"
    UNCHANGED = "unchanged"
    REFUSED = "refused"


class EnrolmentError(ReviewError):
    """A list that cannot be read at all."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line that could be read; ``given`` names the columns that the list has."""

    line: int
    kind: Kind
    code: str
    language: str
    note: str
    name: str
    given: frozenset[str]


@dataclass(frozen=True, slots=True)
class Line:
    """What becomes of one line, with the reason for people where there is one."""

    line: int
    state: State
    what: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a list would change.

    Attributes:
        lines: by number; empty lines of the list are left out.
        people, trainers: to add; none of them if any line is refused.
    """

    lines: tuple[Line, ...]
    people: tuple[Person, ...]
    trainers: tuple[Trainer, ...]

    def count(self, state: State) -> int:
        """How many lines."""
        return sum(line.state is state for line in self.lines)


def make_plan(
    content: bytes, file: str, people: Iterable[Person], trainers: Iterable[Trainer]
) -> Plan:
    """What a list would change in a unit; nothing is changed here.

    Args:
        content: of the file.
        file: how messages call it.
        people: those who are there.
        trainers: those who are there.

    Raises:
        EnrolmentError: if the list cannot be read, or has a column that it should not have.
    """
    there: dict[tuple[Kind, str], Person | Trainer] = {}
    there |= {(Kind.PERSON, person.code.lower()): person for person in people}
    there |= {(Kind.TRAINER, trainer.code.lower()): trainer for trainer in trainers}
    seen: dict[tuple[Kind, str], int] = {}
    lines: list[Line] = []
    wanted: list[Wanted] = []
    for found in _read(content, file):
        if isinstance(found, Line):
            lines.append(found)
            continue
        key, what = (found.kind, found.code.lower()), f"{found.kind.value} {found.code}"
        if key in seen:
            why = f"the same code as in line {seen[key]}; every code may stand once only"
            lines.append(Line(found.line, State.REFUSED, what, why))
            continue
        seen[key] = found.line
        why = _difference(found, there[key]) if key in there else ""
        if why:
            lines.append(Line(found.line, State.REFUSED, what, why))
        elif key in there:
            lines.append(Line(found.line, State.UNCHANGED, what))
        else:
            more = found.language if found.kind is Kind.PERSON else found.name
            lines.append(Line(found.line, State.ADDED, f"{what} ({more})"))
            wanted.append(found)
    if any(line.state is State.REFUSED for line in lines):
        wanted = []
    return Plan(
        lines=tuple(lines),
        people=tuple(
            Person(w.code, w.note, w.language, active=True) for w in wanted if w.kind is Kind.PERSON
        ),
        trainers=tuple(
            Trainer(w.code, w.name, active=True) for w in wanted if w.kind is Kind.TRAINER
        ),
    )


def _difference(wanted: Wanted, there: Person | Trainer) -> str:
    """Why a line does not fit who is there under its code; empty where it does.

    What the list has no column for is not compared.
    """
    if wanted.code != there.code:
        return f"{there.code} is there already; two codes may not differ by capitals alone"
    if not there.active:
        return "is there already, marked as no longer here; take the line out"
    if isinstance(there, Person):
        pairs = {
            "language": (wanted.language, there.language),
            "note": (wanted.note, there.note),
        }
    else:
        pairs = {"name": (wanted.name, there.name)}
    other = [
        column for column, (new, old) in pairs.items() if column in wanted.given and new != old
    ]
    if not other:
        return ""
    return (
        f"is there already with another {' and another '.join(other)}; nothing is overwritten: "
        "take the line out, or change it on the page Recordings"
    )


# --- reading -------------------------------------------------------------------------------------


def _read(content: bytes, file: str) -> Iterator[Wanted | Line]:
    """Every line below the header, as what it asks for or as the reason why it cannot be taken."""
    text = _decoded(content, file)
    start = 1
    first, _, rest = text.partition("\n")
    if re.fullmatch(r"\s*\"?sep=.\"?\s*", first):  # a spreadsheet's own note on the separator
        text, start = rest, 2
    header = text.partition("\n")[0]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(header), strict=True)
    rows = _rows(reader, file, start)
    columns = _columns(next(rows, (start, []))[1], file)
    for line, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        try:
            yield _wanted(line, row, columns)
        except StoreError as error:
            yield Line(line, State.REFUSED, "", str(error).rstrip("."))


def _rows(reader: Iterator[list[str]], file: str, start: int) -> Iterator[tuple[int, list[str]]]:
    """Rows with the number of the line on which each begins."""
    line = start
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise EnrolmentError(
                f"{file}: line {line}: the quotes do not fit ({error}). Look for a single "
                'quotation mark (") in this line or after it.'
            ) from error
        yield line, row
        line = start + reader.line_num  # type: ignore[attr-defined]


def _decoded(content: bytes, file: str) -> str:
    """The text of a list.

    Raises:
        EnrolmentError: if it is no UTF-8 text, with what it looks like.
    """
    if len(content) > LARGEST:
        _refuse(file, f"it is larger than {LARGEST // 1024**2} MiB; is it the right file?")
    if content.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        _refuse(file, "this is a spreadsheet; save it as 'CSV UTF-8' first.")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in content:
        _refuse(
            file,
            "this looks like UTF-16 (spreadsheets call it Unicode text); save it as 'CSV UTF-8'.",
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        _refuse(
            file,
            f"line {line} holds a character that is not UTF-8 (perhaps the list is Latin-1 or "
            "Windows-1252); save it as 'CSV UTF-8'.",
        )
    if not text.strip():
        _refuse(file, f"it is empty. Its first line names the columns: {', '.join(COLUMNS)}.")
    return text


def _refuse(file: str, why: str) -> NoReturn:
    raise EnrolmentError(f"{file}: {why}")


def _separator(header: str) -> str:
    """What parts the cells: whichever stands most often in the first line; comma if none does."""
    bare = re.sub(r'"[^"]*"', "", header)
    return max(SEPARATORS, key=bare.count)


def _columns(header: list[str], file: str) -> Mapping[str, int]:
    """Where each column stands.

    Raises:
        EnrolmentError: for a column that is unknown, stands twice or tells who somebody is.
    """
    names = [plain_line(cell).lower() for cell in header]
    while names and not names[-1]:  # spreadsheets leave empty columns at the end
        names.pop()
    known = f"known columns: {', '.join(COLUMNS)}"
    for shown, name in zip(header, names, strict=False):
        if name in COLUMNS:
            continue
        if _PERSONAL.search(name):
            _refuse(
                file,
                f"the column {plain_line(shown)!r} tells who somebody is. Please take it out: "
                f"{ENOUGH}, and what is not in the records cannot get lost.",
            )
        _refuse(file, f"unknown column {name!r}{near_miss(name, COLUMNS)}; {known}.")
    for name in names:
        if names.count(name) > 1:
            _refuse(file, f"the column {name!r} stands twice; keep one of them.")
    if "code" not in names:
        _refuse(file, f"there is no column 'code' in the first line; {known}.")
    if "name" in names and "kind" not in names:
        _refuse(
            file,
            "the column 'name' is for trainers, and without a column 'kind' every line is a "
            f"person. Please take it out ({ENOUGH}), or say who is a trainer.",
        )
    return {name: place for place, name in enumerate(names)}


def _wanted(line: int, row: list[str], columns: Mapping[str, int]) -> Wanted:
    """One line, checked.

    Raises:
        StoreError: with the reason why it cannot be taken.
    """
    if any(cell.strip() for cell in row[len(columns) :]):
        raise StoreError(
            "more cells than columns; a text with the separator in it belongs in quotation marks"
        )
    cells = {
        name: row[place].strip() if place < len(row) else "" for name, place in columns.items()
    }
    for name, cell in cells.items():
        _check_cell(name, cell)
    kind = _kind(cells.get("kind", ""))
    code = cells["code"]
    if not code:
        raise StoreError("the code is empty")
    if _DATE.fullmatch(code):
        raise StoreError(f"{code!r} looks like a date of birth; {ENOUGH}")
    code = checked_code(code, kind.value)
    language, note, name = (cells.get(column, "") for column in ("language", "note", "name"))
    if kind is Kind.PERSON:
        if name:
            raise StoreError(f"{code}: no name is kept of people who learn; {ENOUGH}")
    else:
        if language or note:
            raise StoreError(f"{code}: a trainer has a name, but no language and no note")
        name = needed_text(name, f"name of trainer {code}", NAME)
    return Wanted(
        line=line,
        kind=kind,
        code=code,
        language=checked_language(language.lower() or "en"),
        note=checked_text(note, f"note on {code}"),
        name=name,
        given=frozenset(columns),
    )


def _kind(cell: str) -> Kind:
    try:
        return Kind(cell.lower() or Kind.PERSON)
    except ValueError:
        raise StoreError(f"{plain_line(cell)!r} is no kind: use 'person' or 'trainer'") from None


def _check_cell(name: str, cell: str) -> None:
    """No formulas and nothing that cannot be seen.

    Raises:
        StoreError: with the reason.
    """
    if csv_cell(cell) != cell:
        raise StoreError(
            f"the {name} begins like a formula ({plain_line(cell)[:20]!r}); a spreadsheet might "
            "run it"
        )
    if plain_line(cell) != " ".join(cell.split()):
        raise StoreError(f"the {name} holds characters that cannot be seen; type it again")
