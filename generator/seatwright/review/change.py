"""What a review says: typed, printable as JSON."""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from seatwright.plan import Value, VerdictWord

Headline = Literal["more permissive", "less permissive", "both", "same"]
"""Whether a room lets through more than before, less, some of each, or the same."""


class Witness(
    Value, frozen=True, kw_only=True, rename={"usb_class": "class", "bcd_device": "bcdDevice"}
):
    """A device that shows something, as findings print it (see ``policy.proofs.witness_of``)."""

    vendor: str
    product: str
    bcd_device: str
    usb_class: int
    interfaces: tuple[tuple[int, int | None, int | None], ...]


class Part(Value, frozen=True, kw_only=True):
    """Devices of a kind that move together, with one of them to show it."""

    words: str
    witness: Witness


class Move(Value, frozen=True, kw_only=True):
    """Devices to which something else happens now.

    ``devices`` are names of the site's peripherals whose every shape moves so; ``parts`` are all
    that do, whoever owns them.  ``unpromised`` is set where a move lets through more than the
    promises of the new site say.
    """

    was: VerdictWord
    becomes: VerdictWord
    devices: tuple[str, ...]
    parts: tuple[Part, ...]
    unpromised: bool


class SpotChange(Value, frozen=True, kw_only=True):
    """What moves at one socket (None: at all ports that have no lines of their own)."""

    socket: str | None
    moves: tuple[Move, ...]


class Cause(Value, frozen=True, kw_only=True):
    """Something written in one of the two descriptions and not in the other, and where."""

    side: Literal["old", "new"]
    place: str
    text: str


class SeatsChange(Value, frozen=True, kw_only=True):
    """Seats to which the same happens, by the models they are of."""

    seats: tuple[str, ...]
    models: tuple[str, ...]
    spots: tuple[SpotChange, ...]


class RoomChange(Value, frozen=True, kw_only=True):
    """What changes in a room for the seats that both sites have, and which come and go."""

    name: str
    title: str
    headline: Headline
    changes: tuple[SeatsChange, ...]
    causes: tuple[Cause, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    restarts: tuple[str, ...]
    """Seats whose session restarts, as the room's ``restart`` says."""
    restart: str
    unpromised: bool


class GuestChange(Value, frozen=True, kw_only=True):
    """What changes for guests of one host; with ``restart`` it holds after their next start."""

    host: str
    guests: tuple[str, ...]
    what: str
    restart: bool


class Side(Value, frozen=True, kw_only=True):
    """One of the two sites: what was asked for, and what it came to."""

    asked: str
    commit: str | None
    errors: tuple[str, ...]


class Review(Value, frozen=True, kw_only=True):
    """What a change does to whom.

    ``rooms`` has those in which something changes; ``others`` the names of the rest; ``run`` are
    the commands that carry it out.  Where a side could not be read, only the sides say anything.
    """

    format: int = 1
    site: str
    old: Side
    new: Side
    program_changes: bool
    rooms: tuple[RoomChange, ...]
    others: tuple[str, ...]
    gone: tuple[str, ...]
    guests: tuple[GuestChange, ...]
    run: tuple[str, ...]

    @property
    def readable(self) -> bool:
        """Whether both sites could be read."""
        return not (self.old.errors or self.new.errors)


def to_json(review: Review) -> bytes:
    """The review as JSON, in the order of the fields; UTF-8."""
    return msgspec.json.format(msgspec.json.encode(review), indent=2) + b"\n"


def review_schema() -> dict[str, Any]:
    """JSON Schema 2020-12 of what :func:`to_json` writes."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A review",
        **msgspec.json.schema(Review),
    }
