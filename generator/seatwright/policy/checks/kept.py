"""Peripherals that no room lets through."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedPeripheral, source_path
from seatwright.policy.proofs import Proofs, spots
from seatwright.policy.words import peripheral_words


def kept_everywhere(proofs: Proofs) -> Iterator[Problem]:
    """Those that stay at every seat although no line and no promise says that they are to.

    Says nothing while a room has no seats: such a room has no rules yet.
    """
    if not all(room.seats for room in proofs.plan.rooms.values()):
        return
    kept_on_purpose = {
        line.peripheral
        for policy in proofs.plan.policies.values()
        for line in policy.lines
        if line.verdict == "keep"
    }
    for promise in proofs.plan.promises:
        if promise.verdict == "keep":
            kept_on_purpose.update(promise.devices)
    for peripheral in proofs.plan.peripherals.values():
        if peripheral.name not in kept_on_purpose and not _passes_anywhere(proofs, peripheral):
            yield Problem(
                "kept-everywhere",
                source_path(peripheral.origin),
                f"No room lets {peripheral_words(peripheral)} through.",
                "Name it in the policy of the room where it is used, or take it out.",
                at_key=True,
            )


def _passes_anywhere(proofs: Proofs, peripheral: PlannedPeripheral) -> bool:
    return any(
        proofs.some_through(spot.permitted, peripheral) is not None
        for rules in proofs.plan.rules.values()
        for spot in spots(rules)
    )
