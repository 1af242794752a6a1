"""Which sessions a change restarts, and what it does to guests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.findings.words import listed
from seatwright.plan import Plan, PlannedGuest, PlannedHost, RuleSet
from seatwright.policy.algebra import Relation, compare
from seatwright.policy.proofs import plain
from seatwright.review.change import GuestChange


def session_inputs(plan: Plan, name: str) -> tuple[object, ...]:
    """All that the files of a seat's session are made of; equal inputs, equal files."""
    seat = plan.seats[name]
    room, rules, model = (
        plan.rooms[seat.room],
        plan.rules[plan.cells[seat.cell].rules],
        plan.models[seat.model],
    )
    return (
        (plan.site, plan.language, plan.settings.idle_after),
        tuple((one.vendor, one.product, one.title) for one in plan.peripherals.values()),
        (room.name, room.title, room.restart),
        (plain(rules.redirect), plain(rules.permitted), rules.nodes),
        tuple(
            (one.label, one.ports, plain(one.redirect), plain(one.permitted), one.nodes)
            for one in rules.sockets
        ),
        tuple((one.port, one.vendor, one.product, one.carries) for one in model.onboard),
        (seat.name, seat.guest, plan.hosts[seat.host].address),
        plan.guests[seat.guest].spice_port,
    )


def restarting(old: Plan, new: Plan, seats: Sequence[str]) -> tuple[str, ...]:
    """The seats of both plans whose session is started with something else."""
    return tuple(one for one in seats if session_inputs(old, one) != session_inputs(new, one))


def guest_changes(old: Plan, new: Plan) -> tuple[GuestChange, ...]:
    """What changes for guests, those of a host to which the same happens together."""
    folded: dict[tuple[str, str, bool], list[str]] = {}
    for host, guest, what, restart in _each(old, new):
        folded.setdefault((host, what, restart), []).append(guest)
    return tuple(
        GuestChange(host=host, guests=tuple(guests), what=what, restart=restart)
        for (host, what, restart), guests in folded.items()
    )


def _each(old: Plan, new: Plan) -> Iterator[tuple[str, str, str, bool]]:
    for name, after in new.guests.items():
        before = old.guests.get(name)
        if before is None:
            yield after.host, name, "is new", False
        elif before.host != after.host:
            yield after.host, name, f"moves here from {before.host}", True
        else:
            for what in _differences(old, new, before, after):
                yield after.host, name, what, True
            for what in _of_its_host(old.hosts[before.host], new.hosts[after.host]):
                yield after.host, name, what, False
    for name, before in old.guests.items():
        if name not in new.guests:
            yield before.host, name, "is no longer shown at any seat", False


def _differences(old: Plan, new: Plan, before: PlannedGuest, after: PlannedGuest) -> Iterator[str]:
    if len(before.ports) != len(after.ports):
        yield f"redirection ports: {len(before.ports)} → {len(after.ports)}"
    elif (before.ports, before.controllers) != (after.ports, after.controllers):
        yield "its redirection ports sit elsewhere"
    if before.spice_port != after.spice_port:
        yield f"display port: {before.spice_port} → {after.spice_port}"
    if old.hosts[before.host].listen != new.hosts[after.host].listen:
        yield "its display listens on another address"
    yield from _filter_difference(old.rules[before.rules], new.rules[after.rules])


def _of_its_host(before: PlannedHost, after: PlannedHost) -> Iterator[str]:
    """What the next run of guests.yml does otherwise, for all guests of a host."""
    if before.kind != after.kind:
        yield f"its host is of another kind: {before.kind} → {after.kind}"
    if before.uri != after.uri:
        yield "its host's libvirt is spoken to at another address"
    if before.template != after.template:
        yield "its host has another template"
    if _commands(before) != _commands(after):
        yield "its host is told of it with other commands"
    if set(before.can) != set(after.can):
        yield f"its host can do other things: {listed(after.can, 'and')}"
    if before.restart != after.restart:
        yield f"when a run restarts it: {before.restart} → {after.restart}"


def _commands(host: PlannedHost) -> tuple[tuple[str, ...], ...]:
    return host.apply, host.inspect, host.password, host.ticket


def _filter_difference(before: RuleSet, after: RuleSet) -> Iterator[str]:
    one, two = plain(before.host), plain(after.host)
    if one == two:
        return
    match compare(one, two).relation:
        case Relation.EQUAL:
            yield "its filter is written otherwise and decides the same"
        case Relation.NEITHER:
            yield "its filter lets other devices through"
        case relation:
            yield f"its filter is {relation}"
