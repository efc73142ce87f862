"""What a player makes of a file's timestamps and of its display matrix. Pure functions.

Time is seconds; pictures are uint8 arrays of shape (height, width, 3), rows from the top.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]

REWIND_S = 1.0
"""A timestamp this far before its predecessor starts a new count; a smaller step is jitter."""

LEAP_S = 600.0
"""A pause longer than this between two pictures is taken for a broken timestamp."""

LONGEST_STEP_S = 2.0
"""A last picture is taken to stand for as long as the one before, but no longer than this."""


class Clock:
    """Presentation times from zero, strictly increasing whatever the file says.

    A frame without a timestamp, or after a broken one, follows its predecessor by the
    ordinary step. A frame that does not advance the time is left out (``read`` gives None).
    """

    def __init__(self) -> None:
        self.step_s = 1.0 / 30.0
        self.left_out = 0
        self.broken = 0
        self._origin_s: float | None = None
        self._last_s = 0.0

    def read(self, stamp: float | None) -> float | None:
        """The time from the first frame for a file's timestamp (both seconds)."""
        if self._origin_s is None:
            self._origin_s = stamp if stamp is not None else 0.0
            return 0.0
        if stamp is None:
            stamp = self._origin_s + self._last_s + self.step_s
        step = stamp - self._origin_s - self._last_s
        if step <= -REWIND_S or step > LEAP_S:
            self.broken += 1
            step = self.step_s
            self._origin_s = stamp - self._last_s - step
        if step <= 0:
            self.left_out += 1
            return None
        self._last_s += step
        self.step_s = min(step, LONGEST_STEP_S)
        return self._last_s


@dataclass(frozen=True, slots=True)
class Orientation:
    """One of the eight ways a picture can lie: transpose first, then the two flips."""

    transpose: bool = False
    flip_x: bool = False
    flip_y: bool = False

    @classmethod
    def of(cls, matrix: bytes) -> Orientation:
        """From a display matrix ``[a b u; c d v; x y w]``, nine native 32-bit integers.

        Row vectors, y down: the point (x, y) goes to (a x + c y, b x + d y) (ISO/IEC 14496-12,
        track header). Angles other than quarter turns are rounded to the nearest.

        Raises:
            ValueError: if there are not nine numbers.
        """
        numbers = np.frombuffer(matrix, dtype=np.int32)
        if numbers.size != 9:
            raise ValueError(f"a display matrix has nine numbers, got {numbers.size}")
        a, b, _, c, d = numbers[:5].tolist()
        if abs(a) + abs(d) >= abs(b) + abs(c):
            return cls(False, flip_x=a < 0, flip_y=d < 0)
        return cls(True, flip_x=c < 0, flip_y=b < 0)

    @property
    def clockwise_deg(self) -> int:
        """Quarter turns clockwise; a mirroring is not part of this number."""
        if self.transpose:
            return 270 if self.flip_y else 90
        return 180 if self.flip_y else 0

    def apply(self, picture: Rgb) -> Rgb:
        """Shape (h, w, 3) to (h, w, 3) or (w, h, 3), contiguous."""
        if self.transpose:
            picture = picture.transpose(1, 0, 2)
        if self.flip_y:
            picture = picture[::-1]
        if self.flip_x:
            picture = picture[:, ::-1]
        return np.ascontiguousarray(picture)


def varies(times: tuple[float, ...], tick_s: float) -> bool:
    """Whether more than 1 % of the steps differ from the median by over 10 % (or 1.5 ticks).

    Containers that count in whole milliseconds round steady rates; that is not variation.
    The last steps are left out: the packets behind them may not have been read yet.
    """
    steps = np.diff(np.asarray(times[:-8] if len(times) > 24 else times))
    steps = steps[steps > 0]
    if steps.size < 2:
        return False
    middle = float(np.median(steps))
    return bool(np.mean(np.abs(steps - middle) > max(0.1 * middle, 1.5 * tick_s)) > 0.01)
