"""Every movement of a bag exchange, gathered: import from here.

The movements live in smaller files by what they are for: `rubbing` (wash and hand rub),
`wiping` (surface), `line` and `connecting` (the line), `waiting` (waiting and slips), `activities`
(what is no exchange). All are seeded, smooth, and written for a person who acts with the right
hand; `mirrored` gives the left-handed movement.
"""

from __future__ import annotations

from dataclasses import dataclass

from review.timeline import Surface
from sample_clips.studio.connecting import (
    TwistMotion,
    cap,
    expose,
    join,
    lay_down,
    let_go,
    part,
    pick,
    take_joint,
    twist,
    undo,
)
from sample_clips.studio.line import Line
from sample_clips.studio.moving import (
    Habit,
    Key,
    Keyed,
    KeyList,
    Moment,
    Motion,
    Transition,
    Wander,
    blend,
    carry_seconds,
    mirror_moment,
    mirror_prop,
)
from sample_clips.studio.rubbing import (
    FIELD,
    TAP,
    DryMotion,
    RubMotion,
    WaterMotion,
    dry,
    pause,
    rinse,
    soap,
    wet,
)
from sample_clips.studio.waiting import (
    adjust_cloth,
    clamp,
    hand_to_face,
    in_lap,
    leave,
    on_table,
    out_of_view,
    rest,
    scratch,
    to_lap,
)
from sample_clips.studio.wiping import WipeMotion

__all__ = [
    "FIELD",
    "TAP",
    "DryMotion",
    "Habit",
    "Key",
    "KeyList",
    "Keyed",
    "Line",
    "Mirrored",
    "MirroredRub",
    "MirroredWipe",
    "Moment",
    "Motion",
    "RubMotion",
    "Surface",
    "Transition",
    "TwistMotion",
    "Wander",
    "WaterMotion",
    "WipeMotion",
    "adjust_cloth",
    "blend",
    "cap",
    "carry_seconds",
    "clamp",
    "dry",
    "expose",
    "hand_to_face",
    "in_lap",
    "join",
    "lay_down",
    "leave",
    "let_go",
    "mirror_moment",
    "mirror_prop",
    "mirrored",
    "on_table",
    "out_of_view",
    "part",
    "pause",
    "pick",
    "rest",
    "rinse",
    "scratch",
    "soap",
    "take_joint",
    "to_lap",
    "twist",
    "undo",
    "wet",
]


@dataclass(frozen=True, slots=True)
class Mirrored:
    """A motion reflected in X, hands swapped."""

    inner: Motion

    @property
    def duration_s(self) -> float:
        """See `Motion`."""
        return self.inner.duration_s

    def sample(self, t: float) -> Moment:
        """See `Motion`."""
        return mirror_moment(self.inner.sample(t))


@dataclass(frozen=True, slots=True)
class MirroredRub(Mirrored):
    """Rubbing reflected: the surface is that of the other hand, the strokes are the same."""

    inner: RubMotion

    @property
    def surface(self) -> Surface:
        """The surface rubbed in the mirror."""
        return self.inner.surface.other_side

    def strokes(self, start_s: float, end_s: float) -> float:
        """See `RubMotion.strokes`."""
        return self.inner.strokes(start_s, end_s)


@dataclass(frozen=True, slots=True)
class MirroredWipe(Mirrored):
    """Wiping reflected: the area lies on the other side, the shares are the same."""

    inner: WipeMotion

    def covered_fraction(self, until_s: float | None = None) -> float:
        """See `WipeMotion.covered_fraction`."""
        return self.inner.covered_fraction(until_s)

    def gone_over_again_fraction(self, until_s: float | None = None) -> float:
        """See `WipeMotion.gone_over_again_fraction`."""
        return self.inner.gone_over_again_fraction(until_s)


def mirrored(motion: Motion) -> Motion:
    """`motion` reflected in X; mirroring twice gives the motion itself."""
    if isinstance(motion, Mirrored):
        return motion.inner
    if isinstance(motion, RubMotion):
        return MirroredRub(motion)
    return MirroredWipe(motion) if isinstance(motion, WipeMotion) else Mirrored(motion)
