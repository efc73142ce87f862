"""Lent files: byte ranges for the page, nothing for anyone else."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import anyio
import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient
from starlette.types import Message

from review import media
from review.media import IDLE_S, SHELF, Film, Shelf

PAGE = {"sec-fetch-site": "same-origin"}
CONTENT = bytes(range(256)) * 40


class Hands:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "practice.mp4"
    path.write_bytes(CONTENT)
    return path


@pytest.fixture
def client() -> Iterator[TestClient]:
    with TestClient(Starlette(routes=media.routes())) as made:
        yield made
    SHELF.take_back("mine")


def test_a_lent_file_comes_whole_or_by_range(client: TestClient, file: Path) -> None:
    address = SHELF.lend(file, "mine")
    whole = client.get(address, headers=PAGE)
    assert whole.status_code == 200 and whole.content == CONTENT
    assert whole.headers["accept-ranges"] == "bytes"
    assert whole.headers["content-type"] == "video/mp4"
    # RFC 9110, section 14: one range is answered with 206 and says which bytes it holds.
    piece = client.get(address, headers=PAGE | {"range": "bytes=100-199"})
    assert piece.status_code == 206
    assert piece.content == CONTENT[100:200]
    assert piece.headers["content-range"] == f"bytes 100-199/{len(CONTENT)}"
    assert client.get(address, headers=PAGE | {"range": "bytes=-10"}).content == CONTENT[-10:]
    beyond = client.get(address, headers=PAGE | {"range": f"bytes={len(CONTENT)}-"})
    assert beyond.status_code == 416
    assert beyond.headers["content-range"] == f"bytes */{len(CONTENT)}"
    head = client.head(address, headers=PAGE)
    assert head.content == b"" and head.headers["content-length"] == str(len(CONTENT))


def test_the_browser_keeps_nothing(client: TestClient, file: Path) -> None:
    answer = client.get(SHELF.lend(file, "mine"), headers=PAGE)
    assert "no-store" in answer.headers["cache-control"]
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
        {},
        {"origin": "http://elsewhere.example"},
        {"referer": "http://elsewhere.example/page"},
        {"sec-fetch-site": "cross-site", "origin": "http://testserver"},
        {"origin": "null"},
    ],
)
def test_other_sites_are_refused(client: TestClient, file: Path, headers: dict[str, str]) -> None:
    assert client.get(SHELF.lend(file, "mine"), headers=headers).status_code == 404


@pytest.mark.parametrize(
    "headers", [{"referer": "http://testserver/review"}, {"origin": "http://testserver"}]
)
def test_older_browsers_are_known_by_the_page_they_name(
    client: TestClient, file: Path, headers: dict[str, str]
) -> None:
    assert client.get(SHELF.lend(file, "mine"), headers=headers).status_code == 200


@pytest.mark.parametrize("token", ["A" * 43, "short", "..%2f..%2fetc", "A" * 400])
def test_an_unknown_token_finds_nothing(client: TestClient, token: str) -> None:
    assert client.get(f"{media.PREFIX}/{token}", headers=PAGE).status_code == 404


def test_nothing_is_served_once_the_session_ended(client: TestClient, file: Path) -> None:
    address = SHELF.lend(file, "mine")
    SHELF.alive = lambda session: session != "mine"
    assert client.get(address, headers=PAGE).status_code == 404
    SHELF.alive = lambda session: True
    assert client.get(address, headers=PAGE).status_code == 200
    SHELF.take_back("mine")
    assert client.get(address, headers=PAGE).status_code == 404


def test_a_file_that_went_away_is_not_found(client: TestClient, file: Path) -> None:
    address = SHELF.lend(file, "mine")
    file.unlink()
    assert client.get(address, headers=PAGE).status_code == 404


def test_a_player_that_has_gone_is_sent_no_more(tmp_path: Path) -> None:
    path = tmp_path / "long.mp4"
    path.write_bytes(bytes(40 * Film.chunk_size))
    sent: list[int] = []
    gone = anyio.Event()

    async def receive() -> Message:
        await gone.wait()
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        sent.append(len(message.get("body", b"")))
        if len(sent) == 4:  # the beginning of the answer and three parts of the file
            gone.set()
        await anyio.sleep(0)  # the loop may turn, as it does while a socket is written to

    async def ask() -> None:
        scope = {"type": "http", "method": "GET", "headers": [(b"range", b"bytes=7-")]}
        await Film(path)(scope, receive, send)

    anyio.run(ask)
    assert 3 * Film.chunk_size <= sum(sent) < 10 * Film.chunk_size


def test_an_address_grows_old_when_nobody_asks(file: Path) -> None:
    clock = Hands()
    shelf = Shelf(clock)
    token = shelf.lend(file, "mine").rpartition("/")[2]
    clock.now += IDLE_S
    assert shelf.find(token) is not None, "an address in use stays good"
    clock.now += IDLE_S + 1.0
    assert shelf.find(token) is None


def test_tokens_are_long_different_and_one_a_session_and_file(file: Path) -> None:
    shelf = Shelf()
    address = shelf.lend(file, "mine")
    token = address.rpartition("/")[2]
    # 32 bytes in base64 without padding are 43 characters (RFC 4648, section 5).
    assert len(token) == 43
    assert shelf.lend(file, "mine") == address, "drawing a page again must not change it"
    assert shelf.lend(file, "yours") != address
    assert shelf.lend(file.with_name("other.mp4"), "mine") != address


def test_bytes_are_made_when_they_are_asked_for(client: TestClient) -> None:
    made: list[int] = []

    def make() -> bytes:
        made.append(threading.get_ident())
        return b"points"

    address = SHELF.lend(make, "mine")
    assert made == []
    assert client.get(address, headers=PAGE).content == b"points"
    assert len(made) == 1
