"""The site as a person described it: values read from YAML, nothing resolved yet.

Every record knows its ``path`` in the description (see ``findings.SourcePath``); the
places themselves are kept by :class:`seatwright.site.places.Places`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from seatwright.findings import SourcePath
from seatwright.usb.capture import Setting
from seatwright.usb.device import Interface


class Verdict(StrEnum):
    """What happens to a device: the three things the design names."""

    REDIRECT = "redirect"
    OFFER = "offer"
    KEEP = "keep"


class Speed(StrEnum):
    """The fastest speed a socket is wired for, by the USB specifications' names."""

    LOW = "low"  # 1.5 Mb/s
    FULL = "full"  # 12 Mb/s
    HIGH = "high"  # 480 Mb/s
    SUPER = "super"  # 5 Gb/s and faster


class Carries(StrEnum):
    """What the client cannot do without that an onboard device brings it."""

    NETWORK = "network"
    DISK = "disk"
    INPUT = "input"


@dataclass(frozen=True, slots=True)
class OnboardDevice:
    """A USB device that is part of the client: always kept."""

    port: str
    vendor: int
    product: int
    usb_class: int | None
    carries: Carries | None
    path: SourcePath
    speed: Speed | None = None


@dataclass(frozen=True, slots=True)
class Socket:
    """A USB port a person can reach; two port paths where its USB 2 and USB 3 halves differ."""

    ports: tuple[str, ...]
    label: str
    speed: Speed
    path: SourcePath


@dataclass(frozen=True, slots=True)
class ImageWishes:
    """What a model's image is made of; ``file`` (below the site's folder) has this ``sha256``."""

    suite: str = "bookworm"
    packages: tuple[str, ...] = ()
    read_only: bool = False
    file: str | None = None
    sha256: str | None = None


@dataclass(frozen=True, slots=True)
class Model:
    """A kind of client. ``link`` in bits per second; ``network`` is ``usb`` or ``internal``."""

    name: str
    title: str
    arch: str
    link: int
    network: str
    onboard: tuple[OnboardDevice, ...]
    sockets: tuple[Socket, ...]
    image: ImageWishes
    path: SourcePath


@dataclass(frozen=True, slots=True)
class Stream:
    """What a device sends all the time: ``bits`` each of ``units`` in a second; in words, too."""

    units: int
    bits: int
    words: str


@dataclass(frozen=True, slots=True)
class Peripheral:
    """A device the site owns and names. ``needs`` in bits per second, None where not declared.

    ``interfaces`` is empty where the site does not say (then any interface goes by the id);
    ``settings`` are those of its descriptors, with their endpoints, where a file of them is named.
    ``request`` in bytes.
    """

    name: str
    title: str
    vendor: int
    product: int
    bcd_device: int | None
    device_class: int
    interfaces: tuple[Interface, ...]
    needs: int | None
    port_paths_decide: bool
    path: SourcePath
    stream: Stream | None = None
    settings: tuple[Setting, ...] = ()
    speed: Speed | None = None
    request: int | None = None


@dataclass(frozen=True, slots=True)
class Match:
    """What a policy line speaks of; at least one field is set, unless it is ``everything``.

    ``product`` is None for a whole vendor (``"1209:*"``). ``peripheral`` is set where the line
    named one: its id and bcdDevice are then in the other fields, and ``usb_classes`` holds
    the classes its interfaces (and its device class) need. An empty ``usb_classes`` is any.
    """

    vendor: int | None = None
    product: int | None = None
    bcd_device: int | None = None
    usb_classes: tuple[int, ...] = ()
    peripheral: str | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One entry below ``redirect``, ``offer`` or ``keep``, as written (``text``) and as meant."""

    verdict: Verdict
    match: Match
    text: str
    path: SourcePath


@dataclass(frozen=True, slots=True)
class Policy:
    """What happens to which device; ``sockets`` has further lines by socket label."""

    name: str
    title: str
    lines: tuple[Line, ...]
    sockets: Mapping[str, tuple[Line, ...]]
    path: SourcePath


@dataclass(frozen=True, slots=True)
class Seat:
    """One client in its place. None where the room decides (or, for ``guest``, the seat's name)."""

    name: str
    model: str | None
    policy: str | None
    host: str | None
    guest: str | None
    address: str | None
    ports: int | None
    serial: str | None
    mac: str | None
    path: SourcePath


@dataclass(frozen=True, slots=True)
class GuestSystem:
    """What the guests of a room have and lack; ``no_driver_for`` are names of peripherals."""

    own_devices: int = 1
    xhci_driver: bool = True
    agent: bool = True
    no_driver_for: tuple[str, ...] = ()
    started_by: str | None = None


@dataclass(frozen=True, slots=True)
class Room:
    """Seats under one policy. ``ports`` is the number of redirection ports for each guest.

    ``screen`` (bits per second), ``round_trip`` (microseconds) and ``at_once`` (percent) are None
    where the site's settings hold.
    """

    name: str
    title: str
    policy: str
    model: str | None
    host: str | None
    ports: int
    controller: str
    restart: str | None
    seats: tuple[Seat, ...]
    path: SourcePath
    screen: int | None = None
    round_trip: int | None = None
    at_once: int | None = None
    switch: str | None = None
    guests: GuestSystem = GuestSystem()


@dataclass(frozen=True, slots=True)
class Host:
    """A hypervisor. ``spice_ports`` is an inclusive range of TCP ports."""

    name: str
    kind: str
    address: str
    listen: str
    uri: str
    spice_ports: tuple[int, int]
    path: SourcePath
    restart: str = "never"
    link: int | None = None
    template: str | None = None
    apply: tuple[str, ...] = ()
    inspect: tuple[str, ...] = ()
    password: tuple[str, ...] = ()
    ticket: tuple[str, ...] = ()
    can: tuple[str, ...] = ()
    switch: str | None = None


@dataclass(frozen=True, slots=True)
class Switch:
    """A network switch; ``uplink`` in bits per second, ``behind`` the switch that it leads to."""

    name: str
    title: str
    uplink: int
    behind: str | None
    path: SourcePath


@dataclass(frozen=True, slots=True)
class Promise:
    """A statement about the policy, proved at every check; several devices mean all at once."""

    room: str | None
    seat: str | None
    socket: str | None
    devices: tuple[str, ...]
    verdict: Verdict
    path: SourcePath


@dataclass(frozen=True, slots=True)
class Pull:
    """How seats fetch what was rendered; ``every`` in seconds, ``signers`` public ssh keys."""

    repository: str
    branch: str
    signers: tuple[str, ...]
    every: int


@dataclass(frozen=True, slots=True)
class Settings:
    """What holds for the whole site. ``idle_after`` in seconds; shares in percent.

    ``screen`` in bits per second, ``round_trip`` in microseconds.
    """

    restart: str = "if-idle"
    idle_after: int = 600
    batch: int = 25
    stop_at: int = 20
    access_user: str = "ops"
    screen: int = 20_000_000
    round_trip: int = 500
    at_once: int = 25
    pull: Pull | None = None
    severities: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Site:
    """Everything one description covers, by name in the order of the files."""

    title: str
    language: str
    settings: Settings
    models: Mapping[str, Model]
    peripherals: Mapping[str, Peripheral]
    policies: Mapping[str, Policy]
    hosts: Mapping[str, Host]
    rooms: Mapping[str, Room]
    promises: tuple[Promise, ...]
    switches: Mapping[str, Switch] = field(default_factory=dict)
