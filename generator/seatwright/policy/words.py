"""Rules, lines and verdicts in words that need no knowledge of USB."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from seatwright.findings.words import listed, printable
from seatwright.plan import Plan, PlannedLine, PlannedPeripheral, PlannedRoom, PlannedRule
from seatwright.policy.algebra.wording import Names
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


NAMES = Names(usb_class=class_name)
"""Names of classes for what the algebra says; ids stay ids."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a room's table: ``where`` is a socket's label, or None for the whole room."""

    what: str
    where: str | None
    happens: str
    policy: str
    origin: str


def id_words(vendor: int | None, product: int | None, version: int | None = None) -> str:
    """``1209:0003``, ``1209:*``, ``1209:0003 version 1.10``; ``any`` where nothing is said."""
    if vendor is None:
        return "any"
    words = f"{vendor:04x}:" + ("*" if product is None else f"{product:04x}")
    return words if version is None else f"{words} version {bcd_text(version)}"


def class_words(usb_class: int) -> str:
    """What people call the devices of a class, with the class's name for looking it up."""
    name = class_name(usb_class)
    plain = plain_class_words(usb_class)
    return f"{plain} ({name})" if usb_class in CLASS_WORDS else plain


def plain_class_words(usb_class: int) -> str:
    """What people call the devices of a class."""
    return CLASS_WORDS.get(usb_class, f"devices of class {class_name(usb_class)}")


def peripheral_words(peripheral: PlannedPeripheral) -> str:
    """``the card reader (1209:0003)``."""
    ids = id_words(peripheral.vendor, peripheral.product, peripheral.bcd_device)
    titled = peripheral.title not in ("", peripheral.name)
    name = printable(peripheral.title) if titled else peripheral.name.replace("-", " ")
    return f"the {name} ({ids})"


def line_words(
    line: PlannedLine,
    peripherals: Mapping[str, PlannedPeripheral],
    words: Callable[[int], str] = class_words,
) -> str:
    """What a policy line speaks of; ``words`` says how a class is called."""
    classes = listed(map(words, line.usb_classes), "or")
    if line.peripheral is not None and line.peripheral in peripherals:
        return peripheral_words(peripherals[line.peripheral])
    if line.vendor is None:
        return classes if line.usb_classes else "everything else"
    ids = id_words(line.vendor, line.product, line.bcd_device)
    whose = f"the device {ids}"
    if line.product is None:
        whose = f"everything else with the vendor number {line.vendor:04x}"
    return f"{whose} (where it is {classes})" if line.usb_classes else whose


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
        if not any(_is_everything(line) for line in plan.policies[policy].lines):
            own = plan.policies[policy].origin
            rows.append(Row("everything else", None, HAPPENS["keep"], policy, own))
    return tuple(rows)


def _is_everything(line: PlannedLine) -> bool:
    return line.socket is None and line.vendor is None and not line.usb_classes


def room_sentences(plan: Plan, room: PlannedRoom) -> tuple[str, str, str]:
    """What goes by itself, what goes when picked, and what stays, under the room's own policy."""
    lines = plan.policies[room.policy].lines
    redirected, offered, kept = (
        [_in_place(plan, line) for line in lines if line.verdict == verdict] for verdict in HAPPENS
    )
    always = listed(["the client's own devices", *kept], "and")
    return (
        f"Goes to the guest by itself: {_all_of(redirected)}.",
        f"Goes when the person at the seat picks it: {_all_of(offered)}.",
        f"Everything else stays at the seat, and in any case {always}; a device that is several "
        f"things at once goes only if each of them may, and at most {_at_once(plan, room)}.",
    )


def _at_once(plan: Plan, room: PlannedRoom) -> str:
    """``3 devices go at one time (4 at dg-2)``."""
    counts = {name: len(plan.guests[plan.seats[name].guest].ports) for name in room.seats}
    others = [
        f"{count} at {listed([name for name, own in counts.items() if own == count], 'and')}"
        for count in sorted(set(counts.values()) - {room.ports})
    ]
    usual = "one device goes" if room.ports == 1 else f"{room.ports} devices go"
    return f"{usual} at one time" + (f" ({', '.join(others)})" if others else "")


def _all_of(words: Sequence[str]) -> str:
    return listed(words, "and") if words else "nothing"


def _in_place(plan: Plan, line: PlannedLine) -> str:
    """What a line speaks of, and the socket where it does."""
    words = line_words(line, plan.peripherals, plain_class_words)
    if line.socket is None:
        return words
    words = "everything" if words == "everything else" else words
    return f'{words} in the socket "{printable(line.socket)}"'
