"""Checks of what people enter. Nothing is cut short or changed quietly: it fits or it is refused.

All functions raise :class:`StoreError` with the reason and the way out.
"""

from __future__ import annotations

import math
import re
from enum import StrEnum
from typing import TypeVar

from review.store.records import StoreError
from review.store.tables import CODE, NAME

LONGEST_TEXT = 20_000
"""Characters of a comment or note; several printed pages."""

_CODE = re.compile(rf"[A-Za-z0-9][A-Za-z0-9._-]{{0,{CODE - 1}}}")
_LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})?")

Word = TypeVar("Word", bound=StrEnum)


def checked_code(code: str, whose: str) -> str:
    """A unit's code of 1 to 40 letters, digits or ``- _ .``; ``whose`` is used in the message."""
    code = code.strip()
    if not _CODE.fullmatch(code):
        raise StoreError(
            f"{code!r} cannot be the {whose}'s code: use 1 to {CODE} letters, digits, '-', '_' or "
            "'.', beginning with a letter or digit."
        )
    return code


def checked_language(language: str) -> str:
    """A language as its short tag (BCP 47: two or three letters, perhaps a region)."""
    if not _LANGUAGE.fullmatch(language):
        raise StoreError(f"{language!r} is no language tag: use for instance 'en' or 'es'.")
    return language


def checked_text(words: str, what: str, longest: int = LONGEST_TEXT) -> str:
    """Text without blanks at its ends; it may be empty."""
    words = words.strip()
    if len(words) > longest:
        raise StoreError(
            f"The {what} is {len(words):,} characters long; please keep it to {longest:,}."
        )
    if "\x00" in words or not _encodable(words):
        raise StoreError(
            f"The {what} holds characters that cannot be kept; please type it again without them."
        )
    return words


def _encodable(words: str) -> bool:
    try:
        words.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def needed_text(words: str, what: str, longest: int = LONGEST_TEXT) -> str:
    """Text that may not be empty."""
    words = checked_text(words, what, longest)
    if not words:
        raise StoreError(f"The {what} is empty; please fill it in.")
    return words


def checked_who(by: str) -> str:
    """Who does something, for the audit."""
    return needed_text(by, "name of who does this", NAME)


def checked_word(value: str, kind: type[Word], what: str) -> Word:
    """One of a fixed set of words."""
    try:
        return kind(value)
    except ValueError:
        known = ", ".join(word.value for word in kind)
        raise StoreError(f"{value!r} is no {what}; it is one of: {known}.") from None


def checked_span(start_s: float, end_s: float) -> tuple[float, float]:
    """A span of a recording in seconds, kept to the millisecond; it may be a single moment."""
    start_s, end_s = float(start_s), float(end_s)
    if not (math.isfinite(start_s) and math.isfinite(end_s)) or not 0.0 <= start_s <= end_s:
        raise StoreError(
            f"From {start_s} s to {end_s} s is no span of a recording: both must be times from 0 "
            "on, the end not before the start."
        )
    return round(start_s, 3), round(end_s, 3)
