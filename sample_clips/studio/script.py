"""The scene script: timed parts, what the mouth does, and the state of every moment.

A script is plain data. `Performance` turns it into `FrameState`s: it joins the motions of the
parts smoothly, moves the head and the mouth, and mirrors the whole scene for a left-handed
person. Times are seconds from the start of the clip, spans half-open; world as in `skeleton`.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from review.timeline import Interval, Phase
from sample_clips.studio.camera import Camera
from sample_clips.studio.motions import Moment, Motion, blend, mirror_moment
from sample_clips.studio.scene import FrameState, HeadState, Look, Prop
from sample_clips.studio.skeleton import HandPose

Floats = NDArray[np.float64]
MouthKind = Literal["talking", "smile", "yawn", "cough", "lick", "chew"]

MOUTH_RATE_HZ = 100.0
"""Rate at which the mouth's course is laid down before it is read at frame times."""

HEAD_CENTRE = (0.0, 0.62, 0.10)
"""Where the head is when nothing moves, world metres: bent a little over the work."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens inside a part; seconds into the part."""

    name: Literal["hand_to_face", "leave"]
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One action of the hands.

    Attributes:
        phase, step: what it is; steps as in the label format.
        motion: the hands' course; the part lasts `motion.duration_s`.
        strokes: whole movements to and fro, for rubbing parts, else 0.
        events: what happens in it beside the step.
        line_open: from and until how many seconds into the part the line's end is open to the
            air, or None.
        foam, wet, water: lather 0..1, shine of wet skin 0..1, tap running.
        still: things that stand or lie about and are no part of the motion.
        covered, gone_over_again: for wiping parts, shares (0..1) of the work surface.
    """

    phase: Phase
    step: str
    motion: Motion
    strokes: int = 0
    events: tuple[Event, ...] = ()
    line_open: tuple[float, float] | None = None
    foam: float = 0.0
    wet: float = 0.0
    water: bool = False
    still: tuple[Prop, ...] = ()
    covered: float | None = None
    gone_over_again: float | None = None

    @property
    def duration_s(self) -> float:
        """Seconds the part lasts."""
        return float(self.motion.duration_s)


@dataclass(frozen=True, slots=True)
class MouthEvent:
    """One thing the mouth does; only "talking" counts as talking."""

    kind: MouthKind
    span: Interval
    seed: int = 0


@dataclass(frozen=True, slots=True)
class View:
    """How the clip is recorded.

    `elevation_deg`: camera above the horizon of the scene. `shutter`: share of the time between
    two frames in which light is gathered, 0..1; 0 gives pictures without motion blur.
    """

    name: str
    elevation_deg: float
    distance_m: float
    camera: Camera
    fps: float = 15.0
    jitter: float = 0.0
    crf: int = 26
    shutter: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class ExchangeScript:
    """Everything that one clip shows; the same script gives the same pictures.

    Attributes:
        parts: in order, without gaps.
        mouth: events that may overlap nothing of their own.
        mask: whether the person wears a face mask.
        left_handed: the whole scene is reflected in X (parts are written right-handed).
        faults: names of the planted faults.
        hidden: spans in which something stands between the camera and the hands.
        tempo_hz: the person's usual strokes a second, where it was chosen.
    """

    name: str
    seed: int
    kind: Literal["exchange", "wash", "other_activity"]
    parts: tuple[Part, ...]
    mouth: tuple[MouthEvent, ...]
    look: Look
    view: View
    mask: bool = False
    left_handed: bool = False
    faults: tuple[str, ...] = ()
    hidden: tuple[Interval, ...] = ()
    tempo_hz: float | None = None

    @property
    def spans(self) -> tuple[Interval, ...]:
        """The span of each part."""
        edges = np.concatenate([[0.0], np.cumsum([part.duration_s for part in self.parts])])
        return tuple(Interval(float(a), float(b)) for a, b in pairwise(edges))

    @property
    def duration_s(self) -> float:
        """Seconds of the whole clip."""
        return self.spans[-1].end_s


# ---------------------------------------------------------------- the mouth


def _bump(course: Floats, start: float, width: float, height: float) -> None:
    """Raise `course` (100 Hz) by one smooth opening."""
    first = round(start * MOUTH_RATE_HZ)
    count = max(2, round(width * MOUTH_RATE_HZ))
    shape = height * np.sin(np.linspace(0, np.pi, count)) ** 2
    last = min(first + count, course.size)
    if last > max(first, 0):
        course[max(first, 0) : last] = np.maximum(
            course[max(first, 0) : last], shape[max(first, 0) - first : last - first]
        )


def _talk(course: Floats, span: Interval, rng: np.random.Generator) -> None:
    """Phrases of 1-3 s of syllables at 3-6 Hz, with short breaths between them.

    Syllable rate: 3-6 a second is the usual range of speech (common knowledge, no source).
    """
    at, loud = span.start_s, rng.uniform(0.8, 1.25)
    while at < span.end_s - 0.15:
        phrase_end = min(at + rng.uniform(1.0, 3.0), span.end_s)
        rate = rng.uniform(3.2, 5.6)
        while at < phrase_end - 0.1:
            width = min(1 / np.clip(rate * rng.uniform(0.8, 1.25), 3.0, 6.0), span.end_s - at)
            height = loud * float(rng.choice([0.1, 0.2, 0.3, 0.42], p=[0.15, 0.3, 0.35, 0.2]))
            _bump(course, at, width * rng.uniform(0.85, 1.0), height * rng.uniform(0.85, 1.15))
            at += width
        at += rng.uniform(0.2, 0.55)


def _distract(opening: Floats, smile: Floats, event: MouthEvent, rng: np.random.Generator) -> None:
    """Mouth movements that are no speech."""
    start, length = event.span.start_s, event.span.duration_s
    match event.kind:
        case "smile":
            # Held, with the lips a little apart all the while.
            for course, height in ((smile, rng.uniform(0.6, 1.0)), (opening, 0.1)):
                first, last = (round(t * MOUTH_RATE_HZ) for t in (start, event.span.end_s))
                time = np.linspace(0, length, last - first)
                ramp = np.clip(np.minimum(time, length - time) / 0.4, 0, 1)
                part = course[first:last]
                part[:] = np.maximum(part, (height * ramp**2 * (3 - 2 * ramp))[: part.size])
        case "yawn":
            _bump(opening, start, length, rng.uniform(0.8, 1.0))
        case "cough":
            for k in range(int(rng.integers(1, 3))):
                _bump(opening, start + 0.45 * k, min(0.3, length), rng.uniform(0.3, 0.5))
        case "lick":
            _bump(opening, start, length, rng.uniform(0.08, 0.16))
        case "chew":
            period = 1 / rng.uniform(1.0, 1.5)
            for k in range(int(length / period)):
                _bump(opening, start + k * period, period * 0.85, rng.uniform(0.06, 0.1))
        case _:
            raise ValueError(f"no mouth event called {event.kind!r}")


def mouth_course(
    events: tuple[MouthEvent, ...], duration_s: float, seed: int
) -> tuple[Floats, Floats]:
    """Mouth opening and smile (n,), each 0..1 at 100 Hz, over a whole clip.

    At rest the lips are shut but for a slow drift of under 0.02.
    """
    count = int(np.ceil(duration_s * MOUTH_RATE_HZ)) + 2
    rng = np.random.default_rng([seed, 11])
    time = np.arange(count) / MOUTH_RATE_HZ
    phases = rng.uniform(0, 2 * np.pi, 3)
    rates = np.array([0.11, 0.29, 0.7])[:, None]
    rest = 0.008 + 0.003 * np.sin(2 * np.pi * rates * time + phases[:, None]).sum(axis=0)
    opening, smile = rest.copy(), np.zeros(count)
    for event in events:
        own = np.random.default_rng([seed, 12, event.seed])
        if event.kind == "talking":
            _talk(opening, event.span, own)
        else:
            _distract(opening, smile, event, own)
    return np.clip(opening, 0, 1), np.clip(smile, 0, 1)


# ---------------------------------------------------------------- the whole person


@dataclass(frozen=True, slots=True, eq=False)
class Led:
    """A motion with its way in: from where the hands were, over `lead_s`, then `motion`."""

    lead: Motion
    motion: Motion

    @property
    def duration_s(self) -> float:
        """Seconds of both together."""
        return float(self.lead.duration_s + self.motion.duration_s)

    def sample(self, t: float) -> Moment:
        """See `moving.Motion`."""
        if t < self.lead.duration_s:
            return self.lead.sample(t)
        return self.motion.sample(t - self.lead.duration_s)


def joined(parts: list[Part]) -> tuple[Part, ...]:
    """The same parts, each with a smooth way in from the end of the one before.

    The way in takes 0.4-0.8 s (longer over a long way) and belongs to the later part.
    """
    linked = parts[:1]
    for before, part in pairwise(parts):
        end = before.motion.sample(before.motion.duration_s)
        lead = blend(end, part.motion.sample(0.0))
        opened = part.line_open
        if opened is not None:
            # A line that is open at the start of the motion was so on the way in, too.
            begin = opened[0] + lead.duration_s if opened[0] > 0 else 0.0
            opened = (begin, opened[1] + lead.duration_s)
        wait = lead.duration_s
        events = tuple(Event(e.name, e.start_s + wait, e.end_s + wait) for e in part.events)
        motion = Led(lead, part.motion)
        linked.append(replace(part, motion=motion, line_open=opened, events=events))
    return tuple(linked)


class Performance:
    """A script that can be asked for the state at any time."""

    def __init__(self, script: ExchangeScript) -> None:
        self.script = script
        self._starts = [span.start_s for span in script.spans]
        self._opening, self._smile = mouth_course(script.mouth, script.duration_s, script.seed)
        rng = np.random.default_rng([script.seed, 13])
        self._waves = rng.uniform(0.05, 0.35, (6, 2)), rng.uniform(0, 2 * np.pi, (6, 2))
        self._habit_yaw = float(rng.uniform(-0.12, 0.12))
        self._habit_pitch = float(rng.uniform(0.05, 0.28))

    def _wave(self, index: int, time_s: float) -> float:
        rates, phases = self._waves
        return float(np.sin(2 * np.pi * rates[index] * time_s + phases[index]).mean())

    def hands(self, time_s: float) -> tuple[Moment, Part]:
        """Hands and props at a time, and the part they belong to."""
        index = min(max(bisect_right(self._starts, time_s) - 1, 0), len(self._starts) - 1)
        part = self.script.parts[index]
        moment = part.motion.sample(min(max(time_s - self._starts[index], 0.0), part.duration_s))
        moment = replace(moment, props=(*moment.props, *part.still))
        return (mirror_moment(moment) if self.script.left_handed else moment), part

    def head(self, time_s: float, left: HandPose, right: HandPose) -> HeadState:
        """The head at a time: it follows the hands a little, and drifts."""
        at = min(int(time_s * MOUTH_RATE_HZ), self._opening.size - 1)
        towards = 0.5 * (float(left.wrist[0]) + float(right.wrist[0]))
        centre = np.array(HEAD_CENTRE) + [
            0.012 * self._wave(0, time_s),
            0.006 * self._wave(1, time_s),
            0.010 * self._wave(2, time_s),
        ]
        return HeadState(
            centre=centre,
            yaw=float(
                np.clip(self._habit_yaw + 0.45 * towards + 0.10 * self._wave(3, time_s), -0.6, 0.6)
            ),
            pitch=self._habit_pitch + 0.06 * self._wave(4, time_s),
            roll=0.05 * self._wave(5, time_s),
            mouth_open=float(self._opening[at]),
            smile=float(self._smile[at]),
            mask=self.script.mask,
        )

    def state(self, time_s: float, tick: int = 0) -> FrameState:
        """Everything in front of the camera at `time_s`; `tick` is the frame's number."""
        moment, part = self.hands(time_s)
        hiding = tuple(
            screen(self.script.view.camera, moment)
            for span in self.script.hidden
            if span.contains(time_s)
        )
        return FrameState(
            left=moment.left,
            right=moment.right,
            head=self.head(time_s, moment.left, moment.right),
            props=(*moment.props, *hiding),
            foam=part.foam,
            wet=part.wet,
            water=part.water,
            tick=tick,
        )


SCREEN_BGR = (96, 104, 112)


def screen(camera: Camera, moment: Moment) -> Prop:
    """Something plain between the camera and both hands, as if somebody stood in the way.

    It hangs halfway, square to the line of sight, and is broad enough for hands and wrists.
    """
    middle = 0.5 * (np.asarray(moment.left.wrist) + np.asarray(moment.right.wrist))
    eye = np.asarray(camera.eye, dtype=np.float64)
    spread = float(np.linalg.norm(np.asarray(moment.left.wrist) - np.asarray(moment.right.wrist)))
    side = 0.5 * (spread + 0.56)
    axes = camera.rotation.T
    size = np.array([side, side, 0.02])
    return Prop("box", eye + 0.5 * (middle - eye), axes, size, SCREEN_BGR)
