"""A page opened by its address is there sooner: the browser is told at once where its server is.

The page server sends the same document for every page, and the scripts in it do not know whether
the page's name is part of the server's own address. They ask at both places, one after the other,
and wait in between. Here the server is always at the root of its host, so the document says so,
with the other things that are asked for before a page connects.
"""

from __future__ import annotations

from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEAD: Final = b"<head>"

WHERE: Final = """<script>
window.__streamlit = {
  BACKEND_BASE_URL: location.origin + "/",
  HOST_CONFIG: {
    allowedOrigins: [location.origin], useExternalAuthToken: false,
    enableCustomParentMessages: false, metricsUrl: "",
  },
};
</script>"""
"""What the page server's scripts read, where a document has it, instead of asking about: where
the server is, and that no other site may talk to the page or hears of its use."""


class Opening:
    """ASGI middleware; see the module. Answers other than the pages' document pass unchanged.

    Args:
        app: what comes after it.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; complete the document if the answer is one."""
        if scope["type"] != "http" or scope["method"] != "GET" or not _may_be_document(scope):
            await self._app(scope, receive, send)
            return
        # Read as it is: packing a few kilobytes anew takes longer than sending them.
        headers = [pair for pair in scope["headers"] if pair[0] != b"accept-encoding"]
        await self._app({**scope, "headers": headers}, receive, _Completed(send))


class _Completed:
    """Sends answers on; keeps a document back until it is whole."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self._start: Message | None = None
        self._body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start" and _is_document(message):
            self._start = message
        elif self._start is None or message["type"] != "http.response.body":
            await self._send(message)
        else:
            self._body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._finish(self._start)

    async def _finish(self, start: Message) -> None:
        body = self._body
        if b"./static/js/" in body:  # one of the page server's, not of our own
            body = body.replace(HEAD, HEAD + b"\n" + WHERE.encode(), 1)
        headers = MutableHeaders(raw=list(start["headers"]))
        headers["content-length"] = str(len(body))
        for of_the_old in ("etag", "last-modified"):
            del headers[of_the_old]
        await self._send({**start, "headers": headers.raw})
        await self._send({"type": "http.response.body", "body": body})


def _may_be_document(scope: Scope) -> bool:
    return "text/html" in Headers(scope=scope).get("accept", "")


def _is_document(message: Message) -> bool:
    headers = Headers(raw=message["headers"])
    return (
        message["status"] == 200
        and headers.get("content-type", "").startswith("text/html")
        and "content-encoding" not in headers
    )
