"""Errors meant for people: each message names the file and says what to do about it."""

from __future__ import annotations

from review.escaping import plain_line


class ReviewError(Exception):
    """Something the user can put right; shown as one line, never as a traceback.

    The message stays one line whatever is in a file's name, and orders nothing to a terminal.
    """

    def __init__(self, message: str = "") -> None:
        super().__init__(plain_line(message))


class VideoError(ReviewError):
    """A recording that cannot be read."""


class ProtocolError(ReviewError):
    """A protocol file that is not valid."""


class LabelError(ReviewError):
    """A label file that is not valid."""


class AnalysisError(ReviewError):
    """An analysis document that is not valid."""
