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
from review.features import moving_mean
from review.settings import OpenLineDetection

__all__ = ["MaskEvidence", "judge_mask", "lower_face_colours"]

Array = NDArray[np.float64]

SMOOTH_SAMPLES = 31
"""Colours are averaged over about 2 s: a mask is not put on and off within seconds."""


@dataclass(frozen=True, slots=True)
class MaskEvidence:
    """Per sample, whether the lower face could be judged, and whether it was covered.

    Attributes:
        judged: shape (n,), the two signs agreed.
        covered: shape (n,), they said 'mask'; False where not judged.
    """

    judged: NDArray[np.bool_]
    covered: NDArray[np.bool_]


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
    return MaskEvidence(judged=covered | bare, covered=covered)
