"""USB devices as udev sees them, keys for their nodes, and what the keys say, without a pattern."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from seatwright.plan import NodeKey, PlannedOnboard, RuleSet, SocketRules


@dataclass(frozen=True)
class Plugged:
    """A device as udev sees it when its event is handled."""

    port: str = "1-2"
    vendor: int = 0x1209
    product: int = 0x0003
    version: int = 0x0100
    device_class: int = 0x00
    interfaces: tuple[int, ...] = (0x08,)
    action: str = "add"
    attributes: Mapping[str, str] = field(default_factory=dict)

    def value(self, key: str, name: str | None) -> str:
        listed = "".join(f":{code:02x}0650" for code in self.interfaces)
        values = {
            "ACTION": self.action,
            "SUBSYSTEM": "usb",
            "KERNEL": self.port,
            "ENV DEVTYPE": "usb_device",
            "ENV ID_USB_INTERFACES": f"{listed}:" if listed else "",
            "ATTR idVendor": f"{self.vendor:04x}",
            "ATTR idProduct": f"{self.product:04x}",
            "ATTR bcdDevice": f"{self.version:04x}",
            "ATTR bDeviceClass": f"{self.device_class:02x}",
        }
        return {**values, **self.attributes}[f"{key} {name}" if name else key]


def key_fits(key: NodeKey, device: Plugged) -> bool:
    pairs = (
        (key.vendor, device.vendor),
        (key.product, device.product),
        (key.bcd_device, device.version),
    )
    return all(wanted is None or wanted == got for wanted, got in pairs)


def keys_decide(keys: Iterable[NodeKey], device: Plugged) -> bool:
    """What the keys mean, said without any pattern."""
    codes = set(device.interfaces)
    if device.device_class not in (0x00, 0xEF):
        codes.add(device.device_class)
    if not device.interfaces or 0x09 in codes:
        return False
    for key in keys:
        if key_fits(key, device):
            return all((code in key.classes) != key.inverted for code in codes)
    return False


def node_key(
    classes: Iterable[int],
    *,
    inverted: bool = False,
    vendor: int | None = None,
    product: int | None = None,
    bcd_device: int | None = None,
) -> NodeKey:
    return NodeKey(
        vendor=vendor,
        product=product,
        bcd_device=bcd_device,
        classes=tuple(sorted(classes)),
        inverted=inverted,
    )


def rule_set(nodes: Sequence[NodeKey], sockets: Sequence[SocketRules] = ()) -> RuleSet:
    return RuleSet(
        name="readers/ridge",
        policy="readers",
        model="ridge",
        redirect=(),
        permitted=(),
        nodes=tuple(nodes),
        sockets=tuple(sockets),
        host=(),
    )


def socket(label: str, ports: Sequence[str], nodes: Sequence[NodeKey]) -> SocketRules:
    return SocketRules(
        label=label, ports=tuple(ports), redirect=(), permitted=(), nodes=tuple(nodes)
    )


def onboard(port: str) -> PlannedOnboard:
    return PlannedOnboard(
        port=port, vendor=0x1209, product=0x0002, usb_class=2, carries="network", origin="models"
    )


DEVICES = [
    (0x1209, 0x0003, 0x0100),
    (0x1209, 0x0003, 0x0110),
    (0x1209, 0x0004, 0x0100),
    (0x1209, 0x00AB, 0x1F0A),
    (0x0A09, 0x0003, 0x0100),
]


def random_key(chance: random.Random) -> NodeKey:
    vendor, product, version = chance.choice(DEVICES)
    depth = chance.randint(0, 3)
    pool = [0x00, 0x01, 0x03, 0x08, 0x09, 0x0B, 0x0E, 0xEF, 0xFE, 0xFF]
    classes: Iterable[int] = chance.sample(pool, chance.randint(0, len(pool)))
    if chance.random() < 0.2:
        classes = chance.sample(range(256), chance.randint(100, 256))
    return node_key(
        classes,
        inverted=chance.random() < 0.5,
        vendor=vendor if depth > 0 else None,
        product=product if depth > 1 else None,
        bcd_device=version if depth > 2 else None,
    )


def random_device(chance: random.Random) -> Plugged:
    vendor, product, version = chance.choice(DEVICES)
    pool = [0x00, 0x01, 0x03, 0x08, 0x09, 0x0B, 0x0E, 0x55, 0xEF, 0xFE, 0xFF]
    return Plugged(
        vendor=vendor,
        product=product,
        version=version,
        device_class=chance.choice(pool),
        interfaces=tuple(chance.choices(pool, k=chance.randint(0, 4))),
    )
