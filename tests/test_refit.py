"""Learning from a unit's own corrections: the fitting, the check by people, refusal, going back."""

from __future__ import annotations

import io
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from review import refitcheck, refitfloor
from review.analysis import Analysis, Flag, FlagKind, FlagLevel, ProtocolUsed, read_analysis
from review.cli import COULD_NOT, DONE, WRONG_USAGE, main
from review.emissions import PHASES, load_model
from review.jobs import work
from review.labels import read_labels
from review.pipeline import Corrections
from review.protocol import Protocol, load_protocol
from review.refit import corrected, gather, make_lesson, refit, why_refused
from review.refitapply import (
    INPUTS,
    adjusted,
    adjusted_probability,
    for_decoding,
    with_values,
    worth_showing,
)
from review.refitcheck import (
    Checked,
    Compared,
    bootstrap_mean,
    cross_checked,
    folds_of,
    learn,
    too_little,
)
from review.refitfit import fit_flag, fit_phases, joined, logistic_fit, softmax_fit, whole_lengths
from review.refitfloor import FloorFigures, floor_clips, floor_document, floor_edges_s
from review.refitlessons import (
    MOST_ERROR_S,
    Lesson,
    Score,
    edge_errors,
    judged_flags,
    phases_with,
    score_lesson,
)
from review.refitvalues import FlagValues, PhaseValues, UnitValues, network
from review.store import CorrectionSet, Store, StoreError, open_store
from review.store.refit_tables import RefitUseRow, RefitVersionRow
from review.timeline import Interval, Phase, Segment, Timeline
from review.video import file_sha256
from tests.accounts import PASSPHRASE, quick_hashes
from tests.refitstudy import noisy
from tests.scripted import scripted
from tests.stores import BY, add_recording, add_unit, tiny_video
from tests.test_jobs import launch_nothing

PROTOCOL = load_protocol("practice")


def values(**more: object) -> UnitValues:
    """Values that change nothing, but for what is given."""
    prior = load_model().phase_prior
    plain = {
        "weights": ((0.0,) * len(INPUTS),) * len(PHASES),
        "shift": (0.0,) * len(PHASES),
        "prior": tuple(prior / prior.sum()),
        "still_odds": 3.0,
        "waiting_odds": 1.0,
    }
    flags = more.pop("flags", {})
    return UnitValues(
        network=network(),
        protocol=PROTOCOL.name,
        phases=PhaseValues.model_validate(plain | more),
        flags=flags,  # type: ignore[arg-type]
    )


# --- fitting, against scikit-learn (another method for the same minimum) -----------------------


def test_the_multinomial_fit_is_scikit_learns(rng: np.random.Generator) -> None:
    """Without an offset the objective is scikit-learn's with C = 1 / ridge."""
    inputs = rng.normal(size=(400, 4))
    label = (inputs @ rng.normal(size=(4, 3)) + rng.gumbel(size=(400, 3))).argmax(axis=1)
    weight = rng.uniform(0.2, 2.0, 400)
    mine = softmax_fit(inputs, label, weight, np.zeros((400, 3)), np.full(4, 5.0))
    theirs = LogisticRegression(C=1 / 5.0, fit_intercept=False, tol=1e-10, max_iter=5000)
    theirs.fit(inputs, label, sample_weight=weight)
    np.testing.assert_allclose(mine, theirs.coef_, atol=1e-5)


def test_the_logistic_fit_is_scikit_learns(rng: np.random.Generator) -> None:
    inputs = rng.normal(size=(300, 3))
    right = (rng.random(300) < 1 / (1 + np.exp(-inputs @ [1.0, -2.0, 0.5]))).astype(float)
    mine = logistic_fit(inputs, right, np.zeros(300), np.full(3, 2.0))
    theirs = LogisticRegression(C=0.5, fit_intercept=False, tol=1e-10, max_iter=5000)
    theirs.fit(inputs, right)
    np.testing.assert_allclose(mine, theirs.coef_[0], atol=1e-5)


def test_an_offset_that_is_true_leaves_nothing_to_learn(rng: np.random.Generator) -> None:
    """At the minimum the slope is zero: the penalty balances the data (closed form)."""
    inputs, offset = rng.normal(size=(200, 2)), rng.normal(size=(200, 3))
    label = (offset + rng.gumbel(size=(200, 3))).argmax(axis=1)
    ridge = np.array([0.5, 3.0])
    fitted = softmax_fit(inputs, label, np.ones(200), offset, ridge)
    scores = offset + inputs @ fitted.T
    prob = np.exp(scores) / np.exp(scores).sum(axis=1, keepdims=True)
    np.testing.assert_allclose((prob - np.eye(3)[label]).T @ inputs + ridge * fitted, 0, atol=1e-4)
    held = softmax_fit(inputs, label, np.ones(200), offset, np.full(2, 1e9))
    np.testing.assert_allclose(held, 0, atol=1e-6)


def test_a_shift_alone_has_a_closed_form() -> None:
    """One flag kind, 20 decisions all against it: the score equation is solved by hand.

    With only the shift free, 20 p = -shift, where p = 1 / (1 + 3 exp(-shift)): shift = -1.4405.
    """
    shift = logistic_fit(
        np.ones((20, 1)), np.zeros(20), np.full(20, np.log(1 / 3)), np.array([1.0])
    )[0]
    prob = 1 / (1 + 3 * np.exp(-shift))
    assert 20 * prob == pytest.approx(-shift, abs=1e-6)


def test_decisions_move_a_threshold_the_way_they_point() -> None:
    over, missed_by = np.full(12, 1.0), np.zeros(12)
    against = fit_flag(over, missed_by, np.zeros(12))
    with_it = fit_flag(over, missed_by, np.ones(12))
    assert with_it.shift > 0 > against.shift
    assert not worth_showing(flag(0.6), against, PROTOCOL.detection.flags, 0.0)
    assert worth_showing(flag(0.45), with_it, PROTOCOL.detection.flags, 0.0)


def flag(confidence: float) -> Flag:
    return Flag(
        kind=FlagKind.WASH_SHORT,
        start_s=1.0,
        end_s=2.0,
        level=FlagLevel.LOOK,
        confidence=confidence,
        message="an example",
    )


# --- zero values are the shipped ones -----------------------------------------------------------


@given(st.floats(0.0, 1.0))
def test_zero_flag_values_are_the_shipped_rule(confidence: float) -> None:
    settings = PROTOCOL.detection.flags
    found = worth_showing(flag(confidence), FlagValues(), settings, 1.3)
    assert found == worth_showing(flag(confidence), None, settings, 0.0)


def test_zero_phase_values_find_what_is_shipped() -> None:
    clip = floor_clips()[0]
    same = adjusted(clip.series.emissions, values().phases)
    # Probabilities below 1e-4 are raised to it, here as in the decoder.
    np.testing.assert_allclose(same.phase_prob, clip.series.emissions.phase_prob, atol=1e-3)
    assert floor_edges_s(values()) == pytest.approx(floor_edges_s(None), abs=0.02)


def test_a_shift_raises_a_phases_odds_by_just_that() -> None:
    prob = np.full((1, len(PHASES)), 1 / len(PHASES))
    shift = tuple(1.0 if phase is Phase.WASH else 0.0 for phase in PHASES)
    own = values(shift=shift).phases
    assert own is not None
    moved = adjusted_probability(prob, np.zeros((1, len(INPUTS))), own)
    wash, other = moved[0, PHASES.index(Phase.WASH)], moved[0, PHASES.index(Phase.OTHER)]
    assert np.log(wash / other) == pytest.approx(1.0)


def test_lengths_are_used_with_their_own_protocol_alone() -> None:
    own = values(lengths={"wash": (4.0, 18.0, 60.0)})
    step = for_decoding(with_values(PROTOCOL, own)).steps[0]
    assert (step.min_s, step.typical_s, step.max_s) == (4.0, 18.0, 60.0)
    home = load_protocol("default")
    assert for_decoding(with_values(home, own)).steps == home.steps
    assert for_decoding(PROTOCOL) is PROTOCOL


def test_values_travel_inside_the_protocol_as_json() -> None:
    """As they do to the child process that analyses, and in the analysis document."""
    own = values(lengths={"wash": (4.0, 18.0, 60.0)}, flags={"wash_short": FlagValues(shift=-1.0)})
    sent = with_values(PROTOCOL, own)
    assert Protocol.model_validate(sent.model_dump(mode="json", by_alias=True)) == sent
    assert Protocol.model_validate(ProtocolUsed.of(sent).content) == sent


def test_the_analysis_says_which_values_it_was_made_with() -> None:
    used = ProtocolUsed.of(with_values(PROTOCOL, values().model_copy(update={"version": 3})))
    assert used.version == "1, unit values 3"
    assert used.content["detection"]["unit"]["version"] == 3
    plain = ProtocolUsed.of(PROTOCOL)
    assert plain.version == "1" and "unit" not in plain.content["detection"]


# --- what counts as right and wrong -------------------------------------------------------------


def line(*segments: tuple[str, float, float], end: float = 30.0) -> Timeline:
    return Timeline(
        Interval(0.0, end),
        tuple(Segment(Interval(a, b), Phase(p), 1.0, "person") for p, a, b in segments),
    )


def test_edge_errors_by_hand() -> None:
    true = line(("wash", 0.0, 10.0), ("connect", 12.0, 20.0), ("waiting", 20.0, 30.0))
    found = line(("wash", 0.5, 11.0), ("waiting", 13.0, 30.0))
    # The wash begins with the recording and the wait ends with it: nobody had to find those.
    assert sorted(edge_errors(true, found)) == [1.0, MOST_ERROR_S, MOST_ERROR_S, MOST_ERROR_S]
    assert edge_errors(true, true) == (0.0,) * 4
    assert whole_lengths(true) == ((Phase.CONNECT, 8.0),)


# --- checking by people -------------------------------------------------------------------------


@given(st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=40), st.integers(2, 6))
def test_everybody_is_in_one_fold(people: list[str], count: int) -> None:
    folds = folds_of(people, count)
    assert sorted(person for fold in folds for person in fold) == sorted(set(people))
    assert len(folds) == min(count, len(set(people)))


def stub(person: str) -> Lesson:
    return Lesson(person, "", PROTOCOL, None, None, Corrections())  # type: ignore[arg-type]


def test_nobody_is_scored_with_what_was_learnt_from_them(monkeypatch: pytest.MonkeyPatch) -> None:
    lessons = [stub(f"P-{number % 6}") for number in range(15)]
    learnt_from: list[frozenset[str]] = []
    scored: list[str] = []

    def fit(inside: Sequence[Lesson]) -> UnitValues:
        learnt_from.append(frozenset(lesson.person for lesson in inside))
        return values()

    def score(lesson: Lesson, own: UnitValues | None) -> Score:
        assert lesson.person not in learnt_from[-1]
        scored.append(lesson.person)
        return Score((1.0 if own is None else 0.4,), 2 if own is None else 1, 0, 0)

    monkeypatch.setattr(refitcheck, "score_lesson", score)
    checked = cross_checked(lessons, fit=fit)
    assert sorted(scored) == sorted([lesson.person for lesson in lessons] * 2)
    assert (checked.sessions, checked.people) == (15, 6)
    assert checked.edges_s == Compared(1.0, pytest.approx(0.4), pytest.approx(-0.6),
                                       pytest.approx(-0.6), pytest.approx(-0.6))  # fmt: skip
    assert checked.edges_s.better and checked.false_flags.better and not checked.missed.better


def test_the_bootstrap_interval_is_the_normal_one_for_many(rng: np.random.Generator) -> None:
    """To mean -+ 1.96 s / sqrt(n), to which the percentile interval tends."""
    sample = rng.normal(1.0, 2.0, 2000)
    low, high = bootstrap_mean(sample)
    half = 1.96 * sample.std() / np.sqrt(sample.size)
    assert (low, high) == pytest.approx((sample.mean() - half, sample.mean() + half), abs=0.01)
    assert bootstrap_mean(np.full(5, -0.3)) == pytest.approx((-0.3, -0.3))


BETTER = Compared(1.0, 0.5, -0.5, -0.6, -0.4)
SLIGHT = Compared(1.0, 0.95, -0.05, -0.06, -0.04)
SAME = Compared(1.0, 1.0, 0.0, -0.1, 0.1)
WORSE = Compared(1.0, 1.5, 0.5, 0.4, 0.6)
FLOOR = FloorFigures(0.2, 0, 0)


@pytest.mark.parametrize(
    ("edges", "false", "missed", "own", "words"),
    [
        (BETTER, SAME, SAME, FLOOR, None),
        (SAME, BETTER, SAME, FloorFigures(1.19, 1, 1), None),
        (SAME, SAME, SAME, FLOOR, "not better beyond doubt"),
        (SLIGHT, SLIGHT, SAME, FLOOR, "not better beyond doubt"),
        (BETTER, WORSE, SAME, FLOOR, "worse at false flags"),
        (BETTER, BETTER, WORSE, FLOOR, "worse at missed flags"),
        (BETTER, BETTER, SAME, FloorFigures(1.21, 0, 0), "falls through the floor"),
        (BETTER, BETTER, SAME, FloorFigures(0.2, 2, 1), "falls through the floor"),
    ],
)
def test_when_it_is_refused(
    edges: Compared, false: Compared, missed: Compared, own: FloorFigures, words: str | None
) -> None:
    reasons = why_refused(Checked(20, 6, edges, false, missed), FLOOR, own)
    assert (words is None and reasons == ()) or (words is not None and words in " ".join(reasons))


def test_too_little_says_how_much_is_needed() -> None:
    words = too_little([stub("P-1"), stub("P-1")])
    assert words is not None
    assert "2 sessions" in words and "at least 5 sessions of at least 4 people" in words
    assert too_little([stub(f"P-{n}") for n in range(5)]) is None


# --- the floor ----------------------------------------------------------------------------------


def test_the_floor_is_the_samples_labels(project: Path) -> None:
    samples = sorted((project / "sample_clips").glob("*.mp4"))
    assert len(samples) == 4
    labels = {
        path.stem: (file_sha256(path), read_labels(path.with_suffix(".json"))) for path in samples
    }
    kept = (refitfloor.demo_data() / refitfloor.FILE).read_text(encoding="utf-8")
    assert kept == floor_document(labels)


def lower_floor(patch: pytest.MonkeyPatch) -> None:
    """Two of the four samples: the same check in half the time."""
    two = floor_clips()[:2]
    patch.setattr(refitfloor, "floor_clips", lambda: two)
    patch.setattr(refitfloor, "shipped_edges_s", lambda: floor_edges_s(None))


def test_values_that_forget_everything_else_fall_through_the_floor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lower_floor(monkeypatch)
    blind = values(shift=tuple(9.0 if phase is Phase.WAITING else 0.0 for phase in PHASES))
    shipped = refitfloor.floor_figures(None)
    assert shipped.edges_s < 0.3 and (shipped.wrong, shipped.missed) == (0, 0)
    assert not refitfloor.floor_figures(blind).holds(shipped)
    back = refitfloor.pulled_above(blind)
    assert back.phases is not None and blind.phases is not None
    assert max(back.phases.shift) < max(blind.phases.shift)


# --- learning -----------------------------------------------------------------------------------


def sample_lessons(change: dict[Phase, Phase]) -> list[Lesson]:
    """The shipped samples as sessions of four people, with phases called by other names."""
    found = []
    for number, clip in enumerate(floor_clips()):
        segments = [
            replace(s, phase=change.get(s.phase, s.phase), source="person") for s in clip.truth
        ]
        truth = Timeline(clip.track.time.extent, tuple(
            replace(s, interval=cut) for s in segments
            if (cut := s.interval.intersect(clip.track.time.extent)) is not None
        ))  # fmt: skip
        lesson = make_lesson(f"P-{number}", clip.name, PROTOCOL, clip.track, Corrections(truth))
        found.append(lesson)
    return found


def test_a_unit_that_sees_a_phase_otherwise_is_learnt_from(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wiping is no phase of this unit's: three people's corrections teach it for the fourth."""
    quick_check(monkeypatch)
    lessons = sample_lessons({Phase.SURFACE_PREP: Phase.OTHER})
    own = learn(lessons[:-1])
    before, after = phases_with(lessons[-1], None), phases_with(lessons[-1], own)
    assert before.of(Phase.SURFACE_PREP) and not after.of(Phase.SURFACE_PREP)
    assert score_lesson(lessons[-1], own).edges_s
    assert after.of(Phase.WASH) and after.of(Phase.CONNECT)


def test_corrections_that_agree_change_next_to_nothing() -> None:
    lessons = sample_lessons({})
    rows = joined([lesson.rows for lesson in lessons])
    own = fit_phases(rows, load_model().phase_prior, PROTOCOL, 300.0)
    assert np.abs(own.weights).max() < 0.1
    unit = UnitValues(network=network(), protocol=PROTOCOL.name, phases=own)
    first = lessons[0]
    before, after = (edge_errors(first.truth, phases_with(first, own)) for own in (None, unit))
    assert np.mean(after) < np.mean(before) + 0.05


def test_a_flag_that_goes_away_with_the_corrected_phases_is_wrong() -> None:
    lesson = sample_lessons({})[0]
    assert lesson.settled == ()
    assert judged_flags(lesson, [flag(0.9)]) == (False,)


# --- kept, used, and gone back from -------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = open_store(tmp_path / "unit")
    add_unit(opened)
    return opened


FIGURES = {
    "data": {"sessions": 20, "people": 6, "decisions": 31},
    "check": Checked(20, 6, BETTER, SAME, SAME).as_json(),
}


@pytest.mark.any_database
def test_versions_are_kept_and_one_can_go_back(store: Store) -> None:
    assert store.refits() == () and store.refit_in_use() is None
    assert store.as_learnt(PROTOCOL) == PROTOCOL
    first = store.add_refit(values(), FIGURES, by=BY)
    second = store.add_refit(values(still_odds=2.0), FIGURES, by="another")
    assert [version.version for version in store.refits()] == [1, 2]
    assert store.refit_in_use() == second and second.figures == FIGURES
    assert store.as_learnt(PROTOCOL).detection.unit == second.values
    assert second.values.version == 2 and second.by == "another"
    assert store.as_learnt(load_protocol("default")).detection.unit is None
    store.use_refit(1, by=BY)
    assert store.refit_in_use() == first
    store.use_refit(None, by=BY)
    assert store.refit_in_use() is None and store.as_learnt(PROTOCOL) == PROTOCOL
    assert len(store.refits()) == 2, "what was accepted stays"
    with pytest.raises(StoreError, match="no refit 7"):
        store.use_refit(7, by=BY)
    noted = [(entry.what, entry.subject) for entry in store.audit(limit=20)]
    assert ("refit accepted", "refit 2") in noted
    assert ("refit in use", "shipped values") in noted


@pytest.mark.any_database
def test_values_of_another_network_are_not_used(store: Store) -> None:
    store.add_refit(values().model_copy(update={"network": "0" * 32}), FIGURES, by=BY)
    assert store.as_learnt(PROTOCOL) == PROTOCOL
    with pytest.raises(StoreError, match="another release"):
        store.use_refit(1, by=BY)


def test_versions_are_only_ever_added(store: Store) -> None:
    store.add_refit(values(), FIGURES, by=BY)
    for table in (RefitVersionRow, RefitUseRow):
        with pytest.raises(RuntimeError, match="only ever added"), store._database.writing() as s:
            s.get(table, 1).by = "somebody else"  # type: ignore[union-attr]


def test_an_analysis_of_the_unit_is_made_with_its_values(store: Store, tmp_path: Path) -> None:
    from review.jobs import start_analysis

    store.add_refit(values(), FIGURES, by=BY)
    entry = add_recording(store, tiny_video(tmp_path))
    start_analysis(store.folder, entry.id, BY, launch=launch_nothing)
    used = []

    def noted(path: Path, protocol: Protocol, *more: Any) -> Analysis:
        used.append(protocol.detection.unit)
        return scripted(path, protocol, *more)

    work(store.folder, analyse=noted)
    assert [unit.version for unit in used if unit] == [1]


# --- the whole of it, from records --------------------------------------------------------------


def as_it_is(phases: Timeline) -> Timeline:
    """A unit that draws the line between phases where the labels do."""
    return phases


def drawn_elsewhere(phases: Timeline) -> Timeline:
    """One to which taking up and laying down the line belong to no phase."""
    cut = {Phase.CONNECT: (2.4, 0.0), Phase.DISCONNECT: (0.0, 1.9), Phase.WASH: (0.0, 4.0)}
    return Timeline(phases.extent, tuple(
        replace(s, interval=Interval(s.interval.start_s + early, s.interval.end_s - late))
        for s in phases if s.phase is not Phase.OTHER
        for early, late in [cut.get(s.phase, (0.0, 0.0))]
    ))  # fmt: skip


def unit_of_samples(folder: Path, people: int, seen: Callable[[Timeline], Timeline]) -> Store:
    """Records whose landmarks are the samples', over and over, corrected by a trainer."""
    store = open_store(folder)
    add_unit(store, people)
    clips = floor_clips()
    store.landmarks.mkdir(parents=True, exist_ok=True)
    for file in refitfloor.demo_data().glob("*.npz"):
        shutil.copy(file, store.landmarks)
    for number in range(people):
        clip = clips[number % len(clips)]
        analysis = read_analysis(refitfloor.demo_data() / f"{clip.name}.json")
        entry = store.add_session(
            analysis, person=f"P-{number + 1}", trainer="T-1", taken_on=store.today(), by=BY
        )
        end = analysis.recording.duration_s
        segments = [
            replace(s, interval=cut, source="person")
            for s in seen(clip.truth)
            if (cut := s.interval.intersect(Interval(0.0, end))) is not None
        ]
        store.correct(entry.id, phases=segments, by=BY)
    return store


def quick_check(patch: pytest.MonkeyPatch) -> None:
    """Fewer folds, one strength, no pulling back: the same check in a fraction of the time."""
    lower_floor(patch)
    patch.setattr("review.refit.pulled_above", lambda own: own)
    patch.setattr(refitcheck, "FOLDS", 2)
    patch.setattr(refitcheck, "INNER_FOLDS", 2)
    patch.setattr(refitcheck, "STRENGTHS", (3.0,))


def command(patch: pytest.MonkeyPatch, *arguments: object, typed: str = "") -> int:
    patch.setattr(sys, "stdin", io.StringIO(typed))
    return main([str(argument) for argument in arguments])


def test_too_little_to_learn_from_at_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    unit_of_samples(tmp_path / "unit", 2, as_it_is).close()
    assert command(monkeypatch, "refit", "--unit", tmp_path / "unit") == COULD_NOT
    said = capsys.readouterr()
    assert "at least 5 sessions of at least 4 people" in said.err
    assert command(monkeypatch, "refit", "--unit", tmp_path / "none") == COULD_NOT
    both = ("--list", "--use", "shipped")
    assert command(monkeypatch, "refit", "--unit", tmp_path / "unit", *both) == WRONG_USAGE


@pytest.mark.slow
def test_a_refit_is_accepted_listed_and_gone_back_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Five people whose unit draws the line elsewhere: every fold has to learn it anew."""
    unit = tmp_path / "unit"
    unit_of_samples(unit, 5, drawn_elsewhere).close()
    quick_check(monkeypatch)
    assert command(monkeypatch, "refit", "--unit", unit) == DONE
    said = capsys.readouterr().out
    assert "5 people" in said and "Accepted as version 1" in said and "95 % interval" in said
    with open_store(unit) as store:
        found = store.refit_in_use()
        assert found is not None and found.figures["data"]["people"] == 5
        assert store.as_learnt(PROTOCOL).detection.unit == found.values
    assert command(monkeypatch, "refit", "--list", "--unit", unit) == DONE
    assert "1 (in use)" in capsys.readouterr().out
    assert command(monkeypatch, "refit", "--use", "shipped", "--unit", unit) == DONE
    assert command(monkeypatch, "refit", "--use", "1x", "--unit", unit) == COULD_NOT
    with open_store(unit) as store:
        assert store.refit_in_use() is None and len(store.refits()) == 1


@pytest.mark.slow
def test_corrections_that_agree_with_the_program_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick_check(monkeypatch)
    hand = np.random.default_rng(7)
    store = unit_of_samples(tmp_path / "unit", 5, lambda phases: noisy(phases, hand))
    outcome = refit(store, by=BY)
    assert outcome.kept is None and outcome.reasons and store.refits() == ()
    assert outcome.gathered.as_json()["sessions"] == 5
    assert outcome.floor_own.holds(outcome.floor_shipped)


def test_whoever_took_the_consent_back_is_not_learnt_from(tmp_path: Path) -> None:
    store = unit_of_samples(tmp_path / "unit", 2, as_it_is)
    consent = store.current_consent("P-2")
    assert consent is not None
    store.withdraw_consent(consent.id, by=BY)
    assert [lesson.person for lesson in gather(store).lessons] == ["P-1"]


def test_corrections_are_cut_to_the_landmarks(store: Store) -> None:
    kept = CorrectionSet(1, 1, line(("wash", 0.0, 30.0)).segments, None, BY, store._clock())
    assert corrected(kept, Interval(0.0, 29.5)).phases == line(("wash", 0.0, 29.5), end=29.5)


# --- who may ------------------------------------------------------------------------------------


def test_only_administrators_and_educators_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    quick_hashes(monkeypatch)
    unit = tmp_path / "unit"
    with open_store(unit) as store:
        add_unit(store)
        store.add_refit(values(), FIGURES, by=BY)
        store.add_account("ann", "administrator", PASSPHRASE, by=BY)
        store.add_account("tess", "trainer", PASSPHRASE, trainer="T-1", by=BY)
        store.add_account("edda", "educator", PASSPHRASE, trainer="T-1", by=BY)
    back = ("refit", "--use", "shipped", "--unit", unit)
    assert command(monkeypatch, *back) == COULD_NOT
    assert "--as" in capsys.readouterr().err
    assert command(monkeypatch, *back, "--as", "tess", typed=PASSPHRASE) == COULD_NOT
    assert "administrators and educators" in capsys.readouterr().err
    assert command(monkeypatch, *back, "--as", "ann", typed="wrong") == COULD_NOT
    with open_store(unit) as store:
        assert store.refit_in_use() is not None
    assert command(monkeypatch, *back, "--as", "edda", typed=PASSPHRASE) == DONE
    with open_store(unit) as store:
        assert store.refit_in_use() is None
        assert store.audit(limit=1)[0].who == "T-1"
