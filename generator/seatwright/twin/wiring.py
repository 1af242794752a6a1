"""How a model is built from the emulator's parts: pure, from the plan to QEMU's options.

Each bus of the model is an xHCI controller of its own without SuperSpeed ports, so a socket's
device runs at high speed at the socket's first port path.  Such a controller still takes two bus
numbers, and Linux gives the lowest free ones: beside each stands a controller that takes one number
and holds it until its turn has come (see ``root.BUSES``).  A device on board is the emulator's
nearest, with the emulator's ids.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from seatwright.plan import PlannedModel, PlannedOnboard
from seatwright.twin.errors import TwinError
from seatwright.usb.portpath import PortPath, parse_port_path

ROOT_PORTS = 15
"""QEMU's hcd-xhci.h: MAXPORTS_2."""
MOST_BUSES = 7
"""Slots of QEMU's q35 that are kept for controllers, and as many for what holds their numbers."""
FIRST_CONTROLLER, FIRST_HOLDER = 0x10, 0x18
HUB_PORTS = 8
"""QEMU's dev-hub.c: MAX_PORTS."""
HUB_CLASS = 0x09


@dataclass(frozen=True, slots=True)
class Part:
    """A device of the emulator: its driver's name, further options, and its id on the bus."""

    driver: str
    vendor: int
    product: int
    options: str = ""


HUB = Part("usb-hub", 0x0409, 0x55AA)
ADAPTER = Part("usb-net", 0x0525, 0xA4A2, "netdev=uplink")
KEYBOARD = Part("usb-kbd", 0x0627, 0x0001)
POINTER = Part("usb-tablet", 0x0627, 0x0001)
DISK = Part("usb-storage", 0x46F4, 0x0001, "drive=onboard")
OTHER = Part("usb-serial", 0x0403, 0x6001, "chardev=nothing")

BY_PURPOSE: Mapping[str, Part] = MappingProxyType(
    {"network": ADAPTER, "input": KEYBOARD, "disk": DISK}
)
"""What stands for an onboard device, by what it carries (dev-*.c of QEMU 7.2 has the ids)."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A part at a port path."""

    path: PortPath
    part: Part

    def option(self) -> str:
        """As QEMU's ``-device`` takes it."""
        words = [self.part.driver, f"id={device_id(self.path)}", *at(self.path)]
        return ",".join([*words, *([self.part.options] if self.part.options else [])])


@dataclass(frozen=True, slots=True)
class Wiring:
    """The whole of a client: its buses, what is on board (hubs before what is behind them)."""

    buses: int
    fitted: tuple[Fitted, ...]
    people: tuple[Fitted, ...]
    """Keyboard and pointer that a person has plugged in."""

    @property
    def on_usb(self) -> bool:
        """Whether the network adapter is one of the USB devices."""
        return any(one.part is ADAPTER for one in self.fitted)

    def options(self) -> Iterator[str]:
        """Controllers, then devices, each an argument of ``-device``."""
        for bus in range(1, self.buses + 1):
            slot = f"addr={FIRST_CONTROLLER + bus - 1:#x}"
            yield f"qemu-xhci,id=bus{bus},p2={ROOT_PORTS},p3=0,{slot}"
            yield f"usb-ehci,id=holder{bus},addr={FIRST_HOLDER + bus - 1:#x}"
        for one in (*self.fitted, *self.people):
            yield one.option()


def wire(model: PlannedModel) -> Wiring:
    """Build a model from parts; raises :class:`TwinError` where the emulator has none like it."""
    onboard = [(parse_port_path(one.port), one) for one in model.onboard]
    sockets = [parse_port_path(socket.ports[0]) for socket in model.sockets]
    placed = {path: Fitted(path, part_for(one)) for path, one in onboard}
    for path in _hubs_between([*placed, *sockets]):
        placed.setdefault(path, Fitted(path, HUB))
    for path in (*placed, *sockets):
        _refuse_impossible(path)
    buses = max((path.bus for path in (*placed, *sockets)), default=1)
    free = _free_root_ports({*placed, *sockets})
    people = (Fitted(next(free), KEYBOARD), Fitted(next(free), POINTER))
    return Wiring(buses, tuple(placed[path] for path in sorted(placed)), people)


def part_for(device: PlannedOnboard) -> Part:
    """The emulator's nearest to a device on board."""
    if device.usb_class == HUB_CLASS:
        return HUB
    return BY_PURPOSE.get(device.carries or "", OTHER)


def at(path: PortPath) -> tuple[str, str]:
    """A port path as options of a device."""
    return f"bus=bus{path.bus}.0", f"port={'.'.join(map(str, path.ports))}"


def device_id(path: PortPath) -> str:
    """The name by which QEMU knows what is at a port path."""
    return f"at-{path.bus}-{'-'.join(map(str, path.ports))}"


def _hubs_between(paths: Iterable[PortPath]) -> set[PortPath]:
    """Every place that something is plugged in behind."""
    found = set()
    for path in paths:
        parent = path.parent
        while parent is not None:
            found.add(parent)
            parent = parent.parent
    return found


def _free_root_ports(taken: set[PortPath]) -> Iterator[PortPath]:
    """Root ports of the first bus that the model does not use, the last ones first."""
    for number in range(ROOT_PORTS, 0, -1):
        if (path := PortPath(1, (number,))) not in taken:
            yield path


def _refuse_impossible(path: PortPath) -> None:
    root, *behind = path.ports
    too_far = path.bus > MOST_BUSES or any(number > HUB_PORTS for number in behind)
    if too_far or root > ROOT_PORTS:
        raise TwinError(
            f"The emulator cannot build the port path {path}: it has {MOST_BUSES} buses, its "
            f"controllers {ROOT_PORTS} ports, its hubs {HUB_PORTS}.",
            "Try another seat's model.",
        )
