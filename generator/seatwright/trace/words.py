"""The sentences of a trace."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from seatwright.findings.words import listed, printable
from seatwright.plan import Plan
from seatwright.policy.words import HAPPENS, plain_class_words
from seatwright.trace.nodes import NodeDecision, NodeReason
from seatwright.trace.places import Asked, Unit, Where
from seatwright.trace.subject import interface_words
from seatwright.trace.types import LayerName
from seatwright.usb.classes import HUB, class_name
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Check, Decision, Reason

NODE_ONBOARD = "Closed, whatever the device is: the port path is an onboard device's."
UNKNOWN_HID = (
    "If the HID interface is 3/0/0 (the description does not say), the host does not look at it "
    "and permits the device; what keeps it then is the session, which is strict."
)

MOST_SEATS = 3
"""Seats that a sentence names; of more the first, and how many there are."""

NOTHING_TO_GO_BY: dict[Reason, str] = {
    Reason.NOT_CONFIGURED: "it has no active configuration, so nothing says what it is",
    Reason.NO_INTERFACES: "it has no interfaces, so nothing says what it is",
}


def at_words(plan: Plan, at: str) -> str:
    """``the front desk``, or the name as it is where it has a number."""
    if at in plan.rooms and not re.search("[0-9]", at):
        return f"the {at.replace('-', ' ')}"
    return at


def seats_words(seats: Sequence[str]) -> str:
    """``rr-01 and rr-02``, ``rr-01, rr-02 and 8 more seats``."""
    if len(seats) <= MOST_SEATS:
        return listed(seats, "and")
    return f"{', '.join(seats[: MOST_SEATS - 1])} and {len(seats) - MOST_SEATS + 1} more seats"


def units_words(units: Sequence[Unit]) -> str:
    """``rr-01, rr-02 and 8 more seats (model ridge)``."""
    seats = [seat for unit in units for seat in unit.seats]
    models = dict.fromkeys(unit.model.name for unit in units)
    return f"{seats_words(seats)} (model {listed(models, 'and')})"


def happens(verdict: str) -> str:
    """``goes to the guest by itself``, …"""
    return HAPPENS[verdict]


def part_words(interface: int | None, usb_class: int, count: int) -> str:
    """What was asked about: the device class, or an interface out of ``count``."""
    if interface is None:
        return f"its device class ({plain_class_words(usb_class)})"
    number = "its interface" if count == 1 else f"its interface {interface}"
    return f"{number} ({plain_class_words(usb_class)})"


def decision(found: Decision, device: Device, otherwise: str = "Kept") -> str:
    """Why a list decides as it does; ``otherwise`` is what happens if it lets nothing through."""
    if found.reason in NOTHING_TO_GO_BY:
        return f"{otherwise}: {NOTHING_TO_GO_BY[found.reason]}."
    if found.reason is Reason.NOTHING_CHECKED:
        return "Let through unseen: there is nothing that a rule could be asked about."
    count = len(device.interfaces)
    if not found.allowed:
        check = found.checks[-1]
        part = part_words(check.interface, check.usb_class, count)
        if check.rule is None:
            return f"{otherwise}: no rule speaks of {part}."
        return f"{otherwise}: rule {check.rule + 1} keeps {part}."
    rules = sorted({check.rule + 1 for check in found.checks if check.rule is not None})
    if len(rules) == 1:
        return f"Let through: rule {rules[0]} lets all of it."
    return f"Let through: rules {listed(map(str, rules), 'and')} let all of it."


def difference(strict: Decision, library: Decision, device: Device, who: str) -> str:
    """Where the decisions with and without the strict flag part, and why; empty where they agree.

    ``who`` decides at this layer: the session (strict) or the host (not).
    """
    skipped = [
        f"{number} ({interface_words(device.interfaces[number])})" for number in library.skipped
    ]
    unseen = f"interface{'s' if len(skipped) > 1 else ''} {listed(skipped, 'and')}"
    if strict.allowed == library.allowed:
        if not skipped:
            return ""
        return (
            f"Without the strict flag, usbredir does not look at {unseen}; here the answer is the "
            "same."
        )
    if strict.reason in NOTHING_TO_GO_BY:
        lacks = "has no active configuration" if not device.configured else "has no interfaces"
        cause = f"the device {lacks} and no rule is asked"
    else:
        cause = f"without the strict flag it does not look at {unseen}"
    if who == "the host":
        return f"The host lets it through, since {cause}; the session, which is strict, would not."
    return f"usbredir by itself would let it through, since {cause}; the session is strict."


def node(found: NodeDecision, device: Device, further: Sequence[Interface]) -> str:
    """Why a device node is open or closed."""
    match found.reason:
        case NodeReason.OPENED:
            return "Opened for the session's user."
        case NodeReason.HUB:
            return "Closed: hubs always are."
        case NodeReason.NO_INTERFACES:
            return "Closed: the device shows no interface."
        case NodeReason.TOO_MANY:
            return "Closed: udev does not list that many different interfaces."
        case NodeReason.NO_KEY:
            return "Closed: no key speaks of its id."
    check = found.checks[-1]
    if check.interface is not None and check.interface >= len(device.interfaces):
        unused = further[check.interface - len(device.interfaces)]
        return (
            f"Closed: udev also sees {interface_words(unused)}, of another setting or "
            f"configuration, and {plain_class_words(check.usb_class)} are not opened."
        )
    part = part_words(check.interface, check.usb_class, len(device.interfaces))
    return f"Closed: key {check.rule + 1 if check.rule is not None else 1} does not open {part}."


def port_path(where: Where, unit: Unit) -> str:
    """What the guard of port paths says."""
    if where.onboard is not None:
        carries = f", which carries the {where.onboard.carries}" if where.onboard.carries else ""
        return (
            f"Kept, whatever the device is: {where.onboard.port} belongs to an onboard device of "
            f"{unit.model.name}{carries}."
        )
    lists = "the room's lists" if where.spot.socket is None else "the socket's own lists"
    if where.port is not None and where.others and unit.model.sockets:
        return (
            f"No onboard device is there, and no socket that {unit.model.name} describes; "
            f"{lists} hold."
        )
    return f"No onboard device is there; {lists} hold."


def unfiltered(hosts: Sequence[str]) -> str:
    """Hosts on which there is no such layer."""
    where = listed(hosts, "and")
    return f"On {where} nothing is filtered: guests there get whatever a seat hands over."


def host_blind(asked: Asked, permitted: bool, host: bool) -> str:
    """What the host lets through because it knows no port paths; empty where that is nothing."""
    if not host or (permitted and asked.where.onboard is None):
        return ""
    return "The host knows no port paths, so it cannot keep here what may pass elsewhere."


def ports(counts: Collection[int], goes: bool) -> str:
    """What is left of the redirection ports of guests that have so many (at least one)."""
    least, most = min(counts), max(counts)
    if not goes:
        many = f"{least}" if least == most else f"{least} to {most}"
        return f"None of the guest's redirection ports is taken ({many} left)."
    if most == 1:
        return "The device takes the guest's one redirection port; none is left."
    many, left = (
        f"{low}" if low == high else f"{low} to {high}"
        for low, high in ((least, most), (least - 1, most - 1))
    )
    return (
        f"The device takes one of the guest's {many} redirection ports; "
        f"{left} {'is' if left == '1' else 'are'} left for others."
    )


def because(layer: LayerName | None, asked: Asked, permitted: Decision) -> str:
    """Why it stays, for a colleague: a clause; empty where it does not."""
    match layer:
        case None:
            return ""
        case "port path":
            return "that port belongs to an onboard device of the client"
        case "device node":
            return "its device node stays closed"
        case "host":
            return "the host's filter refuses it"
    if permitted.reason in NOTHING_TO_GO_BY:
        return NOTHING_TO_GO_BY[permitted.reason]
    return _kept(asked, permitted.checks[-1])


def _kept(asked: Asked, check: Check) -> str:
    """Why the permitted list keeps it, by the check that failed."""
    rules, spot = asked.unit.rules, asked.where.spot
    rule = None if check.rule is None else spot.permitted[check.rule]
    if rule is not None and rule.protects:
        of_hubs = rule.usb_class == HUB and rule.vendor == ANY
        return (
            "hubs always stay" if of_hubs else "its id is that of an onboard device of the client"
        )
    part = "it"
    if len(asked.device.interfaces) > 1 or check.interface is None:
        part = part_words(check.interface, check.usb_class, len(asked.device.interfaces))
    if rule is not None and rule.origin != f"policies/{rules.policy}":
        return f"a line of the policy keeps {part}"
    return f"no line of the policy lets {part} through"


def sentence(at: str, device: str, parts: Sequence[tuple[str, str, str]]) -> str:
    """The sentence for a colleague; ``parts`` are verdict, places and cause, place by place."""
    (verdict, places, cause), *rest = parts
    if not rest:
        why = f": {cause}" if cause else ""
        return f"At {at} {device} {happens(verdict)}, {places}{why}."
    first = f"At {at} {device} {happens(verdict)} {places}{_why(cause)}"
    others = [f"{places} it {happens(verdict)}{_why(cause)}" for verdict, places, cause in rest]
    return f"{'; '.join((first, *others))}."


def _why(cause: str) -> str:
    return f", since {cause}" if cause else ""


def form_words(classes: Sequence[int] | None, others: bool, version: str) -> str:
    """A form of a device that is not wholly known: ``with only mass-storage, in version 1.10``.

    ``classes`` are those of its interfaces (None where they are known), ``others`` all that are
    not named elsewhere; ``version`` is empty where it makes no difference.
    """
    parts = []
    if others:
        parts.append("with other interfaces")
    elif classes is not None:
        parts.append(f"with interfaces of {listed(map(class_name, classes))} only")
    if version:
        parts.append(f"in {version}")
    return " ".join(parts)


def quoted(text: str) -> str:
    """A device's own words, safe to print."""
    return f'"{printable(text)}"'
