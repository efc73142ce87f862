"""Whether the pages may be served beyond this computer, and with which options.

Two things are asked for: everybody signs in, and what is sent is encrypted (TLS). Without both
the pages answer this computer alone.
"""

from __future__ import annotations

import ipaddress
import re
import signal
import ssl
import subprocess
from collections.abc import Mapping, Sequence
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
        behind: host, perhaps with a port, of the web server on this computer that speaks TLS
            with browsers and passes their requests on; empty for none.
    """

    address: str = THIS_COMPUTER
    certificate: Path | None = None
    key: Path | None = None
    behind: str = ""

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
        if self.behind:
            return f"https://{self.behind}"
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
    address: str,
    certificate: Path | None,
    key: Path | None,
    *,
    unit: Path | None,
    behind: str = "",
) -> Serving:
    """Where the pages may be served.

    Args:
        address: an address or name of this computer.
        certificate: PEM file, with those that vouch for it after it.
        key: its private key, without a passphrase.
        unit: folder of the unit's records; None for the invented unit or a single analysis.
        behind: as in :class:`Serving`.

    Raises:
        ReviewError: one line that says what is missing.
    """
    if behind:
        return _behind(behind, address, certificate or key, unit)
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


def checked_host(name: str) -> str:
    """A host as browsers name it, in lower case, with its port where it is not 443.

    Raises:
        ReviewError: if it is none.

    >>> checked_host("Unit.Example"), checked_host("192.0.2.7:8443"), checked_host("[2001:db8::7]")
    ('unit.example', '192.0.2.7:8443', '[2001:db8::7]')
    """
    found = _HOST.fullmatch(name.strip().lower())
    if found is None or not 0 < int(found["port"] or 443) < 65536:
        raise ReviewError(
            f"{name!r} is no host: give it as in the browser's address after https://, for "
            "instance unit.example or unit.example:8443."
        )
    return found["host"] if found["port"] in (None, "443") else found[0]


_HOST: Final = re.compile(
    r"(?P<host>[a-z0-9](?:[a-z0-9-]*[a-z0-9])?(?:\.[a-z0-9](?:[a-z0-9-]*[a-z0-9])?)*|\[[0-9a-f:.]+\])"
    r"(?::(?P<port>\d{1,5}))?"
)


def _behind(behind: str, address: str, certificate: Path | None, unit: Path | None) -> Serving:
    """Behind another web server: accounts, an address of this computer, and TLS over there."""
    behind = checked_host(behind)
    if certificate is not None:
        raise ReviewError(
            "--behind says that the web server in front speaks TLS; leave out --certificate."
        )
    if not is_this_computer(address):
        raise ReviewError(
            f"--behind is for a web server on this computer, but {address} lets others past it; "
            "leave out --address."
        )
    if unit is None:
        raise ReviewError(
            "--behind lets other computers connect; that needs your own unit (--unit) with "
            "accounts. The invented unit and single analyses are for this computer only."
        )
    _check_accounts(behind, unit)
    return Serving(address, behind=behind)


def _check_accounts(address: str, unit: Path) -> None:
    from review.store import open_store
    from review.store.store import has_records

    found = has_records(unit)
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


def serve(command: Sequence[str], *, env: Mapping[str, str]) -> int:
    """Run the pages' server until it ends; its exit code.

    Being asked to end (SIGTERM, as `kill` and service managers do) ends the server too, which
    would otherwise go on without anybody to stop it, and counts as no failure.

    Raises:
        KeyboardInterrupt: on Ctrl-C, which the terminal sends to the server as well.
    """
    ending = False
    server: subprocess.Popen[bytes] | None = None

    def end(*_: object) -> None:
        nonlocal ending
        ending = True
        if server is not None:
            server.terminate()

    before = signal.signal(signal.SIGTERM, end)
    try:
        server = subprocess.Popen(list(command), env=dict(env))
        if ending:
            server.terminate()
        code = server.wait()
    finally:
        signal.signal(signal.SIGTERM, before)
    return 0 if ending else code
