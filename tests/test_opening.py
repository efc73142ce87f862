"""The pages' document says where the server is; other answers pass unchanged."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import HTMLResponse, PlainTextResponse, StreamingResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from review.demo import make_demo
from review.pages.opening import WHERE, Opening
from tests.browser import browse, serve

STATIC = Path(streamlit.__file__).parent / "static"
DOCUMENT = '<html><head><script src="./static/js/index.js"></script></head>' + "<p>x</p>" * 400
AS_A_BROWSER = {"accept": "text/html,*/*;q=0.8", "accept-encoding": "gzip"}


def _client() -> TestClient:
    async def document(request: object) -> HTMLResponse:
        return HTMLResponse(DOCUMENT, headers={"etag": '"old"'})

    async def in_parts(request: object) -> StreamingResponse:
        return StreamingResponse(iter([DOCUMENT[:20], DOCUMENT[20:]]), media_type="text/html")

    async def own(request: object) -> HTMLResponse:
        return HTMLResponse("<html><head></head><p>Sign in</p></html>")

    async def missing(request: object) -> HTMLResponse:
        return HTMLResponse(DOCUMENT, status_code=404)

    async def words(request: object) -> PlainTextResponse:
        return PlainTextResponse(DOCUMENT)

    pages = (document, in_parts, own, missing, words)
    return TestClient(
        Starlette(
            routes=[Route(f"/{page.__name__}", page) for page in pages],
            middleware=[Middleware(Opening), Middleware(GZipMiddleware, minimum_size=100)],
        )
    )


@pytest.mark.parametrize("page", ["document", "in_parts"])
def test_the_document_is_completed_once_and_in_its_head(page: str) -> None:
    with _client() as client:
        answer = client.get(f"/{page}", headers=AS_A_BROWSER)
    assert answer.status_code == 200
    assert answer.text.count(WHERE) == 1
    assert answer.text.startswith(f"<html><head>\n{WHERE}")
    assert answer.text.endswith(DOCUMENT.removeprefix("<html><head>"))
    assert int(answer.headers["content-length"]) == len(answer.content)
    assert "etag" not in answer.headers


@pytest.mark.parametrize("page", ["own", "missing", "words"])
def test_other_answers_pass_unchanged(page: str) -> None:
    with _client() as client:
        answer = client.get(f"/{page}", headers=AS_A_BROWSER)
    assert "__streamlit" not in answer.text


def test_what_is_no_page_may_still_be_packed() -> None:
    with _client() as client:
        answer = client.get("/words", headers={"accept-encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert answer.text == DOCUMENT


def test_the_page_server_still_reads_what_it_is_told() -> None:
    """Of the installed release: the document, and the values that its scripts look at."""
    document = (STATIC / "index.html").read_text(encoding="utf-8")
    assert "<head>" in document
    assert "./static/js/" in document
    main = next((STATIC / "static" / "js").glob("index.*.js")).read_text(encoding="utf-8")
    for name in ("window.__streamlit", "BACKEND_BASE_URL", "HOST_CONFIG"):
        assert name in main


@pytest.mark.slow
def test_a_page_opened_by_its_address_asks_at_one_place(tmp_path: Path) -> None:
    make_demo(tmp_path / "unit")
    with serve(tmp_path, None, tmp_path / "unit") as address, browse() as page:
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url.removeprefix(address)))
        page.on("websocket", lambda socket: asked.append(f"socket {socket.url}"))
        page.goto(f"{address}/spotcheck?by=T-1", wait_until="networkidle")
        page.get_by_role("region", name="Wash by trainee").wait_for(timeout=60_000)
    assert not [url for url in asked if url.startswith("/spotcheck/")]
    sockets = [url for url in asked if url.startswith("socket ")]
    assert len(sockets) == 1
    assert sockets[0].endswith(f"{address.removeprefix('http:')}/_stcore/stream")
