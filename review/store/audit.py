"""The audit as a chain of digests: a changed, removed, inserted or moved entry shows.

Each entry has a digest of its own content, and a chain digest over the one before, its own and
its number. Whoever knows one chain digest can tell later whether anything up to it was changed
(after Haber and Stornetta, 'How to time-stamp a digital document', 1991; from memory). SHA-256
is that of FIPS 180-4.

A digest of guessable content could be found out by trying, so every content is digested with 32
random bytes of its own. When an entry is emptied, because a person's records were erased, content
and salt go and both digests stay: the chain still holds and nothing can be guessed. Only entries
that a later entry names as emptied may be empty.

What it does not do: somebody who can write to the file can write the whole chain anew. Against
that the last digest has to be written down elsewhere; :func:`verify_chain` takes it as
``expected``.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

START: Final = bytes(32)
"""Stands for the digest before the first."""

SALT_BYTES: Final = 32
NUMBER_BYTES: Final = 8

ERASED: Final = "erased"
"""What an entry says that names emptied ones."""

EMPTIED: Final = "emptied"
"""What stands in place of what an emptied entry said."""


@dataclass(frozen=True, slots=True)
class AuditContent:
    """All that one entry of the audit says. ``at`` is aware."""

    at: datetime
    who: str
    what: str
    subject: str
    detail: str
    recording_id: int | None

    @property
    def is_empty(self) -> bool:
        """Whether nothing but the word 'emptied' and a time is left."""
        texts = (self.who, self.what, self.subject, self.detail)
        return texts == ("", EMPTIED, "", "") and self.recording_id is None


@dataclass(frozen=True, slots=True)
class Link:
    """One link of the chain as it is found.

    Attributes:
        number: from 1.
        content: of the entry; None where the entry is gone.
        salt: hexadecimal, None once it was emptied.
        content_sha256, chain_sha256: hexadecimal, as kept.
    """

    number: int
    content: AuditContent | None
    salt: str | None
    content_sha256: str
    chain_sha256: str


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What checking the chain found.

    Attributes:
        count: entries that should be there.
        emptied: of these, those that were emptied by an erasure.
        chain_sha256: the last digest, to write down elsewhere.
        first_bad: number of the first entry that is not as it was; None if all are.
        why: what is wrong there; empty if nothing.
        matched: number of the entry that the expected digest belongs to; None if none was given.
    """

    count: int
    emptied: int
    chain_sha256: str
    first_bad: int | None = None
    why: str = ""
    matched: int | None = None

    @property
    def holds(self) -> bool:
        """Whether nothing was found."""
        return self.first_bad is None


def new_salt() -> str:
    """Random bytes for one entry, hexadecimal."""
    return secrets.token_hex(SALT_BYTES)


def content_digest(content: AuditContent, salt: str) -> str:
    """SHA-256 of the salt (as written, in hexadecimal) and the content as JSON; hexadecimal."""
    moment = content.at.astimezone(UTC).isoformat(timespec="microseconds")
    said = [
        moment, content.who, content.what, content.subject, content.detail, content.recording_id
    ]  # fmt: skip
    text = json.dumps(said, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(f"{salt}{text}".encode()).hexdigest()


def chain_digest(before: str, content_sha256: str, number: int) -> str:
    """SHA-256 of the digest before, the content's digest and the number (8 bytes, big-endian).

    Args:
        before: the chain digest of the entry before, hexadecimal; that of :data:`START` for the
            first.
        content_sha256: hexadecimal.
        number: of this entry, from 1.
    """
    joined = bytes.fromhex(before) + bytes.fromhex(content_sha256)
    return hashlib.sha256(joined + number.to_bytes(NUMBER_BYTES, "big")).hexdigest()


# --- which entries an erasure emptied --------------------------------------------------------

_NAMED = re.compile(r"entries (\d+(?:-\d+)?(?:, \d+(?:-\d+)?)*)")


def numbers_as_text(numbers: Iterable[int]) -> str:
    """Numbers as an erasing entry names them.

    >>> numbers_as_text([3, 4, 5, 9])
    'entries 3-5, 9'
    >>> numbers_as_text([])
    'no entries'
    """
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    if not runs:
        return "no entries"
    return "entries " + ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def numbers_in_text(text: str) -> tuple[range, ...]:
    """The numbers that an erasing entry names; nothing where it names none.

    >>> numbers_in_text("entries 3-5, 9")
    (range(3, 6), range(9, 10))
    """
    found = _NAMED.fullmatch(text)
    if found is None:
        return ()
    spans = []
    for part in found[1].split(", "):
        first, _, last = part.partition("-")
        spans.append(range(int(first), int(last or first) + 1))
    return tuple(spans)


# --- checking --------------------------------------------------------------------------------


def verify_chain(
    links: Sequence[Link],
    head: tuple[int, str] | None,
    *,
    unchained: Iterable[int] = (),
    expected: str = "",
) -> ChainReport:
    """Whether every entry is there and as it was written.

    Args:
        links: all links, by number.
        head: how many there should be and the last digest; None where that note is gone.
        unchained: for every entry of the audit that belongs to no link, the number it would
            have by its place.
        expected: a chain digest that was written down before, or '' for none.
    """
    troubles = [
        *_troubles(links, head),
        *((n, "it was never part of the chain") for n in unchained),
    ]
    matched = None
    if expected:
        matched = next((x.number for x in links if x.chain_sha256 == expected.lower()), None)
        if matched is None:
            troubles.append((1, "the digest that was written down is nowhere in this chain"))
    first, why = min(troubles, default=(None, ""), key=lambda trouble: trouble[0] or 0)
    count, last = head or (len(links), links[-1].chain_sha256 if links else START.hex())
    emptied = sum(link.salt is None for link in links)
    return ChainReport(count, emptied, last, first, why, matched)


def _troubles(links: Sequence[Link], head: tuple[int, str] | None) -> Iterable[tuple[int, str]]:
    """The first trouble in the chain itself, and every entry that is empty without a reason."""
    before = START.hex()
    for place, link in enumerate(links, 1):
        why = _broken(link, place, before)
        if why:
            yield place, why
            break
        before = link.chain_sha256
    else:
        yield from _at_the_end(len(links), before, head)
    named = _emptied_later(links)
    for link in links:
        if link.salt is None and link.number not in named:
            yield link.number, "it is empty although no erasure emptied it"


def _broken(link: Link, place: int, before: str) -> str:
    """What is wrong with one link; '' if nothing."""
    if link.number != place:
        return "it is missing" if link.number > place else "its number is used twice"
    if link.content is None:
        return "it is missing"
    if link.salt is None:
        if not link.content.is_empty:
            return "it was changed after it was emptied"
    else:
        try:
            found = content_digest(link.content, link.salt)
        except (TypeError, ValueError):  # what stands there is of another kind
            found = ""
        if found != link.content_sha256:
            return "it was changed"
    try:
        follows = chain_digest(before, link.content_sha256, place) == link.chain_sha256
    except ValueError:
        follows = False
    return "" if follows else "it does not follow from the entry before"


def _at_the_end(there: int, last: str, head: tuple[int, str] | None) -> Iterable[tuple[int, str]]:
    if head is None and there:
        yield there + 1, "the note of how many entries there are is gone"
    elif head is None:
        return
    elif head[0] > there:
        yield there + 1, "it is missing, with all after it"
    elif head[0] < there:
        yield head[0] + 1, "it is more than were noted"
    elif head[1] != last:
        yield max(there, 1), "the last digest is not the one that was noted"


def _emptied_later(links: Sequence[Link]) -> set[int]:
    """The numbers that erasing entries name."""
    named: set[int] = set()
    for link in links:
        if link.content is None or link.content.what != ERASED or link.salt is None:
            continue
        for span in numbers_in_text(link.content.subject):
            # An erasure empties what was there before it, nothing that came later.
            named |= set(range(max(span.start, 1), min(span.stop, link.number)))
    return named
