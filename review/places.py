"""Where a unit's records lie: the one place that reads the environment for it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

UNIT_VARIABLE: Final = "EXCHANGE_REVIEW_UNIT"
"""Environment variable that tells the pages where the unit's records are."""

IDLE_VARIABLE: Final = "EXCHANGE_REVIEW_IDLE_MINUTES"
"""Environment variable: minutes without doing anything after which somebody is signed out."""

BEHIND_VARIABLE: Final = "EXCHANGE_REVIEW_BEHIND"
"""Environment variable: host (and port) of the web server that browsers speak to instead."""

IDLE_MINUTES: Final = 30.0
"""NIST SP 800-63B (2017, revision 3), 4.2.3: after 30 minutes without activity, and after
12 hours in any case (values from memory; revision 4 lets both be longer). Unit setting."""

INCOMING, PROTOCOLS = "incoming", "protocols"
"""Folders beside the records: where signed-in staff pick videos, and the unit's own protocols.

Nobody who signs in from somewhere names a path: they choose from what lies there.
"""


def unit_folder() -> Path:
    """The folder of the records; the invented unit's, in the user's data folder, if none is named.

    >>> os.environ[UNIT_VARIABLE] = "/srv/unit"
    >>> unit_folder().as_posix()
    '/srv/unit'
    >>> del os.environ[UNIT_VARIABLE]
    """
    if named := os.environ.get(UNIT_VARIABLE, ""):
        return Path(named).expanduser()
    base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "exchange-review" / "demo"


def behind() -> str:
    """Host, with its port where it is not 443, by which browsers reach the pages; or empty.

    Set where another web server on this computer speaks TLS with them and passes requests on.
    """
    return os.environ.get(BEHIND_VARIABLE, "").lower()


def files_in(folder: Path, suffixes: frozenset[str]) -> dict[str, Path]:
    """Files of a folder and of the folders in it, by their name below it.

    A link that leads out of the folder is left out, as is what begins with a dot.

    Args:
        folder: need not be there.
        suffixes: in lower case, with the dot.

    Raises:
        OSError: if the folder cannot be looked into.
    """
    if not folder.is_dir():
        return {}
    top = folder.resolve()
    found = {}
    for path in sorted([*folder.glob("*"), *folder.glob("*/*")]):
        name = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in name.parts)
        real = path.resolve()
        if hidden or not real.is_relative_to(top):
            continue
        if path.suffix.lower() in suffixes and real.is_file():
            found[name.as_posix()] = path
    return found
