"""What stands on the printed page for the person who practised, in their language.

The same words as on the feedback page (:mod:`review.feedback`), in an order that fits one sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

from review.analysis import Analysis
from review.feedback import Feedback, Point
from review.handmap import WORDS as MAP_WORDS
from review.handmap import hand_map_svg, hand_map_words
from review.invented import INVENTED
from review.measures import Result
from review.words import Words


@dataclass(frozen=True, slots=True)
class PatientPoint:
    """One thing said: a few words, what was seen, what to do, and what is still open."""

    title: str
    saw: str
    do: str
    note: str


@dataclass(frozen=True, slots=True)
class PatientPage:
    """All texts of the page for the person who practised, in reading order.

    Attributes:
        language: tag of the language the texts are in.
        session: which practice it is about.
        invented: said of made-up examples; else empty.
        well_title, well: what went well.
        practise_title, practise, nothing: at most two things; a sentence where there is none.
        more: a sentence about further things; may be empty.
        touch_*: what to do if the open line was touched.
        hands_title, hands, hands_svg, hands_key: the hand picture, in words and drawn; all empty
            where nothing could be told.
        hidden_title, hidden, hidden_note: what could not be seen; empty for nothing.
        about: what the page is.
    """

    language: str
    title: str
    session: str
    invented: str
    well_title: str
    well: tuple[PatientPoint, ...]
    practise_title: str
    practise: tuple[PatientPoint, ...]
    nothing: str
    more: str
    touch_title: str
    touch_note: str
    touch: tuple[str, ...]
    touch_kind: str
    phone: str
    hands_title: str
    hands: str
    hands_svg: str
    hands_key: str
    hidden_title: str
    hidden: str
    hidden_note: str
    about: str


def patient_page(
    feedback: Feedback, analysis: Analysis, words: Words, *, dated: bool = True
) -> PatientPage:
    """Put the feedback on one practice into the texts of the printed page.

    Args:
        feedback: what is told.
        analysis: for the picture of the hands.
        words: the catalogue of the feedback's language.
        dated: whether the day of the practice is known.
    """
    say = words.say
    told = any(s.result is not Result.NOT_ASSESSABLE for s in analysis.wash_surfaces)
    own = {key: words.texts[f"map.{key}"] for key in MAP_WORDS}
    hands_title = say("page.hands") if told else ""
    return PatientPage(
        language=words.language,
        title=say("page.title"),
        session=say("page.session", day=words.day(feedback.taken_on)) if dated else "",
        invented=say("page.invented") if INVENTED in analysis.warnings else "",
        well_title=say("page.well"),
        well=tuple(_point(point, words) for point in feedback.well),
        practise_title=say("page.practise"),
        practise=tuple(_point(point, words) for point in feedback.practise),
        nothing=""
        if feedback.practise
        else say("page.nothing_to_practise" if feedback.told else "page.nothing_told"),
        more=feedback.more,
        touch_title=say("touch.title"),
        touch_note=say("touch.note"),
        touch=feedback.touch,
        touch_kind=say("touch.kind"),
        phone=say("page.phone"),
        hands_title=hands_title,
        hands=hand_map_words(analysis.wash_surfaces, words=own) if told else "",
        hands_svg=hand_map_svg(analysis.wash_surfaces, title=hands_title, words=own, form="wide")
        if told
        else "",
        hands_key=f"{say('page.hands_note')} {say('page.hands_key')}" if told else "",
        hidden_title=say("page.hidden") if feedback.hidden else "",
        hidden=feedback.hidden,
        hidden_note=say("page.hidden_note") if feedback.hidden else "",
        about=say("page.about"),
    )


def _point(point: Point, words: Words) -> PatientPoint:
    note = "" if point.checked else words.say("page.not_looked")
    return PatientPoint(point.title, point.saw, point.do, note)
