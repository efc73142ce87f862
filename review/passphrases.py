"""Passphrases: which are accepted, how they are kept, and how one is checked.

Only a hash is kept. It is made to be slow and to need memory, so that whoever gets hold of the
records cannot try many passphrases a second.
"""

from __future__ import annotations

import re
import threading
import unicodedata
from collections.abc import Iterable
from itertools import pairwise
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from review.errors import ReviewError

SHORTEST: Final = 15
"""Characters. NIST SP 800-63B revision 4 (2025), 3.1.1.2: at least 15 where the passphrase is the
only factor; length alone is asked for, no mixture of kinds of characters."""

LONGEST: Final = 256
"""Characters. The same section asks for at least 64; a bound keeps the work of hashing bounded."""

FEWEST_GUESSES: Final = 1e10
"""Guesses that somebody who knows what is used most would need, as zxcvbn estimates them; from here
on it gives its best mark. At a thousand tries a second, which the hash below hardly allows a strong
machine, they take four months (arithmetic). NIST SP 800-63B, 3.1.1.2, asks for a comparison with
what is commonly used, expected or compromised (from memory)."""

LOOKED_AT: Final = 100
"""Characters that the estimate looks at: its work grows faster than the length, and what is beyond
can only make it harder to guess. A hundred take some hundredths of a second."""

AT_ONCE: Final = 2
"""Hashes worked out at the same time; each takes 64 MiB of memory and all cores for a moment."""

_HASHER: Final = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
"""Argon2id with RFC 9106, section 4, second recommended option: 3 passes over 64 MiB in 4 lanes,
128 bits of salt, 256 bits of hash."""

_WORKING: Final = threading.BoundedSemaphore(AT_ONCE)


class PassphraseError(ReviewError):
    """A passphrase that is not accepted, with what to choose instead."""


def checked_passphrase(passphrase: str, *, account: str, known: Iterable[str] = ()) -> str:
    """A new passphrase in the form that is hashed.

    Only length is asked for, and that it is not what is tried first: one piece over and over,
    a row of neighbours ('12345...'), passphrases and words that are used most, or names that
    anybody here knows.

    Args:
        passphrase: as typed.
        account: name of the account.
        known: the unit's name, the person's code and name, and what else is no secret here.

    Raises:
        PassphraseError: if it is not accepted.
    """
    passphrase = normalised(passphrase)
    if len(passphrase) < SHORTEST:
        raise PassphraseError(
            f"The passphrase has {len(passphrase)} characters; it needs at least {SHORTEST}. Four "
            "or five words that do not belong together are easy to remember."
        )
    if len(passphrase) > LONGEST:
        raise PassphraseError(
            f"The passphrase is too long; please keep it to {LONGEST} characters."
        )
    if "\x00" in passphrase or any(unicodedata.category(sign) == "Cs" for sign in passphrase):
        raise PassphraseError("The passphrase holds characters that cannot be typed again.")
    if is_expected(passphrase, account) or guesses(passphrase, (account, *known)) < FEWEST_GUESSES:
        raise PassphraseError(
            "This passphrase is one of the first that would be tried: much used words, names, "
            "dates or keys in a row, or names that people here know. Four or five words that do "
            "not belong together are harder to guess."
        )
    return passphrase


def normalised(passphrase: str) -> str:
    r"""The same letters in one form, whatever keyboard they come from (Unicode NFKC).

    NIST SP 800-63B revision 4, 3.1.1.2, asks for NFKC or NFC before hashing.

    >>> normalised("cafe\u0301") == normalised("caf\u00e9")
    True
    """
    return unicodedata.normalize("NFKC", passphrase)


def is_expected(passphrase: str, account: str) -> bool:
    """Whether a passphrase is among the first that anybody would try.

    >>> is_expected("abcabcabcabcabcabc", "ann"), is_expected("ann-ann-ann-ann-ann-2024", "ann")
    (True, True)
    >>> is_expected("1234567890123456", "ann"), is_expected("lamp fig otter tulip", "ann")
    (True, False)
    """
    plain = "".join(sign for sign in passphrase.casefold() if sign.isalnum())
    own = "".join(sign for sign in account.casefold() if sign.isalnum())
    for piece in (own, "exchangereview", "passphrase", "password"):
        plain = plain.replace(piece, "") if len(piece) > 2 else plain
    if len(plain) < SHORTEST // 2 or len(set(plain)) < 4:
        return True
    if plain in (plain + plain)[1:-1]:  # one piece over and over
        return True
    steps = [ord(after) - ord(before) for before, after in pairwise(plain)]
    return sum(step in (1, -1) for step in steps) > 0.8 * len(steps)


def guesses(passphrase: str, known: Iterable[str] = ()) -> float:
    """About how many tries a passphrase would take of somebody who knows what is used most.

    The library has lists of common passphrases, words and names, and knows dates, rows of keys and
    repetition. Spaces and other signs between words are also taken away, for they add little.

    Args:
        passphrase: of any length.
        known: texts that are no secret here; their words count as the first to be tried.

    >>> guesses("monkey dragon master") < guesses("lamp fig otter tulip") / 1000
    True
    """
    # Imported here: its lists take a moment, and only new passphrases need them.
    from zxcvbn import zxcvbn

    pieces = [piece for text in known for piece in (text, *re.split(r"[\W_]+", text))]
    inputs = [piece[:LOOKED_AT] for piece in dict.fromkeys(pieces) if len(piece) > 2]
    joined = "".join(sign for sign in passphrase if sign.isalnum())
    forms = {form[:LOOKED_AT] for form in (passphrase, joined) if form}
    estimates = [zxcvbn(form, inputs, max_length=LOOKED_AT)["guesses"] for form in forms]
    return float(min(estimates, default=0))


def hashed(passphrase: str) -> str:
    """The hash to keep, with its salt and settings (PHC string format)."""
    with _WORKING:
        return _HASHER.hash(normalised(passphrase))


NOBODYS: Final = (
    "$argon2id$v=19$m=65536,t=3,p=4$bm9ib2R5J3MgYWNjb3VudA"
    "$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
)
"""Stands in where there is no account: checking against it takes as long and never succeeds."""


def fits(kept: str, passphrase: str) -> bool:
    """Whether a passphrase is the one whose hash is kept; takes the same time either way."""
    try:
        with _WORKING:
            tried = normalised(passphrase[: 4 * LONGEST]).encode("utf-8", "surrogatepass")
            return _HASHER.verify(kept, tried)
    except (VerificationError, InvalidHashError):
        return False


def is_outdated(kept: str) -> bool:
    """Whether a hash was made with other settings than today's."""
    return _HASHER.check_needs_rehash(kept)
