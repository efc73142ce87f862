"""A unit's procedure: the order of phases, the targets with their sources, the settings.

Protocols are TOML files. :func:`load_protocol` checks one completely and, if anything is
wrong, names the file, the line and the key.
"""

from __future__ import annotations

import re
import tomllib
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import ErrorDetails

from review.errors import ProtocolError
from review.measures import MEASURES, Target, near_miss
from review.settings import Detection
from review.timeline import Phase

__all__ = [
    "ChecklistItem",
    "Protocol",
    "Recheck",
    "Step",
    "Target",
    "Trigger",
    "load_protocol",
    "shipped_protocols",
]

DurationS = Annotated[float, Field(gt=0.0, le=4 * 3600.0)]
"""Seconds of one phase; four hours is far beyond any exchange."""

Key = tuple[str | int, ...]
"""Where a value stands in a file: table and key names, and positions in lists from 0."""


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Step(_Record):
    """One step of the procedure, in the order of the file."""

    phase: Phase = Field(description="The phase; 'other' may happen anywhere and is no step.")
    required: bool = Field(True, description="Whether its absence is reported.")
    repeats: Annotated[int, Field(ge=1, le=10)] = Field(
        1, description="How many times in a row the step is done."
    )
    min_s: DurationS = Field(description="Shortest believable duration.")
    typical_s: DurationS = Field(description="Most common duration.")
    max_s: DurationS = Field(description="Longest believable duration.")

    @field_validator("phase", mode="before")
    @classmethod
    def _known_phase(cls, value: object) -> object:
        names = [phase.value for phase in Phase if phase is not Phase.OTHER]
        if value == Phase.OTHER:
            raise ValueError("'other' may happen anywhere and is not a step")
        if isinstance(value, str) and value not in names:
            raise ValueError(f"no phase is called {value!r}{near_miss(value, names)}")
        return value

    @model_validator(mode="after")
    def _durations_in_order(self) -> Self:
        if not self.min_s <= self.typical_s <= self.max_s:
            raise ValueError("min_s, typical_s and max_s must not decrease in this order")
        return self


class ChecklistItem(_Record):
    """One thing a trainer looks for; most of them no camera can see."""

    item: Annotated[str, Field(min_length=3)] = Field(description="What to look for.")
    critical: bool = Field(False, description="Whether missing it stops the exchange.")
    seen_by: Literal["camera", "person"] = Field(
        "person", description="Whether this program helps with it or only a person can tell."
    )
    measures: tuple[str, ...] = Field(
        (), description="Measures that help with it; they suggest an answer, open to change."
    )

    @field_validator("measures")
    @classmethod
    def _known_measures(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        for name in names:
            if name not in MEASURES:
                raise ValueError(f"no measure is called {name!r}{near_miss(name, MEASURES)}")
        return names

    @model_validator(mode="after")
    def _measures_are_the_cameras(self) -> Self:
        if self.measures and self.seen_by != "camera":
            raise ValueError("only an item with seen_by = 'camera' can name measures")
        return self


class Trigger(StrEnum):
    """What happens to a person and calls for another look at their practice."""

    PERITONITIS = "peritonitis"
    CATHETER_INFECTION = "catheter_infection"
    HOSPITAL_STAY = "hospital_stay"
    NEW_HELPER = "new_helper"
    CHANGED_ABILITY = "changed_ability"
    NEW_SYSTEM = "new_system"
    BACK_FROM_PAUSE = "back_from_pause"


Days = Annotated[int, Field(ge=0, le=3660)]
"""Whole days of the calendar; ten years are more than any plan looks ahead."""

SourceText = Annotated[str, Field(min_length=3)]


class EventRule(_Record):
    """Within how many days after an event a person is to be looked at again."""

    event: Trigger = Field(description="What happened.")
    within_days: Days = Field(description="Days from the event to the day it is due.")
    source: SourceText = Field(description="Who asks for it; 'common practice' if local.")

    @field_validator("event", mode="before")
    @classmethod
    def _known_event(cls, value: object) -> object:
        names = [trigger.value for trigger in Trigger]
        if isinstance(value, str) and value not in names:
            raise ValueError(
                f"no event is called {value!r}{near_miss(value, names)}; the events are: "
                + ", ".join(names)
            )
        return value


class Recheck(_Record):
    """When a person is to be looked at again. What is left out is not asked for."""

    interval_days: Annotated[Days, Field(ge=1)] | None = Field(
        None, description="Days after the latest signature, where the trainer set no day."
    )
    interval_source: str = Field("", description="Who asks for it; 'common practice' if local.")
    gap_days: Annotated[Days, Field(ge=1)] | None = Field(
        None, description="Days without any recorded session after which it is due."
    )
    gap_source: str = Field("", description="Who asks for it; 'common practice' if local.")
    after: tuple[EventRule, ...] = ()

    @model_validator(mode="after")
    def _every_number_has_its_source(self) -> Self:
        for name in ("interval", "gap"):
            days, source = getattr(self, f"{name}_days"), getattr(self, f"{name}_source")
            if days is not None and not source.strip():
                raise ValueError(f"{name}_days needs {name}_source, for instance 'unit setting'")
        events = [rule.event for rule in self.after]
        for event in events:
            if events.count(event) > 1:
                raise ValueError(f"{event.value} has two rules; keep one of them")
        return self

    def rule(self, event: Trigger) -> EventRule | None:
        """The rule for one kind of event, or None where the unit has none."""
        return next((rule for rule in self.after if rule.event is event), None)


class Protocol(_Record):
    """One unit's procedure."""

    name: Annotated[str, Field(min_length=1)]
    version: Annotated[str, Field(min_length=1)]
    note: str = ""
    steps: tuple[Step, ...]
    targets: tuple[Target, ...] = ()
    checklist: tuple[ChecklistItem, ...] = ()
    recheck: Recheck = Recheck()
    detection: Detection = Detection()

    @field_validator("steps")
    @classmethod
    def _some_steps(cls, steps: tuple[Step, ...]) -> tuple[Step, ...]:
        if not steps:
            raise ValueError("a protocol needs at least one step")
        return steps

    @field_validator("targets")
    @classmethod
    def _one_target_each(cls, targets: tuple[Target, ...]) -> tuple[Target, ...]:
        names = [target.measure for target in targets]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name} has two targets; keep one of them")
        return targets

    def target(self, measure: str) -> Target | None:
        """The target for one measure, or None where the unit sets none."""
        return next((target for target in self.targets if target.measure == measure), None)


def shipped_protocols() -> tuple[str, ...]:
    """Names of the protocols that come with the program."""
    folder = resources.files("review") / "protocols"
    names = (entry.name for entry in folder.iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def load_protocol(path_or_name: str | Path) -> Protocol:
    """Read and check a protocol file, or one of the shipped protocols by its name.

    A bare word without a suffix is a shipped name; anything else is a path.

    Raises:
        ProtocolError: if there is no such file or name, or the file is not a valid
            protocol; the message names the file, the line and the key.
    """
    name = str(path_or_name)
    if name in shipped_protocols():
        shipped = resources.files("review") / "protocols" / f"{name}.toml"
        return parse_protocol(shipped.read_text(encoding="utf-8"), f"{name}.toml")
    path = Path(path_or_name)
    if not path.is_file():
        known = ", ".join(shipped_protocols())
        hint = near_miss(name, shipped_protocols())
        raise ProtocolError(
            f"{name}: there is no such protocol file{hint}. "
            f"Give the path of a .toml file or one of the shipped protocols: {known}."
        )
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ProtocolError(
            f"{name}: this file cannot be read as text ({error}). Save it as plain UTF-8 text."
        ) from error
    return parse_protocol(text, name)


def parse_protocol(text: str, file: str) -> Protocol:
    """Check the TOML ``text`` of a protocol; ``file`` is how messages call it.

    Raises:
        ProtocolError: naming file, line and key of the first mistake in the file.
    """
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ProtocolError(_syntax_message(text, file, error)) from error
    try:
        return Protocol.model_validate(content)
    except ValidationError as error:
        # Unknown keys first: a mistyped key is also reported as a missing one elsewhere.
        details = sorted(
            error.errors(),
            key=lambda detail: (detail["type"] != "extra_forbidden", _line_of(text, detail["loc"])),
        )
        more = f" ({len(details) - 1} more to put right after it.)" if len(details) > 1 else ""
        raise ProtocolError(_mistake_message(text, file, details[0]) + more) from error


def _syntax_message(text: str, file: str, error: Exception) -> str:
    """Words for text that is not TOML; the parser gives the line inside its message."""
    found = re.search(r"^(.*) \(at (?:line (\d+), column \d+|end of document)\)$", str(error))
    lines = text.splitlines()
    line = int(found[2]) if found and found[2] else max(len(lines), 1)
    reason = found[1] if found else str(error)
    written = lines[line - 1] if line <= len(lines) else ""
    key = re.match(r"\s*([\w.-]+)\s*=", written)
    where = f"line {line}" + (f", key '{key[1]}'" if key else "")
    return (
        f"{file}, {where}: this line is not valid TOML ({reason[:1].lower()}{reason[1:]}). "
        f"Check its quotes, brackets and the '=' sign."
    )


def _mistake_message(text: str, file: str, detail: ErrorDetails) -> str:
    """Words for a value, or a key, that is not allowed in a protocol."""
    location = detail["loc"]
    key = _key_text(location)
    where = f"{file}, line {_line_of(text, location)}, key '{key}'"
    kind = detail["type"]
    if kind == "extra_forbidden":
        known = _allowed_keys(location[:-1])
        hint = near_miss(str(location[-1]), known)
        return (
            f"{where}: a protocol has no such key{hint}. Remove it, or use one of: "
            + ", ".join(known)
            + "."
        )
    if kind == "missing":
        return f"{where}: this key is needed but missing. Add a line '{location[-1]} = ...' here."
    reason = detail["msg"].removeprefix("Value error, ").removeprefix("Input ")
    given = detail["input"]
    shown = f", got {given!r}" if isinstance(given, str | int | float) else ""
    if kind == "value_error":
        return f"{where}: {reason}. Change it, then run 'exchange-review protocol check' again."
    return f"{where}: the value {reason[:1].lower()}{reason[1:]}{shown}. Change the value."


def _key_text(location: Key) -> str:
    """A location as people write it: ``steps[2].max_s``, counted from 1."""
    words = ""
    for part in location:
        words += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if words else part
    return words or "(whole file)"


def _allowed_keys(table: Key) -> tuple[str, ...]:
    """The keys that the table at ``table`` may hold."""
    model: Any = Protocol
    for part in table:
        if isinstance(part, str):
            annotation = model.model_fields[part].annotation
            arguments = getattr(annotation, "__args__", ())
            model = arguments[0] if arguments else annotation
    return tuple(model.model_fields)


_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_NAME = r"""(?:[\w-]+|"[^"]*"|'[^']*')"""
_ASSIGNMENT = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_QUOTES = ('"""', "'''")


def _names(dotted: str) -> Key:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _key_lines(text: str) -> list[tuple[Key, int]]:
    """Every table header and key of a TOML text with its line number, from 1.

    The standard parser keeps no line numbers, so the text is read once more; lines inside
    multi-line strings are passed over.
    """
    found: list[tuple[Key, int]] = []
    table: Key = ()
    entries: dict[str, int] = {}
    inside: str | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if inside is not None:
            inside = None if inside in line else inside
            continue
        if header := _HEADER.match(line):
            table = _names(header[2])
            if header[1] == "[[":
                entries[header[2]] = entries.get(header[2], -1) + 1
                table = (*table, entries[header[2]])
            found.append((table, number))
        elif assignment := _ASSIGNMENT.match(line):
            found.append(((*table, *_names(assignment[1])), number))
        inside = next((quote for quote in _QUOTES if line.count(quote) % 2), None)
    return found


def _line_of(text: str, location: Key) -> int:
    """The line of the key at ``location``, or of the nearest table around it."""
    lines = _key_lines(text)
    for length in range(len(location), 0, -1):
        for key, number in lines:
            if key[:length] == location[:length]:
                return number
    return 1
