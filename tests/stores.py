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
from review.store.figures import no_figures
from review.store.tables import Base, ConsentRow, PersonRow, RecordingRow
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


def many_sessions(store: Store, sessions: int = 10_000, people: int = 500) -> None:
    """Sessions without a recording, of trainer T-1; one person in a hundred did not consent."""
    at = datetime(TODAY.year, TODAY.month, TODAY.day, 12, tzinfo=UTC)
    with store._database.writing() as session:
        for number in range(people):
            code = f"P-{number:03}"
            session.add(PersonRow(code=code, note="", language="en", active=True))
            session.flush()
            session.add(
                ConsentRow(
                    person=code,
                    for_review=number % 100 != 0,
                    for_teaching=True,
                    until=None,
                    sound=False,
                    given_to=BY,
                    recorded_at=at,
                )
            )
        session.flush()
        for number in range(sessions):
            row = RecordingRow(
                person=f"P-{number % people:03}",
                trainer="T-1",
                file="",
                name=f"invented {number}",
                sha256=f"{number:064x}",
                duration_s=1800.0,
                mirrored=False,
                protocol="default",
                taken_on=TODAY + timedelta(days=number // people),
                added_at=at,
                state="ready",
                state_text="",
            )
            row.id = number + 1
            session.add(row)
        session.flush()
        for number in range(sessions):
            figures = no_figures(number + 1)
            figures.wash_rubbing_s, figures.wash_whole_s = 21.5, 43.0
            figures.surfaces_missed = "thumb_left,fingertips_right"
            figures.surfaces_unclear = "palms"
            session.add(figures)


def rows_of(store: Store, query: str) -> list[tuple[object, ...]]:
    """What a query gives, wherever the rows are."""
    with store._database.reading() as session:
        return [tuple(row) for row in session.connection().exec_driver_sql(query)]


def everything_in(store: Store) -> str:
    """Every row of every table, as text."""
    return "\n".join(
        str(row)
        for table in Base.metadata.sorted_tables
        for row in rows_of(store, f'SELECT * FROM "{table.name}"')
    )


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


def erase_until_killed(folder: Path, person: str) -> None:
    """Erase somebody, if there is the time."""
    with open_store(folder, clock=Clock()) as store:
        store.erase(person, by=BY)
