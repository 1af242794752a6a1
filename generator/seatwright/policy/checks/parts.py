"""Peripherals of which a policy would let some interfaces through and not all.

A device goes as a whole or not at all, so one with several kinds of interfaces stays at the seat
although a line speaks of a part of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.plan import PlannedPeripheral, source_path
from seatwright.policy.algebra import Outcome
from seatwright.policy.algebra.outcome import Place
from seatwright.policy.proofs import (
    Proofs,
    declared_classes,
    device_of,
    natural_classes,
    spots,
    witness_of,
)
from seatwright.policy.table import points
from seatwright.policy.words import peripheral_words
from seatwright.usb.classes import class_name

SHOWN = 3
"""Peripherals that a message names before it counts the rest."""


Part = tuple[PlannedPeripheral, Place, str | None]
"""A peripheral, an id and version where some of its classes pass, and the socket."""


def in_part(proofs: Proofs) -> Iterator[Problem]:
    """One for each line that lets only parts of peripherals through."""
    several = [
        (one, sum(1 << code for code in declared_classes(one)))
        for one in proofs.plan.peripherals.values()
        if len(declared_classes(one)) > 1
    ]
    by_line: dict[str, dict[str, Part]] = {}
    seen: set[tuple[str, str | None, str]] = set()
    for rules in proofs.plan.rules.values():
        onboard = {(one.vendor, one.product) for one in proofs.plan.models[rules.model].onboard}
        for spot, table in zip(spots(rules), proofs.tables(rules).all(), strict=True):
            tree = proofs.outcome(spot.permitted)
            for peripheral, wanted in several:
                # Only at onboard ids does a policy say different things on different models.
                question = (rules.policy, spot.socket, peripheral.name)
                if question in seen or (peripheral.vendor, peripheral.product) in onboard:
                    continue
                seen.add(question)
                place = _in_part(tree, peripheral, wanted)
                if place:
                    passing = next(natural_classes(place.classes & wanted))
                    line = table.at(passing, place.vendor, place.product, place.version).origin
                    found = peripheral, place, spot.socket
                    by_line.setdefault(line, {}).setdefault(peripheral.name, found)
    for line, parts in by_line.items():
        yield _problem(line, list(parts.values()))


def _in_part(tree: Outcome, peripheral: PlannedPeripheral, wanted: int) -> Place | None:
    """A place where some of the wanted classes pass and not all."""
    for place in tree.places(peripheral.vendor, peripheral.product, peripheral.bcd_device):
        if place.classes & wanted not in (0, wanted):
            return place
    return None


def _problem(line: str, parts: Sequence[Part]) -> Problem:
    peripheral, place, socket = parts[0]
    device = device_of(peripheral, place)
    kept = next(code for code in sorted(points(device)) if not place.classes >> code & 1)
    where = "" if socket is None else f' in the socket "{socket}"'
    names = [peripheral_words(one) for one, _, _ in parts[:SHOWN]]
    if len(parts) > SHOWN:
        names.append(f"{len(parts) - SHOWN} more")
    return Problem(
        "in-part",
        source_path(line),
        f"This speaks of a part only of {listed(names, 'and')}{where}: a device goes whole or not "
        f"at all, and nothing lets the {class_name(kept)} interface of {peripheral.name} through.",
        "Name it below what is to happen to it; below keep to say that it stays.",
        ((source_path(peripheral.origin), "the peripheral"),),
        witness_of(device),
    )
