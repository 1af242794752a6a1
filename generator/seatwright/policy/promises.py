"""Promises, proved on the plan.

A promise speaks of every seat of a room (of one seat; of all seats), and of every port path there
(of one socket).  It holds if, at all of them, whatever the bcdDevice where the site names none,
the session's decision is what it says:

* ``redirect``: the redirect list lets the device through, and so does the host's filter;
* ``offer``: the permitted list and the host's filter do, and the redirect list does not;
* ``keep``: the permitted list does not.

A peripheral with declared interfaces is that device.  One without may be any shape of its id: then
each of ``redirect`` and ``offer`` has to hold for all shapes, and ``keep`` has to keep all.
Several devices in a promise are plugged in at once, so the guest needs as many ports.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from seatwright.findings.problem import Problem
from seatwright.plan import (
    Cell,
    Plan,
    PlannedPeripheral,
    PlannedPromise,
    source_path,
)
from seatwright.policy.algebra.wording import device_words
from seatwright.policy.proofs import Proofs, Spot, said_of, spots_at, witness_of
from seatwright.policy.words import HAPPENS, NAMES, peripheral_words
from seatwright.usb.device import Device


@dataclass(frozen=True, slots=True)
class Broken:
    """A cell and a spot where a promise does not hold for a device, and what shows it."""

    cell: Cell
    spot: Spot
    witness: Device
    by_host: bool


def promise_problems(proofs: Proofs) -> Iterator[Problem]:
    """Everything that is wrong with the promises of a plan."""
    for promise in proofs.plan.promises:
        cells = cells_of(proofs.plan, promise)
        if not cells:
            yield _about_nobody(promise)
        for name in promise.devices:
            peripheral = proofs.plan.peripherals[name]
            broken = list(_broken(proofs, promise, peripheral, cells))
            if broken:
                yield _problem(promise, peripheral, broken)
        if promise.verdict != "keep":
            yield from _too_few_ports(proofs.plan, promise, cells)


def cells_of(plan: Plan, promise: PlannedPromise) -> list[Cell]:
    """The cells that a promise speaks of."""
    if promise.seat is not None:
        return [plan.cells[plan.seats[promise.seat].cell]]
    return [cell for cell in plan.cells.values() if promise.room in (None, cell.room)]


def seats_of(plan: Plan, promise: PlannedPromise) -> frozenset[str]:
    """The seats that a promise speaks of."""
    if promise.seat is not None:
        return frozenset((promise.seat,))
    return frozenset(seat for cell in cells_of(plan, promise) for seat in cell.seats)


def _broken(
    proofs: Proofs, promise: PlannedPromise, peripheral: PlannedPeripheral, cells: Sequence[Cell]
) -> Iterator[Broken]:
    """Where the promise does not hold; cells with one rule set are looked at once."""
    first: dict[str, Cell] = {}
    for cell in cells:
        first.setdefault(cell.rules, cell)
    for cell in first.values():
        rules = proofs.plan.rules[cell.rules]
        for spot in spots_at(rules, promise.socket):
            witness = _against(proofs, spot, peripheral, promise.verdict)
            if witness is not None:
                yield Broken(cell, spot, witness, by_host=False)
            elif promise.verdict != "keep":
                refused = proofs.some_kept(rules.host, peripheral)
                if refused is not None:
                    yield Broken(cell, spot, refused, by_host=True)


def _against(
    proofs: Proofs, spot: Spot, peripheral: PlannedPeripheral, verdict: str
) -> Device | None:
    """A shape of the peripheral that is decided otherwise, or None if there is none."""
    if verdict == "redirect":
        return proofs.some_kept(spot.redirect, peripheral)
    if verdict == "keep":
        return proofs.some_through(spot.permitted, peripheral)
    by_itself = proofs.some_through(spot.redirect, peripheral)
    return by_itself or proofs.some_kept(spot.permitted, peripheral)


def _problem(
    promise: PlannedPromise, peripheral: PlannedPeripheral, broken: Sequence[Broken]
) -> Problem:
    worst = broken[0]
    said = said_of(worst.spot, worst.witness)
    happens = "is refused by the host's filter" if worst.by_host else HAPPENS[said.verdict]
    where = f"in {worst.cell.room} (policy {worst.cell.policy} on {worst.cell.model})"
    if worst.spot.socket is not None:
        where += f', socket "{worst.spot.socket}"'
    more = len(broken) - 1
    elsewhere = f", and in {more} more {'place' if more == 1 else 'places'}" if more else ""
    shape = "" if peripheral.interfaces else f" as {device_words(worst.witness, NAMES)}"
    also = ((source_path(said.origin), "this decides"),) if said.origin else ()
    return Problem(
        "broken-promise",
        source_path(promise.origin),
        f"The promise does not hold: {peripheral_words(peripheral)}{shape} {happens} {where}"
        f"{elsewhere}.",
        "Change that line, or the promise."
        if said.origin
        else f"No line lets all of it through; name it below the policy's {promise.verdict}.",
        also,
        witness_of(worst.witness),
    )


def _about_nobody(promise: PlannedPromise) -> Problem:
    return Problem(
        "empty-promise",
        source_path(promise.origin),
        "The promise speaks of no seat, so it says nothing.",
        "Give the room its seats, or take the promise out.",
    )


def _too_few_ports(plan: Plan, promise: PlannedPromise, cells: Sequence[Cell]) -> Iterator[Problem]:
    """The promise's devices are plugged in at once: each guest needs a port for each."""
    needed = len(promise.devices)
    names = [promise.seat] if promise.seat else [seat for cell in cells for seat in cell.seats]
    seats = [plan.seats[name] for name in names]
    short = [seat for seat in seats if len(plan.guests[seat.guest].ports) < needed]
    if short:
        have = len(plan.guests[short[0].guest].ports)
        more = f" (and {len(short) - 1} more)" if len(short) > 1 else ""
        room = plan.rooms[short[0].room]
        yield Problem(
            "too-few-ports",
            source_path(promise.origin),
            f"The promise needs {needed} redirection ports at one time; the guest of "
            f"{short[0].name}{more} has {have}.",
            f"Give the room {room.name} ports: {needed}.",
            (((*source_path(room.origin), "ports"), "the ports of the room"),),
        )
