"""From a site to its plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from seatwright import __version__
from seatwright.allocate import allocate
from seatwright.capacity.fits import planned_link
from seatwright.capacity.ports import (
    KINDS,
    MOST_CONTROLLERS,
    PortPlan,
    most_ports,
    plan_ports,
)
from seatwright.findings.problem import Problem
from seatwright.plan import (
    FORMAT,
    Cell,
    Plan,
    PlannedGuest,
    PlannedGuestSystem,
    PlannedHost,
    PlannedLink,
    PlannedModel,
    PlannedPeripheral,
    PlannedPolicy,
    PlannedRoom,
    PlannedSeat,
    PlannedSwitch,
    RuleSet,
    origin,
)
from seatwright.plan_records import (
    planned_model,
    planned_peripheral,
    planned_policy,
    planned_promise,
    planned_settings,
)
from seatwright.policy.compile import compile_policy, rules_name
from seatwright.policy.contradict import contradiction_problems
from seatwright.policy.onboard import onboard_problems
from seatwright.site.allocations import Allocations
from seatwright.site.types import GuestSystem, Host, Room, Seat, Settings, Site, Switch


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan, the numbers it gave (kept for the next one), and what does not fit."""

    plan: Plan
    allocations: Allocations
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Placed:
    """A seat with everything looked up that its room or the site says for it."""

    seat: Seat
    room: Room
    model: str
    policy: str
    host: str
    guest: str
    cell: str
    rules: str
    link: str


def make_plan(site: Site, before: Allocations) -> Planned:
    """The whole site, resolved; ``before`` are the numbers given so far.

    The site has been read without errors: every name in it is described, every seat has a model
    and a host, no two seats share a name or a guest.
    """
    placed = [
        _place(room, seat, site.settings) for room in site.rooms.values() for seat in room.seats
    ]
    models = {name: planned_model(model) for name, model in site.models.items()}
    policies = {name: planned_policy(policy) for name, policy in site.policies.items()}
    peripherals = {name: planned_peripheral(one) for name, one in site.peripherals.items()}
    may_pass = frozenset(one.name for one in site.peripherals.values() if one.port_paths_decide)
    rules = _rule_sets(placed, policies, models, may_pass)
    on_host = _by_host(placed)
    given = allocate([one.seat.name for one in placed], on_host, site.hosts, before)
    guests, too_many = _guests(placed, given.allocations)
    cells = _cells(placed)
    plan = Plan(
        format=FORMAT,
        program=f"seatwright {__version__}",
        site=site.title,
        language=site.language,
        settings=planned_settings(site.settings),
        models=models,
        peripherals=peripherals,
        policies=policies,
        rules=rules,
        rooms=_rooms(site, cells),
        cells=cells,
        seats=_seats(placed, given.allocations),
        guests=guests,
        hosts={name: _host(host, on_host.get(name, ())) for name, host in site.hosts.items()},
        promises=tuple(planned_promise(promise) for promise in site.promises),
        switches={name: _switch(switch) for name, switch in site.switches.items()},
        links=_links(placed, models, peripherals, site.settings),
    )
    problems = (
        *contradiction_problems(plan),
        *onboard_problems(plan),
        *too_many,
        *given.problems,
    )
    return Planned(plan, given.allocations, problems)


def _place(room: Room, seat: Seat, settings: Settings) -> Placed:
    """What the seat says goes before what its room says."""
    model, host = seat.model or room.model, seat.host or room.host
    if model is None or host is None:
        raise ValueError(f"the site was read with errors: seat {seat.name} has no model or host")
    policy = seat.policy or room.policy
    cell = f"{room.name}/{model}" + ("" if policy == room.policy else f"/{policy}")
    return Placed(
        seat=seat,
        room=room,
        model=model,
        policy=policy,
        host=host,
        guest=seat.guest or seat.name,
        cell=cell,
        rules=rules_name(policy, model),
        link=_link_name(model, *_assumptions(room, settings)),
    )


def _assumptions(room: Room, settings: Settings) -> tuple[int, int]:
    """The screen's traffic and the round trip, as the room or the site says."""
    return (
        settings.screen if room.screen is None else room.screen,
        settings.round_trip if room.round_trip is None else room.round_trip,
    )


def _link_name(model: str, screen: int, round_trip: int) -> str:
    return f"{model}/{screen}/{round_trip}"


def _links(
    placed: Sequence[Placed],
    models: Mapping[str, PlannedModel],
    peripherals: Mapping[str, PlannedPeripheral],
    settings: Settings,
) -> dict[str, PlannedLink]:
    """One for each model and assumptions that meet at a seat."""
    met = {one.link: (one.model, one.room) for one in placed}
    return {
        name: planned_link(models[model], peripherals, *_assumptions(room, settings))
        for name, (model, room) in met.items()
    }


def _rule_sets(
    placed: Sequence[Placed],
    policies: Mapping[str, PlannedPolicy],
    models: Mapping[str, PlannedModel],
    may_pass: frozenset[str],
) -> dict[str, RuleSet]:
    """One for each policy and model that meet at a seat."""
    met: dict[str, set[str]] = {}
    for one in placed:
        met.setdefault(one.policy, set()).add(one.model)
    return {
        rules.name: rules
        for policy, names in met.items()
        for rules in compile_policy(policies[policy], [models[n] for n in sorted(names)], may_pass)
    }


def _by_host(placed: Sequence[Placed]) -> dict[str, list[str]]:
    guests: dict[str, list[str]] = {}
    for one in placed:
        guests.setdefault(one.host, []).append(one.guest)
    return guests


def _cells(placed: Sequence[Placed]) -> dict[str, Cell]:
    """Seats by room, model and policy, in the order in which they are described."""
    members: dict[str, list[Placed]] = {}
    for one in placed:
        members.setdefault(one.cell, []).append(one)
    return {
        name: Cell(
            name=name,
            room=seats[0].room.name,
            model=seats[0].model,
            policy=seats[0].policy,
            rules=seats[0].rules,
            seats=tuple(one.seat.name for one in seats),
            link=seats[0].link,
        )
        for name, seats in members.items()
    }


def _rooms(site: Site, cells: Mapping[str, Cell]) -> dict[str, PlannedRoom]:
    of_room: dict[str, list[str]] = {}
    for cell in cells.values():
        of_room.setdefault(cell.room, []).append(cell.name)
    return {
        room.name: PlannedRoom(
            name=room.name,
            title=room.title,
            policy=room.policy,
            restart=room.restart or site.settings.restart,
            ports=room.ports,
            controller=room.controller,
            guest_system=_guest_system(room.guests),
            seats=tuple(seat.name for seat in room.seats),
            cells=tuple(of_room.get(room.name, ())),
            pilot=room.seats[0].name if room.seats else None,
            origin=origin(room.path),
            at_once=site.settings.at_once if room.at_once is None else room.at_once,
            switch=room.switch,
        )
        for room in site.rooms.values()
    }


def _guest_system(guests: GuestSystem) -> PlannedGuestSystem:
    return PlannedGuestSystem(
        own_devices=guests.own_devices,
        xhci_driver=guests.xhci_driver,
        agent=guests.agent,
        no_driver_for=guests.no_driver_for,
        started_by=guests.started_by,
    )


def _seats(placed: Sequence[Placed], given: Allocations) -> dict[str, PlannedSeat]:
    return {
        one.seat.name: PlannedSeat(
            name=one.seat.name,
            number=given.seats[one.seat.name],
            room=one.room.name,
            cell=one.cell,
            model=one.model,
            policy=one.policy,
            address=one.seat.address or one.seat.name,
            guest=one.guest,
            host=one.host,
            serial=one.seat.serial,
            mac=one.seat.mac,
            origin=origin(one.seat.path),
        )
        for one in placed
    }


def _guests(
    placed: Sequence[Placed], given: Allocations
) -> tuple[dict[str, PlannedGuest], list[Problem]]:
    """Every guest with its ports; where they are too many, as many as fit, and a problem."""
    plans: dict[tuple[int, str, int], PortPlan] = {}
    problems = {}
    guests = {}
    for one in placed:
        wanted = one.room.ports if one.seat.ports is None else one.seat.ports
        kind = KINDS[one.room.controller]
        own = one.room.guests.own_devices
        count = min(wanted, most_ports(kind, own))
        if (count, kind.kind, own) not in plans:
            plans[count, kind.kind, own] = plan_ports(count, kind, own)
        if count < wanted:
            problem = _too_many(one, wanted, count)
            problems[problem.path] = problem
        ports = plans[count, kind.kind, own]
        guests[one.guest] = PlannedGuest(
            name=one.guest,
            host=one.host,
            seat=one.seat.name,
            spice_port=given.spice_ports[one.host].get(one.guest, 0),
            rules=one.rules,
            controllers=ports.controllers,
            ports=ports.ports,
        )
    return guests, list(problems.values())


def _too_many(one: Placed, wanted: int, count: int) -> Problem:
    kind = KINDS[one.room.controller]
    owner = one.room.path if one.seat.ports is None else one.seat.path
    return Problem(
        "too-many-ports",
        (*owner, "ports"),
        f"{wanted} redirection ports do not fit: {MOST_CONTROLLERS} times {kind.words} have "
        f"{MOST_CONTROLLERS * kind.ports} ports, of which {count} are left for redirection.",
        f"Ask for at most {count} ports"
        + (", or take the xhci controller." if one.room.controller == "ehci" else "."),
        (((*one.room.path, "controller"), "the controller of the room"),),
    )


def _host(host: Host, guests: Sequence[str]) -> PlannedHost:
    return PlannedHost(
        name=host.name,
        kind=host.kind,
        address=host.address,
        listen=host.listen,
        uri=host.uri,
        restart=host.restart,
        template=host.template,
        apply=host.apply,
        inspect=host.inspect,
        password=host.password,
        ticket=host.ticket,
        can=host.can,
        guests=tuple(guests),
        origin=origin(host.path),
        link=host.link,
        switch=host.switch,
    )


def _switch(switch: Switch) -> PlannedSwitch:
    return PlannedSwitch(
        name=switch.name,
        title=switch.title,
        uplink=switch.uplink,
        behind=switch.behind,
        origin=origin(switch.path),
    )
