"""Whether the lower face is covered, from its colours against the rest of the face.

A face mesh is tracked through a mask and then shows lips that it only guesses, so landmarks
cannot say whether there is one. Colours can, with care: a mask differs in hue from the
forehead and shows no redder lips; bare skin is like the forehead and does. Where the two
signs disagree (beard, odd light, grey pictures) the answer is 'cannot tell'. The colours
themselves are measured in ``review.facecolour``, while the pictures are at hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.facecolour import lower_face_colours
from review.handgrid import moving_mean
from review.settings import OpenLineDetection
from review.tracks import TimeBase

__all__ = ["MaskEvidence", "behind_mask", "judge_mask", "lower_face_colours"]

Array = NDArray[np.float64]

MASK_REACH_S = 5.0
"""What was judged this long before and after a moment speaks for it, too."""

SMOOTH_SAMPLES = 31
"""Colours are averaged over about 2 s: a mask is not put on and off within seconds."""


@dataclass(frozen=True, slots=True)
class MaskEvidence:
    """Per sample, whether the lower face could be judged, and whether it was covered.

    Attributes:
        judged: shape (n,), the two signs agreed.
        covered: shape (n,), they said 'mask'; False where not judged.
        confidence: shape (n,), 0.5 where a sign only just reaches its limit, 1 where both are
            twice as far or further; NaN where not judged. None where it is not known.
    """

    judged: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    confidence: Array | None = None


def judge_mask(colours: NDArray[np.floating[Any]], settings: OpenLineDetection) -> MaskEvidence:
    """From :func:`lower_face_colours` of every sample (n, 2) to the three answers.

    Mask: the hue differs by more than ``mask_hue_distance`` and the lips are redder by less
    than ``mask_lip_redness``. Bare: within ``bare_hue_distance`` and redder by at least
    ``bare_lip_redness``. Anything else is not judged.
    """
    smooth = moving_mean(np.asarray(colours, dtype=np.float64), SMOOTH_SAMPLES)
    smooth[~np.isfinite(colours).all(axis=1)] = np.nan
    hue, lips = smooth.T
    with np.errstate(invalid="ignore"):
        covered = (hue > settings.mask_hue_distance) & (lips < settings.mask_lip_redness)
        bare = (hue <= settings.bare_hue_distance) & (lips >= settings.bare_lip_redness)
        # How far each sign is beyond its limit, in parts of that limit; the weaker one counts.
        for_mask = np.minimum(
            hue / settings.mask_hue_distance - 1.0,
            (settings.mask_lip_redness - lips) / settings.bare_lip_redness,
        )
        for_bare = np.minimum(
            1.0 - hue / settings.bare_hue_distance, lips / settings.bare_lip_redness - 1.0
        )
    beyond = np.where(covered, for_mask, np.where(bare, for_bare, np.nan))
    return MaskEvidence(covered | bare, covered, 0.5 + 0.5 * np.clip(beyond, 0.0, 1.0))


def behind_mask(mask: MaskEvidence, time: TimeBase) -> NDArray[np.bool_]:
    """Shape (n,): where the lips are taken to be hidden by a mask.

    A mask stays on for longer than the moments in which it can be judged: of the time judged
    within ``MASK_REACH_S`` before and after, most said 'mask'. False where nothing was judged.
    """
    width, at = time.widths_s, time.times_s
    first = np.searchsorted(at, at - MASK_REACH_S)
    last = np.searchsorted(at, at + MASK_REACH_S, side="right")

    def within(what: NDArray[np.bool_]) -> Array:
        sums = np.concatenate([[0.0], np.cumsum(np.where(what, width, 0.0))])
        return np.asarray(sums[last] - sums[first])

    covered, judged = within(mask.covered), within(mask.judged)
    return np.asarray((judged > 0) & (covered > 0.5 * judged))
