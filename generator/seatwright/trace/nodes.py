"""What the node permissions (udev) decide of a device: the first key with its ids, all classes.

udev sees the interfaces of every configuration and alternate setting, so a node can stay closed
though the interfaces in use would pass.  ``render.udev`` writes the rules; tests compare the two.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from seatwright.plan import NodeKey
from seatwright.render.udev import DEFERRED_CLASSES, MOST_INTERFACES
from seatwright.usb.classes import HUB
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import Check


class NodeReason(StrEnum):
    """Why a node is open or closed."""

    OPENED = "allowed"
    HUB = "hub"
    NO_INTERFACES = "no-interfaces"
    TOO_MANY = "too-many-interfaces"
    CLOSED = "denied-by-rule"
    NO_KEY = "no-rule"


@dataclass(frozen=True, slots=True)
class NodeDecision:
    """``key`` is the position of the key that decided, None where none did."""

    opened: bool
    reason: NodeReason
    key: int | None
    checks: tuple[Check, ...]


def decide_node(
    keys: Sequence[NodeKey], device: Device, further: Sequence[Interface] = ()
) -> NodeDecision:
    """Whether the session's user may open the node of a device (at no onboard port path)."""
    interfaces = (*device.interfaces, *further)
    classes = {one.usb_class for one in interfaces}
    if device.device_class == HUB or HUB in classes:
        return NodeDecision(False, NodeReason.HUB, None, ())
    if not interfaces:
        return NodeDecision(False, NodeReason.NO_INTERFACES, None, ())
    if len({*interfaces}) >= MOST_INTERFACES:
        return NodeDecision(False, NodeReason.TOO_MANY, None, ())
    position = next((at for at, key in enumerate(keys) if _has_ids(key, device)), None)
    if position is None:
        return NodeDecision(False, NodeReason.NO_KEY, None, ())
    checks = tuple(_checks(keys[position], position, device, interfaces))
    opened = all(check.allowed for check in checks)
    reason = NodeReason.OPENED if opened else NodeReason.CLOSED
    return NodeDecision(opened, reason, position, checks)


def _has_ids(key: NodeKey, device: Device) -> bool:
    wanted = (key.vendor, key.product, key.bcd_device)
    given = (device.vendor, device.product, device.bcd_device)
    return all(want in (None, have) for want, have in zip(wanted, given, strict=True))


def _checks(
    key: NodeKey, position: int, device: Device, interfaces: Sequence[Interface]
) -> Iterator[Check]:
    """Each class against the key, the device class first; the first that fails decides."""
    asked: list[tuple[int | None, int]] = []
    if device.device_class not in DEFERRED_CLASSES:
        asked.append((None, device.device_class))
    asked.extend((number, one.usb_class) for number, one in enumerate(interfaces))
    for number, usb_class in asked:
        opens = (usb_class in key.classes) != key.inverted
        yield Check(number, usb_class, position, opens)
        if not opens:
            return
