"""Which detection is which hand.

The tracker looks at each picture almost alone: when hands touch, its left/right labels
flicker, one hand vanishes, or one hand is reported twice. Here the whole recording is looked
at: identity follows the hands' movement through contacts, and labels decide in the long
run and after a loss. Pure functions over arrays, no pictures and no tracker needed.

Coordinates are picture widths (x right, y down) of an unmirrored picture; times are seconds;
NaN = no detection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from review.tracks import LEFT, RIGHT, Floats

PALM_POINTS = (0, 5, 9, 13, 17)
INDEX_KNUCKLE, MIDDLE_KNUCKLE, LITTLE_KNUCKLE, WRIST = 5, 9, 17, 0

LENGTH_TO_BREADTH = 0.8
"""Knuckle breadth over wrist-to-knuckle length of an adult hand (common practice, no source);
gives a palm seen edge-on its width."""

GHOST_PALM = 0.3
"""Two palm centres nearer than this many palm widths may be one hand seen twice ..."""

GHOST_SHAPE = 0.8
"""... and are, if their keypoints lie this near to each other on average (palm widths)."""

LOST_S = 1.0
"""After this long without a hand its last place says nothing: labels decide afresh."""

CAP = 8.0
"""Most that one implausible move can cost (negative log-likelihood): tracks do jump."""

STEP_SPREAD = 0.5
"""Spread of the prediction error of a palm, palm widths, from one picture to the next."""

SPREAD_PER_S = 3.0
"""Growth of that spread, palm widths a second without a detection."""

PREDICT_S = 0.2
"""How long a hand is taken to go on at its last speed; rubbing reverses every 0.15-0.25 s."""

LABEL_PER_S = 1.5
"""Weight of a label's log-odds per second. Errors of neighbouring pictures are alike, so one
second of labels counts as one and a half independent ones, not as fifteen."""

LABEL_LIMIT = 3.0
"""Log-odds beyond this (95 %) are not believed: the tracker is as sure when it is wrong."""

CONTACT_PALMS = 1.5
"""Palms nearer than this touch or nearly so; labels count less the nearer they are."""

LONE_LABEL = 0.5
"""Weight of the label of a hand seen alone: often the other one is hidden behind it."""

ORDER_LIMIT = 3.0
"""Log-odds (95 %) against hands that lie crossed, well apart, in a recording where they mostly do
not. Grasping hands are labelled wrong for seconds on end; the order of the arms is not."""

ORDER_FROM_PALMS, ORDER_FULL_PALMS = 0.5, 2.0
"""Sideways distance in palm widths from which the order begins to count, and counts in full."""

ORDER_LEARN_S = 2.0
"""Seconds of clear labels that settle which order is usual."""

ORDER_MEMORY_S = 5.0
"""How long the other hand's last place still tells which side a lone hand is on."""


@dataclass(frozen=True, slots=True)
class RawHands:
    """Hand detections as they came, m slots a picture, in no particular order.

    Attributes:
        times_s: shape (n,), increasing seconds.
        points: shape (n, m, 21, 3) float32, picture widths; NaN where there is none.
        world: shape (n, m, 21, 3) float32, metres about the hand's centre.
        right: shape (n, m) float32, the tracker's probability (0..1) that the detection is
            the subject's own right hand; NaN where there is none.

    Raises:
        ValueError: if the shapes do not fit together.
    """

    times_s: Floats
    points: NDArray[np.float32]
    world: NDArray[np.float32]
    right: NDArray[np.float32]

    def __post_init__(self) -> None:
        rows = (len(self.times_s), self.right.shape[-1] if self.right.ndim else 0)
        for name, shape in (
            ("points", (*rows, 21, 3)),
            ("world", (*rows, 21, 3)),
            ("right", rows),
        ):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} must have shape {shape}, got {getattr(self, name).shape}")


def palm_centres(points: Floats) -> Floats:
    """Shape (..., 21, 3) to (..., 2): mean of wrist and knuckles, picture widths."""
    return np.asarray(points[..., PALM_POINTS, :2].mean(axis=-2))


def palm_widths(points: Floats) -> Floats:
    """Shape (..., 21, 3) to (...): knuckle breadth, or length times 0.8 if that is more."""
    breadth = points[..., INDEX_KNUCKLE, :2] - points[..., LITTLE_KNUCKLE, :2]
    length = points[..., WRIST, :2] - points[..., MIDDLE_KNUCKLE, :2]
    return np.asarray(
        np.maximum(
            np.linalg.norm(breadth, axis=-1), LENGTH_TO_BREADTH * np.linalg.norm(length, axis=-1)
        )
    )


def on_same_hand(a: Floats, b: Floats) -> NDArray[np.bool_]:
    """Shapes (n, 21, 3) twice to (n,): whether both detections lie on one and the same hand."""
    width = np.fmax(np.fmax(palm_widths(a), palm_widths(b)), 1e-6)
    apart = np.linalg.norm(palm_centres(a) - palm_centres(b), axis=-1)
    shape = np.linalg.norm(a[..., :2] - b[..., :2], axis=-1).mean(axis=-1)
    return np.asarray((apart < GHOST_PALM * width) & (shape < GHOST_SHAPE * width))


def keep_two(raw: RawHands) -> NDArray[np.bool_]:
    """Shape (n, m): which detections to believe, at most two a picture.

    A person has two hands, yet the tracker now and then reports a third, or one hand twice.
    Of two on the same hand the surer one stays (the earlier slot if equal); of more than
    two, the nearest pair loses its less sure one.
    """
    present = np.isfinite(raw.right) & np.isfinite(raw.points).all(axis=(2, 3))
    sure = np.abs(np.nan_to_num(raw.right, nan=0.5) - 0.5)
    slots = raw.right.shape[1]
    pairs = [(a, b) for a in range(slots) for b in range(a + 1, slots)]
    for a, b in pairs:
        both = np.flatnonzero(present[:, a] & present[:, b])
        both = both[on_same_hand(raw.points[both, a], raw.points[both, b])]
        present[both, np.where(sure[both, a] >= sure[both, b], b, a)] = False
    centres = palm_centres(raw.points)
    for i in np.flatnonzero(present.sum(axis=1) > 2).tolist():
        while present[i].sum() > 2:
            _, a, b = min(
                (float(np.linalg.norm(centres[i, a] - centres[i, b])), a, b)
                for a, b in pairs
                if present[i, a] and present[i, b]
            )
            present[i, b if sure[i, a] >= sure[i, b] else a] = False
    return np.asarray(present)


def assign_hands(
    raw: RawHands,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Sort detections into the subject's left and right hand.

    The likeliest sequence (Viterbi) of 'which detection is left' over the recording, where
    a hand tends to be where it was heading, a label counts by its score and by how long it
    holds, and arms seldom lie crossed. In contact the two palms can change places at
    little cost and labels count little, so that what is seen before and after decides.

    Returns:
        hands (n, 2, 21, 3), world (n, 2, 21, 3), score (n, 2): axis 1 is left, right. The
        score is the tracker's for the label that it gave, 0 where nothing was seen.
    """
    n = len(raw.times_s)
    present = keep_two(raw)
    first_is = _likeliest_sides(raw, present)
    hands = np.full((n, 2, 21, 3), np.nan, dtype=np.float32)
    world = np.full((n, 2, 21, 3), np.nan, dtype=np.float32)
    score = np.zeros((n, 2), dtype=np.float32)
    rows, slots = np.nonzero(present)
    rank = np.cumsum(present, axis=1)[rows, slots] - 1
    sides = (first_is[rows] + rank) % 2
    hands[rows, sides] = raw.points[rows, slots]
    world[rows, sides] = raw.world[rows, slots]
    score[rows, sides] = 0.5 + np.abs(raw.right[rows, slots] - 0.5)
    return hands, world, score


class _Seen(NamedTuple):
    """A side's last sighting: when, where, how fast (picture widths, a second)."""

    time_s: float
    x: float
    y: float
    vx: float
    vy: float


class _Detection(NamedTuple):
    """One believed detection; ``rank`` is 0 for the first of a picture, 1 for the second."""

    rank: int
    x: float
    y: float
    width: float
    log_odds_right: float


_Memory = tuple[_Seen | None, _Seen | None]


def _likeliest_sides(raw: RawHands, present: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Shape (n,): the side of each picture's first believed detection on the cheapest path.

    A second one is the other hand. Each of the two states keeps its own survivor's memory of
    where left and right were.
    """
    centres = palm_centres(raw.points).tolist()
    widths = np.fmax(palm_widths(raw.points), 1e-4).tolist()
    with np.errstate(divide="ignore"):
        odds = np.clip(np.log(raw.right) - np.log1p(-raw.right), -LABEL_LIMIT, LABEL_LIMIT)
    back = np.tile(np.arange(2, dtype=np.intp), (len(raw.times_s), 1))
    order = _usual_order(raw, present)
    cost = [0.0, 0.0]
    memory: list[_Memory] = [(None, None), (None, None)]
    times = [float(t) for t in raw.times_s]
    for i, now in enumerate(times):
        found = [
            _Detection(rank, centres[i][k][0], centres[i][k][1], widths[i][k], float(odds[i, k]))
            for rank, k in enumerate(np.flatnonzero(present[i]).tolist())
        ]
        if not found:
            continue
        span = now - times[i - 1] if i else (times[1] - now if len(times) > 1 else PREDICT_S)
        new_cost, new_memory = [math.inf, math.inf], list(memory)
        for state in (LEFT, RIGHT):
            labels = _label_odds(found, state)
            for before in (LEFT, RIGHT):
                against = labels + _order_cost(found, state, memory[before], order, now)
                total = cost[before] + _move_cost(found, state, memory[before], now)
                total += LABEL_PER_S * min(span, PREDICT_S) * against
                # A tie keeps the state, so that equal evidence never makes a change.
                if total < new_cost[state] or (total == new_cost[state] and before == state):
                    new_cost[state], back[i, state] = total, before
            new_memory[state] = _remember(found, state, memory[back[i, state]], now)
        cost, memory = new_cost, new_memory
    states = np.zeros(len(times), dtype=np.intp)
    state = int(cost[RIGHT] < cost[LEFT])
    for i in range(len(times) - 1, -1, -1):
        states[i] = state
        state = int(back[i, state])
    return states


def _usual_order(raw: RawHands, present: NDArray[np.bool_]) -> float:
    """-1..1: how surely the right hand is the one at smaller x (+) or at larger x (-).

    Learned from the recording's own labels wherever two hands are well apart, because it
    depends on where the camera stands: in front of the person or behind the shoulder.
    """
    rows = np.flatnonzero(present.sum(axis=1) == 2)
    if not rows.size:
        return 0.0
    slots = np.argsort(~present[rows], axis=1, kind="stable")[:, :2]
    points = raw.points[rows[:, None], slots]
    x = palm_centres(points)[..., 0]
    reach = (x[:, 1] - x[:, 0]) / np.fmax(palm_widths(points).max(axis=1), 1e-4)
    right = raw.right[rows[:, None], slots].astype(np.float64)
    vote = (right[:, 0] - right[:, 1]) * np.sign(reach) * (np.abs(reach) > ORDER_FULL_PALMS)
    spans = np.minimum(np.gradient(raw.times_s)[rows], PREDICT_S) if raw.times_s.size > 1 else 0.0
    held = float(np.sum(spans * (np.abs(vote) > 0)))
    return float(np.clip(np.sum(vote * spans) / max(ORDER_LEARN_S, 0.3 * held), -1.0, 1.0))


def _order_cost(
    found: list[_Detection], first_is: int, memory: _Memory, order: float, now: float
) -> float:
    """Log-odds against lying crossed, for two hands or a lone one and the other's last place."""
    first = found[0]
    side = (first.rank + first_is) % 2
    if len(found) == 2:
        apart, fade = found[1].x - first.x, 1.0
    else:
        other = memory[1 - side]
        if other is None:
            return 0.0
        apart = other.x - first.x
        fade = LONE_LABEL * max(0.0, 1.0 - (now - other.time_s) / ORDER_MEMORY_S)
    palms = abs(apart) / first.width
    weight = (palms - ORDER_FROM_PALMS) / (ORDER_FULL_PALMS - ORDER_FROM_PALMS)
    usual = (apart > 0) == ((side == RIGHT) == (order > 0))
    return 0.0 if usual else ORDER_LIMIT * abs(order) * fade * min(1.0, max(0.0, weight))


def _label_odds(found: list[_Detection], first_is: int) -> float:
    """Log-odds against the labels; they count less the nearer the hands are."""
    weight = LONE_LABEL
    if len(found) == 2:
        a, b = found
        apart = math.hypot(a.x - b.x, a.y - b.y) / max(a.width, b.width)
        weight = min(1.0, apart / CONTACT_PALMS)
    against = 0.0
    for hand in found:
        side = (hand.rank + first_is) % 2
        against += max(0.0, -hand.log_odds_right if side == RIGHT else hand.log_odds_right)
    return weight * against


def _move_cost(found: list[_Detection], first_is: int, memory: _Memory, now: float) -> float:
    """What it costs that these detections continue the remembered hands this way.

    Being far from one's own last place costs. A lone hand also pays for being where the other
    one was: it would be that one going on. (Of two, the other is there to go on itself.)
    All fades to nothing over ``LOST_S``.
    """
    total = 0.0
    for hand in found:
        side = (hand.rank + first_is) % 2
        total += _misfit(hand, memory[side], now, moving=True)[0]
        if len(found) == 1:
            misfit, limit = _misfit(hand, memory[1 - side], now, moving=False)
            total += limit - misfit
    return total


def _misfit(
    hand: _Detection, seen: _Seen | None, now: float, *, moving: bool
) -> tuple[float, float]:
    """(cost of the distance from the last place, the most it can be now).

    ``moving`` expects the hand to have gone on at its last speed.
    """
    if seen is None:
        return 0.0, 0.0
    gap = now - seen.time_s
    limit = CAP * max(0.0, 1.0 - gap / LOST_S)
    ahead = gap if moving and gap <= PREDICT_S else 0.0
    apart = math.hypot(hand.x - seen.x - ahead * seen.vx, hand.y - seen.y - ahead * seen.vy)
    spread = (STEP_SPREAD + SPREAD_PER_S * gap) * hand.width
    return min(limit, 0.5 * (apart / spread) ** 2), limit


def _remember(found: list[_Detection], first_is: int, memory: _Memory, now: float) -> _Memory:
    """The memory with these detections in it."""
    sides: list[_Seen | None] = list(memory)
    for hand in found:
        side = (hand.rank + first_is) % 2
        seen, vx, vy = sides[side], 0.0, 0.0
        if seen is not None and 0.0 < now - seen.time_s <= PREDICT_S:
            gap = now - seen.time_s
            vx, vy = (hand.x - seen.x) / gap, (hand.y - seen.y) / gap
        sides[side] = _Seen(now, hand.x, hand.y, vx, vy)
    return sides[LEFT], sides[RIGHT]
