"""Whether somebody promised what a change lets through."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product

from seatwright.plan import Plan, PlannedPeripheral, PlannedPromise
from seatwright.policy.algebra import Region
from seatwright.policy.algebra.regions import IdBox
from seatwright.policy.proofs import declared_classes
from seatwright.review.moves import Move, SpotMoves

MOST_IDS = 10_000
"""A box with more ids than this holds devices that no promise names one by one."""


def is_promised(plan: Plan, seats: Sequence[str], at: SpotMoves, move: Move) -> bool:
    """Whether promises of the plan speak of all that the move concerns, at each of the seats."""
    return all(
        all(_covered(region, promised) for region in move.regions)
        for promised in {_promised(plan, seat, at.socket, move) for seat in seats}
    )


def _promised(
    plan: Plan, seat: str, socket: str | None, move: Move
) -> tuple[PlannedPeripheral, ...]:
    """The peripherals of which promises say at a seat what the move makes true."""
    names = dict.fromkeys(
        name
        for promise in plan.promises
        if promise.verdict == move.becomes and _speaks_of(plan, promise, seat, socket)
        for name in promise.devices
    )
    return tuple(plan.peripherals[name] for name in names)


def _speaks_of(plan: Plan, promise: PlannedPromise, seat: str, socket: str | None) -> bool:
    return (
        promise.seat in (None, seat)
        and promise.room in (None, plan.seats[seat].room)
        and promise.socket in (None, socket)
    )


def _covered(region: Region, peripherals: Iterable[PlannedPeripheral]) -> bool:
    return all(_box_covered(box, region, tuple(peripherals)) for box in region.ids)


def _box_covered(box: IdBox, region: Region, peripherals: tuple[PlannedPeripheral, ...]) -> bool:
    if len(box.vendors) * len(box.products) > MOST_IDS:
        return False
    return all(
        any((one.vendor, one.product) == id_ and _speaks_for(one, region) for one in peripherals)
        for id_ in product(box.vendors, box.products)
    )


def _speaks_for(peripheral: PlannedPeripheral, region: Region) -> bool:
    """Whether a peripheral is all that the region has of its id."""
    version = peripheral.bcd_device
    if version is not None and (region.versions.inverted or region.versions.listed != {version}):
        return False
    classes = declared_classes(peripheral)
    return not classes or (not region.classes.inverted and region.classes.listed <= classes)
