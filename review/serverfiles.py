"""Files for a server of a unit's own: units for systemd and the web server in front, filled in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from review.errors import ReviewError

FOLDER: Final = Path(__file__).resolve().parent / "service"

FILES: Final = (
    "exchange-review.service",
    "exchange-review-backup.service",
    "exchange-review-backup.timer",
    "nginx.conf",
)
"""In the order in which they are needed."""

HIDDEN: Final = ("/home", "/root", "/run/user", "/tmp", "/var/tmp", "/dev")
"""Places that the service does not see (systemd: ProtectHome, PrivateTmp, PrivateDevices)."""

_PATH: Final = re.compile(r"(?:/[A-Za-z0-9._+-]+)+")
_USER: Final = re.compile(r"[a-z_][a-z0-9_-]{0,30}")
_HOST: Final = re.compile(r"(?P<name>\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::(?P<port>\d+))?")
_GAP: Final = re.compile(r"@([A-Z_]+)@")


@dataclass(frozen=True, slots=True)
class Server:
    """What is filled in.

    Attributes:
        host: by which browsers reach the server, with a port where it is not 443.
        unit, backups: folders of the unit's records and of their copies.
        program: the command ``exchange-review``, as an absolute path.
        certificate, key: PEM files for the web server.
        user: whom the service runs as.
        port: at which the pages answer the web server.
        days: how long copies are kept.
    """

    host: str
    unit: Path
    backups: Path
    program: Path
    certificate: Path
    key: Path
    user: str = "exchange-review"
    port: int = 8501
    days: int = 30


def is_hidden(path: Path) -> bool:
    """Whether the service does not see a place."""
    return any(path.is_relative_to(hidden) for hidden in HIDDEN)


def server_files(server: Server) -> dict[str, str]:
    """The content of every file, by name.

    Raises:
        ReviewError: for a path, user or number that does not fit; one line.
    """
    _check(server)
    host = _HOST.fullmatch(server.host)
    if host is None:
        raise ReviewError(f"{server.host!r} is no host; give for instance unit.example.")
    values = {
        "USER": server.user,
        "PROGRAM": str(server.program),
        "UNIT": str(server.unit),
        "BACKUPS": str(server.backups),
        "PORT": str(server.port),
        "HOST": server.host,
        "SERVER_NAME": host["name"],
        "TLS_PORT": host["port"] or "443",
        "CERTIFICATE": str(server.certificate),
        "KEY": str(server.key),
        "DAYS": str(server.days),
    }
    return {
        file: _GAP.sub(lambda gap: values[gap[1]], (FOLDER / file).read_text(encoding="utf-8"))
        for file in FILES
    }


def _check(server: Server) -> None:
    if not _USER.fullmatch(server.user):
        raise ReviewError(f"{server.user!r} is no name of a user: small letters, digits, '-', '_'.")
    inside = {"the unit": server.unit, "copies": server.backups, "the program": server.program}
    for what, path in (inside | {"TLS": server.certificate, "the key": server.key}).items():
        if not _PATH.fullmatch(str(path)) or ".." in path.parts:
            raise ReviewError(
                f"{path}: for {what}, give a whole path from / of letters, digits, '.', '_', '+' "
                "or '-'."
            )
    for what, path in inside.items():
        if is_hidden(path):
            raise ReviewError(
                f"{path}: the service does not see this place ({', '.join(HIDDEN)}); choose "
                f"another for {what}, for instance in /opt or /var/lib."
            )
    if server.backups.is_relative_to(server.unit):
        raise ReviewError(f"{server.backups}: keep copies outside the folder that they copy.")
