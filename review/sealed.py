"""Videos encrypted on the disk, read and written without their plain bytes ever lying there.

A sealed file is a header and chunks. Every file has a random key of its own; each chunk is
encrypted with it by AES-256 in Galois/Counter Mode (NIST SP 800-38D), the chunk's number being
the nonce, so that no nonce is used twice with a key. What is authenticated beside a chunk is the
file's random name, the chunk's number and whether it is the last: a changed, moved, exchanged,
missing or added chunk is refused (after the STREAM construction of Hoang, Reyhanitabar, Rogaway
and Vizar 2015; from memory). The file's key stands in the header, encrypted by the unit's key,
which authenticates the header and with it the length.

Keys are held in this process's memory only, on :data:`KEYS`. Names of sealed files end in
``.sealed``; everything that reads a recording opens it with :func:`open_bytes`.
"""

from __future__ import annotations

import io
import os
import secrets
import struct
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

SUFFIX: Final = ".sealed"

CHUNK: Final = 1 << 16
"""Plain bytes a chunk; a player that seeks decrypts about this much too much."""

KEY_BYTES, NONCE_BYTES, TAG_BYTES, ID_BYTES = 32, 12, 16, 16

_HEAD: Final = struct.Struct(f">8sIQ{ID_BYTES}s{ID_BYTES}s{NONCE_BYTES}s{KEY_BYTES + TAG_BYTES}s")
_FACTS: Final = struct.Struct(f">8sIQ{ID_BYTES}s{ID_BYTES}s")
_MARK: Final = b"XRSEAL01"


class SealError(OSError):
    """A sealed file that cannot be read, with words that follow its name."""


class LockedError(SealError):
    """A sealed file whose key is not here."""


class Keyring:
    """The unit keys that were unlocked in this process. Safe to use from several threads."""

    def __init__(self) -> None:
        self._keys: dict[bytes, bytes] = {}
        self._lock = threading.Lock()

    def put(self, vault: bytes, key: bytes) -> None:
        """Hold a unit's key (32 bytes) under its vault's name (16 bytes)."""
        if len(vault) != ID_BYTES or len(key) != KEY_BYTES:
            raise ValueError(f"need {ID_BYTES} and {KEY_BYTES} bytes")
        with self._lock:
            self._keys[vault] = key

    def drop(self, vault: bytes) -> None:
        """Forget a key; nothing happens if it is not here."""
        with self._lock:
            self._keys.pop(vault, None)

    def holds(self, vault: bytes) -> bool:
        """Whether the key is here."""
        with self._lock:
            return vault in self._keys

    def key(self, vault: bytes) -> bytes:
        """The key of a vault.

        Raises:
            LockedError: if it is not here.
        """
        with self._lock:
            found = self._keys.get(vault)
        if found is None:
            raise LockedError(
                "it is kept encrypted and the unit's key is locked. Unlock it with the unit's "
                "passphrase on the page 'Keeping', then try again."
            )
        return found

    def as_lines(self) -> str:
        """All keys as text, to hand to a process of one's own through a pipe."""
        with self._lock:
            return "".join(f"{vault.hex()} {key.hex()}\n" for vault, key in self._keys.items())

    def take_lines(self, lines: str) -> None:
        """Hold what :meth:`as_lines` gave."""
        for line in lines.splitlines():
            vault, _, key = line.partition(" ")
            self.put(bytes.fromhex(vault), bytes.fromhex(key))


KEYS: Final = Keyring()
"""The one keyring of this process."""


@dataclass(frozen=True, slots=True)
class _Header:
    """What stands at the beginning. ``size``: plain bytes in all; ``vault``: whose key."""

    chunk: int
    size: int
    file_id: bytes
    vault: bytes

    @property
    def facts(self) -> bytes:
        return _FACTS.pack(_MARK, self.chunk, self.size, self.file_id, self.vault)

    @property
    def chunks(self) -> int:
        return max(1, -(-self.size // self.chunk))

    @property
    def length(self) -> int:
        """Bytes of the whole sealed file."""
        return _HEAD.size + self.size + self.chunks * TAG_BYTES

    def beside(self, number: int) -> bytes:
        """What is authenticated beside a chunk."""
        return self.file_id + struct.pack(">Q?", number, number == self.chunks - 1)


def is_sealed(path: Path) -> bool:
    """Whether the name is that of a sealed file."""
    return path.suffix == SUFFIX


def plain_name(path: Path) -> str:
    """The name without what sealing added."""
    return path.stem if is_sealed(path) else path.name


def open_bytes(path: Path) -> io.BufferedReader | SealedReader:
    """A recording's plain bytes, to read and seek in, sealed or not.

    Raises:
        LockedError: if it is sealed and its key is not here.
        SealError: if it is sealed and was changed or cut.
        OSError: if it cannot be opened.
    """
    return SealedReader(path) if is_sealed(path) else path.open("rb")


def size_of(path: Path) -> int:
    """Plain bytes of a recording; raises as :func:`open_bytes`."""
    if not is_sealed(path):
        return path.stat().st_size
    with SealedReader(path) as reader:
        return reader.size


def can_open(path: Path) -> bool:
    """Whether a recording is there and, if it is sealed, its key is here.

    Raises:
        SealError: if it calls itself sealed and is not.
    """
    return path.is_file() and (not is_sealed(path) or KEYS.holds(vault_of(path)))


def vault_of(path: Path) -> bytes:
    """Whose key sealed a file; it need not be unlocked.

    Raises:
        SealError: if this is no sealed file.
        OSError: if it cannot be read.
    """
    with path.open("rb") as stream:
        return _read_header(stream)[0].vault


def _read_header(stream: BinaryIO | io.FileIO) -> tuple[_Header, bytes, bytes]:
    """The header, and nonce and ciphertext of the file's key."""
    head = stream.read(_HEAD.size)
    if len(head) < _HEAD.size or head[: len(_MARK)] != _MARK:
        raise SealError("it is no encrypted recording of this program, or its start is damaged.")
    _, chunk, size, file_id, vault, nonce, wrapped = _HEAD.unpack(head)
    header = _Header(chunk, size, file_id, vault)
    if not chunk or os.fstat(stream.fileno()).st_size != header.length:
        raise SealError(_CHANGED)
    return header, nonce, wrapped


_CHANGED: Final = (
    "its encrypted form was changed or cut short, so nothing of it is used. Put back a copy, or "
    "add the recording again."
)


class SealedReader(io.RawIOBase):
    """Plain bytes of a sealed file, one chunk in memory at a time. Not for several threads.

    Attributes:
        size: plain bytes in all.

    Raises:
        LockedError: if its key is not here.
        SealError: when opened or read, if it was changed or cut.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.name = str(path)
        self._stream = path.open("rb", buffering=0)
        try:
            self._header, nonce, wrapped = _read_header(self._stream)
            wrapping = AESGCM(KEYS.key(self._header.vault))
            self._cipher = AESGCM(wrapping.decrypt(nonce, wrapped, self._header.facts))
        except InvalidTag:
            self._stream.close()
            raise SealError(_CHANGED) from None
        except BaseException:
            self._stream.close()
            raise
        self.size = self._header.size
        self._at = 0
        self._number, self._plain = -1, b""

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Where the next byte is read."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a place, which may lie behind the end."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self.size}[whence]
        if base + offset < 0:
            raise ValueError(f"there is no place {base + offset}")
        self._at = base + offset
        return self._at

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Read up to the end of a chunk."""
        if self._at >= self.size:
            return 0
        number, within = divmod(self._at, self._header.chunk)
        piece = self._chunk(number)[within : within + len(buffer)]
        buffer[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)

    def read(self, size: int = -1) -> bytes:
        """Exactly so many bytes, fewer only at the end; all that is left for -1."""
        wanted = self.size - self._at if size is None or size < 0 else size
        wanted = max(0, min(wanted, self.size - self._at))
        pieces = bytearray(wanted)
        view, filled = memoryview(pieces), 0
        while filled < wanted:
            filled += self.readinto(view[filled:])
        return bytes(pieces)

    def _chunk(self, number: int) -> bytes:
        if number != self._number:
            header = self._header
            self._stream.seek(_HEAD.size + number * (header.chunk + TAG_BYTES))
            kept = _read_all(self._stream, header.chunk + TAG_BYTES)
            try:
                self._plain = self._cipher.decrypt(_nonce(number), kept, header.beside(number))
            except InvalidTag:
                self._number, self._plain = -1, b""
                raise SealError(_CHANGED) from None
            self._number = number
        return self._plain

    def close(self) -> None:
        """Close the file and let go of what was decrypted."""
        self._plain = b""
        if stream := getattr(self, "_stream", None):  # there is none where opening failed
            stream.close()
        super().close()


def _read_all(stream: io.RawIOBase | io.FileIO, size: int) -> bytes:
    pieces = b""
    while len(pieces) < size and (more := stream.read(size - len(pieces))):
        pieces += more
    return pieces


def _nonce(number: int) -> bytes:
    return number.to_bytes(NONCE_BYTES, "big")


class SealedWriter(io.RawIOBase):
    """Seals what is written to it; complete only once :meth:`finish` was called.

    Writing goes on at the end. Going back is possible within the first chunk alone, which is
    held in memory until the end: writers of MP4 put a length in there when they know it. Every
    chunk is encrypted once.

    Args:
        stream: an empty file to write to and seek in.
        vault: whose key; it must be unlocked.
        chunk: plain bytes a chunk.

    Raises:
        LockedError: if the key is not here.
    """

    def __init__(self, stream: BinaryIO, vault: bytes, chunk: int = CHUNK) -> None:
        super().__init__()
        self._unit_key = KEYS.key(vault)
        self._stream, self._vault, self._size = stream, vault, chunk
        self._file_id, key = secrets.token_bytes(ID_BYTES), AESGCM.generate_key(8 * KEY_BYTES)
        self._key, self._cipher = key, AESGCM(key)
        self._first, self._open = bytearray(), bytearray()
        self._number = 0
        self._at = self._end = 0

    def writable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Where the next byte is written."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a place; writing there may be refused."""
        self._at = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._end}[whence] + offset
        return self._at

    def write(self, data: bytes | memoryview) -> int:  # type: ignore[override]
        """Add bytes at the end, or put them in place of some in the first chunk.

        Raises:
            ValueError: for any other place.
        """
        data = bytes(data)
        if self._at != self._end:
            if not 0 <= self._at <= self._at + len(data) <= len(self._first):
                raise ValueError("a sealed file is written from the beginning to the end")
            self._first[self._at : self._at + len(data)] = data
            self._at += len(data)
            return len(data)
        rest = memoryview(data)
        while rest:
            if len(self._filling) == self._size:
                self._next()
            took = rest[: self._size - len(self._filling)]
            self._filling.extend(took)
            rest = rest[len(took) :]
        self._end += len(data)
        self._at = self._end
        return len(data)

    @property
    def _filling(self) -> bytearray:
        return self._first if self._number == 0 else self._open

    def _next(self) -> None:
        """A full chunk with something behind it is not the last and may be written."""
        if self._number:
            self._put(self._number, bytes(self._open), last=False)
            self._open.clear()
        self._number += 1

    def _put(self, number: int, plain: bytes, *, last: bool) -> None:
        beside = self._file_id + struct.pack(">Q?", number, last)
        self._stream.seek(_HEAD.size + number * (self._size + TAG_BYTES))
        self._stream.write(self._cipher.encrypt(_nonce(number), plain, beside))

    def finish(self) -> None:
        """Write what is left: the last chunk, the first, and the header that makes it whole."""
        if self._number:
            self._put(self._number, bytes(self._open), last=True)
        self._put(0, bytes(self._first), last=self._number == 0)
        facts = _Header(self._size, self._end, self._file_id, self._vault).facts
        nonce = secrets.token_bytes(NONCE_BYTES)
        self._stream.seek(0)
        self._stream.write(facts + nonce + AESGCM(self._unit_key).encrypt(nonce, self._key, facts))
        self._stream.flush()
