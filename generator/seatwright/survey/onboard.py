"""Which devices are onboard, for what reasons, and what a person has to decide."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from seatwright.survey.seen import Look, SeenDevice
from seatwright.survey.ways import Way, Ways
from seatwright.usb.portpath import PortPath


@dataclass(frozen=True, slots=True)
class Standing:
    """What a device is to the client. Not ``sure``: a person must decide.

    ``carries`` is network, disk, input or "".
    """

    device: SeenDevice
    onboard: bool
    sure: bool
    reasons: tuple[str, ...]
    carries: str = ""


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All that is known of a client: the look, the ways, a look with nothing plugged in."""

    look: Look
    ways: Ways
    bare: Look | None = None
    sockets: tuple[PortPath, ...] = ()
    """Port paths of sockets that somebody has walked through."""


def standings(known: Knowledge) -> tuple[Standing, ...]:
    """Every device, in the order of the tree."""
    alone = [_alone(known, device) for device in known.look.devices]
    held = _held_up(alone, known.sockets)
    return tuple(_hub(known, one, held) if one.device.hub else one for one in alone)


def _alone(known: Knowledge, device: SeenDevice) -> Standing:
    """What a device is by itself, whatever hangs on it."""
    if device.port is None:
        return Standing(device, True, True, ("it is a root hub",))
    found = [one for one in known.ways.on_usb if one.port == device.port]
    came = _came(known, device)
    reasons = [one.reason for one in found if one.sure]
    carries = _most(found)
    if device.removable == "fixed":
        reasons.append("the firmware marks it as fixed")
    if known.bare is not None and not came:
        reasons.append("it is there when nothing is plugged in")
    if came and carries == "input":
        why = (*reasons, "but it was plugged in: keep it by a policy, or say that it stays")
        return Standing(device, False, False, why)
    if reasons:
        return Standing(device, True, True, tuple(reasons), carries)
    if came:
        return Standing(device, False, True, ("it is not there when nothing is plugged in",))
    if found:
        return Standing(device, True, False, tuple(one.reason for one in found), carries)
    if device.removable == "removable":
        return Standing(device, False, True, ("the firmware says that it can be taken out",))
    return Standing(device, False, False, ("nothing tells whether it is part of the client",))


def _came(known: Knowledge, device: SeenDevice) -> bool:
    """Whether it was not there when nothing was plugged in."""
    if known.bare is None or device.port is None:
        return False
    before = known.bare.at(device.port)
    return before is None or before.id != device.id


def _most(found: Sequence[Way]) -> str:
    """What it carries; what is sure and what is lost first, first."""
    order = ("network", "disk", "input")
    ranked = sorted(found, key=lambda one: (not one.sure, order.index(one.carries)))
    return ranked[0].carries if ranked else ""


def _held_up(all_: Iterable[Standing], sockets: Iterable[PortPath]) -> dict[PortPath, str]:
    """Places above an onboard device or a socket of the client, with what hangs there."""
    held: dict[PortPath, str] = {}
    below = [(str(one.device.port), one.device.port) for one in all_ if one.onboard and one.sure]
    below += [(f"the socket at {port}", port) for port in sockets]
    for what, port in below:
        above = port.parent if port else None
        while above:
            held.setdefault(above, what)
            above = above.parent
    return held


def _hub(known: Knowledge, one: Standing, held: dict[PortPath, str]) -> Standing:
    """A hub is onboard for what hangs on it; by itself it may be anybody's."""
    port = one.device.port
    if port is None:
        return one
    if port in held:
        reason = f"it is a hub, and {held[port]} is behind it"
        kept = one.reasons if one.onboard and one.sure else ()
        return Standing(one.device, True, True, (*kept, reason), one.carries)
    if one.sure:
        return one
    return Standing(one.device, True, False, ("it is a hub, perhaps one that was plugged in",))


def networked(known: Knowledge) -> tuple[str, bool]:
    """``usb`` or ``internal``, and whether that is sure."""
    over_usb = [one for one in known.ways.on_usb if one.carries == "network"]
    if over_usb:
        return "usb", any(one.sure for one in over_usb)
    return "internal", not known.ways.lost
