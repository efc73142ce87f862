"""The whole job from a recording to pages and reports, under watch: run as a program.

Best in a world without a network. It says as JSON what came out and what was attempted.
"""

from __future__ import annotations

import fcntl
import http.client
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.watched import Watch, python, strace_works

PROJECT = Path(__file__).resolve().parent.parent
STILL = "[data-testid=stApp][data-test-script-state=notRunning]"
"""The page when it has done what it was asked."""

SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP = 0x8913, 0x8914, 1


def interfaces() -> list[str]:
    """Names of the network interfaces here."""
    return [name for _, name in socket.if_nameindex()]


def raise_loopback() -> None:
    """A new network world begins with its loopback down; the pages need it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as handle:
        asked = struct.pack("16sh14x", b"lo", 0)
        flags = struct.unpack("16sh14x", fcntl.ioctl(handle, SIOCGIFFLAGS, asked))[1]
        if not flags & IFF_UP:
            fcntl.ioctl(handle, SIOCSIFFLAGS, struct.pack("16sh14x", b"lo", flags | IFF_UP))


def run(watch: Watch, *arguments: str) -> str:
    """Run one of the program's commands under watch; gives what it said."""
    ran = subprocess.run(
        watch.command(python("-m", "review", *arguments)),
        cwd=PROJECT, env=watch.environment(), capture_output=True, text=True, check=False,
    )  # fmt: skip
    if ran.returncode:
        raise SystemExit(f"{arguments}: {ran.returncode}\n{ran.stdout}\n{ran.stderr}")
    return ran.stdout


@contextmanager
def pages(watch: Watch, folder: Path) -> Iterator[str]:
    """The invented unit's pages, as the command opens them; gives their address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = watch.environment() | {"XDG_DATA_HOME": str(folder / "data")}
    with (folder / "page.log").open("w") as log:
        server = subprocess.Popen(
            watch.command(python("-m", "review", "page", "--port", str(port))),
            cwd=PROJECT, env=environment, stdout=log, stderr=log, start_new_session=True,
        )  # fmt: skip
        try:
            give_up = time.monotonic() + 120.0
            while not answers(port):
                if server.poll() is not None or time.monotonic() > give_up:
                    raise SystemExit((folder / "page.log").read_text())
                time.sleep(0.2)
            yield f"http://127.0.0.1:{port}"
        finally:
            os.killpg(server.pid, signal.SIGINT)
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(server.pid, signal.SIGKILL)
                server.wait(20)


def answers(port: int) -> bool:
    """Whether the pages are up."""
    try:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=2.0)
        connection.request("GET", "/_stcore/health")
        return connection.getresponse().status == 200
    except OSError:
        return False


def look(address: str) -> tuple[list[str], list[str]]:
    """Walk through all pages in a browser: how each begins, and every address it asked for."""
    from tests.browser import browse

    asked: list[str] = []
    seen = []
    with browse() as page:
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda opened: asked.append(opened.url))
        page.goto(address)
        links = page.locator("[data-testid=stTopNavLink]")
        links.first.wait_for(timeout=120_000)
        for number in range(links.count()):
            links.nth(number).click()
            page.wait_for_selector(STILL, timeout=120_000)
            page.wait_for_timeout(500)
            page.wait_for_selector(STILL, timeout=120_000)
            shown = page.locator("[data-testid=stMain]").inner_text()
            seen.append(f"{links.nth(number).inner_text()}: {shown}"[:200])
    return seen, asked


def main(folder: Path, video: Path, with_browser: bool) -> dict[str, Any]:
    """Do it all."""
    found: dict[str, Any] = {"interfaces": interfaces(), "strace": strace_works()}
    raise_loopback()
    watch = Watch(folder / "watch")
    result = folder / "analysis.json"
    run(watch, "analyse", str(video), "--no-cache", "--protocol", "practice", "--out", f"{result}")
    document = json.loads(result.read_text())
    found["tracked"] = document["timing"]["frames_tracked"]
    run(watch, "report", str(result), "--pdf", "--csv", "--vtt", "--json", "--out", f"{folder}/out")
    found["reports"] = sorted(path.suffix for path in (folder / "out").rglob("*.*"))
    with pages(watch, folder) as address:
        if with_browser:
            found["pages"], found["asked"] = look(address)
            found["asked outside"] = [
                url for url in found["asked"]
                if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:"))
            ]  # fmt: skip
    found["calls"], found["outside"] = len(watch.calls()), watch.outside()
    return found


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3] == "browser")))
