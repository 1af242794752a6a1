"""The vocabulary of a description: every key there is, with its one sentence.

This is the one table. Reading, the JSON Schema, the documentation and the sentences in the
roles' argument specifications come from it; nothing else knows a key's name by heart.
"""

from __future__ import annotations

from seatwright.site.declare import (
    Address,
    Always,
    Bcd,
    Boolean,
    Choice,
    Duration,
    Integer,
    IpAddress,
    Key,
    LabelOf,
    Language,
    ListOf,
    MapOf,
    Name,
    NameOf,
    OneOf,
    Pattern,
    Percent,
    PortPath,
    PortRange,
    Rate,
    Record,
    Text,
    Uri,
    UsbId,
    UsbIdOrVendor,
    User,
)
from seatwright.site.image_keys import BOARD_KEYS, IMAGE
from seatwright.site.lines import InterfaceKind, LineWord, SeatWord, UsbClass, Version
from seatwright.site.links import (
    HOST_KEYS,
    ONBOARD_SPEED,
    PERIPHERAL_KEYS,
    ROOM_KEYS,
    SETTINGS_KEYS,
    STREAM,
    SWITCH,
)
from seatwright.site.pull_keys import PULL
from seatwright.site.types import Carries, Speed

VERSION = 1
"""Version of the description's language; it grows when an old site would be read differently."""

MOST_PORTS = 120
"""Redirection ports that were started and connected on one guest, measured with QEMU 7.2."""

MOST_OWN_DEVICES = 5
"""USB devices of a guest's own: with more, an EHCI controller would have no port left."""

SEVERITIES = Choice("error", "warning", "note")
RESTART = Choice("never", "if-idle", "now")
RESTART_SENTENCE = (
    "When a changed session may restart: never by itself, when nobody types and no redirected "
    "device is in use, or now."
)

SETTINGS = Record(
    "settings",
    Key("restart", RESTART, RESTART_SENTENCE, default="if-idle", shown_default="if-idle"),
    Key(
        "idle-after",
        Duration,
        "How long nobody has to type before a seat counts as idle.",
        default=600,
        shown_default="10 min",
    ),
    Key(
        "batch",
        Percent,
        "Share of a room's seats that is changed at once, after its first seat came up.",
        default=25,
        shown_default="25%",
    ),
    Key(
        "stop-at",
        Percent,
        "Share of failed seats at which a rollout stops.",
        default=20,
        shown_default="20%",
    ),
    Key(
        "access-user",
        User,
        "The user that Ansible comes in as, made by the first-access playbook.",
        default="ops",
        shown_default="ops",
    ),
    *SETTINGS_KEYS,
    Key("pull", PULL, "Seats fetch and carry out what was rendered; not, where left out."),
    Key(
        "findings",
        MapOf(SEVERITIES, NameOf("findings", "a finding"), "severities"),
        "Severities of this site's own, by the finding's slug; errors of form stay errors.",
        default={},
    ),
)

ONBOARD = Record(
    "an onboard device",
    Key("port", PortPath, "Where it sits, as the kernel writes the port path.", required=True),
    Key("id", UsbId, "Its vendor and product id.", required=True),
    Key("class", UsbClass, "Its device class, or the class of its main interface."),
    Key(
        "carries",
        Choice(*Carries),
        "What the client cannot do without: its network, its disk or its keyboard and mouse.",
    ),
    ONBOARD_SPEED,
)

SOCKET = Record(
    "a socket",
    Key(
        "port",
        OneOf(PortPath, ListOf(PortPath, least=1)),
        "Its port path; a list of two where its USB 2 and USB 3 halves are on different buses.",
        required=True,
    ),
    Key("label", Text(), "The words by which people at the seat know it.", required=True),
    Key(
        "speed",
        Choice(*Speed),
        "The fastest speed it is wired for, as the USB specifications name it.",
        default="high",
        shown_default="high",
    ),
)

MODEL = Record(
    "a model",
    Key("title", Text(), "What people call it; its name where left out."),
    Key("arch", Choice("arm64", "amd64", "armhf"), "Debian's word for its processor.", True),
    Key("link", Rate, "What its network link carries at best.", required=True),
    Key(
        "network",
        Choice("usb", "internal"),
        "How its network adapter is attached: over USB (it is then an onboard device that carries "
        "network) or inside (PCI, on the board).",
        default="usb",
        shown_default="usb",
    ),
    Key(
        "onboard",
        ListOf(ONBOARD),
        "USB devices that are part of the client or that it lives on; never redirected.",
        default=(),
    ),
    Key("sockets", ListOf(SOCKET), "USB ports that people can reach.", default=()),
    Key(
        "image",
        IMAGE,
        "What its image is made of: Debian bookworm where left out.",
        default=IMAGE.defaults(),
    ),
)

PERIPHERAL = Record(
    "a peripheral",
    Key("title", Text(), "What people call it; its name where left out."),
    Key("id", UsbId, "Its vendor and product id.", required=True),
    Key("bcdDevice", Bcd, "Its release number, where only this release is meant."),
    Key(
        "class",
        UsbClass,
        "Its device class, where its descriptor names one of its own.",
        default=0,
        shown_default="0x00 (the interfaces say)",
    ),
    Key(
        "interfaces",
        ListOf(InterfaceKind(), least=1),
        "The classes of its interfaces, one entry for each; left out, any interface goes.",
        default=(),
    ),
    *PERIPHERAL_KEYS,
    Key(
        "port-paths-decide",
        Boolean(),
        "True where it has the id of an onboard device and the port path has to tell them apart.",
        default=False,
        shown_default="false",
    ),
)

LINE = Record(
    "a policy line",
    Key("id", UsbIdOrVendor, "Vendor and product id, or every product of a vendor."),
    Key("bcdDevice", Bcd, "Only this release of the device."),
    Key(
        "class",
        OneOf(UsbClass, ListOf(UsbClass, least=1)),
        "Only interfaces (and device classes) of this class or these classes.",
    ),
    any_of=("id", "class"),
    needs={"bcdDevice": ("id",)},
)

LINES = ListOf(OneOf(LineWord(), LINE))

VERDICT_KEYS = (
    Key("redirect", LINES, "What goes to the guest by itself.", default=()),
    Key("offer", LINES, "What goes when the person at the seat picks it.", default=()),
    Key("keep", LINES, "What stays local, as an exception from a wider line.", default=()),
)

SOCKET_LINES = Record("the lines of a socket", *VERDICT_KEYS)

POLICY = Record(
    "a policy",
    Key("title", Text(), "What people call it; its name where left out."),
    *VERDICT_KEYS,
    Key(
        "sockets",
        MapOf(SOCKET_LINES, LabelOf("labels", "a socket"), "sockets"),
        "Lines for a socket by its label; they decide before the policy's other lines.",
        default={},
    ),
)

HOST = Record(
    "a host",
    Key(
        "kind",
        Choice("libvirt", "systemd", "commands"),
        "How its guests are run: by libvirt, by QEMU alone as units of systemd, or by something "
        "else that a template and commands of the site's own speak to.",
        default="libvirt",
        shown_default="libvirt",
    ),
    Key("address", Address, "Where seats and Ansible reach it.", required=True),
    Key("listen", IpAddress, "The address on which its guests' displays listen.", required=True),
    Key(
        "uri",
        Uri,
        "How the host reaches its own libvirt.",
        default="qemu:///system",
        shown_default="qemu:///system",
    ),
    Key(
        "spice-ports",
        PortRange,
        "TCP ports for the guests' displays, first and last.",
        default=(5901, 5999),
        shown_default="5901-5999",
    ),
    Key(
        "template",
        Text(),
        "For the kind commands: the file, below the site's folder, that guests' texts are made of.",
    ),
    Key(
        "apply",
        ListOf(Text(), least=1),
        "For the kind commands: the words of the host's command that takes a guest's text.",
    ),
    Key(
        "inspect",
        ListOf(Text(), least=1),
        "For the kind commands: the words of the host's command that prints a guest's text.",
    ),
    Key(
        "password",
        ListOf(Text(), least=1),
        "For the kind commands: the words of the host's command that takes a guest's password.",
    ),
    Key(
        "ticket",
        ListOf(Text(), least=1),
        "For the kind commands: the words of the command on a seat that prints each of its "
        "connections as JSON; the guest's name comes after them.",
    ),
    Key(
        "can",
        ListOf(Choice("filter", "live-ports", "passwords", "tickets")),
        "For the kind commands: what such a host does for its guests.",
        default=(),
    ),
    Key(
        "restart",
        RESTART,
        "When a running guest that is behind its definition is restarted, one at a time and never "
        "while somebody is connected: never, if it shuts down when it is asked to (if-idle), or "
        "switched off where it does not (now).",
        default="never",
        shown_default="never",
    ),
    *HOST_KEYS,
)

SEAT = Record(
    "a seat",
    Key("name", Name(), "Its name, also the name under which Ansible knows it.", required=True),
    Key("model", NameOf("models", "a model"), "Its model, where it is not the room's."),
    Key("policy", NameOf("policies", "a policy"), "Its policy, where it is not the room's."),
    Key("host", NameOf("hosts", "a host"), "The host of its guest, where it is not the room's."),
    Key("guest", Name(), "The guest it shows; one of the seat's own name where left out."),
    Key("address", Address, "Where Ansible reaches it; its name where left out."),
    Key(
        "ports",
        Integer(1, MOST_PORTS),
        "Redirection ports of its guest, where they are not as many as the room's.",
    ),
    *BOARD_KEYS,
)

GUESTS = Record(
    "the guests of a room",
    Key(
        "own-devices",
        Integer(0, MOST_OWN_DEVICES),
        "USB devices that each guest has of its own (a tablet, a keyboard): so many ports of the "
        "first controller are left to them.",
        default=1,
        shown_default="1 (a tablet)",
    ),
    Key(
        "xhci-driver",
        Boolean(),
        "Whether their system has a driver for an xHCI controller.",
        default=True,
        shown_default="true",
    ),
    Key(
        "agent",
        Boolean(),
        "Whether the SPICE agent runs in them, which fits the picture to the seat's screen.",
        default=True,
        shown_default="true",
    ),
    Key(
        "no-driver-for",
        ListOf(NameOf("peripherals", "a peripheral")),
        "Peripherals that their system has no driver for.",
        default=(),
    ),
    Key("started-by", Text(), "Who starts a guest that is off, as people should read it."),
)

ROOM = Record(
    "a room",
    Key("title", Text(), "What people call it; its name where left out."),
    Key("policy", NameOf("policies", "a policy"), "The policy of its seats.", required=True),
    Key("model", NameOf("models", "a model"), "The model of its seats that do not say their own."),
    Key("host", NameOf("hosts", "a host"), "The host of its seats' guests."),
    Key(
        "ports",
        Integer(1, MOST_PORTS),
        "Redirection ports of each guest: how many devices people plug in at one time.",
        default=4,
        shown_default="4",
    ),
    Key(
        "controller",
        Choice("xhci", "ehci"),
        "The USB controller that the guests have.",
        default="xhci",
        shown_default="xhci",
    ),
    Key(
        "guests",
        GUESTS,
        "What the guests' own systems have and lack.",
        default=GUESTS.defaults(),
    ),
    Key("restart", RESTART, f"{RESTART_SENTENCE} The site's setting where left out."),
    *ROOM_KEYS,
    Key(
        "seats",
        ListOf(OneOf(SeatWord(), SEAT)),
        'Its seats: names, rows such as "rr-01 to rr-12", or groups of keys.',
        default=(),
    ),
)

PROMISE = Record(
    "a promise",
    Key("room", NameOf("rooms", "a room"), "The room it speaks of; every room where left out."),
    Key("seat", NameOf("seats", "a seat"), "The one seat it speaks of."),
    Key("socket", LabelOf("labels", "a socket"), "Only devices in the socket of this label."),
    Key(
        "device",
        OneOf(
            NameOf("peripherals", "a peripheral"),
            ListOf(NameOf("peripherals", "a peripheral"), least=1),
        ),
        "The peripheral it speaks of; a list means all of them plugged in at once.",
        required=True,
    ),
    Key("redirect", Always(), "It goes to the guest by itself."),
    Key("offer", Always(), "It goes when the person at the seat picks it."),
    Key("keep", Always(), "It stays local."),
    one_of=("redirect", "offer", "keep"),
    not_both=("room", "seat"),
)

SECTIONS: tuple[Key, ...] = (
    Key("models", MapOf(MODEL, Name(), "models"), "Kinds of clients, by name.", default={}),
    Key(
        "peripherals",
        MapOf(PERIPHERAL, Name(), "peripherals"),
        "Devices that the site owns and names.",
        default={},
    ),
    Key(
        "policies",
        MapOf(POLICY, Name(), "policies"),
        "What happens to which device; what no line names is kept.",
        default={},
    ),
    Key("hosts", MapOf(HOST, Name(), "hosts"), "Hypervisors that run the guests.", default={}),
    Key(
        "switches",
        MapOf(SWITCH, Name(), "switches"),
        "Network switches whose uplinks many seats share.",
        default={},
    ),
    Key("rooms", MapOf(ROOM, Name(), "rooms"), "Seats under one policy.", default={}),
    Key(
        "promises",
        ListOf(PROMISE),
        "Statements about the policies, proved at every check.",
        default=(),
    ),
)
"""What the site file and every further file may have; maps and lists of all files are joined."""

SITE = Record(
    "the site",
    Key("seatwright", Version(VERSION), "Version of this language: 1.", required=True),
    Key("site", Text(), "The name of the site, as people say it.", required=True),
    Key(
        "language",
        Language,
        "Language of what people at the seats and readers of the book see.",
        default="en",
        shown_default="en",
    ),
    Key(
        "files",
        ListOf(Pattern),
        "Further files of the description, below this file's folder; * stands for any name.",
        default=(),
    ),
    Key("settings", SETTINGS, "What holds for the whole site.", default=SETTINGS.defaults()),
    *SECTIONS,
)

PART = Record("a further file", *SECTIONS)

RECORDS: dict[str, Record] = {
    "": SITE,
    "settings": SETTINGS,
    "pull": PULL,
    "model": MODEL,
    "onboard": ONBOARD,
    "socket": SOCKET,
    "image": IMAGE,
    "peripheral": PERIPHERAL,
    "stream": STREAM,
    "policy": POLICY,
    "line": LINE,
    "socket-lines": SOCKET_LINES,
    "host": HOST,
    "switch": SWITCH,
    "room": ROOM,
    "guests": GUESTS,
    "seat": SEAT,
    "promise": PROMISE,
}
"""Every record by its short name, in the order of the documentation; the site file's is ``""``."""


def key(dotted: str) -> Key:
    """A key by record and name (``room.restart``, ``site``); KeyError where there is none."""
    record, _, name = dotted.rpartition(".")
    return RECORDS[record].keys[name]
