"""How much a unit's own corrections help: an invented unit, corrected as a trainer would.

``python -m tests.refitstudy FOLDER`` draws and tracks the sessions of :mod:`tests.refitunit` that
the folder lacks (about half a minute of computing each; ``--no-draw`` takes those that are there),
makes the corrections a trainer would make from the true labels, learns from 5, 20 and 80 corrected
sessions and prints how far phases and flags are off for *other people*, against the exact labels.

The trainer sets every edge with an error of three tenths of a second (standard deviation), decides
about every flag that is left once the phases are set (one in twenty: unsure), and adds a moment for
what the program did not flag. People are dealt into five folds; those who are scored are in no fit.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from review.analysis import FlagKind
from review.cache import unpack_track
from review.flags import find_flags
from review.labels import LabelFile, read_labels
from review.measures import Target
from review.metrics import Labelled, match_intervals
from review.pipeline import Corrections
from review.protocol import Protocol, Step, load_protocol
from review.refit import make_lesson
from review.refitapply import with_values
from review.refitcheck import folds_of, learn
from review.refitfloor import floor_figures, pulled_above
from review.refitlessons import Lesson, edge_errors, findings_with, look_flags
from review.refitvalues import UnitValues
from review.store.records import Decision, Moment, Verdict
from review.timeline import Interval, Phase, Segment, Timeline
from tests import refitunit

SIZES = (5, 20, 80)
EDGE_NOISE_S = 0.3
UNSURE_SHARE = 0.05
LEAST_WASH_S, LEAST_RUB_S = 12.0, 11.0
SEED = 12
REPEATS = {5: 4, 20: 2, 80: 1}
"""Drawings of the corrected sessions, fewer where more of what there is is drawn."""

RESAMPLES = 4000


def unit_protocol() -> Protocol:
    """The unit's procedure: as the practice session, with its own times, and one hand rub."""
    base = load_protocol("practice")
    own = {"wash.whole_time": LEAST_WASH_S, "rub.before_connect": LEAST_RUB_S}
    left_out = {"wash.rubbing_time", "rub.before_disconnect"}
    targets = [
        target
        if target.measure not in own
        else Target.model_validate(
            target.model_dump()
            | {"at_least": own[target.measure], "flag_below": own[target.measure]}
        )
        for target in base.targets
        if target.measure not in left_out
    ]
    steps = [
        Step(phase=phase, min_s=least, typical_s=usual, max_s=most)
        for phase, least, usual, most in (
            (Phase.WASH, 6, 20, 90), (Phase.SURFACE_PREP, 2, 8, 60), (Phase.HAND_RUB, 3, 12, 60),
            (Phase.CONNECT, 4, 15, 90), (Phase.WAITING, 3, 12, 600), (Phase.DISCONNECT, 4, 15, 90),
        )
    ]  # fmt: skip
    return base.model_copy(
        update={"name": "Invented unit", "steps": tuple(steps), "targets": tuple(targets)}
    )


@dataclass(frozen=True)
class Session:
    """One drawn session: the truth, and what a trainer made of it."""

    person: str
    truth: Timeline
    flags: tuple[Labelled, ...]
    lesson: Lesson


def true_flags(labels: LabelFile) -> tuple[Labelled, ...]:
    """What an ideal reviewer would flag under this unit's targets; see ``sample_clips``' rules."""
    kept = {
        FlagKind.WASH_SURFACE_MISSED, FlagKind.SURFACE_REWIPED, FlagKind.SURFACE_AREA_MISSED,
        FlagKind.PHASE_MISSING, FlagKind.PHASE_OUT_OF_ORDER,
    }  # fmt: skip
    found: list[Labelled] = [
        (flag.kind, flag.interval) for flag in labels.flags or () if flag.kind in kept
    ]
    found += [
        (FlagKind.WASH_SHORT, wash.interval)
        for wash in labels.timeline.of(Phase.WASH)
        if wash.interval.duration_s < LEAST_WASH_S
    ]
    for rub in labels.rubs:
        if rub.before is not Phase.CONNECT:
            continue
        place = labels.timeline.of(Phase.HAND_RUB if rub.seconds else Phase.CONNECT)
        if rub.seconds < LEAST_RUB_S and place:
            kind = FlagKind.HAND_RUB_SHORT if rub.seconds else FlagKind.HAND_RUB_MISSING
            found.append((kind, place[0].interval))
    return tuple(found)


def noisy(truth: Timeline, rng: np.random.Generator) -> Timeline:
    """The true phases as a trainer's hand sets them."""
    edges = np.array([segment.interval.end_s for segment in truth][:-1])
    moved = edges + rng.normal(0.0, EDGE_NOISE_S, edges.size)
    bounds = [truth.extent.start_s, *moved.tolist(), truth.extent.end_s]
    for place in range(1, len(bounds)):  # no edge passes another one
        bounds[place] = max(bounds[place], bounds[place - 1] + 0.1)
    bounds[-1] = truth.extent.end_s
    segments = [
        Segment(Interval(a, min(b, truth.extent.end_s)), segment.phase, 1.0, "person")
        for a, b, segment in zip(bounds, bounds[1:], truth, strict=False)
        if a < min(b, truth.extent.end_s)
    ]
    return Timeline(truth.extent, tuple(segments))


def trainer_says(
    lesson: Lesson, flags: Sequence[Labelled], rng: np.random.Generator
) -> tuple[tuple[Decision, ...], tuple[Moment, ...]]:
    """Decisions about the flags that stay, and moments for what is not among them."""
    at = datetime(2026, 1, 1, tzinfo=UTC)
    shown = lesson.settled
    spans = [(flag.kind, Interval(flag.start_s, flag.end_s + 1e-3)) for flag in shown]
    pairs = match_intervals(flags, spans, 2.0)
    right = {found for _, found in pairs}
    decisions = []
    for number, flag in enumerate(shown):
        verdict = Verdict.AGREE if number in right else Verdict.DISAGREE
        if rng.random() < UNSURE_SHARE:
            verdict = Verdict.UNSURE
        decisions.append(
            Decision(number + 1, 1, flag.kind, flag.start_s, flag.end_s, verdict, "", "T-1", at)
        )
    seen = {true for true, _ in pairs}
    moments = [
        Moment(number + 1, 1, span.start_s, min(span.start_s + 2.0, span.end_s), "", "T-1", at)
        for number, (_, span) in enumerate(flags)
        if number not in seen
    ]
    return tuple(decisions), tuple(moments)


def read_session(folder: Path, person: int, session: int, protocol: Protocol) -> Session:
    """One drawn session, corrected; the same for the same numbers."""
    name = refitunit.name_of(person, session)
    labels = read_labels(folder / f"{name}.json")
    with np.load(folder / f"{name}.landmarks.npz", allow_pickle=False) as stored:
        track = unpack_track({key: stored[key] for key in stored.files})
    extent = track.time.extent
    segments = tuple(
        Segment(cut, segment.phase, 1.0)
        for segment in labels.timeline
        if (cut := segment.interval.intersect(extent)) is not None
    )
    truth = Timeline(extent, segments)
    rng = np.random.default_rng([SEED, person, session])
    code = f"P-{person:02d}"
    lesson = make_lesson(code, name, protocol, track, Corrections(phases=noisy(truth, rng)))
    flags = true_flags(labels)
    decisions, moments = trainer_says(lesson, flags, rng)
    return Session(code, truth, flags, replace(lesson, decisions=decisions, moments=moments))


def read_unit(folder: Path) -> list[Session]:
    """Every session that is there, everybody's first sessions first."""
    protocol = unit_protocol()
    return [
        read_session(folder, person, session, protocol)
        for session in range(refitunit.SESSIONS)
        for person in range(refitunit.PEOPLE)
        if (folder / f"{refitunit.name_of(person, session)}.landmarks.npz").is_file()
    ]


Row = tuple[float, float, float, float]
"""Of one session: mean and median edge error in seconds, false flags, missed flags."""


def scored(session: Session, values: UnitValues | None) -> Row:
    """Against the exact labels."""
    findings = findings_with(session.lesson, values)
    edges = edge_errors(session.truth, findings.phases)
    flags = look_flags(find_flags(findings, with_values(session.lesson.protocol, values)))
    spans = [(flag.kind, Interval(flag.start_s, flag.end_s + 1e-3)) for flag in flags]
    hits = len(match_intervals(session.flags, spans, 2.0))
    return (
        float(np.mean(edges)), float(np.median(edges)),
        float(len(spans) - hits), float(len(session.flags) - hits),
    )  # fmt: skip


def drawn(sessions: Sequence[Session], size: int, rng: np.random.Generator) -> list[Session]:
    """So many sessions, as many people as possible."""
    people = sorted({session.person for session in sessions})
    rng.shuffle(people)
    queues = {
        code: list(rng.permutation([i for i, s in enumerate(sessions) if s.person == code]))
        for code in people
    }
    order: list[Session] = []
    while len(order) < size and any(queues.values()):
        order += [sessions[queues[code].pop()] for code in people if queues[code]]
    return order[:size]


def study(sessions: Sequence[Session], sizes: Sequence[int] = SIZES) -> dict[int, dict[str, Row]]:
    """By number of corrected sessions (0: shipped) and person, means over sessions and drawings."""
    folds = folds_of([session.person for session in sessions], 5)
    rows: dict[int, dict[str, list[Row]]] = {}
    for number, fold in enumerate(folds):
        inside = [session for session in sessions if session.person not in fold]
        outside = [session for session in sessions if session.person in fold]
        for session in outside:
            rows.setdefault(0, {}).setdefault(session.person, []).append(scored(session, None))
        for size in sizes:
            if size > len(inside):
                continue
            for repeat in range(REPEATS.get(size, 1)):
                rng = np.random.default_rng([SEED, number, size, repeat])
                chosen = drawn(inside, size, rng)
                values = pulled_above(learn([session.lesson for session in chosen]))
                for session in outside:
                    row = scored(session, values)
                    rows.setdefault(size, {}).setdefault(session.person, []).append(row)
            print(f"fold {number + 1}, {size} sessions: {time.process_time():.0f} s", flush=True)
    return {
        size: {code: tuple(np.mean(found, axis=0).tolist()) for code, found in by.items()}
        for size, by in rows.items()
    }  # type: ignore[return-value]


def table(found: dict[int, dict[str, Row]]) -> str:
    """The study as text: means over people, 95 % percentile bootstrap over people."""
    people = sorted(found[0])
    rng = np.random.default_rng(SEED)
    picks = rng.integers(0, len(people), (RESAMPLES, len(people)))
    names = ("Edges, mean error (s)", "Edges, median error (s)", "False flags", "Missed flags")
    before = np.array([found[0][code] for code in people])
    lines = [f"{'Corrected sessions':20}" + "".join(f"{name:>40}" for name in names)]
    for size, by in sorted(found.items()):
        values = np.array([by[code] for code in people])
        cells = []
        for column in range(len(names)):
            means = values[picks, column].mean(axis=1)
            base = before[picks, column].mean(axis=1)
            low, high = np.quantile(means, (0.025, 0.975))
            text = f"{values[:, column].mean():.2f} [{low:.2f}, {high:.2f}]"
            if size and base.min() > 0:  # no share of what some drawings do not have at all
                share = values[:, column].mean() / before[:, column].mean()
                down, up = np.quantile(means / base, (0.025, 0.975))
                text += f" x{share:.2f} [{down:.2f}, {up:.2f}]"
            cells.append(f"{text:>40}")
        lines.append(f"{size:<20}" + "".join(cells))
    return "\n".join(lines)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.refitstudy")
    parser.add_argument("folder", type=Path, help="where drawn sessions are kept")
    parser.add_argument("--no-draw", action="store_true", help="take the sessions that are there")
    parser.add_argument(
        "--sizes", type=int, nargs="+", default=SIZES, help="numbers of corrected sessions"
    )
    given = parser.parse_args()
    if not given.no_draw:
        refitunit.draw(given.folder)
    sessions = read_unit(given.folder)
    people = len({session.person for session in sessions})
    if people < 2:
        parser.error(f"{given.folder}: there are no sessions of two people; leave --no-draw out")
    print(f"{len(sessions)} sessions of {people} people, read in {time.process_time():.0f} s")
    print(table(study(sessions, given.sizes)))
    print("Per session, means over people; in brackets 95 % intervals (bootstrap over people);")
    print("x: share of what is left. Edges: each at most 5 s, an edge not found counts 5 s.")
    values = pulled_above(learn([session.lesson for session in sessions]))
    shipped, own = floor_figures(None), floor_figures(values)
    print(f"Shipped samples, all sessions learnt: {shipped} -> {own}")


if __name__ == "__main__":
    main()
