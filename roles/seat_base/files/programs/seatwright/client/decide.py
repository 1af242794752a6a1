"""What happens to a device at a place: the one decision, at start and at every plug.

The place comes first: an onboard port path is kept whatever stands there, for an id can be
imitated and a policy can be wrong.  Then the rules of the socket (longest covering path), else of
the room, are asked strictly: every interface counts and a device without an active configuration
or without interfaces is kept.  usbredir itself would let such a device pass unseen, and would not
look at a hidden non-boot HID interface.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from seatwright.client.config import Onboard, RuleLists, Rules, SocketRules
from seatwright.usb.device import Device
from seatwright.usb.filter import Decision, Reason, decide_strict
from seatwright.usb.portpath import PortPath, longest_cover


class Kind(StrEnum):
    """The three things that can happen to a device."""

    REDIRECT = "redirect"
    OFFER = "offer"
    KEEP = "keep"


class Why(StrEnum):
    """The reason of a verdict; each has its sentence in the catalogue of messages."""

    BY_ITSELF = "why-by-itself"
    WHEN_PICKED = "why-when-picked"
    ONBOARD = "why-onboard"
    NO_PLACE = "why-no-place"
    NOT_CONFIGURED = "why-not-configured"
    NO_INTERFACES = "why-no-interfaces"
    DENIED = "why-denied"
    NOT_NAMED = "why-not-named"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What happens, why, and what goes into the reason's sentence."""

    kind: Kind
    why: Why
    details: Mapping[str, str] = field(default_factory=dict)


def decide(rules: Rules, place: PortPath | None, device: Device) -> Verdict:
    """The verdict on ``device`` at ``place`` (None where the place could not be read: kept)."""
    if place is None:
        return Verdict(Kind.KEEP, Why.NO_PLACE)
    onboard = _onboard_at(rules, place)
    if onboard is not None:
        details = {"place": str(place), "carries": onboard.carries or ""}
        return Verdict(Kind.KEEP, Why.ONBOARD, details)
    return _by_rules(_lists_at(rules, place), device)


def _onboard_at(rules: Rules, place: PortPath) -> Onboard | None:
    """Exactly this path: what is plugged in below an onboard hub is not onboard itself."""
    return next((one for one in rules.onboard if one.port == place), None)


def _lists_at(rules: Rules, place: PortPath) -> RuleLists:
    by_port: dict[PortPath, SocketRules] = {
        port: socket for socket in rules.sockets for port in socket.ports
    }
    port = longest_cover(place, by_port)
    return rules.lists if port is None else by_port[port].lists


def _by_rules(lists: RuleLists, device: Device) -> Verdict:
    """Permitted is asked first: what it refuses stays, whatever the other list says."""
    permitted = decide_strict(lists.permitted, device)
    if not permitted.allowed:
        return _kept(permitted)
    if decide_strict(lists.redirect, device).allowed:
        return Verdict(Kind.REDIRECT, Why.BY_ITSELF)
    return Verdict(Kind.OFFER, Why.WHEN_PICKED)


def _kept(decision: Decision) -> Verdict:
    if decision.reason is Reason.NOT_CONFIGURED:
        return Verdict(Kind.KEEP, Why.NOT_CONFIGURED)
    if decision.reason is Reason.NO_INTERFACES:
        return Verdict(Kind.KEEP, Why.NO_INTERFACES)
    check = decision.checks[-1]
    why = Why.NOT_NAMED if check.rule is None else Why.DENIED
    return Verdict(Kind.KEEP, why, {"usb_class": f"0x{check.usb_class:02x}"})
