"""Hands at the face and away from the clean field, as they stand in the analysis document."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from review.analysis import HandEvent
from review.touching import FaceContact, FieldExit


def hand_events(
    contacts: Iterable[FaceContact], exits: Iterable[FieldExit]
) -> tuple[HandEvent, ...]:
    """All of them in order of time; also those that a rub followed, which are no flags."""
    at_face = [
        _common(contact)
        | {"what": "at_face", "distance": contact.depth, "confidence": contact.confidence}
        for contact in contacts
    ]
    away = [
        _common(left)
        | {"what": "left_field", "distance": left.distance, "out_of_view": left.out_of_view}
        for left in exits
    ]
    events = (HandEvent.model_validate(content) for content in (*at_face, *away))
    return tuple(sorted(events, key=lambda event: (event.start_s, event.end_s, event.hand)))


def _common(event: FaceContact | FieldExit) -> dict[str, Any]:
    return {
        "start_s": max(event.interval.start_s, 0.0),
        "end_s": event.interval.end_s,
        "hand": event.hand,
        "rubbed_after": event.rubbed_after,
        "seen_fraction": event.seen_fraction,
    }
