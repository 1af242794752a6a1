"""What the inventory writes for each variable of the roles: one function for each.

The names are those of :mod:`seatwright.render.variables`, at the level that stands there; a test
holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from seatwright.plan import (
    Plan,
    PlannedController,
    PlannedGuest,
    PlannedHost,
    PlannedModel,
    PlannedOnboard,
    PlannedPort,
    PlannedPull,
    PlannedRoom,
    PlannedRule,
    PlannedSeat,
    RuleSet,
    SocketRules,
)
from seatwright.policy.proofs import plain
from seatwright.render.errors import RenderError
from seatwright.render.host_template import Wrong, fill
from seatwright.render.layout import Lines, Noted, Pairs
from seatwright.render.qemu import guest_config, guest_options
from seatwright.render.quote import FreeText, Hex, Yaml, yaml
from seatwright.render.udev import udev_rules
from seatwright.usb.filter import format_rules


@dataclass(frozen=True, slots=True)
class Source:
    """The plan, and words for what rules come from, by origin, for the notes beside them.

    ``host_rules`` are made once for each rule set: many hosts have guests with the same one.
    """

    plan: Plan
    texts: Mapping[str, str]
    host_rules: dict[str, Lines] = field(default_factory=dict)

    @staticmethod
    def of(plan: Plan) -> Source:
        """Look the words up once."""
        texts = {line.origin: line.text for one in plan.policies.values() for line in one.lines}
        for model in plan.models.values():
            texts[model.origin] = "hubs"
            for device in model.onboard:
                texts[device.origin] = f"onboard at {device.port}"
        return Source(plan, texts)

    def note(self, rule: PlannedRule) -> str:
        """Where a rule comes from: ``mass-storage: policies/readers/redirect/0``."""
        text = self.texts.get(rule.origin)
        return f"{text}: {rule.origin}" if text else rule.origin


SITE: Mapping[str, Callable[[Source], object]] = {
    "seat_session_site_title": lambda source: FreeText(source.plan.site),
    "seat_session_language": lambda source: source.plan.language,
    "seat_session_idle_after": lambda source: source.plan.settings.idle_after,
    "seat_filter_names": lambda source: device_names(source.plan),
    "seat_base_pull": lambda source: pull(source.plan.settings.pull),
}

ROOM: Mapping[str, Callable[[Source, PlannedRoom], object]] = {
    "seat_session_room": lambda _, room: room.name,
    "seat_session_room_title": lambda _, room: FreeText(room.title),
    "seat_session_restart": lambda _, room: room.restart,
}

CELL: Mapping[str, Callable[[Source, RuleSet], object]] = {
    "seat_base_model": lambda source, rules: model(source.plan.models[rules.model]),
    "seat_filter_redirect": lambda source, rules: seat_rules(source, rules.redirect),
    "seat_filter_permitted": lambda source, rules: seat_rules(source, rules.permitted),
    "seat_filter_onboard": lambda source, rules: onboard(source.plan.models[rules.model].onboard),
    "seat_filter_sockets": lambda source, rules: Lines(
        socket_rules(source, socket) for socket in rules.sockets
    ),
    "seat_filter_udev_rules": lambda source, rules: Lines(
        udev_rules(rules, source.plan.models[rules.model].onboard)
    ),
}
"""Cells with one rule set are told the same, so these are asked for each rule set."""

SEAT: Mapping[str, Callable[[Source, PlannedSeat], object]] = {
    "seat_session_seat": lambda _, seat: seat.name,
    "seat_session_guest": lambda _, seat: seat.guest,
    "seat_session_host": lambda source, seat: source.plan.hosts[seat.host].address,
    "seat_session_spice_port": lambda source, seat: source.plan.guests[seat.guest].spice_port,
    "seat_session_ticket_command": lambda source, seat: ticket(source.plan.hosts[seat.host], seat),
}
"""None where the role's default holds: that is not written."""

HYPERVISOR: Mapping[str, Callable[[Source, PlannedHost], object]] = {
    "guest_ports_uri": lambda _, host: host.uri,
    "guest_ports_listen": lambda _, host: host.listen,
    "guest_ports_restart": lambda _, host: host.restart,
    "guest_ports_filters": lambda source, host: filters(source, host),
    "guest_ports_guests": lambda source, host: Lines(
        guest(source.plan.guests[name]) for name in host.guests
    ),
}


UNITS: Mapping[str, Callable[[Source, PlannedHost], object]] = {
    "guest_units_restart": lambda _, host: host.restart,
    "guest_units_guests": lambda source, host: Lines(
        unit(source.plan, source.plan.guests[name], host) for name in host.guests
    ),
}

COMMANDS: Mapping[str, Callable[[Source, PlannedHost], object]] = {
    "guest_commands_apply": lambda _, host: [FreeText(one) for one in host.apply],
    "guest_commands_inspect": lambda _, host: [FreeText(one) for one in host.inspect],
    "guest_commands_password": lambda _, host: [FreeText(one) for one in host.password],
    "guest_commands_guests": lambda source, host: Lines(
        {"name": name, "text": FreeText(filled(source.plan, host, name))} for name in host.guests
    ),
}

BY_KIND: Mapping[str, Mapping[str, Callable[[Source, PlannedHost], object]]] = {
    "libvirt": HYPERVISOR,
    "systemd": UNITS,
    "commands": COMMANDS,
}
"""What a host is told depends on its kind."""


def ticket(host: PlannedHost, seat: PlannedSeat) -> list[object] | None:
    """The command that prints the seat's connections, for a host that hands them out."""
    return [*(FreeText(word) for word in host.ticket), seat.guest] if host.ticket else None


def filled(plan: Plan, host: PlannedHost, guest: str) -> str:
    """A guest's text from its host's template; the checks have seen that it can be made."""
    try:
        return fill(host.template or "", plan, plan.guests[guest])
    except Wrong as wrong:
        raise RenderError(f"the template of {host.name}: {wrong.message}") from wrong


def unit(plan: Plan, one: PlannedGuest, host: PlannedHost) -> Mapping[str, object]:
    """A guest under plain QEMU."""
    return {
        "name": one.name,
        "seat": one.seat,
        "spice_port": one.spice_port,
        "config": guest_config(one, host),
        "options": guest_options(plan.rules[one.rules].host),
    }


def device_id(vendor: int, product: int) -> str:
    """``1209:0003``."""
    return f"{vendor:04x}:{product:04x}"


def pull(how: PlannedPull | None) -> Mapping[str, object]:
    """How seats fetch what was rendered; empty where they do not."""
    if how is None:
        return {}
    return Pairs(
        {
            "repository": FreeText(how.repository),
            "branch": how.branch,
            "signers": Lines(FreeText(signer) for signer in how.signers),
            "every": how.every,
        }
    )


def device_names(plan: Plan) -> Pairs:
    """What the site calls the devices of each id; several titles where an id has several."""
    titles: dict[str, list[str]] = {}
    for one in plan.peripherals.values():
        titles.setdefault(device_id(one.vendor, one.product), []).append(one.title)
    return Pairs({id_: FreeText(", ".join(dict.fromkeys(all_))) for id_, all_ in titles.items()})


def model(one: PlannedModel) -> Mapping[str, object]:
    """What a seat is compared with, its onboard devices excepted."""
    sockets = Lines(
        {"label": FreeText(socket.label), "ports": list(socket.ports)} for socket in one.sockets
    )
    return {"name": one.name, "network": one.network, "sockets": sockets}


def onboard(devices: Iterable[PlannedOnboard]) -> Lines:
    """Port, id and what each carries."""
    return Lines(
        {"port": one.port, "id": device_id(one.vendor, one.product)}
        | ({"carries": one.carries} if one.carries else {})
        for one in devices
    )


def seat_rules(source: Source, rules: Iterable[PlannedRule]) -> Lines:
    """Rules as usbredir writes them, one a line."""
    return Lines(Noted(format_rules(plain([rule])), source.note(rule)) for rule in rules)


def socket_rules(source: Source, socket: SocketRules) -> Mapping[str, object]:
    """What holds at one socket."""
    return {
        "label": FreeText(socket.label),
        "ports": list(socket.ports),
        "redirect": seat_rules(source, socket.redirect),
        "permitted": seat_rules(source, socket.permitted),
    }


def filters(source: Source, host: PlannedHost) -> Pairs:
    """The rule sets of a host's guests, each once."""
    names = dict.fromkeys(source.plan.guests[name].rules for name in host.guests)
    for name in names:
        if name not in source.host_rules:
            source.host_rules[name] = host_rules(source, source.plan.rules[name].host)
    return Pairs({name: source.host_rules[name] for name in names})


def host_rules(source: Source, rules: Iterable[PlannedRule]) -> Lines:
    """Rules field by field, which is how libvirt wants them."""
    return Lines(
        Noted(
            yaml(
                {
                    "class": Hex(rule.usb_class, 2),
                    "vendor": Hex(rule.vendor, 4),
                    "product": Hex(rule.product, 4),
                    "version": Hex(rule.version, 4),
                    "allow": rule.allow,
                }
            ),
            source.note(rule),
        )
        for rule in rules
    )


def guest(one: PlannedGuest) -> Mapping[str, object]:
    """One guest, on one line."""
    return {
        "name": one.name,
        "seat": one.seat,
        "spice_port": one.spice_port,
        "filter": one.rules,
        "controllers": controllers(one.controllers),
        "ports": ports(one.ports),
    }


@lru_cache
def controllers(all_: tuple[PlannedController, ...]) -> Yaml:
    """The same for a thousand guests, so it is made once."""
    return yaml([{"index": one.index, "kind": one.kind, "ports": one.ports} for one in all_])


@lru_cache
def ports(all_: tuple[PlannedPort, ...]) -> Yaml:
    """As for the controllers."""
    return yaml([{"number": one.number, "bus": one.bus, "port": one.port} for one in all_])
