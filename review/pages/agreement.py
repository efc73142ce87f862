"""For the educator: whether trainers agree, and whether the program's flags hold up."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

import streamlit as st

from review.agreement import (
    ALL,
    Compared,
    FlagsRight,
    Found,
    compare_checklists,
    compare_flags,
    finished,
    flags_by_kind,
    flags_by_month,
    flags_together,
    moments_found,
)
from review.analysis import FlagKind
from review.deskview import ANSWERS, VERDICTS
from review.errors import ReviewError
from review.escaping import markdown_text
from review.pages.sessiontable import percent, short_share, show_behind, together
from review.pages.timeplot import interval_plot, says_points
from review.pages.unit import (
    day_words,
    open_page,
    pages_of,
    picture,
    show_parts,
    table,
    who_is_here,
)
from review.pages.unitprotocols import protocols_of
from review.raters import DRAWS, FEWEST_FOR_INTERVAL, SEED, Agreement, Method
from review.store import Store
from review.store.records import RecordingState, SessionRow
from review.store.standard_records import BlindReview, BlindState
from review.wording import FLAGS

PART = "agreement-part"
ROWS_A_PAGE = 20

SAID = {answer.value: words for answer, words in ANSWERS.items()} | {
    verdict.value: words for verdict, words in VERDICTS.items()
}
"""What trainers can say, in words."""

BLIND = {
    BlindState.OPEN: "not finished",
    BlindState.FINISHED: "finished",
    BlindState.CALLED_OFF: "called off",
}

Rows = Mapping[int, SessionRow]


def main() -> None:
    """The whole page."""
    store = open_page("Agreement", "agreement")
    if store is None:
        return
    rows = {row.recording_id: row for row in store.session_rows()}
    reviews = store.blind_reviews()
    parts: dict[str, Callable[[], None]] = {
        "Trainers with each other": partial(show_trainers, store, reviews, rows),
        "Program and trainers": partial(show_program, store, rows),
        "Blind reviews": partial(show_reviews, store, reviews, rows),
    }
    show_parts(parts, PART)


# --- trainers with each other ---------------------------------------------------------------------


@st.fragment
def show_trainers(store: Store, reviews: Sequence[BlindReview], rows: Rows) -> None:
    """Agreement about each item of the checklist and about the flags."""
    done = finished(reviews)
    if not done:
        st.write(
            "No recording was reviewed blind yet. Ask a trainer under 'Blind reviews': the more "
            "recordings two people looked at, the more this page can say."
        )
        return
    blind_only = st.checkbox(
        "Only blind reviews (the ordinary review saw what the camera suggested)"
    )
    st.markdown(
        f"**{len(done)} recordings** were reviewed blind by a second trainer. "
        "'All said the same' is the number to look at first. "
        "'Beyond chance' asks how much of it is more than luck: 1 is full agreement, 0 is what "
        "chance alone would give, below 0 is less than that."
    )
    checklist = _in_order(
        compare_checklists(reviews, store.all_answers(), blind_only=blind_only), rows
    )
    _compared_table("Checklist", "Item", checklist, lambda name: name)
    show_behind("checklist", _behind_compared(checklist, rows, lambda name: name))
    flags = compare_flags(reviews, store.all_decisions(), blind_only=blind_only)
    _compared_table("Flags: agree, disagree or not sure", "Flag", flags, flag_name)
    show_behind("flags", _behind_compared(flags, rows, flag_name))
    st.markdown(_how_it_is_worked_out([*checklist, *flags]))


def _in_order(compared: Sequence[Compared], rows: Rows) -> list[Compared]:
    """Items in the order of the unit's checklists; those of earlier protocols come last."""
    protocols, _ = protocols_of(rows.values())
    items = [item.item for protocol in protocols.values() for item in protocol.checklist]
    place = {item: at for at, item in reversed(list(enumerate(items)))}
    return sorted(compared, key=lambda row: place.get(row.name, len(items)))


def flag_name(name: str) -> str:
    """A kind of flag in words; all kinds together have a name of their own."""
    return "All kinds together" if name == ALL else FLAGS[FlagKind(name)]


def _compared_table(
    caption: str, head: str, compared: Sequence[Compared], name: Callable[[str], str]
) -> None:
    table(
        f"{caption}; in brackets 95 % intervals",
        (head, "Looked at twice", "All said the same", "Beyond chance", "Said most often",
         "Remark"),
        [
            (
                name(row.name),
                str(row.agreement.things),
                short_share(row.agreement.all_agreed),
                beyond_chance(row.agreement),
                _commonest(row.agreement),
                remark(row),
            )
            for row in compared
            if row.agreement.things
        ],
        numbers=(1,),
        empty="nothing was answered twice.",
    )  # fmt: skip


def beyond_chance(found: Agreement) -> str:
    """The coefficient with its interval, or why there is none."""
    if found.value is None or found.method is None:
        return "cannot tell"
    words = f"{found.value:.2f}"
    if found.interval is None:
        return together(words, "(no interval)")
    return together(words, f"({found.interval[0]:.2f} to {found.interval[1]:.2f})")


def _commonest(found: Agreement) -> str:
    if found.commonest is None:
        return ""
    answer, share = found.commonest
    return together(f"{SAID[answer]},", percent(share))


def remark(row: Compared) -> str:
    """What to bear in mind with one line."""
    found = row.agreement
    if found.value is None:
        return "Everybody always said the same, so chance cannot be told apart."
    answer = SAID[found.commonest[0]] if found.commonest else ""
    words = []
    if row.paradox:
        words.append(
            f"Nearly all answers were '{answer}': then this number is low even where trainers "
            "agree. Go by 'All said the same'."
        )
    if found.things < FEWEST_FOR_INTERVAL:
        words.append("Too few for an interval.")
    elif found.interval is None:
        words.append(f"Too rarely anything but '{answer}' for an interval.")
    return " ".join(words)


def _behind_compared(
    compared: Sequence[Compared], rows: Rows, name: Callable[[str], str]
) -> dict[str, Callable[[], Iterable[SessionRow]]]:
    behind: dict[str, Callable[[], Iterable[SessionRow]]] = {}
    for row in compared:
        same = tuple(n for n in row.recordings if n not in set(row.differing))
        for words, numbers in (("different", row.differing), ("the same", same)):
            if numbers:
                behind[f"{name(row.name)}: {words}"] = partial(_rows_of, numbers, rows)
    return behind


def _rows_of(numbers: Iterable[int], rows: Rows) -> list[SessionRow]:
    """The sessions of recordings, each once."""
    return [rows[number] for number in dict.fromkeys(numbers) if number in rows]


def _how_it_is_worked_out(compared: Sequence[Compared]) -> str:
    used = {row.agreement.method for row in compared if row.agreement.method}
    sources = {
        Method.COHEN: "Cohen's kappa (1960) where the same two people reviewed throughout",
        Method.FLEISS: "Fleiss' kappa (1971) where each thing had the same number of reviewers",
        Method.ALPHA: "Krippendorff's alpha (2011, nominal) where the numbers differ",
    }
    named = "; ".join(words for method, words in sources.items() if method in used)
    return (
        f"Beyond chance: {named}. Intervals: percentiles of {DRAWS} bootstrap draws of recordings "
        f"(seed {SEED}), from {FEWEST_FOR_INTERVAL} on; of 'All said the same', Wilson (1927). No "
        "bands of 'good' or 'poor' are given: the usual ones (Landis and Koch 1977) are arbitrary, "
        "and the same kappa means different things where answers are rarer or commoner. 'Cannot "
        "tell' is an answer like the others; an item passed over is left out."
    )


# --- the program against trainers -----------------------------------------------------------------


@st.fragment
def show_program(store: Store, rows: Rows) -> None:
    """How often trainers agreed with flags, and what they found that was not flagged."""
    decisions = store.all_decisions()
    if not decisions:
        st.write("Nobody has decided about a flag yet.")
        return
    kinds = (flags_together(decisions), *flags_by_kind(decisions))
    table(
        "Flags that trainers agreed with; in brackets 95 % intervals",
        ("Flag", "Agreed, of agreed and disagreed", "Not sure"),
        [
            (flag_name(row.name), short_share(row.right), str(row.right.cannot_tell))
            for row in kinds
        ],
        numbers=(2,),
    )
    show_behind("kinds", _behind_right(kinds, rows))
    st.markdown(
        "Trainers decided with the flag before their eyes, so they may have agreed too readily. "
        "Flags nobody decided about, and 'Not seen', are left out."
    )
    months = flags_by_month(decisions, rows.values())
    names = [row.name for row in months]
    picture(
        interval_plot(names, [row.right for row in months], "Flags agreed with, by month"),
        "Flags agreed with, by month. "
        + says_points(names, [row.right.share for row in months], "share"),
        widest_px=1000,
    )
    moments = store.all_moments()
    by_month = moments_found(decisions, moments, rows.values(), by_month=True)
    _month_table(months, by_month)
    show_behind("months", _behind_right(months, rows) | _behind_found(by_month, rows))
    for row in moments_found(decisions, moments, rows.values()):
        st.markdown(
            f"**Of what trainers found, the program had flagged {short_share(row.share)}**, over "
            f"{row.sessions} signed recordings: flags agreed with, of those and the moments that "
            "trainers added where no flag was."
        )
    st.markdown(
        "Take this as the most it can be: somebody who looks at the flagged moments alone finds "
        "nothing else, and what nobody noticed is in no number. Recordings watched from beginning "
        "to end, as in the random sample, tell more."
    )


def _month_table(months: Sequence[FlagsRight], found: Sequence[Found]) -> None:
    right = {row.name: row for row in months}
    flagged = {row.name: row for row in found}
    table(
        "By month of the session; in brackets 95 % intervals",
        ("Month", "Agreed with", "Not sure", "Had been flagged", "Signed recordings"),
        [
            (
                name,
                short_share(right[name].right) if name in right else "none",
                str(right[name].right.cannot_tell) if name in right else "0",
                short_share(flagged[name].share) if name in flagged else "none",
                str(flagged[name].sessions) if name in flagged else "0",
            )
            for name in sorted({*right, *flagged})
        ],
        numbers=(2, 4),
    )


def _behind_right(
    found: Sequence[FlagsRight], rows: Rows
) -> dict[str, Callable[[], Iterable[SessionRow]]]:
    behind: dict[str, Callable[[], Iterable[SessionRow]]] = {}
    for row in found:
        name = flag_name(row.name) if row.name in (ALL, *FlagKind) else row.name
        for words, numbers in (
            ("agreed", row.agreed_in),
            ("disagreed", row.disagreed_in),
            ("not sure", row.unsure_in),
        ):
            if numbers:
                behind[f"{name}: {words}"] = partial(_rows_of, numbers, rows)
    return behind


def _behind_found(
    found: Sequence[Found], rows: Rows
) -> dict[str, Callable[[], Iterable[SessionRow]]]:
    return {
        f"{row.name}: moments added where no flag was": partial(_rows_of, row.missed_in, rows)
        for row in found
        if row.missed_in
    }


# --- asking for blind reviews ---------------------------------------------------------------------


@st.fragment
def show_reviews(store: Store, reviews: Sequence[BlindReview], rows: Rows) -> None:
    """Who was asked to review what blind, and a form to ask."""
    who = who_is_here(store)
    newest = sorted(reviews, key=lambda review: -review.id)
    shown = newest[pages_of(len(newest), ROWS_A_PAGE, "Blind reviews", "blind-page")]
    table(
        f"Blind reviews ({len(newest)})",
        ("Asked on", "Trainer", "Recording", "State"),
        [
            (
                day_words(review.at.astimezone().date()),
                review.trainer,
                _recording_words(review.recording_id, rows),
                BLIND[review.state],
            )
            for review in shown
        ],
        empty="nobody was asked yet.",
    )
    if not who:
        st.write("Choose who you are to ask for a blind review.")
        return
    left, right = st.columns(2, gap="large")
    with left:
        _ask(store, reviews, rows, who)
    with right:
        _call_off(store, reviews, rows, who)


def _recording_words(number: int, rows: Rows) -> str:
    row = rows.get(number)
    return f"recording {number}" if row is None else f"{row.person}, {day_words(row.taken_on)}"


def _ask(store: Store, reviews: Sequence[BlindReview], rows: Rows, who: str) -> None:
    trainers = {t.code: t.name for t in store.trainers() if t.active}
    newest = sorted(
        (row for row in rows.values() if row.state is RecordingState.READY),
        key=lambda row: (row.taken_on, row.recording_id),
        reverse=True,
    )
    with st.form("ask-blind", clear_on_submit=True):
        trainer = st.selectbox(
            "Who is to look", list(trainers), format_func=lambda c: f"{trainers[c]} ({c})"
        )
        number = st.selectbox(
            "At which recording",
            [row.recording_id for row in newest],
            format_func=lambda n: f"{_recording_words(n, rows)} (by {rows[n].trainer})",
        )
        st.write(
            "They find it on the page 'Blind review', and until they have finished do not see "
            "what anybody else, or the camera, said about this recording."
        )
        if st.form_submit_button("Ask for a blind review"):
            _try(lambda: store.ask_blind_review(number, trainer, by=who))


def _call_off(store: Store, reviews: Sequence[BlindReview], rows: Rows, who: str) -> None:
    waiting = {r.id: r for r in reviews if r.state is BlindState.OPEN}
    if not waiting:
        return
    with st.form("call-off"):
        chosen = st.selectbox(
            "Not needed any more",
            list(waiting),
            index=None,
            format_func=lambda n: (
                f"{waiting[n].trainer}: {_recording_words(waiting[n].recording_id, rows)}"
            ),
            placeholder="Choose a blind review",
        )
        if st.form_submit_button("Call it off") and chosen is not None:
            _try(lambda: store.call_off_blind(chosen, by=who))


def _try(action: Callable[[], object]) -> None:
    """Do something that the records may refuse, with their words."""
    try:
        action()
    except ReviewError as error:
        st.error(markdown_text(error))
        return
    st.rerun()


if __name__ == "__main__":
    main()
