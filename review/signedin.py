"""Who is signed in at this page server, until they sign out, are idle, or may no longer be.

Sign-ins live in the memory of the server: when it is started anew, everybody signs in again.
The browser holds a random key in a cookie that pages' scripts cannot read; only the key's hash
is kept here.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from review.places import IDLE_MINUTES, IDLE_VARIABLE
from review.roles import AT_THE_COMPUTER, Viewer
from review.store import Account, Store

COOKIE: Final = "exchange-review"
"""Name of the cookie; over TLS it is preceded by ``__Host-``, which ties it to this address."""

KEY_BYTES: Final = 32
"""256 random bits a key: beyond guessing."""

WHOLE_S: Final = 12 * 3600.0
"""The longest that anybody stays signed in, seconds. Source: see ``IDLE_MINUTES``."""


@dataclass(slots=True)
class _SignIn:
    account: Account
    began: tuple[float, float]
    used: tuple[float, float]


class SignIns:
    """Everybody who is signed in. Safe to use from several threads.

    Time that passes is told by two clocks, and the longer one counts: the computer's clock can
    be moved back, and the other one may stand still while the computer sleeps.

    Args:
        idle_s: seconds without doing anything after which somebody is signed out.
        clocks: both clocks, seconds.
    """

    def __init__(
        self,
        idle_s: float | None = None,
        clocks: tuple[Callable[[], float], Callable[[], float]] = (time.monotonic, time.time),
    ) -> None:
        self._idle_s = idle_s
        self._clocks = clocks
        self._by_hash: dict[str, _SignIn] = {}
        self._lock = threading.Lock()

    @property
    def idle_s(self) -> float:
        """Seconds without doing anything after which somebody is signed out."""
        if self._idle_s is None:
            return 60.0 * float(os.environ.get(IDLE_VARIABLE) or IDLE_MINUTES)
        return self._idle_s

    def begin(self, account: Account) -> str:
        """Sign somebody in; returns the key for their browser."""
        key, now = secrets.token_urlsafe(KEY_BYTES), self._now()
        with self._lock:
            self._drop_old(now)
            self._by_hash[kept_form(key)] = _SignIn(account, now, now)
        return key

    def find(self, key: str, *, doing: bool = False) -> Account | None:
        """The account of a key, as it was at sign-in; None once that is over.

        Args:
            key: from the browser.
            doing: whether its owner did something just now.
        """
        return self.find_kept(kept_form(key), doing=doing)

    def find_kept(self, kept: str, *, doing: bool = False) -> Account | None:
        """The same for the kept form of a key."""
        now = self._now()
        with self._lock:
            self._drop_old(now)
            found = self._by_hash.get(kept)
            if found is None:
                return None
            if doing:
                found.used = now
            return found.account

    def renew(self, key: str, account: Account) -> None:
        """Keep somebody signed in whose account changed by their own doing."""
        with self._lock:
            if (found := self._by_hash.get(kept_form(key))) is not None:
                found.account = account

    def end(self, key: str) -> Account | None:
        """Sign out; returns whose key it was, or None."""
        return self.end_kept(kept_form(key))

    def end_kept(self, kept: str) -> Account | None:
        """The same for the kept form of a key."""
        with self._lock:
            found = self._by_hash.pop(kept, None)
        return found.account if found else None

    def _now(self) -> tuple[float, float]:
        return self._clocks[0](), self._clocks[1]()

    def _drop_old(self, now: tuple[float, float]) -> None:
        idle_s = self.idle_s
        for key in [
            key
            for key, sign_in in self._by_hash.items()
            if _passed(sign_in.used, now) > idle_s or _passed(sign_in.began, now) > WHOLE_S
        ]:
            del self._by_hash[key]


SIGN_INS: Final = SignIns()
"""Of this process: pages, video and sign-in share it."""


def kept_form(key: str) -> str:
    """The form of a key that is kept: its SHA-256; empty for no key."""
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest() if key else ""


def viewer_of(store: Store, key: str, *, doing: bool = False) -> Viewer | None:
    """Who looks at a page with this key; None for nobody.

    A closed account or a new passphrase ends older sign-ins, also where another process did it.

    Args:
        store: the unit's records.
        key: from the browser's cookie; may be empty.
        doing: whether its owner did something just now.

    Raises:
        StoreError: if the records cannot be read.
    """
    return viewer_of_kept(store, kept_form(key), doing=doing)


def viewer_of_kept(store: Store, kept: str, *, doing: bool = False) -> Viewer | None:
    """The same for the kept form of a key."""
    if not store.sign_in_is_on():
        return AT_THE_COMPUTER
    signed = SIGN_INS.find_kept(kept, doing=doing)
    if signed is None:
        return None
    now = store.account(signed.name)
    if now is None or not now.active or now.changes != signed.changes:
        SIGN_INS.end_kept(kept)
        return None
    return now.viewer


def key_in(cookies: dict[str, str]) -> str:
    """The key among a browser's cookies, or an empty text."""
    return cookies.get(f"__Host-{COOKIE}") or cookies.get(COOKIE) or ""


def _passed(then: tuple[float, float], now: tuple[float, float]) -> float:
    return max(now[0] - then[0], now[1] - then[1])
