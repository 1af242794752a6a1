"""Executes policy/algebra/EXAMPLES.md: what an expert expects, and every sentence of ours."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from seatwright.policy import algebra
from seatwright.policy.algebra import wording
from seatwright.usb.classes import class_name
from seatwright.usb.device import Interface
from seatwright.usb.filter import Rule, parse_rules

PAGE = Path(algebra.__file__).with_name("EXAMPLES.md")
NAMES = wording.Names(usb_class=class_name)
EXPECTS, SAYS = "An expert expects:", "We say:"


@dataclass(frozen=True)
class Example:
    title: str
    rules: tuple[Rule, ...]
    then: tuple[Rule, ...]
    expected: tuple[str, ...]
    said: tuple[str, ...]


def read_page() -> list[Example]:
    sections = re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return [read_section(section) for section in sections]


def read_section(section: str) -> Example:
    blocks = dict(re.findall(r"^```(\w+)\n(.*?)^```$", section, flags=re.MULTILINE | re.DOTALL))
    expected, said = section.split(EXPECTS)[1].split(SAYS)
    return Example(
        section.splitlines()[0],
        tuple(read_rules(blocks.pop("rules"))),
        tuple(read_rules(blocks.pop("then", ""))),
        bullets(expected),
        bullets(said),
    )


def read_rules(text: str) -> Iterator[Rule]:
    for line in text.split():
        usb_class, rest = line.split(",", 1)
        first, _, last = usb_class.partition("..")
        for code in range(int(first, 0), int(last or first, 0) + 1):
            yield from parse_rules(f"{code},{rest}")


def bullets(text: str) -> tuple[str, ...]:
    return tuple(re.findall(r"^- (.*)$", text, flags=re.MULTILINE))


EXAMPLES = read_page()


def test_the_page_has_its_examples() -> None:
    assert 5 <= len(EXAMPLES) <= 12
    assert all(example.expected and example.said for example in EXAMPLES)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.title)
def test_what_an_expert_expects(example: Example) -> None:
    answers = [short_answer(example, bullet) for bullet in example.expected]
    assert answers == list(example.expected)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.title)
def test_what_we_say(example: Example) -> None:
    everything = list(all_we_say(example))
    for bullet in example.said:
        subject = bullet.split(": ")[0]
        ours = [one for one in everything if one.startswith(f"{subject}: ")]
        if subject.startswith("`"):
            ours = [long_answer(example, subject)]
        assert bullet in ours
    compared = [one for one in everything if one.startswith("then")]
    assert not compared or compared == [one for one in example.said if one.startswith("then")]


def short_answer(example: Example, bullet: str) -> str:
    """The answer to a bullet of the expert, in the same words."""
    subject = bullet.split(": ")[0]
    if subject.startswith("rule "):
        fate = algebra.analyse(example.rules).fates[int(subject.split()[1]) - 1]
        word = "error" if fate.error else "noise" if fate.noise else fate.reach.value
        return f"{subject}: {word}"
    if subject.startswith("`"):
        return f"{subject}: {ask(example, subject).passing}"
    return next(one for one in all_we_say(example) if one.startswith(f"{subject}: "))


def all_we_say(example: Example) -> Iterator[str]:
    for fate in algebra.analyse(example.rules).fates:
        yield f"rule {fate.rule + 1}: {wording.fate_words(fate, example.rules, NAMES)}"
    left_out = algebra.can_be_left_out(example.rules)
    yield f"can be left out: {', '.join(str(rule + 1) for rule in left_out)}"
    if example.then:
        comparison = algebra.compare(example.rules, example.then)
        yield f"then: {comparison.relation}"
        for region in comparison.gained:
            yield f"then lets through: {wording.region_words(region, NAMES)}"
        for region in comparison.lost:
            yield f"then keeps: {wording.region_words(region, NAMES)}"


def long_answer(example: Example, subject: str) -> str:
    return f"{subject}: {wording.through_words(ask(example, subject), NAMES)}"


def ask(example: Example, subject: str) -> algebra.Through:
    """Puts a question like "`1209:0005@0110 14/1/1`, strict" to the package."""
    match = re.fullmatch(r"`(\w{4}):(\w{4})(?:@(\w{4}))?(?: (.*))?`, (strict|plain)", subject)
    assert match, subject
    vendor, product, version, shape, mode = match.groups()
    pattern = algebra.Pattern(
        int(vendor, 16),
        int(product, 16),
        int(version, 16) if version else None,
        device_class=0x00 if shape else None,
        interfaces=tuple(
            Interface(*map(int, triple.split("/"))) for triple in (shape or "none").split()
        )
        if shape not in (None, "none")
        else (),
        more=shape is None,
    )
    return algebra.passes(example.rules, pattern, strict=mode == "strict")
