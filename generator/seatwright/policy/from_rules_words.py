"""What was found about filter strings and policy lines, as text and as plain values."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

from seatwright.plan import PlannedLine, VerdictWord
from seatwright.policy.algebra import Point
from seatwright.policy.algebra.sets import bit_places
from seatwright.policy.algebra.wording import Names, region_words
from seatwright.policy.from_rules import (
    MOST_CLASSES,
    Difference,
    FromRules,
    Limit,
    deciding_rule,
)
from seatwright.policy.table import Key
from seatwright.usb.classes import class_name
from seatwright.usb.filter import ANY, Rule, format_rules

MOST_SHOWN = 20
"""Sentences of a kind, before the rest is only counted."""

_NAMES = Names(usb_class=class_name)
_HAPPENS: Mapping[VerdictWord, str] = {
    "redirect": "redirected",
    "offer": "offered",
    "keep": "kept",
}


def policy_text(lines: Sequence[PlannedLine]) -> str:
    """Lines as they are written below a policy's name."""
    parts = []
    for verdict in _HAPPENS:
        said = [line.text for line in lines if line.verdict == verdict]
        if said:
            parts.append(f"{verdict}:\n" + "".join(f"  - {_in_yaml(text)}\n" for text in said))
    return "".join(parts)


def _in_yaml(text: str) -> str:
    """Ids in quotes: YAML takes some for numbers."""
    return json.dumps(text) if ":" in text and not text.startswith("{") else text


def sentences(found: FromRules, strings: Mapping[str, Sequence[Rule]]) -> list[str]:
    """Why the lines decide otherwise and where; empty where they do not."""
    limits = [_limit_words(limit, strings) for limit in found.limits]
    differences = [_difference_words(one, strings) for one in found.differences]
    return [*_first(limits, "ids like these"), *_first(differences, "differences")]


def notes(found: FromRules) -> list[str]:
    """What a person should know although the lines decide alike."""
    said = []
    if found.hubs:
        said.append("The string lets hubs through; a policy never does.")
    said.extend(
        f"Kept, since the permitted string does not permit it: {region_words(region, _NAMES)}."
        for region in found.refused[:MOST_SHOWN]
    )
    return said


def as_values(found: FromRules, strings: Mapping[str, Sequence[Rule]]) -> dict[str, object]:
    """All of it for JSON: lines by verdict, ``equal``, sentences and notes."""
    return {
        **{
            verdict: [line.text for line in found.lines if line.verdict == verdict]
            for verdict in _HAPPENS
        },
        "equal": not found.differences,
        "differences": sentences(found, strings),
        "notes": notes(found),
    }


def _first(texts: Sequence[str], what: str) -> list[str]:
    more = len(texts) - MOST_SHOWN
    return [*texts[:MOST_SHOWN], *([f"{more:,} more {what}."] if more > 0 else [])]


def _limit_words(limit: Limit, strings: Mapping[str, Sequence[Rule]]) -> str:
    """``1209:0003: mass-storage is kept (rule 1), every other class is redirected (rule 2)``."""
    groups = sorted(
        ((word, limit.wanted.bits(word)) for word in _HAPPENS if limit.wanted.bits(word)),
        key=lambda group: group[1].bit_count(),
    )
    parts = [
        f"{_class_words(bits, word == groups[-1][0])} {_HAPPENS[word]} "
        f"({_listed(_deciding(limit, word, bits, strings))})"
        for word, bits in groups
    ]
    return (
        f"{_key_words(limit.key)}: {', '.join(parts)}. Order decides that; a policy line speaks of "
        f"all classes or lists those it means, which would be more than {MOST_CLASSES} here. "
        "Write a line that lists the classes which such devices have."
    )


def _class_words(bits: int, is_rest: bool) -> str:
    if is_rest:
        return "every other class is"
    names = [class_name(code) for code in bit_places(bits)]
    if len(names) > MOST_SHOWN:
        names = [*names[:MOST_SHOWN], f"{len(names) - MOST_SHOWN} more"]
    return f"{_listed(names)} {'is' if bits.bit_count() == 1 else 'are'}"


def _deciding(
    limit: Limit, word: VerdictWord, bits: int, strings: Mapping[str, Sequence[Rule]]
) -> list[str]:
    """The rules that give some classes their verdict at an id."""
    string = "redirect" if word == "redirect" or "permitted" not in strings else "permitted"
    deciding = {
        deciding_rule(strings[string], Point(code, *limit.place)) for code in bit_places(bits)
    }
    several = len(strings) > 1
    numbers = sorted(index for index in deciding if index is not None)
    words = [f"rule {index + 1}{f' of {string}' if several else ''}" for index in numbers]
    return [*words, *(["no rule matches"] if None in deciding else [])]


def _key_words(key: Key) -> str:
    vendor, product, version = key
    words = f"{vendor:04x}:{'*' if product == ANY else f'{product:04x}'}"
    return words if version == ANY else f"{words} version {version >> 8:x}.{version & 0xFF:02x}"


def _difference_words(found: Difference, strings: Mapping[str, Sequence[Rule]]) -> str:
    kept, through = "keeps them", "lets them through"
    lines = "let them through" if found.gained else "keep them"
    rule = None if found.rule is None else strings[found.string][found.rule]
    because = (
        "no rule matches"
        if rule is None
        else f"rule {(found.rule or 0) + 1}: {format_rules([rule])}"
    )
    return (
        f"{region_words(found.region, _NAMES)}: the {found.string} string "
        f"{kept if found.gained else through} ({because}), the lines {lines}.{_open_field(rule)}"
    )


def _open_field(rule: Rule | None) -> str:
    """What of a rule no policy line can say."""
    if rule is None:
        return ""
    if rule.vendor == ANY and rule.product != ANY:
        return " No policy line names a product without its vendor."
    if rule.product == ANY and rule.version != ANY:
        return " No policy line names a bcdDevice without an id."
    return ""


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)


def comment(texts: Iterable[str]) -> Iterator[str]:
    """Sentences as YAML comments."""
    return (f"# {text}" for text in texts)
