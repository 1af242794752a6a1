"""What was seen on a client at one moment, as values.

This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from ansible.module_utils.seatwright.usb.capture import CaptureError
from ansible.module_utils.seatwright.usb.device import Interface
from ansible.module_utils.seatwright.usb.portpath import PortPath

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network


@dataclass(frozen=True, slots=True)
class SeenInterface:
    """An interface in its current setting, and the driver that has it ("" for none)."""

    number: int
    alternate: int
    codes: Interface
    driver: str


@dataclass(frozen=True, slots=True)
class SeenDevice:
    """A USB device. ``port`` is None for root hubs; ``speed`` in Mb/s as the kernel writes it.

    ``removable`` is what the firmware says: fixed, removable or unknown. ``active`` is the value of
    its configuration, None where it has none.
    """

    name: str
    port: PortPath | None
    vendor: int
    product: int
    bcd_device: int
    device_class: int
    device_subclass: int
    device_protocol: int
    active: int | None
    interfaces: tuple[SeenInterface, ...]
    speed: str
    children: int
    removable: str
    manufacturer: str
    title: str
    descriptors: bytes

    @property
    def id(self) -> str:
        """``1209:0003``."""
        return f"{self.vendor:04x}:{self.product:04x}"

    @property
    def hub(self) -> bool:
        """Whether other devices can hang on it."""
        return self.device_class == 0x09


@dataclass(frozen=True, slots=True)
class SeenPort:
    """A port of a hub: what the firmware says is there, and its other half on another bus."""

    port: PortPath
    connect_type: str
    peer: PortPath | None


@dataclass(frozen=True, slots=True)
class SeenAdapter:
    """A network interface; ``port`` where it is on USB, ``inside`` where on other hardware."""

    name: str
    port: PortPath | None
    inside: bool
    wireless: bool
    lower: tuple[str, ...]
    speed: int | None


@dataclass(frozen=True, slots=True)
class SeenDisk:
    """A block device: major:minor, the USB device it is on, and what it is made of."""

    name: str
    number: str
    port: PortPath | None
    lower: tuple[str, ...]
    mapped: str
    backing: str


@dataclass(frozen=True, slots=True)
class SeenInput:
    """A source of input; ``open`` where a program is known to have it open."""

    name: str
    port: PortPath | None
    title: str
    keyboard: bool
    pointer: bool
    open: bool


@dataclass(frozen=True, slots=True)
class Route:
    """Where packets for a network go."""

    adapter: str
    network: Network
    metric: int


@dataclass(frozen=True, slots=True)
class Mount:
    """A line of mountinfo, with its octal escapes undone."""

    number: str
    point: str
    kind: str
    source: str
    options: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Look:
    """Everything that was seen. ``changed`` names what came or went during the look.

    ``unreadable`` are devices whose lines are not what the kernel writes.
    """

    arch: str
    machine: str
    peer: Address | None
    devices: tuple[SeenDevice, ...]
    unreadable: tuple[CaptureError, ...]
    ports: tuple[SeenPort, ...]
    adapters: Mapping[str, SeenAdapter]
    routes: tuple[Route, ...]
    disks: Mapping[str, SeenDisk]
    pools: Mapping[str, tuple[str, ...]]
    mounts: tuple[Mount, ...]
    swaps: tuple[str, ...]
    inputs: tuple[SeenInput, ...]
    changed: tuple[str, ...]

    def at(self, port: PortPath) -> SeenDevice | None:
        """The device at a port path."""
        return next((one for one in self.devices if one.port == port), None)
