"""The gate before the page server: what reaches it, from whom, and what browsers may load.

Everything a browser sends passes here first, also each message on the connection that a page
keeps open. So whoever signed out, was idle for too long or had the account closed gets nothing
more done, whatever page they still have open.
"""

from __future__ import annotations

import ipaddress
import sys
from collections.abc import Callable
from functools import lru_cache
from typing import Any, Final
from urllib.parse import urlsplit

from google.protobuf.message import DecodeError
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from streamlit.proto.BackMsg_pb2 import BackMsg

from review import media, signin
from review.errors import ReviewError
from review.places import behind, unit_folder
from review.roles import AT_THE_COMPUTER, PAGES, Action, Viewer, first_page, may, may_open
from review.signedin import SIGN_INS, key_in, viewer_of
from review.store import Store, open_store
from review.store.store import has_records

STATE_PATH: Final = "/sign-in-state"
"""Answers 204 while somebody is signed in; asking is not counted as doing something."""

HEALTH: Final = "/_stcore/health"
"""Says that the server runs, and nothing of the unit."""

OPEN_PATHS: Final = frozenset({signin.PATH, HEALTH})
OPEN_FOLDER: Final = "/static/"
"""The page server's own scripts, styles and fonts: the same everywhere, nothing of the unit."""

UPLOADS: Final = "/_stcore/upload_file"

HERE: Final = frozenset({"localhost", "127.0.0.1", "[::1]", "::1"})
"""Names of this computer in an address. A page of another site that has its own name point to
this computer is refused by them."""

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' blob:; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "media-src 'self' blob:; font-src 'self' data:; connect-src 'self'; "
        "worker-src 'self' blob:; object-src 'none'; base-uri 'self'; form-action 'self'; "
        "frame-ancestors 'self'"
    ),
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}
"""Browsers load from and send to this server alone (Content Security Policy Level 3, W3C)."""

BEYOND: Final = (
    "This page is shown to other computers only over TLS and after signing in. Start it with "
    "'exchange-review page --address', a certificate and a key."
)


NOT_PASSED_ON: Final = (
    "Please open https://{} instead. (For whoever looks after this server: requests must come "
    "through the web server that speaks TLS, with Host as the browser sent it and "
    "X-Forwarded-Proto: https.)"
)


def unit_records() -> Store | None:
    """The unit's records; None where there are none yet, or one analysis file is shown.

    Raises:
        StoreError: if they cannot be opened.
    """
    folder = unit_folder()
    if len(sys.argv) > 1 or not has_records(folder):
        return None
    return _opened(str(folder))


@lru_cache(maxsize=1)
def _opened(folder: str) -> Store:
    return open_store(folder)


def records() -> Store:
    """The unit's records, for the sign-in page.

    Raises:
        StoreError: if there are none, or they cannot be opened.
    """
    return unit_records() or open_store(unit_folder())


class Gate:
    """ASGI middleware; see the module.

    Args:
        app: what comes after the gate.
        opened: gives the unit's records, or None where there are none.
    """

    def __init__(self, app: ASGIApp, opened: Callable[[], Store | None] = unit_records) -> None:
        self._app = app
        self._opened = opened

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        try:
            refusal = self._refusal(asked, self._opened())
        except ReviewError as error:
            refusal = PlainTextResponse(str(error), 503)
        if refusal is not None:
            await _refuse(refusal, scope, receive, send)
        elif scope["type"] == "websocket":
            await self._app(scope, self._checked(receive, key_in(asked.cookies)), send)
        else:
            await self._app(scope, receive, _marked(send, asked))

    def _checked(self, receive: Receive, key: str) -> Receive:
        """Messages of an open page, as long as its owner may send any."""

        async def checked() -> Message:
            while True:
                message = await receive()
                if message["type"] != "websocket.receive":
                    return message
                content = _read(message)
                if self._may_go_on(key, doing=_is_doing(content)):
                    return message
                if content.WhichOneof("type") == "rerun_script":
                    return {"type": "websocket.receive", "bytes": _only_drawn_anew(content)}

        return checked

    def _may_go_on(self, key: str, *, doing: bool) -> bool:
        try:
            store = self._opened()
            return store is None or viewer_of(store, key, doing=doing) is not None
        except ReviewError:
            return False

    def _refusal(self, asked: HTTPConnection, store: Store | None) -> Response | None:
        """The answer to a request that may not pass; None for one that may."""
        if _is_plain_file(asked):
            return None
        key, path = key_in(asked.cookies), asked.url.path
        on = store is not None and store.sign_in_is_on()
        if (refusal := _wrong_way(asked, on=on)) is not None:
            return refusal
        if asked.scope["type"] == "websocket" and not _own_origin(asked):
            return PlainTextResponse("Not found", 404)
        viewer = AT_THE_COMPUTER if store is None else viewer_of(store, key)
        if path == STATE_PATH:
            return Response(status_code=403 if viewer is None else 204)
        if path in OPEN_PATHS or path.startswith(OPEN_FOLDER):
            return None
        return _refusal_of(viewer, asked)


def _read(message: Message) -> Any:
    """What a page sent; something without a kind where it is no message of a page."""
    try:
        return BackMsg.FromString(message.get("bytes") or b"")
    except DecodeError:
        return BackMsg()


def _is_plain_file(asked: HTTPConnection) -> bool:
    """Whether something is asked for, from this computer, that is the same in every unit.

    A page begins with dozens of such files; to ask the records for each makes it slow.
    """
    return (
        asked.scope["type"] == "http"
        and asked.url.path.startswith(OPEN_FOLDER)
        and not behind()
        and comes_from_here(asked.scope)
        and _host(asked) in HERE
    )


def _wrong_way(asked: HTTPConnection, *, on: bool) -> Response | None:
    """The answer to a request that came by a way that is not open; ``on``: everybody signs in.

    Behind another web server every request comes from this computer, so there the host that the
    browser asked for and TLS are what counts. The page server believes ``X-Forwarded-Proto`` and
    ``X-Forwarded-For`` from this computer only.
    """
    secure = asked.scope["scheme"] in ("https", "wss")
    if name := behind():
        passed_on = asked.headers.get("host", "").lower() == name and secure and on
        if passed_on or (asked.url.path == HEALTH and comes_from_here(asked.scope)):
            return None
        return PlainTextResponse(NOT_PASSED_ON.format(name), 403)
    if not comes_from_here(asked.scope) and not (on and secure):
        return PlainTextResponse(BEYOND, 403)
    if not (on and secure) and _host(asked) not in HERE:
        # Also where a web server without TLS passes it on from another computer.
        return PlainTextResponse("Open this page by the address that it was started with.", 403)
    return None


def comes_from_here(scope: Scope) -> bool:
    """Whether a request comes from this computer; one without an address came through a file."""
    client = scope.get("client")
    if client is None:
        return True
    try:
        return ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _refusal_of(viewer: Viewer | None, asked: HTTPConnection) -> Response | None:
    if viewer is None:
        headers = asked.headers
        navigates = headers.get("sec-fetch-mode") == "navigate" or "text/html" in headers.get(
            "accept", ""
        )
        if asked.scope["type"] == "http" and asked.scope["method"] == "GET" and navigates:
            query = f"?{asked.url.query}" if asked.url.query else ""
            return RedirectResponse(signin.address(f"{asked.url.path}{query}"), 303)
        return PlainTextResponse("Please sign in.", 403)
    page = asked.url.path.removeprefix("/")
    if page == first_page(viewer):
        # The page server knows its first page by no other name.
        query = f"?{asked.url.query}" if asked.url.query else ""
        return RedirectResponse(f"/{query}", 303)
    if page in PAGES and not may_open(viewer, page):
        return RedirectResponse("/", 303)
    if asked.url.path.startswith(UPLOADS) and not may(viewer, Action.SEND_FILES):
        return PlainTextResponse("Not found", 404)
    return None


async def _refuse(answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()  # the request to open it
        await send({"type": "websocket.close", "code": 1008})  # RFC 6455, 7.4.1: against a rule
        return
    answer.headers["Cache-Control"] = "no-store"
    await answer(scope, receive, send)


def _is_doing(content: Any) -> bool:
    """Whether a message tells of somebody doing something; pages also draw themselves anew."""
    kind = content.WhichOneof("type")
    return kind == "file_urls_request" or (
        kind == "rerun_script" and not content.rerun_script.is_auto_rerun
    )


def _only_drawn_anew(content: Any) -> bytes:
    """A message that draws the page anew, which then says what is the matter, and does no more."""
    left = BackMsg()
    left.rerun_script.query_string = content.rerun_script.query_string
    left.rerun_script.page_script_hash = content.rerun_script.page_script_hash
    left.rerun_script.page_name = content.rerun_script.page_name
    return bytes(left.SerializeToString())


def _marked(send: Send, asked: HTTPConnection) -> Send:
    """Answers with the headers of every page; watching a video counts as doing something."""
    key, watching = key_in(asked.cookies), asked.url.path.startswith(f"{media.PREFIX}/")

    async def marked(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", ())}
            more = [(n.lower().encode(), v.encode()) for n, v in HEADERS.items()]
            kept = _not_kept(list(message.get("headers", ())))
            if asked.url.scheme == "https":
                kept = _cookies_over_tls(kept)
            message["headers"] = kept + [pair for pair in more if pair[0] not in given]
        elif watching and message.get("body"):
            SIGN_INS.find(key, doing=True)
        await send(message)

    return marked


def _not_kept(headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Headers of an answer; a page is never shown again from the browser's own store.

    Going back after signing out asks for it anew, and so leads to the sign-in.
    """
    kind = next((value for name, value in headers if name.lower() == b"content-type"), b"")
    if not kind.startswith(b"text/html"):
        return headers
    others = [pair for pair in headers if pair[0].lower() != b"cache-control"]
    return [*others, (b"cache-control", b"no-store")]


def _cookies_over_tls(headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Headers of an answer over TLS: no cookie goes without it, the page server's own neither."""
    return [
        (name, value + b"; Secure")
        if name.lower() == b"set-cookie" and b"; secure" not in value.lower()
        else (name, value)
        for name, value in headers
    ]


def _host(asked: HTTPConnection) -> str:
    """The host that a request names, without its port."""
    named = urlsplit(f"//{asked.headers.get('host', '')}").hostname
    return named or ""


def _own_origin(asked: HTTPConnection) -> bool:
    """Whether a page's connection comes from this server's own page (RFC 6455, 10.2)."""
    origin = asked.headers.get("origin")
    return origin is None or urlsplit(origin).netloc == asked.headers.get("host")
