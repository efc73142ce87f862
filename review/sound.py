"""Reads the sound of a recording. Beside ``video`` the only module that decodes for a measure."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from review.tracks import FeatureTrack
from review.video import open_video
from review.voice import RATE_HZ, levels_of, voice_track


def heard_voice(path: Path, end_s: float) -> FeatureTrack | None:
    """See :func:`review.voice.voice_track`; None where the recording has no sound to speak of.

    Only to be called where the person's consent allows the sound to be used.

    Args:
        path: the recording, sealed or not.
        end_s: its end, seconds from its first picture.

    Raises:
        VideoError: if it cannot be opened.
    """
    with open_video(path) as (container, _):
        if not container.streams.audio:
            return None
        return voice_track(levels_of(_blocks(container)), end_s)


def _blocks(container: av.container.InputContainer) -> Iterator[NDArray[np.float64]]:
    """One channel at :data:`RATE_HZ`; a gap in the sound is silence, what cannot be read ends it.

    The sound's own start is what counts as time zero: phones begin sound and picture within a
    few hundredths of a second.
    """
    resampler = av.AudioResampler(format="flt", layout="mono", rate=RATE_HZ)
    try:
        for frame in container.decode(audio=0):
            for part in resampler.resample(frame):
                yield part.to_ndarray()[0].astype(np.float64)
    except (av.FFmpegError, ValueError):
        return
