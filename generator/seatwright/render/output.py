"""Everything a render writes for one site, put together from its plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from seatwright.capacity.words import link_sentences
from seatwright.plan import (
    Plan,
    PlannedGuest,
    PlannedHost,
    PlannedModel,
    PlannedRoom,
    PlannedSeat,
    plan_schema,
    to_json,
)
from seatwright.policy.words import Row, room_sentences, room_table
from seatwright.render.difference import Output
from seatwright.render.engine import render, templates
from seatwright.render.inventory import hosts_by_kind, inventory, kind_group
from seatwright.render.roles import HOST_ROLES, needed_roles, roles
from seatwright.render.tree import File, with_manifest
from seatwright.render.values import device_id
from seatwright.render.variables import ROLES, SEAT_ROLES
from seatwright.site.schema import part_schema, schema_text, site_schema

ROLES_PLACE = "roles"
CONFIGURATION = "ansible.cfg"


def rendered_place(name: str) -> str:
    """Where the site in ``inventories/<name>/`` is rendered to, from the repository's root."""
    return f"inventories/{name}/rendered"


def output(name: str, plan: Plan, other_kinds: Iterable[str] = ()) -> Output:
    """All files for the site in ``inventories/<name>/``.

    ``other_kinds`` are the kinds of hosts that other sites of the repository have: ``roles/``
    serves them too.  Raises RenderError.
    """
    kinds = {host.kind for host in plan.hosts.values()}
    beside = {CONFIGURATION: File((templates() / CONFIGURATION).read_bytes())}
    shared = needed_roles(kinds.union(other_kinds))
    place = rendered_place(name)
    return Output(
        directories={
            ROLES_PLACE: with_manifest(roles(shared), shared, beside),
            place: with_manifest(site_tree(place, plan), needed_roles(kinds)),
        },
        beside=beside,
    )


def site_tree(place: str, plan: Plan) -> dict[str, File]:
    """The rendered directory of one site, without its manifest."""
    files = {
        **playbooks(place, plan),
        "plan.json": to_json(plan),
        "schema/part.json": schema_text(part_schema()).encode(),
        "schema/plan.json": schema_text(plan_schema()).encode(),
        "schema/site.json": schema_text(site_schema()).encode(),
        "summary.md": summary(plan),
    }
    return inventory(plan) | {path: File(content) for path, content in files.items()}


def playbooks(place: str, plan: Plan) -> dict[str, bytes]:
    """The playbooks, by path."""
    settings = plan.settings
    by_kind = sorted((HOST_ROLES[kind], kind_group(kind)) for kind in hosts_by_kind(plan))
    groups = [group for _, group in by_kind]
    host_roles = [
        {**step, "group": group}
        for step, group in zip(_steps(role for role, _ in by_kind), groups, strict=True)
    ]
    return {
        "playbooks/clients.yml": render(
            "playbooks/clients.yml.in",
            place=place,
            roles=_steps(SEAT_ROLES),
            batch=settings.batch,
            stop_at=settings.stop_at,
        ),
        "playbooks/first-access.yml": render(
            "playbooks/first-access.yml.in", place=place, access_user=settings.access_user
        ),
        "playbooks/guests.yml": render("playbooks/guests.yml.in", place=place, roles=host_roles),
        "playbooks/remove.yml": render(
            "playbooks/remove.yml.in", place=place, roles=_steps(reversed(SEAT_ROLES))
        ),
    }


def _steps(names: Iterable[str]) -> list[Mapping[str, str]]:
    return [{"name": name, "title": ROLES[name].sentence.rstrip(".")} for name in names]


@dataclass(frozen=True, slots=True)
class RoomSummary:
    """What the summary says about a room."""

    room: PlannedRoom
    sentences: tuple[str, ...]
    table: tuple[Row, ...]
    seats: list[tuple[PlannedSeat, PlannedGuest]]


def summary(plan: Plan) -> bytes:
    """``summary.md``: per room what happens to which device, its seats; then models and links."""
    return render(
        "inventory/summary.md.in",
        plan=plan,
        rooms=[_room_summary(plan, room) for room in plan.rooms.values()],
        hosts=[_host_summary(plan, host) for host in plan.hosts.values()],
        started=[
            {"title": room.title, "by": room.guest_system.started_by}
            for room in plan.rooms.values()
            if room.guest_system.started_by
        ],
        models=[_model_summary(model) for model in plan.models.values()],
        links=tuple(link_sentences(plan)),
    )


def _room_summary(plan: Plan, room: PlannedRoom) -> RoomSummary:
    seats = [plan.seats[name] for name in room.seats]
    return RoomSummary(
        room=room,
        sentences=room_sentences(plan, room),
        table=room_table(plan, room),
        seats=[(seat, plan.guests[seat.guest]) for seat in seats],
    )


def _host_summary(plan: Plan, host: PlannedHost) -> Mapping[str, object]:
    """A host's totals."""
    guests = [plan.guests[name] for name in host.guests]
    displays = sorted(guest.spice_port for guest in guests)
    ends = dict.fromkeys(map(str, (*displays[:1], *displays[-1:])))  # one, where there is one
    return {
        "name": host.name,
        "kind": host.kind,
        "guests": len(guests),
        "ports": sum(len(guest.ports) for guest in guests),
        "displays": f"TCP {' to '.join(ends)}" if displays else "none",
        "restart": host.restart,
    }


def _model_summary(model: PlannedModel) -> Mapping[str, str]:
    onboard = (f"{device_id(one.vendor, one.product)} at {one.port}" for one in model.onboard)
    sockets = (f"{one.label} ({' and '.join(one.ports)})" for one in model.sockets)
    return {
        "name": model.name,
        "title": model.title,
        "onboard": ", ".join(onboard) or "none",
        "sockets": ", ".join(sockets) or "none",
    }
