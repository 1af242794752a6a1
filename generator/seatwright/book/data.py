"""What the script of the page works on, as compact JSON.

Equal rules, equal lists and equal words are there once and are spoken of by their number; seats
are columns.  The keys are those that ``templates/book/js`` reads.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Generic, TypeVar

import msgspec

from seatwright.findings.words import printable
from seatwright.plan import (
    Plan,
    PlannedLine,
    PlannedModel,
    PlannedOnboard,
    PlannedPeripheral,
    PlannedRule,
    RuleSet,
)
from seatwright.policy.words import HAPPENS, rule_words
from seatwright.render.quote import Quoted
from seatwright.site.build import bcd_text
from seatwright.usb.classes import CLASSES

T = TypeVar("T", bound=Hashable)

IN_SCRIPT = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}
"""What could end the element that the JSON stands in, as JSON writes it otherwise."""


class Numbered(Generic[T]):
    """Values by number, equal ones under one."""

    def __init__(self) -> None:
        self._numbers: dict[T, int] = {}

    def __call__(self, value: T) -> int:
        return self._numbers.setdefault(value, len(self._numbers))

    @property
    def values(self) -> list[T]:
        """The values in the order of their numbers."""
        return list(self._numbers)


RuleFields = tuple[int, int, int, int, int, int, int]
"""Class, vendor, product, version, allow, number of its words, number of where it comes from."""


class _Lists:
    """The rule lists of a plan, folded."""

    def __init__(self, plan: Plan) -> None:
        self.words: Numbered[str] = Numbered()
        self.rules: Numbered[RuleFields] = Numbered()
        self.lists: Numbered[tuple[int, ...]] = Numbered()
        self._origins = origins(plan)
        self._known: dict[tuple[object, ...], int] = {}

    def number(self, rules: Sequence[PlannedRule]) -> int:
        """The number of a list."""
        return self.lists(tuple([self._rule(rule) for rule in rules]))

    def _rule(self, rule: PlannedRule) -> int:
        key = (rule.usb_class, rule.vendor, rule.product, rule.version, rule.allow, rule.origin)
        known = self._known.get(key)
        if known is None:
            words = self.words(rule_words(rule))
            where = self.words(self._origins.get(rule.origin, rule.origin))
            fields = (rule.usb_class, rule.vendor, rule.product, rule.version)
            known = self._known[key] = self.rules((*fields, int(rule.allow), words, where))
        return known


def origins(plan: Plan) -> dict[str, str]:
    """Where rules come from, in words, by the path in the description."""
    found: dict[str, str] = {}
    for model in plan.models.values():
        found[model.origin] = f"hubs are never handed over ({model.title})"
        found.update({device.origin: _onboard_words(model, device) for device in model.onboard})
    for policy in plan.policies.values():
        found[policy.origin] = f"no line of the policy {policy.name} lets more through"
        found.update({line.origin: _line_words(policy.name, line) for line in policy.lines})
    return {origin: printable(words) for origin, words in found.items()}


def _onboard_words(model: PlannedModel, device: PlannedOnboard) -> str:
    carries = f", carries the {device.carries}" if device.carries else ""
    return f"onboard device of {model.title} at {device.port}{carries}"


def _line_words(policy: str, line: PlannedLine) -> str:
    socket = f', socket "{line.socket}"' if line.socket else ""
    return f"policy {policy}{socket}, {line.verdict}: {line.text}"


def data_of(plan: Plan) -> dict[str, object]:
    """The whole of it, ready for JSON."""
    lists = _Lists(plan)
    number = {kind: {name: at for at, name in enumerate(getattr(plan, kind))} for kind in KINDS}
    sets = [_rule_set(one, lists, number) for one in plan.rules.values()]
    return {
        "site": printable(plan.site),
        "happens": dict(HAPPENS),
        "classes": [[one.code, one.name, one.title] for one in CLASSES],
        "peripherals": [_peripheral(one) for one in plan.peripherals.values()],
        "words": lists.words.values,
        "rules": lists.rules.values,
        "lists": lists.lists.values,
        "sets": sets,
        "models": [_model(one) for one in plan.models.values()],
        "policies": [[one.name, printable(one.title)] for one in plan.policies.values()],
        "hosts": list(plan.hosts),
        "rooms": [
            [room.name, printable(room.title), number["policies"][room.policy], room.ports]
            for room in plan.rooms.values()
        ],
        "cells": [
            [number["rooms"][one.room], number["rules"][one.rules]] for one in plan.cells.values()
        ],
        "seats": _seats(plan, number),
    }


KINDS = ("models", "policies", "rules", "hosts", "rooms", "cells")


def _rule_set(
    rules: RuleSet, lists: _Lists, number: Mapping[str, Mapping[str, int]]
) -> list[object]:
    sockets = [
        [printable(one.label), lists.number(one.redirect), lists.number(one.permitted)]
        for one in rules.sockets
    ]
    return [
        number["policies"][rules.policy],
        number["models"][rules.model],
        lists.number(rules.redirect),
        lists.number(rules.permitted),
        lists.number(rules.host),
        sockets,
    ]


def _model(model: PlannedModel) -> list[object]:
    return [
        model.name,
        printable(model.title),
        [[printable(one.label), list(one.ports)] for one in model.sockets],
        [[one.port, one.vendor, one.product] for one in model.onboard],
    ]


def _peripheral(one: PlannedPeripheral) -> list[object]:
    return [
        one.name,
        printable(one.title),
        one.vendor,
        one.product,
        None if one.bcd_device is None else bcd_text(one.bcd_device),
        one.device_class,
        [[each.usb_class, each.subclass, each.protocol] for each in one.interfaces],
    ]


def _seats(plan: Plan, number: Mapping[str, Mapping[str, int]]) -> dict[str, list[object]]:
    """Columns; a guest or an address that is called like its seat is left out."""
    seats = plan.seats.values()
    guests = [plan.guests[one.guest] for one in seats]
    return {
        "name": [one.name for one in seats],
        "cell": [number["cells"][one.cell] for one in seats],
        "host": [number["hosts"][one.host] for one in seats],
        "guest": ["" if one.guest == one.name else one.guest for one in seats],
        "address": ["" if one.address == one.name else one.address for one in seats],
        "number": [one.number for one in seats],
        "display": [one.spice_port for one in guests],
        "ports": [len(one.ports) for one in guests],
    }


def in_script(data: object) -> Quoted:
    """JSON that can stand in a script element of a page (HTML, 'restrictions for contents')."""
    text = msgspec.json.encode(data).decode()
    for sign, written in IN_SCRIPT.items():
        text = text.replace(sign, written)
    return Quoted(text)
