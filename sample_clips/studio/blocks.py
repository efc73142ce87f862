"""The building blocks of an exchange: the parts of each phase, and the slips in between.

Parts are written for a right-handed person; `ExchangeScript.left_handed` reflects them. All
choices come from the setting's seeded generator.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from review.timeline import Phase, Surface
from sample_clips.studio import motions as mo
from sample_clips.studio.rubbing import dispenser
from sample_clips.studio.scene import Prop
from sample_clips.studio.script import HEAD_CENTRE, Event, Part

RUB_BOTTLE = (0.30, 0.0, 0.16)
"""Where the bottle of hand rub stands, world metres."""

LEAD_S = 0.45
"""Usual time of the way from one movement into the next."""

LATHER = (0.28, 0.28, 0.26, 0.18, 0.12, 0.07)
"""Most lather by skin tone. Drawn lather is flat white; more of it on dark skin hides the hand
from the tracker (found by trying tones and amounts on one wash), as real thin lather would not."""

AREA = (-0.26, 0.17, 0.165, 0.495)
"""The work surface that is wiped: x0, x1, z0, z1 on the table, metres."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One person at one place: habits, handling of the line, and where things stand.

    tempo_hz: strokes a second. lather: most of the skin that soap ever covers, 0..1.
    """

    rng: np.random.Generator
    habit: mo.Habit
    line: mo.Line
    sink: float
    tempo_hz: float
    lather: float

    @property
    def tap(self) -> tuple[float, float, float]:
        """Where the water falls."""
        return (0.42 * self.sink, 0.14, 0.34)

    @property
    def basin(self) -> tuple[float, float, float]:
        """Where the hands rub over the basin's edge."""
        return (0.25 * self.sink, 0.14, 0.34)

    def seed(self) -> int:
        """A fresh seed for one motion."""
        return int(self.rng.integers(1 << 20))

    def between(self, low: float, high: float) -> float:
        """A number drawn evenly."""
        return float(self.rng.uniform(low, high))

    @property
    def soap_place(self) -> tuple[float, float, float]:
        """The soap stands behind the basin, or within the left hand's reach of it."""
        return (0.38, 0.0, 0.18) if self.sink > 0 else (-0.20, 0.0, 0.165)


# ---------------------------------------------------------------- hand hygiene


def _surface_order(setting: Setting, surfaces: Sequence[Surface]) -> list[Surface]:
    """Palms mostly first, left and right of a kind mostly together, else people differ."""
    groups: dict[str, list[Surface]] = {}
    for surface in surfaces:
        groups.setdefault(surface.value.removesuffix("_left").removesuffix("_right"), []).append(
            surface
        )
    names = list(groups)
    if setting.rng.random() < 0.6:
        tail = [name for name in names if name != "palms"]
        setting.rng.shuffle(tail)
        names = (["palms"] if "palms" in names else []) + tail
    order: list[Surface] = []
    for name in names:
        pair = list(groups[name])
        if setting.rng.random() < 0.5:
            pair.reverse()
        order += pair
    return order


def _rub(
    setting: Setting, phase: Phase, surface: Surface, strokes: int, tempo_hz: float, foam: float
) -> Part:
    rng = setting.rng
    tempo = float(np.clip(tempo_hz * rng.uniform(0.88, 1.12), 0.8, 3.0))
    centre = setting.basin if phase == Phase.WASH else mo.FIELD
    circular = surface == Surface.PALMS and rng.random() < 0.3
    motion = mo.RubMotion(
        surface, strokes / tempo, tempo, setting.habit, centre,
        "circular" if circular else "to_and_fro", bool(rng.random() < 0.4), setting.seed(),
    )  # fmt: skip
    return Part(phase, surface.value, motion, strokes=strokes, foam=foam)


def _pause(setting: Setting, phase: Phase, foam: float) -> Part:
    centre = setting.basin if phase == Phase.WASH else mo.FIELD
    motion = mo.pause(
        setting.between(0.9, 2.2), setting.habit, bool(setting.rng.random() < 0.5), centre,
        setting.seed(),
    )  # fmt: skip
    return Part(phase, "pause", motion, foam=foam)


def _rubbing(
    setting: Setting,
    phase: Phase,
    surfaces: list[Surface],
    seconds: float,
    foam: float,
    full: bool,
) -> list[Part]:
    """Rubbing of the given surfaces in about `seconds`, with second visits where time is left.

    `full` asks for at least five strokes on every first visit.
    """
    count = len(surfaces)
    tempo, strokes = setting.tempo_hz, 5
    room = max(seconds - count * LEAD_S, 0.5 * count)
    if full:
        # Slow people take their time, but not more than the time there is.
        tempo = max(tempo, 5 * count / room)
        strokes = int(np.clip(tempo * room / count, 5, 8))
    else:
        strokes = int(np.clip(round(tempo * room / count), 2, 6))
        tempo = max(tempo, strokes * count / room)
    tempo = min(tempo, 2.9)
    parts = []
    for surface in surfaces:
        extra = int(setting.rng.integers(0, 2)) if full else 0
        parts.append(_rub(setting, phase, surface, strokes + extra, tempo, foam))
    left = seconds - sum(part.duration_s + LEAD_S for part in parts)
    again = list(surfaces)
    setting.rng.shuffle(again)
    for surface in again:
        more = 5 / tempo + LEAD_S
        if left < more or not full:
            break
        if surface.value != parts[-1].step:
            parts.append(_rub(setting, phase, surface, 5, tempo, foam))
            left -= more
    return parts


def wash_parts(
    setting: Setting, short: bool = False, left_out: int = 0, rub_s: float | None = None
) -> list[Part]:
    """Wet, soap, rub, rinse, dry: 40-60 s in all; under 20 s with few surfaces when `short`.

    `left_out` of the nine surfaces (never the palms) are not rubbed at all. `rub_s`: seconds of
    rubbing, for people who take more or less time than usual.
    """
    rng, habit = setting.rng, setting.habit
    surfaces = list(Surface)
    if short:
        surfaces = [Surface.PALMS, *rng.permutation(np.array(surfaces[1:7]))[:1]]
        surfaces = [Surface(name) for name in surfaces]
    elif left_out:
        out = set(rng.choice(len(surfaces) - 1, left_out, replace=False) + 1)
        surfaces = [surface for i, surface in enumerate(surfaces) if i not in out]
    foam = setting.lather * setting.between(0.2, 1.0)
    seconds = setting.between(4.0, 5.0) if short else setting.between(22.5, 27.0)
    seconds = seconds if rub_s is None else rub_s
    rubbing = _rubbing(
        setting, Phase.WASH, _surface_order(setting, surfaces), seconds, foam, full=not short
    )
    if not short:
        for _ in range(int(rng.integers(0, 3))):
            rubbing.insert(int(rng.integers(1, len(rubbing))), _pause(setting, Phase.WASH, foam))
    low, high = (1.6, 2.0) if short else (2.4, 3.8)
    wash = Phase.WASH
    before = [
        Part(wash, "wet", mo.wet(setting.between(low, high), habit, setting.tap, setting.seed()),
             water=True),
        Part(wash, "soap", mo.soap(habit, setting.soap_place, 1 if short else
                                   int(rng.integers(1, 3)), setting.basin, setting.seed()),
             foam=0.3 * setting.lather),
        *rubbing,
        Part(wash, "rinse", mo.rinse(setting.between(low, high + 1), habit, setting.tap,
                                     setting.seed()), water=True),
    ]  # fmt: skip
    drying = setting.between(2.0, 2.4)
    if not short:
        # Drying takes what is left of the 43-49 s that this person's wash lasts.
        drying = float(np.clip(setting.between(42.5, 49.0) - total_s(before), 3.2, 8.0))
    towel = mo.dry(drying, habit, (0.12 * setting.sink, 0.14, 0.36), setting.seed())
    return [*before, Part(wash, "dry", towel)]


def total_s(parts: Sequence[Part]) -> float:
    """Seconds of parts that are still to be joined, the ways in between included."""
    return sum(part.duration_s + LEAD_S for part in parts)


def rub_parts(setting: Setting, short: bool) -> list[Part]:
    """A hand rub: 20-30 s with taking it from the bottle, or well under 15 s."""
    surfaces = list(Surface)
    if short:
        surfaces = surfaces[:2] + surfaces[3:4]
    seconds = setting.between(4.0, 6.0) if short else setting.between(17.5, 20.0)
    quick = replace(setting, tempo_hz=max(setting.tempo_hz, 1.5))
    parts = [
        Part(Phase.HAND_RUB, "soap", mo.soap(setting.habit, RUB_BOTTLE, 1, mo.FIELD,
                                             setting.seed())),
        *_rubbing(quick, Phase.HAND_RUB, _surface_order(setting, surfaces), seconds, 0.0, False),
    ]  # fmt: skip
    while not short and total_s(parts) < 21.2:
        again = Surface(str(setting.rng.choice([s for s in surfaces if s != parts[-1].step])))
        parts.append(_rub(quick, Phase.HAND_RUB, again, 3, quick.tempo_hz, 0.0))
    return parts


# ---------------------------------------------------------------- surface and line


def prep_parts(setting: Setting, again: bool) -> list[Part]:
    """Wiping the work surface in lanes; `again` goes back over what was clean."""
    rng = setting.rng
    motion = mo.WipeMotion(
        area=AREA,
        back_lanes=int(rng.integers(1, 4)) if again else 0,
        start="far" if rng.random() < 0.7 else "near",
        from_left=bool(rng.random() < 0.5),
        speed_m_s=setting.between(0.14, 0.24),
        habit=setting.habit,
        rest_at=(0.28, 0.28),
        seed=setting.seed(),
    )
    return [
        Part(
            Phase.SURFACE_PREP, "wipe", motion,
            covered=motion.covered_fraction(),
            gone_over_again=motion.gone_over_again_fraction(),
        )
    ]  # fmt: skip


def connect_parts(setting: Setting, slow: bool) -> list[Part]:
    """Take the line, take its cap off, join it to the bag's, twist tight, lay it down."""
    line, rng = setting.line, setting.rng
    twists = int(rng.integers(1, 4))
    opening = mo.expose(line, twists)
    joining = mo.join(line, int(rng.integers(2, 4)) if slow else int(rng.integers(1, 3)))
    return [
        Part(Phase.CONNECT, "expose", mo.pick(line)),
        Part(Phase.CONNECT, "expose", opening,
             line_open=(opening.marks["opens"], opening.duration_s)),
        Part(Phase.CONNECT, "join", joining, line_open=(0.0, joining.duration_s)),
        Part(Phase.CONNECT, "twist", mo.twist(line, setting.between(1.6, 3.0),
                                              seed=setting.seed())),
        Part(Phase.CONNECT, "twist", mo.let_go(line)),
    ]  # fmt: skip


def waiting_parts(setting: Setting, lap: bool) -> list[Part]:
    """Drain, flush, fill, shortened as in practice: bursts of clamp work, quiet in between.

    With `lap` the hands may lie out of view meanwhile; a hand rub must follow then.
    """
    habit, rng = setting.habit, setting.rng
    parts = []
    for step, low, high in (("drain", 2.2, 3.8), ("flush", 0.8, 1.5), ("fill", 1.6, 2.8)):
        parts.append(Part(Phase.WAITING, step, mo.clamp(habit, setting.between(0.5, 1.1),
                                                        seed=setting.seed())))  # fmt: skip
        seconds = setting.between(low, high)
        quiet = mo.rest(seconds, habit, setting.seed())
        if lap and rng.random() < 0.4 and seconds > 2.0:
            quiet = mo.out_of_view(seconds, habit, setting.seed())
        parts.append(Part(Phase.WAITING, step, quiet))
        if step == "drain" and rng.random() < 0.25:
            parts.append(Part(Phase.WAITING, step, mo.scratch(habit, seed=setting.seed())))
    return parts


def disconnect_parts(setting: Setting) -> list[Part]:
    """Undo the joint, part the ends, cap the line, lay it down."""
    line = setting.line
    apart = setting.between(0.15, 0.23)
    twists = int(setting.rng.integers(1, 4))
    parting, capping = mo.part(line, apart), mo.cap(line, apart, twists)
    return [
        Part(Phase.DISCONNECT, "undo", mo.take_joint(line)),
        Part(Phase.DISCONNECT, "undo", mo.undo(line, setting.between(1.6, 2.8),
                                               seed=setting.seed())),
        Part(Phase.DISCONNECT, "part", parting, line_open=(0.0, parting.duration_s)),
        Part(Phase.DISCONNECT, "cap", capping,
             line_open=(0.0, capping.marks["closes"])),
        Part(Phase.DISCONNECT, "cap", mo.lay_down(line, apart)),
    ]  # fmt: skip


def other_part(setting: Setting, low: float = 0.9, high: float = 1.8, lap: bool = False) -> Part:
    """Something that belongs to no phase: hands at rest, with `lap` also out of view."""
    seconds = setting.between(low, high)
    if lap and setting.rng.random() < 0.35:
        return Part(Phase.OTHER, "rest", mo.out_of_view(seconds, setting.habit, setting.seed()))
    return Part(Phase.OTHER, "rest", mo.rest(seconds, setting.habit, setting.seed()))


def face_part(setting: Setting, phase: Phase, step: str) -> Part:
    """A hand to the face and back."""
    where: Literal["cheek", "nose", "forehead", "chin"]
    where = setting.rng.choice(["cheek", "nose", "forehead", "chin"])
    motion = mo.hand_to_face(
        setting.habit, where, setting.between(1.0, 2.2), HEAD_CENTRE, seed=setting.seed()
    )
    event = Event("hand_to_face", motion.marks["touch"], motion.marks["away"])
    return Part(phase, step, motion, events=(event,))


def leave_part(setting: Setting, phase: Phase = Phase.OTHER, step: str = "leave") -> Part:
    """A hand far off to the side, to a phone or a drawer, and back."""
    rng = setting.rng
    motion = mo.leave(
        setting.habit,
        (-setting.between(0.5, 0.62), 0.03, setting.between(0.26, 0.36)),
        away_s=setting.between(1.6, 3.0),
        thing="phone" if rng.random() < 0.5 else "none",
        seed=setting.seed(),
    )
    event = Event("leave", motion.marks["gone"], motion.marks["back"])
    return Part(phase, step, motion, events=(event,))


def handles_line(part: Part) -> bool:
    """Whether the part's own motion draws the line."""
    return any(prop.kind == "tube" for prop in part.motion.sample(0.0).props)


def furnished(setting: Setting, parts: Sequence[Part]) -> list[Part]:
    """The same parts with what stands or lies about: bottles always, the line once it is out.

    The line lies ready after the surface is prepared (or from just before connect), joined
    while waiting, capped after disconnect. Parts that handle the line draw it themselves.
    """
    line = setting.line
    ready = mo.pick(line).sample(0.0).props
    let_go, laid = mo.let_go(line), mo.lay_down(line)
    joint = let_go.sample(let_go.duration_s).props
    capped = laid.sample(laid.duration_s).props
    bottles = (*dispenser(np.array(setting.soap_place)), *dispenser(np.array(RUB_BOTTLE)))
    phases = [part.phase for part in parts]
    made = []
    for index, part in enumerate(parts):
        before, after = phases[:index], phases[index:]
        lying: tuple[Prop, ...] = ()
        if Phase.DISCONNECT in before:
            lying = capped
        elif Phase.CONNECT in before:
            lying = joint
        elif Phase.CONNECT in after and Phase.SURFACE_PREP not in after:
            lying = ready if Phase.WASH not in after else ()
        if part.phase == Phase.SURFACE_PREP or handles_line(part):
            lying = ()
        made.append(replace(part, still=(*bottles, *lying)))
    return made
