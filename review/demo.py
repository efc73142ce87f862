"""An invented unit to look around in: nobody in it exists, nobody was filmed.

Four sessions show the drawn sample recordings with their real analyses; the earlier ones are
made up figures, each marked as invented. The same folder and day give the same unit.

The analyses and landmarks of the samples lie beside this module, so that the unit opens without
waiting; ``python -m review.demo`` makes them anew from the sample recordings (minutes).
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from pathlib import Path
from typing import Final

from review.analysis import Analysis, FlagLevel, read_analysis, write_analysis
from review.errors import ReviewError
from review.invented import INVENTED, Story, invent_analysis
from review.pipeline import analyse_recording
from review.protocol import load_protocol
from review.reviewcopy import review_copy_name
from review.seconddemo import add_events, first_look, second_look
from review.store import RecordingState, Store, Verdict, flag_topic, open_store
from review.store.records import Purpose
from review.store.store import has_records
from review.timeline import Surface
from review.video import file_sha256

PROTOCOL: Final = "practice"
SEED: Final = 20
SHOWN: Final = ("clean_exchange", "planted_faults", "wrong_order", "dark_small_noisy")
"""Sample recordings that the unit shows."""


@dataclass(frozen=True, slots=True)
class _Learner:
    """One invented person and how they come along.

    Attributes:
        code, language, note: as in the records.
        trainer: who teaches them.
        first_s, last_s: rubbing time of their first and latest session, seconds.
        weak: surfaces they tend to miss.
        days_ago: days before today of each invented session, oldest first.
        recheck_in: days from today to the re-check of the last signature; None for none.
        clip: the sample recording that is their newest session, or none.
    """

    code: str
    language: str
    note: str
    trainer: str
    first_s: float
    last_s: float
    weak: tuple[Surface, ...]
    days_ago: tuple[int, ...]
    recheck_in: int | None
    clip: str = ""


_THUMBS = (Surface.THUMB_LEFT, Surface.THUMB_RIGHT)
_TIPS = (Surface.FINGERTIPS_LEFT, Surface.FINGERTIPS_RIGHT)
_BACKS = (Surface.BACK_LEFT, Surface.BACKS_OF_FINGERS)

LEARNERS: Final = (
    _Learner(
        "K-104", "en", "", "T-1", 12.0, 22.0, _THUMBS,
        (168, 140, 112, 84, 56, 21), 9, "clean_exchange",
    ),
    _Learner(
        "K-111", "es", "", "T-1", 11.0, 16.0, (*_THUMBS, *_TIPS),
        (150, 121, 92, 63, 28), -6, "planted_faults",
    ),
    _Learner("K-118", "en", "", "T-2", 16.0, 25.0, _BACKS, (133, 98, 70, 42), 40, "wrong_order"),
    _Learner(
        "K-125", "es", "films on an old phone", "T-2", 14.0, 19.0, _TIPS,
        (126, 91, 49, 20), 3, "dark_small_noisy",
    ),
    _Learner("K-132", "en", "", "T-1", 18.0, 28.0, (Surface.BACK_RIGHT,), (119, 77, 35), 60),
    _Learner("K-139", "en", "", "T-2", 9.0, 14.0, (*_THUMBS, *_BACKS), (105, 80, 55, 30), -20),
    _Learner("K-146", "en", "", "T-1", 15.0, 17.0, _TIPS, (66, 38, 10), 18),
    _Learner("K-153", "es", "", "T-2", 20.0, 24.0, (), (59, 31), None),
)  # fmt: skip
"""Everybody who learns in the invented unit. Codes and courses are made up."""

TRAINERS: Final = (("T-1", "Invented trainer A"), ("T-2", "Invented trainer B"))
BOUNDED: Final = "K-153"
"""Somebody whose consent ends after a year; the others' holds until it is taken back."""

WITHDRAWN: Final = "K-160"
"""Somebody who took the consent back: nothing of theirs may be seen."""


class _SetClock:
    """A clock that the making of the unit turns, so that its past lies in the past."""

    def __init__(self) -> None:
        self.now = datetime(2024, 1, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def turn_to(self, day: date, hour: int = 10) -> None:
        self.now = datetime.combine(day, time(hour), UTC)


def sample_folder() -> Path:
    """Where the drawn sample recordings lie in a clone."""
    return Path(__file__).resolve().parent.parent / "sample_clips"


def is_made(folder: Path | str) -> bool:
    """Whether the folder holds records already."""
    return has_records(Path(folder))


def make_demo(
    folder: Path | str, *, today: date | None = None, clips: Path | None = None
) -> tuple[int, ...]:
    """Make the invented unit in an empty folder, completely or not at all.

    The sample recordings stay where they are; landmarks and review copies go into the folder.

    Args:
        folder: for the records; it may exist and be empty.
        today: the day the unit is at; its past reaches half a year back.
        clips: where the sample recordings lie.

    Returns:
        The ids of the four sessions that have a recording.

    Raises:
        ReviewError: if the folder holds records already, a sample recording is missing, or it
            is not the one whose analysis is kept here.
    """
    folder, clips, today = Path(folder), clips or sample_folder(), today or date.today()
    if is_made(folder):
        raise ReviewError(f"{folder} holds records already. Name an empty folder for the demo.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ReviewError(f"{folder} is not an empty folder. Name another one for the demo.")
    samples = {name: _sample(clips, name) for name in SHOWN}
    partial = folder.with_name(f".{folder.name}.{os.getpid()}.partial")
    try:
        shown = _make(partial, samples, today)
        if folder.is_dir():
            folder.rmdir()
        partial.rename(folder)
    except OSError as error:
        raise ReviewError(
            f"{folder}: the demo cannot be made here ({error.strerror or error}). Name a folder "
            "that may be written to."
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return shown


def _make(
    folder: Path, samples: Mapping[str, tuple[Path, Analysis]], today: date
) -> tuple[int, ...]:
    """Fill the records of a new folder; see :func:`make_demo`."""
    clock, dice = _SetClock(), random.Random(SEED)
    clock.turn_to(today - timedelta(days=200))
    with open_store(folder, clock=clock) as store:
        _people(store, today)
        steps = [
            (learner, number, today - timedelta(days=days))
            for learner in LEARNERS
            for number, days in enumerate(learner.days_ago)
        ]
        for learner, number, day in sorted(steps, key=lambda step: (step[2], step[0].code)):
            clock.turn_to(day)
            _past_session(store, learner, number, day, today, dice)
        add_events(store, today, clock.turn_to, LEARNERS[0].trainer)
        shown = []
        for learner in (learner for learner in LEARNERS if learner.clip):
            clock.turn_to(today, 8)
            video, analysis = samples[learner.clip]
            shown.append(_shown_session(store, learner, video, analysis, today))
        for recording in shown[:2]:
            store.ask_blind_review(recording, TRAINERS[1][0], by="demo")
        _withdraw(store, today, clock)
        _landmarks(store.landmarks)
    return tuple(shown)


def _people(store: Store, today: date) -> None:
    for code, name in TRAINERS:
        store.add_trainer(code, name, by="demo")
    for learner in LEARNERS:
        note = f"Invented. {learner.note}".strip()
        teaching: tuple[Purpose, ...] = ("review", "teaching")
        store.add_person(learner.code, note=note, language=learner.language, by="demo")
        store.add_consent(
            learner.code,
            purposes=teaching if learner.language == "en" else teaching[:1],
            until=today + timedelta(days=365) if learner.code == BOUNDED else None,
            sound=learner.language == "en",
            by=learner.trainer,
        )


def _past_session(
    store: Store, learner: _Learner, number: int, day: date, today: date, dice: random.Random
) -> None:
    """One invented session with what its trainer decided, and the signature under it."""
    last = number == len(learner.days_ago) - 1
    protocol = load_protocol(PROTOCOL)
    analysis = invent_analysis(_story(learner, number, dice), protocol)
    entry = store.add_session(
        analysis,
        person=learner.code,
        trainer=learner.trainer,
        taken_on=day,
        by=learner.trainer,
        note=INVENTED,
    )
    for _ in range(dice.choice((0, 1, 1, 2))):
        store.watched(entry.id, by=learner.trainer)
    # The newest sessions still wait for decisions, as in a real unit.
    for flag in analysis.flags if not last or dice.random() < 0.5 else ():
        if flag.level is FlagLevel.LOOK:
            store.decide(
                entry.id,
                kind=flag.kind,
                start_s=flag.start_s,
                end_s=flag.end_s,
                topic=flag_topic(flag),
                verdict=dice.choices(list(Verdict), weights=(8, 2, 1))[0],
                by=learner.trainer,
            )
    twice = first_look(store, entry, analysis, protocol, learner.trainer)
    recheck = None if learner.recheck_in is None else today + timedelta(days=learner.recheck_in)
    if not last:
        recheck = day + timedelta(days=28)
    rubbing = analysis.measure("wash.rubbing_time")
    told = rubbing is not None and rubbing.value is not None
    good = told and not any(flag.level is FlagLevel.LOOK for flag in analysis.flags)
    store.sign(
        entry.id,
        name=dict(TRAINERS)[learner.trainer],
        on=day,
        outcome="signed_off" if good else "practise_more",
        recheck_on=recheck,
        by=learner.trainer,
    )
    if twice:
        other = next(code for code, _ in TRAINERS if code != learner.trainer)
        second_look(store, entry, analysis, protocol, other)


def _story(learner: _Learner, number: int, dice: random.Random) -> Story:
    """What happens in one of a person's sessions: better from time to time, not every time."""
    share = number / max(len(learner.days_ago) - 1, 1)
    rubbing = learner.first_s + share * (learner.last_s - learner.first_s) + dice.uniform(-2, 2)
    missed = tuple(s for s in learner.weak if dice.random() > 0.25 + 0.6 * share)
    hidden = dice.random() < 0.12
    return Story(
        rubbing_s=None if hidden else round(rubbing, 1),
        missed=() if hidden else missed,
        unclear=tuple(Surface) if hidden else tuple(s for s in _BACKS if dice.random() < 0.08),
        rub_before_connect_s=0.0 if dice.random() > 0.7 + 0.3 * share else dice.uniform(17, 26),
        talking_s=dice.uniform(1.5, 5) if dice.random() > 0.75 + 0.2 * share else 0.0,
        hand_to_face=dice.random() > 0.88 + 0.1 * share,
    )


def _shown_session(
    store: Store, learner: _Learner, video: Path, analysis: Analysis, today: date
) -> int:
    """A session with a drawn recording, its real analysis, and nothing decided yet."""
    entry = store.add_recording(
        video,
        person=learner.code,
        trainer=learner.trainer,
        protocol=PROTOCOL,
        mirrored=False,
        taken_on=today - timedelta(days=1),
        by=learner.trainer,
    )
    store.add_analysis(entry.id, analysis, basis="machine", by=learner.trainer)
    # The samples are made so that every browser plays them: they are their own review copies.
    consent = store.current_consent(learner.code)
    sound = consent is not None and consent.sound
    _copy(video, store.copies / review_copy_name(entry.sha256, sound=sound))
    store.set_state(
        entry.id,
        RecordingState.READY,
        "A drawn sample recording: nobody was filmed. Its analysis is real.",
    )
    return entry.id


def _withdraw(store: Store, today: date, clock: _SetClock) -> None:
    """A person whose sessions may no longer be seen."""
    clock.turn_to(today - timedelta(days=100))
    store.add_person(WITHDRAWN, note="Invented.", language="en", by="demo")
    review: tuple[Purpose, ...] = ("review",)
    consent = store.add_consent(WITHDRAWN, purposes=review, until=None, sound=False, by="T-2")
    analysis = invent_analysis(Story(rubbing_s=15.0), load_protocol(PROTOCOL))
    store.add_session(
        analysis,
        person=WITHDRAWN,
        trainer="T-2",
        taken_on=today - timedelta(days=100),
        by="T-2",
        note=INVENTED,
    )
    clock.turn_to(today - timedelta(days=14))
    store.withdraw_consent(consent.id, by="T-2")


# --- the samples ------------------------------------------------------------------------------


def data_folder() -> Path:
    """Where the samples' analyses and landmarks are kept."""
    return Path(str(resources.files("review") / "demo_data"))


def _sample(clips: Path, name: str) -> tuple[Path, Analysis]:
    """A sample recording and its analysis, which belong together.

    Raises:
        ReviewError: if either is missing, or they do not belong together.
    """
    video = clips / f"{name}.mp4"
    if not video.is_file():
        raise ReviewError(
            f"{video} is missing. The demo shows the sample recordings of the project: start it "
            "from a full copy of the project."
        )
    analysis = read_analysis(data_folder() / f"{name}.json")
    if analysis.recording.sha256 != file_sha256(video):
        raise ReviewError(
            f"{video} is not the recording whose analysis the demo keeps. Run "
            "'python -m review.demo' to make the demo's data anew."
        )
    return video, analysis


def _landmarks(target: Path) -> None:
    """Copy the landmarks kept here into a store's own cache."""
    for source in sorted(data_folder().glob("*.npz")):
        _copy(source, target / source.name)


def _copy(source: Path, target: Path) -> None:
    """Copy a file completely or not at all."""
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    partial = target.with_name(f".{target.name}.{os.getpid()}.partial")
    try:
        shutil.copyfile(source, partial)
        os.replace(partial, target)
    finally:
        partial.unlink(missing_ok=True)


def prepare(clips: Path | None = None, out: Path | None = None) -> tuple[Path, ...]:
    """Analyse the sample recordings and keep analyses and landmarks for the demo.

    Landmarks of earlier sample recordings are removed. Takes some minutes where the landmarks
    are not in the cache.

    Returns:
        The files written.
    """
    clips, out = clips or sample_folder(), out or data_folder()
    out.mkdir(parents=True, exist_ok=True)
    for old in out.glob("*.npz"):
        old.unlink()
    protocol = load_protocol(PROTOCOL)
    for name in SHOWN:
        analysis = analyse_recording(clips / f"{name}.mp4", protocol, cache_dir=out)
        write_analysis(analysis.without_timing(), out / f"{name}.json")
    return tuple(_files(out))


def _files(folder: Path) -> Sequence[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix in (".json", ".npz"))


if __name__ == "__main__":
    prepare()
