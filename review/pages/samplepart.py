"""The fair draw of sessions to watch again, and its plan as a file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import streamlit as st

from review.pages.sessiontable import session_table
from review.pages.unit import day_words, noted
from review.sampling import draw, plan_csv
from review.store.records import SessionRow


@st.fragment
def show_sample(rows: Sequence[SessionRow], chosen_from: str) -> None:
    """A fair draw of sessions to watch again."""
    st.write(
        "Chance decides, so that nobody is picked on. Sessions that were watched less come up "
        "more often: never watched counts 1, once 1/2, twice 1/3. The draw number fixes the draw: "
        "anybody gets the same sessions again from the same choice, until one of them is watched. "
        "Save the plan to show later what was drawn from what."
    )
    left, right, _ = st.columns([1, 1, 2])
    with left:
        count = st.number_input("How many", 1, 50, 5)
    with right:
        number = st.number_input("Draw number", 1, 10_000, int(date.today().strftime("%j")))
    drawn = draw(rows, int(count), int(number))
    session_table(f"Draw {drawn.number}", drawn.picked)
    today = date.today()
    st.write(
        f"Draw {drawn.number} of {day_words(today)}: {len(drawn.picked)} of {len(drawn.pool)} "
        f"sessions ({chosen_from})."
    )
    st.download_button(
        "Save this plan (CSV)",
        noted("plan of a random sample (CSV)", lambda: plan_csv(drawn, today, chosen_from)),
        file_name=f"draw-{drawn.number}-{today.isoformat()}.csv",
        mime="text/csv",
        on_click="ignore",
    )
