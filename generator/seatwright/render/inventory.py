"""The inventory of a site: who there is, in which groups, and what each is told.

Ansible knows seats, hosts and groups by name only; that no two share one has been checked when
the site was read (``site.checks``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from seatwright.plan import Cell, Plan, PlannedHost, PlannedRoom, PlannedSeat
from seatwright.render import values
from seatwright.render.engine import render
from seatwright.render.layout import variable
from seatwright.render.quote import Quoted
from seatwright.render.tree import File
from seatwright.render.values import Source

T = TypeVar("T")


def inventory(plan: Plan) -> dict[str, File]:
    """``hosts.yml``, ``group_vars/`` and ``host_vars/``. Raises RenderError."""
    source = Source.of(plan)
    groups = cell_groups(plan)
    files = {
        "hosts.yml": _hosts(source, groups),
        "group_vars/all.yml": _variables(_site_heading(plan), _site(source)),
        "group_vars/clients.yml": _access("clients", plan),
        "group_vars/hypervisors.yml": _access("hypervisors", plan),
    }
    for room in plan.rooms.values():
        files[f"group_vars/{room_group(room)}.yml"] = _room_file(source, room)
    told = {name: _told(values.CELL, source, rules) for name, rules in plan.rules.items()}
    for cell in plan.cells.values():
        files[f"group_vars/{groups[cell.name]}.yml"] = _cell_file(cell, told[cell.rules])
    for host in plan.hosts.values():
        files[f"host_vars/{host.name}.yml"] = _host_file(source, host)
    return {path: File(content) for path, content in files.items()}


def room_group(room: PlannedRoom) -> str:
    """``room_reading_room``: names have no underscore, so no two rooms share a group."""
    return "room_" + _word(room.name)


def cell_groups(plan: Plan) -> dict[str, str]:
    """The group of each cell: ``cell_<room>_<model>``, with the policy where it is not the room's.

    Different cells may come to one word (room a-b with model c, room a with model b-c); the later
    one gets a number.
    """
    groups: dict[str, str] = {}
    taken: set[str] = set()
    for cell in plan.cells.values():
        parts = ["cell", cell.room, cell.model]
        if cell.policy != plan.rooms[cell.room].policy:
            parts.append(cell.policy)
        word = _word("_".join(parts))
        number = 1
        while (name := word if number == 1 else f"{word}_{number}") in taken:
            number += 1
        taken.add(name)
        groups[cell.name] = name
    return groups


def _word(name: str) -> str:
    return name.replace("-", "_")


def _hosts(source: Source, groups: Mapping[str, str]) -> bytes:
    plan = source.plan
    rooms = [
        {
            "group": room_group(room),
            "cells": [
                {"group": groups[name], "seats": _seats(source, plan.cells[name])}
                for name in room.cells
            ],
        }
        for room in plan.rooms.values()
    ]
    return render(
        "inventory/hosts.yml.in",
        site=plan.site,
        rooms=rooms,
        pilots=[room.pilot for room in plan.rooms.values() if room.pilot],
        others=rollout_order(plan),
        hypervisors=[(one.name, {"ansible_host": one.address}) for one in plan.hosts.values()],
        kinds=[
            {"group": kind_group(kind), "hosts": names}
            for kind, names in hosts_by_kind(plan).items()
        ],
    )


def kind_group(kind: str) -> str:
    """``hypervisors_libvirt``."""
    return f"hypervisors_{_word(kind)}"


def hosts_by_kind(plan: Plan) -> dict[str, list[str]]:
    """The hosts of each kind that there is."""
    found: dict[str, list[str]] = {}
    for host in plan.hosts.values():
        found.setdefault(host.kind, []).append(host.name)
    return found


def rollout_order(plan: Plan) -> list[str]:
    """Every seat but the pilots; any first part of the list has the same share of each room.

    Ansible cuts its batches from a list of hosts as it stands.
    """
    ranked = []
    for number, room in enumerate(plan.rooms.values()):
        seats = [name for name in room.seats if name != room.pilot]
        ranked += [((at + 0.5) / len(seats), number, name) for at, name in enumerate(seats)]
    return [name for _, _, name in sorted(ranked)]


def _seats(source: Source, cell: Cell) -> list[tuple[str, Mapping[str, object]]]:
    seats = (source.plan.seats[name] for name in cell.seats)
    return [(seat.name, _seat(source, seat)) for seat in seats]


def _seat(source: Source, seat: PlannedSeat) -> Mapping[str, object]:
    told = {name: function(source, seat) for name, function in values.SEAT.items()}
    written = {name: value for name, value in told.items() if value is not None}
    return {"ansible_host": seat.address, **written}


def _site_heading(plan: Plan) -> str:
    return f"What holds for everything in {plan.site}"


def _site(source: Source) -> list[Quoted]:
    return [variable(name, function(source)) for name, function in values.SITE.items()]


def _access(group: str, plan: Plan) -> bytes:
    return render(f"inventory/{group}.yml.in", access_user=plan.settings.access_user)


def _room_file(source: Source, room: PlannedRoom) -> bytes:
    return _variables(f"The room {room.name}: {room.title}", _told(values.ROOM, source, room))


def _cell_file(cell: Cell, told: list[Quoted]) -> bytes:
    heading = f"Seats of the model {cell.model} under the policy {cell.policy} in {cell.room}"
    return _variables(heading, told)


def _host_file(source: Source, host: PlannedHost) -> bytes:
    return _variables(f"The guests of {host.name}", _told(values.BY_KIND[host.kind], source, host))


def _told(
    functions: Mapping[str, Callable[[Source, T], object]], source: Source, subject: T
) -> list[Quoted]:
    return [variable(name, function(source, subject)) for name, function in functions.items()]


def _variables(heading: str, lines: Iterable[Quoted]) -> bytes:
    return render("inventory/variables.yml.in", heading=heading, variables=lines)
