"""A reviewed session for tests of the reports; nobody in it exists."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from review.analysis import Analysis
from review.store import Store, flag_topic
from review.timeline import Interval, Phase, Segment
from tests.stores import BY, TODAY, analysed_store

ODD = (
    "Zoë Ñandú: العربية 中文字 \U0001f600 \u202eevil\u202c "
    "*bold* #let x = 1 $a^2$ <b>&amp;</b> --> =1+1"
)
"""A comment with other scripts, a direction mark and what other programs take for orders."""


def reviewed_store(folder: Path, analysis: Analysis) -> tuple[Store, int]:
    """A store with one session in which something of every kind was entered."""
    store, number = analysed_store(folder, analysis)
    for place, flag in enumerate(analysis.flags[:2]):
        store.decide(
            number,
            kind=flag.kind,
            start_s=flag.start_s,
            end_s=flag.end_s,
            topic=flag_topic(flag),
            verdict=("agree", "disagree")[place],
            comment=(ODD, "")[place],
            by="T-1",
        )
    store.decide(
        number, kind="left_clean_field", start_s=1.0, end_s=2.0, verdict="unsure", by="T-1"
    )
    store.add_moment(number, start_s=100.0, end_s=100.0, text="Towel fell down", by="T-1")
    content = analysis.protocol.content["checklist"]
    store.answer(number, item=content[0]["item"], answer="done", comment="looked", by="T-1")
    store.answer(number, item=content[2]["item"], answer="not_done", by="T-1")
    store.comment(number, "Calm and careful.", by="T-1")
    phases = (Segment(Interval(0.0, 31.0), Phase.WASH, source="person"),)
    store.correct(number, phases=phases, windows=[(Phase.CONNECT, 66.0, 74.5)], by="T-1")
    store.sign(
        number,
        name="Tess Invented",
        on=TODAY,
        outcome="practise_more",
        recheck_on=TODAY + timedelta(days=28),
        by=BY,
    )
    return store, number
