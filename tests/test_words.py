"""The catalogues of the patient's texts: complete, alike, and easy to read."""

from __future__ import annotations

import re
from datetime import date

import pytest
import textstat

from review.errors import ReviewError
from review.handmap import WORDS as MAP_WORDS
from review.timeline import Phase, Surface
from review.words import Words, check_against, languages, load_words, names_in, words_for

SAMPLES = {
    "n": 3,
    "aim": "20 seconds",
    "time": "22 seconds",
    "day": "3 March 2024",
    "start": "0:12",
    "end": "0:20",
    "title": "You washed long enough",
    "parts": "your palms and your left thumb",
    "phase": "the hand wash",
    "item": "Take your rings off",
    "things": "how long you rubbed your hands",
    "now": "22 seconds",
    "before": "18 seconds",
    "change": "4 seconds",
    "any": "97 %",
    "both": "80 %",
    "share": "95 %",
    "metres": "1.2",
    "width": 640,
    "height": 360,
    "fps": 15,
    "cm": 20,
}
PARTS_OF_SENTENCES = {"months", "listing", "language", "surfaces", "phases", "map", "hidden"}


def sentences(words: Words) -> list[str]:
    """Every text that is a sentence of its own, filled in."""
    found = []
    for key, text in words.texts.items():
        if key.split(".")[0] not in PARTS_OF_SENTENCES:
            filled = text.format(**{name: SAMPLES[name] for name in names_in(text)})
            found.append(filled if filled.endswith((".", "?", ":")) else f"{filled}.")
    return found


def running_text(words: Words) -> str:
    """All of them one after the other."""
    return " ".join(sentences(words))


def test_there_are_two_languages_and_english_comes_first() -> None:
    assert languages()[0] == ("en", "English")
    assert ("es", "Español") in languages()


@pytest.mark.parametrize("code", [code for code, _ in languages()])
def test_a_catalogue_says_all_that_the_page_needs(code: str) -> None:
    words = load_words(code)
    assert set(words.texts) == set(load_words("en").texts)
    for surface in Surface:
        assert words.say(f"surfaces.{surface}")
    for phase in Phase:
        assert words.say(f"phases.{phase}")
    assert {key.removeprefix("map.") for key in words.texts if key.startswith("map.")} == set(
        MAP_WORDS
    )
    for key, text in MAP_WORDS.items():
        assert names_in(words.texts[f"map.{key}"]) == names_in(text), key


@pytest.mark.parametrize("code", [code for code, _ in languages() if code != "en"])
def test_a_translation_is_translated(code: str) -> None:
    """Long texts that read like the English ones were forgotten."""
    english, other = load_words("en").texts, load_words(code).texts
    own = {key: re.sub(r"\{\w+\}", "", text) for key, text in english.items()}
    assert [key for key in own if english[key] == other[key] and len(own[key]) > 12] == []


def test_the_english_texts_can_be_read_at_eleven() -> None:
    """Flesch-Kincaid grade (Kincaid et al. 1975) by textstat; grade 6 is an age of about 11."""
    textstat.set_lang("en_US")
    words = load_words("en")
    assert textstat.flesch_kincaid_grade(running_text(words)) <= 6
    for sentence in sentences(words):
        if len(sentence.split()) >= 10:
            assert textstat.flesch_kincaid_grade(sentence) <= 8, sentence


def test_a_hard_text_would_be_noticed() -> None:
    textstat.set_lang("en_US")
    hard = (
        "Contamination of the peritoneal catheter's connection necessitates immediate "
        "discontinuation of the exchange procedure and notification of the responsible facility."
    )
    assert textstat.flesch_kincaid_grade(hard) > 12


def test_the_spanish_texts_are_easy_to_read() -> None:
    """Fernandez-Huerta (1959) and Szigriszt-Pazos (1993) by textstat.

    80 and more is 'easy', which both scales put at primary school (value from memory).
    """
    textstat.set_lang("es")
    text = running_text(load_words("es"))
    assert textstat.fernandez_huerta(text) >= 80
    assert textstat.szigriszt_pazos(text) >= 80
    textstat.set_lang("en_US")


@pytest.mark.parametrize("code", [code for code, _ in languages()])
def test_no_word_of_blame_or_of_medicine(code: str) -> None:
    text = running_text(load_words(code)).lower()
    for word in ("contamin", "infec", "bacteri", "germ", "score", "puntuaci", "antibio"):
        assert word not in text, word


def test_numbers_lists_and_days() -> None:
    words = load_words("en")
    assert words.count("seconds", 1) == "1 second"
    assert words.count("seconds", 0) == "0 seconds"
    assert words.listing([]) == ""
    assert words.listing(["a"]) == "a"
    assert words.listing(["a", "b", "c"]) == "a, b and c"
    assert words.day(date(2024, 3, 9)) == "9 March 2024"
    assert load_words("es").day(date(2024, 3, 9)) == "9 de marzo de 2024"


def test_the_language_of_a_person() -> None:
    assert words_for("es").language == "es"
    assert words_for("es_MX").language == "es"
    assert words_for("").language == "en"
    assert words_for("xx").language == "en"


def test_a_missing_text_is_named() -> None:
    first = load_words("en")
    texts = dict(first.texts)
    del texts["touch.step1"]
    with pytest.raises(ReviewError, match=r"xx\.toml: the text 'touch\.step1' is missing"):
        check_against(Words("xx", texts), first)


def test_another_name_in_a_text_is_named() -> None:
    first = load_words("en")
    texts = dict(first.texts) | {"saw.quiet": "For {seconds}."}
    with pytest.raises(ReviewError, match=r"'saw\.quiet' names \['seconds'\]"):
        check_against(Words("xx", texts), first)


def test_a_language_that_is_not_there() -> None:
    with pytest.raises(ReviewError, match="no catalogue"):
        load_words("zz")
