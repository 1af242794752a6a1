"""A review as Markdown for a pull request: short where little changes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from seatwright.findings.words import listed, printable
from seatwright.policy.words import HAPPENS
from seatwright.review.change import (
    Cause,
    GuestChange,
    Move,
    Review,
    RoomChange,
    SeatsChange,
    Side,
    SpotChange,
    Witness,
)

MOST_NAMES = 12
"""Names or ranges of names that are listed; more are counted."""

MOST_PARTS = 8
"""Parts of a move that are listed; the JSON has all."""

RESTARTS = {
    "never": "and restart when somebody restarts them (this room says never)",
    "if-idle": "and restart when nobody uses them",
    "now": "and restart at once",
}


def to_markdown(review: Review) -> str:
    """The whole review; ends with a line end."""
    return "\n".join(_lines(review)) + "\n"


def _lines(review: Review) -> Iterator[str]:
    yield f"## {_text(review.site)}: {_side(review.old)} → {_side(review.new)}"
    yield ""
    if not review.readable:
        yield from _unreadable(review)
        return
    if not (review.rooms or review.gone or review.guests):
        yield "Nothing changes for anybody."
        if review.program_changes:
            yield ""
            yield _program()
        return
    yield from _headlines(review)
    for rooms in _folded(review.rooms):
        yield from _rooms(rooms)
    yield from _guests(review.guests)
    yield from _run(review.run)


def _unreadable(review: Review) -> Iterator[str]:
    for side in (review.old, review.new):
        if side.errors:
            yield f"{_side(side)} cannot be planned, so what the change does cannot be said:"
            yield ""
            yield from (f"- {_text(error)}" for error in side.errors)
            yield ""
        else:
            yield f"{_side(side)} is fine."
            yield ""


def _headlines(review: Review) -> Iterator[str]:
    """A line for each room, worst first, and one for all in which nothing changes."""
    if review.rooms or review.gone:
        yield "| room | what passes | seats whose session restarts |"
        yield "| --- | --- | --- |"
    order = ("more permissive", "both", "less permissive", "same")
    for room in sorted(review.rooms, key=lambda one: order.index(one.headline)):
        mark = " ⚠ not promised" if room.unpromised else ""
        seats = f"{len(room.restarts)}" if room.restarts else "none"
        yield f"| {_text(room.name)} | **{room.headline}**{mark} | {seats} |"
    for name in review.gone:
        yield f"| {_text(name)} | **no longer there** | |"
    if review.rooms or review.gone:
        yield ""
    if review.others:
        yield f"Nothing changes in {_names(review.others)}."
        yield ""
    if review.program_changes:
        yield _program()
        yield ""


def _program() -> str:
    return "The two were made by different versions of seatwright: roles may change as well."


def _folded(rooms: Iterable[RoomChange]) -> list[list[RoomChange]]:
    """Rooms with the same change together."""
    groups: dict[object, list[RoomChange]] = {}
    for room in rooms:
        if room.changes:
            moves = repr([(one.models, one.spots) for one in room.changes])
            groups.setdefault((room.headline, moves), []).append(room)
        else:
            groups[room.name] = [room]
    return list(groups.values())


def _rooms(rooms: Sequence[RoomChange]) -> Iterator[str]:
    yield f"### {listed((_text(room.name) for room in rooms), 'and')}"
    yield ""
    first = rooms[0]
    for change in first.changes:
        yield from _seats(change, len(first.changes) > 1)
    causes = dict.fromkeys(cause for room in rooms for cause in room.causes)
    if causes:
        yield "Because of:"
        yield ""
        yield from (_cause(cause) for cause in causes)
        yield ""
    for room in rooms:
        yield from _comings(room, f"{_text(room.name)}: " if len(rooms) > 1 else "")


def _seats(change: SeatsChange, several: bool) -> Iterator[str]:
    if several:
        yield f"At {_names(change.seats)} ({listed(map(_text, change.models), 'and')}):"
        yield ""
    for spot in change.spots:
        for move in spot.moves:
            yield from _move(spot, move)
    yield ""


def _move(spot: SpotChange, move: Move) -> Iterator[str]:
    where = f' in the socket "{_text(spot.socket)}"' if spot.socket else ""
    mark = " ⚠ no promise says so" if move.unpromised else ""
    yield f"- **{HAPPENS[move.becomes]}**{where} (before: {HAPPENS[move.was]}){mark}"
    if move.devices:
        yield f"  - of the site's own: {_names(move.devices)}"
    for part in move.parts[:MOST_PARTS]:
        yield f"  - {_text(part.words)}, for instance `{_witness(part.witness)}`"
    if len(move.parts) > MOST_PARTS:
        yield f"  - and {len(move.parts) - MOST_PARTS} more kinds"


def _witness(witness: Witness) -> str:
    shape = ",".join(
        "/".join(f"{part:02x}" for part in interface if part is not None)
        for interface in witness.interfaces
    )
    return f"{witness.vendor}:{witness.product} bcd {witness.bcd_device} [{shape}]"


def _cause(cause: Cause) -> str:
    sign = "-" if cause.side == "old" else "+"
    return f"- `{sign}` {_text(cause.text)} (`{printable(cause.place)}`)"


def _comings(room: RoomChange, who: str) -> Iterator[str]:
    """Seats that come, go and restart."""
    said = []
    if room.added:
        said.append(f"{who}new seats: {_names(room.added)}.")
    if room.removed:
        said.append(f"{who}seats no longer described: {_names(room.removed)}.")
    if room.restarts:
        said.append(f"{who}sessions change at {_names(room.restarts)} {RESTARTS[room.restart]}.")
    for line in said:
        yield line[0].upper() + line[1:] if not who else line
        yield ""


def _guests(guests: Sequence[GuestChange]) -> Iterator[str]:
    if not guests:
        return
    yield "### Guests"
    yield ""
    for one in guests:
        later = ", after it is shut down and started again" if one.restart else ""
        yield f"- {_names(one.guests)} on {_text(one.host)}: {_text(one.what)}{later}"
    yield ""


def _run(commands: Sequence[str]) -> Iterator[str]:
    if not commands:
        return
    yield "### To carry it out"
    yield ""
    yield "Once the tree is rendered (`seatwright render --check` tells), look first (this changes"
    yield "nothing), then the same without `--check`:"
    yield ""
    yield "```sh"
    yield from commands
    yield "```"


def _side(side: Side) -> str:
    return f"`{printable(side.asked).replace('`', '')}`"


def _names(names: Sequence[str]) -> str:
    """``rr-01 to rr-14 and rr-16``."""
    shown = [_text(name) for name in _ranges(names)]
    if len(shown) > MOST_NAMES:
        shown[MOST_NAMES:] = [f"{len(shown) - MOST_NAMES} more"]
    return listed(shown, "and")


def _ranges(names: Sequence[str]) -> Iterator[str]:
    """Three names or more that count on from one another as one."""
    run: list[str] = []
    for name in (*names, ""):
        if run and name != _next(run[-1]):
            yield from run if len(run) < 3 else [f"{run[0]} to {run[-1]}"]
            run = []
        run.append(name)


def _next(name: str) -> str | None:
    """The name that counts on: ``rr-10`` after ``rr-09``."""
    found = re.fullmatch(r"(.*?)([0-9]+)", name)
    if found is None:
        return None
    head, digits = found.groups()
    return f"{head}{int(digits) + 1:0{len(digits)}}"


SPECIAL = re.compile(r"([\\`*_\[\]<>|~&@])")


def _text(text: str) -> str:
    """Text of the site so that Markdown shows it as it is (CommonMark: backslash escapes)."""
    return SPECIAL.sub(r"\\\1", printable(text))
