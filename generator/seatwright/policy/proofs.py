"""Exact answers about a plan's rule sets; each different list is looked into once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from seatwright.plan import NodeKey, Plan, PlannedPeripheral, PlannedRule, RuleSet
from seatwright.policy.algebra import AnyRule, Forest, Outcome, outcome
from seatwright.policy.algebra.outcome import Place
from seatwright.policy.algebra.sets import natural
from seatwright.policy.algebra.space import CLASS, USB
from seatwright.policy.table import Guard, Tables, guarded, make_policy_tables, points
from seatwright.site.types import Verdict
from seatwright.usb.classes import HUB
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Decision, Rule, decide_strict

EVERY_CLASS = (1 << USB.classes) - 1
"""A bit for each class, as outcomes have them."""

HUB_BIT = 1 << HUB

NATURAL = tuple(natural(CLASS, USB.classes))
"""All classes, those that real devices have first."""


@dataclass(frozen=True, slots=True)
class Spot:
    """Port paths where the same lists hold: a socket's, or (``socket`` None) all others."""

    socket: str | None
    redirect: tuple[PlannedRule, ...]
    permitted: tuple[PlannedRule, ...]
    nodes: tuple[NodeKey, ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What happens to one device at a spot, and the line (or onboard device, or policy) why."""

    verdict: Verdict
    origin: str


class Proofs:
    """A plan, with the trees of its rule lists made as they are asked for."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.may_pass = frozenset(p.name for p in plan.peripherals.values() if p.port_paths_decide)
        self._forest = Forest()
        self._outcomes: dict[tuple[tuple[int, ...], ...], Outcome] = {}
        self._tables: dict[str, Tables] = {}

    def outcome(self, rules: Sequence[AnyRule]) -> Outcome:
        """The tree of a list; lists that say the same rule by rule share one."""
        key = tuple((r.usb_class, r.vendor, r.product, r.version, r.allow) for r in rules)
        found = self._outcomes.get(key)
        if found is None:
            found = self._outcomes[key] = outcome(rules, self._forest)
        return found

    def tables(self, rules: RuleSet) -> Tables:
        """The verdict tables that a rule set was compiled from."""
        found = self._tables.get(rules.name)
        if found is None:
            policy, model = self.plan.policies[rules.policy], self.plan.models[rules.model]
            guard = Guard.of(model, self.may_pass)
            found = guarded(make_policy_tables(policy), model, guard)
            self._tables[rules.name] = found
        return found

    def some_through(
        self, rules: Sequence[AnyRule], peripheral: PlannedPeripheral
    ) -> Device | None:
        """A shape of the peripheral that passes a list (strictly), or None if none does."""
        for place in self._places(rules, peripheral):
            if peripheral.interfaces:
                device = device_of(peripheral, place)
                if all(place.classes >> code & 1 for code in points(device)):
                    return device
            elif not _says(peripheral) or place.classes >> peripheral.device_class & 1:
                for usb_class in natural_classes(place.classes):
                    return device_of(peripheral, place, usb_class)
        return None

    def some_kept(self, rules: Sequence[AnyRule], peripheral: PlannedPeripheral) -> Device | None:
        """A shape of the peripheral that a list keeps (strictly), or None if none is.

        A peripheral whose interfaces are not known may have any but a hub's: it would be a hub.
        """
        for place in self._places(rules, peripheral):
            if peripheral.interfaces:
                device = device_of(peripheral, place)
                if not all(place.classes >> code & 1 for code in points(device)):
                    return device
                continue
            kept = EVERY_CLASS & ~place.classes & ~HUB_BIT
            if _says(peripheral) and not place.classes >> peripheral.device_class & 1:
                kept = EVERY_CLASS & ~HUB_BIT
            for usb_class in natural_classes(kept):
                return device_of(peripheral, place, usb_class)
        return None

    def _places(self, rules: Sequence[AnyRule], peripheral: PlannedPeripheral) -> Iterator[Place]:
        tree = self.outcome(rules)
        return tree.places(peripheral.vendor, peripheral.product, peripheral.bcd_device)


def spots(rules: RuleSet) -> tuple[Spot, ...]:
    """The room's other ports first, then each socket with lists of its own."""
    room = Spot(None, rules.redirect, rules.permitted, rules.nodes)
    return (
        room,
        *(Spot(one.label, one.redirect, one.permitted, one.nodes) for one in rules.sockets),
    )


def spots_at(rules: RuleSet, socket: str | None) -> tuple[Spot, ...]:
    """The spots of one socket (which has the room's lists if none of its own), or all."""
    every = spots(rules)
    if socket is None:
        return every
    return tuple(spot for spot in every if spot.socket == socket) or every[:1]


def said_of(spot: Spot, device: Device) -> Said:
    """The session's decision on a device; the origin is that of the rule that made it so."""
    redirect = decide_strict(plain(spot.redirect), device)
    if redirect.allowed:
        return Said(Verdict.REDIRECT, _origin(spot.redirect, redirect))
    permitted = decide_strict(plain(spot.permitted), device)
    verdict = Verdict.OFFER if permitted.allowed else Verdict.KEEP
    return Said(verdict, _origin(spot.permitted, permitted))


def _origin(rules: Sequence[PlannedRule], decision: Decision) -> str:
    return "" if decision.rule is None else rules[decision.rule].origin


def plain(rules: Iterable[AnyRule]) -> tuple[Rule, ...]:
    """Rules as the decisions of ``usb.filter`` take them."""
    return tuple(Rule(r.usb_class, r.vendor, r.product, r.version, r.allow) for r in rules)


def node_rules(keys: Iterable[NodeKey]) -> tuple[Rule, ...]:
    """A rule list that lets through exactly what node permissions open."""
    rules = []
    for key in keys:
        vendor, product, version = (
            ANY if part is None else part for part in (key.vendor, key.product, key.bcd_device)
        )
        rules += [Rule(code, vendor, product, version, not key.inverted) for code in key.classes]
        rules.append(Rule(ANY, vendor, product, version, key.inverted))
    return tuple(rules)


def device_of(peripheral: PlannedPeripheral, place: Place, usb_class: int | None = None) -> Device:
    """The peripheral at a place; with one interface of a class where it has none declared."""
    declared = tuple(
        Interface(one.usb_class, one.subclass, one.protocol) for one in peripheral.interfaces
    )
    return Device(
        vendor=place.vendor,
        product=place.product,
        bcd_device=place.version,
        device_class=peripheral.device_class,
        interfaces=declared if usb_class is None else (Interface(usb_class, 1, 1),),
    )


def declared_classes(peripheral: PlannedPeripheral) -> frozenset[int]:
    """The classes that all have to pass; none where the site does not say."""
    if not peripheral.interfaces:
        return frozenset()
    return points(device_of(peripheral, Place(peripheral.vendor, peripheral.product, 0, 0)))


def witness_of(device: Device) -> dict[str, object]:
    """A device as findings print it."""
    return {
        "vendor": f"{device.vendor:04x}",
        "product": f"{device.product:04x}",
        "bcdDevice": f"{device.bcd_device:04x}",
        "class": device.device_class,
        "interfaces": [[one.usb_class, one.subclass, one.protocol] for one in device.interfaces],
    }


def _says(peripheral: PlannedPeripheral) -> bool:
    """Whether the device class is one that a decision looks at."""
    return peripheral.device_class not in (0x00, 0xEF)


def natural_classes(classes: int) -> Iterator[int]:
    """The classes of some bits, those that real devices have first."""
    return (code for code in NATURAL if classes >> code & 1)
