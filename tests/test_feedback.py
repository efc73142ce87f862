"""What a patient is told: the good first, at most two things, nothing untrue, nothing unkind."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.analysis import Analysis, FlagKind, FlagLevel
from review.earlier import EarlierSession
from review.feedback import NO_TOPIC, Feedback, make_feedback
from review.invented import Story, invent_analysis
from review.openlineflags import AFTER_TOUCH
from review.protocol import load_protocol
from review.store.records import Answer, ChecklistAnswer, Decision, Verdict
from review.timeline import Surface
from review.wording import PHASES
from review.words import languages, load_words

DAY, EARLIER = date(2024, 3, 9), date(2024, 2, 1)
AT = datetime(2024, 3, 9, tzinfo=UTC)
EN = load_words("en")
PRACTICE = load_protocol("practice")
FAULTY = Story(
    rubbing_s=9.6,
    missed=(Surface.THUMB_LEFT, Surface.FINGERTIPS_RIGHT),
    rub_before_connect_s=0.0,
    talking_s=3.2,
    hand_to_face=True,
)


def told(story: Story, **more: Any) -> Feedback:
    return make_feedback(invent_analysis(story, PRACTICE), EN, taken_on=DAY, **more)


def all_decided(analysis: Analysis, verdict: Verdict) -> tuple[Decision, ...]:
    return tuple(
        Decision(n, 1, flag.kind, flag.start_s, flag.end_s, verdict, "", "T-1", AT)
        for n, flag in enumerate(analysis.flags)
    )


def answered(item: str, answer: Answer) -> ChecklistAnswer:
    return ChecklistAnswer(1, item, answer, "", "T-1", AT)


def test_a_good_practice_is_praised_and_nothing_is_asked() -> None:
    feedback = told(Story(rubbing_s=20.9))
    assert [point.topic for point in feedback.well] == [
        "wash_time", "wash_surfaces", "rub_connect", "rub_disconnect",
    ]  # fmt: skip
    assert feedback.well[0].saw == (
        "You rubbed your hands for 20 seconds in the wash. The aim is 15 seconds or more."
    )
    assert feedback.practise == ()
    assert feedback.told
    assert feedback.more == ""


def test_at_most_two_things_and_the_most_important_first() -> None:
    feedback = told(FAULTY)
    assert [point.topic for point in feedback.practise] == ["face", "quiet"]
    assert feedback.more == "There are 3 more things. Your nurse will go over them with you."
    assert all(point.do for point in feedback.practise)
    assert not any(point.checked for point in feedback.practise)


def test_something_good_is_said_of_every_practice() -> None:
    assert told(FAULTY).well
    hidden = told(Story(rubbing_s=None, unclear=tuple(Surface)))
    assert hidden.well


def test_where_nothing_could_be_measured_filming_itself_is_praised(analysis: Analysis) -> None:
    empty = analysis.model_copy(update={"measures": (), "flags": (), "wash_surfaces": ()})
    feedback = make_feedback(empty, EN, taken_on=DAY)
    assert [point.saw for point in feedback.well] == [EN.say("page.fallback")]
    assert not feedback.told


@pytest.mark.parametrize("story", [FAULTY, Story(rubbing_s=25.0), Story(rubbing_s=None)])
def test_what_to_do_after_a_touch_is_always_there(story: Story) -> None:
    """The same four steps as everywhere: stop, close the line, no fluid in, call the unit."""
    steps = told(story).touch
    assert len(steps) == 4
    for step, word in zip(steps, ("stop", "close the line", "fluid", "call"), strict=True):
        assert word in step.lower()
        assert word in AFTER_TOUCH.lower()


def test_a_number_never_reads_as_if_the_aim_was_reached_when_it_was_not() -> None:
    """19.8 s of 20 s: the flag says short, so the sentence must not say 20."""
    feedback = told(Story(rubbing_s=25.0, rub_before_connect_s=19.8))
    (point,) = feedback.practise
    assert point.topic == "rub_connect_short"
    assert "19 seconds" in point.saw
    assert "20 seconds or more" in point.saw


def test_talking_of_a_moment_is_not_nothing() -> None:
    (point,) = told(Story(rubbing_s=25.0, talking_s=0.4)).practise
    assert "for 1 second " in point.saw


def test_what_the_nurse_disagreed_with_is_not_told_and_not_praised_either() -> None:
    analysis = invent_analysis(FAULTY, PRACTICE)
    for verdict in (Verdict.DISAGREE, Verdict.UNSURE):
        feedback = make_feedback(
            analysis, EN, taken_on=DAY, decisions=all_decided(analysis, verdict)
        )
        assert feedback.practise == ()
        assert {p.topic for p in feedback.well} == {"rub_disconnect", "wipe_all", "wipe_once"}


def test_what_the_nurse_agreed_with_comes_before_what_nobody_looked_at() -> None:
    analysis = invent_analysis(FAULTY, PRACTICE)
    agreed = [d for d in all_decided(analysis, Verdict.AGREE) if d.kind == "wash_surface_missed"]
    feedback = make_feedback(analysis, EN, taken_on=DAY, decisions=agreed)
    assert [(p.topic, p.checked) for p in feedback.practise] == [
        ("wash_surfaces", True),
        ("face", False),
    ]
    assert feedback.practise[0].saw == (
        "We did not see you rub your left thumb and the tips of your right fingers."
    )


def test_a_critical_item_that_the_nurse_saw_left_out_comes_first() -> None:
    answers = [answered("Cap on", Answer.NOT_DONE), answered("Rings off", Answer.NOT_DONE),
               answered("Bag checked", Answer.DONE)]  # fmt: skip
    feedback = told(FAULTY, answers=answers, critical=["Cap on", "Bag checked"])
    assert [(p.topic, p.saw) for p in feedback.practise][:1] == [("noted", "Cap on")]
    assert [p.topic for p in feedback.practise] == ["noted", "face"]


def test_what_could_not_be_seen_is_neither_good_nor_to_be_practised() -> None:
    feedback = told(Story(rubbing_s=None, unclear=tuple(Surface)))
    assert "wash" not in " ".join(p.topic for p in (*feedback.well, *feedback.practise))
    assert "how long you rubbed your hands" in feedback.hidden
    assert "which parts of your hands you rubbed" in feedback.hidden


def test_not_all_parts_are_claimed_when_one_could_not_be_seen() -> None:
    feedback = told(Story(rubbing_s=25.0, unclear=(Surface.PALMS,)))
    assert "wash_surfaces" not in {point.topic for point in feedback.well}


def test_flags_that_cannot_tell_are_nothing_to_practise(analysis: Analysis) -> None:
    flags = tuple(f.model_copy(update={"level": FlagLevel.CANNOT_TELL}) for f in analysis.flags)
    unsure = analysis.model_copy(update={"flags": flags})
    assert make_feedback(unsure, EN, taken_on=DAY).practise == ()


def test_a_clip_is_short_begins_before_the_moment_and_stays_in_the_recording() -> None:
    analysis = invent_analysis(FAULTY, PRACTICE)
    feedback = told(FAULTY)
    for point in (*feedback.well, *feedback.practise):
        assert point.clip is not None
        start, end = point.clip
        assert 0 <= start < end <= analysis.recording.duration_s
        assert end - start <= 15.0
    face = next(f for f in analysis.flags if f.kind == "hand_to_face")
    assert feedback.practise[0].clip is not None
    assert feedback.practise[0].clip[0] == pytest.approx(face.start_s - 2.0, abs=0.05)


# --- the person's own earlier sessions --------------------------------------------------------


def compared(*stories: Story, now: Story) -> Feedback:
    earlier = [
        EarlierSession(date(2024, 1 + n, 1), invent_analysis(story, PRACTICE))
        for n, story in enumerate(stories)
    ]
    return told(now, earlier=earlier)


def test_a_first_practice_is_compared_with_nothing() -> None:
    assert told(Story(rubbing_s=20.0)).comparisons == ()


def test_better_than_last_time() -> None:
    feedback = compared(Story(rubbing_s=11.0), now=Story(rubbing_s=18.2))
    wash = feedback.comparisons[0]
    assert wash.sentence == (
        "This time: 18 seconds. Last time, on 1 January 2024: 11 seconds. That is 7 seconds "
        "longer. You reached the aim this time."
    )
    assert wash.values == ((date(2024, 1, 1), 11.0), (DAY, 18.2))
    assert wash.aim == 15.0


def test_small_changes_are_no_change() -> None:
    feedback = compared(Story(rubbing_s=20.0), now=Story(rubbing_s=18.4))
    assert "about the same" in feedback.comparisons[0].sentence


def test_a_time_that_could_not_be_seen_is_not_taken_for_a_worse_one() -> None:
    feedback = compared(Story(rubbing_s=16.0), Story(rubbing_s=None), now=Story(rubbing_s=21.0))
    wash = feedback.comparisons[0]
    assert wash.said == ("16 seconds", "could not see", "21 seconds")
    assert "on 1 January 2024: 16 seconds" in wash.sentence
    now_hidden = compared(Story(rubbing_s=16.0), now=Story(rubbing_s=None)).comparisons[0]
    assert now_hidden.sentence == "This time the camera could not see it."


def test_no_rub_is_said_kindly() -> None:
    feedback = compared(Story(rubbing_s=20.0), now=Story(rubbing_s=20.0, rub_before_connect_s=0))
    rub = feedback.comparisons[2]
    assert rub.said == ("22 seconds", "we saw none")
    assert "0 seconds" not in rub.sentence


def test_earlier_sessions_come_in_any_order() -> None:
    stories = [
        EarlierSession(date(2024, month, 1), invent_analysis(Story(10.0 + month), PRACTICE))
        for month in (1, 2)
    ]
    now = Story(rubbing_s=20.0)
    assert told(now, earlier=stories) == told(now, earlier=stories[::-1])


# --- any session ------------------------------------------------------------------------------


@given(
    st.builds(
        Story,
        rubbing_s=st.none() | st.floats(1.0, 60.0),
        missed=st.lists(st.sampled_from(list(Surface)), unique=True).map(tuple),
        rub_before_connect_s=st.just(0.0) | st.floats(1.0, 40.0),
        talking_s=st.floats(0.0, 9.0).map(lambda value: round(value, 1)),
        hand_to_face=st.booleans(),
    ),
    st.sampled_from(["en", "es"]),
)
def test_every_session_can_be_told_in_every_language(story: Story, language: str) -> None:
    feedback = make_feedback(invent_analysis(story, PRACTICE), load_words(language), taken_on=DAY)
    texts: Sequence[str] = [
        text for point in (*feedback.well, *feedback.practise)
        for text in (point.title, point.saw, point.do)
    ]  # fmt: skip
    assert 1 <= len(feedback.well) <= 4
    assert len(feedback.practise) <= 2
    assert not any("{" in text or "None" in text or "nan" in text for text in texts)
    topics = {point.topic.removesuffix("_short") for point in feedback.practise}
    assert not topics & {point.topic for point in feedback.well}


# --- every kind of flag --------------------------------------------------------------------------


def only(kind: FlagKind, level: FlagLevel = FlagLevel.LOOK) -> Analysis:
    """A practice with much to say, of which one kind of flag is left, at its first phase."""
    story = Story(rubbing_s=9.6, missed=(Surface.THUMB_LEFT,), rub_before_connect_s=12.0)
    found = invent_analysis(story, PRACTICE)
    first = found.phases[0]
    flag = found.flags[0].model_copy(
        update={
            "kind": kind,
            "level": level,
            "start_s": first.start_s,
            "end_s": first.end_s,
            "measure": "rub.before_connect",
            "message": f"{PHASES[first.phase]}: an invented flag.",
        }
    )
    return found.model_copy(update={"flags": (flag,)})


@pytest.mark.parametrize("code", [code for code, _ in languages()])
@pytest.mark.parametrize("kind", list(FlagKind))
def test_every_kind_of_flag_is_explained_or_left_out_on_purpose(kind: FlagKind, code: str) -> None:
    feedback = make_feedback(only(kind), load_words(code), taken_on=DAY)
    assert bool(feedback.practise) is (kind not in NO_TOPIC)
    assert all(point.title and point.saw and point.do for point in feedback.practise)


def test_what_is_left_out_is_a_short_wait_and_what_was_not_seen() -> None:
    assert sorted(NO_TOPIC) == [FlagKind.NOT_SEEN, FlagKind.WAIT_SHORT]


def test_a_mask_that_was_not_seen_is_something_to_practise() -> None:
    (point,) = make_feedback(only(FlagKind.MASK_MISSING), EN, taken_on=DAY).practise
    assert point.topic == "mask" and point.saw.startswith("It looks as if")
    unclear = only(FlagKind.MASK_MISSING, FlagLevel.CANNOT_TELL)
    assert make_feedback(unclear, EN, taken_on=DAY).practise == ()
