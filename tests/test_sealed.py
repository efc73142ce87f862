"""Encrypted videos: published vectors, that nothing but the whole is accepted, keys."""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given
from hypothesis import strategies as st

from review.errors import VideoError
from review.reviewcopy import make_review_copy
from review.sealed import (
    CHUNK,
    KEYS,
    TAG_BYTES,
    Keyring,
    LockedError,
    SealedReader,
    SealedWriter,
    SealError,
    open_bytes,
    plain_name,
    size_of,
    vault_of,
)
from review.vault import VaultError, _stretched, changed_vault, new_vault, open_vault
from review.video import file_sha256, probe, sample_frames
from tests import media

VAULT, KEY = b"a unit's vault..", bytes(range(32))
HEAD = 112
"""Bytes of the header: 8 + 4 + 8 + 16 + 16 + 12 + 48."""
COST = 1 << 10


@pytest.fixture(autouse=True)
def unlocked() -> Iterator[None]:
    KEYS.put(VAULT, KEY)
    yield
    KEYS.drop(VAULT)


def seal(path: Path, plain: bytes, chunk: int = CHUNK) -> Path:
    with path.open("wb") as stream:
        writer = SealedWriter(stream, VAULT, chunk)
        writer.write(plain)
        writer.finish()
    return path


def seal_file(source: Path) -> Path:
    return seal(source.with_name(source.name + ".sealed"), source.read_bytes())


# --- published values ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plain", "sealed"),
    [
        ("", "530f8afbc74536b9a963b4f1c4cb738b"),
        ("00" * 16, "cea7403d4d606b6e074ec5d3baf39d18d0d1c8a799996bf0265b98b5d48ab919"),
    ],
)
def test_aes_gcm_is_that_of_the_standard(plain: str, sealed: str) -> None:
    """AES-256 of zeros.

    Test cases 13 and 14 of McGrew and Viega, 'The Galois/Counter Mode of Operation', the proposal
    behind NIST SP 800-38D (from memory).
    """
    found = AESGCM(bytes(32)).encrypt(bytes(12), bytes.fromhex(plain), None)
    assert found.hex() == sealed


@pytest.mark.parametrize(
    ("passphrase", "salt", "cost", "block", "lanes", "begins"),
    [
        ("", b"", 16, 1, 1, "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"),
        (
            "password", b"NaCl", 1024, 8, 16,
            "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162",
        ),
        (
            "pleaseletmein", b"SodiumChloride", 16384, 8, 1,
            "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2",
        ),
    ],
)  # fmt: skip
def test_the_passphrase_is_stretched_as_published(
    passphrase: str, salt: bytes, cost: int, block: int, lanes: int, begins: str
) -> None:
    """RFC 7914, section 12 (from memory): the first 32 of its 64 bytes."""
    assert _stretched(passphrase, salt, cost, block, lanes).hex() == begins
    again = hashlib.scrypt(passphrase.encode(), salt=salt, n=cost, r=block, p=lanes, dklen=32)
    assert again.hex() == begins, "as another implementation of it"


# --- round trips -----------------------------------------------------------------------------


@given(
    plain=st.binary(max_size=200),
    chunk=st.integers(1, 40),
    reads=st.lists(st.tuples(st.integers(0, 220), st.integers(0, 220)), max_size=8),
)
def test_any_part_reads_as_it_was(plain: bytes, chunk: int, reads: list[tuple[int, int]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = seal(Path(folder) / "x.mp4.sealed", plain, chunk)
        chunks = max(1, -(-len(plain) // chunk))
        assert path.stat().st_size == HEAD + len(plain) + chunks * TAG_BYTES
        assert size_of(path) == len(plain) and vault_of(path) == VAULT
        with open_bytes(path) as reader:
            assert reader.read() == plain
            for start, length in reads:
                assert reader.seek(start) == start
                assert reader.read(length) == plain[start : start + length]
                assert reader.tell() == start + len(plain[start : start + length])
            assert reader.seek(0, io.SEEK_END) == len(plain)


@given(pieces=st.lists(st.binary(max_size=50), max_size=8), patch=st.binary(max_size=10))
def test_written_in_pieces_and_put_right_at_the_beginning(
    pieces: list[bytes], patch: bytes
) -> None:
    plain = bytearray(b"".join(pieces))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.mp4.sealed"
        with path.open("wb") as stream:
            writer = SealedWriter(stream, VAULT, 32)
            for piece in pieces:
                writer.write(piece)
            fits = len(patch) <= min(len(plain), 32)
            if fits and patch:
                writer.seek(0)
                writer.write(patch)
                plain[: len(patch)] = patch
            writer.finish()
        with open_bytes(path) as reader:
            assert reader.read() == plain


def test_going_back_further_than_the_first_chunk_is_refused(tmp_path: Path) -> None:
    with (tmp_path / "x").open("wb") as stream:
        writer = SealedWriter(stream, VAULT, 8)
        writer.write(b"twenty bytes in all.")
        writer.seek(12)
        with pytest.raises(ValueError, match="beginning to the end"):
            writer.write(b"x")


def test_the_same_video_sealed_twice_shows_nothing_alike(tmp_path: Path) -> None:
    plain = b"the same" * 100
    one = seal(tmp_path / "1.sealed", plain, 64).read_bytes()
    other = seal(tmp_path / "2.sealed", plain, 64).read_bytes()
    assert plain[:8] not in one
    alike = sum(a == b for a, b in zip(one[HEAD:], other[HEAD:], strict=True))
    assert alike < 20, "of 1008 bytes about 4 agree by chance"


# --- nothing but the whole -------------------------------------------------------------------


def _refused(path: Path) -> None:
    with pytest.raises(SealError, match=r"changed or cut|no encrypted"), open_bytes(path) as reader:
        reader.read()


@pytest.mark.trust
@given(data=st.data(), bit=st.integers(0, 7))
def test_a_single_changed_bit_is_found(data: st.DataObject, bit: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = seal(Path(folder) / "x.sealed", bytes(range(100)), 16)
        content = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] ^= 1 << bit
        path.write_bytes(content)
        # A changed name of the vault is the name of one that is not here.
        named = range(HEAD - 60 - 16, HEAD - 60)
        if place in named:
            with pytest.raises(LockedError):
                open_bytes(path)
        else:
            _refused(path)


@given(length=st.integers(0, 211))
def test_a_cut_file_is_found(length: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = seal(Path(folder) / "x.sealed", bytes(100), 16)
        content = path.read_bytes()
        assert len(content) == HEAD + 100 + 7 * TAG_BYTES
        path.write_bytes(content[: min(length, len(content) - 1)])
        _refused(path)


@given(order=st.permutations(range(4)).filter(lambda order: list(order) != [0, 1, 2, 3]))
def test_chunks_in_another_order_are_found(order: list[int]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = seal(Path(folder) / "x.sealed", bytes(64), 16)
        content = path.read_bytes()
        chunks = [content[HEAD + 32 * n : HEAD + 32 * (n + 1)] for n in range(4)]
        path.write_bytes(content[:HEAD] + b"".join(chunks[n] for n in order))
        _refused(path)


def test_chunks_and_headers_of_another_file_are_found(tmp_path: Path) -> None:
    one = seal(tmp_path / "1.sealed", bytes(64), 16).read_bytes()
    other = seal(tmp_path / "2.sealed", bytes(64), 16).read_bytes()
    mixed = tmp_path / "3.sealed"
    mixed.write_bytes(one[: HEAD + 32] + other[HEAD + 32 : HEAD + 64] + one[HEAD + 64 :])
    _refused(mixed)
    mixed.write_bytes(one[:HEAD] + other[HEAD:])
    _refused(mixed)


def test_a_whole_chunk_less_with_a_header_that_says_so_is_found(tmp_path: Path) -> None:
    path = seal(tmp_path / "1.sealed", bytes(64), 16)
    content = bytearray(path.read_bytes()[:-32])
    content[12:20] = (48).to_bytes(8, "big")
    path.write_bytes(content)
    _refused(path)


# --- keys ------------------------------------------------------------------------------------


def test_without_the_key_nothing_opens(tmp_path: Path) -> None:
    path = seal(tmp_path / "1.mp4.sealed", bytes(64))
    KEYS.drop(VAULT)
    with pytest.raises(LockedError, match="Unlock it"):
        open_bytes(path)
    with pytest.raises(VideoError, match=r"1\.mp4\.sealed: it is kept encrypted.*Unlock"):
        file_sha256(path)
    KEYS.put(VAULT, bytes(32))
    with pytest.raises(SealError, match="changed"):
        open_bytes(path)


def test_keys_are_handed_over_as_lines() -> None:
    one, other = Keyring(), Keyring()
    one.put(VAULT, KEY)
    other.take_lines(one.as_lines())
    assert other.key(VAULT) == KEY
    one.drop(VAULT)
    assert one.as_lines() == "" and not one.holds(VAULT)


def test_only_the_passphrase_opens_the_vault() -> None:
    vault, key = new_vault("an invented passphrase", cost=COST)
    assert open_vault(vault, "an invented passphrase") == key
    with pytest.raises(VaultError, match="not the unit's passphrase"):
        open_vault(vault, "an invented Passphrase")
    changed = changed_vault(vault, "an invented passphrase", "lamp fig otter tulip", cost=COST)
    assert open_vault(changed, "lamp fig otter tulip") == key and changed.id == vault.id
    with pytest.raises(VaultError):
        open_vault(changed, "an invented passphrase")
    assert key.hex() not in str(vault.as_json())


@pytest.mark.parametrize("easy", ["too short", "1234567890123456", "passwordpassword"])
def test_a_vault_is_not_locked_with_what_is_tried_first(easy: str) -> None:
    """Whoever has a stolen disk can try passphrases without a wait."""
    with pytest.raises(VaultError):
        new_vault(easy, cost=COST)
    vault, _ = new_vault("an invented passphrase", cost=COST)
    with pytest.raises(VaultError):
        changed_vault(vault, "an invented passphrase", easy, cost=COST)


def test_a_passphrase_opens_from_any_keyboard(monkeypatch: pytest.MonkeyPatch) -> None:
    """NIST SP 800-63B, 3.1.1.2: one Unicode form; earlier releases took the letters as typed."""
    composed, apart = "caf\u00e9 lamp fig otter", "cafe\u0301 lamp fig otter"
    vault, key = new_vault(apart, cost=COST)
    assert open_vault(vault, composed) == key == open_vault(vault, apart)
    monkeypatch.setattr("review.vault.checked_passphrase", lambda typed, account: typed)
    earlier, key = new_vault(apart, cost=COST)
    assert open_vault(earlier, apart) == key


# --- as recordings ---------------------------------------------------------------------------


def test_a_sealed_recording_is_read_like_a_plain_one(tmp_path: Path) -> None:
    plain = media.write_video(tmp_path / "v.mp4", media.steady(40, 10.0), (64, 48))
    sealed = seal_file(plain)
    assert plain_name(sealed) == "v.mp4" and file_sha256(sealed) == file_sha256(plain)
    one, other = probe(plain), probe(sealed)
    assert (one.duration_s, one.fps, one.width) == (other.duration_s, other.fps, other.width)
    pictures = [list(sample_frames(path)) for path in (plain, sealed)]
    assert len(pictures[0]) == len(pictures[1]) == 40
    for (one_s, a), (other_s, b) in zip(*pictures, strict=True):
        assert one_s == other_s and (a == b).all()


def test_a_damaged_sealed_recording_is_said_to_be(tmp_path: Path) -> None:
    sealed = seal_file(media.write_video(tmp_path / "v.mp4", media.steady(40, 10.0), (64, 48)))
    content = bytearray(sealed.read_bytes())
    content[HEAD + 40] ^= 1
    sealed.write_bytes(content)
    with pytest.raises(VideoError, match="changed or cut short"):
        probe(sealed)
    with pytest.raises(VideoError, match="changed or cut short"):
        file_sha256(sealed)


def test_its_review_copy_is_sealed_and_no_plain_byte_lies_anywhere(tmp_path: Path) -> None:
    plain = media.write_video(tmp_path / "v.mp4", media.steady(40, 10.0), (64, 48))
    sealed, plain_copy = seal_file(plain), tmp_path / "c.mp4"
    make_review_copy(plain, plain_copy, sound=False)
    plain.unlink()
    copy = make_review_copy(sealed, tmp_path / "copies" / "c.mp4.sealed", sound=False)
    assert probe(copy).duration_s == probe(plain_copy).duration_s
    assert len(list(sample_frames(copy))) == 40
    for path in (sealed, copy):
        assert b"ftyp" not in path.read_bytes() and b"moov" not in path.read_bytes()
    assert sorted(p.name for p in (tmp_path / "copies").iterdir()) == ["c.mp4.sealed"]


def test_opening_leaves_no_open_files(tmp_path: Path) -> None:
    path = seal(tmp_path / "1.mp4.sealed", bytes(64))
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        with SealedReader(path) as reader:
            reader.read()
        KEYS.drop(VAULT)
        with pytest.raises(LockedError):
            SealedReader(path)
        KEYS.put(VAULT, KEY)
    assert len(os.listdir("/proc/self/fd")) == before
