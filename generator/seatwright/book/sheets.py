"""The door sheets: a page for each room, for the people who sit there."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from seatwright.book.effects import EVERYTHING_ELSE, Effects, Row, Table, Thing
from seatwright.book.pictures import client_picture
from seatwright.book.words import Words
from seatwright.plan import Cell, Plan, PlannedModel, PlannedRoom, PlannedSocket
from seatwright.policy.words import id_words, room_policies
from seatwright.render.quote import Quoted
from seatwright.site.build import bcd_text

ENDS_IN_NUMBER = re.compile(r"(.*?)([0-9]+)")


@dataclass(frozen=True, slots=True)
class Alike:
    """Seats of a room that look the same to a person: same sockets, same answers, same ports."""

    seats: tuple[str, ...]
    title: str
    sockets: tuple[PlannedSocket, ...]
    table: Table
    ports: int
    policies: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A row of the table in words; ``effects`` are the names of the signs and their words."""

    what: Quoted
    effects: tuple[tuple[str, Quoted], ...]


@dataclass(frozen=True, slots=True)
class SheetPart:
    """What is said of seats that are alike; ``heading`` is empty where all of a room are."""

    heading: Quoted
    picture: Quoted
    columns: tuple[Quoted, ...]
    rows: tuple[SheetRow, ...]
    notes: tuple[Quoted, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A room's door sheet; ``signs`` are those that its tables use, with what they mean."""

    room: PlannedRoom
    seats: Quoted
    parts: tuple[SheetPart, ...]
    signs: tuple[tuple[str, Quoted, Quoted], ...]


def sheets(plan: Plan, effects: Effects, words: Words) -> Iterator[Sheet]:
    """The door sheets in the order of the rooms."""
    for room in plan.rooms.values():
        alike = seats_alike(plan, room, effects)
        used = {effect for one in alike for row in one.table.rows for effect in row.effects}
        yield Sheet(
            room=room,
            seats=_seats(room, words),
            parts=tuple(_part(plan, one, alike, effects, words) for one in alike),
            signs=tuple(
                (sign, words.say(sign), words.say(f"legend_{sign}"))
                for sign in ("redirect", "offer", "keep", "depends")
                if sign in used
            ),
        )


Key = tuple[tuple[tuple[str, bool], ...], Table, int]
"""What a person can tell of a seat: its sockets, what happens in them, its guest's ports."""


def seats_alike(plan: Plan, room: PlannedRoom, effects: Effects) -> list[Alike]:
    """The room's seats, those together that a sheet says the same of; the largest group first."""
    things = effects.things(room_policies(plan, room))
    folded: dict[Key, list[tuple[Cell, str]]] = {}
    made: dict[Key, Alike] = {}
    for name in room.cells:
        cell = plan.cells[name]
        model = plan.models[cell.model]
        table = effects.table(plan.rules[cell.rules], model.sockets, things)
        looks = _looks(model.sockets)
        for seat in cell.seats:
            ports = len(plan.guests[plan.seats[seat].guest].ports)
            key = (looks, table, ports)
            folded.setdefault(key, []).append((cell, seat))
            made.setdefault(key, Alike((), model.title, model.sockets, table, ports, ()))
    order = {seat: at for at, seat in enumerate(room.seats)}
    found = []
    for key, members in folded.items():
        one = made[key]
        seats = tuple(sorted((seat for _, seat in members), key=order.__getitem__))
        titles = _titles(plan.models[cell.model] for cell, _ in members)
        policies = tuple(dict.fromkeys(cell.policy for cell, _ in members))
        found.append(replace(one, seats=seats, title=titles, policies=policies))
    return sorted(found, key=lambda one: -len(one.seats))


def _titles(models: Iterable[PlannedModel]) -> str:
    titles = list(dict.fromkeys(model.title for model in models))
    return " / ".join(titles) if len(titles) <= 3 else ""


def _seats(room: PlannedRoom, words: Words) -> Quoted:
    if not room.seats:
        return words.say("no_seats")
    return words.count("seats", len(room.seats), names=words.listed(rows_of(room.seats)))


def rows_of(names: Sequence[str]) -> list[str]:
    """Seats by name, rows of them as ``rr-01 ... rr-14``."""
    rows: list[list[str]] = []
    for name in names:
        if rows and _follows(rows[-1][-1], name):
            rows[-1].append(name)
        else:
            rows.append([name])
    shown: list[str] = []
    for row in rows:
        shown += [f"{row[0]} \N{EN DASH} {row[-1]}"] if len(row) > 2 else row
    return shown


def _follows(first: str, second: str) -> bool:
    one, two = ENDS_IN_NUMBER.fullmatch(first), ENDS_IN_NUMBER.fullmatch(second)
    return bool(one and two and one[1] == two[1] and int(one[2]) + 1 == int(two[2]))


def _part(
    plan: Plan, alike: Alike, every: Sequence[Alike], effects: Effects, words: Words
) -> SheetPart:
    """A part of a sheet; what is as at the first seats is not said again."""
    first = every[0]
    names = words.listed(rows_of(alike.seats))
    other = alike is not first
    same_sockets = other and _looks(alike.sockets) == _looks(first.sockets)
    same_columns = other and alike.table.columns == first.table.columns
    same_columns &= same_sockets or first.table.columns == ANYWHERE
    known = first.table.rows if same_columns else ()
    own = effects.things(alike.policies)
    rows = [row for row in alike.table.rows if row not in known and _matters(row, own, alike)]
    rows.sort(key=_best_first)
    notes = []
    if not other or alike.ports != first.ports:
        notes.append(words.count("ports", alike.ports))
    if alike.table.keyboards_stay and not other:
        notes.append(words.say("keyboards"))
    heading = "besides" if same_columns else "at_seats"
    return SheetPart(
        heading=words.say(heading, names=names) if len(every) > 1 else Quoted(),
        picture=Quoted() if same_sockets else _picture(alike, words),
        columns=tuple(_column(numbers, words) for numbers in alike.table.columns),
        rows=tuple(_row(plan, row, alike.table, words) for row in rows),
        notes=tuple(notes),
    )


ANYWHERE = ((),)
"""The columns of a table that says the same of every socket."""


def _matters(row: Row, own: Sequence[Thing], alike: Alike) -> bool:
    """Whether a row about a thing of another policy says more than "everything else" does."""
    return row.thing in own or row.effects != alike.table.rows[-1].effects


BEST_FIRST = ("redirect", "offer", "depends", "keep")


def _best_first(row: Row) -> tuple[bool, int]:
    """What goes before what stays, everything else last; otherwise as it is."""
    best = min(map(BEST_FIRST.index, row.effects))
    return row.thing == EVERYTHING_ELSE, best


def _looks(sockets: Sequence[PlannedSocket]) -> tuple[tuple[str, bool], ...]:
    """What a person can tell of sockets."""
    return tuple((one.label, one.speed.startswith("super")) for one in sockets)


def _picture(alike: Alike, words: Words) -> Quoted:
    return sheet_picture(alike, words) if alike.sockets else words.say("no_sockets")


def sheet_picture(alike: Alike, words: Words) -> Quoted:
    """The client with its sockets, numbered as in the table."""
    said = "; ".join(
        words.plain("socket_words").format(number=number, label=one.label)
        for number, one in enumerate(alike.sockets, 1)
    )
    alternative = words.plain("client_picture").format(client=alike.title, sockets=said)
    return client_picture(alike.title, alike.sockets, alternative, words.plain("fast"))


def _column(numbers: tuple[int, ...], words: Words) -> Quoted:
    if not numbers:
        return words.say("any_socket")
    slug = "one_socket" if len(numbers) == 1 else "many_sockets"
    return words.say(slug, numbers=words.listed(map(str, numbers)))


def _row(plan: Plan, row: Row, table: Table, words: Words) -> SheetRow:
    effects = tuple((str(effect), words.say(effect)) for effect in row.effects)
    alone = row.thing == EVERYTHING_ELSE and len(table.rows) == 1
    what = words.say("everything") if alone else thing_words(plan, row.thing, words)
    return SheetRow(what, effects)


def thing_words(plan: Plan, thing: Thing, words: Words) -> Quoted:
    """What people call a thing."""
    if thing.peripheral:
        return words.say("title", title=title_of(plan, thing.peripheral))
    if thing == EVERYTHING_ELSE:
        return words.say("everything_else")
    classes = words.listed(map(words.usb_class, thing.classes)) if thing.classes else ""
    if thing.vendor is None:
        return words.say("title", title=classes[:1].upper() + classes[1:])
    said = _id(plan, thing, words)
    if thing.version is not None:
        said = words.say("version", what=said, version=bcd_text(thing.version))
    return words.say("where_class", what=said, classes=classes) if classes else said


def _id(plan: Plan, thing: Thing, words: Words) -> Quoted:
    if thing.product is None:
        return words.say("vendor_number", vendor=f"{thing.vendor:04x}")
    for one in plan.peripherals.values():
        if (one.vendor, one.product) == (thing.vendor, thing.product):
            return words.say("title", title=title_of(plan, one.name))
    return words.say("device_number", id=id_words(thing.vendor, thing.product))


def title_of(plan: Plan, peripheral: str) -> str:
    """What people call a peripheral: its title, else its name with blanks; a capital first."""
    one = plan.peripherals[peripheral]
    title = one.title if one.title not in ("", one.name) else one.name.replace("-", " ")
    return title[:1].upper() + title[1:]
