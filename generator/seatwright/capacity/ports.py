"""Redirection ports and the USB controllers they sit on.

Sources: QEMU 7.2 (``hw/usb/hcd-xhci.h``: MAXPORTS_2 15; ``hw/usb/hcd-ehci.h``: EHCI_PORTS 6) and
libvirt 9.0 (formatdomain, "controllers": ``ports`` of qemu-xhci up to 15); tests/oracle starts
guests at the limits given here.

Every port has its place by its number alone, so adding one moves no other.  An xHCI controller
is always planned with all its ports: it cannot be changed while the guest runs, but ports can be
added on it.  Where one controller is full another is added; a hub is never relied on (libvirt
and QEMU would slip in one that makes the devices behind it run at 12 Mb/s).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from seatwright.plan import PlannedController, PlannedPort

RESERVED = 1
"""Ports of the first controller that are left to the guest's own devices: its USB tablet."""

MOST_CONTROLLERS = 9
"""Each takes a PCI slot, of which a guest has about 30 for all its devices."""


@dataclass(frozen=True, slots=True)
class ControllerKind:
    """``kind`` as libvirt names the model, its ports, and what people call it."""

    kind: str
    ports: int
    words: str


KINDS: Mapping[str, ControllerKind] = MappingProxyType(
    {
        "xhci": ControllerKind("qemu-xhci", 15, "an xHCI controller"),
        "ehci": ControllerKind("ich9-ehci1", 6, "an EHCI controller with its three companions"),
    }
)
"""By the word of the description."""


@dataclass(frozen=True, slots=True)
class PortPlan:
    """A guest's controllers and redirection ports."""

    controllers: tuple[PlannedController, ...]
    ports: tuple[PlannedPort, ...]


def most_ports(kind: ControllerKind, reserved: int = RESERVED) -> int:
    """How many redirection ports a guest can have on controllers of one kind."""
    return MOST_CONTROLLERS * kind.ports - reserved


def plan_ports(count: int, kind: ControllerKind, reserved: int = RESERVED) -> PortPlan:
    """Places for ``count`` redirection ports, the first after the reserved ones.

    ValueError where they are more than :func:`most_ports` or fewer than none.
    """
    if not 0 <= count <= most_ports(kind, reserved):
        raise ValueError(f"{count} ports do not fit {MOST_CONTROLLERS} times {kind.ports}")
    places = [divmod(slot, kind.ports) for slot in range(reserved, reserved + count)]
    buses = sorted({bus for bus, _ in places})
    return PortPlan(
        tuple(PlannedController(index=bus, kind=kind.kind, ports=kind.ports) for bus in buses),
        tuple(
            PlannedPort(number=number, bus=bus, port=str(position + 1))
            for number, (bus, position) in enumerate(places, start=1)
        ),
    )
