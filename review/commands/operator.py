"""Who runs a command and on which records: shared by commands that work on a unit's records."""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from review.errors import ReviewError
from review.places import UNIT_VARIABLE, unit_folder

if TYPE_CHECKING:
    from review.store import Store


def unit_store(unit: Path | None, *, new: bool = False) -> Store:
    """A unit's records; with ``new`` they are made where there are none.

    Args:
        unit: the folder; None for the one that the environment names.
        new: whether they may be made.

    Raises:
        ReviewError: if no unit is named, or there is none and none is to be made.
    """
    from review.store import open_store
    from review.store.store import has_records

    if unit is None and not os.environ.get(UNIT_VARIABLE):
        raise ReviewError("Name your unit's folder with --unit; the invented unit has no accounts.")
    folder = unit.expanduser() if unit is not None else unit_folder()
    if not new and not has_records(folder):
        raise ReviewError(f"{folder} holds no records. Check the folder's name.")
    return open_store(folder)


def operator_name() -> str:
    """Who the records name: whoever runs the command on this computer."""
    try:
        return f"{getpass.getuser()}, at the command line"
    except (OSError, KeyError):  # a user without a name
        return "somebody at the command line"


def typed_passphrase(words: str = "Passphrase") -> str:
    """Typed without being shown, or a line of standard input where that is no terminal."""
    if sys.stdin.isatty():
        return getpass.getpass(f"{words} (not shown): ")
    return sys.stdin.readline().rstrip("\r\n")
