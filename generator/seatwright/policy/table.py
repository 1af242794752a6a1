"""Which verdict a policy gives at every point, and which line decided it.

A *point* is what one filter rule can speak of: (class, vendor, product, bcdDevice).  The most
specific line decides at each point: a socket's lines before the room's; within each, an id with
bcdDevice before an id, an id before a vendor, a vendor before a class, a class before
"everything".  Before all lines, onboard ids and the hub class are kept.

A table holds that as a tree, any -> vendor -> id -> id with bcdDevice.  A node's rulings hold at
the points of the node that no child takes out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum

from seatwright.plan import PlannedLine, PlannedModel, PlannedPolicy, PlannedSocket
from seatwright.site.types import Verdict
from seatwright.usb.classes import HUB, MISCELLANEOUS, PER_INTERFACE
from seatwright.usb.device import Device
from seatwright.usb.filter import ANY

Key = tuple[int, int, int]
"""Vendor, product and bcdDevice of a node; ANY where the node does not say."""

ROOT: Key = (ANY, ANY, ANY)

LEAST_FIRST = (Verdict.KEEP, Verdict.OFFER, Verdict.REDIRECT)
"""A device gets the least of what its points get."""

EVERY_CLASS = 256


class Rank(IntEnum):
    """How specific a line is; the lower decides. Lines of one scope and rank must agree."""

    VERSION = 0
    ID = 1
    VENDOR = 2
    CLASS = 3
    EVERYTHING = 4


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict (``level`` is its place in LEAST_FIRST) and where it comes from.

    ``origin`` is the description path of the line; of the onboard device or the model where
    the ruling ``protects`` those; of the policy where no line names the point.
    """

    level: int
    origin: str
    line: PlannedLine | None = None
    protects: bool = False

    @property
    def verdict(self) -> Verdict:
        """What happens."""
        return LEAST_FIRST[self.level]


@dataclass(frozen=True, slots=True)
class Node:
    """Rulings by class; ``other`` for every class that is not named."""

    named: Mapping[int, Ruling]
    other: Ruling

    def at(self, usb_class: int) -> Ruling:
        """The ruling for a class, 0 to 255."""
        return self.named.get(usb_class, self.other)

    def rulings(self) -> Iterator[tuple[int, Ruling]]:
        """All of them with their class, ANY for "every other class" if there is one left."""
        yield from self.named.items()
        if len(self.named) < EVERY_CLASS:
            yield ANY, self.other


@dataclass(frozen=True, slots=True)
class Table:
    """What a policy's lines say at the port paths of one place: a socket, or the other ports."""

    nodes: Mapping[Key, Node]

    def node(self, key: Key) -> Node:
        """The node that speaks for a key: its own, or that of the nearest key above it."""
        nodes = self.nodes
        return nodes.get(key) or next(nodes[above] for above in lineage(key) if above in nodes)


@dataclass(frozen=True, slots=True)
class PolicyTables:
    """A policy's tables, whatever the model: the room's, and by label each socket's of its own."""

    room: Table
    sockets: Mapping[str, Table]


@dataclass(frozen=True, slots=True)
class Guard:
    """What is kept on a model before any line is heard: hubs, and onboard devices by their ids.

    ``may_pass`` names the peripherals that a policy may let through although they have an
    onboard device's id, because port paths decide there.
    """

    hubs: Ruling
    ids: Mapping[Key, Ruling]
    may_pass: frozenset[str]

    @classmethod
    def of(cls, model: PlannedModel, may_pass: frozenset[str]) -> Guard:
        """The guard of a model; of several onboard devices with one id the first is named."""
        ids: dict[Key, Ruling] = {}
        for device in model.onboard:
            ids.setdefault(
                (device.vendor, device.product, ANY), Ruling(0, device.origin, None, True)
            )
        return cls(Ruling(0, model.origin, None, True), ids, may_pass)

    def ruling(self, said: Ruling, usb_class: int, device_id: Key) -> Ruling:
        """What a line says at one point, once the guard has spoken."""
        if usb_class == HUB:
            return self.hubs
        onboard = self.ids.get(device_id)
        return said if onboard is None else self._heard(said, onboard)

    def over(self, key: Key, node: Node) -> Node:
        """A node's rulings once the guard has spoken."""
        onboard = self.ids.get((key[0], key[1], ANY))
        if onboard is None:
            return Node({**node.named, HUB: self.hubs}, node.other)
        named = {code: self._heard(ruling, onboard) for code, ruling in node.named.items()}
        return Node({**named, HUB: self.hubs}, self._heard(node.other, onboard))

    def _heard(self, ruling: Ruling, onboard: Ruling) -> Ruling:
        """At an onboard id only a line is heard that names a peripheral which may pass."""
        named = ruling.line is not None and ruling.line.peripheral in self.may_pass
        return ruling if named and ruling.level else onboard


@dataclass(frozen=True, slots=True)
class GuardedTable:
    """What happens on a model at one place: a table behind the model's guard."""

    table: Table
    guard: Guard

    def node(self, key: Key) -> Node:
        """The node that speaks for a key."""
        return self.guard.over(key, self.table.node(key))

    def nodes(self) -> Iterator[tuple[Key, Node]]:
        """Every node, those of onboard ids among them."""
        for key in {**self.table.nodes, **self.guard.ids}:
            yield key, self.node(key)

    def at(self, usb_class: int, vendor: int, product: int, version: int) -> Ruling:
        """The ruling at one point."""
        ruling = self.table.node((vendor, product, version)).at(usb_class)
        return self.guard.ruling(ruling, usb_class, (vendor, product, ANY))

    def verdict(self, device: Device) -> Verdict:
        """The least of the device's points, decided strictly.

        A device without a configuration or an interface shows nothing to decide by: kept.
        """
        if not device.configured or not device.interfaces:
            return Verdict.KEEP
        node = self.node((device.vendor, device.product, device.bcd_device))
        return LEAST_FIRST[min(node.at(code).level for code in points(device))]


@dataclass(frozen=True, slots=True)
class Tables:
    """A policy on a model: the room's table, and one for each socket with lines of its own."""

    room: GuardedTable
    sockets: tuple[tuple[PlannedSocket, GuardedTable], ...]

    def all(self) -> tuple[GuardedTable, ...]:
        """The room's table first."""
        return (self.room, *(table for _, table in self.sockets))

    def where(self, line: PlannedLine) -> tuple[GuardedTable, ...]:
        """The tables in which a line is heard: that of its socket, or all."""
        if line.socket is None:
            return self.all()
        return tuple(table for socket, table in self.sockets if socket.label == line.socket)


def points(device: Device) -> frozenset[int]:
    """The classes that a strict decision looks at: device class (if it says one), interfaces."""
    classes = {interface.usb_class for interface in device.interfaces}
    if device.device_class not in (PER_INTERFACE, MISCELLANEOUS):
        classes.add(device.device_class)
    return frozenset(classes)


def lineage(key: Key) -> tuple[Key, ...]:
    """A key and all keys above it, most specific first."""
    vendor, product, version = key
    if version != ANY:
        return key, (vendor, product, ANY), (vendor, ANY, ANY), ROOT
    if product != ANY:
        return key, (vendor, ANY, ANY), ROOT
    return (key, ROOT) if vendor != ANY else (ROOT,)


def key_of(line: PlannedLine) -> Key:
    """The node that a line speaks at."""
    ids = (line.vendor, line.product, line.bcd_device)
    vendor, product, version = (ANY if value is None else value for value in ids)
    return vendor, product, version


def classes_of(line: PlannedLine) -> tuple[int, ...]:
    """The classes that a line speaks of; empty for all.

    A named peripheral that is kept is kept whole, whatever its interfaces are.
    """
    whole = line.peripheral is not None and line.verdict == "keep"
    return () if whole else line.usb_classes


def rank(line: PlannedLine) -> tuple[bool, Rank]:
    """Where a line stands among others; sockets' lines (False) before the room's."""
    if line.bcd_device is not None:
        kind = Rank.VERSION
    elif line.product is not None:
        kind = Rank.ID
    elif line.vendor is not None:
        kind = Rank.VENDOR
    else:
        kind = Rank.CLASS if line.usb_classes else Rank.EVERYTHING
    return line.socket is None, kind


def sorted_lines(lines: Iterable[PlannedLine]) -> list[PlannedLine]:
    """Lines with the most specific first; among contradicting ones the least permissive."""
    return sorted(lines, key=lambda line: (rank(line), LEAST_FIRST.index(Verdict(line.verdict))))


def ruling_of(line: PlannedLine) -> Ruling:
    """What a line says where it is heard."""
    return Ruling(LEAST_FIRST.index(Verdict(line.verdict)), line.origin, line)


def make_tables(policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]) -> Tables:
    """The tables of a policy on a model; ``may_pass`` as in :class:`Guard`."""
    return guarded(make_policy_tables(policy), model, Guard.of(model, may_pass))


def guarded(tables: PolicyTables, model: PlannedModel, guard: Guard) -> Tables:
    """A policy's tables behind a model's guard; lines for sockets that it lacks are not heard."""
    return Tables(
        GuardedTable(tables.room, guard),
        tuple(
            (socket, GuardedTable(tables.sockets[socket.label], guard))
            for socket in model.sockets
            if socket.label in tables.sockets
        ),
    )


def make_policy_tables(policy: PlannedPolicy) -> PolicyTables:
    """What the lines of a policy say, wherever there is no guard."""
    heard: dict[str | None, Heard] = {}
    for line in sorted_lines(policy.lines):
        heard.setdefault(line.socket, {}).setdefault(key_of(line), []).append(ruling_of(line))
    room = _room_table(heard.pop(None, {}), Ruling(0, policy.origin))
    return PolicyTables(
        room, {label: _socket_table(own, room) for label, own in heard.items() if label is not None}
    )


Heard = dict[Key, list[Ruling]]
"""The rulings of the lines that speak at each node, the most specific first."""


def _room_table(heard: Heard, nothing_said: Ruling) -> Table:
    """From the root down: a node's own lines over what the node above says."""
    nodes = {ROOT: overlaid(heard.get(ROOT, ()), Node({}, nothing_said))}
    for key in sorted({above for spoken in heard for above in lineage(spoken)} - {ROOT}):
        nodes[key] = overlaid(heard.get(key, ()), nodes[lineage(key)[1]])
    return Table(nodes)


def _socket_table(heard: Heard, room: Table) -> Table:
    """All lines of the socket along a node's lineage, over what the room says at that node."""
    keys = {above for key in heard for above in lineage(key)} | room.nodes.keys()
    return Table(
        {
            key: overlaid(
                [ruling for above in lineage(key) for ruling in heard.get(above, ())],
                room.node(key),
            )
            for key in keys
        }
    )


def overlaid(rulings: Iterable[Ruling], below: Node) -> Node:
    """Each class from the first ruling whose line speaks of it, the rest from below."""
    named: dict[int, Ruling] = {}
    for ruling in rulings:
        classes = classes_of(ruling.line) if ruling.line else ()
        if not classes:
            return Node(named, ruling)
        for usb_class in classes:
            named.setdefault(usb_class, ruling)
    return Node({**below.named, **named}, below.other)
