"""The two-hand contacts of a wash: how the hands lie on each other for each surface.

The six movements and their order are those of the WHO hand-washing picture (WHO Guidelines on
Hand Hygiene in Health Care, 2009); the movements named for one side are mirrored for the other.
Every function returns (left hand, right hand) round the origin of a *pair frame* whose axes
equal the world's (`skeleton`); `poses.settle` turns and moves a pair to where the hands work.
The hands touch at the girth of fingers and palms, so that surfaces meet without sinking in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from review.timeline import Surface
from sample_clips.studio.poses import (
    Array,
    Grip,
    Pair,
    X,
    Y,
    Z,
    flexed,
    gathered_angles,
    hand,
    mirror_pair,
    place,
    rotated,
    square_to,
    turn,
    unit,
)
from sample_clips.studio.skeleton import HandShape, Side, bones, hand_axes

# Where the fingers point by themselves when the hands meet in front of the chest: the forearms
# come in from both sides (elbows about 0.3 m to the side, 0.3 m behind the hands).
_NATURAL = {"right": np.array([0.62, 0.05, 0.78]), "left": np.array([-0.62, 0.05, 0.78])}


@dataclass(frozen=True, slots=True)
class Rub:
    """How far into a stroke the hands are: everything a contact pose depends on.

    along, across: metres of sliding between the hands; turn: radians of turning between them;
    roll: radians, how the contact plane leans (0 upright between the hands, positive brings
    the left hand on top); slack: degrees of extra finger flexion.
    """

    along: float = 0.0
    across: float = 0.0
    turn: float = 0.0
    roll: float = 0.0
    slack: float = 0.0


def natural(side: Side, normal: Array) -> Array:
    """Where this hand's fingers point by themselves inside the plane square to `normal`."""
    return square_to(_NATURAL[side], normal)


def palms(shape: HandShape, rub: Rub) -> Pair:
    """Palm on palm, the right hand's palm towards `normal`, each sliding along its fingers."""
    normal = turn(Z, rub.roll) @ X
    left_dir, right_dir = natural("left", normal), natural("right", normal)
    ahead = square_to(Z, normal)
    side = np.cross(ahead, normal)
    slip = 0.5 * (rub.along * ahead + rub.across * side)
    grip = flexed(Grip.FLAT, rub.slack)
    spot = (-0.004, 0.062, 0.92 * shape.depth)  # palms press flat, a millimetre into each other
    right = hand("right", right_dir, normal, grip, slip, spot)
    left = hand("left", left_dir, -normal, grip, -slip, spot)
    return left, right


def back_left(shape: HandShape, rub: Rub) -> Pair:
    """Right palm on the back of the left hand, right fingers dropping between the left ones."""
    up = turn(X, -0.35) @ turn(Z, 0.5 * rub.roll) @ Y
    left_dir = unit(natural("left", up) + 0.25 * X)
    right_dir = turn(up, 0.10) @ unit(0.62 * natural("right", up) + 0.38 * left_dir)
    left = hand(
        "left", left_dir, -up, flexed(Grip.SPREAD, rub.slack), np.zeros(3), (0.0, 0.085, 0.0)
    )
    thick = 1.9 * shape.depth
    # Half a finger's pitch to the side, so that the right fingers meet the gaps.
    beside = 0.5 * (shape.roots[2][0] - shape.roots[3][0])
    ahead = unit(left.fingers)
    at = up * thick + ahead * rub.along + np.cross(up, ahead) * (beside + rub.across)
    right = hand("right", right_dir, -up, flexed(Grip.LACED_OVER, rub.slack), at, (0.0, 0.082, 0.0))
    return left, right


def between_fingers(shape: HandShape, rub: Rub) -> Pair:
    """Palm to palm, fingers crossing each other's gaps, sliding in and out."""
    normal = turn(Z, rub.roll) @ X
    ahead = square_to(unit([0.0, 0.25, 1.0]), normal)
    lateral = np.cross(ahead, normal)
    lean = np.radians(28.0)
    half_pitch = 0.25 * (shape.roots[1][0] - shape.roots[4][0]) / 3.0
    deep = shape.roots[2][1] + 0.026
    grip = flexed(Grip.LACED, rub.slack)
    pair = []
    for side, sign in (("left", -1.0), ("right", 1.0)):
        towards = sign * normal
        fingers = np.cos(lean) * ahead + np.sin(lean) * towards
        palm = np.cos(lean) * towards - np.sin(lean) * ahead
        at = sign * (0.5 * rub.along * ahead + (half_pitch + 0.5 * rub.across) * lateral)
        # The knuckle line sits at the middle of the four roots.
        across = 0.25 * sum(root[0] for root in shape.roots[1:])
        pair.append(hand(side, fingers, palm, grip, at, (across, deep, 0.010)))  # type: ignore[arg-type]
    return pair[0], pair[1]


def backs_of_fingers(shape: HandShape, rub: Rub) -> Pair:
    """Fingers hooked into each other, right hand above: backs of fingers in the other palm."""
    up = turn(Z, 0.4 * rub.roll) @ unit([0.0, 0.85, 0.53])
    right_dir = square_to(unit([0.95, -0.10, 0.25]), up)
    left_dir = square_to(unit([-0.95, 0.10, 0.25]), up)
    grip = flexed(Grip.HOOK, rub.slack)
    # The hollow of a hook: inside the bent fingers, in front of the knuckles.
    hollow = (-0.008, shape.roots[2][1] + 0.012, shape.depth + 0.014)
    slide = np.cross(up, right_dir) * rub.across
    right = hand("right", right_dir, -up, grip, 0.5 * slide, hollow)
    left = hand("left", left_dir, up, grip, -0.5 * slide, hollow)
    axis = unit(right_dir - left_dir)
    return rotated(left, turn(axis, -0.5 * rub.turn)), rotated(right, turn(axis, 0.5 * rub.turn))


def thumb_left(shape: HandShape, rub: Rub) -> Pair:
    """The left thumb inside the right fist, the fist twisting about it."""
    inward = turn(Z, 0.4 * rub.roll) @ unit([-0.80, -0.55, -0.15])
    left_dir = square_to(unit([-0.50, -0.05, 0.85]), inward)
    left = hand("left", left_dir, inward, flexed(Grip.THUMB_OUT, rub.slack))
    built = bones(shape, left.curl, left.spread).joints
    held = 0.70 * built[2] + 0.30 * built[3]
    # The pair's middle is below the held thumb: the left fingers hang under it.
    centre = 0.03 * Y
    left = place(left, held, centre)
    thumb = unit((built[4] - built[2]) @ hand_axes(left))
    grip = flexed(Grip.CLASP, rub.slack)
    # The hollow of the fist, between the palm and the curled fingers.
    hollow = (-0.004, 0.082, shape.depth + 0.9 * shape.girths[0][1])
    fingers = square_to(unit([0.35, 0.05, 0.90]), thumb)
    palm = np.cross(thumb, fingers)  # thumb side of the right fist points along the thumb
    right = hand("right", fingers, palm, grip, centre + rub.along * thumb, hollow)
    return left, rotated(right, turn(thumb, rub.turn), centre)


def fingertips_left(shape: HandShape, rub: Rub) -> Pair:
    """Gathered left fingertips circling in the right palm."""
    up = turn(Z, 0.4 * rub.roll) @ unit([0.12, 0.90, -0.10])
    right_dir = natural("right", up)
    right = hand(
        "right",
        right_dir,
        up,
        flexed(Grip.CUPPED, rub.slack),
        np.zeros(3),
        (-0.006, 0.060, shape.depth),
    )
    grip = gathered_angles(shape)
    tips = bones(shape, *grip).joints[[8, 12, 16, 20]].mean(axis=0)
    down = unit([-0.50, -0.78, 0.38])
    palm = square_to(unit([-0.62, -0.40, -0.50]), down)
    ahead = unit(right.fingers)
    at = rub.along * ahead + rub.across * np.cross(up, ahead) + 0.9 * shape.girths[2][3] * up
    left = hand("left", down, palm, grip, at, tips)
    return rotated(left, turn(up, rub.turn), at), right


_LEFT_SIDE: Final[dict[Surface, Callable[[HandShape, Rub], Pair]]] = {
    Surface.PALMS: palms,
    Surface.BACK_LEFT: back_left,
    Surface.BETWEEN_FINGERS: between_fingers,
    Surface.BACKS_OF_FINGERS: backs_of_fingers,
    Surface.THUMB_LEFT: thumb_left,
    Surface.FINGERTIPS_LEFT: fingertips_left,
}


def contact(surface: Surface, shape: HandShape, rub: Rub, swap: bool = False) -> Pair:
    """The hands while rubbing `surface`, round the origin.

    A right-hand surface is the left-hand one mirrored. `swap` exchanges the hands' parts where
    the surface has no side (which hand is on top, which is hooked from above).
    """
    if surface in _LEFT_SIDE:
        pair = _LEFT_SIDE[surface](shape, rub)
        return mirror_pair(pair) if swap and surface.other_side == surface else pair
    return mirror_pair(_LEFT_SIDE[surface.other_side](shape, rub))
