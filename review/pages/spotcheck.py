"""For the educator: targets met, wash times, changes over time, re-checks, a fair sample."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import partial

import streamlit as st

from review.escaping import markdown_text
from review.pages.overtime import show_over_time, show_since_training
from review.pages.recheckpart import show_rechecks
from review.pages.samplepart import show_sample
from review.pages.sessiontable import session_table, share_words, short_share, show_behind
from review.pages.unit import noted, open_page, pages_of, picture, show_parts, table
from review.pages.unitprotocols import protocols_of
from review.pages.washplot import rubbing_plot, says_rubbing, says_surfaces, surface_plot
from review.proportions import FEW, median_interval
from review.protocol import Protocol
from review.sessionlist import SORTS, Choice, choose, sort_sessions, to_csv
from review.spotcheck import (
    Band,
    Grouping,
    GroupRow,
    Wash,
    any_missed_in,
    any_surface_missed,
    group,
    group_of,
    long_enough,
    missed_in,
    ready,
    surfaces_missed,
    unclear_in,
    wash_time,
)
from review.store import Store
from review.store.records import SessionRow
from review.store.standard_records import TargetResults
from review.summary import name_of_measure
from review.targets import TargetRow, target_rows
from review.wording import SURFACES

GROUPS_A_PAGE = 12
DAY = "YYYY-MM-DD"
PART = "spotcheck-part"
"""Key of the tabs."""

SESSIONS_A_PAGE = 25

GROUPINGS: Mapping[str, Grouping] = {"Trainee": "person", "Trainer": "trainer", "Month": "month"}
WASHES: Mapping[str, Wash] = {"Rubbing time": "rubbing_time", "Whole wash": "whole_time"}
SORT_WORDS = {
    "taken_on": "Day",
    "person": "Trainee",
    "trainer": "Trainer",
    "wash_rubbing_s": "Rubbing time",
    "surfaces_missed": "Surfaces missed",
    "look_flags": "Flags",
    "open_flags": "Flags not decided",
    "watched": "Times watched",
}


def main() -> None:
    """The whole page."""
    store = open_page("Spot check", "spotcheck")
    if store is None:
        return
    rows = _rows(str(store.folder), store.newest_link(), store.today(), store)
    if not rows:
        st.write("No session yet that may be reviewed. Add one on the page 'Recordings'.")
        return
    choice = ask_choice(rows)
    chosen = choose(rows, choice)
    protocols, untold = protocols_of(rows)
    bands = bands_of(protocols, "rubbing_time")
    for trouble in untold:
        st.warning(markdown_text(trouble))
    if not chosen:
        st.write("No session fits this choice. Make it wider above.")
        return
    show_summary(chosen, bands)
    # Whoever is due stays due, whatever days are looked at.
    anytime = replace(choice, since=None, until=None, only_open=False)
    parts: dict[str, Callable[[], None]] = {
        "Wash time": partial(show_wash, chosen, protocols),
        "Surfaces missed": partial(show_surfaces, chosen),
        "Targets": lambda: show_targets(chosen, store.target_results(), protocols),
        "Over time": lambda: show_over_time(chosen, store.target_results()),
        "Since training": lambda: show_since_training(chosen, store.target_results()),
        "Re-checks": lambda: show_rechecks(store, choose(rows, anytime), protocols),
        "Random sample": partial(show_sample, chosen, choice_words(choice)),
        "Sessions": partial(show_sessions, chosen),
    }
    show_parts(parts, PART)


KEPT_S = 600.0
"""How long the sessions' figures stay in memory without being asked for anew."""


@st.cache_resource(show_spinner=False, max_entries=2, ttl=KEPT_S)
def _rows(folder: str, newest_link: str, today: date, _store: Store) -> tuple[SessionRow, ...]:
    """All sessions, read anew when anything in the records or the day is another one."""
    return _store.session_rows()


def ask_choice(rows: Sequence[SessionRow]) -> Choice:
    """The filters, in one row."""
    persons = sorted({row.person for row in rows})
    trainers = sorted({row.trainer for row in rows})
    first, last = min(r.taken_on for r in rows), max(r.taken_on for r in rows)
    one, two, three, four = st.columns([3, 3, 2, 2])
    with one:
        chosen = st.multiselect("Trainees", persons, placeholder="All trainees")
    with two:
        taught = st.multiselect("Trainers", trainers, placeholder="All trainers")
    with three:
        since = st.date_input("From", first, min_value=first, max_value=last, format=DAY)
    with four:
        until = st.date_input("To", last, min_value=first, max_value=last, format=DAY)
    only_open = st.checkbox("Only sessions with flags that nobody has decided about")
    return Choice(
        persons=frozenset(chosen),
        trainers=frozenset(taught),
        since=since,
        until=until,
        only_open=only_open,
    )


def choice_words(choice: Choice) -> str:
    """A choice in words, for the plan of a draw."""
    parts = [
        "trainees " + " ".join(sorted(choice.persons)) if choice.persons else "all trainees",
        "trainers " + " ".join(sorted(choice.trainers)) if choice.trainers else "all trainers",
        f"from {choice.since} to {choice.until}",
    ]
    if choice.only_open:
        parts.append("only with flags not decided")
    return ", ".join(parts)


def bands_of(protocols: Mapping[str, Protocol], wash: Wash) -> dict[str, Band]:
    """The wash time that each protocol asks for; those that ask for none are left out."""
    targets = {name: protocol.target(f"wash.{wash}") for name, protocol in protocols.items()}
    return {
        name: Band(target.at_least, target.at_most, target.source)
        for name, target in targets.items()
        if target is not None and target.has_bounds
    }


def show_summary(rows: Sequence[SessionRow], bands: Mapping[str, Band]) -> None:
    """The few numbers that matter, as sentences."""
    done = ready(rows)
    enough, missed = long_enough(done, bands), any_surface_missed(done)
    lines = [
        f"**{len(done)} sessions** of {len({row.person for row in done})} trainees"
        + (f", and {len(rows) - len(done)} without an analysis." if len(rows) > len(done) else "."),
        f"Rubbed long enough: **{share_words(enough)}**. Cannot tell: {enough.cannot_tell}.",
        f"At least one hand surface missed: **{share_words(missed)}**. "
        f"Cannot tell: {missed.cannot_tell}.",
    ]
    if enough.small or missed.small:
        lines.append(
            f"These are small numbers (fewer than {FEW}): read the intervals, not the shares."
        )
    st.markdown("  \n".join(lines))


@st.fragment
def show_targets(
    rows: Sequence[SessionRow],
    results: Mapping[int, TargetResults],
    protocols: Mapping[str, Protocol],
) -> None:
    """How many sessions met each target."""
    found = target_rows(rows, results)
    table(
        "Sessions that met each target; in brackets 95 % intervals",
        ("Measure", "Target", "Met", "Cannot tell", "Source of the target"),
        [
            (
                name_of_measure(row.measure),
                row.target,
                short_share(row.share),
                str(row.share.cannot_tell),
                _source(row, protocols),
            )
            for row in found
        ],
        numbers=(3,),
        empty="none of these sessions was held against a target.",
    )
    st.markdown(
        "'Met' is of the sessions in which it could be told; those that could not are in neither "
        "number. Each session was held against the target of its own time."
    )
    show_behind("targets", _behind_targets(found))


def _source(row: TargetRow, protocols: Mapping[str, Protocol]) -> str:
    """Who asks for it, from the protocols of now; an earlier target has none there."""
    targets = (protocol.target(row.measure) for protocol in protocols.values())
    sources = {t.source for t in targets if t is not None and t.text == row.target}
    return "; ".join(sorted(sources)) or "an earlier protocol"


def _behind_targets(found: Sequence[TargetRow]) -> dict[str, Callable[[], Iterable[SessionRow]]]:
    behind: dict[str, Callable[[], Iterable[SessionRow]]] = {}
    for row in found:
        name = f"{name_of_measure(row.measure)} ({row.target})"
        for words, rows in (
            ("met", row.met),
            ("not met", row.not_met),
            ("cannot tell", row.cannot_tell),
        ):
            if rows:
                behind[f"{name}: {words}"] = partial(tuple, rows)
    return behind


@st.fragment
def show_wash(rows: Sequence[SessionRow], protocols: Mapping[str, Protocol]) -> None:
    """A wash time in groups, drawn and as a table."""
    left, right = st.columns(2)
    with left:
        words = st.radio("One line for each", list(GROUPINGS), horizontal=True)
    with right:
        name = st.radio("Which time", list(WASHES), horizontal=True)
    wash, by = WASHES[name], GROUPINGS[words]
    bands = bands_of(protocols, wash)
    groups = group(rows, by, bands, wash)
    if not groups:
        st.write("None of these sessions has been analysed yet.")
        return
    shown = groups[pages_of(len(groups), GROUPS_A_PAGE, words, "wash-page")]
    used = {bands[row.protocol] for row in rows if row.protocol in bands}
    band = next(iter(used)) if len(used) == 1 else None
    if len(used) > 1:
        st.write("These sessions have different targets, so no band is drawn.")
    picture(rubbing_plot(shown, band, name), says_rubbing(shown, name), widest_px=1000)
    table(
        f"{'Wash' if wash == 'rubbing_time' else name} by {words.lower()}; "
        "in brackets 95 % intervals",
        (words, "Sessions", "Median", "Middle half", "Long enough", "Cannot tell",
         "With a surface missed", "Flags a session", "Not decided"),
        [_group_cells(row) for row in shown],
        numbers=(1, 5, 7, 8),
    )  # fmt: skip
    show_behind(
        f"wash-{by}",
        {f"{row.group}: all sessions": partial(_of_group, rows, by, row.group) for row in shown}
        | {
            f"{row.group}: {name.lower()} cannot be told": partial(
                _untimed, rows, by, row.group, wash
            )
            for row in shown
            if row.cannot_tell
        },
    )
    for source in sorted({band.source for band in used if band.source}):
        st.markdown(f"Target from: {markdown_text(source)}")
    st.markdown(
        "A median has an interval from six sessions on, a middle half from four. A trainee's "
        "sessions depend on each other, so intervals over several trainees are too narrow rather "
        "than too wide."
    )


def _of_group(rows: Sequence[SessionRow], by: Grouping, name: str) -> list[SessionRow]:
    return [row for row in ready(rows) if group_of(row, by) == name]


def _untimed(rows: Sequence[SessionRow], by: Grouping, name: str, wash: Wash) -> list[SessionRow]:
    return [row for row in _of_group(rows, by, name) if wash_time(row, wash) is None]


def _group_cells(row: GroupRow) -> tuple[str, ...]:
    interval, half = median_interval(row.times_s), row.middle_half_s
    middle = "cannot tell" if row.median_s is None else f"{row.median_s:.0f} s"
    if interval is not None:
        middle += f" ({interval[0]:.0f} to {interval[1]:.0f})"
    return (
        row.group,
        str(row.sessions),
        middle,
        "too few" if half is None else f"{half[0]:.0f} to {half[1]:.0f} s",
        short_share(row.long_enough),
        str(row.cannot_tell),
        short_share(row.surfaces_missed),
        f"{row.flags_per_session:.1f}",
        str(row.open_flags),
    )


@st.fragment
def show_surfaces(rows: Sequence[SessionRow]) -> None:
    """How often each hand surface was missed."""
    found = surfaces_missed(rows)
    picture(surface_plot(found), says_surfaces(found), widest_px=1000)
    table(
        "Hand surfaces, the one missed most first (left and right are the person's own)",
        ("Surface", "Missed in", "Cannot tell"),
        [
            (SURFACES[row.surface], share_words(row.missed), str(row.missed.cannot_tell))
            for row in found
        ],
        numbers=(2,),
    )
    behind: dict[str, Callable[[], Iterable[SessionRow]]] = {
        "At least one hand surface missed": partial(any_missed_in, rows)
    }
    for row in found:
        if row.missed.met:
            behind[f"{SURFACES[row.surface]}: missed"] = partial(missed_in, rows, row.surface)
        if row.missed.cannot_tell:
            name = f"{SURFACES[row.surface]}: cannot tell"
            behind[name] = partial(unclear_in, rows, row.surface)
    show_behind("surfaces", behind)


@st.fragment
def show_sessions(rows: Sequence[SessionRow]) -> None:
    """All sessions, page by page, and as a file."""
    left, middle, right = st.columns([2, 2, 2])
    with left:
        by = st.selectbox("Sort by", list(SORTS), format_func=lambda name: SORT_WORDS[name])
    with middle:
        order = st.selectbox("Order", ("Largest or newest first", "Smallest or oldest first"))
    ordered = sort_sessions(rows, by, descending=order.startswith("Largest"))
    with right:
        shown = ordered[pages_of(len(ordered), SESSIONS_A_PAGE, "Sessions", "session-page")]
    session_table(f"Sessions ({len(rows)} in all)", shown)
    st.download_button(
        "Save these sessions as a table (CSV)",
        noted("list of sessions (CSV)", lambda: to_csv(ordered)),
        file_name="sessions.csv",
        mime="text/csv",
        on_click="ignore",
    )


if __name__ == "__main__":
    main()
