"""The unit's key for its videos, kept encrypted by a passphrase.

The passphrase becomes a key by scrypt (RFC 7914), which costs memory and time so that trying
many is dear; that key encrypts the unit's own random key by AES-256-GCM. A new passphrase
therefore encrypts one small key anew and no video. Without the passphrase nobody, the makers of
this program included, can open what was sealed.
"""

from __future__ import annotations

import secrets
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from review.errors import ReviewError
from review.passphrases import PassphraseError, checked_passphrase, normalised
from review.sealed import ID_BYTES, KEY_BYTES, NONCE_BYTES

COST: Final = 1 << 17
"""scrypt's N with r = 8: 128 MiB and about half a second a try. Common advice (from memory)."""

BLOCK, LANES = 8, 1
SALT_BYTES: Final = 16


class VaultError(ReviewError):
    """A passphrase that is too easy to guess or not the right one."""


@dataclass(frozen=True, slots=True)
class Vault:
    """The unit's key, encrypted. All texts hexadecimal; ``cost``, ``block``, ``lanes`` scrypt's."""

    name: str
    salt: str
    cost: int
    block: int
    lanes: int
    nonce: str
    key: str

    def as_json(self) -> dict[str, Any]:
        """To be kept."""
        return asdict(self)

    @staticmethod
    def from_json(kept: dict[str, Any]) -> Vault:
        """The inverse of :meth:`as_json`."""
        return Vault(**kept)

    @property
    def id(self) -> bytes:
        """The name as sealed files hold it."""
        return bytes.fromhex(self.name)


def new_vault(passphrase: str, *, cost: int = COST) -> tuple[Vault, bytes]:
    """A vault with a new random key, and the key.

    Raises:
        VaultError: if the passphrase is not accepted (see :mod:`review.passphrases`): whoever has
            a copy of the vault can try as many as they like.
    """
    key = AESGCM.generate_key(8 * KEY_BYTES)
    return _locked(secrets.token_bytes(ID_BYTES), key, passphrase, cost), key


def open_vault(vault: Vault, passphrase: str) -> bytes:
    """The unit's key.

    Raises:
        VaultError: if this is not the passphrase.
    """
    salt = bytes.fromhex(vault.salt)
    # As it was typed, too: earlier releases locked with that.
    for form in dict.fromkeys((normalised(passphrase), passphrase)):
        wrapping = _stretched(form, salt, vault.cost, vault.block, vault.lanes)
        with suppress(InvalidTag):
            return AESGCM(wrapping).decrypt(
                bytes.fromhex(vault.nonce), bytes.fromhex(vault.key), vault.id
            )
    raise VaultError("This is not the unit's passphrase; type it again.")


def changed_vault(vault: Vault, passphrase: str, new: str, *, cost: int = COST) -> Vault:
    """The same key under another passphrase.

    Raises:
        VaultError: if the old passphrase is not right or the new one not accepted.
    """
    return _locked(vault.id, open_vault(vault, passphrase), new, cost)


def _locked(name: bytes, key: bytes, passphrase: str, cost: int) -> Vault:
    try:
        passphrase = checked_passphrase(passphrase, account="")
    except PassphraseError as error:
        raise VaultError(str(error)) from None
    salt, nonce = secrets.token_bytes(SALT_BYTES), secrets.token_bytes(NONCE_BYTES)
    wrapped = AESGCM(_stretched(passphrase, salt, cost, BLOCK, LANES)).encrypt(nonce, key, name)
    return Vault(name.hex(), salt.hex(), cost, BLOCK, LANES, nonce.hex(), wrapped.hex())


def _stretched(passphrase: str, salt: bytes, cost: int, block: int, lanes: int) -> bytes:
    kdf = Scrypt(salt=salt, length=KEY_BYTES, n=cost, r=block, p=lanes)
    return kdf.derive(passphrase.encode())
