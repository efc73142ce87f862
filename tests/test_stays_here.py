"""Nothing leaves this computer: the whole job in a world without a network, and under watch."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.alone import NO_NETWORK, PROJECT, command_alone, is_allowed
from tests.browser import chromium
from tests.test_jobs import CLIP, first_seconds
from tests.watched import Watch, strace_works

TRIES = """
import ctypes, socket, struct
def tried(call):
    try: call()
    except OSError: pass
tried(lambda: socket.create_connection(("192.0.2.1", 80), 0.2))
tried(lambda: socket.getaddrinfo("somewhere.invalid", 80))
tried(lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b"x", ("198.51.100.7", 9)))
tried(lambda: socket.socket(socket.AF_INET6).connect_ex(("2001:db8::1", 80)))
library = ctypes.CDLL(None)
handle = library.socket(2, 2, 0)
address = struct.pack("=H", 2) + struct.pack(">H", 80) + bytes([203, 0, 113, 5]) + bytes(8)
library.connect(handle, address, 16)
here = socket.create_server(("127.0.0.1", 0))
socket.create_connection(here.getsockname())
"""
"""Attempts at addresses that are set aside for documentation (RFC 5737, RFC 3849) and at a name
that never exists (RFC 6761), one of them past Python; and one connection within this computer."""


def test_the_watch_sees_what_it_is_there_to_see(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "watch")
    subprocess.run(
        watch.command([sys.executable, "-c", TRIES]), env=watch.environment(), check=True
    )
    found = "\n".join(watch.outside())
    for asked in ("192.0.2.1", "somewhere.invalid", "198.51.100.7", "2001:db8::1"):
        assert asked in found, asked
    assert "127.0.0.1" not in found.replace("bind", "")
    if strace_works():
        assert "203.0.113.5" in found, "a native library's attempt"


@pytest.mark.trust
@pytest.mark.slow
def test_the_whole_job_asks_nothing_of_anybody_else(
    tmp_path: Path,
    how_many: Callable[[int, int], int],
    record_number: Callable[..., None],
) -> None:
    """Analysis (tracking included), reports and every page of the invented unit.

    Where the system allows it there is no interface but loopback, so nothing could be reached;
    and where strace works, native libraries are seen to try nothing either.
    """
    alone = is_allowed(NO_NETWORK)
    if not alone and not strace_works():
        pytest.skip("neither 'unshare --net' nor strace is allowed here; run it where one is")
    chromium()
    video = first_seconds(CLIP, tmp_path / "piece.mp4", how_many(2, 12))
    command = [sys.executable, "-m", "tests.mainjob", str(tmp_path), str(video), "browser"]
    ran = subprocess.run(
        command_alone(NO_NETWORK, command) if alone else command,
        cwd=PROJECT,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True,
        text=True,
        timeout=500,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr + ran.stdout
    found = json.loads(ran.stdout)
    if alone:
        assert found["interfaces"] == ["lo"] != [name for _, name in socket.if_nameindex()]
    assert found["tracked"] > 0 and {".pdf", ".csv", ".vtt", ".json"} <= set(found["reports"])
    assert len(found["pages"]) >= 5 and min(map(len, found["pages"])) > 60
    assert not [page for page in found["pages"] if "Traceback" in page]
    assert len(found["asked"]) > 20 and found["asked outside"] == []
    assert found["outside"] == []
    if found["strace"]:
        assert found["calls"] > 0, "the page server's own socket was not seen: nothing was watched"
    record_number("network calls watched", found["calls"])
    record_number("addresses a browser asked for", len(found["asked"]))
    record_number("connections attempted outside", len(found["outside"] + found["asked outside"]))
