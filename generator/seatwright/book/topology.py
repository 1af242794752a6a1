"""A model's USB tree, laid out: what sits where, in the order of the ports.

The tree grows from left to right, a column for each tier.  Leaves take a row each in port order
and a hub stands in the middle of what is behind it, so there is one layout and nothing to search.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from seatwright.findings.words import listed
from seatwright.plan import PlannedModel, PlannedOnboard
from seatwright.usb.classes import HUB, class_name
from seatwright.usb.portpath import PortPath, parse_port_path

Kind = Literal["bus", "hub", "part", "socket", "place"]
"""``part`` is an onboard device, ``place`` a port path that only leads further."""


@dataclass(frozen=True, slots=True)
class Node:
    """Something in the tree; ``title`` and ``below`` are its two lines, ``row`` its middle."""

    path: PortPath | None
    kind: Kind
    title: str
    below: str
    column: int
    row: float
    parent: int | None


@dataclass(frozen=True, slots=True)
class Topology:
    """Nodes, parents first. ``same`` are pairs of nodes that are one socket with two paths."""

    nodes: tuple[Node, ...]
    same: tuple[tuple[int, int], ...]

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(max((node.row for node in self.nodes), default=0)) + 1

    @property
    def columns(self) -> int:
        """How many columns there are."""
        return max((node.column for node in self.nodes), default=0) + 1


@dataclass(frozen=True, slots=True)
class _Entry:
    """What the description says of a port path."""

    kind: Kind
    title: str
    below: str


def topology_of(model: PlannedModel) -> Topology:
    """Buses, hubs, onboard devices and sockets of a model."""
    entries = _entries(model)
    paths = sorted(_with_parents(entries))
    nodes: list[Node] = []
    number: dict[PortPath | int | None, int] = {}
    rows = _rows(paths)
    for bus in sorted({path.bus for path in paths}):
        roots = [rows[path] for path in paths if path.bus == bus and path.parent is None]
        number[bus] = len(nodes)
        middle = (min(roots) + max(roots)) / 2
        nodes.append(Node(None, "bus", f"Bus {bus}", "root hub", 0, middle, None))
    for path in paths:
        entry = entries.get(path, _Entry("place", str(path), "not described"))
        parent = number[path.bus if path.parent is None else path.parent]
        number[path] = len(nodes)
        place = len(path.ports)
        nodes.append(Node(path, entry.kind, entry.title, entry.below, place, rows[path], parent))
    same = [
        (number[parse_port_path(first)], number[parse_port_path(other)])
        for one in model.sockets
        for first, other in zip(one.ports, one.ports[1:], strict=False)
    ]
    return Topology(tuple(nodes), tuple(same))


def _entries(model: PlannedModel) -> dict[PortPath, _Entry]:
    entries = {parse_port_path(one.port): _onboard(one) for one in model.onboard}
    for socket in model.sockets:
        for port in socket.ports:
            entry = _Entry("socket", socket.label, f"{port}, {socket.speed} speed")
            entries.setdefault(parse_port_path(port), entry)
    return entries


def _onboard(device: PlannedOnboard) -> _Entry:
    is_hub = device.usb_class == HUB
    what = "hub" if is_hub else "onboard device"
    if device.carries:
        what = f"carries the {device.carries}"
    elif device.usb_class is not None and not is_hub:
        what = f"onboard, {class_name(device.usb_class)}"
    ids = f"{device.port}, {device.vendor:04x}:{device.product:04x}"
    return _Entry("hub" if is_hub else "part", what[0].upper() + what[1:], ids)


def _with_parents(entries: dict[PortPath, _Entry]) -> set[PortPath]:
    """All described paths, and those on the way to them."""
    found: set[PortPath] = set()
    for path in entries:
        step: PortPath | None = path
        while step is not None and step not in found:
            found.add(step)
            step = step.parent
    return found


def _rows(paths: list[PortPath]) -> dict[PortPath, float]:
    """Leaves one below the other; whatever is behind a hub decides where the hub stands."""
    behind: dict[PortPath, list[PortPath]] = {path: [] for path in paths}
    for path in paths:
        if path.parent is not None:
            behind[path.parent].append(path)
    rows: dict[PortPath, float] = {}
    leaves = 0
    for path in paths:
        if not behind[path]:
            rows[path] = leaves
            leaves += 1
    for path in sorted(paths, key=lambda one: -len(one.ports)):
        if behind[path]:
            below = [rows[one] for one in behind[path]]
            rows[path] = (min(below) + max(below)) / 2
    return rows


def sentences(topology: Topology, model: PlannedModel) -> Iterator[tuple[int, str]]:
    """The tree in words: the depth of each line and what stands there, parents first."""
    order = sorted(range(len(topology.nodes)), key=lambda at: _reading_order(topology.nodes[at]))
    both = {socket.label: socket.ports for socket in model.sockets if len(socket.ports) > 1}
    bus = 0
    for at in order:
        node = topology.nodes[at]
        if node.path is None:
            bus = int(node.title.split()[1])
            yield 0, f"Bus {bus}"
            continue
        more = ""
        if node.kind == "socket" and node.title in both:
            more = f" (one socket at {listed(both[node.title], 'and')})"
        yield len(node.path.ports), f"{node.title}: {node.below}{more}"


def _reading_order(node: Node) -> tuple[int, tuple[int, ...]]:
    if node.path is None:
        return int(node.title.split()[1]), ()
    return node.path.bus, node.path.ports
