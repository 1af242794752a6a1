"""Port paths as the kernel writes them: ``2-3.4.2`` is bus 2, root port 3, then ports 4 and 2.

Sources: Linux Documentation/ABI/testing/sysfs-bus-usb; drivers/usb/core (USB_MAXBUS 64 with
numbers from 1, USB_MAXCHILDREN 31); USB 2.0, 4.1.1: seven tiers with the root hub, so a path has
at most six ports.  This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

HIGHEST_BUS = 63
HIGHEST_PORT = 31
MOST_PORTS = 6
"""Tiers below the root hub."""

_FORM = re.compile(r"([0-9]+)-([0-9]+(?:\.[0-9]+)*)")


class PortPathError(ValueError):
    """A text that is no port path: ``offset`` counts characters from 0."""

    def __init__(self, message: str, *, offset: int = 0, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.offset = offset
        self.hint = hint


@dataclass(frozen=True, slots=True, order=True)
class PortPath:
    """A place in the USB tree. Sorts by bus, then port by port, a hub before what is behind it."""

    bus: int
    ports: tuple[int, ...]

    def __str__(self) -> str:
        return f"{self.bus}-{'.'.join(str(port) for port in self.ports)}"

    @property
    def parent(self) -> PortPath | None:
        """The hub that this place is a port of; None where that is the root hub."""
        return PortPath(self.bus, self.ports[:-1]) if len(self.ports) > 1 else None

    @property
    def tier(self) -> int:
        """USB 2.0's tier of a device here: 2 at a root port, 7 at the deepest."""
        return len(self.ports) + 1

    def covers(self, other: PortPath) -> bool:
        """Whether ``other`` is this place or lies behind it (an external hub in a socket)."""
        return self.bus == other.bus and other.ports[: len(self.ports)] == self.ports


def parse_port_path(text: str) -> PortPath:
    """The path that ``text`` writes; PortPathError for anything the kernel would not write."""
    form = _FORM.fullmatch(text) if text.isascii() else None
    if form is None:
        raise PortPathError(
            f"{text[:40]!a} is no port path",
            hint='write bus-port or bus-port.port…, as the kernel does: "1-2" or "2-3.4.2"',
        )
    bus = _number(form[1], 0, "bus", HIGHEST_BUS)
    ports = []
    offset = form.start(2)
    for part in form[2].split("."):
        ports.append(_number(part, offset, "port", HIGHEST_PORT))
        offset += len(part) + 1
    if len(ports) > MOST_PORTS:
        raise PortPathError(
            f"{text[:40]} is {len(ports)} ports deep, USB has {MOST_PORTS} below the root hub",
            offset=form.start(2),
            hint="each external hub adds one port to the path",
        )
    return PortPath(bus, tuple(ports))


def _number(text: str, offset: int, name: str, highest: int) -> int:
    if text[0] == "0":
        wrong = f"{name} numbers begin at 1 and have no leading 0"
    elif len(text) > len(str(highest)) or int(text) > highest:
        wrong = f"{name} numbers end at {highest}"
    else:
        return int(text)
    raise PortPathError(
        f"{name} {text[:40]} does not exist: {wrong}",
        offset=offset,
        hint="see the directory names below /sys/bus/usb/devices on the client",
    )


def covers(outer: str, inner: str) -> bool:
    """:meth:`PortPath.covers` for two texts; PortPathError where one is no path."""
    return parse_port_path(outer).covers(parse_port_path(inner))


def longest_cover(path: PortPath, candidates: Iterable[PortPath]) -> PortPath | None:
    """The most specific candidate that covers ``path``: of two sockets, the one further down."""
    covering = [candidate for candidate in candidates if candidate.covers(path)]
    return max(covering, key=lambda candidate: len(candidate.ports), default=None)


def sort_port_paths(paths: Iterable[str]) -> list[str]:
    """Texts in the order of the tree (``2-3`` before ``2-3.4`` before ``2-10``)."""
    return sorted(paths, key=parse_port_path)
