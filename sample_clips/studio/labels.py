"""The truth of a clip, read off its script, in the label format of `sample_clips/README.md`.

Nothing here looks at pictures. The flags are those an ideal reviewer would raise, and follow
from what the script *does*, not from the name of a planted fault:

- `wash_short`: a wash whose whole span is under 20 s (NHS and CDC advice to the public).
- `wash_surface_missed`: a wash in which one of the nine surfaces is rubbed for under 1.5 s.
- `surface_rewiped`: over 20 % of the work surface gone over again (common practice, no source).
- `surface_area_missed`: under 80 % of the work surface wiped (common practice, no source).
- `hand_rub_missing`: no hand rub between a line phase (connect, disconnect) and the phase
  before it; the span is the line phase. `hand_rub_short`: that rub is under 15 s (WHO 2009 asks
  20-30 s; under 15 s is worth a look).
- `hand_to_face`: a hand at the face when the next of {wash, rub, connect, disconnect} is a line
  phase, or inside one; a new rub or wash heals it. `left_clean_field`: the same for a hand far
  off to the side, but only after the first wash or rub and before connect.
- `talking_near_open_line`: talking for at least 0.5 s inside an open-line window while the
  mouth can be seen (no mask, face towards the camera and in the picture).
- `phase_missing`: a required phase that never happens; the span is the whole clip.
- `phase_out_of_order`: a required phase that comes after a later one has begun.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from review.timeline import Interval, Phase, Surface, merge_intervals
from sample_clips.studio.head import HEAD_HEIGHT_M
from sample_clips.studio.motions import MirroredWipe
from sample_clips.studio.rubbing import RubMotion
from sample_clips.studio.script import ExchangeScript, Led, Part, Performance
from sample_clips.studio.wiping import WipeMotion

WASH_SHORT_S = 20.0
RUB_SHORT_S = 15.0
MIN_SURFACE_S = 1.5
REWIPED_SHARE = 0.2
COVERED_SHARE = 0.8
MIN_TALKING_S = 0.5
MAX_YAW_DEG = 50.0
MAX_PITCH_DEG = 40.0
"""A mouth turned further from the camera than this counts as hidden (common practice)."""

ROUND_STROKES = 5
"""Strokes that make one round of a surface (EN 1499 / EN 1500 technique; from memory)."""

ORDER = (Phase.WASH, Phase.SURFACE_PREP, Phase.CONNECT, Phase.WAITING, Phase.DISCONNECT)
LINE_PHASES = (Phase.CONNECT, Phase.DISCONNECT)
SURFACES = frozenset(surface.value for surface in Surface)
Timed = tuple[Interval, Part]


def true_step(part: Part, left_handed: bool) -> str:
    """The step as the camera sees it: a left-handed person swaps left and right surfaces."""
    if left_handed and part.step in SURFACES:
        return Surface(part.step).other_side.value
    return part.step


def phase_runs(script: ExchangeScript) -> list[tuple[Phase, Interval, list[Timed]]]:
    """Neighbouring parts of one phase joined, in order."""
    runs: list[tuple[Phase, Interval, list[Timed]]] = []
    for span, part in zip(script.spans, script.parts, strict=True):
        if runs and runs[-1][0] == part.phase:
            phase, interval, timed = runs[-1]
            runs[-1] = (phase, Interval(interval.start_s, span.end_s), [*timed, (span, part)])
        else:
            runs.append((part.phase, span, [(span, part)]))
    return runs


def _shared(first: Iterable[Interval], second: Iterable[Interval]) -> list[Interval]:
    others = list(second)
    return [c for a in first for b in others if (c := a.intersect(b)) is not None]


def talking_spans(script: ExchangeScript) -> tuple[Interval, ...]:
    """When the person speaks, seen or not."""
    inside = Interval(0.0, script.duration_s)
    spans = (event.span.intersect(inside) for event in script.mouth if event.kind == "talking")
    return merge_intervals(span for span in spans if span is not None)


def open_line_windows(script: ExchangeScript) -> list[tuple[Phase, Interval]]:
    """Line phase and span of every time the line's end is open to the air."""
    windows = []
    for phase, _, timed in phase_runs(script):
        opened = [
            Interval(span.start_s + part.line_open[0], span.start_s + part.line_open[1])
            for span, part in timed
            if part.line_open is not None
        ]
        windows += [(phase, span) for span in merge_intervals(opened, 1e-6)]
    return windows


def event_spans(script: ExchangeScript) -> list[tuple[Interval, str, int]]:
    """Span and name of every event, and the index of its part."""
    return [
        (Interval(span.start_s + event.start_s, span.start_s + event.end_s), event.name, index)
        for index, (span, part) in enumerate(zip(script.spans, script.parts, strict=True))
        for event in part.events
    ]


def mouth_visible_spans(script: ExchangeScript, hop_s: float = 0.25) -> tuple[Interval, ...]:
    """When the mouth is bare, turned to the camera, inside the picture and not behind a hand."""
    if script.mask:
        return ()
    performance, camera = Performance(script), script.view.camera
    hidden = [span for span, name, _ in event_spans(script) if name == "hand_to_face"]
    spans = []
    for start in np.arange(0.0, script.duration_s, hop_s):
        span = Interval(float(start), float(min(start + hop_s, script.duration_s)))
        state = performance.state(span.start_s)
        if state.head is None or any(span.intersect(other) for other in hidden):
            continue
        head = state.head
        towards = np.asarray(camera.eye) - head.centre
        yaw = np.degrees(np.arctan2(towards[0], towards[2]) - head.yaw)
        pitch = np.degrees(np.arctan2(towards[1], np.hypot(towards[0], towards[2])) + head.pitch)
        box = head.centre + HEAD_HEIGHT_M * np.array(
            [[0, 0.3, 0], [0, -0.5, 0], [-0.3, 0, 0], [0.3, 0, 0]]
        )
        pixels, depth = camera.project(box)
        framed = (pixels >= 0) & (pixels < [camera.width, camera.height])
        turned_here = abs(yaw) <= MAX_YAW_DEG and abs(pitch) <= MAX_PITCH_DEG
        if turned_here and (depth > 0).all() and framed.all():
            spans.append(span)
    return merge_intervals(spans, 1e-6)


# ---------------------------------------------------------------- flags


def _flag(kind: str, span: Interval) -> dict[str, Any]:
    return {"kind": kind, "start_s": round(span.start_s, 4), "end_s": round(span.end_s, 4)}


def surface_table(script: ExchangeScript, timed: list[Timed]) -> dict[str, dict[str, float]]:
    """Seconds, strokes and rounds of each of the nine surfaces in one wash or rub."""
    table: dict[str, dict[str, float]] = {
        surface.value: {"seconds": 0.0, "strokes": 0, "rounds": 0} for surface in Surface
    }
    for span, part in timed:
        step = true_step(part, script.left_handed)
        if step in table:
            row = table[step]
            row["seconds"] = round(row["seconds"] + span.duration_s, 4)
            row["strokes"] += part.strokes
            row["rounds"] += int(part.strokes >= ROUND_STROKES)
    return table


def _hygiene_flags(script: ExchangeScript) -> list[dict[str, Any]]:
    runs = phase_runs(script)
    flags = []
    for phase, span, timed in runs:
        if phase != Phase.WASH:
            continue
        if span.duration_s < WASH_SHORT_S:
            flags.append(_flag("wash_short", span))
        table = surface_table(script, timed)
        missed = [name for name, row in table.items() if row["seconds"] < MIN_SURFACE_S]
        if missed:
            flags.append(_flag("wash_surface_missed", span) | {"surfaces": missed})
    for phase, span, rub in rubs_before_line(script):
        if rub is None:
            flags.append(_flag("hand_rub_missing", span) | {"before": phase.value})
        elif rub.duration_s < RUB_SHORT_S:
            flags.append(_flag("hand_rub_short", rub) | {"before": phase.value})
    return flags


def rubs_before_line(script: ExchangeScript) -> list[tuple[Phase, Interval, Interval | None]]:
    """Each line phase, its span, and the hand rub since the phase before it, if any."""
    found: list[tuple[Phase, Interval, Interval | None]] = []
    rub: Interval | None = None
    for phase, span, _ in phase_runs(script):
        if phase == Phase.HAND_RUB:
            rub = span
        elif phase in LINE_PHASES:
            found.append((phase, span, rub))
            rub = None
        elif phase != Phase.OTHER:
            rub = None
    return found


def _touch_flags(script: ExchangeScript) -> list[dict[str, Any]]:
    phases = [part.phase for part in script.parts]
    deciding = (Phase.WASH, Phase.HAND_RUB, *LINE_PHASES)
    flags = []
    for span, name, index in event_spans(script):
        before = phases[:index]
        following = [phase for phase in phases[index:] if phase in deciding]
        if not following or following[0] not in LINE_PHASES:
            continue
        cleaned = Phase.WASH in before or Phase.HAND_RUB in before
        if name == "hand_to_face":
            flags.append(_flag("hand_to_face", span))
        elif name == "leave" and cleaned and Phase.CONNECT not in before:
            flags.append(_flag("left_clean_field", span))
    return flags


def _order_flags(script: ExchangeScript) -> list[dict[str, Any]]:
    runs = [(phase, span) for phase, span, _ in phase_runs(script) if phase in ORDER]
    flags = []
    furthest = -1
    for phase, span in runs:
        place = ORDER.index(phase)
        if place < furthest:
            flags.append(_flag("phase_out_of_order", span) | {"phase": phase.value})
        furthest = max(furthest, place)
    whole = Interval(0.0, script.duration_s)
    for phase in ORDER:
        if phase not in {found for found, _ in runs}:
            flags.append(_flag("phase_missing", whole) | {"phase": phase.value})
    return flags


def true_flags(script: ExchangeScript, seen: Iterable[Interval]) -> list[dict[str, Any]]:
    """The flags an ideal reviewer would raise, in order of time; none for other activity.

    `seen`: when the mouth can be seen (`mouth_visible_spans`).
    """
    if script.kind != "exchange":
        return []
    flags = _hygiene_flags(script) + _touch_flags(script) + _order_flags(script)
    for span, part in zip(script.spans, script.parts, strict=True):
        if (part.gone_over_again or 0.0) > REWIPED_SHARE:
            flags.append(_flag("surface_rewiped", span))
        if part.covered is not None and part.covered < COVERED_SHARE:
            flags.append(_flag("surface_area_missed", span))
    seen = list(seen)
    for _, window in open_line_windows(script):
        spans = _shared(_shared(talking_spans(script), [window]), seen)
        flags += [
            _flag("talking_near_open_line", span)
            for span in merge_intervals(spans, 1.0)
            if span.duration_s >= MIN_TALKING_S
        ]
    return sorted(flags, key=lambda flag: (flag["start_s"], flag["kind"]))


# ---------------------------------------------------------------- the document


def _pieces(script: ExchangeScript) -> list[dict[str, Any]]:
    talking, events = talking_spans(script), event_spans(script)
    inner = sorted(
        {edge for t in (*talking, *script.hidden) for edge in (t.start_s, t.end_s)}
        | {edge for span, _, _ in events for edge in (span.start_s, span.end_s)}
    )
    pieces = []
    for span, part in zip(script.spans, script.parts, strict=True):
        edges = [span.start_s, *(e for e in inner if span.start_s < e < span.end_s), span.end_s]
        rounded = sorted({round(edge, 4) for edge in edges})
        for start, end in pairwise(rounded):
            middle = 0.5 * (start + end)
            piece: dict[str, Any] = {
                "start_s": start,
                "end_s": end,
                "phase": part.phase.value,
                "step": true_step(part, script.left_handed),
                "talking": any(t.contains(middle) for t in talking),
                "events": [name for happening, name, _ in events if happening.contains(middle)],
            }
            if part.strokes:
                piece["strokes"] = round(
                    strokes_between(part, start - span.start_s, end - span.start_s), 3
                )
            if any(t.contains(middle) for t in script.hidden):
                piece["hidden"] = True
            pieces.append(piece)
    return pieces


def strokes_between(part: Part, start_s: float, end_s: float) -> float:
    """Strokes of a rubbing part between two times counted from its start; none on the way in."""
    motion, lead_s = part.motion, 0.0
    if isinstance(motion, Led):
        motion, lead_s = motion.motion, motion.lead.duration_s
    if not isinstance(motion, RubMotion):
        return 0.0
    first, last = (min(max(t - lead_s, 0.0), motion.duration_s) for t in (start_s, end_s))
    return motion.strokes(first, last)


def _touches(script: ExchangeScript) -> list[dict[str, Any]]:
    """Every time a hand is at the face, with the person's own hand; whether it matters or not."""
    hand = "left" if script.left_handed else "right"
    return [
        {"start_s": round(span.start_s, 4), "end_s": round(span.end_s, 4), "hand": hand}
        for span, name, _ in event_spans(script)
        if name == "hand_to_face"
    ]


def _pairs(spans: Iterable[Interval]) -> list[list[float]]:
    return [[round(span.start_s, 4), round(span.end_s, 4)] for span in spans]


def _wiped(script: ExchangeScript) -> dict[str, Any] | None:
    """Shares and corners of the work surface, or None where nothing was wiped."""
    wipes = [part for part in script.parts if part.covered is not None]
    if not wipes:
        return None
    most = max(wipes, key=lambda part: part.covered or 0.0)
    return {
        "covered": round(max(part.covered or 0.0 for part in wipes), 4),
        "gone_over_again": round(max(part.gone_over_again or 0.0 for part in wipes), 4),
        "gone_back": round(max(_wiping(part)[0].gone_back_fraction() for part in wipes), 4),
        "corners": _corners(most, script),
    }


def _wiping(part: Part) -> tuple[WipeMotion, bool]:
    """The wiping of a part, and whether it is done in the mirror (by a left-handed person)."""
    motion = part.motion.motion if isinstance(part.motion, Led) else part.motion
    if isinstance(motion, MirroredWipe):
        return motion.inner, True
    assert isinstance(motion, WipeMotion)
    return motion, False


def _corners(part: Part, script: ExchangeScript) -> list[list[float]]:
    """The work area's four corners in order around it, picture widths, unmirrored picture."""
    motion, reflected = _wiping(part)
    x0, x1, z0, z1 = motion.area
    # A left-handed person's scene is the reflection of a right-handed one's, the area with it.
    if reflected != script.left_handed:
        x0, x1 = -x1, -x0
    camera = script.view.camera
    points = np.array([[x0, 0.0, z0], [x1, 0.0, z0], [x1, 0.0, z1], [x0, 0.0, z1]])
    pixels, _ = camera.project(points)
    return [[round(float(value), 4) for value in row] for row in (pixels + 0.5) / camera.width]


def label_document(script: ExchangeScript) -> dict[str, Any]:
    """The whole label document of one clip, ready for `json.dump`."""
    look, view = script.look, script.view
    seen = mouth_visible_spans(script)
    washes = [(s, t) for phase, s, t in phase_runs(script) if phase == Phase.WASH]
    wash_parts = [timed for _, parts in washes for timed in parts]
    rubbing = sum(span.duration_s for span, part in wash_parts if part.step in SURFACES)
    return {
        "duration_s": round(script.duration_s, 4),
        "labels": _pieces(script),
        "clip": {
            "name": script.name,
            "seed": script.seed,
            "kind": script.kind,
            "skin_tone": look.skin_tone,
            "handed": "left" if script.left_handed else "right",
            "mirrored": look.mirrored,
            "mask": script.mask,
            "viewpoint": view.name,
            "elevation_deg": round(view.elevation_deg, 1),
            "distance_m": round(view.distance_m, 2),
            "light": round(look.light, 2),
            "noise": round(look.noise, 1),
            "geometry": look.hand_kind,
            "fps": view.fps,
            "width": view.camera.width,
            "height": view.camera.height,
            "shutter": view.shutter,
            "tempo_hz": script.tempo_hz,
            "faults": list(script.faults),
        },
        "flags": true_flags(script, seen),
        "wash": {
            "whole_s": round(sum(span.duration_s for span, _ in washes), 4),
            "rubbing_s": round(rubbing, 4),
            "surfaces": surface_table(script, wash_parts),
        },
        "rubs": [
            {"before": phase.value, "seconds": round(rub.duration_s, 4) if rub else 0.0}
            for phase, _, rub in rubs_before_line(script)
        ],
        "surface": _wiped(script),
        "open_line": [
            {"phase": phase.value, "start_s": round(span.start_s, 4), "end_s": round(span.end_s, 4)}
            for phase, span in open_line_windows(script)
        ],
        "touches": _touches(script),
        "talking": _pairs(talking_spans(script)),
        "mouth_visible": _pairs(seen),
    }


def write_labels(document: dict[str, Any], path: Path) -> None:
    """Write one label document; the file appears only when it is complete."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        partial.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
