"""Clips for teaching, made only where the person agreed to it, and noted in the audit."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from review.guarded import Limits, UnexpectedError, run_guarded
from review.sharedcopy import SharedCopy
from review.store import Consent, ConsentError, RecordingEntry, Store, StoreError
from review.video import file_sha256
from review.wholefile import HALF

Progress = Callable[[float], None]

SHARING: Final = Limits(memory_mib=8192, cpu_s=4 * 3600.0, wall_s=4 * 3600.0, file_mib=4096)
"""Looking for faces takes about 2 GiB of address space and, for the longest clip, an hour of one
core (measured); damaged recordings stay within this all the same."""


def share_recording(
    store: Store,
    recording_id: int,
    target: Path | str,
    *,
    start_s: float,
    end_s: float,
    by: str,
    sound: bool = False,
    looked_at: bool = False,
    progress: Progress | None = None,
) -> SharedCopy:
    """Make a clip for teaching: every face covered, without sound unless asked for.

    Args:
        store: the unit's records.
        recording_id: the recording.
        target: the clip's place: a new file ending in ``.mp4``.
        start_s: of the span, seconds from the recording's first picture.
        end_s: of the span.
        by: who makes it; goes to the audit.
        sound: keep the sound; needs a consent that says so.
        looked_at: somebody watched the span and no face shows in it; see
            :func:`review.sharedcopy.make_shared_copy`.
        progress: told the share done, 0..1. What it raises stops the work and is raised on;
            nothing is left behind.

    Raises:
        ConsentError: if the person did not agree to teaching, or not to sound.
        StoreError: if there is no such recording, its video is not kept or was changed, or the
            place is taken or no ``.mp4``.
        VideoError: if the clip cannot be made.
    """
    target = Path(target).absolute()
    entry = store.recording(recording_id)
    check_teaching(store, entry, sound=sound)
    source = _source(entry)
    _check_place(target)
    try:
        made = run_guarded(
            "review.sharedcopy:share_task",
            {
                "source": str(source),
                "target": str(target),
                "start_s": start_s,
                "end_s": end_s,
                "sound": sound,
                "looked_at": looked_at,
            },
            SHARING,
            name=entry.name,
            progress=progress or (lambda share: None),
        )
    except UnexpectedError as error:
        raise StoreError(
            f"{entry.name}: the clip could not be made ({error}). Check that the recording plays."
        ) from error
    finally:
        _clear_halves(target)
    try:
        check_teaching(store, entry, sound=sound)  # it may have been withdrawn meanwhile
        store.note_export(
            f"clip for teaching, {start_s:g} s to {end_s:g} s, faces covered, "
            f"{'with' if made['sound'] else 'without'} sound: {target.name}",
            recording_id,
            by=by,
        )
    except BaseException:
        target.unlink(missing_ok=True)  # nothing leaves without consent and a note of it
        raise
    return SharedCopy(**made)


def check_teaching(store: Store, entry: RecordingEntry, *, sound: bool = False) -> None:
    """Do nothing if a clip of the recording may be shown to others who learn.

    Raises:
        ConsentError: if not, with the reason.
    """
    latest = store.consents(entry.person)[-1:]
    why = _why_not(latest[0] if latest else None, store, sound)
    if why:
        raise ConsentError(
            f"No clip of recordings of {entry.person} may be shared: {why}. Ask the person, record "
            "the new consent, then try again."
        )


def _why_not(consent: Consent | None, store: Store, sound: bool) -> str:
    if consent is None:
        return "no consent was recorded"
    if consent.withdrawn_at is not None:
        return "the consent was withdrawn"
    if "teaching" not in consent.purposes:
        return "the consent does not include teaching"
    if not consent.holds(store.today(), "teaching"):
        return f"the consent ended on {consent.until}"
    if sound and not consent.sound:
        return "the consent does not include the sound (leave the sound out)"
    return ""


def _source(entry: RecordingEntry) -> Path:
    """The recording's file, if it is still the one that was added."""
    if not entry.file:
        raise StoreError(f"{entry.name}: its video is not kept, so no clip can be made of it.")
    source = Path(entry.file)
    if file_sha256(source) != entry.sha256:
        raise StoreError(
            f"{source}: the file was changed since it was added. Put the original back, or add "
            "the new file as a recording of its own."
        )
    return source


def _check_place(target: Path) -> None:
    if target.suffix.lower() != ".mp4":
        raise StoreError(f"{target}: a clip is an MP4 file; give it a name that ends in .mp4.")
    if target.exists() or target.is_symlink():
        raise StoreError(f"{target} is there already: choose another name, or delete it first.")
    if not target.parent.is_dir():
        raise StoreError(f"{target.parent} is no folder: make it first, or choose another place.")


def _clear_halves(target: Path) -> None:
    """What a child that was stopped hard left of the clip; a finished one has its own name."""
    for half in target.parent.glob(f".{_as_pattern(target.name)}.*{HALF}"):
        with suppress(OSError):
            half.unlink()


def _as_pattern(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)
