"""Rules, lines and verdicts in words that need no knowledge of USB."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from seatwright.findings.words import listed, printable
from seatwright.plan import Plan, PlannedLine, PlannedPeripheral, PlannedRoom, PlannedRule
from seatwright.site.build import bcd_text
from seatwright.usb.classes import class_name
from seatwright.usb.filter import ANY

HAPPENS: Mapping[str, str] = MappingProxyType(
    {
        "redirect": "goes to the guest by itself",
        "offer": "goes to the guest when the person at the seat picks it",
        "keep": "stays at the seat",
    }
)

CLASS_WORDS: Mapping[int, str] = MappingProxyType(
    {
        0x01: "sound devices",
        0x02: "modems and network adapters",
        0x03: "keyboards, mice and other input devices",
        0x05: "input devices that push back",
        0x06: "cameras and scanners",
        0x07: "printers",
        0x08: "drives and memory sticks",
        0x09: "hubs",
        0x0A: "the data side of modems and network adapters",
        0x0B: "smart-card readers",
        0x0D: "content protection",
        0x0E: "video cameras",
        0x0F: "health devices",
        0x10: "devices for sound and video",
        0xDC: "measuring and debugging devices",
        0xE0: "wireless adapters",
        0xEF: "devices of mixed kinds",
        0xFE: "devices in update mode and other special ones",
        0xFF: "devices that only their maker's own driver understands",
    }
)
"""What people call the devices of a class; the published names are in ``usb.classes``."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a room's table: ``where`` is a socket's label, or None for the whole room."""

    what: str
    where: str | None
    happens: str
    policy: str
    origin: str


def id_words(vendor: int | None, product: int | None, version: int | None = None) -> str:
    """``1209:0003``, ``1209:*``, ``1209:0003 release 1.10``; ``any`` where nothing is said."""
    if vendor is None:
        return "any"
    words = f"{vendor:04x}:" + ("*" if product is None else f"{product:04x}")
    return words if version is None else f"{words} release {bcd_text(version)}"


def class_words(usb_class: int) -> str:
    """What people call the devices of a class, with the class's name."""
    name = class_name(usb_class)
    return f"{CLASS_WORDS[usb_class]} ({name})" if usb_class in CLASS_WORDS else f"class {name}"


def peripheral_words(peripheral: PlannedPeripheral) -> str:
    """``the card reader (1209:0003)``."""
    ids = id_words(peripheral.vendor, peripheral.product, peripheral.bcd_device)
    titled = peripheral.title not in ("", peripheral.name)
    name = printable(peripheral.title) if titled else peripheral.name.replace("-", " ")
    return f"the {name} ({ids})"


def line_words(line: PlannedLine, peripherals: Mapping[str, PlannedPeripheral]) -> str:
    """What a policy line speaks of."""
    classes = listed(map(class_words, line.usb_classes), "and")
    if line.peripheral is not None and line.peripheral in peripherals:
        return peripheral_words(peripherals[line.peripheral])
    if line.vendor is None:
        return classes if line.usb_classes else "every other device"
    ids = id_words(line.vendor, line.product, line.bcd_device)
    whose = f"every device of vendor {line.vendor:04x}" if line.product is None else f"device {ids}"
    return f"{whose}, as far as it is among {classes}" if line.usb_classes else whose


def rule_words(rule: PlannedRule) -> str:
    """One filter rule: ``keeps drives and memory sticks (mass-storage) of 1209:*``."""
    what = "everything" if rule.usb_class == ANY else class_words(rule.usb_class)
    parts = (rule.vendor, rule.product, rule.version)
    vendor, product, version = (None if part == ANY else part for part in parts)
    whose = "" if vendor is None else f" of {id_words(vendor, product, version)}"
    return f"lets {what}{whose} through" if rule.allow else f"keeps {what}{whose}"


def room_policies(plan: Plan, room: PlannedRoom) -> tuple[str, ...]:
    """The room's policy, then those that some of its seats have instead."""
    others = (plan.cells[name].policy for name in room.cells)
    return tuple(dict.fromkeys((room.policy, *others)))


def room_table(plan: Plan, room: PlannedRoom) -> tuple[Row, ...]:
    """What happens to which device in a room, the most specific first, "everything else" last."""
    rows = []
    for policy in room_policies(plan, room):
        rows += [
            Row(
                line_words(line, plan.peripherals),
                line.socket,
                HAPPENS[line.verdict],
                policy,
                line.origin,
            )
            for line in plan.policies[policy].lines
        ]
        everything = any(row.what == "every other device" and row.where is None for row in rows)
        if not everything:
            own = plan.policies[policy].origin
            rows.append(Row("every other device", None, HAPPENS["keep"], policy, own))
    return tuple(rows)


def room_sentences(plan: Plan, room: PlannedRoom) -> tuple[str, str, str]:
    """What goes by itself, what goes when picked, and what stays, under the room's own policy."""
    lines = plan.policies[room.policy].lines
    name = printable(room.title) or room.name
    redirected = _all_of(plan, lines, "redirect")
    offered = _all_of(plan, lines, "offer")
    kept = _all_of(plan, lines, "keep")
    first = f"{name}: {redirected or 'nothing'} goes to the guest without anybody doing anything."
    second = (
        f"Only when the person at the seat picks it: {offered}."
        if offered
        else "There is nothing that people at the seat could pick in addition."
    )
    ports = "one device" if room.ports == 1 else f"{room.ports} devices"
    third = (
        f"Everything else stays at the seat{f' ({kept} too)' if kept else ''}, the client's own "
        f"devices always; a device that is several things at once goes only if each of them may, "
        f"and at most {ports} at a time."
    )
    return first, second, third


def _all_of(plan: Plan, lines: Iterable[PlannedLine], verdict: str) -> str:
    """The lines of one verdict in a row; empty where there are none."""
    words = [
        line_words(line, plan.peripherals) + (f" {_at(line.socket)}" if line.socket else "")
        for line in lines
        if line.verdict == verdict
    ]
    return listed(words, "and") if words else ""


def _at(label: str) -> str:
    return f'at the socket "{printable(label)}"'
