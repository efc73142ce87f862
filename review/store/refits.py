"""Versions of a unit's own values: kept for good, and which of them is in use."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.protocol import Protocol
from review.refitapply import with_values
from review.refitvalues import UnitValues, network
from review.store.base import Part, Writing
from review.store.records import StoreError
from review.store.refit_tables import RefitUseRow, RefitVersionRow


@dataclass(frozen=True, slots=True)
class RefitVersion:
    """One accepted version.

    Attributes:
        version: its number, from 1.
        protocol: name of the protocol it was learnt for, and is used with.
        values: the values themselves.
        figures: what data count, and how it did, as plain numbers.
        by, at: who had it learnt, and when (UTC).
    """

    version: int
    protocol: str
    values: UnitValues
    figures: Mapping[str, Any]
    by: str
    at: datetime

    @property
    def fits(self) -> bool:
        """Whether it belongs to the network that this release ships."""
        return self.values.network == network()


class RefitPart(Part):
    """A unit's own values."""

    def refits(self) -> tuple[RefitVersion, ...]:
        """All accepted versions, oldest first."""
        with self._database.reading() as session:
            rows = session.scalars(select(RefitVersionRow).order_by(RefitVersionRow.id))
            return tuple(map(_record, rows))

    def refit_in_use(self) -> RefitVersion | None:
        """The version in use; None for the shipped values."""
        with self._database.reading() as session:
            return _in_use(session)

    def add_refit(self, values: UnitValues, figures: Mapping[str, Any], *, by: str) -> RefitVersion:
        """Keep accepted values as a new version and use it from now on."""
        with self._writing(by) as writing:
            row = writing.add(
                RefitVersionRow(
                    protocol=values.protocol,
                    content=values.model_dump_json(),
                    figures=json.dumps(figures, ensure_ascii=False, allow_nan=False),
                    by=writing.by,
                    at=writing.at,
                )
            )
            writing.note("refit accepted", f"refit {row.id}", f"protocol {values.protocol}")
            _use(writing, row.id)
            return _record(row)

    def use_refit(self, version: int | None, *, by: str) -> None:
        """Use an accepted version from now on, or (None) the shipped values.

        Analyses that are there stay as they are: each says which values it was made with.

        Raises:
            StoreError: if there is no such version, or it belongs to another release.
        """
        with self._writing(by) as writing:
            if version is not None:
                row = writing.session.get(RefitVersionRow, version)
                if row is None:
                    raise StoreError(
                        f"There is no refit {version}; 'refit --list' names those there are."
                    )
                if not _record(row).fits:
                    raise StoreError(
                        f"Refit {version} was learnt on top of another release's network and does "
                        "not fit this one. Run 'refit' again, or use 'shipped'."
                    )
            _use(writing, version)

    def as_learnt(self, protocol: Protocol) -> Protocol:
        """A protocol as the unit works with it now: with its own values, where some are in use.

        They are used with the protocol they were learnt for and the network they fit; else it
        is the protocol as it is.
        """
        found = self.refit_in_use()
        if found is None or found.protocol != protocol.name or not found.fits:
            return protocol
        return with_values(protocol, found.values)


def _in_use(session: Session) -> RefitVersion | None:
    newest = session.scalars(select(RefitUseRow).order_by(RefitUseRow.id.desc()).limit(1)).first()
    if newest is None or newest.version_id is None:
        return None
    row = session.get(RefitVersionRow, newest.version_id)
    assert row is not None  # a foreign key holds it
    return _record(row)


def _use(writing: Writing, version: int | None) -> None:
    writing.add(RefitUseRow(version_id=version, by=writing.by, at=writing.at))
    writing.note("refit in use", "shipped values" if version is None else f"refit {version}")


def _record(row: RefitVersionRow) -> RefitVersion:
    values = UnitValues.model_validate_json(row.content)
    return RefitVersion(
        row.id,
        row.protocol,
        values.model_copy(update={"version": row.id}),
        json.loads(row.figures),
        row.by,
        row.at,
    )
