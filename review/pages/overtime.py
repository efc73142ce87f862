"""Whether something changed: targets and wash times by month, people against themselves."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

import streamlit as st

from review.change import (
    Change,
    PersonChange,
    TargetChange,
    by_person,
    change_in,
    target_change,
)
from review.charts import (
    FALSE_ALARM,
    FEWEST_POINTS,
    RUN_SOURCE,
    USUAL_POINTS,
    ZONE_RULES,
    ZONE_SOURCE,
    PChart,
    RunChart,
    p_chart,
    run_chart,
)
from review.pages.sessiontable import short_share, show_behind
from review.pages.timeplot import change_plot, p_plot, run_plot, says_points
from review.pages.unit import pages_of, picture, table
from review.proportions import median_interval
from review.spotcheck import Wash, wash_time
from review.store.records import SessionRow
from review.store.standard_records import TargetResults
from review.summary import name_of_measure
from review.targets import (
    Period,
    PeriodRow,
    TimesRow,
    each_session,
    over_time,
    target_rows,
    times_over_time,
)

PERIODS: Mapping[str, Period] = {"Month": "month", "Quarter": "quarter"}
RUN, LIMITS = "Run chart (few sessions a point)", "p-chart (many sessions a point)"
WIDEST_PX = 1000
SESSION = "Session"
"""Each session a point of its own."""

MOST_SESSIONS = 60
"""Points that can be told apart in one drawing."""

PEOPLE_A_PAGE = 15
"""Lines of the drawing of changes."""

WASHES: Mapping[str, Wash] = {"Rubbing time": "rubbing_time", "Whole wash": "whole_time"}
TIMES: Mapping[str, Wash] = {
    "Median rubbing time": "rubbing_time",
    "Median whole wash": "whole_time",
}
Results = Mapping[int, TargetResults]
Shown = Callable[[], Iterable[SessionRow]]


# --- over time ----------------------------------------------------------------------------------


@st.fragment
def show_over_time(rows: Sequence[SessionRow], results: Results) -> None:
    """One target, or one wash time, month by month."""
    found = target_rows(rows, results)
    measures = list(dict.fromkeys(row.measure for row in found))
    one, two, three = st.columns([3, 2, 4])
    with one:
        what = st.selectbox(
            "What",
            [*measures, *TIMES],
            format_func=lambda name: name if name in TIMES else f"Met: {name_of_measure(name)}",
        )
    with two:
        choices = [SESSION, *PERIODS] if what in TIMES else list(PERIODS)
        point = st.radio("Each point", choices, horizontal=True)
    if what is None:
        return
    if point == SESSION:
        _session_by_session(rows, TIMES[what], what)
        return
    period = PERIODS[point]
    if what in TIMES:
        _times_over_time(times_over_time(rows, TIMES[what], period), what)
        return
    with three:
        kind = st.radio("Chart", (RUN, LIMITS), horizontal=True)
    asked = sorted({row.target for row in found if row.measure == what})
    if len(asked) > 1:
        st.write(
            f"The target changed meanwhile ({'; '.join(asked)}); each session was held against "
            "the one of its own time."
        )
    series = over_time(rows, results, what, period)
    if kind == RUN:
        _run_of_shares(series)
    else:
        _limits_of_shares(series)
    show_behind(f"time-{what}-{period}", _behind_periods(series))


def _run_of_shares(series: Sequence[PeriodRow]) -> None:
    names = [row.period for row in series]
    values = [row.share.share for row in series]
    chart = run_chart([value for value in values if value is not None])
    picture(
        run_plot(names, values, chart, "share"),
        says_points(names, values, "share"),
        widest_px=WIDEST_PX,
    )
    st.markdown(run_words(chart))
    table(
        "Points of the run chart; in brackets 95 % intervals",
        ("Period", "Met", "Cannot tell", "Side of the median"),
        [
            (
                row.period,
                short_share(row.share),
                str(row.share.cannot_tell),
                _side(row.share.share, chart),
            )
            for row in series
        ],
        numbers=(2,),
    )


def _limits_of_shares(series: Sequence[PeriodRow]) -> None:
    names = [row.period for row in series]
    chart = p_chart([(row.share.met, row.share.n) for row in series])
    for trouble in limits_trouble(chart):
        st.warning(trouble)
    shares = [point.share for point in chart.points]
    picture(p_plot(names, chart), says_points(names, shares, "share"), widest_px=WIDEST_PX)
    st.markdown(limits_words(chart))
    table(
        "Points of the p-chart; in brackets 95 % intervals",
        ("Period", "Met", "Cannot tell", "Lower limit", "Upper limit", "Rules"),
        [
            (
                row.period,
                short_share(row.share),
                str(row.share.cannot_tell),
                _limit(point.low),
                _limit(point.high),
                ", ".join(map(str, point.rules)) or "none",
            )
            for row, point in zip(series, chart.points, strict=True)
        ],
        numbers=(2, 3, 4),
    )


def _session_by_session(rows: Sequence[SessionRow], wash: Wash, what: str) -> None:
    """Each session a point: the course of one person."""
    people = by_person(rows)
    if len(people) != 1 or sum(map(len, people.values())) > MOST_SESSIONS:
        st.write(
            "Session by session, a chart shows the course of one person: choose one trainee above"
            f" (and not more than {MOST_SESSIONS} sessions)."
        )
        return
    _times_over_time(each_session(rows, wash), what)


def _times_over_time(series: Sequence[TimesRow], what: str) -> None:
    names = [row.period for row in series]
    values = [row.median_s for row in series]
    chart = run_chart([value for value in values if value is not None])
    picture(
        run_plot(names, values, chart, "s"), says_points(names, values, "s"), widest_px=WIDEST_PX
    )
    st.markdown(run_words(chart))
    table(
        f"{what} by period; in brackets 95 % intervals",
        ("Period", "Sessions", "Median", "Cannot tell", "Side of the median"),
        [
            (
                row.period,
                str(len(row.told)),
                _median_words(row),
                str(len(row.cannot_tell)),
                _side(row.median_s, chart),
            )
            for row in series
        ],
        numbers=(1, 3),
    )
    behind: dict[str, Shown] = {}
    for row in series:
        if row.told:
            behind[f"{row.period}: measured"] = partial(tuple, row.told)
        if row.cannot_tell:
            behind[f"{row.period}: cannot tell"] = partial(tuple, row.cannot_tell)
    show_behind(f"times-{what}", behind)


def _median_words(row: TimesRow) -> str:
    if row.median_s is None:
        return "cannot tell" if row.cannot_tell else "none"
    interval = median_interval(row.times_s)
    words = f"{row.median_s:.0f} s"
    return words if interval is None else f"{words} ({interval[0]:.0f} to {interval[1]:.0f})"


def _side(value: float | None, chart: RunChart) -> str:
    if value is None or chart.median is None:
        return "no point"
    if value == chart.median:
        return "on it, not counted"
    return "above" if value > chart.median else "below"


def _limit(value: float | None) -> str:
    return "too few" if value is None else f"{100 * value:.0f} %"


def _behind_periods(series: Sequence[PeriodRow]) -> dict[str, Shown]:
    behind: dict[str, Shown] = {}
    for row in series:
        for words, rows in (
            ("met", row.met), ("not met", row.not_met), ("cannot tell", row.cannot_tell)
        ):  # fmt: skip
            if rows:
                behind[f"{row.period}: {words}"] = partial(tuple, rows)
    return behind


def run_words(chart: RunChart) -> str:
    """What a run chart says, in sentences."""
    if chart.longest_limit is None or chart.crossings_limit is None:
        return (
            f"Only {chart.useful} points lie off the median, and the rules need {FEWEST_POINTS}: "
            "nothing can be said yet about a change. Look at the points themselves."
        )
    words = (
        f"{chart.useful} points off the median in {chart.runs} runs. Longest run on one side: "
        f"**{chart.longest}** (chance alone: up to {chart.longest_limit}). The line crosses the "
        f"median **{chart.crossings}** times (chance alone: {chart.crossings_limit} or more). "
    )
    if chart.signal:
        words += "**More than chance: something changed.** The chart does not say what. "
    else:
        words += "No sign of a change beyond chance. "
    return words + f"Rules: {RUN_SOURCE}; points on the median are not counted."


def limits_trouble(chart: PChart) -> tuple[str, ...]:
    """Warnings about a p-chart with too few sessions a point, in sentences."""
    points = sum(point.n > 0 for point in chart.points)
    if chart.mean is None:
        return ("In none of these sessions could it be told, so there is no share to show.",)
    if chart.needed is None:
        every = "every" if chart.mean else "no"
        return (f"It was met in {every} session, so there is nothing to set limits by.",)
    troubles = []
    if chart.judged < points:
        troubles.append(
            f"Too few sessions for limits at {points - chart.judged} of {points} points: with "
            f"{100 * chart.mean:.0f} % met, a point needs {chart.needed} sessions. Points without "
            "limits are not judged. Take longer periods, or the run chart."
        )
    if 0 < chart.judged < USUAL_POINTS:
        troubles.append(
            f"Limits from {chart.judged} point{'' if chart.judged == 1 else 's'} are still "
            f"uncertain; {USUAL_POINTS} are usual."
        )
    return tuple(troubles)


def limits_words(chart: PChart) -> str:
    """What a p-chart says, in sentences."""
    if chart.mean is None or chart.judged == 0:
        return "No point has limits, so nothing is judged."
    found = sorted({rule for point in chart.points for rule in point.rules})
    words = f"Mean of all sessions: **{100 * chart.mean:.0f} %**. "
    if found:
        told = "; ".join(f"{number}: {ZONE_RULES[number]}" for number in found)
        words += f"**Signals by rule {told}.** "
    else:
        words += "No rule speaks. "
    return words + (
        f"Rules: {ZONE_SOURCE}. Together they signal about once in {FALSE_ALARM} points though "
        "nothing changed."
    )


# --- since training -----------------------------------------------------------------------------


@st.fragment
def show_since_training(rows: Sequence[SessionRow], results: Results) -> None:
    """First sessions against latest ones, person by person."""
    st.write(
        "Each person is compared with themselves. Sessions change for many reasons: this does not "
        "show that training made the difference."
    )
    left, right, _ = st.columns([2, 3, 3])
    with left:
        each = int(st.number_input("Sessions on each side, at most", 1, 10, 2))
    with right:
        name = st.radio("Which time", list(WASHES), horizontal=True, key="since")
    people = by_person(rows)
    times = {
        words: change_in(people, partial(wash_time, wash=wash), each)
        for words, wash in WASHES.items()
    }
    table(
        "Wash times, first sessions against latest; in brackets 95 % intervals",
        ("Time", "People", "Middle change", "Longer", "Shorter", "Fewer than two sessions"),
        [_time_cells(words, change) for words, change in times.items()],
        numbers=(1, 3, 4, 5),
    )
    _each_person(times[name], name)
    measures = dict.fromkeys(row.measure for row in target_rows(rows, results))
    changes = [target_change(people, results, measure) for measure in measures]
    table(
        "Targets, each person's first session against their latest",
        ("Measure", "People", "First met", "Latest met", "Came to meet it, of those that changed",
         "Fewer than two sessions"),
        [_target_cells(change) for change in changes],
        numbers=(1, 5),
    )  # fmt: skip
    show_behind("targets-since", _behind_changes(changes))
    st.markdown(
        "The middle change is the median over all pairs of people (Hodges and Lehmann 1963), its "
        "interval from the signed-rank distribution (Wilcoxon 1945), for six people and more; it "
        "takes it that changes spread alike to both sides. Of people whose answer changed, about "
        "half would come to meet a target by chance alone."
    )


def _time_cells(words: str, change: Change) -> tuple[str, ...]:
    middle = "none" if change.middle is None else f"{change.middle:+.1f} s"
    if change.interval is not None:
        middle += f" ({change.interval[0]:+.1f} to {change.interval[1]:+.1f})"
    elif change.persons:
        middle += " (too few people for an interval)"
    return (
        words,
        str(len(change.persons)),
        middle,
        str(sum(person.change > 0 for person in change.persons)),
        str(sum(person.change < 0 for person in change.persons)),
        str(change.left_out),
    )


def _each_person(change: Change, name: str) -> None:
    if not change.persons:
        return
    part = pages_of(len(change.persons), PEOPLE_A_PAGE, "People", f"people-{name}")
    shown = change.persons[part]
    picture(change_plot(shown, "s"), _says_change(shown, name), widest_px=WIDEST_PX)
    table(
        f"{name} of each person",
        ("Trainee", "First (mean of how many)", "Latest (mean of how many)", "Change"),
        [
            (
                person.person,
                f"{person.before:.1f} s ({len(person.first)})",
                f"{person.after:.1f} s ({len(person.latest)})",
                f"{person.change:+.1f} s",
            )
            for person in shown
        ],
        numbers=(1, 2, 3),
    )
    show_behind(
        f"people-{name}",
        {f"{p.person}: first sessions": partial(tuple, p.first) for p in shown}
        | {f"{p.person}: latest sessions": partial(tuple, p.latest) for p in shown},
    )


def _says_change(people: Sequence[PersonChange], name: str) -> str:
    return f"{name}, first and latest sessions. " + " ".join(
        f"{p.person}: {p.before:.0f} s, then {p.after:.0f} s." for p in people
    )


def _target_cells(change: TargetChange) -> tuple[str, ...]:
    return (
        name_of_measure(change.measure),
        str(change.people),
        short_share(change.first),
        short_share(change.latest),
        short_share(change.to_met) if change.to_met.n else "nobody changed",
        str(change.left_out),
    )


def _behind_changes(changes: Sequence[TargetChange]) -> dict[str, Shown]:
    behind: dict[str, Shown] = {}
    for change in changes:
        for words, pairs in (
            ("not met, then met", change.gained),
            ("met, then not met", change.lost),
            ("met both times", change.stayed_met),
            ("not met both times", change.stayed_not_met),
        ):
            if pairs:
                rows = [row for pair in pairs for row in pair]
                behind[f"{name_of_measure(change.measure)}: {words}"] = partial(tuple, rows)
    return behind
