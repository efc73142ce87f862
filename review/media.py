"""Video to the running page, and to nobody else.

A page lends a file to its own browser session and gets an address with a random token. The
address serves the file by byte ranges, so that a player can seek in a long recording while
hardly any of it is held in memory. It answers only while it is lent, only to requests from the
same site, only to whoever it was lent to and while they may still see it, and says the same 'not
found' to everything else.
"""

from __future__ import annotations

import re
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import anyio
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from review.sealed import is_sealed, plain_name
from review.sealedmedia import answer_sealed
from review.signedin import kept_form, key_in

PREFIX = "/recording"
"""First part of every address; apart from the page server's own, which begin with an underscore."""

TOKEN_BYTES = 32
"""256 random bits a token: beyond guessing."""

IDLE_S = 4 * 3600.0
"""An address that nobody asked for in this long is no longer good."""

VIDEO_TYPES = {".mp4": "video/mp4", ".m4v": "video/mp4", ".mov": "video/mp4", ".webm": "video/webm"}
"""By suffix; a QuickTime file holds the same streams as MP4, and browsers refuse its own name."""

PRIVATE = {
    "Cache-Control": "private, no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Content-Disposition": "inline",
}
"""Nothing of a recording is kept by the browser or lent to another site."""

_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")

Source = Path | Callable[[], bytes]


@dataclass(slots=True)
class _Loan:
    source: Source
    session: str
    media_type: str
    recording_id: int | None
    key: str
    used_at: float


class Shelf:
    """What is lent to which browser session. Safe to use from several threads.

    Attributes:
        alive: told a session's name, whether it is still there. A page sets it once; without
            it sessions count as there until their loans are taken back or grow old.
        allowed: told the kept form of a sign-in's key (empty in a unit without accounts), a
            recording's id (None for none) and what is lent, whether the key's owner may still
            have it. Asked at every request, so that a consent taken back or an account closed
            ends what is lent.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.alive: Callable[[str], bool] = lambda session: True
        self.allowed: Callable[[str, int | None, Source], bool] = lambda key, number, source: True
        self._clock = clock
        self._loans: dict[str, _Loan] = {}
        self._lock = threading.Lock()

    def lend(
        self,
        source: Source,
        session: str,
        *,
        media_type: str = "",
        recording_id: int | None = None,
        key: str = "",
    ) -> str:
        """Lend a file, or bytes made when they are asked for, to one session.

        Lending the same file to the same session again gives the same address, so that a
        page that is drawn anew does not interrupt its player.

        Args:
            source: a file, or a function of no arguments that gives bytes.
            session: the browser session's name.
            media_type: what it is; by the file's suffix if empty.
            recording_id: the recording that it is of, or None.
            key: kept form of the key of whoever is signed in; empty for nobody.

        Returns:
            The address, without host, e.g. ``/recording/...``.
        """
        kind = media_type or (
            VIDEO_TYPES.get(Path(plain_name(source)).suffix.lower(), "application/octet-stream")
            if isinstance(source, Path)
            else "application/octet-stream"
        )
        now = self._clock()
        with self._lock:
            self._drop_old(now)
            new = _Loan(source, session, kind, recording_id, key, now)
            for token, loan in self._loans.items():
                if replace(loan, used_at=now) == new:
                    loan.used_at = now
                    return f"{PREFIX}/{token}"
            token = secrets.token_urlsafe(TOKEN_BYTES)
            self._loans[token] = new
        return f"{PREFIX}/{token}"

    def take_back(self, session: str) -> None:
        """End everything lent to a session."""
        with self._lock:
            for token in [t for t, loan in self._loans.items() if loan.session == session]:
                del self._loans[token]

    def find(self, token: str, key: str = "") -> tuple[Source, str] | None:
        """The source and its media type, or None for an unknown, old, ended or foreign token.

        Args:
            token: the address's last part.
            key: kept form of the key that the request brought.
        """
        if not _TOKEN.fullmatch(token):
            return None
        now = self._clock()
        with self._lock:
            self._drop_old(now)
            loan = self._loans.get(token)
        # Asked outside the lock: the page server has locks of its own.
        if loan is None or (loan.key and loan.key != key) or not self.alive(loan.session):
            return None
        if not self.allowed(loan.key, loan.recording_id, loan.source):
            return None
        loan.used_at = now
        return loan.source, loan.media_type

    def _drop_old(self, now: float) -> None:
        for token in [t for t, loan in self._loans.items() if now - loan.used_at > IDLE_S]:
            del self._loans[token]


SHELF = Shelf()
"""The one shelf of this process: pages lend from it, the route below serves from it."""


def same_site(request: Request) -> bool:
    """Whether a request comes from the page itself.

    Browsers say so in ``Sec-Fetch-Site`` (W3C Fetch Metadata); older ones only name the page
    in ``Origin`` or ``Referer``. A request that says nothing is not the page's.
    """
    stated = request.headers.get("sec-fetch-site")
    if stated is not None:
        return stated == "same-origin"
    named = request.headers.get("origin") or request.headers.get("referer")
    return named is not None and _host(named) == request.headers.get("host")


def _host(address: str) -> str:
    """Host and port of an address; empty for one that has none, such as ``null``."""
    parts = address.split("/", 3)
    return parts[2] if len(parts) > 2 and parts[0].endswith(":") and not parts[1] else ""


class Film(FileResponse):
    """A file that stops being read once its player has gone.

    A player asks for all that follows a moment and hangs up when it has enough, above all when
    it jumps. A plain file answer would read on to the end for nobody: seconds of work for every
    jump in a recording of a gigabyte.
    """

    chunk_size = 1 << 18

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send the asked part, or what of it is wanted."""
        async with anyio.create_task_group() as tasks:

            async def watch() -> None:
                while (await receive())["type"] != "http.disconnect":
                    pass
                tasks.cancel_scope.cancel()

            tasks.start_soon(watch)
            await super().__call__(scope, receive, send)
            tasks.cancel_scope.cancel()


def serve(request: Request) -> Response:
    """Answer one request for something lent."""
    key = kept_form(key_in(request.cookies))
    found = SHELF.find(request.path_params["token"], key) if same_site(request) else None
    if found is None:
        return _nothing()
    source, media_type = found
    if isinstance(source, Path):
        if not source.is_file():
            return _nothing()
        if is_sealed(source):
            try:
                return answer_sealed(request, source, media_type, PRIVATE)
            except OSError:  # locked, changed or gone: nothing of it is shown
                return _nothing()
        return Film(source, media_type=media_type, headers=PRIVATE)
    return Response(source(), media_type=media_type, headers=PRIVATE)


def _nothing() -> Response:
    return PlainTextResponse("Not found", status_code=404, headers={"Cache-Control": "no-store"})


def routes() -> list[Route]:
    """The routes to hand to the page server: ``st.App(..., routes=media.routes())``."""
    return [Route(f"{PREFIX}/{{token}}", serve, methods=["GET", "HEAD"], name="recording")]
