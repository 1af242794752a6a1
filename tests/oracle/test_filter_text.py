"""Rule strings: what libusbredirparser refuses we refuse; what both take means the same; and what
it takes in ways that do not show is listed here, difference by difference, with our message.
"""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_pairs import random_rules
from redir_library import RedirLibrary

from seatwright.usb.filter import FilterError, Rule, format_rules, parse_rules

SEED = 20_240_301
STRINGS = 40_000

REST = ",1,1,1,1"
RULE_8 = (8, 1, 1, 1, 1)

# What the library reads without an error and we refuse: text, what it reads, our words.
DIFFERENCES: tuple[tuple[str, list[tuple[int, ...]], str], ...] = (
    ("", [], "the string is empty"),
    ("|", [], "begins with the separator"),
    (f"|8{REST}", [RULE_8], "begins with the separator"),
    (f"8{REST}|", [RULE_8], "ends with the separator"),
    (f"8{REST}||8{REST}", [RULE_8, RULE_8], "doubles the separator"),
    (f",8{REST}", [RULE_8], "a field is empty"),
    (f"8,{REST}", [RULE_8], "a field is empty"),
    (f"8{REST},", [RULE_8], "a field is empty"),
    (f"010{REST}", [RULE_8], "octal to usbredir"),
    (f"00{REST}", [(0, 1, 1, 1, 1)], "octal to usbredir"),
    ("8,1,1,1,01", [RULE_8], "octal to usbredir"),
    (f"+8{REST}", [RULE_8], "plus sign"),
    (f"+0x8{REST}", [RULE_8], "plus sign"),
    (f" 8{REST}", [RULE_8], "blank before"),
    (f"\t8{REST}", [RULE_8], "blank before"),
    ("8,1,1,1,\n1", [RULE_8], "blank before"),
    (f"-0{REST}", [(0, 1, 1, 1, 1)], "only -1 may be"),
    (f"-01{REST}", [(-1, 1, 1, 1, 1)], "only -1 may be"),
    (f"-0x1{REST}", [(-1, 1, 1, 1, 1)], "only -1 may be"),
    (f"-4294967288{REST}", [RULE_8], "only -1 may be"),
    (f"4294967304{REST}", [RULE_8], "cut it to 32 bits and read 8"),
    (f"0x100000008{REST}", [RULE_8], "cut it to 32 bits and read 8"),
    (f"4294967295{REST}", [(-1, 1, 1, 1, 1)], "cut it to 32 bits and read -1"),
    (f"99999999999999999999{REST}", [(-1, 1, 1, 1, 1)], "cut it to 32 bits and read -1"),
    ("8,1,1,1,2", [(8, 1, 1, 1, 2)], "neither 0 nor 1"),
    ("8,1,1,1,-1", [(8, 1, 1, 1, -1)], "neither 0 nor 1"),
    ("8,1,1,1,4294967296", [(8, 1, 1, 1, 0)], "neither 0 nor 1"),
)
KNOWN_WORDS = tuple({words.removesuffix(" 8").removesuffix(" -1") for _, _, words in DIFFERENCES})

REFUSED_BY_BOTH = (
    f"08{REST}", f"8 {REST}", "8,1,1,1,1 ", "8,1,1,1", "8,1,1,1,1,1", f"256{REST}", f"-2{REST}",
    "8,0x10000,1,1,1", "8,1,1,1,", f"0x{REST}", f"x8{REST}", f"8.0{REST}", f"--1{REST}",
    f"0b1{REST}", f"1_0{REST}", f"8{REST}|x", f" |8{REST}", "\u0668,1,1,1,1", f"8;{REST}",
)  # fmt: skip


@pytest.fixture(scope="module")
def library() -> RedirLibrary:
    return RedirLibrary()


@pytest.mark.parametrize(("text", "theirs", "words"), DIFFERENCES)
def test_every_difference(
    library: RedirLibrary, text: str, theirs: list[tuple[int, ...]], words: str
) -> None:
    assert library.parse(text.encode()) == theirs
    with pytest.raises(FilterError, match=words.replace("(", r"\(")) as caught:
        parse_rules(text)
    assert caught.value.hint


@pytest.mark.parametrize("text", REFUSED_BY_BOTH)
def test_what_the_library_refuses_we_refuse(library: RedirLibrary, text: str) -> None:
    assert library.parse(text.encode()) is None
    with pytest.raises(FilterError):
        parse_rules(text)


def same_or_listed(library: RedirLibrary, text: str) -> str:
    """Compares one string; the kind of the outcome, for counting."""
    theirs = library.parse(text.encode())
    try:
        ours = parse_rules(text)
    except FilterError as error:
        if theirs is None:
            return "refused by both"
        assert any(words in error.message for words in KNOWN_WORDS), (text, theirs, error)
        return "listed difference"
    assert theirs == [as_tuple(rule) for rule in ours], text
    return "taken by both"


def as_tuple(rule: Rule) -> tuple[int, ...]:
    return (rule.usb_class, rule.vendor, rule.product, rule.version, int(rule.allow))


def test_random_strings_differ_only_as_listed(library: RedirLibrary) -> None:
    random = Random(SEED)
    outcomes = [same_or_listed(library, random_text(random)) for _ in range(STRINGS)]
    for outcome in ("taken by both", "refused by both", "listed difference"):
        assert outcomes.count(outcome) > STRINGS // 30, outcome


NUMBERS = ("-1", "0", "1", "8", "0x08", "0XfF", "255", "65535", "0x1209")
ODD = (
    "", "010", "08", "+8", " 8", "8 ", "-2", "256", "65536", "0x", "4294967304", "-0", "x",
    "9" * 25,
)  # fmt: skip
JUNK = "0123456789abcdefxX+-,|:; \t\n.~é"


def random_text(random: Random) -> str:
    """One to three rules with now and then an odd field, separator or character."""
    oddness = random.choice((0.0, 0.03, 0.2))
    text = "|".join(
        ",".join(
            [_one(random, NUMBERS, oddness) for _ in range(random.choice((4, 4, 4, 4, 4, 4, 3, 5)))]
            + [_one(random, ("0", "1"), oddness)]
        )
        for _ in range(random.choice((1, 1, 2, 3)))
    )
    if random.random() < 0.3:
        position = random.randrange(len(text) + 1)
        text = text[:position] + random.choice(JUNK) + text[position + random.randrange(2) :]
    return text


def _one(random: Random, good: tuple[str, ...], oddness: float) -> str:
    return random.choice(ODD if random.random() < oddness else good)


@settings(max_examples=500, deadline=None)
@given(st.text(alphabet="0189xXaf-+,| \t", max_size=40))
def test_hypothesis_strings_differ_only_as_listed(library: RedirLibrary, text: str) -> None:
    same_or_listed(library, text)


def test_lists_are_spelt_as_the_library_spells_them(library: RedirLibrary) -> None:
    random = Random(SEED)
    written = 0
    for _ in range(3_000):
        rules = random_rules(random)
        if rules:
            text = format_rules(rules)
            assert text.encode() == library.format(rules)
            assert format_rules(rules, ":").encode() == library.format(rules, b":")
            assert library.parse(text.encode()) == [as_tuple(rule) for rule in rules]
            assert parse_rules(text) == rules
            written += 1
    assert written > 2_000
