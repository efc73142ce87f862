"""Decoding over the protocol's graph, and the report on its order."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from review.order import order_report
from review.phases import exchange_evidence, find_phases, jump_penalty, phase_graph, step_lengths
from review.protocol import Protocol, Step
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import TimeBase

PHASES = tuple(Phase)
OTH, W, S, H, C, D = (
    Phase.OTHER,
    Phase.WASH,
    Phase.SURFACE_PREP,
    Phase.HAND_RUB,
    Phase.CONNECT,
    Phase.DISCONNECT,
)
WAIT = Phase.WAITING
Script = list[tuple[Phase, float]]

CLEAN: Script = [
    (OTH, 4),
    (W, 45),
    (OTH, 3),
    (S, 14),
    (OTH, 2),
    (H, 22),
    (OTH, 2),
    (C, 14),
    (WAIT, 25),
    (H, 22),
    (D, 12),
    (OTH, 4),
]


def step(phase: Phase, min_s: float, typical_s: float, max_s: float, **more: object) -> Step:
    return Step.model_validate(
        {"phase": phase, "min_s": min_s, "typical_s": typical_s, "max_s": max_s, **more}
    )


def protocol(*steps: Step, **phases: float) -> Protocol:
    """A small protocol of our own, so that no shipped file can change these tests."""
    return Protocol.model_validate(
        {
            "name": "test",
            "version": "1",
            "steps": steps
            or (
                step(W, 8, 50, 120),
                step(S, 3, 15, 90),
                step(H, 3, 24, 60),
                step(C, 4, 15, 120),
                step(WAIT, 4, 20, 900),
                step(H, 3, 24, 60),
                step(D, 4, 15, 120),
            ),
            "detection": {"phases": phases},
        }
    )


def evidence(
    script: Script, fps: float = 5.0, strength: float = 3.0, seed: int | None = None
) -> tuple[TimeBase, NDArray[np.float64]]:
    """Samples of a script: the true phase leads by ``strength`` nats, plus noise of 1 s memory."""
    edges = np.cumsum([0.0, *(seconds for _, seconds in script)])
    times = np.arange(round(edges[-1] * fps)) / fps
    truth = [PHASES.index(script[i][0]) for i in np.searchsorted(edges, times, "right") - 1]
    scores = np.zeros((times.size, len(PHASES)))
    if seed is not None:
        noise = np.random.default_rng(seed).normal(size=scores.shape)
        keep = np.exp(-1.0 / fps)
        for i in range(times.size):
            before = scores[i - 1] if i else noise[0]
            scores[i] = keep * before + np.sqrt(1 - keep**2) * noise[i]
    scores[np.arange(times.size), truth] += strength
    return TimeBase(times, float(edges[-1])), scores


def spans(timeline: Timeline) -> list[tuple[Phase, float, float]]:
    return [(s.phase, s.interval.start_s, s.interval.end_s) for s in timeline]


def expected(script: Script) -> list[tuple[Phase, float, float]]:
    edges = np.cumsum([0.0, *(seconds for _, seconds in script)]).tolist()
    return [(p, a, b) for (p, _), a, b in zip(script, edges, edges[1:], strict=False)]


def assert_close(timeline: Timeline, script: Script, tolerance_s: float) -> None:
    found, truth = spans(timeline), expected(script)
    assert [phase for phase, _, _ in found] == [phase for phase, _, _ in truth]
    np.testing.assert_allclose([s[1:] for s in found], [s[1:] for s in truth], atol=tolerance_s)


def test_clear_evidence_gives_back_the_script() -> None:
    time, scores = evidence(CLEAN)
    timeline = find_phases(scores, PHASES, time, protocol())
    assert_close(timeline, CLEAN, 1e-9)
    assert timeline.gaps() == ()
    assert min(segment.confidence for segment in timeline) > 0.65  # two seconds of 'other'
    assert min(s.confidence for s in timeline if s.phase is not OTH) > 0.9


@pytest.mark.parametrize("seed", range(5))
def test_noisy_evidence_gives_the_script_to_within_a_second(seed: int) -> None:
    time, scores = evidence(CLEAN, strength=5.0, seed=seed)
    assert_close(find_phases(scores, PHASES, time, protocol()), CLEAN, 1.0)


@pytest.mark.parametrize("fps", [1.0, 2.0, 15.0, 29.97])
def test_the_answer_does_not_depend_on_the_frame_rate(fps: float) -> None:
    time, scores = evidence(CLEAN, fps=fps)
    timeline = find_phases(scores, PHASES, time, protocol())
    assert_close(timeline, CLEAN, 1.0 / fps)
    at_5_fps = find_phases(*_arguments(CLEAN), protocol())
    for segment, other in zip(timeline, at_5_fps, strict=True):
        assert segment.confidence == pytest.approx(other.confidence, abs=0.05)


def _arguments(script: Script) -> tuple[NDArray[np.float64], tuple[Phase, ...], TimeBase]:
    time, scores = evidence(script)
    return scores, PHASES, time


def test_uneven_sample_times_are_weighed_by_their_seconds() -> None:
    """Dense while hands work, one sample a second while waiting: edges stay right."""
    time, scores = evidence(CLEAN, fps=10.0)
    waiting = (time.times_s > 107) & (time.times_s < 130)
    keep = ~waiting | (np.arange(len(time)) % 10 == 0)
    sparse = TimeBase(time.times_s[keep], time.end_s)
    assert_close(find_phases(scores[keep], PHASES, sparse, protocol()), CLEAN, 0.1 + 1e-9)


def test_moving_the_clock_moves_every_edge() -> None:
    time, scores = evidence(CLEAN, strength=5.0, seed=3)
    later = TimeBase(time.times_s + 7.5, time.end_s + 7.5)
    first = spans(find_phases(scores, PHASES, time, protocol()))
    second = spans(find_phases(scores, PHASES, later, protocol()))
    assert [p for p, _, _ in first] == [p for p, _, _ in second]
    np.testing.assert_allclose(
        [s[1:] for s in second], np.array([s[1:] for s in first]) + 7.5, atol=1e-6
    )


# --- the order is a prior, not a law ---------------------------------------------------------

SKIPPED: Script = [
    (OTH, 3),
    (W, 40),
    (OTH, 2),
    (S, 12),
    (OTH, 2),
    (C, 12),
    (WAIT, 20),
    (H, 20),
    (D, 10),
]
SWAPPED: Script = [
    (OTH, 3),
    (S, 12),
    (OTH, 2),
    (W, 40),
    (H, 20),
    (C, 12),
    (WAIT, 20),
    (H, 20),
    (D, 10),
]
AGAIN: Script = [
    (W, 40),
    (OTH, 2),
    (S, 12),
    (W, 30),
    (H, 20),
    (C, 12),
    (WAIT, 20),
    (H, 20),
    (D, 10),
]


@pytest.mark.parametrize("script", [SKIPPED, SWAPPED, AGAIN])
def test_a_broken_order_is_found_when_the_evidence_is_clear(script: Script) -> None:
    time, scores = evidence(script)
    assert_close(find_phases(scores, PHASES, time, protocol()), script, 1e-9)


def test_the_order_decides_when_the_evidence_does_not() -> None:
    """A span that looks as much like a wash as like a rub, between wiping and connecting."""
    time, scores = evidence([(W, 40), (S, 12), (H, 20), (C, 12), (WAIT, 20), (H, 20), (D, 10)])
    sure = find_phases(scores, PHASES, time, protocol()).of(H)[0]
    both = [PHASES.index(W), PHASES.index(H)]
    doubtful = time.inside(Interval(52, 72))
    scores[np.ix_(doubtful, both)] = 3.0
    timeline = find_phases(scores, PHASES, time, protocol())
    assert timeline.phase_at(60.0) is H
    (rub,) = (s for s in timeline if s.interval.contains(60.0))
    assert rub.confidence < sure.confidence


def test_a_heavier_penalty_keeps_the_order() -> None:
    """Weak evidence for wiping inside the waiting: a jump back, unless it costs too much."""
    script: Script = [(W, 40), (S, 12), (H, 20), (C, 12), (WAIT, 20), (S, 5), (WAIT, 20), (D, 10)]
    time, scores = evidence(script, strength=3.0)
    free = protocol(order_break_penalty=0.0, skip_penalty=0.0)
    strict = protocol(order_break_penalty=40.0)
    assert len(find_phases(scores, PHASES, time, free).of(S)) == 2
    assert len(find_phases(scores, PHASES, time, strict).of(S)) == 1


def test_jump_penalties_follow_the_docstring() -> None:
    steps = (
        step(W, 1, 2, 3, repeats=2),
        step(S, 1, 2, 3, required=False),
        step(H, 1, 2, 3),
        step(C, 1, 2, 3),
    )
    settings = protocol().detection.phases
    skip, back, resume = (
        settings.skip_penalty,
        settings.order_break_penalty,
        settings.resume_penalty,
    )

    def cost(last: int, following: int) -> float:
        return jump_penalty(steps, last, following, settings)

    assert [cost(-1, 0), cost(0, 1), cost(0, 2)] == [0.0, 0.0, 0.0]  # S is optional
    assert [cost(-1, 1), cost(0, 3), cost(-1, 3)] == [skip, skip, min(2 * skip, back)]
    assert [cost(2, 0), cost(1, 0)] == [back, back]
    assert [cost(0, 0), cost(2, 2)] == [0.0, resume]


# --- lengths ---------------------------------------------------------------------------------


def test_a_step_is_not_shorter_than_its_shortest_length() -> None:
    """A blip of connecting of 2 s (4 s is the least) does not become a phase."""
    time, scores = evidence([(OTH, 10), (W, 30), (OTH, 10), (C, 2), (OTH, 20)])
    assert [p for p, _, _ in spans(find_phases(scores, PHASES, time, protocol()))] == [OTH, W, OTH]


@pytest.mark.parametrize("values", [(8, 50, 120), (4, 20, 900), (20, 2100, 7200), (3, 3, 3)])
def test_step_lengths_are_a_distribution(values: tuple[float, float, float]) -> None:
    lengths = step_lengths(step(WAIT, *values), 0.2)
    mass = np.exp(lengths.exactly(600_000))
    assert mass.sum() == pytest.approx(1.0, abs=1e-6)
    assert mass[: round(values[0] / 0.2) - 1].sum() == 0.0


def test_a_wash_is_typically_about_as_long_as_the_protocol_says() -> None:
    """Log-normal: median typical_s, one in twenty beyond max_s (less what min_s cuts off)."""
    mass = np.exp(step_lengths(step(W, 8, 50, 120), 0.2).exactly(100_000))
    seconds = 0.2 * np.arange(1, mass.size + 1)
    assert float(seconds[np.searchsorted(mass.cumsum(), 0.5)]) == pytest.approx(50, abs=1.0)
    assert mass[seconds > 120].sum() == pytest.approx(0.05, abs=0.01)


def test_an_hour_of_waiting_costs_no_more_than_ten_minutes() -> None:
    home = step(WAIT, 20, 2100, 7200)
    lengths = step_lengths(home, 0.2).exactly(round(3600 / 0.2))
    assert abs(lengths[round(600 / 0.2)] - lengths[-1]) < 2.0  # nats


# --- little or no evidence -------------------------------------------------------------------


@pytest.mark.parametrize("value", [0.0, np.nan, -np.inf])
@pytest.mark.parametrize("count", [1, 2, 7, 400])
def test_samples_that_say_nothing_are_other(value: float, count: int) -> None:
    time = TimeBase(np.arange(count) / 5.0, count / 5.0)
    timeline = find_phases(np.full((count, 7), value), PHASES, time, protocol())
    assert spans(timeline) == [(OTH, 0.0, count / 5.0)]
    assert 0.0 <= timeline.segments[0].confidence <= 1.0


def test_a_gap_in_the_evidence_is_bridged_with_less_confidence() -> None:
    time, scores = evidence(CLEAN)
    hidden = time.inside(Interval(15, 25))
    scores[hidden] = np.nan
    timeline = find_phases(scores, PHASES, time, protocol())
    assert_close(timeline, CLEAN, 1e-9)
    whole = find_phases(evidence(CLEAN)[1], PHASES, time, protocol())
    assert timeline.of(W)[0].confidence < whole.of(W)[0].confidence


def test_one_bad_frame_does_not_cut_a_phase() -> None:
    time, scores = evidence(CLEAN)
    scores[100] = -np.inf
    scores[100, PHASES.index(D)] = 0.0  # a single sample that swears it is disconnecting
    assert_close(find_phases(scores, PHASES, time, protocol()), CLEAN, 1e-9)


def test_a_recording_cut_off_in_the_middle_of_a_step_keeps_it() -> None:
    """Cut to 3 s of wash at the start (8 s is the least) and 2 s of connecting at the end."""
    script: Script = [(W, 3), (OTH, 3), (S, 12), (H, 20), (C, 2)]
    time, scores = evidence(script, strength=6.0)
    assert_close(find_phases(scores, PHASES, time, protocol()), script, 1e-9)


def test_no_exchange_is_read_into_something_else() -> None:
    """Evidence that leans towards connecting by less than the floor: nothing is claimed."""
    time = TimeBase(np.arange(600) / 5.0, 120.0)
    leaning = np.zeros((600, 7))
    leaning[:, PHASES.index(C)] = 0.5
    gated = find_phases(leaning, PHASES, time, protocol(exchange_evidence=0.7))
    assert spans(gated) == [(OTH, 0.0, 120.0)]
    open_gate = protocol(
        exchange_evidence=0.0, min_phases=1
    )  # 60 nats in all are beyond the other floor
    claimed = find_phases(leaning, PHASES, time, open_gate)
    assert [p for p, _, _ in spans(claimed)] == [C]
    found = exchange_evidence(leaning, PHASES, time, claimed, open_gate.detection.phases)
    assert found is not None
    assert (found.mean, found.total) == (pytest.approx(0.5), pytest.approx(60.0))
    assert exchange_evidence(leaning, PHASES, time, gated, open_gate.detection.phases) is None


def test_a_few_seconds_that_look_like_a_phase_are_no_exchange() -> None:
    """Six seconds of seeming to connect in two minutes of something else: 18 nats of 20."""
    time, scores = evidence([(OTH, 60), (C, 6), (OTH, 60)])
    assert spans(find_phases(scores, PHASES, time, protocol())) == [(OTH, 0.0, 126.0)]
    low = protocol(exchange_evidence_total=10.0, min_phases=1)
    assert [p for p, _, _ in spans(find_phases(scores, PHASES, time, low))] == [OTH, C, OTH]


def test_wiping_a_table_alone_is_no_exchange_but_washing_alone_is_seen() -> None:
    """One phase that people do anywhere claims nothing; a wash looks like nothing else."""
    time, scores = evidence([(OTH, 20), (Phase.SURFACE_PREP, 20), (OTH, 20)])
    assert spans(find_phases(scores, PHASES, time, protocol())) == [(OTH, 0.0, 60.0)]
    time, scores = evidence([(OTH, 20), (Phase.WASH, 40), (OTH, 20)])
    assert [p for p, _, _ in spans(find_phases(scores, PHASES, time, protocol()))] == [
        OTH, Phase.WASH, OTH,
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_noise_about_other_stays_other(seed: int) -> None:
    time, scores = evidence([(OTH, 120)], strength=2.0, seed=seed)
    assert spans(find_phases(scores, PHASES, time, protocol())) == [(OTH, 0.0, 120.0)]


def test_wrong_input_is_refused() -> None:
    time = TimeBase(np.arange(4.0), 4.0)
    with pytest.raises(ValueError, match=r"shape \(4, 7\)"):
        find_phases(np.zeros((5, 7)), PHASES, time, protocol())
    with pytest.raises(ValueError, match="'other' must be among them"):
        find_phases(np.zeros((4, 6)), PHASES[:6], time, protocol())
    with pytest.raises(ValueError, match=r"without evidence: .*wash"):
        find_phases(np.zeros((4, 2)), (OTH, C), time, protocol())


def test_confidence_is_the_share_of_right_answers() -> None:
    """Sample from the decoder's own model: segments of confidence p are right p of the time."""
    small = protocol(
        step(W, 3, 8, 15),
        step(S, 2, 5, 12),
        step(C, 2, 6, 12),
        evidence_per_s=1.0,
        max_log_ratio=50.0,
        exchange_evidence=0.0,
    )
    graph = phase_graph(small, 0.2)
    rng = np.random.default_rng(4)
    believed, right = [], []
    for _ in range(60):
        truth = _sample_path(graph.model, 300, rng)
        scores = np.zeros((300, 7))
        columns = np.array([PHASES.index(graph.phases[state]) for state in truth])
        # Gaussian observations of variance 1 / (0.2 s) per sample: likelihood weighs 0.2 s.
        observed = rng.normal(scale=np.sqrt(1 / 0.2), size=scores.shape)
        observed[np.arange(300), columns] += 0.9
        scores = 0.9 * observed
        time = TimeBase(np.arange(300) / 5.0, 60.0)
        for segment in find_phases(scores, PHASES, time, small):
            inside = time.inside(segment.interval)
            believed += [segment.confidence] * int(inside.sum())
            right += (columns[inside] == PHASES.index(segment.phase)).tolist()
    assert 0.5 < np.mean(believed) < 0.98
    assert np.mean(right) == pytest.approx(np.mean(believed), abs=0.04)


def _sample_path(model: object, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
    from review.semimarkov import Model

    assert isinstance(model, Model)
    states: list[int] = []
    state = int(rng.choice(len(model.lengths), p=np.exp(model.log_initial)))
    while len(states) < count:
        mass = np.exp(model.lengths[state].exactly(4000))
        length = 1 + int(rng.choice(4000, p=mass / mass.sum()))
        states += [state] * length
        state = int(rng.choice(len(model.lengths), p=np.exp(model.log_transition[state])))
    return np.array(states[:count])


def test_forty_minutes_are_found_as_five_are() -> None:
    long: Script = [(p, 2280 if p is WAIT else s) for p, s in CLEAN]
    time, scores = evidence(long, strength=5.0, seed=1)
    assert len(time) > 12_000
    timeline = find_phases(scores, PHASES, time, protocol())
    assert_close(timeline, long, 1.0)


# --- order report ----------------------------------------------------------------------------


def as_timeline(script: Script) -> Timeline:
    segments = tuple(Segment(Interval(a, b), p) for p, a, b in expected(script))
    return Timeline(Interval(0.0, segments[-1].interval.end_s), segments)


def test_a_clean_exchange_has_nothing_to_report() -> None:
    report = order_report(as_timeline(CLEAN), protocol())
    assert (report.missing, report.out_of_order, report.repeated, report.unplanned) == ((),) * 4
    assert [len(found) for found in report.matched] == [1] * 7
    assert report.matched[2][0].interval.start_s < report.matched[5][0].interval.start_s


def test_a_step_left_out_is_missing_between_its_neighbours() -> None:
    report = order_report(as_timeline(SKIPPED), protocol())
    (gap,) = report.missing
    assert (gap.step, gap.phase) == (2, H)
    assert gap.after is not None and gap.before is not None
    assert (gap.after.phase, gap.before.phase) == (S, C)
    assert report.out_of_order == () and report.repeated == ()


def test_of_two_swapped_steps_the_late_one_is_out_of_order() -> None:
    report = order_report(as_timeline(SWAPPED), protocol())
    assert [segment.phase for segment in report.out_of_order] == [W]
    assert report.missing == () and report.repeated == ()


def test_a_step_done_again_later_is_repeated() -> None:
    report = order_report(as_timeline(AGAIN), protocol())
    assert [segment.phase for segment in report.repeated] == [W]
    assert report.repeated[0].interval.start_s == 54
    assert report.missing == () and report.out_of_order == ()


def test_an_interruption_is_no_repetition_and_repeats_are_allowed() -> None:
    def report(gap_s: float, repeats: int) -> tuple[Phase, ...]:
        steps = (step(W, 8, 50, 120, repeats=repeats), step(C, 4, 15, 120))
        timeline = as_timeline([(W, 20), (OTH, gap_s), (W, 20), (C, 15)])
        return tuple(s.phase for s in order_report(timeline, protocol(*steps)).repeated)

    assert report(gap_s=5, repeats=1) == ()
    assert report(gap_s=60, repeats=1) == (W,)
    assert report(gap_s=60, repeats=2) == ()


def test_optional_and_unplanned_steps() -> None:
    steps = (step(W, 8, 50, 120), step(S, 3, 15, 90, required=False), step(C, 4, 15, 120))
    report = order_report(as_timeline([(W, 20), (C, 15), (D, 10)]), protocol(*steps))
    assert report.missing == ()
    assert [segment.phase for segment in report.unplanned] == [D]


def test_with_nothing_found_every_required_step_is_missing() -> None:
    report = order_report(as_timeline([(OTH, 30)]), protocol())
    assert len(report.missing) == 7
    assert all(gap.after is None and gap.before is None for gap in report.missing)
