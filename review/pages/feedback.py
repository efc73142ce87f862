"""For the patient: how the own practice went, in large type and plain words; also on paper."""

from __future__ import annotations

from html import escape

import streamlit as st

from review.analysis import Analysis
from review.desk import protocol_of
from review.earlier import Comparison, EarlierSession
from review.errors import ReviewError
from review.escaping import markdown_text
from review.feedback import Feedback, Point, make_feedback
from review.handmap import WORDS as MAP_WORDS
from review.handmap import hand_map_svg, hand_map_words
from review.invented import INVENTED
from review.measures import Result
from review.pages.unit import (
    RECORDING,
    WHO,
    chosen_recording,
    lend,
    open_page,
    picture_html,
    playable,
    viewer,
)
from review.reporting import PATIENT_ENDING, practice_page
from review.roles import may_see
from review.store import RecordingEntry, RecordingState, Store
from review.wording import clock
from review.words import Words, languages, words_for

MOST_EARLIER = 3
"""The last few times are enough to see a change."""

LOOK = """<style>
.patient {font-size: 1.3rem; line-height: 1.55; max-width: 46rem; color: #1c1f24;}
.patient h1 {font-size: 2rem; padding: 0 0 .3rem 0;}
.patient h2 {font-size: 1.6rem; padding: 1.2rem 0 .4rem 0;}
.patient h1, .patient h2, .patient h3 {margin: 0;}
.patient h3 {font-size: 1.3rem; padding: 0 0 .2rem 0;}
.patient .compared h3 {padding-top: 1rem;}
.patient .compared {break-inside: avoid;}
.patient p {margin: 0 0 .5rem 0; font-size: inherit;}
.patient .point {border: 2px solid #1c1f24; border-radius: .6rem; padding: .8rem 1rem;
  margin: 0 0 1rem 0; background: #ffffff; break-inside: avoid;}
.patient .well {border-style: solid; border-left-width: .6rem;}
.patient .next {border-style: dashed;}
.patient .touch {border: 4px solid #1c1f24; border-radius: .6rem; padding: .8rem 1rem;
  background: #ffffff; break-inside: avoid; margin: 1.4rem 0;}
.patient .touch ol {margin: .3rem 0 .6rem 0; padding-left: 2rem; font-weight: 600;}
.patient .touch li {margin: .2rem 0;}
.patient video {width: 100%; max-width: 34rem; border-radius: .4rem; margin-top: .4rem;
  background: #1c1f24;}
.patient video:focus-visible, .patient summary:focus-visible {outline: 4px solid #1f3d6e;
  outline-offset: 3px;}
.patient summary {cursor: pointer; padding: .4rem 0; text-decoration: underline;}
.patient ul {padding-left: 1.6rem;}
.patient ul li, .patient ol li {font-size: 1.3rem !important; line-height: 1.55;}
.patient table {border-collapse: collapse; font-size: inherit; width: 100%;}
.patient th, .patient td {text-align: left; padding: .35rem .8rem .35rem 0;
  border-bottom: 1px solid #6b6f76; font-weight: 400; vertical-align: top;}
.patient tr.now th, .patient tr.now td {font-weight: 700;}
.patient .bar {display: inline-block; height: .9rem; background: #2f4b7c; min-width: 2px;
  vertical-align: middle; border-radius: 2px; print-color-adjust: exact;
  -webkit-print-color-adjust: exact;}
.patient .on-paper {display: none;}
@media (max-width: 480px) {
  .patient h1 {font-size: 1.7rem;}
  .patient h2 {font-size: 1.45rem;}
  .patient .length {display: none;}
}
@media print {
  @page {margin: 13mm 15mm;}
  html, body, #root, .stApp, .stApp > div, [data-testid="stAppViewContainer"],
  [data-testid="stMain"], .stMainBlockContainer {height: auto !important;
    min-height: 0 !important; max-height: none !important; overflow: visible !important;
    position: static !important; display: block !important; background: #ffffff !important;}
  .stMainBlockContainer {padding: 0 !important; max-width: none !important;}
  header, [data-testid="stHeader"], .st-key-choices, .st-key-paper, .patient video,
  .patient .on-screen, [data-testid="stStatusWidget"],
  [data-testid="stToolbar"] {display: none !important;}
  .patient, .patient ul li, .patient ol li {font-size: 14pt !important; max-width: none;}
  .patient {line-height: 1.35 !important;}
  .patient p {margin-bottom: .25rem;}
  .patient h2 {padding: .7rem 0 .2rem 0; font-size: 18pt;}
  .patient .point, .patient .touch {padding: .4rem .8rem; margin: 0 0 .6rem 0;}
  .patient .on-paper {display: block;}
  .patient h2 {break-after: avoid;}
  .patient {display: flex; flex-direction: column;}
  .patient .hands {order: 1; break-inside: avoid;} /* fits a page better after the sentences */
  .patient .last {order: 2;}
  .patient img.map {max-width: 8.8cm !important;}
}
</style>"""


def main() -> None:
    """Choose a person, a practice and a language; then the patient's page."""
    store = open_page("", "feedback")
    st.html(LOOK)
    if store is None:
        return
    try:
        chosen = choose(store)
        if chosen is not None:
            entry, words = chosen
            show(store, entry, words)
    except ReviewError as error:
        st.error(markdown_text(error))


def choose(store: Store) -> tuple[RecordingEntry, Words] | None:
    """The practice to show and the catalogue; None, with words, where there is none."""
    with st.container(key="choices"):
        one, two, three = st.columns([2, 3, 2])
        looking = viewer(store)
        ready = [
            entry
            for entry in store.recordings(state=RecordingState.READY)
            if may_see(looking, entry.person)
        ]
        codes = list(dict.fromkeys(entry.person for entry in ready))
        if not codes:
            st.write(words_for("en").say("page.no_sessions"))
            return None
        codes.sort()
        asked = chosen_recording()
        start = next((entry for entry in ready if entry.id == asked), ready[0])
        own = words_for(store.person(start.person).language)
        if asked is not None and start.id != asked:
            # The same words whether there is none, or one that is not for these eyes.
            st.write(own.say("page.not_found"))
        person = start.person
        if len(codes) > 1:
            with one:
                person = st.selectbox(own.say("page.person"), codes, codes.index(start.person))
        entries = {entry.id: entry for entry in ready if entry.person == person}
        language = store.person(person).language
        names = dict(languages())
        with three:
            code = st.selectbox(
                own.say("page.language"),
                list(names),
                list(names).index(words_for(language).language),
                format_func=lambda code: names[code],
                key=f"language-{person}",
            )
        words = words_for(code)
        with two:
            chosen = st.selectbox(
                words.say("page.which"),
                list(entries),
                list(entries).index(start.id) if start.id in entries else 0,
                format_func=lambda key: words.day(entries[key].taken_on),
                key=f"practice-{person}-{code}",
            )
    st.session_state[RECORDING] = chosen
    return entries[chosen], words


def show(store: Store, entry: RecordingEntry, words: Words) -> None:
    """The page for one practice."""
    version = store.analysis(entry.id)
    if version is None:
        st.write(words.say("page.no_sessions"))
        return
    analysis = version.analysis
    protocol = protocol_of(analysis, entry)
    feedback = make_feedback(
        analysis,
        words,
        taken_on=entry.taken_on,
        decisions=store.decisions(entry.id),
        answers=store.answers(entry.id),
        critical=[item.item for item in protocol.checklist if item.critical],
        earlier=earlier_sessions(store, entry),
    )
    video = playable(store, entry)
    address = lend(video, entry.id) if video is not None else ""
    _note_who_saw(store, entry.id)
    st.html(page_html(feedback, analysis, words, address))
    _on_paper(store, entry.id, words)


def _on_paper(store: Store, recording_id: int, words: Words) -> None:
    """A button that makes the printed page when it is pressed, and not before."""
    looking = viewer(store)
    by = looking.by if looking and looking.signed_in else st.session_state.get(WHO, "")

    def content() -> bytes:
        name = by or "feedback page"
        return practice_page(store, recording_id, by=name, language=words.language).content

    with st.container(key="paper"):
        st.download_button(
            words.say("page.paper"),
            content,
            f"session-{recording_id}.{PATIENT_ENDING}",
            "application/pdf",
            on_click="ignore",
        )


def _note_who_saw(store: Store, recording_id: int) -> None:
    """Once a browser session and recording, where it is known who looks."""
    looking = viewer(store)
    by = looking.by if looking and looking.signed_in else st.session_state.get(WHO, "")
    seen: set[int] = st.session_state.setdefault("saw feedback", set())
    if by and recording_id not in seen:
        seen.add(recording_id)
        store.saw_feedback(recording_id, by=by)


def earlier_sessions(store: Store, entry: RecordingEntry) -> tuple[EarlierSession, ...]:
    """The person's own sessions before this one, the last few of them."""
    before = [
        other
        for other in store.recordings(entry.person, RecordingState.READY)
        if (other.taken_on, other.id) < (entry.taken_on, entry.id)
    ]
    found = []
    for other in before[:MOST_EARLIER]:
        version = store.analysis(other.id)
        if version is not None:
            found.append(EarlierSession(other.taken_on, version.analysis))
    return tuple(found)


def page_html(feedback: Feedback, analysis: Analysis, words: Words, address: str) -> str:
    """Everything the patient reads; ``address`` of the video, empty where there is none."""
    say = words.say
    parts = [
        f"<h1>{_text(say('page.title'))}</h1>",
        f"<p>{_text(say('page.session', day=words.day(feedback.taken_on)))}</p>",
    ]
    if INVENTED in analysis.warnings:
        parts.append(f"<p><strong>{_text(say('page.invented'))}</strong></p>")
    parts.append(f"<h2>{_text(say('page.well'))}</h2>")
    parts += [point_html(point, "well", "\u2713", words, address) for point in feedback.well]
    parts.append(f"<h2>{_text(say('page.practise'))}</h2>")
    for number, point in enumerate(feedback.practise, start=1):
        parts.append(point_html(point, "next", str(number), words, address))
    if not feedback.practise:
        key = "page.nothing_to_practise" if feedback.told else "page.nothing_told"
        parts.append(f"<p>{_text(say(key))}</p>")
    if feedback.more:
        parts.append(f"<p>{_text(feedback.more)}</p>")
    parts.append(touch_html(feedback, words))
    parts.append(f'<div class="hands">{"".join(hands_html(analysis, words))}</div>')
    parts.append(f"<h2>{_text(say('page.earlier'))}</h2>")
    if feedback.comparisons:
        parts.append(f"<p>{_text(say('page.earlier_note'))}</p>")
        parts += [comparison_html(comparison, words) for comparison in feedback.comparisons]
    else:
        parts.append(f"<p>{_text(say('page.first_time'))}</p>")
    last = [
        f"<p>{_text(say('page.about'))}</p>",
        f'<p class="on-screen">{_text(say("page.print"))}</p>',
    ]
    if feedback.hidden:
        hidden = f"<h2>{_text(say('page.hidden'))}</h2><p>{_text(feedback.hidden)}</p>"
        last.insert(0, f"{hidden}<p>{_text(say('page.hidden_note'))}</p>")
    parts.append(f'<div class="last">{"".join(last)}</div>')
    return f'<div class="patient" lang="{feedback.language}">{"".join(parts)}</div>'


def point_html(point: Point, kind: str, sign: str, words: Words, address: str) -> str:
    """One box: what was seen, what to do, and the few seconds that show it."""
    parts = []
    if point.title:
        parts.append(f"<h3>{sign} {_text(point.title)}</h3>")
    parts.append(f"<p>{_text(point.saw)}</p>")
    if point.do:
        parts.append(f"<p><strong>{_text(point.do)}</strong></p>")
    if not point.checked:
        parts.append(f"<p>{_text(words.say('page.not_looked'))}</p>")
    if point.clip is not None:
        parts.append(clip_html(point, words, address))
    return f'<div class="point {kind}">{"".join(parts)}</div>'


def clip_html(point: Point, words: Words, address: str) -> str:
    """The few seconds of video, closed at first so that it does not distract."""
    assert point.clip is not None
    start, end = (clock(round(time)).removesuffix(".0") for time in point.clip)
    label = words.say("page.watch", start=start, end=end)
    paper = f'<p class="on-paper">{_text(label)}</p>'
    if not address:
        return paper
    name = escape(words.say("page.watch_label", title=point.title or point.saw))
    # The fragment is a media fragment (W3C, Media Fragments URI 1.0): play these seconds only.
    return (
        f'{paper}<details class="on-screen"><summary>{_text(label)}</summary>'
        f'<video controls playsinline preload="metadata" aria-label="{name}" '
        f'src="{address}#t={point.clip[0]:g},{point.clip[1]:g}"></video></details>'
    )


def touch_html(feedback: Feedback, words: Words) -> str:
    """What to do if the open line was touched; always on the page."""
    steps = "".join(f"<li>{_text(step)}</li>" for step in feedback.touch)
    return (
        f'<div class="touch"><h3>{_text(words.say("touch.title"))}</h3>'
        f"<p>{_text(words.say('touch.note'))}</p><ol>{steps}</ol>"
        f"<p>{_text(words.say('touch.kind'))}</p>"
        f'<p class="on-paper">{_text(words.say("page.phone"))} ____________________</p></div>'
    )


def hands_html(analysis: Analysis, words: Words) -> list[str]:
    """The hand picture, and the same in words; nothing where no surface could be told."""
    if all(surface.result is Result.NOT_ASSESSABLE for surface in analysis.wash_surfaces):
        return []
    own = {key: words.texts[f"map.{key}"] for key in MAP_WORDS}
    title = words.say("page.hands")
    svg = hand_map_svg(analysis.wash_surfaces, title=title, words=own)
    lines = hand_map_words(analysis.wash_surfaces, words=own).splitlines()
    listed = "".join(f"<li>{_text(line)}</li>" for line in lines if line.strip())
    return [
        f"<h2>{_text(title)}</h2>",
        picture_html(svg, title, widest_px=620, kind="map"),
        f'<details class="on-screen"><summary>{_text(words.say("page.hands_words"))}</summary>'
        f"<ul>{listed}</ul></details>",
    ]


def comparison_html(comparison: Comparison, words: Words) -> str:
    """One number beside the person's own earlier ones: a sentence, and a table with bars."""
    most = max(
        [value for _, value in comparison.values if value is not None] + [comparison.aim or 0.0, 1]
    )
    rows = []
    last = len(comparison.values) - 1
    for place, ((day, value), said) in enumerate(
        zip(comparison.values, comparison.said, strict=True)
    ):
        written = words.day(day)
        written = words.say("page.this_time", day=written) if place == last else written
        bar = "" if not value else f'<span class="bar" style="width:{9 * value / most:.2f}rem">'
        rows.append(
            f'<tr{" class=now" if place == last else ""}><th scope="row">{_text(written)}</th>'
            f"<td>{_text(said)}</td>"
            f'<td class="length" aria-hidden="true">{bar}{"</span>" if bar else ""}</td></tr>'
        )
    aim = f"<p>{_text(comparison.aim_said)}</p>"
    heads = _text(words.say("page.table_day")), _text(words.say("page.table_value"))
    sentence = f"<p>{_text(comparison.sentence)}</p>" if comparison.sentence else ""
    return (
        f'<div class="compared"><h3>{_text(comparison.title)}</h3>'
        f"{sentence}{aim if comparison.aim_said else ''}"
        f'<table class="on-screen"><thead><tr><th scope="col">{heads[0]}</th>'
        f'<th scope="col">{heads[1]}</th>'
        f'<td class="length"></td></tr></thead><tbody>{"".join(rows)}</tbody></table></div>'
    )


def _text(text: str) -> str:
    return escape(text, quote=False)


if __name__ == "__main__":
    main()
