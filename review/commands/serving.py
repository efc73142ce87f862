"""Whether the pages may be served beyond this computer, and with which options.

Two things are asked for: everybody signs in, and what is sent is encrypted (TLS). Without both
the pages answer this computer alone.
"""

from __future__ import annotations

import ipaddress
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from review.errors import ReviewError
from review.places import unit_folder

THIS_COMPUTER: Final = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Serving:
    """Where the pages are served.

    Attributes:
        address: to listen at.
        certificate, key: PEM files for TLS, or None for none.
    """

    address: str = THIS_COMPUTER
    certificate: Path | None = None
    key: Path | None = None

    @property
    def options(self) -> Mapping[str, str]:
        """For the page server, beside its usual ones."""
        options = {"server.address": self.address}
        if self.certificate is not None:
            options["server.sslCertFile"] = str(self.certificate)
            options["server.sslKeyFile"] = str(self.key)
        return options

    def shown(self, port: int) -> str:
        """The address to open in a browser."""
        scheme = "http" if self.certificate is None else "https"
        try:
            parsed = ipaddress.ip_address(self.address)
        except ValueError:
            return f"{scheme}://{self.address}:{port}"
        if parsed.is_unspecified:
            return f"{scheme}://<the name in your certificate>:{port}"
        host = f"[{parsed}]" if parsed.version == 6 else str(parsed)
        return f"{scheme}://{host}:{port}"


def is_this_computer(address: str) -> bool:
    """Whether nobody but this computer can reach an address.

    >>> [is_this_computer(a) for a in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "unit.lan")]
    [True, True, True, False, False]
    """
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def checked_serving(
    address: str, certificate: Path | None, key: Path | None, *, unit: Path | None
) -> Serving:
    """Where the pages may be served.

    Args:
        address: an address or name of this computer.
        certificate: PEM file, with those that vouch for it after it.
        key: its private key, without a passphrase.
        unit: folder of the unit's records; None for the invented unit or a single analysis.

    Raises:
        ReviewError: one line that says what is missing.
    """
    if (certificate is None) != (key is None):
        raise ReviewError("--certificate and --key belong together: name both or neither.")
    if certificate is not None and key is not None:
        certificate, key = certificate.expanduser().absolute(), key.expanduser().absolute()
        _check_pair(certificate, key)
    if not is_this_computer(address):
        if unit is None:
            raise ReviewError(
                f"{address} lets other computers connect; that needs your own unit (--unit) with "
                "accounts. The invented unit and single analyses are for this computer only."
            )
        if certificate is None:
            raise ReviewError(
                f"{address} lets other computers connect; that needs --certificate and --key, so "
                "that nobody on the way can watch."
            )
        _check_accounts(address, unit)
    return Serving(address, certificate, key)


def _check_accounts(address: str, unit: Path) -> None:
    from review.store import open_store
    from review.store.store import FILE

    found = (unit / FILE).exists()
    if found:
        with open_store(unit) as store:
            found = store.has_administrator()
    if not found:
        raise ReviewError(
            f"{address} lets other computers connect; that needs accounts, and {unit} has no "
            "administrator yet: 'exchange-review account add NAME --role administrator'."
        )


def _check_pair(certificate: Path, key: Path) -> None:
    for path in (certificate, key):
        if not path.is_file():
            raise ReviewError(f"{path}: there is no such file. Check the name.")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # An empty passphrase: a key that wants one fails here rather than asking the terminal.
        context.load_cert_chain(certificate, key, password="")
    except OSError as error:
        raise ReviewError(
            f"{certificate} and {key} cannot be used ({error.strerror or error}); give a "
            "certificate and its key as PEM files, the key without a passphrase."
        ) from error


def named_unit(unit: Path | None, *, in_environment: bool) -> Path | None:
    """The folder of the unit that is to be served; None for the invented one."""
    if unit is not None:
        return unit.expanduser().absolute()
    return unit_folder().absolute() if in_environment else None
