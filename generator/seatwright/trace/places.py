"""Where a device can be plugged in at a seat or in a room, and what holds there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from seatwright.findings.words import printable
from seatwright.plan import Plan, PlannedModel, PlannedOnboard, RuleSet
from seatwright.policy.proofs import Spot, spots
from seatwright.trace.subject import Subject
from seatwright.usb.device import Device
from seatwright.usb.portpath import PortPath, longest_cover, parse_port_path


@dataclass(frozen=True, slots=True)
class Unit:
    """Seats that nothing tells apart: of one cell, and with as many redirection ports."""

    cell: str
    model: PlannedModel
    rules: RuleSet
    ports: int
    seats: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Where:
    """Port paths of a model where the same lists hold.

    ``sockets`` are their labels, ``others`` stands for all ports beside the sockets; or ``port``
    is one port path, and ``onboard`` the device that belongs exactly there.
    """

    spot: Spot
    sockets: tuple[str, ...] = ()
    others: bool = False
    port: str | None = None
    onboard: PlannedOnboard | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """A device in one form at one place of some seats."""

    subject: Subject
    device: Device
    unit: Unit
    where: Where


def units_at(plan: Plan, at: str) -> tuple[Unit, ...]:
    """The seats of a room, or one seat; KeyError where neither has that name."""
    if at in plan.rooms:
        names: Sequence[str] = plan.rooms[at].seats
    else:
        names = (plan.seats[at].name,)
    members: dict[tuple[str, int], list[str]] = {}
    for name in names:
        seat = plan.seats[name]
        ports = len(plan.guests[seat.guest].ports)
        members.setdefault((seat.cell, ports), []).append(name)
    return tuple(
        Unit(
            cell=cell,
            model=plan.models[plan.cells[cell].model],
            rules=plan.rules[plan.cells[cell].rules],
            ports=ports,
            seats=tuple(seats),
        )
        for (cell, ports), seats in members.items()
    )


def everywhere(unit: Unit) -> tuple[Where, ...]:
    """Every place of a client: sockets with lists of their own first, the rest as one."""
    rest, *own = spots(unit.rules)
    named = {spot.socket for spot in own}
    others = tuple(one.label for one in unit.model.sockets if one.label not in named)
    return (
        *(Where(spot, (spot.socket,)) for spot in own if spot.socket is not None),
        Where(rest, others, others=True),
    )


def in_socket(unit: Unit, label: str) -> Where | None:
    """The place of a socket, None where the model has no socket of that label."""
    if all(socket.label != label for socket in unit.model.sockets):
        return None
    return Where(_spot(unit.rules, label), (label,))


def at_port(unit: Unit, path: PortPath) -> Where:
    """A port path: an onboard device's, that of the socket with the longest path, or another."""
    onboard = next((one for one in unit.model.onboard if one.port == str(path)), None)
    labels = {
        parse_port_path(port): socket.label
        for socket in unit.model.sockets
        for port in socket.ports
    }
    socket = longest_cover(path, labels)
    label = labels[socket] if socket else None
    sockets = () if label is None else (label,)
    return Where(_spot(unit.rules, label), sockets, label is None, str(path), onboard)


def _spot(rules: RuleSet, label: str | None) -> Spot:
    """The lists of a socket: its own, or the room's."""
    rest, *own = spots(rules)
    return next((spot for spot in own if spot.socket == label), rest)


def joined(places: Sequence[Where]) -> Where:
    """Places with the same answer as one."""
    if len(places) == 1:
        return places[0]
    labels = tuple(label for place in places for label in place.sockets)
    return Where(places[0].spot, labels, any(place.others for place in places))


def place_words(place: Where, every: Sequence[Where]) -> str:
    """``in any socket``, ``in the socket "under the shelf"``, …; ``every`` are all places asked."""
    quoted = [f'"{printable(label)}"' for label in place.sockets]
    if place.port is not None:
        return f"at port {place.port}" + (f" (socket {quoted[0]})" if quoted else "")
    if not place.others:
        if _no_socket_else(place, every):
            return "in any socket"
        several = f"{', '.join(quoted[:-1])} and {quoted[-1]}" if len(quoted) > 1 else quoted[0]
        return f"in the socket{'s' if len(quoted) > 1 else ''} {several}"
    if len(place.sockets) == sum(len(one.sockets) for one in every):
        return "in any socket" if quoted else "in any port"
    return "anywhere else"


def _no_socket_else(place: Where, every: Sequence[Where]) -> bool:
    """Whether these are all sockets there are, of several."""
    return 1 < len(place.sockets) == sum(len(one.sockets) for one in every)


def shared_places(units: Sequence[Unit]) -> Iterator[str]:
    """The labels of all sockets at some seats, each once."""
    yield from dict.fromkeys(socket.label for unit in units for socket in unit.model.sockets)
