"""What has to be true of a site as a whole: names, seats, sockets, hosts.

Works on the values that :mod:`seatwright.site.declare` reads, before they become a ``Site``, so
that it can speak even where some values are broken: those are passed over, their problem has
been reported.  Yields a problem for everything that is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from seatwright.findings.catalogue import BY_SLUG
from seatwright.findings.finding import SourcePath
from seatwright.findings.problem import Problem
from seatwright.findings.words import listed, nearest, shown
from seatwright.site.declare import BROKEN
from seatwright.site.lines import EVERYTHING
from seatwright.site.model_checks import model_problems
from seatwright.site.policy_checks import line_problems
from seatwright.usb.classes import BY_NAME

Values = Mapping[str, Any]

GROUPS = ("all", "ungrouped", "clients", "pilots", "others", "hypervisors", "localhost")
"""Names that the inventory (or Ansible itself) uses already."""


class Entry(NamedTuple):
    """One entry of a room's seats, with what it and its room say: one seat or a row of them."""

    room: str
    names: tuple[str, ...]
    model: Any
    policy: Any
    host: Any
    guest: Any
    path: SourcePath


def site_problems(values: Values, entries: list[Entry]) -> Iterator[Problem]:
    """Everything that is wrong with the site as a whole; ``entries`` as seat_entries has them."""
    for name, model in records(values["models"]):
        yield from model_problems(name, model)
    yield from line_problems(values)
    yield from peripheral_names(values["peripherals"])
    yield from seat_names(entries, values["hosts"])
    yield from guest_names(entries)
    yield from boards(values["rooms"])
    yield from empty_rooms(values["rooms"])
    yield from undecided_seats(entries)
    yield from policy_labels(entries, values)
    yield from promise_labels(entries, values)
    yield from display_ports(entries, values["hosts"])
    yield from fixed_severities(values.get("settings", BROKEN))
    yield from switches_in_a_ring(values["switches"])


def records(section: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """The records of a section that could be read as records."""
    for name, record in section.items():
        if record is not BROKEN:
            yield name, record


def seat_entries(rooms: Any) -> Iterator[Entry]:
    """Every entry of every room's seats."""
    for room_name, room in records(rooms):
        if room["seats"] is BROKEN:
            continue
        model, policy, host = room["model"], room["policy"], room["host"]
        for index, written in enumerate(room["seats"]):
            path = ("rooms", room_name, "seats", index)
            if isinstance(written, tuple):
                yield Entry(room_name, written, model, policy, host, None, path)
            elif written is not BROKEN and written["name"] is not BROKEN:
                yield Entry(
                    room_name,
                    (written["name"],),
                    model if written["model"] is None else written["model"],
                    policy if written["policy"] is None else written["policy"],
                    host if written["host"] is None else written["host"],
                    written["guest"],
                    path,
                )


def peripheral_names(peripherals: Any) -> Iterator[Problem]:
    """A policy line could not tell such a peripheral from the word it is named after."""
    for name in peripherals:
        if name in BY_NAME or name == EVERYTHING:
            message = f'A peripheral cannot be called "{name}": in a policy that word is taken.'
            hint = f'Say which one, as in "desk-{name}".'
            yield Problem("reserved-name", ("peripherals", name), message, hint, at_key=True)


def seat_names(entries: list[Entry], hosts: Any) -> Iterator[Problem]:
    """Seats and hosts are hosts to Ansible: one name each, and none of a group's."""
    first: dict[str, SourcePath] = {name: ("hosts", name) for name in hosts}
    for name in hosts:
        if name in GROUPS:
            yield reserved(name, ("hosts", name))
    for entry in entries:
        twice: dict[SourcePath, list[str]] = {}
        for name in entry.names:
            if name in GROUPS:
                yield reserved(name, entry.path)
            other = first.setdefault(name, entry.path)
            if other is not entry.path:
                twice.setdefault(other, []).append(name)
        for other, names in twice.items():
            yield same_name(names, entry.path, other)


def same_name(names: list[str], path: SourcePath, other: SourcePath) -> Problem:
    """Seats whose name another seat or a host has."""
    what = "a host" if other[0] == "hosts" else "another seat"
    more = f" (and {len(names) - 1} more of this row)" if len(names) > 1 else ""
    message = f'The seat "{names[0]}"{more} has the name of {what}.'
    return Problem(
        "duplicate-name",
        path,
        message,
        "Seats and hosts need one name each, over all rooms.",
        also=((other, "the other one"),),
    )


def reserved(name: str, path: SourcePath) -> Problem:
    """A seat or host named like a group."""
    hint = f"The names {listed(GROUPS, 'and')} stand for groups of the inventory."
    return Problem("reserved-name", path, f'"{name}" already has a meaning in Ansible.', hint)


def boards(rooms: Any) -> Iterator[Problem]:
    """A new card knows its seat by the board: no two seats can have the same."""
    first: dict[str, SourcePath] = {}
    for room_name, room in records(rooms):
        for index, written in enumerate(() if room["seats"] is BROKEN else room["seats"]):
            if isinstance(written, tuple) or written is BROKEN:
                continue
            path = ("rooms", room_name, "seats", index)
            for key in ("serial", "mac"):
                known = written[key]
                if known is None or known is BROKEN:
                    continue
                other = first.setdefault(known, path)
                if other is not path:
                    yield Problem(
                        "duplicate-board",
                        (*path, key),
                        f"Another seat has the board {known}, too.",
                        "A new card could be either seat; correct one of them.",
                        also=((other, "the other one"),),
                    )


def guest_names(entries: list[Entry]) -> Iterator[Problem]:
    """A guest can show at one seat only."""
    first: dict[str, tuple[str, SourcePath]] = {}
    for entry in entries:
        if entry.guest is BROKEN:
            continue
        for name in entry.names:
            guest = entry.guest or name
            seat, path = first.setdefault(guest, (name, entry.path))
            if path is not entry.path and seat != name:
                message = f'The guest "{guest}" shows at the seats "{seat}" and "{name}".'
                hint = "Give each seat a guest of its own; without guest: it has the seat's name."
                also = ((path, "the other one"),)
                yield Problem("duplicate-guest", entry.path, message, hint, also=also)


def empty_rooms(rooms: Any) -> Iterator[Problem]:
    """Legal (a room being built), but worth saying."""
    for name, room in records(rooms):
        if room["seats"] == ():
            message = f'The room "{name}" has no seats: nothing is rendered for it.'
            yield Problem(
                "room-without-seats", ("rooms", name), message, "Add seats: […].", at_key=True
            )


def undecided_seats(entries: list[Entry]) -> Iterator[Problem]:
    """A seat needs a model and a host, from its room or of its own; one finding for a room."""
    told = set()
    for entry in entries:
        for key, value in (("model", entry.model), ("host", entry.host)):
            if value is None and (key, entry.room) not in told:
                told.add((key, entry.room))
                message = f'The seat "{entry.names[0]}" has no {key}, and neither has its room.'
                hint = f'Add {key}: to the room "{entry.room}" or to the seat.'
                also = ((("rooms", entry.room), "the room"),)
                yield Problem(f"seat-without-{key}", entry.path, message, hint, also=also)


def policy_labels(entries: list[Entry], values: Values) -> Iterator[Problem]:
    """Every socket that a policy has lines for exists on every model it is used with."""
    used: dict[tuple[str, str], Entry] = {}
    for entry in entries:
        if isinstance(entry.policy, str) and isinstance(entry.model, str):
            used.setdefault((entry.policy, entry.model), entry)
    for (policy_name, model_name), entry in used.items():
        policy = values["policies"].get(policy_name, BROKEN)
        labels = model_labels(values, model_name)
        if policy is BROKEN or policy["sockets"] is BROKEN or labels is None:
            continue
        for label in policy["sockets"]:
            if label not in labels:
                message = (
                    f'The policy "{policy_name}" has lines for the socket {shown(label)}; the '
                    f'model "{model_name}" of the seat "{entry.names[0]}" has none of that label.'
                )
                path = ("policies", policy_name, "sockets", label)
                also = ((("models", model_name), "the model"), (entry.path, "the seat"))
                yield Problem(
                    "label-not-in-model",
                    path,
                    message,
                    label_hint(label, labels),
                    also,
                    at_key=True,
                )


def promise_labels(entries: list[Entry], values: Values) -> Iterator[Problem]:
    """The socket that a promise names exists on every model it speaks of."""
    scopes = Scopes(entries)
    for index, promise in enumerate(values["promises"]):
        if promise is BROKEN or not isinstance(promise["socket"], str):
            continue
        label = promise["socket"]
        for model_name, entry in scopes.models_of(promise).items():
            labels = model_labels(values, model_name)
            if labels is None or label in labels:
                continue
            message = (
                f"This promise speaks of the socket {shown(label)}; the model "
                f'"{model_name}" of the seat "{entry.names[0]}" has none of that label.'
            )
            path = ("promises", index, "socket")
            also = ((("models", model_name), "the model"), (entry.path, "the seat"))
            yield Problem("label-not-in-model", path, message, label_hint(label, labels), also)


class Scopes:
    """The models that a promise can speak of, each with an entry that has it."""

    def __init__(self, entries: list[Entry]) -> None:
        self._site: dict[str, Entry] = {}
        self._rooms: dict[str, dict[str, Entry]] = {}
        self._seats: dict[str, dict[str, Entry]] = {}
        for entry in entries:
            if isinstance(entry.model, str):
                self._site.setdefault(entry.model, entry)
                self._rooms.setdefault(entry.room, {}).setdefault(entry.model, entry)
                self._seats.update({name: {entry.model: entry} for name in entry.names})

    def models_of(self, promise: Values) -> dict[str, Entry]:
        """The models of the seats that the promise is about."""
        if promise["seat"] is not None:
            return self._seats.get(promise["seat"], {})
        if promise["room"] is not None:
            return self._rooms.get(promise["room"], {})
        return self._site


def model_labels(values: Values, name: str) -> tuple[str, ...] | None:
    """The labels of a model's sockets; None where the model cannot be spoken of."""
    model = values["models"].get(name, BROKEN)
    if model is BROKEN or model["sockets"] is BROKEN:
        return None
    if any(socket is BROKEN or socket["label"] is BROKEN for socket in model["sockets"]):
        return None
    return tuple(socket["label"] for socket in model["sockets"])


def label_hint(label: str, labels: tuple[str, ...]) -> str:
    """The label that was meant, or those there are."""
    near = nearest(label, labels)
    if near:
        return f"Did you mean {shown(near)}?"
    if not labels:
        return "The model has no sockets at all; describe them."
    return f"Its sockets are {listed(map(shown, labels), 'and')}."


def display_ports(entries: list[Entry], hosts: Any) -> Iterator[Problem]:
    """Each guest needs a port for its display."""
    counts: dict[str, int] = {}
    for entry in entries:
        if isinstance(entry.host, str):
            counts[entry.host] = counts.get(entry.host, 0) + len(entry.names)
    for name, host in records(hosts):
        if host["spice-ports"] is BROKEN:
            continue
        first, last = host["spice-ports"]
        there = last - first + 1
        if counts.get(name, 0) > there:
            message = (
                f'The host "{name}" runs {counts[name]} guests and has {there} ports '
                f"({first} to {last}) for their displays."
            )
            path = ("hosts", name, "spice-ports")
            yield Problem("too-few-spice-ports", path, message, "Make the range of ports wider.")


def switches_in_a_ring(switches: Any) -> Iterator[Problem]:
    """Going from a switch to the one it is behind comes to an end; one finding for each ring."""
    behind = {name: switch["behind"] for name, switch in records(switches)}
    said: set[str] = set()
    for name in behind:
        way = [name]
        while (further := behind.get(way[-1])) in behind and further not in way:
            way.append(further)
        if further in way and not said.intersection(ring := way[way.index(further) :]):
            said.update(ring)
            message = f"Going up from {listed(ring, 'and')} comes back to {ring[0]}."
            hint = "Leave behind: out at the switch that is next to the rest of the network."
            yield Problem("switches-in-a-ring", ("switches", ring[0], "behind"), message, hint)


def fixed_severities(settings: Any) -> Iterator[Problem]:
    """An error of form or reading stays an error: without it mended there is no plan."""
    chosen = BROKEN if settings is BROKEN else settings["findings"]
    if chosen is BROKEN:
        return
    for slug in chosen:
        if slug in BY_SLUG and not BY_SLUG[slug].settable:
            path = ("settings", "findings", slug)
            message = f'The finding "{slug}" is always {an(BY_SLUG[slug].severity)}.'
            hint = "Take this line out, and mend what the finding names."
            yield Problem("fixed-severity", path, message, hint, at_key=True)


def an(word: str) -> str:
    """The word with its article."""
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"
