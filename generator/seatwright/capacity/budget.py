"""Which peripherals fit where: the plan's numbers and its policies brought together.

A peripheral *fits* where its seat's link and adapter carry it beside the greediest others that the
guest has ports for, or where it asks for no more than an even part (as many parts as ports); it
*fits alone* where they carry it by itself; else it *does not fit*.  Its best socket counts.  What
takes what there is (a drive without a declared rate) always fits, and is left out where many share:
it gives way to the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import nlargest
from typing import Literal

from seatwright.capacity.fits import MILLION, on_wire, wire_rate
from seatwright.plan import Cell, Plan, PlannedFit, PlannedSwitch, RuleSet, Value
from seatwright.policy.algebra import Outcome
from seatwright.policy.proofs import Proofs, spots_at

Verdict = Literal["fits", "fits alone", "does not fit"]


class Row(Value, frozen=True, kw_only=True):
    """A peripheral that may pass at some seats, in the sockets where it may.

    ``beside`` is what the greediest others take at the same time, in millionths of the link.
    """

    peripheral: str
    verdict: Verdict
    beside: int
    fits: tuple[PlannedFit, ...]


class Group(Value, frozen=True, kw_only=True):
    """Seats of one room that have the same numbers; ``link`` is a name of the plan's links."""

    room: str
    cell: str
    model: str
    link: str
    ports: int
    seats: tuple[str, ...]
    rows: tuple[Row, ...]


class Shared(Value, frozen=True, kw_only=True):
    """What many seats share: the uplink of a switch, or the link of a host.

    Bits per second: what it carries, what all seats ask for with every port in use, and what the
    stated share of each room's seats asks for beside all screens.
    """

    kind: Literal["switch", "host"]
    name: str
    rate: int
    seats: int
    worst: int
    at_once: int


class Budget(Value, frozen=True, kw_only=True):
    """The whole site's."""

    groups: tuple[Group, ...]
    shared: tuple[Shared, ...]


def make_budget(proofs: Proofs) -> Budget:
    """Every seat, switch and host of a plan."""
    plan = proofs.plan
    passing = _Passing(proofs)
    rows: dict[tuple[str, str, int], tuple[Row, ...]] = {}
    groups = []
    for cell in plan.cells.values():
        for ports, seats in _by_ports(plan, cell).items():
            key = (cell.rules, cell.link, ports)
            if key not in rows:
                rows[key] = tuple(_rows(plan, cell, ports, passing))
            groups.append(
                Group(
                    room=cell.room,
                    cell=cell.name,
                    model=cell.model,
                    link=cell.link,
                    ports=ports,
                    seats=seats,
                    rows=rows[key],
                )
            )
    return Budget(groups=tuple(groups), shared=tuple(_shared(plan, groups)))


def _by_ports(plan: Plan, cell: Cell) -> dict[int, tuple[str, ...]]:
    """The seats of a cell by the number of their guests' ports."""
    found: dict[int, list[str]] = {}
    for seat in cell.seats:
        found.setdefault(len(plan.guests[plan.seats[seat].guest].ports), []).append(seat)
    return {ports: tuple(seats) for ports, seats in found.items()}


class _Passing:
    """Which peripherals a rule set may let through in a socket; each list is asked once."""

    def __init__(self, proofs: Proofs) -> None:
        self._proofs = proofs
        self._known: dict[int, frozenset[str]] = {}
        self._outcomes: list[Outcome] = []  # kept alive, so that no two have one id

    def at(self, rules: RuleSet, socket: str | None) -> frozenset[str]:
        """Names of peripherals that are redirected or offered there."""
        spot = spots_at(rules, socket)[0]
        tree = self._proofs.outcome(spot.permitted)
        known = self._known.get(id(tree))
        if known is None:
            self._outcomes.append(tree)
            known = self._known[id(tree)] = frozenset(
                one.name
                for one in self._proofs.plan.peripherals.values()
                if self._proofs.some_through(spot.permitted, one) is not None
            )
        return known


def _rows(plan: Plan, cell: Cell, ports: int, passing: _Passing) -> Iterator[Row]:
    """The peripherals of one rule set on one link, those that ask for most first."""
    rules, link = plan.rules[cell.rules], plan.links[cell.link]
    sockets = [one.label for one in plan.models[cell.model].sockets]
    where = {label: passing.at(rules, label) for label in sockets}
    anywhere = frozenset().union(*where.values()) if where else passing.at(rules, None)
    found: dict[str, tuple[PlannedFit, ...]] = {}
    for name in sorted(anywhere):
        found[name] = tuple(_permitted(link.fits[name], name, where))
    shares = {name: _share(fits) for name, fits in found.items()}
    for name in sorted(found, key=lambda one: (-shares[one], one)):
        others = (share for other, share in shares.items() if other != name)
        beside = sum(nlargest(ports - 1, others))
        alone = any(fit.fits for fit in found[name])
        even = shares[name] * ports <= MILLION
        fits = alone and (even or shares[name] + beside <= MILLION)
        verdict: Verdict = "fits" if fits else "fits alone" if alone else "does not fit"
        yield Row(peripheral=name, verdict=verdict, beside=beside, fits=found[name])


def _permitted(
    fits: Sequence[PlannedFit], name: str, where: Mapping[str, frozenset[str]]
) -> Iterator[PlannedFit]:
    """The numbers for the sockets in which the peripheral may pass."""
    for fit in fits:
        labels = tuple(label for label in fit.sockets if name in where[label])
        if labels == fit.sockets:
            yield fit
        elif labels:
            yield PlannedFit(
                sockets=labels,
                fits=fit.fits,
                leaves=fit.leaves,
                limit=fit.limit,
                share=fit.share,
                copy=fit.copy,
                delay=fit.delay,
            )


def _share(fits: Sequence[PlannedFit]) -> int:
    """What a peripheral takes in its best socket; more than there is counts as all there is."""
    return min(MILLION, *(fit.share for fit in fits))


@dataclass(slots=True)
class _Load:
    seats: int = 0
    worst: int = 0
    at_once: int = 0


def _shared(plan: Plan, groups: Sequence[Group]) -> Iterator[Shared]:
    """Uplinks and hosts in the order of the description."""
    above = {name: _chain(plan.switches, name) for name in plan.switches}
    wires = {name: wire_rate(one.demand) for name, one in plan.peripherals.items() if one.demand}
    switches = {name: _Load() for name in plan.switches}
    hosts = {name: _Load() for name, host in plan.hosts.items() if host.link}
    for group in groups:
        room, link = plan.rooms[group.room], plan.links[group.link]
        busy = sum(nlargest(group.ports, (wires[row.peripheral] for row in group.rows)))
        most = min(link.rate, link.screen + min(busy, on_wire(link.leaves)))
        for host, count in _hosts(plan, group).items():
            crossed = above.get(room.switch or "", frozenset()) ^ above.get(
                plan.hosts[host].switch or "", frozenset()
            )
            loads = [switches[name] for name in crossed] + ([hosts[host]] if host in hosts else [])
            using = count * room.at_once
            for load in loads:
                load.seats += count
                load.worst += count * most
                load.at_once += (using * most + (100 * count - using) * link.screen) // 100
    for name, switch in plan.switches.items():
        yield _one_shared("switch", name, switch.uplink, switches[name])
    for name, load in hosts.items():
        yield _one_shared("host", name, plan.hosts[name].link or 0, load)


def _one_shared(kind: Literal["switch", "host"], name: str, rate: int, load: _Load) -> Shared:
    return Shared(
        kind=kind,
        name=name,
        rate=rate,
        seats=load.seats,
        worst=load.worst,
        at_once=load.at_once,
    )


def _chain(switches: Mapping[str, PlannedSwitch], name: str) -> frozenset[str]:
    """The switch and all that it is behind (no rings: the site was read without errors)."""
    found = {name}
    above = switches[name].behind
    while above is not None:
        found.add(above)
        above = switches[above].behind
    return frozenset(found)


def _hosts(plan: Plan, group: Group) -> dict[str, int]:
    """How many of a group's guests each host runs."""
    counts: dict[str, int] = {}
    for seat in group.seats:
        host = plan.seats[seat].host
        counts[host] = counts.get(host, 0) + 1
    return counts
