"""How phases, surfaces, answers and times are said to people, in one place."""

from __future__ import annotations

from review.analysis import FlagKind, FlagLevel
from review.measures import Result
from review.timeline import Phase, Surface

PHASES: dict[Phase, str] = {
    Phase.WASH: "Hand wash",
    Phase.SURFACE_PREP: "Surface preparation",
    Phase.HAND_RUB: "Hand rub",
    Phase.CONNECT: "Connect",
    Phase.WAITING: "Waiting",
    Phase.DISCONNECT: "Disconnect",
    Phase.OTHER: "Other",
}

SURFACES: dict[Surface, str] = {
    Surface.PALMS: "Palms",
    Surface.BACK_LEFT: "Back of left hand",
    Surface.BACK_RIGHT: "Back of right hand",
    Surface.BETWEEN_FINGERS: "Between the fingers",
    Surface.BACKS_OF_FINGERS: "Backs of the fingers",
    Surface.THUMB_LEFT: "Left thumb",
    Surface.THUMB_RIGHT: "Right thumb",
    Surface.FINGERTIPS_LEFT: "Left fingertips",
    Surface.FINGERTIPS_RIGHT: "Right fingertips",
}

RESULTS: dict[Result, str] = {
    Result.MET: "met",
    Result.NOT_MET: "not met",
    Result.NOT_ASSESSABLE: "not assessable",
}

LEVELS: dict[FlagLevel, str] = {
    FlagLevel.LOOK: "Please look",
    FlagLevel.NOTE: "Note",
    FlagLevel.CANNOT_TELL: "Cannot tell",
}

FLAGS: dict[FlagKind, str] = {
    FlagKind.TALKING_NEAR_OPEN_LINE: "Talking near the open line",
    FlagKind.HAND_TO_FACE: "Hand to the face",
    FlagKind.LEFT_CLEAN_FIELD: "Hands left the clean field",
    FlagKind.HAND_RUB_MISSING: "Hand rub not found",
    FlagKind.HAND_RUB_SHORT: "Hand rub short",
    FlagKind.WASH_SHORT: "Wash short",
    FlagKind.WASH_SURFACE_MISSED: "Hand surface not rubbed",
    FlagKind.SURFACE_REWIPED: "Cleaned surface gone over again",
    FlagKind.SURFACE_AREA_MISSED: "Part of the surface not wiped",
    FlagKind.PHASE_MISSING: "Phase not found",
    FlagKind.PHASE_OUT_OF_ORDER: "Phase out of order",
    FlagKind.WAIT_SHORT: "Wait short",
    FlagKind.MASK_MISSING: "Mask not seen",
    FlagKind.NOT_SEEN: "Not seen",
}


DOUBTS: dict[FlagKind, str] = {
    FlagKind.TALKING_NEAR_OPEN_LINE: "Chewing, a cough or a broad smile can look like talking.",
    FlagKind.HAND_TO_FACE: (
        "A hand in front of the face can look as if it were on it: the camera sees no depth."
    ),
    FlagKind.LEFT_CLEAN_FIELD: (
        "The clean field was judged from where the hands worked; yours may reach further."
    ),
    FlagKind.HAND_RUB_MISSING: (
        "A rub out of the picture, or one that was very short, is not found."
    ),
    FlagKind.HAND_RUB_SHORT: (
        "Rubbing that goes on out of the picture, or while reaching, is not counted."
    ),
    FlagKind.WASH_SHORT: "Washing that begins or ends out of the picture is not counted.",
    FlagKind.WASH_SURFACE_MISSED: (
        "When fingers interlace or a hand hides the other, a surface can be taken for its "
        "neighbour."
    ),
    FlagKind.SURFACE_REWIPED: (
        "The cloth's size is a guess from the hand, so neighbouring lanes can seem to overlap."
    ),
    FlagKind.SURFACE_AREA_MISSED: (
        "The work area is taken from the wiping itself; its true edges are not known."
    ),
    FlagKind.PHASE_MISSING: "It may have been done out of the picture, or before the recording.",
    FlagKind.PHASE_OUT_OF_ORDER: (
        "Other work with the hands can be taken for this phase; your unit's order may differ."
    ),
    FlagKind.WAIT_SHORT: (
        "Drain, flush and fill are told apart by quiet spans only; fluid cannot be seen."
    ),
    FlagKind.MASK_MISSING: (
        "A mask is told by its colour: one of the colour of skin, or in odd light, is not seen."
    ),
    FlagKind.NOT_SEEN: "Nothing is said here about right or wrong: the camera saw too little.",
}
"""Why a flag of each kind might be wrong."""

DRAWN_AREA_DOUBT = (
    "The outline of the cloth is a guess from the hand, so a rim of the area drawn can seem missed."
)
"""The same for :attr:`FlagKind.SURFACE_AREA_MISSED` where a person drew the work area."""


def clock(time_s: float) -> str:
    """A time in the recording as people read it off a player, to a tenth of a second.

    >>> clock(75.25), clock(3671.0), clock(59.96)
    ('1:15.2', '1:01:11.0', '1:00.0')
    """
    tenths = round(time_s * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"
