"""Composes whole clips: which blocks in which order, with which faults, who, and from where.

One seeded generator decides everything that is not asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from review.timeline import Interval, Phase
from sample_clips.studio import motions as mo
from sample_clips.studio.activities import ACTIVITIES
from sample_clips.studio.blocks import (
    LATHER,
    Setting,
    connect_parts,
    disconnect_parts,
    face_part,
    furnished,
    leave_part,
    other_part,
    prep_parts,
    rub_parts,
    waiting_parts,
    wash_parts,
)
from sample_clips.studio.labels import open_line_windows
from sample_clips.studio.scene import Look
from sample_clips.studio.scenery import plan_mouth, sample_look, sample_view
from sample_clips.studio.script import ExchangeScript, Part, View, joined

FAULTS = (
    "wash_short",
    "wash_surface_missed",
    "surface_rewiped",
    "hand_to_face",
    "left_clean_field",
    "hand_rub_missing",
    "hand_rub_short",
    "talking_near_open_line",
    "phase_missing",
    "phase_out_of_order",
)
"""Faults that can be planted; each becomes the flag of its name (rules: `labels`)."""

USUAL_ORDER = ("wash", "surface_prep", "connect", "waiting", "disconnect")
LINES = ("connect", "disconnect")


@dataclass(frozen=True, slots=True)
class Plan:
    """What goes wrong, and where. The plain plan has no fault.

    Attributes:
        order: the blocks in order; a block left out is a missing phase.
        wash_short: a wash under 20 s (which leaves surfaces out, too).
        left_out: how many of the nine surfaces a full wash leaves out.
        rewipe: whether the wiping goes back over clean surface.
        no_rub, short_rub, face, talk: the line phase before which the hand rub is missing or
            too short, before which a hand goes to the face, in whose open-line window the
            person talks.
        leave: whether a hand leaves the clean field before connect.
    """

    order: tuple[str, ...] = USUAL_ORDER
    wash_short: bool = False
    left_out: int = 0
    rewipe: bool = False
    no_rub: str | None = None
    short_rub: str | None = None
    face: str | None = None
    talk: str | None = None
    leave: bool = False

    @classmethod
    def sample(cls, rng: np.random.Generator, faults: Sequence[str]) -> Plan:
        """Places for the named faults that do not undo one another.

        Raises:
            ValueError: for an unknown fault, or two that cannot go together.
        """
        unknown = set(faults) - set(FAULTS)
        if unknown:
            raise ValueError(f"no fault called {sorted(unknown)}; there are {FAULTS}")
        has = set(faults)
        order = list(USUAL_ORDER)
        if "phase_out_of_order" in has:
            order = ["surface_prep", "wash", "connect", "waiting", "disconnect"]
            if rng.random() < 0.3:
                order = ["wash", "connect", "surface_prep", "waiting", "disconnect"]
        if "phase_missing" in has:
            order.remove(_missing(rng, has))
        lines = [name for name in order if name in LINES]
        rng.shuffle(lines)
        no_rub = lines[0] if "hand_rub_missing" in has else None
        rest = [name for name in lines if name != no_rub]
        if "hand_rub_short" in has and not rest:
            raise ValueError("hand_rub_missing, hand_rub_short and a missing disconnect clash")
        return cls(
            order=tuple(order),
            wash_short="wash_short" in has,
            left_out=int(rng.integers(1, 4)) if "wash_surface_missed" in has else 0,
            rewipe="surface_rewiped" in has,
            no_rub=no_rub,
            short_rub=rest[0] if "hand_rub_short" in has else None,
            face=str(rng.choice(lines)) if "hand_to_face" in has else None,
            talk=str(rng.choice(lines)) if "talking_near_open_line" in has else None,
            leave="left_clean_field" in has,
        )


def _missing(rng: np.random.Generator, has: set[str]) -> str:
    """A phase to leave out whose absence hides no other planted fault."""
    free = {"wash", "surface_prep", "disconnect"}
    if has & {"wash_short", "wash_surface_missed", "phase_out_of_order"}:
        free.discard("wash")
    if has & {"surface_rewiped", "phase_out_of_order"}:
        free.discard("surface_prep")
    if {"hand_rub_missing", "hand_rub_short"} <= has:
        free.discard("disconnect")
    if not free:
        raise ValueError(f"phase_missing leaves nothing to take out beside {sorted(has)}")
    return str(rng.choice(sorted(free)))


# ---------------------------------------------------------------- the parts in order


def _opening(setting: Setting) -> list[Part]:
    """Before the exchange begins: resting, now and then something else."""
    parts = [other_part(setting, 0.8, 2.0, lap=True)]
    if setting.rng.random() < 0.2:
        parts.append(face_part(setting, Phase.OTHER, "hand_to_face"))
    elif setting.rng.random() < 0.25:
        name = str(setting.rng.choice(["pointing", "talking_hands", "waving", "pouring"]))
        motion = ACTIVITIES[name](setting.between(2.0, 3.5), setting.habit, setting.seed())
        parts.append(Part(Phase.OTHER, "reach", motion))
    return parts


def _block(setting: Setting, plan: Plan, name: str) -> list[Part]:
    match name:
        case "wash":
            return wash_parts(setting, plan.wash_short, plan.left_out)
        case "surface_prep":
            return prep_parts(setting, plan.rewipe)
        case "connect":
            return connect_parts(setting, slow=plan.talk == "connect")
        case "waiting":
            return waiting_parts(setting, lap=plan.no_rub != "disconnect")
        case "disconnect":
            return disconnect_parts(setting)
    raise ValueError(f"no block called {name!r}")


def exchange_parts(setting: Setting, plan: Plan) -> list[Part]:
    """All parts of one exchange in order, with the plan's faults in them."""
    parts = _opening(setting)
    for name in plan.order:
        if name in LINES and name != plan.no_rub:
            parts += rub_parts(setting, short=name == plan.short_rub)
            if setting.rng.random() < 0.5:
                parts.append(other_part(setting, 0.6, 1.2))
        if name == "connect" and plan.leave:
            parts.append(leave_part(setting))
        if name == plan.face:
            parts.append(face_part(setting, Phase.OTHER, "hand_to_face"))
        parts += _block(setting, plan, name)
        if name != "connect":
            parts.append(other_part(setting, lap=name == plan.order[-1]))
    return parts


# ---------------------------------------------------------------- whole clips


def _setting(rng: np.random.Generator, look: Look) -> Setting:
    habit = mo.Habit.sample(rng, look.shape)
    return Setting(
        rng=rng,
        habit=habit,
        line=mo.Line.sample(rng, habit),
        sink=1.0 if rng.random() < 0.7 else -1.0,
        tempo_hz=float(rng.choice([1.3, 1.6, 1.9, 2.2, 2.6]) * rng.uniform(0.92, 1.08)),
        lather=LATHER[look.skin_tone - 1],
    )


def schedule_exchange(
    rng: np.random.Generator,
    faults: Sequence[str] = (),
    *,
    name: str,
    seed: int,
    hand_kind: str = "smooth",
    plan: Plan | None = None,
    look: Look | None = None,
    view: Callable[[float], View] | None = None,
    left_handed: bool | None = None,
    mask: bool | None = None,
) -> ExchangeScript:
    """A whole exchange with the given faults; what is left None is drawn from `rng`.

    `view` is given the basin's x (world metres), so that it can take it into the picture.

    Raises:
        ValueError: for an unknown fault, or faults that cannot go together.
    """
    plan = Plan.sample(rng, faults) if plan is None else plan
    left = bool(rng.random() < 0.3) if left_handed is None else left_handed
    if look is None:
        look = sample_look(rng, "left", hand_kind, mirrored=bool(rng.random() < 0.3))
    setting = _setting(rng, look)
    sink = setting.sink * (-1.0 if left else 1.0)
    look = replace(look, sink_side="left" if sink > 0 else "right")
    shown = plan.talk is not None or plan.face is not None
    seen_from = sample_view(rng, 0.42 * sink, face_needed=shown)
    if view is not None:
        seen_from = view(0.42 * sink)
    masked = bool(rng.random() < 0.2) if mask is None else mask
    script = ExchangeScript(
        name=name, seed=seed, kind="exchange",
        parts=joined(furnished(setting, exchange_parts(setting, plan))),
        mouth=(), look=look, view=seen_from, mask=masked and plan.talk is None, left_handed=left,
        faults=tuple(faults),
    )  # fmt: skip
    windows = open_line_windows(script)
    talked = [span for phase, span in windows if phase.value == plan.talk]
    spans: list[Interval] = [span for _, span in windows]
    return replace(script, mouth=plan_mouth(rng, script.duration_s, spans, talked))


def schedule_activity(
    rng: np.random.Generator, name: str, seed: int, hand_kind: str = "smooth"
) -> ExchangeScript:
    """A clip of 20-60 s of other things done with the hands; every phase is `other`."""
    left = bool(rng.random() < 0.3)
    side = rng.choice(["left", "right", "none"])
    look = sample_look(rng, side, hand_kind, mirrored=bool(rng.random() < 0.3))
    setting = _setting(rng, look)
    parts = [other_part(setting)]
    wanted = float(rng.uniform(20.0, 52.0))
    while sum(part.duration_s for part in parts) < wanted:
        kind = str(rng.choice(sorted(ACTIVITIES)))
        motion = ACTIVITIES[kind](setting.between(5.0, 12.0), setting.habit, setting.seed())
        parts.append(Part(Phase.OTHER, "other_activity", motion))
        if rng.random() < 0.3:
            parts.append(other_part(setting, lap=True))
    view = sample_view(rng, -0.42 if side == "right" else 0.42)
    script = ExchangeScript(
        name=name, seed=seed, kind="other_activity", parts=joined(parts), mouth=(), look=look,
        view=view, mask=bool(rng.random() < 0.1), left_handed=left,
    )  # fmt: skip
    return replace(script, mouth=plan_mouth(rng, script.duration_s, ()))
