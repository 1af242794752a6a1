"""Numbers that are given once and kept: of seats, and the TCP ports of guests' displays.

They are kept in ``allocations.yml`` beside the site, so that adding a seat renumbers nobody.
A number whose seat or guest is gone is retired: it comes back to the same name, and goes to
another one only where nothing else is left.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from yaml.nodes import Node

from seatwright.findings.finding import Finding
from seatwright.site.compose import compose_file, shown_path
from seatwright.site.declare import BROKEN, Integer, Key, MapOf, Name, Record
from seatwright.site.kind import NodeProblem, Report
from seatwright.site.lines import Version
from seatwright.site.places import Sources, at_node
from seatwright.whole import write_whole

Numbers = Mapping[str, int]
"""A number for each name."""

NONE: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Allocations:
    """``seats`` by seat name from 1; ``spice_ports`` by host, then guest, each a TCP port."""

    seats: Numbers = field(default_factory=dict)
    spice_ports: Mapping[str, Numbers] = field(default_factory=dict)
    retired_seats: Numbers = field(default_factory=dict)
    retired_ports: Mapping[str, Numbers] = field(default_factory=dict)


HEAD = """\
# Kept by seatwright and committed with the site: numbers that are given once.
#
# A seat's number and the TCP port of its guest's display stay what they are when seats come and
# go, so that nothing is renumbered. What is gone is retired: its number comes back to the same
# name, and goes to another one only where nothing else is left. Take a line out of "retired" to
# set its number free. By hand, change nothing else here.

"""

FILE_NAME = "allocations.yml"
VERSION = 1

NUMBER = Integer(1, 1_000_000)
PORT = Integer(1, 65535)
SEATS = Key("seats", MapOf(NUMBER, Name(), "numbers of seats"), "Seat numbers.", default={})
PORTS = Key(
    "spice-ports",
    MapOf(MapOf(PORT, Name(), "ports of guests"), Name(), "ports by host"),
    "Display ports by host and guest.",
    default={},
)
RETIRED = Record("the retired numbers", SEATS, PORTS)
FILE = Record(
    "the file of allocations",
    Key("allocations", Version(VERSION), "Version of this file: 1.", required=True),
    SEATS,
    PORTS,
    Key("retired", RETIRED, "Numbers whose name is gone.", default=RETIRED.defaults()),
)


@dataclass(frozen=True, slots=True)
class AllocationsReading:
    """What became of the file; ``allocations`` is None where something in it is wrong."""

    allocations: Allocations | None
    findings: tuple[Finding, ...]
    sources: Sources


def read_allocations(path: Path) -> AllocationsReading:
    """Read the file at ``path``; a file that does not exist holds no numbers yet."""
    if not os.path.lexists(path):
        return AllocationsReading(Allocations(), (), Sources({}))
    composed = compose_file(path, shown_path(path))
    report = Report()
    values = FILE.read(composed.root, report) if composed.root is not None else BROKEN
    if isinstance(values, dict) and composed.root is not None:
        for problem in given_twice(composed.root, values):
            report.problems.append(problem)
    wrong = [*composed.findings, *(at_node(problem) for problem in report.problems)]
    findings = tuple(sorted(wrong, key=lambda one: one.place))
    allocations = None if findings or not isinstance(values, dict) else allocations_of(values)
    return AllocationsReading(allocations, findings, Sources({composed.name: composed.text}))


def allocations_of(values: Mapping[str, Any]) -> Allocations:
    """The values of a file without problems."""
    retired = values["retired"]
    return Allocations(
        values["seats"], values["spice-ports"], retired["seats"], retired["spice-ports"]
    )


def given_twice(root: Node, values: Mapping[str, Any]) -> Iterator[NodeProblem]:
    """Numbers that two names have; only among those that are in use."""
    for path, numbers in used_numbers(values):
        first: dict[int, str] = {}
        for name, number in numbers.items():
            other = first.setdefault(number, name) if isinstance(number, int) else name
            if other == name:
                continue
            message = f'The number {number} of "{name}" is given to "{other}" already.'
            hint = "Take the line of one of them out; it is given a new number."
            also = ((node_at(root, (*path, other)), "given here"),)
            node = node_at(root, (*path, name))
            yield NodeProblem("number-given-twice", node, message, hint, also)


def used_numbers(values: Mapping[str, Any]) -> Iterator[tuple[tuple[str, ...], Numbers]]:
    """Each set of numbers that has to be without doubles, with its path."""
    if isinstance(values["seats"], dict):
        yield ("seats",), values["seats"]
    if isinstance(values["spice-ports"], dict):
        for host, ports in values["spice-ports"].items():
            if isinstance(ports, dict):
                yield ("spice-ports", host), ports


def node_at(root: Node, path: tuple[str, ...]) -> Node:
    """The node of a value by the keys that lead to it."""
    for part in path:
        root = next(value for key, value in root.value if key.value == part)
    return root


def format_allocations(allocations: Allocations) -> str:
    """The file's text: names in the order of their numbers, so that a new seat is a new line."""
    lines = [HEAD, f"allocations: {VERSION}\n"]
    lines += section("seats", allocations.seats, "")
    lines += ports_section(allocations.spice_ports, "")
    if allocations.retired_seats or any(allocations.retired_ports.values()):
        lines.append("retired:\n")
        lines += section("seats", allocations.retired_seats, "  ")
        lines += ports_section(allocations.retired_ports, "  ")
    return "".join(lines)


def section(title: str, numbers: Numbers, indent: str) -> Iterator[str]:
    """``title:`` and a line for each name; nothing where there are none."""
    if numbers:
        yield f"{indent}{title}:\n"
        for name, number in sorted(numbers.items(), key=lambda item: (item[1], item[0])):
            yield f"{indent}  {quoted(name)}: {number}\n"


def ports_section(ports: Mapping[str, Numbers], indent: str) -> Iterator[str]:
    """The ports of every host that has some."""
    hosts = {host: numbers for host, numbers in ports.items() if numbers}
    if hosts:
        yield f"{indent}spice-ports:\n"
        for host in sorted(hosts):
            yield from section(quoted(host), hosts[host], f"{indent}  ")


TAKEN_WORDS = frozenset(("true", "false", "yes", "no", "on", "off", "y", "n", "null"))
"""Names that other YAML programs take for something else."""


def quoted(name: str) -> str:
    """A name so that every YAML program takes it for text; names hold no quotes."""
    return name if name[0].isalpha() and name not in TAKEN_WORDS else f'"{name}"'


def write_allocations(path: Path, allocations: Allocations) -> bool:
    """Write the file where it is not like that already; old or new, never half. Raises OSError.

    Returns whether it was written.
    """
    data = format_allocations(allocations).encode()
    try:
        if path.read_bytes() == data:
            return False
    except FileNotFoundError:
        pass
    write_whole(path, data)
    return True
