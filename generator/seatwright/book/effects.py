"""What happens to what, in which socket: the answers that a door sheet gives.

A *thing* is what a policy speaks of: a peripheral, a class, an id, a vendor, or everything else.
Its answer is not read off the lines but decided: the rules of the socket are asked for every kind
of device that they could tell apart (each class, bcdDevice and so on that they mention, and one
that they do not), so a line that another one overrules does not show up as if it held.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from seatwright.plan import (
    Plan,
    PlannedLine,
    PlannedPeripheral,
    PlannedRule,
    PlannedSocket,
    RuleSet,
)
from seatwright.policy.proofs import Spot, plain, spots_at
from seatwright.usb.classes import HID, HUB
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule, decide_strict

Effect = Literal["redirect", "offer", "keep", "depends"]

NOT_MENTIONED = (0x58, 0x59, 0x5A, 0x5B)
"""Classes that no list of the USB forum has; one that no rule names stands for all unnamed."""


@dataclass(frozen=True, slots=True)
class Thing:
    """What a row is about; all fields empty for "everything else".

    ``peripheral`` is a name of the plan; else ``vendor``, ``product`` and ``version`` as far as
    the line says, and the classes it is narrowed to (one for a row about a class).
    """

    peripheral: str = ""
    vendor: int | None = None
    product: int | None = None
    version: int | None = None
    classes: tuple[int, ...] = ()


EVERYTHING_ELSE = Thing()

KEYBOARDS = Thing(classes=(HID,))


@dataclass(frozen=True, slots=True)
class Row:
    """A thing and its effect in each column of a :class:`Table`."""

    thing: Thing
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Columns are sockets with the same answers, by their numbers (from 1); none: any socket."""

    columns: tuple[tuple[int, ...], ...]
    rows: tuple[Row, ...]
    keyboards_stay: bool


def _things(line: PlannedLine, plan: Plan) -> Iterator[Thing]:
    if line.peripheral in plan.peripherals:
        yield Thing(peripheral=line.peripheral or "")
    elif line.vendor is not None:
        yield Thing("", line.vendor, line.product, line.bcd_device, line.usb_classes)
    else:
        yield from (Thing(classes=(code,)) for code in line.usb_classes)


@dataclass(frozen=True, slots=True)
class _Rules:
    """A rule list as decisions take it; lists that say the same have one number."""

    number: int
    rules: tuple[Rule, ...]


class Effects:
    """The answers of a plan; rule lists that say the same are asked once."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._things: dict[str, tuple[Thing, ...]] = {}
        self._numbers: dict[tuple[Rule, ...], _Rules] = {}
        self._by_id: dict[int, _Rules] = {}  # the plan keeps its lists alive
        self._known: dict[tuple[Thing, int, int], Effect] = {}

    def table(
        self, rules: RuleSet, sockets: Sequence[PlannedSocket], things: Sequence[Thing]
    ) -> Table:
        """What happens at a seat with these rules and sockets, sockets with one answer together."""
        labels: list[str | None] = [one.label for one in sockets] or [None]
        places = [spots_at(rules, label)[0] for label in labels]
        columns: dict[tuple[Effect, ...], list[int]] = {}
        for number, spot in enumerate(places, 1):
            answer = tuple(self.effect(spot, thing) for thing in things)
            columns.setdefault(answer, []).append(number)
        numbers = tuple(tuple(some) for some in columns.values()) if len(columns) > 1 else ((),)
        rows = tuple(map(Row, things, zip(*columns, strict=True)))
        stay = all(self.effect(spot, KEYBOARDS) == "keep" for spot in places)
        return Table(numbers, rows, stay)

    def things(self, policies: Sequence[str]) -> tuple[Thing, ...]:
        """What the lines of some policies speak of, "everything else" last."""
        found = [thing for policy in policies for thing in self._things_of(policy)]
        once = dict.fromkeys(thing for thing in found if thing != EVERYTHING_ELSE)
        order = sorted(once, key=lambda thing: (not thing.peripheral, thing.vendor is None))
        return (*order, EVERYTHING_ELSE)

    def _things_of(self, policy: str) -> tuple[Thing, ...]:
        known = self._things.get(policy)
        if known is None:
            lines = self._plan.policies[policy].lines
            known = tuple(thing for line in lines for thing in _things(line, self._plan))
            self._things[policy] = known
        return known

    def because(self, spot: Spot, peripheral: str) -> tuple[str, ...]:
        """The origins of the rules that decide on a peripheral, over all its kinds."""
        redirect, permitted = self._rules(spot.redirect), self._rules(spot.permitted)
        shapes = self._shapes(Thing(peripheral), (*redirect.rules, *permitted.rules))
        found: dict[str, None] = {}
        for device in shapes:
            decision, rules = decide_strict(redirect.rules, device), spot.redirect
            if not decision.allowed:
                decision, rules = decide_strict(permitted.rules, device), spot.permitted
            if decision.rule is not None:
                found[rules[decision.rule].origin] = None
        return tuple(found)

    def effect(self, spot: Spot, thing: Thing) -> Effect:
        """What happens to every device that the thing is; "depends" where it is not one answer."""
        redirect, permitted = self._rules(spot.redirect), self._rules(spot.permitted)
        key = (thing, redirect.number, permitted.number)
        known = self._known.get(key)
        if known is None:
            shapes = self._shapes(thing, (*redirect.rules, *permitted.rules))
            said = {_effect(redirect.rules, permitted.rules, device) for device in shapes}
            known = self._known[key] = said.pop() if len(said) == 1 else "depends"
        return known

    def _rules(self, rules: tuple[PlannedRule, ...]) -> _Rules:
        found = self._by_id.get(id(rules))
        if found is None:
            ready = plain(rules)
            found = self._numbers.setdefault(ready, _Rules(len(self._numbers), ready))
            self._by_id[id(rules)] = found
        return found

    def _shapes(self, thing: Thing, rules: Sequence[Rule]) -> Iterator[Device]:
        """A device for each kind of this thing that the rules can tell apart."""
        if thing.peripheral:
            yield from peripheral_shapes(self._plan.peripherals[thing.peripheral], rules)
            return
        vendor = (
            _unused((r.vendor for r in rules), 0xFFFF) if thing.vendor is None else thing.vendor
        )
        of_vendor = [r for r in rules if r.vendor in (ANY, vendor)]
        products = (r.product for r in of_vendor if r.vendor == vendor)
        product_id = _unused(products, 0xFFFF) if thing.product is None else thing.product
        if thing.version is None:
            version = _unused((r.version for r in _of_id(rules, vendor, product_id)), 0xFFFF)
        else:
            version = thing.version
        device = Device(vendor, product_id, version)
        for code in thing.classes or (_unmentioned_class(rules),):
            yield replace(device, interfaces=(Interface(code, 1, 1),))


def peripheral_shapes(peripheral: PlannedPeripheral, rules: Sequence[Rule]) -> Iterator[Device]:
    """Every kind of the peripheral: the versions and classes that it leaves open, tried out."""
    mentioned = _of_id(rules, peripheral.vendor, peripheral.product)
    versions = {rule.version for rule in mentioned if rule.version != ANY}
    open_versions = (*sorted(versions), _unused(versions, 0xFFFF))
    wanted = open_versions if peripheral.bcd_device is None else (peripheral.bcd_device,)
    declared = tuple(
        Interface(one.usb_class, one.subclass, one.protocol) for one in peripheral.interfaces
    )
    classes = {rule.usb_class for rule in rules if rule.usb_class not in (ANY, HUB)}
    any_one = (*sorted(classes), _unmentioned_class(rules))
    shapes = (declared,) if declared else tuple((Interface(code, 1, 1),) for code in any_one)
    for version, interfaces in product(wanted, shapes):
        yield Device(
            peripheral.vendor,
            peripheral.product,
            version,
            peripheral.device_class,
            interfaces=interfaces,
        )


def _effect(redirect: Sequence[Rule], permitted: Sequence[Rule], device: Device) -> Effect:
    if decide_strict(redirect, device).allowed:
        return "redirect"
    return "offer" if decide_strict(permitted, device).allowed else "keep"


def _of_id(rules: Sequence[Rule], vendor: int, product_id: int) -> list[Rule]:
    return [r for r in rules if r.vendor in (ANY, vendor) and r.product in (ANY, product_id)]


def _unmentioned_class(rules: Sequence[Rule]) -> int:
    mentioned = {rule.usb_class for rule in rules}
    return next((code for code in NOT_MENTIONED if code not in mentioned), NOT_MENTIONED[0])


def _unused(mentioned: Iterable[int], highest: int) -> int:
    """The highest number that is not among the mentioned ones."""
    taken = set(mentioned)
    return next(number for number in range(highest, -1, -1) if number not in taken)
