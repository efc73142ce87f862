"""Signing in: a page of its own that works before anything else does, and what it answers.

It is plain HTML with a form, in the patients' languages; the passphrase goes from the form to
the check and nowhere else. A right one gives the browser a key in a cookie that scripts cannot
read and that other sites' requests do not carry.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Mapping
from html import escape
from typing import Final
from urllib.parse import parse_qs, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from review.media import same_site
from review.roles import PAGES
from review.signedin import COOKIE, SIGN_INS, key_in
from review.store import SignInError, Store
from review.words import Words, languages, words_for

PATH: Final = "/sign-in"
LONGEST_FORM: Final = 8192
"""Bytes; a name, a passphrase and an address are far shorter."""

LOOK: Final = """
body {margin: 0; background: #fcfbf7; color: #1c1f24; font: 1.25rem/1.5 system-ui, sans-serif;}
main {max-width: 30rem; margin: 8vh auto 2rem auto; padding: 0 1.2rem;}
h1 {font-size: 1.9rem; margin: 0 0 .4rem 0;}
p {margin: 0 0 1rem 0;}
label {display: block; font-weight: 600; margin-top: 1rem;}
input[type=text], input[type=password] {width: 100%; box-sizing: border-box; font: inherit;
  padding: .5rem .7rem; border: 2px solid #1c1f24; border-radius: .4rem; background: #ffffff;
  color: inherit;}
label.show[hidden] {display: none !important;}
label.show {font-weight: 400; display: flex; gap: .6rem; align-items: center;}
input[type=checkbox] {width: 1.4rem; height: 1.4rem; accent-color: #2f4b7c;}
button {font: inherit; font-weight: 600; margin: 1.4rem 0; padding: .6rem 1.6rem; border: 0;
  border-radius: .4rem; background: #2f4b7c; color: #ffffff; cursor: pointer;}
.said {border: 3px solid #1c1f24; border-radius: .5rem; background: #ffffff;
  padding: .6rem 1rem;}
a {color: #1f3d6e;}
:focus-visible {outline: 4px solid #1f3d6e; outline-offset: 3px;}
"""

SCRIPT: Final = """
const box = document.getElementById("show"), words = document.getElementById("passphrase");
document.querySelector("label.show").hidden = false;
box.addEventListener("change", () => { words.type = box.checked ? "text" : "password"; });
document.querySelector("form").addEventListener("submit", () => { words.type = "password"; });
"""


def _allow(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": (
        f"default-src 'none'; style-src {_allow(LOOK)}; script-src {_allow(SCRIPT)}; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}
"""Nothing is loaded from anywhere, and no other site shows this page inside its own."""

_TARGET = re.compile(rf"/(?:{'|'.join(PAGES)})?(?:\?recording=\d{{1,18}})?")


def routes(records: Callable[[], Store]) -> list[Route]:
    """The routes to hand to the page server.

    Args:
        records: gives the unit's records.
    """

    def show(request: Request) -> Response:
        if not records().sign_in_is_on():
            return RedirectResponse("/", 303)
        asked = request.query_params
        words = _words(asked.get("language"), request.headers)
        said = next((words.say(f"signin.{why}") for why in ("out", "over") if why in asked), "")
        return _page(words, said=said, target=safe_target(asked.get("next", "")))

    async def take(request: Request) -> Response:
        if not same_site(request):
            return Response("Not found", 404, HEADERS)
        form = await _form(request)
        if form is None:
            return Response("The form is too long.", 413, HEADERS)
        return await run_in_threadpool(_answer, records(), form, request)

    return [
        Route(PATH, show, methods=["GET"], name="sign-in"),
        Route(PATH, take, methods=["POST"], name="sign-in-form"),
    ]


def safe_target(asked: str) -> str:
    """Where to go after signing in: one of the pages, with or without a recording.

    >>> safe_target("/feedback?recording=3"), safe_target("//elsewhere.example/review")
    ('/feedback?recording=3', '/')
    """
    return asked if _TARGET.fullmatch(asked) else "/"


def address(target: str = "/", why: str = "") -> str:
    """The address of the sign-in page.

    Args:
        target: where to go afterwards.
        why: ``out`` or ``over`` for somebody who was signed in before.
    """
    values = {"next": target} if safe_target(target) != "/" else {}
    values |= {why: "1"} if why else {}
    return f"{PATH}?{urlencode(values)}" if values else PATH


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form; None for one that is too long."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LONGEST_FORM:
            return None
    fields = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
    return {name: values[-1] for name, values in fields.items()}


def _answer(store: Store, form: Mapping[str, str], request: Request) -> Response:
    words = _words(form.get("language"), request.headers)
    target, name = safe_target(form.get("next", "")), form.get("name", "")
    try:
        account = store.sign_in(name, form.get("passphrase", ""))
    except SignInError as error:
        return _refused(error, words, target, name)
    SIGN_INS.end(key_in(request.cookies))
    answer = RedirectResponse(target, 303, HEADERS)
    secure = request.url.scheme == "https"
    answer.set_cookie(
        f"__Host-{COOKIE}" if secure else COOKIE,
        SIGN_INS.begin(account),
        path="/",
        secure=secure,
        httponly=True,
        samesite="strict",
    )
    return answer


def _refused(error: SignInError, words: Words, target: str, name: str) -> Response:
    if error.wait_s is None:
        said = words.say("signin.closed")
    elif error.wait_s > 0:
        said = words.say("signin.wait", time=_time(error.wait_s, words))
    else:
        said = f"{words.say('signin.wrong')} {words.say('signin.again')}"
    answer = _page(words, said=said, target=target, name=name, trouble=True)
    answer.status_code = 403 if error.wait_s == 0.0 else 429
    if error.wait_s:
        answer.headers["Retry-After"] = str(int(error.wait_s) + 1)
    return answer


def _time(wait_s: float, words: Words) -> str:
    seconds = max(int(-(-wait_s // 1)), 1)
    return (
        words.count("seconds", seconds)
        if seconds < 60
        else words.count("minutes", -(-seconds // 60))
    )


def _words(asked: str | None, headers: Mapping[str, str]) -> Words:
    """The language that was chosen, else the browser's first."""
    accepted = headers.get("accept-language", "").split(",")[0].split(";")[0].strip()
    return words_for(asked or accepted)


def _page(
    words: Words, *, said: str, target: str, name: str = "", trouble: bool = False
) -> HTMLResponse:
    def text(key: str) -> str:
        return escape(words.say(f"signin.{key}"))

    other = next(code for code, _ in languages() if code != words.language)
    switch = escape(f"{PATH}?{urlencode({'language': other, 'next': target})}")
    role = "alert" if trouble else "status"
    note = f'<p class="said" role="{role}">{escape(said)}</p>' if said else ""
    return HTMLResponse(
        f'<!DOCTYPE html><html lang="{words.language}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{text('title')}</title><style>{LOOK}</style></head><body><main>"
        f"<h1>{text('title')}</h1>{note}<p>{text('about')}</p>"
        f'<form method="post" action="{PATH}">'
        f'<input type="hidden" name="next" value="{escape(target)}">'
        f'<input type="hidden" name="language" value="{words.language}">'
        f'<label for="name">{text("name")}</label>'
        f'<input type="text" id="name" name="name" value="{escape(name)}" required maxlength="60" '
        'autocomplete="username" autocapitalize="none" spellcheck="false">'
        f'<label for="passphrase">{text("passphrase")}</label>'
        '<input type="password" id="passphrase" name="passphrase" required maxlength="1000" '
        'autocomplete="current-password" autocapitalize="none" spellcheck="false">'
        f'<label class="show" hidden><input type="checkbox" id="show">{text("show")}</label>'
        f'<button type="submit">{text("button")}</button></form>'
        f"<p>{text('help')}</p>"
        f'<p><a href="{switch}" lang="{other}">{text("other")}</a></p>'
        f"</main><script>{SCRIPT}</script></body></html>",
        headers=HEADERS,
    )
