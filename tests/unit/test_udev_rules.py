"""Node permissions as udev rules decide what the keys say, read as udev(7) reads them.

The small reader below follows systemd 252: patterns are fnmatch(3) without flags, ``|`` separates
alternatives, a missing attribute matches nothing but ``""``, a GOTO jumps forward within the file.
"""

from __future__ import annotations

import fnmatch
import random
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seatwright.plan import NodeKey, PlannedOnboard, RuleSet, SocketRules
from seatwright.render.udev import class_glob, interface_glob, udev_rules

TOKEN = re.compile(r'(?P<key>[A-Z]+)(?:\{(?P<name>\w+)\})?(?P<op>==|!=|:=|-=|=)"(?P<value>[^"]*)"')


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


@dataclass
class Outcome:
    """What the rules leave on a device node; a value assigned with := stays."""

    values: dict[str, str] = field(default_factory=lambda: {"MODE": "0664", "OWNER": "root"})
    tags: set[str] = field(default_factory=lambda: {"uaccess", "seat"})
    final: set[str] = field(default_factory=set)

    @property
    def open(self) -> bool:
        assert self.values["OWNER"] == "root"
        assert {"MODE", "OWNER", "GROUP"} <= self.final and "uaccess" not in self.tags
        return {"0600 root": False, "0660 seat": True}[
            f"{self.values['MODE']} {self.values['GROUP']}"
        ]


def fits(pattern: str, text: str) -> bool:
    if pattern == "":
        return text == ""
    return any(fnmatch.fnmatchcase(text, one) for one in pattern.split("|"))


def run(lines: Sequence[str], device: Plugged) -> Outcome:
    """Carry out the file for one event."""
    outcome, wanted = Outcome(), None
    for line in lines:
        if line.startswith("#"):
            assert not line.endswith("\\")
            continue
        tokens = list(TOKEN.finditer(line))
        assert ", ".join(token[0] for token in tokens) == line, line
        if wanted is not None and not any(
            token["key"] == "LABEL" and token["value"] == wanted for token in tokens
        ):
            continue
        wanted = None
        for token in tokens:
            key, operator, value = token["key"], token["op"], token["value"]
            if operator in ("==", "!="):
                if fits(value, device.value(key, token["name"])) != (operator == "=="):
                    break
            elif key == "GOTO":
                wanted = value
            elif operator == "-=":
                outcome.tags.discard(value)
            elif operator == ":=":
                outcome.values[key] = value
                outcome.final.add(key)
            else:
                assert key == "LABEL"
    assert wanted is None, f"no label {wanted}"
    return outcome


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


CODES = st.integers(0, 255)
SETS = st.frozensets(CODES) | st.builds(
    lambda some: frozenset(range(256)) - some, st.frozensets(CODES)
)


@given(SETS)
def test_a_class_pattern_fits_exactly_its_classes(classes: frozenset[int]) -> None:
    pattern = class_glob(classes)
    fitting = {code for code in range(256) if pattern and fits(pattern, f"{code:02x}")}
    assert fitting == classes


@given(SETS)
def test_an_interface_pattern_finds_each_class_alone(classes: frozenset[int]) -> None:
    """One interface: all 256 classes, with subclass and protocol that look like classes."""
    pattern = interface_glob(classes)
    for sub in ("0650", "0909", "ffff"):
        found = {c for c in range(256) if pattern and fits(pattern, f":{c:02x}{sub}:")}
        assert found == classes


@given(SETS, st.lists(st.tuples(CODES, CODES, CODES), min_size=1, max_size=9))
def test_an_interface_pattern_finds_a_class_among_others(
    classes: frozenset[int], triples: list[tuple[int, int, int]]
) -> None:
    listed = "".join(f":{a:02x}{b:02x}{c:02x}" for a, b, c in triples) + ":"
    pattern = interface_glob(classes)
    found = bool(pattern) and fits(pattern, listed)
    assert found == any(a in classes for a, _, _ in triples)


def test_storage_only_reads_as_one_would_write_it() -> None:
    lines = udev_rules(rule_set([node_key([0x08])]), [onboard("2-3.4.2"), onboard("2-3")])
    assert lines == (
        "# Which USB device nodes the session's user may open. Made by seatwright.",
        'ACTION=="remove", GOTO="seatwright_end"',
        'SUBSYSTEM!="usb", GOTO="seatwright_end"',
        'ENV{DEVTYPE}!="usb_device", GOTO="seatwright_end"',
        'TAG-="uaccess"',
        "# Onboard: exactly these places, whatever is there.",
        'KERNEL=="2-3|2-3.4.2", GOTO="seatwright_keep"',
        "# Hubs.",
        'ATTR{bDeviceClass}=="09", GOTO="seatwright_keep"',
        'ENV{ID_USB_INTERFACES}=="*:09????:*", GOTO="seatwright_keep"',
        "# No interface, a list that breaks off, or more interfaces than udev lists.",
        'ENV{ID_USB_INTERFACES}!=":*:", GOTO="seatwright_keep"',
        f'ENV{{ID_USB_INTERFACES}}=="{":??????" * 64}:*", GOTO="seatwright_keep"',
        "# Everywhere else.",
        'LABEL="seatwright_room"',
        'ATTR{bDeviceClass}=="0[08]|ef", ENV{ID_USB_INTERFACES}!="*:0[!8]????:*|*:[!0]?????:*", '
        'GOTO="seatwright_open"',
        'GOTO="seatwright_keep"',
        "# Final: later files cannot change it.",
        'LABEL="seatwright_keep"',
        'OWNER:="root", GROUP:="root", MODE:="0600", GOTO="seatwright_end"',
        'LABEL="seatwright_open"',
        'OWNER:="root", GROUP:="seat", MODE:="0660"',
        'LABEL="seatwright_end"',
    )


@pytest.mark.parametrize("seed", range(60))
def test_the_rules_decide_what_the_keys_say(seed: int) -> None:
    """Random keys of every shape, each asked about every class and about composites."""
    chance = random.Random(seed)
    keys = [random_key(chance) for _ in range(chance.randint(0, 5))]
    lines = udev_rules(rule_set(keys), [])
    devices = [
        Plugged(vendor=vendor, product=product, version=version, interfaces=(code,))
        for code in range(256)
        for vendor, product, version in [chance.choice(DEVICES)]
    ]
    devices += [random_device(chance) for _ in range(200)]
    for device in devices:
        assert run(lines, device).open == keys_decide(keys, device), (keys, device)


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


STORAGE, CAMERA = [node_key([0x08])], [node_key([0x0E, 0x01])]


@pytest.mark.parametrize(
    ("port", "interfaces", "opened"),
    [
        ("1-2", (0x08,), True),  # the room
        ("1-2", (0x0E, 0x01), False),
        ("2-3", (0x08,), False),  # onboard, exactly
        ("2-3.4.2", (0x08,), False),
        ("2-3.4.2.1", (0x08,), True),  # behind it is not onboard
        ("2-3.1", (0x0E, 0x01), True),  # a socket
        ("2-3.1", (0x08,), False),
        ("2-3.1.7", (0x0E,), True),  # a hub in it
        ("2-3.1.4", (0x08,), True),  # a socket further down
        ("2-3.1.4.4", (0x0E,), False),
        ("2-3.11", (0x08,), True),  # another port whose name begins alike
        ("1-7", (0x0E,), True),  # the socket's other half
    ],
)
def test_the_place_decides(port: str, interfaces: tuple[int, ...], opened: bool) -> None:
    sockets = [
        socket("under the shelf", ["2-3.1", "1-7"], CAMERA),
        socket("x", ["2-3.1.4"], STORAGE),
    ]
    lines = udev_rules(rule_set(STORAGE, sockets), [onboard("2-3"), onboard("2-3.4.2")])
    assert run(lines, Plugged(port=port, interfaces=interfaces)).open is opened


@pytest.mark.parametrize(
    "listed",
    [
        "",  # no interface
        ":080650",  # udev's reader stopped at a descriptor it could not read
        ":080650" + "".join(f":08{n:02x}00" for n in range(63)) + ":",  # too many to be all
        ":080650:090000:",  # a hub in it
    ],
)
def test_what_udev_cannot_tell_stays_closed(listed: str) -> None:
    lines = udev_rules(rule_set([node_key([], inverted=True)]), [])
    device = Plugged(attributes={"ENV ID_USB_INTERFACES": listed})
    assert not run(lines, device).open
    assert run(lines, Plugged()).open


def test_a_removed_device_and_other_subsystems_are_left_alone() -> None:
    lines = udev_rules(rule_set(STORAGE), [])
    for device in (
        Plugged(action="remove"),
        Plugged(attributes={"SUBSYSTEM": "sound"}),
        Plugged(attributes={"ENV DEVTYPE": "usb_interface"}),
    ):
        outcome = run(lines, device)
        assert not outcome.final and "uaccess" in outcome.tags


@pytest.mark.parametrize("action", ["add", "change", "bind", "move", "online"])
def test_every_other_event_decides_again(action: str) -> None:
    assert run(udev_rules(rule_set(STORAGE), []), Plugged(action=action)).open


HOSTILE = ['"\n', "\\", 'x", RUN+="/bin/sh', "{{ lookup('pipe', 'id') }}", "$env{PATH} %k", "‮ 🪑"]


@pytest.mark.parametrize("label", HOSTILE)
def test_a_label_stays_in_its_comment(label: str) -> None:
    lines = udev_rules(rule_set(STORAGE, [socket(label, ["1-2"], CAMERA)]), [])
    assert all("\n" not in line and line.isascii() for line in lines)
    assert run(lines, Plugged(interfaces=(0x0E,))).open


def test_no_line_is_longer_than_udev_reads() -> None:
    """UDEV_LINE_SIZE is 16384 in systemd 252."""
    scattered = [code for code in range(256) if (code * 7919 >> 3) & 1]
    keys = [node_key(scattered), node_key(scattered, inverted=True)]
    assert max(map(len, udev_rules(rule_set(keys), []))) < 8000
