"""Measured numbers, the targets they are held against, and the three possible answers.

A measurement that could not be made has the value None, which is different from 0, and is
never turned into 'fine' or 'fault': :func:`judge` then answers ``not_assessable``.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from review.timeline import Interval

MEASURES: dict[str, tuple[str, str]] = {
    "wash.whole_time": ("s", "Wash, from first to last"),
    "wash.rubbing_time": ("s", "Wash, rubbing time"),
    "wash.surfaces_rubbed": ("surfaces", "Wash, hand surfaces rubbed"),
    "rub.before_connect": ("s", "Hand rub before connecting"),
    "rub.before_disconnect": ("s", "Hand rub before disconnecting"),
    "rub.to_connect": ("s", "From the hand rub to connecting"),
    "rub.to_disconnect": ("s", "From the hand rub to disconnecting"),
    "surface.covered": ("share", "Work surface, area wiped"),
    "surface.gone_over_again": ("share", "Work surface, area gone over again"),
    "open_line.connect_time": ("s", "Line open while connecting"),
    "open_line.disconnect_time": ("s", "Line open while disconnecting"),
    "open_line.total_time": ("s", "Line open in all"),
    "open_line.talking_time": ("s", "Mouth moving while the line was open"),
    "open_line.mask_seen": ("share", "Mask seen while the line was open"),
    "wait.drain": ("s", "Wait: drain"),
    "wait.flush": ("s", "Wait: flush"),
    "wait.fill": ("s", "Wait: fill"),
}
"""Every measure: its unit and its name in plain words. A share lies in 0..1."""


REPORTED_ONLY = "reported only"
"""The words of a target that asks nothing: its number is told and not judged."""


class Result(StrEnum):
    """The three answers."""

    MET = "met"
    NOT_MET = "not_met"
    NOT_ASSESSABLE = "not_assessable"


@dataclass(frozen=True, slots=True)
class Measurement:
    """One number, where in the recording it comes from, and how much of that was seen.

    Attributes:
        name: one of :data:`MEASURES`.
        value: the number in ``unit``, or None where it could not be measured.
        unit: ``s``, ``share`` (0..1) or ``surfaces``.
        spans: the spans of the recording the number rests on, in order.
        seen_fraction: share (0..1) of the time that matters in which the hands or the
            mouth were seen.
        why: one plain sentence where the number is missing or in doubt.

    Raises:
        ValueError: for an unknown name, a value that is not finite, or a fraction
            outside 0..1.
    """

    name: str
    value: float | None
    unit: str
    spans: tuple[Interval, ...] = ()
    seen_fraction: float = 1.0
    why: str = ""

    def __post_init__(self) -> None:
        if self.name not in MEASURES:
            raise ValueError(f"no measure is called {self.name!r}")
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"{self.name}: a value is finite or None, got {self.value}")
        if not 0.0 <= self.seen_fraction <= 1.0:
            raise ValueError(f"{self.name}: seen fraction {self.seen_fraction} is not in 0..1")


class Target(BaseModel):
    """What a unit asks of one measure, and who says so.

    ``at_least``/``at_most`` decide whether the target is met (both bounds themselves
    meet it); ``flag_below``/``flag_above`` decide whether a missed target is worth a look
    rather than a note. A target without bounds is reported only. Numbers are in ``unit``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    measure: str = Field(description="Name of the measure.")
    at_least: Annotated[float, Field(ge=0.0)] | None = None
    at_most: Annotated[float, Field(ge=0.0)] | None = None
    flag_below: Annotated[float, Field(ge=0.0)] | None = None
    flag_above: Annotated[float, Field(ge=0.0)] | None = None
    unit: str = Field(description="Unit of the bounds; must be the measure's own.")
    min_seen_fraction: Annotated[float, Field(ge=0.0, le=1.0)] = Field(
        0.4, description="When less of the time was seen, the answer is not_assessable."
    )
    source: Annotated[str, Field(min_length=3)] = Field(
        description="Where the target comes from; 'common practice' or 'unit setting' if local."
    )

    @field_validator("measure")
    @classmethod
    def _known_measure(cls, name: str) -> str:
        if name not in MEASURES:
            raise ValueError(f"no measure is called {name!r}{near_miss(name, MEASURES)}")
        return name

    @model_validator(mode="after")
    def _bounds_fit_together(self) -> Self:
        if self.unit != MEASURES[self.measure][0]:
            raise ValueError(f"the unit of {self.measure} is {MEASURES[self.measure][0]!r}")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError("at_least must not be above at_most")
        if self.flag_below is not None and (
            self.at_least is None or self.flag_below > self.at_least
        ):
            raise ValueError("flag_below needs an at_least that is not below it")
        if self.flag_above is not None and (self.at_most is None or self.flag_above < self.at_most):
            raise ValueError("flag_above needs an at_most that is not above it")
        return self

    @property
    def has_bounds(self) -> bool:
        """Whether anything is asked; otherwise the number is only reported."""
        return self.at_least is not None or self.at_most is not None

    @property
    def text(self) -> str:
        """The target in words.

        >>> Target(measure="wash.whole_time", at_least=40, unit="s", source="WHO 2009").text
        'at least 40 s'
        """
        parts = []
        if self.at_least is not None:
            parts.append(f"at least {quantity(self.at_least, self.unit)}")
        if self.at_most is not None:
            at_most = quantity(self.at_most, self.unit)
            parts.append("none" if self.at_most == 0 else f"at most {at_most}")
        return ", ".join(parts) or REPORTED_ONLY


def near_miss(word: str, known: Iterable[str]) -> str:
    """A ' (did you mean ...?)' for a mistyped word, or nothing when none is close.

    >>> near_miss("wsh", ["wash", "connect"])
    " (did you mean 'wash'?)"
    """
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {close[0]!r}?)" if close else ""


def quantity(value: float, unit: str) -> str:
    """A number with its unit, for people.

    >>> quantity(0.956, "share"), quantity(12.34, "s"), quantity(9, "surfaces")
    ('96 %', '12.3 s', '9 surfaces')
    >>> quantity(1800, "s")
    '30 min'
    """
    if unit == "share":
        return f"{100 * value:.0f} %"
    if unit == "s" and value >= 600:
        return f"{value / 60:.3g} min"
    return f"{value:.1f}".removesuffix(".0") + f" {unit}"


def judge(measurement: Measurement, target: Target | None) -> Result:
    """Hold a measurement against its target.

    ``not_assessable`` where there is no value, where too little was seen, or where the
    protocol asks for nothing; otherwise ``met`` if the value lies within the bounds,
    the bounds included, else ``not_met``.

    Raises:
        ValueError: if the target belongs to another measure.
    """
    if target is None or measurement.value is None:
        return Result.NOT_ASSESSABLE
    if target.measure != measurement.name:
        raise ValueError(f"a target for {target.measure} cannot judge {measurement.name}")
    if not target.has_bounds or measurement.seen_fraction < target.min_seen_fraction:
        return Result.NOT_ASSESSABLE
    too_little = target.at_least is not None and measurement.value < target.at_least
    too_much = target.at_most is not None and measurement.value > target.at_most
    return Result.NOT_MET if too_little or too_much else Result.MET


def severity(measurement: Measurement, target: Target | None) -> Literal["look", "note"] | None:
    """How a missed target is raised: worth a look, a note, or None when it was not missed.

    A target that sets no flag bound on the missed side raises a note.
    """
    if judge(measurement, target) is not Result.NOT_MET:
        return None
    assert target is not None and measurement.value is not None
    below = target.flag_below is not None and measurement.value < target.flag_below
    above = target.flag_above is not None and measurement.value > target.flag_above
    return "look" if below or above else "note"


def explain(measurement: Measurement, target: Target | None) -> str:
    """One plain sentence for the result; empty where the numbers speak for themselves."""
    if measurement.why:
        return measurement.why
    if measurement.value is None:
        return "This could not be measured in the recording."
    if target is None or not target.has_bounds:
        return "The protocol sets no target; the number is reported only."
    if measurement.seen_fraction < target.min_seen_fraction:
        return (
            f"Only {quantity(measurement.seen_fraction, 'share')} of the time that matters "
            f"was seen; the protocol asks for {quantity(target.min_seen_fraction, 'share')}."
        )
    return ""
