"""An invented unit whose camera, tempo and habits are not those of the shipped training data.

Twenty people, five sessions each. The camera hangs at the side, high up, and shows no face; its
pictures are small and few. People rub slowly, wash three surfaces, let their hands dry in the air
for long after the hand rub, wipe in two broad lanes from the near edge, and fold their hands while
they wait. Its trainers draw the line between phases where this unit teaches it: drying on a towel
is no more part of the wash, taking up and laying down the line are part of nothing, the waiting
begins as soon as the joint is tight, and hands drying in the air are still the hand rub.

``python -m tests.refitunit FOLDER`` draws and tracks what is not there yet: landmarks and labels,
no video. See :mod:`tests.refitstudy`.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from review.timeline import Phase, Surface
from sample_clips import make_clips
from sample_clips.studio import motions as mo
from sample_clips.studio.blocks import (
    AREA,
    LATHER,
    RUB_BOTTLE,
    Setting,
    furnished,
    other_part,
)
from sample_clips.studio.scenery import ViewWish, fit_camera, sample_look
from sample_clips.studio.script import ExchangeScript, Part, View, joined

SEED = 4711
PEOPLE, SESSIONS = 20, 5
FPS = 6.0
SIZE = (320, 240)

TAUGHT = (Surface.PALMS, Surface.BETWEEN_FINGERS, Surface.BACK_LEFT)
"""The surfaces that this unit teaches."""


def name_of(person: int, session: int) -> str:
    """How a session's files are called."""
    return f"unit_{person:02d}_{session}"


def session_script(person: int, session: int) -> ExchangeScript:
    """The script of one session; the same numbers always give the same."""
    who = np.random.default_rng([SEED, person])
    rng = np.random.default_rng([SEED, person, session, 1])
    left_handed = bool(who.random() < 0.2)
    side = 1.0 if who.random() < 0.7 else -1.0
    sink = side * (-1.0 if left_handed else 1.0)
    look = sample_look(who, "left" if sink > 0 else "right", "lofted")
    look = replace(
        look, table_bgr=(150, 160, 158), wall_bgr=(160, 176, 188),
        light=float(who.uniform(0.6, 0.9)), noise=4.0, blur=0.7,
    )  # fmt: skip
    habit = mo.Habit.sample(who, look.shape)
    setting = Setting(
        rng, habit, mo.Line.sample(who, habit), side,
        tempo_hz=float(who.uniform(0.9, 1.25)), lather=LATHER[look.skin_tone - 1],
    )  # fmt: skip
    wish = ViewWish(
        "shelf", 60.0 + float(rng.normal(0, 2.0)), -48.0 + float(rng.normal(0, 3.0)), 0.9,
        float(rng.normal(2.0, 1.5)), face=False,
    )  # fmt: skip
    camera = fit_camera(wish, SIZE, 0.42 * sink)
    away = float(np.linalg.norm(np.subtract(camera.eye, camera.target)))
    return ExchangeScript(
        name=name_of(person, session), seed=int(rng.integers(1 << 31)), kind="exchange",
        parts=joined(furnished(setting, _parts(setting))), mouth=(), look=look,
        view=View("shelf", wish.elevation_deg, away, camera, fps=FPS), left_handed=left_handed,
    )  # fmt: skip


def _parts(setting: Setting) -> list[Part]:
    """One session in order; now and then something is left out, cut short or swapped."""
    rng = setting.rng
    slip = str(
        rng.choice(
            ["none", "wash_short", "no_prep", "swap", "no_rub", "rub_short", "rewipe"],
            p=[0.5, 0.12, 0.08, 0.06, 0.08, 0.08, 0.08],
        )
    )
    parts = [other_part(setting, 0.8, 1.5)]
    blocks = {
        "wash": _wash(setting, slip == "wash_short"),
        "prep": [] if slip == "no_prep" else _prep(setting, slip == "rewipe"),
    }
    for block in ("prep", "wash") if slip == "swap" else ("wash", "prep"):
        parts += blocks[block] + [other_part(setting, 0.8, 1.4)]
    if slip != "no_rub":
        parts += _rub(setting, slip == "rub_short")
    parts += _connect(setting)
    parts += _waiting(setting)
    parts += _disconnect(setting)
    return [*parts, other_part(setting, 0.8, 1.4)]


def _strokes(setting: Setting, phase: Phase, surface: Surface, strokes: int, foam: float) -> Part:
    centre = setting.basin if phase is Phase.WASH else mo.FIELD
    motion = mo.RubMotion(
        surface, strokes / setting.tempo_hz, setting.tempo_hz, setting.habit, centre,
        "to_and_fro", bool(setting.rng.random() < 0.4), setting.seed(),
    )  # fmt: skip
    return Part(phase, surface.value, motion, strokes=strokes, foam=foam)


def _wash(setting: Setting, short: bool) -> list[Part]:
    habit, foam = setting.habit, setting.lather * setting.between(0.2, 0.8)
    surfaces = TAUGHT[:1] if short else TAUGHT
    rubbing = [_strokes(setting, Phase.WASH, surface, 2, foam) for surface in surfaces]
    return [
        Part(Phase.WASH, "wet", mo.wet(setting.between(1.4, 2.0), habit, setting.tap,
                                       setting.seed()), water=True),
        Part(Phase.WASH, "soap", mo.soap(habit, setting.soap_place, 1, setting.basin,
                                         setting.seed()), foam=0.3 * setting.lather),
        *rubbing,
        Part(Phase.WASH, "rinse", mo.rinse(setting.between(1.4, 2.2), habit, setting.tap,
                                           setting.seed()), water=True),
        Part(Phase.OTHER, "reach", mo.dry(setting.between(2.4, 4.0), habit,
                                          (0.12 * setting.sink, 0.14, 0.36), setting.seed())),
    ]  # fmt: skip


def _prep(setting: Setting, again: bool) -> list[Part]:
    motion = mo.WipeMotion(
        area=AREA, lanes=2, back_lanes=1 if again else 0, start="near",
        from_left=bool(setting.rng.random() < 0.5), cloth_m=(0.18, 0.17),
        speed_m_s=setting.between(0.13, 0.18), habit=setting.habit, rest_at=(0.28, 0.28),
        seed=setting.seed(),
    )  # fmt: skip
    return [
        Part(Phase.SURFACE_PREP, "wipe", motion, covered=motion.covered_fraction(),
             gone_over_again=motion.gone_over_again_fraction())
    ]  # fmt: skip


def _rub(setting: Setting, short: bool) -> list[Part]:
    """From the bottle, two surfaces (one when short), then the hands dry apart in the air."""
    habit = setting.habit
    surfaces = [Surface.PALMS] if short else [Surface.PALMS, Surface.BETWEEN_FINGERS]
    drying = setting.between(0.8, 1.2) if short else setting.between(4.8, 7.0)
    return [
        Part(Phase.HAND_RUB, "soap", mo.soap(habit, RUB_BOTTLE, 1, mo.FIELD, setting.seed())),
        *(_strokes(setting, Phase.HAND_RUB, surface, 2, 0.0) for surface in surfaces),
        Part(Phase.HAND_RUB, "pause", mo.pause(drying, habit, False, mo.FIELD, setting.seed())),
    ]


def _connect(setting: Setting) -> list[Part]:
    """One turn for the cap, one try, a short twist."""
    line = setting.line
    opening, joining = mo.expose(line, 1), mo.join(line, 1)
    twist = mo.twist(line, setting.between(1.5, 2.2), seed=setting.seed())
    return [
        Part(Phase.OTHER, "reach", mo.pick(line)),
        Part(Phase.CONNECT, "expose", opening,
             line_open=(opening.marks["opens"], opening.duration_s)),
        Part(Phase.CONNECT, "join", joining, line_open=(0.0, joining.duration_s)),
        Part(Phase.CONNECT, "twist", twist),
        Part(Phase.WAITING, "drain", mo.let_go(line)),
    ]  # fmt: skip


def _disconnect(setting: Setting) -> list[Part]:
    line = setting.line
    apart = setting.between(0.15, 0.2)
    undoing = mo.undo(line, setting.between(1.5, 2.2), seed=setting.seed())
    parting, capping = mo.part(line, apart), mo.cap(line, apart, 1)
    return [
        Part(Phase.DISCONNECT, "undo", mo.take_joint(line)),
        Part(Phase.DISCONNECT, "undo", undoing),
        Part(Phase.DISCONNECT, "part", parting, line_open=(0.0, parting.duration_s)),
        Part(Phase.DISCONNECT, "cap", capping, line_open=(0.0, capping.marks["closes"])),
        Part(Phase.OTHER, "reach", mo.lay_down(line, apart)),
    ]


def _waiting(setting: Setting) -> list[Part]:
    """Clamp work, and folded hands in between."""
    clamp = mo.clamp(setting.habit, setting.between(0.5, 0.9), seed=setting.seed())
    folded = mo.pause(setting.between(2.4, 4.4), setting.habit, True, mo.FIELD, setting.seed())
    return [Part(Phase.WAITING, "drain", clamp), Part(Phase.WAITING, "drain", folded)]


def draw(folder: Path) -> None:
    """Draw and track every session that the folder lacks, everybody's first sessions first."""
    for session in range(SESSIONS):
        for person in range(PEOPLE):
            if (folder / f"{name_of(person, session)}.landmarks.npz").is_file():
                continue
            begun = time.process_time()
            done = make_clips.write_landmarks(session_script(person, session), folder)
            print(
                f"{done.name}: {done.seconds:.0f} s, {done.frames} pictures, "
                f"{time.process_time() - begun:.0f} s of computing",
                flush=True,
            )


if __name__ == "__main__":
    draw(Path(sys.argv[1]))
