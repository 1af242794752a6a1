"""A walk through the sockets of a client: plug something in, name the socket, go on.

What appears where tells the port path, behind hubs too.  A socket for USB 3 has two, one on a bus
of each kind: the kernel mostly knows both halves; where it does not, the walk asks for a second
device of the other kind.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from seatwright.findings.words import printable
from seatwright.site.kind import Misread
from seatwright.site.scalars import Text
from seatwright.survey.model import WalkedSocket, halves_of, speed_name, speed_of
from seatwright.survey.seen import Look, SeenDevice
from seatwright.usb.portpath import PortPath

PATIENCE = 20
"""Looks until something has to have come or gone: ten seconds and more."""

NEXT = "Plug a drive into the next socket, then press Enter; type q when that was all."

FAST = "super"
"""The speed of the faster kind of bus."""


class Talk(Protocol):
    """The person at the terminal, and the client as it is now."""

    def tell(self, text: str) -> None:
        """Say something."""
        ...

    def ask(self, text: str) -> str:
        """Ask for a line; "" where the person just goes on. Raises EOFError at the end."""
        ...

    def look(self) -> Look:
        """A look, a moment later than the last one."""
        ...


@dataclass(frozen=True, slots=True)
class Walk:
    """What was found: sockets with their labels, and the last look with all taken out."""

    sockets: tuple[WalkedSocket, ...]
    bare: Look


def walk(talk: Talk) -> Walk:
    """Ask for socket after socket until the person says that it is all."""
    talk.ask("Take out everything that can be taken out, then press Enter.")
    bare = talk.look()
    sockets: list[WalkedSocket] = []
    while talk.ask(NEXT).strip().lower() not in ("q", "quit"):
        look = until(talk, bare, bool)
        if look is None:
            talk.tell("Nothing appeared. Is it something that this client takes?")
            continue
        _visit(talk, bare, look, sockets)
        talk.tell("Take it out again.")
        while until(talk, bare, lambda came: not came) is None:
            talk.ask("It is still there. Take it out, then press Enter.")
    return Walk(tuple(sockets), bare)


def _visit(talk: Talk, bare: Look, look: Look, sockets: list[WalkedSocket]) -> None:
    """Add the socket that something was plugged into, unless it is there already."""
    found = arrived(bare, look)
    if taken := _label_at(sockets, found[0].port):
        talk.tell(f"That is {_quoted(taken)} again, at {found[0].port}.")
    elif len(found) > 1:
        places = ", ".join(str(one.port) for one in found)
        talk.tell(f"Several devices appeared, at {places}. Plug in one at a time.")
    else:
        sockets.append(_socket(talk, bare, look, found[0], sockets))


def until(
    talk: Talk, bare: Look, wanted: Callable[[list[SeenDevice]], bool], patience: int = PATIENCE
) -> Look | None:
    """The first look, confirmed by the next, at which what came is as wanted; None: never."""
    before: Look | None = None
    for _ in range(patience):
        look = talk.look()
        if not wanted(arrived(bare, look)):
            before = None
        elif before is not None and _names(before) == _names(look):
            return look
        else:
            before = look
    return None


def arrived(bare: Look, look: Look) -> list[SeenDevice]:
    """What came, where it was plugged in: not what hangs on a hub that came as well."""
    before = {(one.port, one.id) for one in bare.devices}
    came = [one for one in look.devices if one.port and (one.port, one.id) not in before]
    return [one for one in came if not _behind(one.port, came)]


def _behind(port: PortPath | None, others: Sequence[SeenDevice]) -> bool:
    return any(port and one.port and one.port != port and one.port.covers(port) for one in others)


def _names(look: Look) -> Mapping[str, str]:
    return {one.name: one.id for one in look.devices}


def _label_at(sockets: Sequence[WalkedSocket], port: PortPath | None) -> str:
    return next((one.label for one in sockets if port in one.ports), "")


def _socket(
    talk: Talk, bare: Look, look: Look, found: SeenDevice, sockets: Sequence[WalkedSocket]
) -> WalkedSocket:
    """The socket that a device appeared in, by the label that the person gives."""
    ports = halves_of(look, found.port) if found.port else ()
    talk.tell(f"{found.id} at {' and '.join(map(str, ports))}, {found.speed or 'unknown'} Mb/s.")
    if len(ports) == 1 and any(speed_name(one.speed) == FAST for one in bare.devices):
        ports += _other_half(talk, bare, ports, fast=speed_name(found.speed) == FAST)
    label = _label(talk, sockets)
    ordered = tuple(sorted(ports))
    return WalkedSocket(label, ordered, speed_of(look, ordered))


def _other_half(
    talk: Talk, bare: Look, ports: Sequence[PortPath], *, fast: bool
) -> tuple[PortPath, ...]:
    """The half on the other kind of bus, found with a second device; () where there is none."""
    kind = "USB 2 device (a mouse, say)" if fast else "USB 3 device"
    question = (
        f"If this socket is one for USB 3, put a {kind} in it instead, then type y; "
        "just Enter where it is not, or where you have none."
    )
    if talk.ask(question).strip().lower() not in ("y", "yes"):
        return ()
    look = until(talk, bare, lambda came: any(one.port not in ports for one in came))
    others = [one.port for one in arrived(bare, look) if one.port not in ports] if look else []
    if len(others) == 1 and others[0]:
        talk.tell(f"Its other half is {others[0]}.")
        return (others[0],)
    talk.tell("No other half was seen.")
    return ()


def _label(talk: Talk, sockets: Sequence[WalkedSocket]) -> str:
    """Words for a socket that a site can have, and that no other socket has."""
    while True:
        text = talk.ask("What do people call this socket?").strip()
        try:
            label = Text().parse(text)
        except Misread as misread:
            talk.tell(f"{misread.message} {misread.hint}")
            continue
        if all(one.label != label for one in sockets):
            return label
        talk.tell(f"There is a socket called {_quoted(label)} already.")


def _quoted(text: str) -> str:
    return f'"{printable(text)}"'
