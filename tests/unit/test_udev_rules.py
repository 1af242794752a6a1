"""Node permissions as udev rules decide what the keys say, read as udev(7) reads them.

The small reader below follows systemd 252: patterns are fnmatch(3) without flags, ``|`` separates
alternatives, a missing attribute matches nothing but ``""``, a GOTO jumps forward within the file.
"""

from __future__ import annotations

import fnmatch
import random
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plugged import (
    DEVICES,
    Plugged,
    keys_decide,
    node_key,
    onboard,
    random_device,
    random_key,
    rule_set,
    socket,
)
from seatwright.render.udev import class_glob, interface_glob, udev_rules

TOKEN = re.compile(
    r'(?P<key>[A-Z]+)(?:\{(?P<name>\w+)\})?(?P<op>==|!=|:=|-=|\+=|=)"(?P<value>[^"]*)"'
)


@dataclass
class Outcome:
    """What the rules leave on a device node; a value assigned with := stays."""

    values: dict[str, str] = field(default_factory=lambda: {"MODE": "0664", "OWNER": "root"})
    tags: set[str] = field(default_factory=lambda: {"uaccess", "seat"})
    final: set[str] = field(default_factory=set)
    runs: list[str] = field(default_factory=lambda: ["uaccess"])
    had: tuple[str, ...] = ("uaccess", "seat")

    @property
    def open(self) -> bool:
        """A tag still matches after it was taken back: tags of an event stick (systemd 247)."""
        assert self.values["OWNER"] == "root"
        assert {"MODE", "OWNER", "GROUP"} <= self.final and "uaccess" not in self.tags
        node = (self.values["MODE"], self.values["GROUP"], self.runs[-1])
        return {
            ("0600", "root", "/bin/chmod 0600 $devnode"): False,
            ("0660", "seat", "uaccess"): True,
        }[node]


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
                texts = outcome.had if key == "TAG" else [device.value(key, token["name"])]
                if any(fits(value, text) for text in texts) != (operator == "=="):
                    break
            elif key == "GOTO":
                wanted = value
            elif operator == "-=":
                outcome.tags.discard(value)
            elif operator == "+=":
                outcome.runs.append(value)
            elif operator == ":=":
                outcome.values[key] = value
                outcome.final.add(key)
            else:
                assert key == "LABEL"
    assert wanted is None, f"no label {wanted}"
    return outcome


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
        f'ENV{{ID_USB_INTERFACES}}=="{":??????" * 24}:*", GOTO="seatwright_keep"',
        "# Everywhere.",
        'ATTR{bDeviceClass}=="0[08]|ef", ENV{ID_USB_INTERFACES}!="*:0[!8]????:*|*:[!0]?????:*", '
        'GOTO="seatwright_open"',
        'GOTO="seatwright_keep"',
        "# Final: later files cannot change it.",
        'LABEL="seatwright_keep"',
        'TAG=="uaccess", RUN+="/bin/chmod 0600 $devnode"',
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
        ":080650" + "".join(f":08{n:02x}00" for n in range(23)) + ":",  # too many to be all
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
