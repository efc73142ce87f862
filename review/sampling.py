"""A fair draw of sessions to watch again, which anybody can repeat and check.

Chance decides, and sessions watched less come up more often. A draw is fixed by its number, the
sessions to draw from and how often each was watched by then; :func:`plan_csv` writes all three
down, because watching the drawn ones changes the last.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from review.escaping import csv_cell
from review.spotcheck import ready
from review.store.records import SessionRow


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw.

    Attributes:
        number: the draw's number, its seed.
        pool: the sessions drawn from, by id.
        picked: the sessions drawn, in the order of drawing.
    """

    number: int
    pool: tuple[SessionRow, ...]
    picked: tuple[SessionRow, ...]


def weight(row: SessionRow) -> float:
    """How much a session counts: watched w times, 1 / (1 + w)."""
    return 1.0 / (1 + row.watched)


def draw(rows: Iterable[SessionRow], count: int, seed: int) -> Draw:
    """A random sample without replacement, weighted to the recordings watched least.

    Each session gets the key log(u) / weight, u uniform in (0, 1); the largest keys are taken
    (Efraimidis and Spirakis, Inf Process Lett 2006;97:181-185). That is as if sessions were drawn
    one after another, each time with chances by the weights of those left. u comes from the draw's
    number and the session's id alone, so a session more or less moves no other one's.

    Args:
        rows: recordings; those without an analysis are left out.
        count: how many to draw; all of them where there are fewer.
        seed: the draw's number.

    Raises:
        ValueError: for a count below 0.
    """
    if count < 0:
        raise ValueError(f"cannot pick {count} recordings")
    pool = sorted(ready(rows), key=lambda row: row.recording_id)
    keys = [math.log(chance(seed, row.recording_id)) * (1 + row.watched) for row in pool]
    order = sorted(range(len(pool)), key=lambda at: -keys[at])
    return Draw(seed, tuple(pool), tuple(pool[at] for at in order[:count]))


def pick_random(rows: Iterable[SessionRow], count: int, seed: int) -> tuple[SessionRow, ...]:
    """The sessions of a draw; see :func:`draw`."""
    return draw(rows, count, seed).picked


def chance(seed: int, recording_id: int) -> float:
    """A number in (0, 1) that anybody can work out again: 64 bits of BLAKE2b (RFC 7693)."""
    digest = hashlib.blake2b(f"{seed}:{recording_id}".encode(), digest_size=8).digest()
    # Half a step up, and never 1 after rounding: its logarithm is then below 0.
    return min((int.from_bytes(digest, "big") + 0.5) / 2.0**64, 1.0 - 2.0**-53)


def plan_csv(drawn: Draw, on: date, words: str) -> bytes:
    """A draw as CSV: its number and day, every session it was drawn from, and what was drawn.

    Args:
        drawn: the draw.
        on: the day it was made.
        words: which sessions were chosen to draw from, in words.
    """
    place = {row.recording_id: at for at, row in enumerate(drawn.picked, 1)}
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n", quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(["draw", "made_on", "chosen_from", "recording", "trainee", "taken_on",
                     "watched_before", "weight", "drawn_as"])  # fmt: skip
    for row in _drawn_first(drawn.pool, place):
        writer.writerow(
            [
                drawn.number, on.isoformat(), csv_cell(words), row.recording_id,
                csv_cell(row.person), row.taken_on.isoformat(), row.watched,
                round(weight(row), 6), place.get(row.recording_id, ""),
            ]
        )  # fmt: skip
    return text.getvalue().encode("utf-8-sig")


def _drawn_first(pool: Sequence[SessionRow], place: dict[int, int]) -> list[SessionRow]:
    return sorted(pool, key=lambda row: place.get(row.recording_id, len(pool) + 1))
