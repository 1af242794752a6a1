"""The plan: the site fully resolved, one value, printable as JSON.

Everything downstream (render, book, review, trace, check) takes a :class:`Plan` and nothing
else.  It holds no places: ``origin`` strings are paths in the description
(``policies/readers/redirect/0``), which stay the same when lines move.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from seatwright.findings import SourcePath

FORMAT = 1

VerdictWord = Literal["redirect", "offer", "keep"]
"""What can happen to a device (see ``site.types.Verdict``)."""


class Value(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of all that the plan holds: immutable, compared by content."""


class PlannedRule(Value, frozen=True, kw_only=True):
    """One usbredir rule, what in the description caused it, and the words for it."""

    usb_class: int
    vendor: int
    product: int
    version: int
    allow: bool
    origin: str
    protects: bool = False
    """Written to protect onboard devices or hubs: exempt from minimality."""


class NodeKey(Value, frozen=True, kw_only=True):
    """Which classes of one device id (None: any) may have their device node opened.

    The node is opened when every interface class (and the device class, unless 0x00 or 0xEF)
    is in ``classes``, or with ``inverted`` none is.  Keys are tried in order, first match.
    """

    vendor: int | None
    product: int | None
    bcd_device: int | None
    classes: tuple[int, ...]
    inverted: bool


class SocketRules(Value, frozen=True, kw_only=True):
    """What holds at the port paths of one socket, where the policy has lines for it."""

    label: str
    ports: tuple[str, ...]
    redirect: tuple[PlannedRule, ...]
    permitted: tuple[PlannedRule, ...]
    nodes: tuple[NodeKey, ...]


class RuleSet(Value, frozen=True, kw_only=True):
    """A policy compiled for a model: client rules, sockets, node permissions, host filter."""

    name: str
    policy: str
    model: str
    redirect: tuple[PlannedRule, ...]
    permitted: tuple[PlannedRule, ...]
    nodes: tuple[NodeKey, ...]
    sockets: tuple[SocketRules, ...]
    host: tuple[PlannedRule, ...]
    """Permitted anywhere at the seat: what the host's filter is given."""


class PlannedOnboard(Value, frozen=True, kw_only=True):
    """An onboard device; ``usb_class`` None where the description does not say."""

    port: str
    vendor: int
    product: int
    usb_class: int | None
    carries: str | None
    origin: str
    speed: str | None = None


class PlannedSocket(Value, frozen=True, kw_only=True):
    """A socket of a model."""

    label: str
    ports: tuple[str, ...]
    speed: str


class PlannedImage(Value, frozen=True, kw_only=True):
    """What a model's image is made of (see ``site.types.ImageWishes``)."""

    suite: str = "bookworm"
    packages: tuple[str, ...] = ()
    read_only: bool = False
    file: str | None = None
    sha256: str | None = None


class PlannedModel(Value, frozen=True, kw_only=True):
    """A kind of client. ``link`` in bits per second."""

    name: str
    title: str
    arch: str
    link: int
    network: str
    onboard: tuple[PlannedOnboard, ...]
    sockets: tuple[PlannedSocket, ...]
    image: PlannedImage = PlannedImage()
    origin: str


class PlannedInterface(Value, frozen=True, kw_only=True):
    """Class, and subclass and protocol where known."""

    usb_class: int
    subclass: int | None
    protocol: int | None


class PlannedDemand(Value, frozen=True, kw_only=True):
    """What a peripheral asks of a link.

    ``transfer`` is the USB type of most of its data, ``packet`` the bytes of one USB packet.
    ``rate`` in bits per second, None where it takes what there is; ``basis`` says where the number
    comes from: ``needs``, ``stream``, ``descriptors``, or ``class`` (a default that nobody stated).
    ``request`` bytes are asked for at a time, in ``trips`` round trips.  ``kind`` is ``sound`` or
    ``input`` where it must not come late.  ``measured`` is True where figures of this kind were
    held against a real guest (drives); all others are computed only.
    """

    transfer: Literal["control", "isochronous", "interrupt", "bulk"]
    rate: int | None
    basis: Literal["needs", "stream", "descriptors", "class"]
    words: str
    speed: str
    packet: int
    request: int
    trips: int
    kind: Literal["sound", "input"] | None
    measured: bool = False


class PlannedPeripheral(Value, frozen=True, kw_only=True):
    """A device the site owns. ``needs`` in bits per second."""

    name: str
    title: str
    vendor: int
    product: int
    bcd_device: int | None
    device_class: int
    interfaces: tuple[PlannedInterface, ...]
    needs: int | None
    port_paths_decide: bool
    origin: str
    demand: PlannedDemand | None = None


class PlannedLine(Value, frozen=True, kw_only=True):
    """A policy line as written and as meant (see ``site.types.Match``)."""

    verdict: VerdictWord
    text: str
    vendor: int | None
    product: int | None
    bcd_device: int | None
    usb_classes: tuple[int, ...]
    peripheral: str | None
    socket: str | None
    origin: str


class PlannedPolicy(Value, frozen=True, kw_only=True):
    """All lines of a policy, those of sockets included, most specific first."""

    name: str
    title: str
    lines: tuple[PlannedLine, ...]
    origin: str


class PlannedGuestSystem(Value, frozen=True, kw_only=True):
    """What a room's guests have and lack (see ``site.types.GuestSystem``)."""

    own_devices: int
    xhci_driver: bool
    agent: bool
    no_driver_for: tuple[str, ...]
    started_by: str | None


class PlannedRoom(Value, frozen=True, kw_only=True):
    """A room; ``pilot`` is the seat that a rollout takes first (None in a room without seats)."""

    name: str
    title: str
    policy: str
    restart: str
    ports: int
    controller: str
    guest_system: PlannedGuestSystem
    seats: tuple[str, ...]
    cells: tuple[str, ...]
    pilot: str | None
    origin: str
    at_once: int = 25
    switch: str | None = None


class Cell(Value, frozen=True, kw_only=True):
    """The seats of one room that share a model and a policy, and so a rule set.

    ``link`` names what their link leaves (see :class:`PlannedLink`).
    """

    name: str
    room: str
    model: str
    policy: str
    rules: str
    seats: tuple[str, ...]
    link: str = ""


class PlannedSeat(Value, frozen=True, kw_only=True):
    """A seat with everything looked up; ``number`` is allocated once and kept.

    ``serial`` and ``mac`` are those of its board, where the site says them.
    """

    name: str
    number: int
    room: str
    cell: str
    model: str
    policy: str
    address: str
    guest: str
    host: str
    serial: str | None
    mac: str | None
    origin: str


class PlannedController(Value, frozen=True, kw_only=True):
    """A USB controller of a guest: ``index`` 0.., ``kind`` as libvirt names it, its root ports."""

    index: int
    kind: str
    ports: int


class PlannedPort(Value, frozen=True, kw_only=True):
    """One redirection port of a guest and where it sits: ``bus`` is the controller's index."""

    number: int
    bus: int
    port: str


class PlannedGuest(Value, frozen=True, kw_only=True):
    """A guest; ``rules`` names the rule set whose ``host`` list is its filter.

    ``spice_port`` is 0 where its host had none left (then there is a problem beside the plan).
    """

    name: str
    host: str
    seat: str
    spice_port: int
    rules: str
    controllers: tuple[PlannedController, ...]
    ports: tuple[PlannedPort, ...]


class PlannedHost(Value, frozen=True, kw_only=True):
    """A hypervisor and its guests."""

    name: str
    kind: str
    address: str
    listen: str
    uri: str
    restart: str
    template: str | None
    apply: tuple[str, ...]
    inspect: tuple[str, ...]
    password: tuple[str, ...]
    ticket: tuple[str, ...]
    can: tuple[str, ...]
    guests: tuple[str, ...]
    origin: str
    link: int | None = None
    switch: str | None = None


class PlannedSwitch(Value, frozen=True, kw_only=True):
    """A network switch; ``uplink`` in bits per second, ``behind`` the switch that it leads to."""

    name: str
    title: str
    uplink: int
    behind: str | None
    origin: str


Limit = Literal["link", "adapter", "socket", "round-trip"]
"""What leaves a peripheral the least."""


class PlannedFit(Value, frozen=True, kw_only=True):
    """One peripheral in sockets that are alike to it (none: the model describes no sockets).

    ``leaves`` is the most that it could have by itself, in bits of its own data per second, and
    ``limit`` what keeps it from more.  ``share`` is what it takes of the link and adapter, in
    millionths.  ``copy`` is how long 1 GB takes, in milliseconds (None where it moves no files);
    ``delay`` how late sound or a movement comes, in microseconds.
    """

    sockets: tuple[str, ...]
    fits: bool
    leaves: int
    limit: Limit
    share: int
    copy: int | None
    delay: int | None


class PlannedLink(Value, frozen=True, kw_only=True):
    """What the link of a model leaves beside a screen, and each peripheral's numbers on it.

    Bits per second; ``round_trip`` in microseconds.  ``leaves`` is for one large stream through
    SPICE.  ``adapter`` is the USB speed of the network adapter, None where it is not on USB or
    the site does not say.
    """

    model: str
    rate: int
    adapter: str | None
    screen: int
    round_trip: int
    leaves: int
    fits: dict[str, tuple[PlannedFit, ...]]


class PlannedPromise(Value, frozen=True, kw_only=True):
    """A promise with its devices; ``room``, ``seat`` and ``socket`` None where not narrowed."""

    room: str | None
    seat: str | None
    socket: str | None
    devices: tuple[str, ...]
    verdict: VerdictWord
    origin: str


class PlannedPull(Value, frozen=True, kw_only=True):
    """How seats fetch what was rendered (see ``site.types.Pull``)."""

    repository: str
    branch: str
    signers: tuple[str, ...]
    every: int


class PlannedSettings(Value, frozen=True, kw_only=True):
    """What holds for the whole site (see ``site.types.Settings``)."""

    restart: str
    idle_after: int
    batch: int
    stop_at: int
    access_user: str
    pull: PlannedPull | None = None


class Plan(Value, frozen=True, kw_only=True):
    """The whole site, resolved. Mappings are by name."""

    format: int
    program: str
    site: str
    language: str
    settings: PlannedSettings
    models: dict[str, PlannedModel]
    peripherals: dict[str, PlannedPeripheral]
    policies: dict[str, PlannedPolicy]
    rules: dict[str, RuleSet]
    rooms: dict[str, PlannedRoom]
    cells: dict[str, Cell]
    seats: dict[str, PlannedSeat]
    guests: dict[str, PlannedGuest]
    hosts: dict[str, PlannedHost]
    promises: tuple[PlannedPromise, ...]
    switches: dict[str, PlannedSwitch] = {}
    links: dict[str, PlannedLink] = {}


def to_json(plan: Plan) -> bytes:
    """The plan as JSON: keys sorted, two blanks a level, a line end at the end; UTF-8."""
    return msgspec.json.format(msgspec.json.encode(plan, order="sorted"), indent=2) + b"\n"


def from_json(text: bytes | str) -> Plan:
    """The way back; raises ``msgspec.DecodeError`` or its ``ValidationError``."""
    return msgspec.json.decode(text, type=Plan)


def plan_schema() -> dict[str, Any]:
    """JSON Schema 2020-12 of what :func:`to_json` writes."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A plan",
        **msgspec.json.schema(Plan),
    }


def origin(path: SourcePath) -> str:
    """A description path as the plan writes it."""
    return "/".join(str(part) for part in path)


def source_path(text: str) -> SourcePath:
    """The way back from :func:`origin`, to ask for a place."""
    return tuple(int(part) if part.isdecimal() else part for part in text.split("/"))
