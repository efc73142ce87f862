"""A unit's own values: what was learnt from its corrections, on top of the shipped ones.

They travel inside the protocol (``detection.unit``), so that whatever works from a protocol works
with them: an analysis keeps the protocol it was made with, corrections of it follow the same
values, and what is kept on disk for one protocol is not taken for another's. All of it is plain
numbers about phases and flags; there is nothing in it of any one person.

The shipped network stays as it is. See :mod:`review.refitapply` for what the numbers do.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib import resources
from typing import Annotated, Final, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from review.timeline import Phase

NETWORK_FILE: Final = "emissions.npz"

DECIMALS: Final = 4
"""Values are kept to so many decimals, in natural logs: far below what any of them is sure to."""

Number = Annotated[float, Field(ge=-100.0, le=100.0)]


class _Values(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class PhaseValues(_Values):
    """How a unit's phases look, as a correction of what the network says.

    Attributes:
        weights: one row a phase (in the order of :class:`Phase`), one column an input (see
            :data:`review.refitapply.INPUTS`); natural logs of odds. All zero: the network's own.
        shift: one number a phase, added to it.
        prior: how common each phase is in the unit, seven shares that add up to 1.
        still_odds, waiting_odds: see :data:`review.emissions.STILL_ODDS` and ``WAITING_ODDS``.
        lengths: for phases that were corrected often enough, least, typical and longest believable
            seconds, in place of the protocol's when phases are told apart (never as a target).
    """

    weights: tuple[tuple[Number, ...], ...]
    shift: tuple[Number, ...]
    prior: tuple[Annotated[float, Field(gt=0.0, lt=1.0)], ...]
    still_odds: Annotated[float, Field(ge=0.0, le=10.0)]
    waiting_odds: Annotated[float, Field(ge=-10.0, le=10.0)]
    lengths: dict[Phase, tuple[float, float, float]] = {}

    @model_validator(mode="after")
    def _one_row_a_phase(self) -> Self:
        rows = {len(self.weights), len(self.shift), len(self.prior)}
        if rows != {len(Phase)} or len({len(row) for row in self.weights}) != 1:
            raise ValueError(f"one row for each of the {len(Phase)} phases is needed")
        if any(not 0 < a <= b <= c for a, b, c in self.lengths.values()):
            raise ValueError("lengths must be positive and must not decrease")
        return self


class FlagValues(_Values):
    """When one kind of flag is worth showing, as a correction of the shipped threshold.

    With ``c`` the confidence over the shipped threshold (difference of log-odds) and ``e`` by how
    much the number misses its target (natural log of the ratio, 0 where there is no number), a flag
    is shown when ``c + shift + slope * c + excess * e`` is not below 0. All zero: the shipped rule.
    """

    shift: Number = 0.0
    slope: Number = 0.0
    excess: Number = 0.0


class UnitValues(_Values):
    """One version of a unit's own values.

    Attributes:
        version: the number that the records gave it; 0 while it is only tried.
        network: which network the phase values belong to (see :func:`network`).
        protocol: name of the protocol that the sessions were held against; the lengths speak of
            its steps and are used with no other.
        phases: None where the shipped ones are kept.
        flags: by kind of flag; kinds left out keep the shipped rule.
    """

    version: Annotated[int, Field(ge=0)] = 0
    network: str
    protocol: str = ""
    phases: PhaseValues | None = None
    flags: dict[str, FlagValues] = {}


@cache
def network() -> str:
    """The first half of the SHA-256 of the shipped network's file: values fit no other one."""
    content = (resources.files("review") / "models" / NETWORK_FILE).read_bytes()
    return hashlib.sha256(content).hexdigest()[:32]
