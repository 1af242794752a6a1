"""Two plans against each other: what a change does to whom."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import msgspec

from seatwright.plan import Plan, PlannedRoom
from seatwright.policy.algebra import Point, Region, device_at
from seatwright.policy.algebra.wording import Names, region_words
from seatwright.policy.proofs import witness_of
from seatwright.render.inventory import room_group
from seatwright.review.causes import Causes
from seatwright.review.change import (
    Headline,
    Move,
    Part,
    Review,
    RoomChange,
    SeatsChange,
    Side,
    SpotChange,
    Witness,
)
from seatwright.review.moves import RANK, Mover, SpotMoves
from seatwright.review.moves import Move as Moved
from seatwright.review.promised import is_promised
from seatwright.review.sessions import guest_changes, restarting
from seatwright.review.side import ReadSide

EXAMPLE_VENDOR = 0x1209
EXAMPLES = 0x100
"""Where a device to show a change with is looked for first (see ``algebra.sets``)."""

RUN = "ansible-playbook -i {tree}/hosts.yml {tree}/playbooks/{book}.yml"


def review(old: ReadSide, new: ReadSide, site: str, names: Names) -> Review:
    """What the change from one side to the other does; ``names`` call devices.

    Where a side has no plan, the review says only why.
    """
    if old.plan is None or new.plan is None:
        return _review(old, new, site)
    comparison = _Comparison(
        old.plan,
        new.plan,
        Mover(old.plan, new.plan),
        Causes(old, new),
        names,
        frozenset((*_taken(old.plan), *_taken(new.plan))),
    )
    rooms = [comparison.room(room) for room in new.plan.rooms.values()]
    changed = tuple(room for room in rooms if not _is_quiet(room))
    guests = guest_changes(old.plan, new.plan)
    program_changes = old.plan.program != new.plan.program
    return _review(
        old,
        new,
        site,
        program_changes=program_changes,
        rooms=changed,
        others=tuple(room.name for room in rooms if _is_quiet(room)),
        gone=tuple(name for name in old.plan.rooms if name not in new.plan.rooms),
        guests=guests,
        run=tuple(_run(site, new.plan, changed, sorted({one.host for one in guests}))),
    )


def _review(old: ReadSide, new: ReadSide, site: str, **found: object) -> Review:
    empty: dict[str, object] = {
        "program_changes": False, "rooms": (), "others": (), "gone": (), "guests": (), "run": (),
    }  # fmt: skip
    return Review(site=site, old=_side(old), new=_side(new), **{**empty, **found})  # type: ignore[arg-type]


def _side(read: ReadSide) -> Side:
    errors = tuple(f"{read.shown(one.place)}: {one.message}" for one in read.errors)
    return Side(asked=read.asked, commit=read.commit, errors=errors)


def _is_quiet(room: RoomChange) -> bool:
    return not (room.changes or room.added or room.removed or room.restarts)


@dataclass(frozen=True, slots=True)
class _Comparison:
    """Two plans and what is needed to compare them room by room."""

    old: Plan
    new: Plan
    mover: Mover
    causes: Causes
    names: Names
    taken: frozenset[tuple[int, int]]

    def room(self, room: PlannedRoom) -> RoomChange:
        """A room of the new plan; a seat that was in another room before counts here."""
        both = [seat for seat in room.seats if seat in self.old.seats]
        before = self.old.rooms[room.name].seats if room.name in self.old.rooms else ()
        changes = tuple(self._changes(both))
        moved = [seat for one in changes for seat in one.seats]
        moves = [move for one in changes for spot in one.spots for move in spot.moves]
        return RoomChange(
            name=room.name,
            title=room.title,
            headline=headline_of(moves),
            changes=changes,
            causes=self.causes.of_room(self.old, self.new, moved),
            added=tuple(seat for seat in room.seats if seat not in self.old.seats),
            removed=tuple(seat for seat in before if seat not in self.new.seats),
            restarts=restarting(self.old, self.new, both),
            restart=room.restart,
            unpromised=any(move.unpromised for move in moves),
        )

    def _changes(self, seats: Sequence[str]) -> Iterator[SeatsChange]:
        """Seats to which the same happens together."""
        folded: dict[tuple[SpotMoves, ...], list[str]] = {}
        for seat in seats:
            spots = self.mover.spots(_rules(self.old, seat), _rules(self.new, seat))
            if spots:
                folded.setdefault(spots, []).append(seat)
        for spots, alike in folded.items():
            yield SeatsChange(
                seats=tuple(alike),
                models=tuple(dict.fromkeys(self.new.seats[seat].model for seat in alike)),
                spots=tuple(self._spot(spot, alike) for spot in spots),
            )

    def _spot(self, spot: SpotMoves, seats: Sequence[str]) -> SpotChange:
        return SpotChange(
            socket=spot.socket,
            moves=tuple(self._move(spot, move, seats) for move in spot.moves),
        )

    def _move(self, spot: SpotMoves, move: Moved, seats: Sequence[str]) -> Move:
        unpromised = move.lets_more_through and not is_promised(self.new, seats, spot, move)
        parts = tuple(
            Part(
                words=region_words(region, self.names),
                witness=msgspec.convert(witness_of(device_at(self._witness(region))), Witness),
            )
            for region in sorted(move.regions, key=_narrow)
        )
        return Move(
            was=move.was,
            becomes=move.becomes,
            devices=move.devices,
            parts=parts,
            unpromised=unpromised,
        )

    def _witness(self, region: Region) -> Point:
        """A device of the region that is nobody's, if there is one: an onboard device would
        make a bad example, since no rule list is all that keeps it.
        """
        versions, classes = region.witness.version, region.witness.usb_class
        for product in range(1, EXAMPLES):
            point = Point(classes, EXAMPLE_VENDOR, product, versions)
            if (EXAMPLE_VENDOR, product) not in self.taken and point in region:
                return point
        return region.witness


def _narrow(region: Region) -> bool:
    """Whether a region speaks of single ids: those come after what speaks of nearly all."""
    return not any(box.vendors.inverted for box in region.ids)


def _taken(plan: Plan) -> Iterator[tuple[int, int]]:
    """The ids of what the clients and the site have."""
    for model in plan.models.values():
        yield from ((one.vendor, one.product) for one in model.onboard)
    yield from ((one.vendor, one.product) for one in plan.peripherals.values())


def headline_of(moves: Sequence[Move]) -> Headline:
    """All moves of a room in a word."""
    more = any(RANK[move.becomes] > RANK[move.was] for move in moves)
    less = any(RANK[move.becomes] < RANK[move.was] for move in moves)
    if more and less:
        return "both"
    return "more permissive" if more else "less permissive" if less else "same"


def _rules(plan: Plan, seat: str) -> str:
    return plan.cells[plan.seats[seat].cell].rules


def _run(site: str, new: Plan, rooms: Sequence[RoomChange], hosts: Sequence[str]) -> Iterator[str]:
    """The commands that carry the change out, in the order in which they are run.

    Guests first: a port that is planned must be there before the seat's session counts on it.
    """
    tree = f"inventories/{site}/rendered"
    here = [host for host in hosts if host in new.hosts]
    if here:
        yield f"{RUN.format(tree=tree, book='guests')} -l {':'.join(here)} --check --diff"
    groups = [room_group(new.rooms[one.name]) for one in rooms if one.restarts or one.added]
    if groups:
        yield f"{RUN.format(tree=tree, book='clients')} -l {':'.join(groups)} --check --diff"
