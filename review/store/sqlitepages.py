"""Reading the pages of an SQLite file that SQLite itself can no longer read.

After the published file format (sqlite.org, 'Database File Format'): pages of one size, tables as
trees of pages whose leaves hold the rows, long rows going on in chains of overflow pages, and
beside the file a log of newer pages. Nothing is written and nothing is taken on trust: a page or
a row that contradicts itself counts as lost. Pages given free are never read, so that what was
deleted does not come back.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Final, Self

Value = int | float | str | bytes | None

MAGIC: Final = b"SQLite format 3\0"
USUAL_PAGE: Final = 4096
"""Page size where the file no longer says it: SQLite's own default."""

LEAF, INTERIOR = 0x0D, 0x05
"""First byte of a page of a table's tree."""

WAL_HEAD, FRAME_HEAD = 32, 24
WAL_MAGICS: Final = {0x377F0682: "<", 0x377F0683: ">"}
"""First word of the log, and the order of bytes of its checksums."""

_INTEGERS: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Bytes of a whole number by its serial type."""


class BadPage(Exception):
    """A page, or a row on it, that is not what it should be."""


@dataclass(frozen=True, slots=True)
class RawRow:
    """A row as it lies in the file; the id column of a table lies in ``rowid``, None in values."""

    rowid: int
    values: tuple[Value, ...]


@dataclass(slots=True)
class Tree:
    """What was found under one root.

    Attributes:
        rows: in the order of their ids.
        lost_pages: pages that could not be read, and with them all that only they led to.
        lost_rows: rows that could not be read on pages that could.
    """

    rows: list[RawRow] = field(default_factory=list)
    lost_pages: int = 0
    lost_rows: int = 0

    @property
    def is_whole(self) -> bool:
        """Whether nothing contradicted itself."""
        return not (self.lost_pages or self.lost_rows)


class PageFile:
    """An SQLite file and its log, open to read.

    Attributes:
        page_size: bytes.
        count: pages that there should be.
        log_is_whole: False if the log is damaged, so that the newest changes may be missing.

    Raises:
        OSError: if it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._stream = path.open("rb")
        log = path.with_name(path.name + "-wal")
        self._log = log.read_bytes() if log.is_file() else b""
        size = path.stat().st_size
        head = self._stream.read(100)
        self.page_size = _page_size(head, self._log)
        self._newer, committed, self.log_is_whole = _newer_pages(self._log, self.page_size)
        self.count = committed or -(-size // self.page_size)
        head = self.page(1) if self.count else b""
        self.head_is_whole = head[:16] == MAGIC
        self.usable = self.page_size - (head[20] if self.head_is_whole else 0)
        self.seen: set[int] = set()
        """Pages that belong to a tree that was walked, or were given free."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stream.close()

    def page(self, number: int) -> bytes:
        """One page, numbered from 1, as it was last committed.

        Raises:
            BadPage: if there is none.
        """
        if not 1 <= number <= self.count:
            raise BadPage(f"there is no page {number}")
        if number in self._newer:
            at = self._newer[number]
            return self._log[at : at + self.page_size]
        try:
            self._stream.seek((number - 1) * self.page_size)
            content = self._stream.read(self.page_size)
        except OSError as error:
            raise BadPage(f"the disk does not give page {number}") from error
        if len(content) < self.page_size:
            raise BadPage(f"page {number} is cut off")
        return content

    def free_pages(self) -> set[int] | None:
        """The pages given free; None where that cannot be told any more."""
        if not self.head_is_whole:
            return None
        trunk, asked = struct.unpack(">II", self.page(1)[32:40])
        free: set[int] = set()
        try:
            while trunk and trunk not in free:
                free.add(trunk)
                content = self.page(trunk)
                trunk, leaves = struct.unpack(">II", content[:8])
                if leaves > self.usable // 4 - 2:
                    return None
                free |= set(struct.unpack(f">{leaves}I", content[8 : 8 + 4 * leaves]))
        except BadPage:
            return None
        if len(free) != asked:
            return None
        self.seen |= free
        return free

    def tree(self, root: int) -> Tree:
        """All rows of a table by the page that its tree begins with."""
        found = Tree()
        waiting = [root]
        while waiting:
            number = waiting.pop()
            try:
                if number in self.seen:
                    raise BadPage(f"page {number} belongs to two trees")
                content = self.page(number)
                kind, start = content[100 if number == 1 else 0], 100 if number == 1 else 0
                if kind == INTERIOR:
                    waiting += reversed(self._children(content, start))
                elif kind == LEAF:
                    rows, lost = self._leaf(content, start, True)
                    found.rows += rows
                    found.lost_rows += lost
                else:
                    raise BadPage(f"page {number} is of no table")
                self.seen.add(number)
            except BadPage:
                found.lost_pages += 1
        found.rows.sort(key=lambda row: row.rowid)
        return found

    def strays(self, *, claim: bool = True) -> Iterator[tuple[list[RawRow], int]]:
        """Rows on pages of tables that no walked tree leads to.

        Args:
            claim: whether long rows have their overflow pages to themselves from now on; not
                where one only looks for a certain row.

        Returns:
            Page by page: its rows, and how many rows on it are lost.
        """
        for number in range(1, self.count + 1):
            if number in self.seen:
                continue
            try:
                content = self.page(number)
                start = 100 if number == 1 else 0
                if content[start] == LEAF:
                    yield self._leaf(content, start, claim)
            except BadPage:
                continue

    # --- inside a page -----------------------------------------------------------------------

    def _pointers(self, content: bytes, start: int, head: int) -> list[int]:
        (cells,) = struct.unpack(">H", content[start + 3 : start + 5])
        first = start + head
        if first + 2 * cells > self.usable:
            raise BadPage("more rows than fit")
        found = list(struct.unpack(f">{cells}H", content[first : first + 2 * cells]))
        if any(not first + 2 * cells <= at < self.usable for at in found):
            raise BadPage("a row lies outside")
        return found

    def _children(self, content: bytes, start: int) -> list[int]:
        cells = self._pointers(content, start, 12)
        found = [int.from_bytes(content[at : at + 4], "big") for at in cells]
        found.append(int.from_bytes(content[start + 8 : start + 12], "big"))
        if not all(1 <= child <= self.count for child in found):
            raise BadPage("it leads nowhere")
        return found

    def _leaf(self, content: bytes, start: int, claim: bool) -> tuple[list[RawRow], int]:
        rows: list[RawRow] = []
        lost = 0
        for at in self._pointers(content, start, 8):
            try:
                row = self._row(content, at, claim)
                if rows and row.rowid <= rows[-1].rowid:
                    raise BadPage("ids are out of order")
                rows.append(row)
            except (BadPage, IndexError, UnicodeDecodeError, struct.error):
                lost += 1
        return rows, lost

    def _row(self, content: bytes, at: int, claim: bool) -> RawRow:
        size, at = _varint(content, at)
        rowid, at = _varint(content, at)
        here = _local_size(size, self.usable)
        if at + here > self.usable:
            raise BadPage("a row goes beyond its page")
        payload = content[at : at + here]
        if here < size:
            more = int.from_bytes(content[at + here : at + here + 4], "big")
            payload += self._overflow(more, size - here, claim)
        return RawRow(_signed(rowid), _values(payload))

    def _overflow(self, number: int, size: int, claim: bool) -> bytes:
        parts: list[bytes] = []
        used: list[int] = []
        while size > 0:
            if number in self.seen or number in used:
                raise BadPage("a long row goes on in another one")
            content = self.page(number)
            used.append(number)
            parts.append(content[4 : 4 + min(size, self.usable - 4)])
            size -= len(parts[-1])
            number = int.from_bytes(content[:4], "big")
        if number:
            raise BadPage("a long row does not end")
        if claim:
            self.seen.update(used)
        return b"".join(parts)


def _page_size(head: bytes, log: bytes) -> int:
    """Bytes a page: as the file says, else as its log says, else the usual."""
    said = []
    if head[:16] == MAGIC:
        said.append(65536 if head[16:18] == b"\x00\x01" else int.from_bytes(head[16:18], "big"))
    if len(log) >= WAL_HEAD:
        said.append(int.from_bytes(log[8:12], "big"))
    fit = (size for size in said if 512 <= size <= 65536 and size & (size - 1) == 0)
    return next(fit, USUAL_PAGE)


def _newer_pages(log: bytes, page_size: int) -> tuple[dict[int, int], int, bool]:
    """What the log holds that was committed.

    Returns:
        Where newer pages lie in it; how many pages the file has then (0 if it does not say); and
        whether it contradicts itself nowhere.
    """
    if len(log) < WAL_HEAD:
        return {}, 0, not log
    magic, _, said, _, salt_1, salt_2, check_1, check_2 = struct.unpack(">8I", log[:WAL_HEAD])
    order = WAL_MAGICS.get(magic, "")
    if not order or said != page_size or _check(log[:24], order) != (check_1, check_2):
        return {}, 0, False
    sums = (check_1, check_2)
    newer: dict[int, int] = {}
    pending: dict[int, int] = {}
    count, at = 0, WAL_HEAD
    while at + FRAME_HEAD + page_size <= len(log):
        number, committed, one, two, *given = struct.unpack(">6I", log[at : at + FRAME_HEAD])
        if (one, two) != (salt_1, salt_2):
            break  # from here on lie older frames, not yet written over
        body = at + FRAME_HEAD
        sums = _check(log[at : at + 8] + log[body : body + page_size], order, sums)
        if list(sums) != given:
            return newer, count, False
        pending[number] = body
        if committed:
            newer |= pending
            pending, count = {}, committed
        at = body + page_size
    return newer, count, True


def _check(content: bytes, order: str, sums: tuple[int, int] = (0, 0)) -> tuple[int, int]:
    """The log's running checksum."""
    first, second = sums
    words = struct.unpack(f"{order}{len(content) // 4}I", content)
    for one, two in zip(words[::2], words[1::2], strict=True):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + two + first) & 0xFFFFFFFF
    return first, second


def _local_size(size: int, usable: int) -> int:
    """Bytes of a row of a table that lie on its leaf."""
    most = usable - 35
    if size <= most:
        return size
    least = (usable - 12) * 32 // 255 - 23
    wanted = least + (size - least) % (usable - 4)
    return wanted if wanted <= most else least


def _varint(content: bytes, at: int) -> tuple[int, int]:
    """A number of 1 to 9 bytes, seven bits each but eight in the ninth; and where it ends."""
    value = 0
    for n in range(8):
        byte = content[at + n]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + n + 1
    return value << 8 | content[at + 8], at + 9


def _signed(value: int) -> int:
    return value - (1 << 64) if value >= 1 << 63 else value


def _values(payload: bytes) -> tuple[Value, ...]:
    """The columns of a row, which must fill it exactly."""
    head, at = _varint(payload, 0)
    kinds: list[int] = []
    while at < head:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    if at != head:
        raise BadPage("the head of a row is cut off")
    found: list[Value] = []
    for kind in kinds:
        value, at = _value(payload, at, kind)
        found.append(value)
    if at != len(payload):
        raise BadPage("a row has another length than it says")
    return tuple(found)


def _value(payload: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    if kind in (10, 11):
        raise BadPage("a value of no known kind")
    size = _INTEGERS.get(kind, 8 if kind == 7 else (kind - 12) // 2)
    content = payload[at : at + size]
    if len(content) < size:
        raise BadPage("a value is cut off")
    if kind in _INTEGERS:
        return int.from_bytes(content, "big", signed=True), at + size
    if kind == 7:
        (number,) = struct.unpack(">d", content)
        return float(number), at + size
    if not kind % 2:
        return content, at + size
    if b"\0" in content:
        raise BadPage("a text holds zeros, which none of ours does: a page was overwritten")
    return content.decode("utf-8"), at + size
