"""The forms a device may have where its version or its interfaces are not known.

Only what some rule names can make a difference, so one form for each class and version that the
rules name at this id, and one for all others, stand for every device there is.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from seatwright.plan import RuleSet
from seatwright.policy.proofs import natural_classes, node_rules, plain, spots
from seatwright.site.build import bcd_text
from seatwright.trace.subject import Subject
from seatwright.trace.words import form_words
from seatwright.usb.classes import HUB
from seatwright.usb.device import Device
from seatwright.usb.filter import ANY, Rule

EVERY_CLASS = (1 << 256) - 1


@dataclass(frozen=True, slots=True)
class Form:
    """A form in words, and a device that has it."""

    words: str
    device: Device


@dataclass(frozen=True, slots=True)
class _Choice:
    """One value of what is not known; ``other`` for all values that no rule names."""

    value: int | None
    other: bool


def forms_of(
    subject: Subject, rule_sets: Iterable[RuleSet], answer: Callable[[Device], Hashable]
) -> tuple[Form, ...]:
    """The forms of a device that ``answer`` tells apart, those that no rule names last."""
    named = tuple(_rules_at(subject, rule_sets))
    by_version = {
        version: _by_class(subject, version, _classes(subject, named), answer)
        for version in _versions(subject, named)
    }
    forms: list[Form] = []
    for versions in _alike(by_version):
        word = _version_words(versions, len(versions) == len(by_version))
        groups = by_version[versions[-1]]
        for choices, device in groups.values():
            forms.append(Form(_words(choices, len(groups) == 1, word), device))
    return tuple(forms)


def _rules_at(subject: Subject, rule_sets: Iterable[RuleSet]) -> Iterator[Rule]:
    """Every rule of every list that may speak of the id."""
    for rules in rule_sets:
        for spot in spots(rules):
            for some in (spot.redirect, spot.permitted, rules.host, node_rules(spot.nodes)):
                for rule in plain(some):
                    if rule.vendor in (ANY, subject.vendor) and rule.product in (
                        ANY, subject.product,
                    ):  # fmt: skip
                        yield rule


def _versions(subject: Subject, named: Sequence[Rule]) -> list[_Choice]:
    if subject.bcd_device is not None:
        return [_Choice(subject.bcd_device, other=False)]
    versions = sorted({rule.version for rule in named} - {ANY})
    other = next(number for number in range(0x0100, 0x10000) if number not in versions)
    return [*(_Choice(one, other=False) for one in versions), _Choice(other, other=True)]


def _classes(subject: Subject, named: Sequence[Rule]) -> list[_Choice]:
    if subject.interfaces is not None or not subject.configured:
        return [_Choice(None, other=False)]
    classes = sorted({rule.usb_class for rule in named} - {ANY, HUB})
    unnamed = EVERY_CLASS & ~sum(1 << code for code in (*classes, HUB))
    other = next(natural_classes(unnamed), None)
    last = [] if other is None else [_Choice(other, other=True)]
    return [*(_Choice(one, other=False) for one in classes), *last]


Groups = dict[Hashable, tuple[list[_Choice], Device]]
"""By answer: the classes that get it, and a device with the last of them."""


def _by_class(
    subject: Subject,
    version: _Choice,
    classes: Sequence[_Choice],
    answer: Callable[[Device], Hashable],
) -> Groups:
    groups: Groups = {}
    for choice in classes:
        device = subject.form(version.value or 0, choice.value)
        said = answer(device)
        before = groups.get(said, ([], device))[0]
        groups[said] = ([*before, choice], device)
    return groups


def _alike(by_version: dict[_Choice, Groups]) -> list[list[_Choice]]:
    """Versions with the same answers class by class, as groups."""
    alike: dict[tuple[object, ...], list[_Choice]] = {}
    for version, groups in by_version.items():
        key = tuple((said, tuple(choices)) for said, (choices, _) in groups.items())
        alike.setdefault(key, []).append(version)
    return list(alike.values())


def _version_words(versions: Sequence[_Choice], all_alike: bool) -> str:
    if all_alike:
        return ""
    if any(one.other for one in versions):
        return "any other version"
    return "version " + " or ".join(bcd_text(one.value or 0) for one in versions)


def _words(choices: Sequence[_Choice], only: bool, version: str) -> str:
    if only or choices[0].value is None:
        return form_words(None, False, version)
    classes = [one.value for one in choices if one.value is not None]
    return form_words(classes, any(one.other for one in choices), version)
