"""Seat numbers and the TCP ports of guests' displays, given once and kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.site.allocations import NONE, Allocations, Numbers
from seatwright.site.types import Host

SHOWN = 3
"""Guests that a message names before it counts the rest."""


@dataclass(frozen=True, slots=True)
class Given:
    """Numbers by name in the order asked for, retired ones, and names that got none."""

    numbers: dict[str, int]
    retired: dict[str, int]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Allocated:
    """The numbers after this run, and what there is to say about them."""

    allocations: Allocations
    problems: tuple[Problem, ...]


def allocate(
    seats: Sequence[str],
    guests: Mapping[str, Sequence[str]],
    hosts: Mapping[str, Host],
    before: Allocations,
) -> Allocated:
    """Numbers for seats, and for guests by host; what was given before stays."""
    numbers = give(seats, before.seats, before.retired_seats, None)
    ports = {
        name: give(
            guests.get(name, ()),
            before.spice_ports.get(name, NONE),
            before.retired_ports.get(name, NONE),
            _range(hosts.get(name)),
        )
        for name in {**hosts, **before.spice_ports, **before.retired_ports}
    }
    after = Allocations(
        numbers.numbers,
        {name: given.numbers for name, given in ports.items() if given.numbers},
        numbers.retired,
        {name: given.retired for name, given in ports.items() if given.retired},
    )
    problems = [one for host in hosts.values() for one in _problems(host, ports[host.name])]
    return Allocated(after, tuple(problems))


def _range(host: Host | None) -> range:
    """The TCP ports of a host; none of a host that is gone, which needs none."""
    return range(host.spice_ports[0], host.spice_ports[1] + 1) if host else range(0)


def _problems(host: Host, given: Given) -> Iterator[Problem]:
    first, last = host.spice_ports
    path = (*host.path, "spice-ports")
    if given.missing:
        yield Problem(
            "too-few-spice-ports",
            path,
            f"The ports {first} to {last} of {host.name} are taken, "
            f"and {_some(given.missing)} still need one.",
            "Widen the range.",
        )
    outside = [name for name, port in given.numbers.items() if port not in _range(host)]
    if outside:
        yield Problem(
            "spice-port-outside-range",
            path,
            f"allocations.yml gives {_some(outside)} a port outside of {first} to {last}.",
            "Widen the range, or delete those lines in allocations.yml to have new ports given.",
        )


def _some(guests: Sequence[str]) -> str:
    shown = [*guests[:SHOWN]]
    if len(guests) > SHOWN:
        shown.append(f"{len(guests) - SHOWN} more")
    return listed(shown, "and")


def give(names: Sequence[str], used: Numbers, retired: Numbers, supply: range | None) -> Given:
    """A number for each name; without ``supply`` they are endless, from 1, and never come again.

    A name that has one keeps it, and one that had one gets it back.  The others get, in their
    order, the lowest that nobody ever had, then the lowest retired one.
    """
    taken = set(used.values())
    back = {name: number for name, number in retired.items() if number not in taken}
    known = {**back, **used}
    numbers = {name: known[name] for name in names if name in known}
    gone = {name: number for name, number in known.items() if name not in numbers}
    free = _free(set(known.values()), gone, supply)
    for name in names:
        if name not in numbers and (number := next(free, None)) is not None:
            numbers[name] = number
    taken = set(numbers.values())
    return Given(
        {name: numbers[name] for name in names if name in numbers},
        {name: number for name, number in gone.items() if number not in taken},
        tuple(name for name in names if name not in numbers),
    )


def _free(had: set[int], gone: Numbers, supply: range | None) -> Iterator[int]:
    """Numbers that nobody had, then those whose names are gone."""
    if supply is None:
        return (number for number in count(1) if number not in had)
    never_had = (number for number in supply if number not in had)
    return chain(never_had, sorted(number for number in gone.values() if number in supply))
