"""The video with its timeline, as one part of a page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from importlib import resources
from typing import Any

import streamlit as st

NAME = "review_player"

WORDS: dict[str, str] = {
    "agree": "Agree",
    "agree_done": "agreed",
    "agree_note": "The moment is as described (key A)",
    "agree_sign": "✓",
    "back_3": "Back 3 s",
    "begins": "begins",
    "by_person": "set by a person",
    "cancel": "Cancel",
    "comment": "Comment (may stay empty)",
    "comment_hint": "Saved together with agree, disagree or not sure.",
    "controls": "Playing",
    "count": "Moment {n} of {of}",
    "disagree": "Disagree",
    "disagree_done": "disagreed",
    "disagree_note": "The moment is not as described (key D)",
    "disagree_sign": "✗",
    "ends": "ends",
    "face_covered": "Cover face",
    "face_note": "Covers the face where it was tracked; check before showing it to others",
    "frame_back": "One picture back",
    "frame_on": "One picture on",
    "hands_both": "both hands seen",
    "hands_none": "no hand seen",
    "hands_note": "Full height: both hands seen. Half: one. Empty: none.",
    "hands_one": "one hand seen",
    "hands_shown": "Show hands",
    "lane_flags": "Moments",
    "lane_hands": "Hands seen",
    "lane_mouth": "Mouth",
    "lane_open": "Line open",
    "lane_phases": "Phases",
    "lane_surfaces": "Wash",
    "lane_time": "Time",
    "left_letter": "L",
    "line_closes": "Line closed",
    "line_open": "line open",
    "line_opens": "Line opened",
    "mark": "Add a moment here",
    "mark_empty": "Please say in a few words what there is to see.",
    "mark_title": "Your moment at {at}",
    "mark_what": "What is there to see?",
    "marks": "Moments; arrow keys go from one to the next",
    "mouth_hidden": "mouth not seen",
    "mouth_moving": "mouth moving",
    "mouth_note": "Full height: moving as in talking. Thin line: still. Striped: not seen.",
    "mouth_still": "mouth still",
    "next": "Next",
    "no_video": "No video is kept for this recording.",
    "nothing_flagged": "No moments",
    "nothing_flagged_note": "Nothing was flagged. That does not mean that nothing happened.",
    "only": "Only the moments",
    "only_done": "That was the last of the moments.",
    "open_note": "First estimate; drag an edge to correct it",
    "panel": "The current moment",
    "pause": "Pause",
    "play": "Play",
    "play_moment": "Play",
    "points_loading": "Finding the face ...",
    "points_trouble": "What was tracked is not kept here, so it cannot be drawn.",
    "previous": "Previous",
    "remove_moment": "Remove",
    "right_letter": "R",
    "save": "Save",
    "save_comment": "Save comment",
    "saving": "Saving ...",
    "sound": "Sound",
    "speed": "Speed",
    "surfaces_note": "Nine rows, one for each hand surface",
    "timeline": "Timeline",
    "undecided": "not decided yet",
    "undo": "Undo",
    "undo_move": "Undo the move",
    "unsure": "Not sure",
    "unsure_done": "not sure",
    "unsure_note": "It cannot be told from the video (key U)",
    "unsure_sign": "~",
    "verdicts": "Your decision",
    "video": "The recording",
    "video_trouble": "The video cannot be played. Load the page again; if that does not help, "
    "have the recording analysed again.",
    "who_first": "Please say first who is reviewing; nothing was saved.",
    "zoom": "Time and zoom",
    "zoom_in": "Zoom in",
    "zoom_out": "Zoom out",
    "zoomed": "Zoomed {x} times",
}
"""Everything the part says by itself."""


@cache
def _file(name: str) -> str:
    return (resources.files("review") / "components" / name).read_text(encoding="utf-8")


def show_player(
    data: Mapping[str, Any], *, key: str, on_actions: Callable[[], None]
) -> Mapping[str, Any]:
    """Put the player on the page.

    Args:
        data: what it shows, as :func:`review.desk.player_data` makes it.
        key: name of its state in the session.
        on_actions: called before the page is drawn anew when the trainer did something; the
            actions are then in ``st.session_state[key]["outbox"]``.

    Returns:
        Its state: ``outbox`` with ``client`` and ``actions``, each action numbered by ``n``.
    """
    # Registered here and not on import: each run of the page may have a registry of its own.
    mount = st.components.v2.component(NAME, css=_file("player.css"), js=_file("player.js"))
    state: Mapping[str, Any] = mount(
        key=key, data={**data, "words": WORDS}, on_outbox_change=on_actions
    )
    return state
