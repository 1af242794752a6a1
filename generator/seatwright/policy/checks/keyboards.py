"""Keyboards and mice of any make that would leave the client.

They travel to the guest as input already; redirected, they are gone from the client, and nobody
can pick a device or leave the session with them.  A peripheral that is named is not meant here.
"""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedLine, source_path
from seatwright.policy.algebra.sets import all_but, pick
from seatwright.policy.algebra.space import PRODUCT, USB, VENDOR
from seatwright.policy.proofs import Proofs, witness_of
from seatwright.policy.table import GuardedTable, Key
from seatwright.policy.words import HAPPENS
from seatwright.usb.classes import HID
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY

KEYBOARD = Interface(HID, 1, 1)
"""A boot keyboard (Device Class Definition for HID 1.11, 4.2 and 4.3)."""


def keyboards(proofs: Proofs) -> Iterator[Problem]:
    """One for each line by which a keyboard without a name in the site goes to the guest."""
    told = set()
    for rules in proofs.plan.rules.values():
        for table in proofs.tables(rules).all():
            for key, node in table.nodes():
                line, level = node.at(HID).line, node.at(HID).level
                if line and level and key[1] == ANY and line.origin not in told:
                    told.add(line.origin)
                    yield _problem(line, _keyboard(key, table))


def _problem(line: PlannedLine, keyboard: Device) -> Problem:
    if line.vendor is not None:
        hint = "Say by class: which devices of this vendor are meant, hid not among them."
    elif line.usb_classes:
        hint = "Name the input devices that are meant."
    else:
        hint = "Add keep: [hid], and name the input devices that are to go."
    redirected = line.verdict == "redirect"
    return Problem(
        "keyboard-leaves" if redirected else "keyboard-offered",
        source_path(line.origin),
        f"{line.text} speaks of keyboards and mice too: one that is plugged in "
        f"{HAPPENS[line.verdict]}, and is then no keyboard of the seat's any more.",
        hint,
        witness=witness_of(keyboard),
    )


def _keyboard(key: Key, table: GuardedTable) -> Device:
    """A keyboard that the node speaks of, with an id that no line names."""
    named = {at for at, _ in table.nodes()}
    vendor = _other(VENDOR, {at[0] for at in named}) if key[0] == ANY else key[0]
    product = _other(PRODUCT, {at[1] for at in named if at[0] == vendor})
    return Device(vendor, product, 0x0100, interfaces=(KEYBOARD,))


def _other(field: int, named: set[int]) -> int:
    """A value of a field that is not among some."""
    return pick(all_but(named - {ANY}, USB.sizes[field]), field)
