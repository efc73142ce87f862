"""The four sample clips that come with the project, by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from sample_clips.studio.scene import Look
from sample_clips.studio.scenery import ViewWish, fit_camera, sample_look
from sample_clips.studio.schedule import Plan, schedule_exchange
from sample_clips.studio.script import ExchangeScript, View


def _view(wish: ViewWish, size: tuple[int, int], crf: int) -> Callable[[float], View]:
    def stand(sink_x: float) -> View:
        camera = fit_camera(wish, size, sink_x)
        away = float(np.linalg.norm(np.subtract(camera.eye, camera.target)))
        return View(wish.name, wish.elevation_deg, away, camera, crf=crf)

    return stand


def _look(rng: np.random.Generator, tone: int, mirrored: bool = False) -> Look:
    look = sample_look(rng, "left", skin_tone=tone, mirrored=mirrored)
    return replace(look, light=1.0, noise=1.5, blur=0.45, warmth=0.2)


def _clean_exchange(name: str) -> ExchangeScript:
    seed = 111
    rng = np.random.default_rng(seed)
    look = _look(rng, 3)
    view = _view(ViewWish("raised", 24.0, -6.0, 1.2, 0.8), (640, 360), 25)
    return schedule_exchange(
        rng, name=name, seed=seed, plan=Plan(), look=look, view=view, left_handed=False, mask=False
    )


def _planted_faults(name: str) -> ExchangeScript:
    seed = 226
    rng = np.random.default_rng(seed)
    plan = Plan(wash_short=True, rewipe=True, no_rub="connect", face="connect", talk="connect")
    faults = (
        "wash_short", "wash_surface_missed", "surface_rewiped", "hand_to_face",
        "hand_rub_missing", "talking_near_open_line",
    )  # fmt: skip
    look = _look(rng, 2)
    view = _view(ViewWish("front", 16.0, 8.0, 1.2, -1.0), (640, 360), 25)
    return schedule_exchange(
        rng, faults, name=name, seed=seed, plan=plan, look=look, view=view, left_handed=False,
        mask=False,
    )  # fmt: skip


def _dark_small_noisy(name: str) -> ExchangeScript:
    seed = 341
    rng = np.random.default_rng(seed)
    look = replace(_look(rng, 6), light=0.7, noise=5.0, blur=0.7, warmth=0.6)
    view = _view(ViewWish("front", 16.0, 4.0, 1.25, 1.0), (480, 360), 29)
    return schedule_exchange(
        rng, name=name, seed=seed, plan=Plan(), look=look, view=view, left_handed=True, mask=False
    )


def _wrong_order(name: str) -> ExchangeScript:
    seed = 443
    rng = np.random.default_rng(seed)
    plan = Plan(order=("surface_prep", "wash", "connect", "waiting"))
    look = _look(rng, 5, mirrored=True)
    view = _view(ViewWish("raised", 30.0, 9.0, 1.2, -0.6), (640, 360), 25)
    return schedule_exchange(
        rng, ("phase_out_of_order", "phase_missing"), name=name, seed=seed, plan=plan, look=look,
        view=view, left_handed=False, mask=True,
    )  # fmt: skip


SHIPPED: Final[dict[str, Callable[[str], ExchangeScript]]] = {
    "clean_exchange": _clean_exchange,
    "planted_faults": _planted_faults,
    "dark_small_noisy": _dark_small_noisy,
    "wrong_order": _wrong_order,
}
"""What makes each shipped clip."""


def shipped_script(name: str) -> ExchangeScript:
    """The script of one shipped clip. Raises KeyError for an unknown name."""
    return SHIPPED[name](name)
