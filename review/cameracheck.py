"""Whether a camera stands well, told from a short clip before the real recording.

A pure function from the landmarks of about ten seconds to findings with an advice each. What
could not be told is 'cannot tell', never 'fine'. Directions are those of the picture as it is
seen, so they hold for mirrored clips too. Skin is never judged by its brightness: light is told
from the whole picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from review.measures import Result, quantity
from review.settings import CameraDetection
from review.tracks import LandmarkTrack
from review.video import VideoInfo
from review.words import Words

WRIST, MIDDLE_KNUCKLE = 0, 9
"""Keypoints whose distance is the palm's length."""

PALM_LENGTH_M: Final = 0.095
"""Wrist joint to middle knuckle of an adult hand, metres (value from memory: the middle
metacarpal bone of about 6.5 cm and about 3 cm of wrist). People differ by about 10 %."""


@dataclass(frozen=True, slots=True)
class CameraFinding:
    """One answer of the check.

    Attributes:
        name: what was looked at, a key of the catalogue's ``camera_what``.
        result: met (fine), not_met (please change), not_assessable (cannot tell).
        saw: what was seen, with its number.
        advice: what to do; empty where nothing is to be done.
    """

    name: str
    result: Result
    saw: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class CameraCheck:
    """The whole answer.

    Attributes:
        findings: in the order in which to put them right.
        any_hand, both_hands, face: shares (0..1) of the clip in which they were seen.
        distance_m: metres from the camera to the hands, None where it cannot be told.
        best_s: time of the sample that shows most, for the picture beside the answers.
    """

    findings: tuple[CameraFinding, ...]
    any_hand: float
    both_hands: float
    face: float
    distance_m: float | None
    best_s: float

    @property
    def ready(self) -> bool:
        """Whether nothing needs a change and nothing was left untold."""
        return all(finding.result is Result.MET for finding in self.findings)

    @property
    def to_change(self) -> tuple[CameraFinding, ...]:
        """The findings that ask for a change."""
        return tuple(f for f in self.findings if f.result is Result.NOT_MET)


def check_camera(
    track: LandmarkTrack,
    info: VideoInfo,
    words: Words,
    settings: CameraDetection | None = None,
    *,
    glare: float | None = None,
) -> CameraCheck:
    """Judge where the camera stands.

    Args:
        track: landmarks of the clip.
        info: facts of its file.
        words: the catalogue in whose words the answers are given.
        settings: what is asked for.
        glare: share (0..1) of the picture at full white, see :func:`white_share`; None leaves
            glare out.
    """
    settings = settings or CameraDetection()
    widths = track.time.widths_s
    total = float(widths.sum())
    any_hand = float(widths[track.hand_seen.any(axis=1)].sum()) / total
    both = float(widths[track.hand_seen.all(axis=1)].sum()) / total
    face = float(widths[track.face_seen].sum()) / total
    distance = hand_distance_m(track, settings)
    return CameraCheck(
        findings=(
            _shape(info, words),
            _hands(any_hand, both, words, settings),
            _distance(track, distance, words, settings),
            _edges(track, words, settings),
            _face(face, words, settings),
            _light(track, glare, words, settings),
            _steady(track, words, settings),
            _sharp(info, words, settings),
            _length(info, total, words, settings),
        ),
        any_hand=any_hand,
        both_hands=both,
        face=face,
        distance_m=distance,
        best_s=_best_s(track),
    )


def white_share(pictures: Sequence[NDArray[np.uint8]]) -> float | None:
    """Share (0..1) of the pixels whose three colours are all at full white; None for no picture.

    ``pictures`` are uint8 arrays of shape (height, width, 3); full white is 250 and above, as
    lossy video seldom keeps 255.
    """
    if not pictures:
        return None
    return float(np.mean([(picture.min(axis=2) >= 250).mean() for picture in pictures]))


def hand_distance_m(track: LandmarkTrack, settings: CameraDetection) -> float | None:
    """Metres from the camera to the hands by their size; None where no hand was seen.

    A palm turned away looks shorter, so the 90th percentile of its length in the picture
    stands for a palm seen square on. Pinhole camera: distance = focal length x true length /
    length in the picture, the focal length in picture widths from the field of view. In an
    upright picture the width spans the shorter side, so the view across it is narrower.
    """
    length = palm_length(track)
    if length is None:
        return None
    width, height = track.frame_size_px
    focal = 0.5 / math.tan(math.radians(settings.field_of_view_deg) / 2.0)
    return focal * max(width, height) / width * PALM_LENGTH_M / length


def palm_length(track: LandmarkTrack) -> float | None:
    """Palm length in picture widths, its 90th percentile over both hands; None if never seen."""
    points = track.hands[..., :2]
    lengths = np.linalg.norm(points[:, :, MIDDLE_KNUCKLE] - points[:, :, WRIST], axis=-1)
    seen = lengths[np.isfinite(lengths) & (lengths > 0)]
    return float(np.percentile(seen, 90)) if seen.size else None


def _answer(good: bool) -> Result:
    return Result.MET if good else Result.NOT_MET


def _percent(share: float) -> str:
    return quantity(share, "share")


def _hands(any_hand: float, both: float, words: Words, settings: CameraDetection) -> CameraFinding:
    enough, two = any_hand >= settings.hands_share, both >= settings.both_hands_share
    advice = "" if enough and two else "hands_both" if enough else "hands_none"
    return CameraFinding(
        "hands",
        _answer(enough and two),
        words.say("camera_saw.hands", any=_percent(any_hand), both=_percent(both)),
        words.say(f"camera_do.{advice}") if advice else "",
    )


def _distance(
    track: LandmarkTrack, distance: float | None, words: Words, settings: CameraDetection
) -> CameraFinding:
    length = palm_length(track)
    if distance is None or length is None:
        unknown = words.say("camera_saw.distance_unknown")
        return CameraFinding("distance", Result.NOT_ASSESSABLE, unknown)
    advice = ""
    if length > settings.max_palm_length:
        wanted = settings.max_palm_length * (1.0 - settings.palm_length_margin)
        advice = words.say("camera_do.back", cm=_tens(distance * (length / wanted - 1.0)))
    elif length < settings.min_palm_length:
        wanted = settings.min_palm_length * (1.0 + settings.palm_length_margin)
        advice = words.say("camera_do.nearer", cm=_tens(distance * (1.0 - length / wanted)))
    saw = words.say("camera_saw.distance", metres=f"{distance:.1f}")
    return CameraFinding("distance", _answer(not advice), saw, advice)


def _tens(metres: float) -> int:
    """Whole tens of centimetres, at least ten: nobody places a phone more finely."""
    return max(10 * round(10.0 * metres), 10)


def _edges(track: LandmarkTrack, words: Words, settings: CameraDetection) -> CameraFinding:
    seen = track.hand_seen.any(axis=1)
    if not seen.any():
        unknown = words.say("camera_saw.distance_unknown")
        return CameraFinding("edges", Result.NOT_ASSESSABLE, unknown)
    width, height = track.frame_size_px
    x, y = track.hands[seen][..., 0], track.hands[seen][..., 1]
    margin, bottom = settings.edge_margin, height / width
    if track.mirrored:
        x = 1.0 - x
    with np.errstate(invalid="ignore"):  # a hand that was not seen is at no edge
        sides = {
            "left": (x < margin).any(axis=(1, 2)),
            "right": (x > 1.0 - margin).any(axis=(1, 2)),
            "top": (y < margin).any(axis=(1, 2)),
            "bottom": (y > bottom - margin).any(axis=(1, 2)),
        }
    widths = track.time.widths_s[seen]
    share = {side: float(widths[at].sum() / widths.sum()) for side, at in sides.items()}
    cut = float(widths[np.any(list(sides.values()), axis=0)].sum() / widths.sum())
    saw = words.say("camera_saw.edges", share=_percent(cut))
    if cut <= settings.edge_share:
        return CameraFinding("edges", Result.MET, saw)
    both_ways = min(share["left"], share["right"]) > settings.edge_share / 2
    side = "wide" if both_ways else max(share, key=lambda name: share[name])
    return CameraFinding("edges", Result.NOT_MET, saw, words.say(f"camera_do.edges_{side}"))


def _face(face: float, words: Words, settings: CameraDetection) -> CameraFinding:
    good = face >= settings.face_share
    saw = words.say("camera_saw.face", share=_percent(face))
    return CameraFinding("face", _answer(good), saw, "" if good else words.say("camera_do.face"))


def _light(
    track: LandmarkTrack, glare: float | None, words: Words, settings: CameraDetection
) -> CameraFinding:
    luma = float(np.median(track.luma))
    advice = ""
    if luma < settings.min_luma:
        advice = "dark"
    elif luma > settings.max_luma:
        advice = "bright"
    elif glare is not None and glare > settings.glare_share:
        advice = "glare"
    return CameraFinding(
        "light",
        _answer(not advice),
        words.say("camera_saw.light", share=_percent(luma)),
        words.say(f"camera_do.{advice}") if advice else "",
    )


def _steady(track: LandmarkTrack, words: Words, settings: CameraDetection) -> CameraFinding:
    change = track.motion.reshape(len(track.time), -1)[1:]
    if change.size == 0:
        unknown = words.say("camera_saw.steady_unknown")
        return CameraFinding("steady", Result.NOT_ASSESSABLE, unknown)
    quiet = float(np.median(np.quantile(change, 0.25, axis=1)))
    if quiet <= settings.max_still_change:
        return CameraFinding("steady", Result.MET, words.say("camera_saw.steady"))
    saw, advice = words.say("camera_saw.steady_moves"), words.say("camera_do.steady")
    return CameraFinding("steady", Result.NOT_MET, saw, advice)


def _shape(info: VideoInfo, words: Words) -> CameraFinding:
    good = info.width >= info.height
    saw = words.say("camera_saw.shape", width=info.width, height=info.height)
    return CameraFinding("shape", _answer(good), saw, "" if good else words.say("camera_do.shape"))


def _sharp(info: VideoInfo, words: Words, settings: CameraDetection) -> CameraFinding:
    height = min(info.width, info.height)
    known = math.isfinite(info.fps)
    saw = (
        words.say("camera_saw.sharp", height=height, fps=f"{info.fps:.0f}")
        if known
        else words.say("camera_saw.sharp_unknown", height=height)
    )
    if height < settings.min_height_px:
        advice = words.say("camera_do.size", height=settings.min_height_px)
        return CameraFinding("sharp", Result.NOT_MET, saw, advice)
    if not known:
        return CameraFinding("sharp", Result.NOT_ASSESSABLE, saw)
    if info.fps < settings.min_fps:
        advice = words.say("camera_do.rate", fps=f"{settings.min_fps:.0f}")
        return CameraFinding("sharp", Result.NOT_MET, saw, advice)
    return CameraFinding("sharp", Result.MET, saw)


def _length(
    info: VideoInfo, looked_at_s: float, words: Words, settings: CameraDetection
) -> CameraFinding:
    time = words.count("seconds", round(info.duration_s))
    saw = words.say("camera_saw.length", time=time)
    if info.duration_s < settings.min_length_s:
        return CameraFinding("length", Result.NOT_MET, saw, words.say("camera_do.longer"))
    advice = ""
    if info.duration_s > looked_at_s + 1.0:
        looked = words.count("seconds", round(looked_at_s))
        advice = words.say("camera_do.shorter", time=looked)
    return CameraFinding("length", Result.MET, saw, advice)


def _best_s(track: LandmarkTrack) -> float:
    """The sample with most hands and a face, the one nearest to the clip's middle."""
    shown = track.hand_seen.sum(axis=1) * 2 + track.face_seen
    times = track.time.times_s
    middle = np.abs(times - (times[0] + track.time.end_s) / 2.0)
    best = np.flatnonzero(shown == shown.max())
    return float(times[best[np.argmin(middle[best])]])
