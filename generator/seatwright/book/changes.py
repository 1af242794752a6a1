"""A review as the book shows it: rooms with the same change together, each move drawn."""

from __future__ import annotations

from dataclasses import dataclass

from seatwright.book.pictures import move_picture
from seatwright.plan import VerdictWord
from seatwright.render.quote import Quoted
from seatwright.review.change import Cause, Move, Review, RoomChange, SeatsChange, Witness

LANE_WORDS: dict[VerdictWord, str] = {
    "keep": "stays at the seat",
    "offer": "goes when picked",
    "redirect": "goes by itself",
}

MOST_PARTS = 12
"""Kinds of devices listed for a move; the rest is counted."""


@dataclass(frozen=True, slots=True)
class DrawnMove:
    """A move with its picture; ``socket`` empty where it holds at all other ports."""

    socket: str
    move: Move
    picture: Quoted
    parts: tuple[tuple[str, str], ...]
    more: int


@dataclass(frozen=True, slots=True)
class DrawnSeats:
    """Seats to which the same happens; ``change`` names them for a single room."""

    change: SeatsChange
    moves: tuple[DrawnMove, ...]


@dataclass(frozen=True, slots=True)
class DrawnRooms:
    """Rooms with the same change."""

    rooms: tuple[RoomChange, ...]
    headline: str
    unpromised: bool
    seats: tuple[DrawnSeats, ...]
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class DrawnReview:
    """The whole review; ``rooms`` with the greatest change first."""

    review: Review
    rooms: tuple[DrawnRooms, ...]
    quiet: bool


HEADLINES = ("more permissive", "both", "less permissive", "same")


def changes_of(review: Review) -> DrawnReview:
    """The review, folded and drawn."""
    folded: dict[tuple[object, ...], list[RoomChange]] = {}
    for room in review.rooms:
        spots = tuple((one.models, one.spots) for one in room.changes)
        key = (room.headline, spots, "" if room.changes else room.name)
        folded.setdefault(key, []).append(room)
    drawn = [_rooms(tuple(rooms)) for rooms in folded.values()]
    drawn.sort(key=lambda one: HEADLINES.index(one.headline))
    quiet = not (review.rooms or review.gone or review.guests)
    return DrawnReview(review, tuple(drawn), quiet)


def _rooms(rooms: tuple[RoomChange, ...]) -> DrawnRooms:
    first = rooms[0]
    return DrawnRooms(
        rooms=rooms,
        headline=first.headline,
        unpromised=any(room.unpromised for room in rooms),
        seats=tuple(DrawnSeats(change, _moves(change)) for change in first.changes),
        causes=tuple(dict.fromkeys(cause for room in rooms for cause in room.causes)),
    )


def _moves(change: SeatsChange) -> tuple[DrawnMove, ...]:
    return tuple(
        DrawnMove(
            socket=spot.socket or "",
            move=move,
            picture=move_picture(move.was, move.becomes, LANE_WORDS),
            parts=tuple((part.words, _shape(part.witness)) for part in move.parts[:MOST_PARTS]),
            more=max(0, len(move.parts) - MOST_PARTS),
        )
        for spot in change.spots
        for move in spot.moves
    )


def _shape(witness: Witness) -> str:
    """A witness in a few signs: its id, and the classes of its interfaces."""
    shape = ", ".join(
        "/".join(f"{part or 0:02x}" for part in interface) for interface in witness.interfaces
    )
    return f"{witness.vendor}:{witness.product} [{shape}]"
