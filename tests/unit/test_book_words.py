"""The catalogues of the door sheets say the same things in every language."""

from __future__ import annotations

import string

import pytest

from seatwright.book.words import FALLBACK, Words, in_page, languages, load
from seatwright.policy.words import CLASS_WORDS
from seatwright.render.quote import html
from seatwright.usb.classes import class_name


def names_in(sentence: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name}


def flat(sheet: dict[str, object]) -> dict[str, str]:
    """Sentences with two forms as two sentences."""
    found: dict[str, str] = {}
    for slug, said in sheet.items():
        forms = said if isinstance(said, dict) else {"": said}
        found.update({f"{slug}.{form}": str(text) for form, text in forms.items()})
    return found


def test_there_are_three_languages() -> None:
    assert languages() == ("de", "en", "fr")


@pytest.mark.parametrize("language", languages())
def test_every_language_says_everything_with_the_same_values(language: str) -> None:
    theirs, english = flat(load(language)["sheet"]), flat(load(FALLBACK)["sheet"])
    assert theirs.keys() == english.keys()
    for slug, sentence in theirs.items():
        names = names_in(english[slug]) - {"number"}  # "one seat" need not say 1
        assert names <= names_in(sentence) <= names | {"number"}, slug
        assert sentence.strip() == sentence != ""


@pytest.mark.parametrize("language", languages())
def test_every_language_has_a_word_for_every_class_with_plain_words(language: str) -> None:
    assert load(language)["classes"].keys() == {class_name(code) for code in CLASS_WORDS}


def test_english_classes_are_those_of_the_policy_in_words() -> None:
    words = Words("en")
    assert {code: words.usb_class(code) for code in CLASS_WORDS} == dict(CLASS_WORDS)


def test_a_language_without_a_catalogue_gets_english_and_says_so() -> None:
    assert Words("fi").language == "en"
    assert Words("de-AT").language == "de"


def test_numbers_choose_the_form() -> None:
    assert "One seat" in Words("en").count("seats", 1, names="a")
    assert "0 seats" in Words("en").count("seats", 0, names="")
    assert "Un poste" in Words("fr").count("seats", 0, names="")
    assert "2 Plätze" in Words("de").count("seats", 2, names="a")


def test_values_are_text_and_nothing_else() -> None:
    said = Words("en").say("at_seats", names="<b>{number}</b>\u202e")
    assert said == "At <bdi>&lt;b&gt;{number}&lt;/b&gt;\\u202e</bdi>"
    assert in_page(html("<")) == "&lt;"


def test_lists_have_the_word_of_the_language() -> None:
    assert Words("en").listed(["a", "b", "c"]) == "a, b and c"
    assert Words("fr").listed(["a", "b"]) == "a et b"
    assert Words("de").listed(["a"]) == "a"
