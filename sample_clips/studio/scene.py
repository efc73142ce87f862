"""What is in front of the camera at one moment, and how the place looks.

These types live apart from the renderer so that what draws a part of the picture (the head) can
import them without importing the renderer. World frame and units as in `skeleton`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sample_clips.studio.head import FaceLook
from sample_clips.studio.skeleton import HandPose, HandShape

Array = NDArray[np.float64]
Colour = tuple[int, int, int]
PropKind = Literal["box", "cylinder", "capsule", "cloth", "tube"]


@dataclass(frozen=True, slots=True, eq=False)
class Prop:
    """A thing that is held or lies about.

    position (3,): its centre, world metres. rotation (3,3): columns are its own x, y, z in the
    world. size (3,): full extents along those axes; cylinders and capsules lie along their y (a
    capsule's length includes its caps). colour: BGR 0..255. points (n,3): for 'tube' only, the
    middle line in world metres; its diameter is size[0], and position and rotation are not used.
    """

    kind: PropKind
    position: Array
    rotation: Array
    size: Array
    colour: Colour
    points: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class HeadState:
    """Where the head is and what the face does.

    centre (3,): world metres. yaw, pitch, roll: radians; yaw turns the face to the subject's
    left, pitch lowers it, roll tips it to the subject's left. mouth_open, smile: 0..1.
    mask: whether a face mask covers nose and mouth.
    """

    centre: Array
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    mouth_open: float = 0.0
    smile: float = 0.0
    mask: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class FrameState:
    """One moment.

    foam: 0..1, how much lather is on the hands. wet: 0..1, how much wet skin shines. water: whether
    the tap runs. tick: frame number, which picks the sensor noise.
    """

    left: HandPose
    right: HandPose
    head: HeadState | None = None
    props: tuple[Prop, ...] = ()
    foam: float = 0.0
    wet: float = 0.0
    water: bool = False
    tick: int = 0


@dataclass(frozen=True, slots=True)
class Look:
    """How one clip looks; hashable, so that the still background is drawn once.

    skin_tone: 1 (very light) to 6 (very dark). light: 1.0 is a well lit room. light_from: where
    the light comes from, a direction in the world. warmth: -1 (bluish) to 1 (yellowish).
    noise: sensor noise, standard deviation in grey levels. blur: lens blur, pixels (sigma).
    sleeve: share of the forearm that is covered, 0..1, from the elbow. sink_side: where the
    basin stands, as the subject sees it. mirrored: whether the finished picture is flipped, as
    selfie cameras do. seed: for textures and noise. foam: lather on the hands in every frame
    (a frame's own `foam` adds to it). hand_kind: see `geometry.hand_geometry`.
    """

    skin_tone: int = 2
    light: float = 1.0
    light_from: tuple[float, float, float] = (-0.35, 0.85, 0.55)
    warmth: float = 0.0
    noise: float = 2.0
    blur: float = 0.5
    sleeve: float = 0.35
    sleeve_bgr: Colour = (130, 100, 70)
    clothes_bgr: Colour = (120, 92, 66)
    wall_bgr: Colour = (196, 204, 206)
    table_bgr: Colour = (170, 190, 205)
    face: FaceLook = field(default_factory=FaceLook)
    sink_side: Literal["left", "right", "none"] = "left"
    foam: bool = False
    mirrored: bool = False
    seed: int = 0
    hand_kind: str = "smooth"
    shape: HandShape = field(default_factory=HandShape)

    def __post_init__(self) -> None:
        if not 1 <= self.skin_tone <= 6:
            raise ValueError("skin_tone must be 1 (very light) to 6 (very dark)")
        if np.linalg.norm(self.light_from) < 1e-9:
            raise ValueError("light_from has no length")
