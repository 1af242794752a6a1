"""For the person who approves: policies in sentences, promises with their proofs, who may change
what.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from seatwright.book.content import Content
from seatwright.book.data import origins
from seatwright.book.effects import Effects
from seatwright.findings.words import listed
from seatwright.plan import Plan, PlannedPromise
from seatwright.policy.promises import cells_of
from seatwright.policy.proofs import spots_at
from seatwright.policy.words import HAPPENS, Row, peripheral_words, room_sentences, room_table

MOST_NAMED = 12
"""Rooms that a sentence names; more are counted."""

MOST_LINES = 4
"""Lines that a proof names."""


@dataclass(frozen=True, slots=True)
class Ruled:
    """Rooms under the same policies: their sentences and the table of the lines."""

    rooms: tuple[str, ...]
    titles: tuple[str, ...]
    sentences: tuple[str, ...]
    table: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """A promise in a sentence, and how far it was proved; ``wrong`` says where it does not hold."""

    sentence: str
    proved: str
    wrong: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Right:
    """Who may do what, and what stops them there."""

    who: str
    may: str
    limit: str


def ruled_rooms(plan: Plan) -> tuple[Ruled, ...]:
    """The rooms in their order, those under the same words together."""
    folded: dict[tuple[tuple[str, ...], tuple[Row, ...]], list[str]] = {}
    for room in plan.rooms.values():
        key = (room_sentences(plan, room), room_table(plan, room))
        folded.setdefault(key, []).append(room.name)
    return tuple(
        Ruled(
            tuple(names),
            tuple(plan.rooms[name].title for name in names),
            sentences,
            table,
        )
        for (sentences, table), names in folded.items()
    )


def proofs(content: Content, plan: Plan, effects: Effects) -> tuple[Proof, ...]:
    """Every promise; what does not hold comes first."""
    because = origins(plan)
    found = [_proof(content, plan, promise, effects, because) for promise in plan.promises]
    return tuple(sorted(found, key=lambda one: not one.wrong))


def _proof(
    content: Content,
    plan: Plan,
    promise: PlannedPromise,
    effects: Effects,
    because: Mapping[str, str],
) -> Proof:
    """``because`` has the words for where a rule comes from."""
    sentence = _promise_words(plan, promise)
    wrong = content.promises.get(promise.origin, ())
    if wrong:
        return Proof(sentence, "", wrong)
    cells = cells_of(plan, promise)
    seats = 1 if promise.seat else sum(len(cell.seats) for cell in cells)
    sets = [plan.rules[name] for name in dict.fromkeys(cell.rules for cell in cells)]
    where = "in that socket" if promise.socket else "at every port"
    lines = dict.fromkeys(
        because.get(origin, origin)
        for one in sets
        for spot in spots_at(one, promise.socket)
        for name in promise.devices
        for origin in effects.because(spot, name)
    )
    decided = f"Decided by: {'; '.join(some(list(lines), MOST_LINES))}."
    return Proof(
        sentence,
        f"Proved for {counted(seats, 'seat')} ({counted(len(sets), 'rule set')}) {where}, for "
        f"every release that the description leaves open. "
        + (decided if lines else "No line lets it through."),
        (),
    )


def _promise_words(plan: Plan, promise: PlannedPromise) -> str:
    what = listed((peripheral_words(plan.peripherals[name]) for name in promise.devices), "and")
    many = len(promise.devices) > 1
    does = HAPPENS[promise.verdict]
    if many:
        does = does.replace("goes", "go").replace("stays", "stay").replace("picks it", "picks them")
        does += ", all at one time"
    if promise.seat:
        where = f"At the seat {promise.seat}"
    elif promise.room:
        where = f"In the room {promise.room}"
    else:
        where = "In every room"
    socket = f', in the socket "{promise.socket}"' if promise.socket else ""
    return f"{where}{socket}, {what} {does}."


def rights(plan: Plan) -> tuple[Right, ...]:
    """Who may change what, from the seat to the description."""
    offered = any(line.verdict == "offer" for one in plan.policies.values() for line in one.lines)
    picks = "pick what is offered, and take it back" if offered else "change nothing"
    hosts = listed(some(list(plan.hosts)), "and")
    return (
        Right(
            "A person at a seat",
            picks,
            "Never shown: what is kept. Never possible: the client's own devices and its hubs.",
        ),
        Right(
            "The session on a seat",
            "hand over what its rules let through, under the ports of its guest",
            "Its user may open only the device nodes of what is permitted.",
        ),
        Right(
            f"Who comes in as {plan.settings.access_user} on a client",
            "carry out what was rendered, with Ansible",
            "Anything changed by hand is put back by the next run.",
        ),
        Right(
            f"Who looks after the hosts ({hosts})",
            "narrow what reaches a guest",
            "The host's filter refuses what no seat of the guest permits; it cannot make a seat "
            "hand over more.",
        ),
        Right(
            "Who may change the description",
            "change policies, rooms, models and promises",
            "A policy that breaks a promise or lets an onboard device through does not pass the "
            "checks.",
        ),
    )


def some(names: Sequence[str], most: int = MOST_NAMED) -> list[str]:
    """The first names, and how many more there are."""
    if len(names) <= most:
        return list(names)
    return [*names[:most], f"{len(names) - most} more"]


def counted(number: int, word: str) -> str:
    """``3 seats``."""
    return f"{number} {word}{'' if number == 1 else 's'}"
