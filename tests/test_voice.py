"""Voices in synthesised sound: levels against a reference, rhythm, and what sound may not do."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from scipy import signal

from review.openline import mouth_evidence
from review.settings import OpenLineDetection
from review.sound import heard_voice
from review.talking import mouth_track, talking_probability, talking_spans, with_voice
from review.timeline import Interval
from review.tracks import FeatureTrack, LandmarkTrack, TimeBase
from review.voice import BAND_HZ, RATE_HZ, frame_levels, levels_of, voice_track
from tests import builders

SETTINGS = OpenLineDetection()
SECONDS = 12.0
TIMES = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
RNG = np.random.default_rng(1)
NOISE = RNG.normal(0, 1, TIMES.size)
IN_BAND = signal.sosfilt(signal.butter(4, BAND_HZ, "bandpass", fs=RATE_HZ, output="sos"), NOISE)
INSIDE = (TIMES >= 4.0) & (TIMES < 8.0)
GROUND = 0.002 * NOISE


def syllables(hz: float = 4.0) -> np.ndarray:
    """Speech-like: band noise that rises and falls with syllables between 4 and 8 s."""
    swing = np.maximum(np.sin(2 * np.pi * hz * TIMES), 0.0) * INSIDE
    return 0.1 * swing * IN_BAND + GROUND


SOUNDS = {
    "steady noise": 0.1 * NOISE,
    "running water that starts": 0.1 * IN_BAND * (TIMES >= 4.0) + GROUND,
    "a tone": 0.1 * np.sin(2 * np.pi * 1000 * TIMES) * INSIDE + GROUND,
    "a hum below the band": 0.3 * np.sin(2 * np.pi * 100 * TIMES) + GROUND,
    "slow waves": 0.1 * IN_BAND * (1 + np.sin(2 * np.pi * 0.3 * TIMES)) / 2 + GROUND,
    "buzzing, 30 times a second": 0.1 * IN_BAND * (np.sin(2 * np.pi * 30 * TIMES) > 0) + GROUND,
}


def voice_in(samples: np.ndarray) -> np.ndarray:
    track = voice_track(frame_levels(samples), SECONDS)
    assert track is not None
    return track.column("voice")


# --- levels -----------------------------------------------------------------------------------


def test_the_level_of_a_tone_is_its_root_mean_square_inside_the_band_only() -> None:
    for hz, expected in ((1000.0, 0.1 / np.sqrt(2)), (100.0, 0.0), (3800.0, 0.0)):
        levels = frame_levels(0.1 * np.sin(2 * np.pi * hz * TIMES))
        assert np.median(levels) == pytest.approx(expected, abs=0.003)


def test_levels_agree_with_scipy() -> None:
    # Reference: scipy.signal.spectrogram, Hann window, spectrum per frame, summed over the band.
    size, hop = 160, 80
    frequency, _, power = signal.spectrogram(
        NOISE, RATE_HZ, "hann", size, size - hop, detrend=False, scaling="density"
    )
    band = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    expected = np.sqrt(power[band].sum(axis=0) * (frequency[1] - frequency[0]))
    np.testing.assert_allclose(frame_levels(NOISE), expected, rtol=1e-6)


def test_levels_agree_with_a_band_pass_filter_over_longer_times() -> None:
    # Reference: scipy.signal.butter of order 8, whose edges are not as sharp.
    sos = signal.butter(8, BAND_HZ, "bandpass", fs=RATE_HZ, output="sos")
    filtered = signal.sosfilt(sos, NOISE)
    found = np.sqrt((frame_levels(NOISE) ** 2).mean())
    assert found == pytest.approx(np.sqrt((filtered**2).mean()), rel=0.05)


@pytest.mark.parametrize("size", [37, 1000, 5000])
def test_blocks_of_any_length_give_the_same_levels(size: int) -> None:
    samples = syllables()[: 3 * RATE_HZ]
    blocks = [samples[i : i + size] for i in range(0, len(samples), size)]
    np.testing.assert_allclose(levels_of(blocks), frame_levels(samples))


# --- a voice or not ---------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [3.0, 4.0, 6.0])
def test_sound_in_the_rhythm_of_syllables_is_like_a_voice_while_it_lasts(hz: float) -> None:
    voice, at = voice_in(syllables(hz)), np.arange(120) / 10.0
    assert np.median(voice[(at > 4.5) & (at < 7.5)]) > 0.8
    assert np.median(voice[(at < 3.0) | (at > 9.0)]) < 0.1


@pytest.mark.parametrize("kind", list(SOUNDS))
def test_other_sounds_are_no_voice(kind: str) -> None:
    voice = voice_in(SOUNDS[kind])
    steady = np.abs(np.arange(120) / 10.0 - 6.0)
    away_from_edges = (steady < 1.0) | (steady > 3.5)
    assert np.median(voice[away_from_edges]) < 0.1
    assert (voice > 0.5).mean() <= 0.1  # at most about where it begins and ends


def test_louder_sound_is_the_same_sound() -> None:
    np.testing.assert_allclose(voice_in(syllables()), voice_in(5.0 * syllables()), atol=1e-9)


def test_no_sound_and_a_muted_recording_say_nothing() -> None:
    assert voice_track(np.empty(0), 10.0) is None
    assert voice_track(frame_levels(np.zeros(TIMES.size)), SECONDS) is None


# --- beside the mouth ---------------------------------------------------------------------------


def heard(value: float, end_s: float = 14.0) -> FeatureTrack:
    return FeatureTrack(TimeBase(np.zeros(1), end_s), ("voice",), ("1",), np.array([[value]]))


def speaking_track() -> LandmarkTrack:
    at = builders.times(14.0, 15.0)
    opening = np.full(len(at), 0.02)
    inside = (at >= 4.0) & (at < 9.0)
    opening[inside] = builders.syllables(at[inside], np.random.default_rng(2))
    return builders.make_track(at, face=builders.faces(opening))


def spans(probability: FeatureTrack) -> list[Interval]:
    return [span.interval for span in talking_spans(probability, SETTINGS)]


def test_a_voice_alone_never_makes_talking() -> None:
    at = builders.times(14.0, 15.0)
    still = builders.make_track(at, face=builders.faces(np.full(len(at), 0.02)))
    for track in (still, builders.make_track(at)):
        assert spans(mouth_evidence(track, SETTINGS, heard(1.0)).probability) == []


@pytest.mark.parametrize("value", np.linspace(0.0, 1.0, 6))
def test_sound_raises_only_what_was_possible_and_leaves_the_unseen_unseen(value: float) -> None:
    p = np.array([np.nan, 0.01, 0.3, 0.49, 0.5, 0.7, 0.9, 0.99])
    time = TimeBase(np.arange(p.size) / 10.0, 1.0)
    talking = FeatureTrack(time, ("probability",), ("1",), p[:, None])
    after = with_voice(talking, heard(value), SETTINGS).column("probability")
    assert np.isnan(after[0]) and np.isfinite(after[1:]).all()
    assert (after[1:4] <= p[1:4] + 1e-12).all()
    assert (np.diff(after[4:]) > 0).all()
    assert (after[4:] >= p[4:]).all() if value >= 0.3 else (after[4:] < p[4:]).all()


def test_a_moving_mouth_with_a_voice_is_surer_and_without_one_less_sure() -> None:
    track = speaking_track()
    alone = talking_probability(mouth_track(track), SETTINGS)
    loud, quiet = (mouth_evidence(track, SETTINGS, heard(v)).probability for v in (1.0, 0.0))
    inside = alone.column("probability") > 0.9
    assert (loud.column("probability")[inside] > alone.column("probability")[inside]).all()
    assert (quiet.column("probability")[inside] < alone.column("probability")[inside]).all()
    assert len(spans(alone)) == len(spans(loud)) == 1


def test_where_the_sound_ends_the_mouth_alone_counts() -> None:
    track = speaking_track()
    alone = talking_probability(mouth_track(track), SETTINGS).column("probability")
    cut = with_voice(talking_probability(mouth_track(track), SETTINGS), heard(0.0, 6.0), SETTINGS)
    late = track.time.times_s >= 6.0
    np.testing.assert_array_equal(cut.column("probability")[late], alone[late])
    assert (cut.column("probability")[~late] < alone[~late]).all()


# --- reading ------------------------------------------------------------------------------------


def with_sound(path: Path, samples: np.ndarray | None) -> Path:
    """A tiny video, with this sound (8 kHz, one channel) or none."""
    with av.open(str(path), "w") as container:
        video = container.add_stream("mpeg4", rate=10)
        video.width, video.height, video.pix_fmt = 32, 32, "yuv420p"
        sound = (
            None
            if samples is None
            else container.add_stream("pcm_s16le", rate=RATE_HZ, layout="mono")
        )
        for number in range(int(SECONDS * 10)):
            picture = np.full((32, 32, 3), number % 200, dtype=np.uint8)
            container.mux(video.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(video.encode())
        if sound is not None and samples is not None:
            for start in range(0, len(samples), 1600):
                part = np.clip(samples[start : start + 1600], -1, 1)
                frame = av.AudioFrame.from_ndarray(
                    (part * 32767).astype(np.int16)[None], format="s16", layout="mono"
                )
                frame.sample_rate, frame.pts = RATE_HZ, start
                container.mux(sound.encode(frame))
            container.mux(sound.encode())
    return path


def test_the_sound_of_a_recording_is_read_as_it_was_written(tmp_path: Path) -> None:
    found = heard_voice(with_sound(tmp_path / "a.mkv", syllables()), SECONDS)
    assert found is not None
    expected = voice_in(syllables())
    count = min(len(expected), len(found.column("voice")))
    assert count >= 115
    np.testing.assert_allclose(found.column("voice")[:count], expected[:count], atol=0.05)


def test_a_recording_without_sound_says_nothing(tmp_path: Path) -> None:
    assert heard_voice(with_sound(tmp_path / "a.mkv", None), SECONDS) is None
