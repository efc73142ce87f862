"""What is said to patients, one catalogue file a language, checked against each other.

A catalogue is a TOML file of short texts under dotted keys, with ``{names}`` for what is filled
in. English comes first; every other catalogue holds the same keys and the same names, so that
no patient meets a half-translated page.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Final

from review.errors import ReviewError

FIRST: Final = "en"
"""The catalogue that the others are held against, and the language of last resort."""


@dataclass(frozen=True, slots=True)
class Words:
    """One language's texts.

    Attributes:
        language: its code, as the HTML ``lang`` attribute wants it.
        texts: dotted key to text with ``{names}``.
    """

    language: str
    texts: Mapping[str, str]

    def say(self, key: str, **values: object) -> str:
        """The text at ``key`` with its names filled in.

        Raises:
            KeyError: if there is no such text, or a name was not given.
        """
        return self.texts[key].format(**values)

    def count(self, key: str, number: int) -> str:
        """A number with its noun, one or many: ``count("seconds", 1)`` says '1 second'.

        Raises:
            KeyError: if the language has no such noun.
        """
        return self.texts[f"counts.{key}.{'one' if number == 1 else 'many'}"].format(n=number)

    def listing(self, items: Sequence[str]) -> str:
        """Several things in a row: 'a, b and c'; empty for none."""
        if len(items) < 2:
            return "".join(items)
        return self.say("listing.last", before=", ".join(items[:-1]), last=items[-1])

    def day(self, day: date) -> str:
        """A date as people write it, for instance '3 March 2024'."""
        month = self.texts[f"months.m{day.month}"]
        return self.say("listing.date", day=day.day, month=month, year=day.year)


def names_in(text: str) -> frozenset[str]:
    """The ``{names}`` a text wants filled in.

    >>> sorted(names_in("{n} of {all}"))
    ['all', 'n']
    """
    return frozenset(name for _, name, _, _ in string.Formatter().parse(text) if name)


def languages() -> tuple[tuple[str, str], ...]:
    """Every language there is a catalogue for: its code and its own name, English first."""
    folder = resources.files("review.words")
    found = sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )
    found.sort(key=lambda code: code != FIRST)
    return tuple((code, load_words(code).texts["language.name"]) for code in found)


def words_for(language: str) -> Words:
    """The catalogue of a person's language, or the English one where there is none.

    >>> words_for("es-MX").language, words_for("tlh").language
    ('es', 'en')
    """
    known = {code for code, _ in languages()}
    short = language.replace("_", "-").split("-")[0].lower()
    return load_words(short if short in known else FIRST)


@cache
def load_words(language: str) -> Words:
    """Read one shipped catalogue and hold it against the English one.

    Raises:
        ReviewError: if there is none for this language, or it lacks a text, has one too many,
            or wants other names filled in than the English text does.
    """
    file = resources.files("review.words") / f"{language}.toml"
    if not file.is_file():
        raise ReviewError(f"There is no catalogue of texts for the language {language!r}.")
    words = Words(language, MappingProxyType(_flat(tomllib.loads(file.read_text("utf-8")))))
    if language != FIRST:
        check_against(words, load_words(FIRST))
    return words


def check_against(words: Words, first: Words) -> None:
    """Hold one catalogue against another.

    Raises:
        ReviewError: naming the language and the key of the first difference.
    """
    for key in sorted(set(words.texts) ^ set(first.texts)):
        trouble = "is missing" if key in first.texts else "is not in the English catalogue"
        raise ReviewError(f"{words.language}.toml: the text '{key}' {trouble}.")
    for key, text in words.texts.items():
        wanted, given = names_in(first.texts[key]), names_in(text)
        if wanted != given:
            raise ReviewError(
                f"{words.language}.toml: the text '{key}' names {sorted(given)}, "
                f"the English one {sorted(wanted)}."
            )


def _flat(table: Mapping[str, object], before: str = "") -> dict[str, str]:
    """Nested tables as one, keys joined by dots; every leaf must be text."""
    flat: dict[str, str] = {}
    for key, value in table.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{name}.")
        elif isinstance(value, str) and value.strip():
            flat[name] = value
        else:
            raise ReviewError(f"The text '{name}' of a catalogue must be words, got {value!r}.")
    return flat
