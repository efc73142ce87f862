"""Clips of a wash alone: what the script says, what the labels say, and what hides the hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from review.labels import LabelFile
from review.timeline import Interval, Phase, Surface
from sample_clips.make_clips import clip_times, frames, wash_variation
from sample_clips.studio.labels import label_document
from sample_clips.studio.render import keypoints
from sample_clips.studio.script import Performance
from sample_clips.studio.washes import TEMPO_HZ, VIEWS

SEED = 55


@pytest.fixture(scope="module")
def scripts():
    return [wash_variation(SEED, index) for index in range(24)]


def labels_of(script) -> LabelFile:
    return LabelFile.model_validate(label_document(script))


def test_the_same_number_gives_the_same_wash(scripts):
    assert label_document(wash_variation(SEED, 3)) == label_document(scripts[3])
    assert label_document(scripts[3]) != label_document(scripts[4])


def test_washes_vary_in_camera_tempo_tone_and_hand(scripts):
    assert {script.view.name for script in scripts} == set(VIEWS)
    assert all(0.25 <= script.view.distance_m <= 1.0 for script in scripts)
    tempos = np.array([script.tempo_hz for script in scripts])
    assert tempos.min() >= TEMPO_HZ[0] and tempos.max() <= TEMPO_HZ[1]
    assert tempos.max() > 2 * tempos.min()
    assert len({script.look.skin_tone for script in scripts}) >= 5
    assert len({script.left_handed for script in scripts}) == 2
    assert any(script.view.shutter > 0 for script in scripts)
    assert any(script.hidden for script in scripts) and not all(s.hidden for s in scripts)


def test_strokes_of_the_pieces_are_the_strokes_of_the_surfaces(scripts):
    for script in scripts:
        labels = labels_of(script)
        assert labels.clip.kind == "wash" and labels.flags == ()
        assert labels.wash is not None
        for surface in Surface:
            pieces = [
                piece.strokes or 0.0
                for piece in labels.labels
                if piece.phase is Phase.WASH and piece.step == surface
            ]
            wanted = labels.wash.surfaces[surface].strokes
            # Strokes are whole where tempo times length is; labels round to a thousandth.
            assert sum(pieces) == pytest.approx(wanted, abs=0.01 * (len(pieces) + 1))


def test_what_stands_in_the_way_covers_both_hands_and_only_then(scripts):
    for script in [script for script in scripts if script.hidden][:4]:
        performance, camera = Performance(script), script.view.camera
        span = script.hidden[0]
        labels = labels_of(script)
        hidden = [piece.interval for piece in labels.labels if piece.hidden]
        assert sum(p.duration_s for p in hidden) == pytest.approx(
            sum(s.duration_s for s in script.hidden), abs=0.01
        )
        for time_s in np.linspace(span.start_s + 0.01, span.end_s - 0.01, 5):
            state = performance.state(float(time_s))
            prop = state.props[-1]
            corners = prop.position + np.array(
                [
                    prop.rotation @ (0.5 * prop.size * [sx, sy, 0])
                    for sx in (-1, 1)
                    for sy in (-1, 1)
                ]
            )
            box, _ = camera.project(corners)
            points = keypoints(state, replace(script.look, mirrored=False), camera)
            assert (points.reshape(-1, 2) > box.min(axis=0)).all()
            assert (points.reshape(-1, 2) < box.max(axis=0)).all()
        before = performance.state(span.start_s - 0.05)
        assert len(before.props) < len(performance.state(span.start_s + 0.05).props)


def test_fewer_frames_can_be_drawn_than_the_clip_has(scripts):
    script = next(
        s for s in scripts if s.view.fps >= 24 and s.view.camera.width <= 640 and not s.view.jitter
    )
    times = clip_times(script)
    inside = times[(times >= 1.0) & (times < 1.5)]
    drawn = [time for time, _, _ in frames(script, 1.0, 1.5, most_fps=6.0)]
    assert set(drawn) <= set(inside.tolist())
    assert 3 <= len(drawn) <= 4 < len(inside)
    assert min(np.diff(drawn)) > 1 / 6.0 - 2e-3


def test_hidden_spans_lie_inside_the_wash(scripts):
    for script in scripts:
        washing = [
            span
            for span, part in zip(script.spans, script.parts, strict=True)
            if part.phase is Phase.WASH
        ]
        whole = Interval(washing[0].start_s, washing[-1].end_s)
        assert all(whole.intersect(span) == span for span in script.hidden)
