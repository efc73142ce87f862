"""Waiting with little to do, and the slips a nurse would ask about.

World frame and units as in `skeleton`: metres, seconds, radians.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from sample_clips.studio.moving import Habit, Keyed, KeyList, PropsAt, hand_drift, no_props
from sample_clips.studio.poses import (
    Grip,
    X,
    Y,
    flexed,
    hand,
    moved,
    pinch_angles,
    pinch_point,
    table_pinch,
    unit,
)
from sample_clips.studio.rubbing import resting_hand
from sample_clips.studio.scene import Prop
from sample_clips.studio.skeleton import HandPose

FacePart = Literal["cheek", "nose", "forehead", "chin"]
HEAD = (0.0, 0.68, 0.05)  # centre of the head of a person at the table
# Where a fingertip touches, from the head's centre, for the right hand (adult head about 0.15
# wide, 0.20 deep; value from memory).
_FACE: dict[FacePart, tuple[float, float, float]] = {
    "cheek": (-0.058, -0.045, 0.085),
    "nose": (-0.010, -0.020, 0.128),
    "forehead": (-0.030, 0.055, 0.098),
    "chin": (-0.015, -0.095, 0.095),
}


def on_table(habit: Habit, jitter: int = 0) -> tuple[HandPose, HandPose]:
    """(left, right) resting on the table, a little different for every `jitter`."""
    rng = np.random.default_rng([habit.seed, jitter, 5])
    dx, dz = rng.normal(0.0, 0.02, 2), rng.normal(0.0, 0.015, 2)
    left = resting_hand(
        "left", np.array([0.17 + dx[0], 0.0, 0.28 + dz[0]]), habit.shape, habit.slack
    )
    right = resting_hand(
        "right", np.array([-0.17 + dx[1], 0.0, 0.28 + dz[1]]), habit.shape, habit.slack
    )
    return left, right


def in_lap(habit: Habit) -> tuple[HandPose, HandPose]:
    """(left, right) lying in the lap, below the table and out of view."""
    pair = []
    for side, sign in (("left", 1.0), ("right", -1.0)):
        at = np.array([sign * 0.07, -0.16, 0.16])
        fingers = unit([-sign * 0.8, -0.25, 0.5])
        pair.append(
            hand(side, fingers, -Y, flexed(Grip.RELAXED, habit.slack), at, (0.0, 0.06, 0.0))
        )  # type: ignore[arg-type]
    return pair[0], pair[1]


def rest(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """Both hands on the table, still but for drift."""
    keys = KeyList(*on_table(habit, seed)).to(seconds=duration_s)
    return Keyed(keys.built(), hand_drift(habit, seed + 3, 0.0015))


def out_of_view(duration_s: float, habit: Habit, seed: int = 0) -> Keyed:
    """Both hands in the lap, below the edge of the table."""
    keys = KeyList(*in_lap(habit)).to(seconds=duration_s)
    return Keyed(keys.built(), hand_drift(habit, seed + 4, 0.003))


def to_lap(habit: Habit, seed: int = 0) -> Keyed:
    """From the table down into the lap, back over the edge first."""
    left, right = on_table(habit, seed)
    back = [moved(pose, np.array([0.0, 0.05, -0.15])) for pose in (left, right)]
    keys = KeyList(left, right).to(back[0], back[1], 0.4).to(*in_lap(habit), seconds=0.5)
    return Keyed(keys.built(), hand_drift(habit, seed + 5, 0.002))


def scratch(habit: Habit, times: int = 4, seed: int = 0) -> Keyed:
    """The right fingertips scratch the back of the resting left hand a few times, briefly."""
    left, right = on_table(habit, seed)
    back = np.asarray(left.wrist) + 0.055 * np.asarray(left.fingers) + 0.026 * Y
    grip = flexed(Grip.CUPPED, 14.0)
    fingers, palm = unit([0.80, -0.42, 0.35]), unit([-0.25, -0.8, -0.35])
    near = hand("right", fingers, palm, grip, back, (0.0, 0.160, 0.045))
    far = moved(near, 0.022 * unit([1.0, 0.0, -0.4]))
    keys = KeyList(left, right).to(None, near, 0.5, (0.0, 0.02))
    for _ in range(times):
        keys.to(None, far, 0.14).to(None, near, 0.16)
    keys.to(None, right, 0.5, (0.0, 0.02))
    return Keyed(keys.built(), hand_drift(habit, seed + 6, 0.0015))


def adjust_cloth(habit: Habit, seed: int = 0, at: tuple[float, float] = (-0.06, 0.40)) -> Keyed:
    """The right hand takes the edge of a cloth on the table and pulls it straight."""
    left, right = on_table(habit, seed)
    edge = np.array([at[0], 0.014, at[1]])
    held = table_pinch("right", edge, habit.shape, 0.006)
    pull = np.array([-0.035, 0.0, -0.01])
    keys = KeyList(left, right).to(None, moved(held, 0.03 * Y), 0.45).to(None, held, 0.2)
    start = keys.now_s
    keys.to(None, moved(held, pull), 0.35)
    end = keys.now_s
    keys.hold(0.15).to(None, right, 0.5, (0.0, 0.02))

    def props(t: float, _left: HandPose, _right: HandPose) -> tuple[Prop, ...]:
        share = min(max((t - start) / (end - start), 0.0), 1.0)
        middle = edge + pull * share + np.array([0.11, -0.011, 0.02])
        return (Prop("cloth", middle, np.eye(3), np.array([0.22, 0.006, 0.18]), (224, 228, 222)),)

    return Keyed(keys.built(), hand_drift(habit, seed + 7, 0.0015), props)


def clamp(
    habit: Habit,
    press_s: float = 0.8,
    at: tuple[float, float, float] = (0.02, 0.10, 0.36),
    seed: int = 0,
) -> Keyed:
    """The left hand steadies the tubing while the right works a clamp on it for 1-2 s.

    What starts a drain, a flush or a fill. The clamp is a plain grey block on a tube.
    """
    left, right = on_table(habit, seed)
    spot, shape = np.asarray(at, dtype=np.float64), habit.shape
    steady = hand(
        "left",
        unit([-0.80, -0.05, 0.60]),
        unit([-0.1, -0.65, -0.72]),
        pinch_angles(shape, 0.006),
        spot + 0.055 * X,
        pinch_point(shape, 0.006),
    )
    on = hand(
        "right",
        unit([0.80, -0.05, 0.60]),
        unit([0.1, -0.65, -0.72]),
        pinch_angles(shape, 0.018),
        spot,
        pinch_point(shape, 0.018),
    )
    shut = hand(
        "right",
        unit([0.80, -0.05, 0.60]),
        unit([0.1, -0.65, -0.72]),
        pinch_angles(shape, 0.008),
        spot,
        pinch_point(shape, 0.008),
    )
    keys = KeyList(left, right).to(steady, on, 0.6, (0.01, 0.01)).to(None, shut, 0.25)
    keys.hold(press_s).to(None, on, 0.2).to(left, right, 0.6)
    u = np.linspace(-1.0, 1.0, 15)
    tube = np.stack(
        [spot[0] + 0.42 * u, spot[1] * (1.0 - u**2) + 0.004, spot[2] - 0.05 * u**2], axis=1
    )
    things = (
        Prop("tube", spot, np.eye(3), np.full(3, 0.006), (214, 218, 216), tube),
        Prop("box", spot + 0.004 * Y, np.eye(3), np.array([0.016, 0.014, 0.026]), (150, 156, 154)),
    )
    return Keyed(keys.built(), hand_drift(habit, seed + 8, 0.0015), lambda *_: things)


def hand_to_face(
    habit: Habit,
    part: FacePart = "cheek",
    touch_s: float = 1.2,
    head: tuple[float, float, float] = HEAD,
    start: tuple[HandPose, HandPose] | None = None,
    seed: int = 0,
) -> Keyed:
    """The right hand leaves for the face, touches it for `touch_s` and comes back.

    `start` is where both hands come from and go back to (default: resting on the table). Marks:
    "touch" and "away", the times between which the hand is at the face.
    """
    left, right = on_table(habit, seed) if start is None else start
    spot = np.asarray(head) + np.asarray(_FACE[part])
    fingers, palm = unit([0.34, 0.88, -0.28]), unit([0.25, -0.35, -0.85])
    tip = (0.012, 0.170, 0.050)  # about the index and middle fingertips of a cupped hand
    touching = hand("right", fingers, palm, flexed(Grip.CUPPED, 8.0), spot, tip)
    rubbed = moved(touching, np.array([0.006, -0.012, 0.002]))
    keys = KeyList(left, right).to(None, touching, 0.9)
    begin = keys.now_s
    strokes = max(1, round(touch_s / 0.4))
    for index in range(strokes):
        keys.to(None, rubbed if index % 2 == 0 else touching, touch_s / strokes)
    end = keys.now_s
    keys.to(None, right, 0.9)
    return Keyed(
        keys.built(), hand_drift(habit, seed + 9, 0.002), marks={"touch": begin, "away": end}
    )


def leave(
    habit: Habit,
    target: tuple[float, float, float] = (-0.62, 0.03, 0.30),
    both: bool = False,
    away_s: float = 1.5,
    start: tuple[HandPose, HandPose] | None = None,
    thing: Literal["phone", "drawer", "none"] = "phone",
    seed: int = 0,
) -> Keyed:
    """The right hand (or both) goes far to the side or off the table, and comes back.

    Marks: "gone" and "back", the times between which the hand is at `target`.
    """
    left, right = on_table(habit, seed) if start is None else start
    spot = np.asarray(target, dtype=np.float64)
    fingers = unit([spot[0] + 0.25, -0.25, 0.55])
    there = hand(
        "right", fingers, -Y + 0.2 * X, flexed(Grip.CUP, -6.0), spot + 0.035 * Y, (0.0, 0.09, 0.03)
    )
    grasp = hand(
        "right", fingers, -Y + 0.2 * X, flexed(Grip.CUP, 8.0), spot + 0.03 * Y, (0.0, 0.09, 0.03)
    )
    other = None
    if both:
        other = hand(
            "left",
            unit([spot[0] * 0.5 - 0.2, -0.2, 0.6]),
            -Y,
            Grip.RELAXED,
            spot + np.array([0.16, 0.05, 0.02]),
            (0.0, 0.09, 0.03),
        )
    keys = KeyList(left, right).to(other, there, 0.9, (0.0, 0.05))
    begin = keys.now_s
    keys.to(None, grasp, 0.3).hold(max(0.1, away_s - 0.6)).to(None, there, 0.3)
    end = keys.now_s
    keys.to(left, right, 0.9, (0.0, 0.05))
    props: PropsAt = no_props
    if thing == "phone":
        lying = (
            Prop("box", spot + 0.004 * Y, np.eye(3), np.array([0.07, 0.009, 0.145]), (52, 50, 48)),
        )
        props = lambda *_: lying  # noqa: E731
    return Keyed(
        keys.built(), hand_drift(habit, seed + 10, 0.002), props, {"gone": begin, "back": end}
    )
