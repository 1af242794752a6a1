"""What the guests' own systems lack for what a site wants of them."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedRoom, source_path
from seatwright.policy.proofs import Proofs, spots
from seatwright.policy.words import peripheral_words


def guest_systems(proofs: Proofs) -> Iterator[Problem]:
    """Controllers and peripherals without a driver in the guest; pictures of one size only."""
    for room in proofs.plan.rooms.values():
        path = (*source_path(room.origin), "guests")
        if room.controller == "xhci" and not room.guest_system.xhci_driver:
            yield Problem(
                "no-xhci-driver",
                (*path, "xhci-driver"),
                f"The guests of {room.name} are to have an xHCI controller, and their system has "
                "no driver for it: no device would ever arrive.",
                "Take controller: ehci for the room, or a system with that driver.",
                ((source_path(room.origin), "the room"),),
            )
        if not room.guest_system.agent:
            yield Problem(
                "no-agent",
                (*path, "agent"),
                f"No SPICE agent runs in the guests of {room.name}: their picture keeps its own "
                "size, whatever the seat's screen has.",
                "Install the agent in the guests, or set their picture to the screens' size.",
            )
        yield from _drivers(proofs, room)


def _drivers(proofs: Proofs, room: PlannedRoom) -> Iterator[Problem]:
    rule_sets = {proofs.plan.cells[name].rules for name in room.cells}
    for index, name in enumerate(room.guest_system.no_driver_for):
        peripheral = proofs.plan.peripherals[name]
        passes = any(
            proofs.some_through(spot.permitted, peripheral) is not None
            for rules in sorted(rule_sets)
            for spot in spots(proofs.plan.rules[rules])
        )
        if passes:
            yield Problem(
                "no-driver-for",
                (*source_path(room.origin), "guests", "no-driver-for", index),
                f"{room.name} lets {peripheral_words(peripheral)} through, and its guests have no "
                "driver for it: it would leave the seat and work nowhere.",
                "Install the driver in the guests, or keep the device in this room.",
            )
