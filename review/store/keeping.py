"""How the unit keeps its videos, the passphrase of those it encrypts, and when it erases."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from review.sealed import KEYS, SUFFIX, SealedWriter, is_sealed
from review.store.base import Part
from review.store.erasing_tables import KeepingRow
from review.store.records import StoreError
from review.store.tables import RecordingRow
from review.vault import COST, Vault, changed_vault, new_vault, open_vault
from review.wholefile import whole_file

Keep = Literal["stay", "copy", "sealed"]
"""A video stays where it is, is copied to the records, or is copied there encrypted."""

KEEP_WORDS: Final[dict[Keep, str]] = {
    "stay": "stays where it is",
    "copy": "is copied to the records",
    "sealed": "is copied to the records, encrypted",
}

ERASE_AFTER_DAYS: Final = 30
"""Where a unit set nothing: days from the end of a consent to its being due for erasure. Common
practice, no source; ask your data-protection lead."""

MOST_DAYS: Final = 3650

_ROW: Final = 1


@dataclass(frozen=True, slots=True)
class Keeping:
    """The unit's settings of keeping and erasing.

    Attributes:
        video: what happens to a video that is added, unless something else is chosen for it.
        erase_after_days: after the end or the withdrawal of a consent.
        has_passphrase: whether videos can be kept encrypted.
        unlocked: whether encrypted ones can be read in this process.
    """

    video: Keep
    erase_after_days: int
    has_passphrase: bool
    unlocked: bool


class KeepingPart(Part):
    """How videos are kept."""

    folder: Path

    def keeping(self) -> Keeping:
        """The settings as they are now."""
        with self._database.reading() as session:
            row = session.get(KeepingRow, _ROW)
            vault = _vault(row)
            return Keeping(
                _known(row.video) if row else "stay",
                row.erase_after_days if row else ERASE_AFTER_DAYS,
                vault is not None,
                vault is not None and KEYS.holds(vault.id),
            )

    def set_keeping(
        self, *, video: Keep | None = None, erase_after_days: int | None = None, by: str
    ) -> Keeping:
        """Change the settings; None leaves one as it is.

        Raises:
            StoreError: if a value is not allowed, or there is no passphrase to encrypt with.
        """
        with self._writing(by) as writing:
            row = _the_row(writing.session)
            if video is not None:
                if video not in KEEP_WORDS:
                    raise StoreError(f"A video is kept as one of {', '.join(KEEP_WORDS)}.")
                if video == "sealed" and row.vault is None:
                    raise StoreError(
                        "Set a passphrase first; without one nothing can be encrypted."
                    )
                row.video = video
                writing.note("changed", "keeping", f"a video {KEEP_WORDS[video]}")
            if erase_after_days is not None:
                if not 0 <= erase_after_days <= MOST_DAYS:
                    raise StoreError(f"Choose a number of days from 0 to {MOST_DAYS}.")
                row.erase_after_days = erase_after_days
                writing.note("changed", "keeping", f"erasure due after {erase_after_days} days")
        return self.keeping()

    # --- the passphrase ----------------------------------------------------------------------

    def set_video_passphrase(self, passphrase: str, *, by: str, cost: int = COST) -> None:
        """Make the unit's key and lock it with a passphrase; it is unlocked in this process.

        Raises:
            StoreError: if there is one already.
            VaultError: if it is not accepted.
        """
        vault, key = new_vault(passphrase, cost=cost)
        with self._writing(by) as writing:
            row = _the_row(writing.session)
            if row.vault is not None:
                raise StoreError(
                    "There is a passphrase already, and videos may be encrypted with it. Change "
                    "it with the old one."
                )
            row.vault = vault.as_json()
            writing.note("changed", "keeping", "a passphrase was set")
        KEYS.put(vault.id, key)

    def change_video_passphrase(self, old: str, new: str, *, by: str, cost: int = COST) -> None:
        """Another passphrase for the same key; no video is encrypted anew.

        Raises:
            StoreError: if none was set.
            VaultError: if the old one is not right or the new one is not accepted.
        """
        changed = changed_vault(self._needed_vault(), old, new, cost=cost)
        with self._writing(by) as writing:
            _the_row(writing.session).vault = changed.as_json()
            writing.note("changed", "keeping", "the passphrase was changed")

    def unlock_videos(self, passphrase: str) -> None:
        """Let this process read what is kept encrypted, until it ends or :meth:`lock_videos`.

        Raises:
            StoreError: if no passphrase was set.
            VaultError: if this is not the passphrase.
        """
        vault = self._needed_vault()
        KEYS.put(vault.id, open_vault(vault, passphrase))

    def lock_videos(self) -> None:
        """Let go of the key in this process."""
        KEYS.drop(self._needed_vault().id)

    def vault_id(self) -> bytes:
        """The name of the unit's vault, as sealed files hold it.

        Raises:
            StoreError: if no passphrase was set.
        """
        return self._needed_vault().id

    def _needed_vault(self) -> Vault:
        with self._database.reading() as session:
            vault = _vault(session.get(KeepingRow, _ROW))
        if vault is None:
            raise StoreError("No passphrase was set, so nothing is kept encrypted here.")
        return vault

    # --- what is kept already ----------------------------------------------------------------

    def seal_what_is_kept(self, *, by: str) -> int:
        """Encrypt the videos and review copies in the records that are not; says how many.

        Videos that stay where they are are left alone. It may be stopped at any moment and
        done again.

        Raises:
            StoreError: if no passphrase was set, the key is locked or a file cannot be written.
        """
        vault, done = self.vault_id(), 0
        for plain in _plain_files(self.folder):
            sealed = seal_file(plain, plain.with_name(plain.name + SUFFIX), vault)
            with self._writing(by) as writing:
                query = select(RecordingRow).where(RecordingRow.file == str(plain))
                for row in writing.session.scalars(query):
                    row.file = str(sealed)
                    writing.note_on(row, "encrypted")
            plain.unlink()
            done += 1
        return done


def seal_file(source: Path, target: Path, vault: bytes) -> Path:
    """An encrypted copy of a file, complete or not at all.

    Raises:
        StoreError: if it cannot be read or written, or the key is locked.
    """
    try:
        with (
            whole_file(target) as partial,
            partial.open("wb") as stream,
            source.open("rb") as original,
        ):
            writer = SealedWriter(stream, vault)
            shutil.copyfileobj(original, writer, 1 << 20)
            writer.finish()
    except OSError as error:
        raise StoreError(
            f"{source}: it cannot be kept encrypted in {target.parent}: {error.strerror or error}"
        ) from error
    return target


def memory_folder() -> str | None:
    """A folder that lies in memory, where the system has one that may be written to."""
    shared = "/dev/shm"
    return shared if os.access(shared, os.W_OK) else None


def _plain_files(folder: Path) -> list[Path]:
    found = [path for place in ("videos", "copies") for path in (folder / place).glob("*")]
    return sorted(
        path
        for path in found
        if path.is_file() and not is_sealed(path) and not path.name.startswith(".")
    )


def _the_row(session: Session) -> KeepingRow:
    row = session.get(KeepingRow, _ROW)
    if row is None:
        row = KeepingRow(id=_ROW, video="stay", erase_after_days=ERASE_AFTER_DAYS, vault=None)
        session.add(row)
    return row


def _vault(row: KeepingRow | None) -> Vault | None:
    return None if row is None or row.vault is None else Vault.from_json(row.vault)


def _known(word: str) -> Keep:
    return "sealed" if word == "sealed" else "copy" if word == "copy" else "stay"
