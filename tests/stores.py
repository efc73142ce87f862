"""Stores for tests: an invented unit, and a process that writes until it is killed."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path

from review.analysis import Analysis
from review.store import RecordingEntry, Store, flag_topic, open_store
from tests import media

TODAY = date(2026, 3, 10)
BY = "an invented nurse"


@dataclass
class Clock:
    """A clock that a test moves; it starts at noon (UTC) of ``TODAY``."""

    now: datetime = datetime(TODAY.year, TODAY.month, TODAY.day, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def forward(self, days: int) -> None:
        self.now += timedelta(days=days)


def tiny_video(folder: Path, number: int = 0) -> Path:
    """A two-second recording of the test card; every number gives another file."""
    times = media.steady(20 + number, 10.0)
    return media.write_video(folder / f"invented {number}.mp4", times, (64, 48))


def add_unit(store: Store, people: int = 1) -> None:
    """Trainer T-1 and people P-1, P-2, ... who all agreed to review, without sound."""
    store.add_trainer("T-1", "Tess Invented", by=BY)
    for number in range(1, people + 1):
        store.add_person(f"P-{number}", by=BY)
        store.add_consent(f"P-{number}", purposes=("review",), until=None, sound=False, by=BY)


def add_recording(store: Store, video: Path, person: str = "P-1") -> RecordingEntry:
    """The video as a practice session of one person."""
    return store.add_recording(
        video,
        person=person,
        trainer="T-1",
        protocol="practice",
        mirrored=False,
        taken_on=TODAY,
        by=BY,
    )


def analysed_store(
    folder: Path, analysis: Analysis, clock: Callable[[], datetime] | None = None
) -> tuple[Store, int]:
    """A store with one analysed session (no video), and the session's id."""
    store = open_store(folder, clock=clock or Clock())
    add_unit(store)
    entry = store.add_session(analysis, person="P-1", trainer="T-1", taken_on=TODAY, by=BY)
    return store, entry.id


def write_until_killed(folder: Path, recording_id: int, seed: int, told: Connection) -> None:
    """Enter one thing after another, and tell each only when the store said it is kept."""
    rng = random.Random(seed)
    with open_store(folder) as store:
        version = store.analysis(recording_id)
        assert version is not None
        flags = version.analysis.flags
        for number in range(100_000):
            mark = f"{seed}/{number}"
            kind = rng.choice(("decision", "comment", "answer", "moment", "sign", "correct"))
            match kind:
                case "decision":
                    flag = rng.choice(flags)
                    kept = store.decide(
                        recording_id,
                        kind=flag.kind,
                        start_s=flag.start_s,
                        end_s=flag.end_s,
                        topic=flag_topic(flag),
                        verdict=rng.choice(("agree", "disagree", "unsure")),
                        comment=mark,
                        by=BY,
                    ).id
                case "comment":
                    kept = store.comment(recording_id, mark, by=BY).id
                case "answer":
                    store.answer(recording_id, item=mark, answer="done", by=BY)
                    kept = 0
                case "moment":
                    kept = store.add_moment(
                        recording_id, start_s=1.0, end_s=2.0, text=mark, by=BY
                    ).id
                case "sign":
                    kept = store.sign(
                        recording_id,
                        name=mark,
                        on=TODAY,
                        outcome="practise_more",
                        recheck_on=None,
                        by=BY,
                    ).version
                case _:
                    kept = store.correct(
                        recording_id, windows=[("connect", 1.0, 2.0 + number)], by=BY
                    ).version
            told.send((kind, mark, kept))
