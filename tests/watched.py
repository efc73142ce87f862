"""Watching a program for attempts to reach anything outside this computer.

Two guards: strace sees every call to the system, those of native libraries too; a hook inside
Python sees names being looked up even where no resolver is set up. Either finding counts.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from ipaddress import ip_address
from pathlib import Path

CALLS = ("connect", "sendto", "sendmsg", "sendmmsg", "bind")

HOOK = """
import json, os, sys
_file = os.environ["WATCHED_NAMES"]
def _note(event, arguments):
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        said = [event, repr(arguments[0])]
    elif event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        said = [event, repr(arguments[1])]
    else:
        return
    with open(_file, "a") as stream:
        stream.write(json.dumps(said) + "\\n")
sys.addaudithook(_note)
"""
"""Runs in every Python that is started (as ``sitecustomize``); writes down what it sees."""

_ADDRESS = re.compile(
    r'sa_family=(AF_\w+)(?:, sun_path=@?"([^"]*)")?'
    r'(?:, sin6?_port=htons\((\d+)\)(?:.*?(?:inet_addr\("|AF_INET6, ")([^"]+)")?)?'
)
_HERE = ("AF_UNIX", "AF_LOCAL", "AF_NETLINK", "AF_UNSPEC", "AF_PACKET")
_LOOKS_UP_NAMES = ("resolve", "avahi", "mdns")
DNS_PORT = 53


@cache
def strace_works() -> bool:
    """Whether calls to the system can be watched here."""
    if shutil.which("strace") is None:
        return False
    return subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], check=False).returncode == 0


class Watch:
    """What the programs started under it tried.

    Args:
        folder: for its files.
    """

    def __init__(self, folder: Path) -> None:
        self._calls, self._names = folder / "calls", folder / "names"
        self._calls.mkdir(parents=True)
        self._names.touch()
        (folder / "hook").mkdir()
        (folder / "hook" / "sitecustomize.py").write_text(HOOK)
        self._hook = folder / "hook"
        self._count = 0

    def environment(self) -> dict[str, str]:
        """The environment for a program under watch."""
        path = os.pathsep.join([str(self._hook), os.environ.get("PYTHONPATH", "")])
        return dict(os.environ) | {"PYTHONPATH": path, "WATCHED_NAMES": str(self._names)}

    def command(self, command: Sequence[str]) -> list[str]:
        """The command that runs another one under watch."""
        if not strace_works():
            return list(command)
        self._count += 1
        log = self._calls / str(self._count)
        traced = ",".join(CALLS)
        return ["strace", "-f", "--seccomp-bpf", "-qq", "-s", "64", "-o", str(log),
                "-e", f"trace={traced}", "-e", "signal=none", "--", *command]  # fmt: skip

    def calls(self) -> list[str]:
        """Every watched call, as strace writes it."""
        logs = sorted(self._calls.iterdir())
        return [line for log in logs for line in log.read_text(errors="replace").splitlines()]

    def outside(self) -> list[str]:
        """The attempts to reach anything but this computer."""
        found = [line.strip() for line in self.calls() if _goes_outside(line)]
        for line in self._names.read_text().splitlines():
            event, asked = json.loads(line)
            if not _names_this_computer(asked):
                found.append(f"{event} {asked}")
        return found


def _goes_outside(line: str) -> bool:
    if not any(f"{call}(" in line for call in CALLS):
        return False
    for family, path, port, address in _ADDRESS.findall(line):
        if family in _HERE:
            if any(word in path.lower() for word in _LOOKS_UP_NAMES):
                return True
        elif (
            family not in ("AF_INET", "AF_INET6")
            or not address
            or int(port) == DNS_PORT
            or not ip_address(address).is_loopback
        ):
            return True
    return False


def _names_this_computer(asked: str) -> bool:
    """Whether the host that Python was asked for (as its ``repr``) is this computer."""
    value = json.loads(_as_json(asked))
    host = value[0] if isinstance(value, list) else value
    if host is None or host in ("", "localhost") or str(host).startswith("/"):
        return True
    try:
        return ip_address(str(host)).is_loopback
    except ValueError:
        return False


def _as_json(written: str) -> str:
    import ast

    try:
        value = ast.literal_eval(written)
    except (ValueError, SyntaxError):
        return json.dumps(written)
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    return json.dumps(list(value) if isinstance(value, tuple) else value)


def python(*arguments: str) -> list[str]:
    """The command of this Python with arguments."""
    return [sys.executable, *arguments]
