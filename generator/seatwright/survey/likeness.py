"""Whether a client is like its model: what differs, in words, with what it would cost.

This file is copied to the seat as it is: standard library only.  The first thing that a run does
on a seat, the check at a seat's first boot and ``survey --diff`` all ask :func:`differences`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from seatwright.survey.seen import Look, SeenDevice
from seatwright.survey.ways import Way, ways
from seatwright.usb.portpath import PortPath, PortPathError, parse_port_path

CARRIED = {"network": "network adapter", "disk": "disk", "input": "keyboard or pointer"}
LOSS = {
    "network": "take the seat off the network, out of reach of everybody who could put it right",
    "disk": "take the disk away from under the running system",
    "input": "leave nobody at the seat able to type",
}


@dataclass(frozen=True, slots=True)
class ExpectedDevice:
    """An onboard device of the model; ``carries`` is "" where it carries nothing."""

    port: PortPath
    id: str
    carries: str

    @property
    def words(self) -> str:
        """``1209:0002, its network adapter``."""
        return f"{self.id}, its {CARRIED[self.carries]}" if self.carries in CARRIED else self.id


@dataclass(frozen=True, slots=True)
class ExpectedSocket:
    """A socket of the model."""

    label: str
    ports: tuple[PortPath, ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """What a model promises of its clients; ``network`` is usb or internal."""

    name: str
    network: str
    onboard: tuple[ExpectedDevice, ...]
    sockets: tuple[ExpectedSocket, ...]


@dataclass(frozen=True, slots=True)
class Unlike:
    """One difference: what is so, what it would cost, whether a run has to stop for it."""

    what: str
    cost: str
    stops: bool

    @property
    def sentence(self) -> str:
        """Both in one."""
        return f"{self.what} {self.cost}"


def expected_from(document: Mapping[str, Any]) -> Expected:
    """A model as the inventory writes it. Raises ValueError where it is none."""
    try:
        return Expected(
            name=str(document["name"]),
            network=str(document["network"]),
            onboard=tuple(
                ExpectedDevice(
                    parse_port_path(str(one["port"])), str(one["id"]), str(one.get("carries") or "")
                )
                for one in document["onboard"]
            ),
            sockets=tuple(
                ExpectedSocket(
                    str(one["label"]), tuple(parse_port_path(str(port)) for port in one["ports"])
                )
                for one in document["sockets"]
            ),
        )
    except (KeyError, TypeError, AttributeError, PortPathError) as error:
        raise ValueError(f"this is no model: {error}") from error


def differences(expected: Expected, look: Look) -> tuple[Unlike, ...]:
    """Everything in which the client is not like its model; () where it is like it."""
    return (
        *_onboard(expected, look),
        *_not_listed(expected, look),
        *_inside(expected, look),
        *_fixed(expected, look),
        *_sockets(expected, look),
    )


def _onboard(expected: Expected, look: Look) -> Iterator[Unlike]:
    """The devices of the model, each at its port path."""
    for device in expected.onboard:
        found = look.at(device.port)
        if found is None:
            yield _missing(expected, device, look)
        elif found.id != device.id:
            yield Unlike(
                f"At {device.port}, where {expected.name} has {device.words}, this client has "
                f"{calling_itself(found)}.",
                f"No rule by id protects {found.id}: a policy that redirects its kind can "
                f"{LOSS.get(device.carries, 'take a part of the client away')}.",
                stops=True,
            )


def _missing(expected: Expected, device: ExpectedDevice, look: Look) -> Unlike:
    what = f"At {device.port}, where {expected.name} has {device.words}, this client has nothing"
    elsewhere = [one for one in look.devices if one.id == device.id and one.port]
    others = {str(one.port) for one in expected.onboard if one.id == device.id}
    moved = [one for one in elsewhere if str(one.port) not in others]
    if moved:
        return Unlike(
            f"{what}; {device.id} is at {moved[0].port}.",
            "The session and the device nodes guard the wrong place: a policy can "
            f"{LOSS.get(device.carries, 'take a part of the client away')}.",
            stops=True,
        )
    if device.carries == "input":
        return Unlike(f"{what}.", "Perhaps it is only not plugged in.", stops=False)
    return Unlike(
        f"{what}.",
        "It is another kind of client, or this one is broken: what it has instead is "
        "protected by no rule.",
        stops=True,
    )


def _not_listed(expected: Expected, look: Look) -> Iterator[Unlike]:
    """What the client lives on and the model does not know."""
    known = {one.port for one in expected.onboard}
    told: set[tuple[PortPath, str]] = set()
    for way in ways(look).on_usb:
        if way.port in known or not way.sure or (way.port, way.carries) in told:
            continue
        told.add((way.port, way.carries))
        if way.carries != "input":
            yield Unlike(
                f"This client lives on {_named(look, way)}: {way.reason}. {expected.name} does not "
                f"have it among its onboard devices.",
                f"A policy can {LOSS[way.carries]}.",
                stops=True,
            )


def _named(look: Look, way: Way) -> str:
    found = look.at(way.port)
    return described(found) if found else f"what is at {way.port}"


def described(device: SeenDevice) -> str:
    """``1209:0003 "Reader" at 1-2``."""
    return f"{calling_itself(device)} at {device.port or device.name}"


def calling_itself(device: SeenDevice) -> str:
    """``1209:0003 "Reader"``; its own words are in quotes, for they prove nothing."""
    return f'{device.id} "{device.title}"' if device.title else device.id


def _inside(expected: Expected, look: Look) -> Iterator[Unlike]:
    """A model with its network on USB, and a client that reaches its host otherwise."""
    found = ways(look)
    over_usb = any(one.carries == "network" for one in found.on_usb)
    if expected.network == "usb" and found.inside and not over_usb:
        yield Unlike(
            f"{expected.name} has its network adapter on USB, and this client's network goes over "
            f"{found.inside[0]}, which is not.",
            "The model protects an adapter that this client does not use.",
            stops=False,
        )


def _fixed(expected: Expected, look: Look) -> Iterator[Unlike]:
    """What the firmware calls part of the client."""
    known = {one.port for one in expected.onboard}
    for device in look.devices:
        if device.port and device.removable == "fixed" and device.port not in known:
            yield Unlike(
                f"The firmware says that {described(device)} is part of the client, and "
                f"{expected.name} does not have it.",
                "A policy that redirects its kind takes it away from the client.",
                stops=False,
            )


def _sockets(expected: Expected, look: Look) -> Iterator[Unlike]:
    """Sockets whose port path cannot be, since the hub there has fewer ports or is none."""
    for socket in expected.sockets:
        missing = [str(port) for port in socket.ports if not _can_be(look, port)]
        if missing:
            yield Unlike(
                f'The socket "{socket.label}" of {expected.name} is at '
                f"{' and '.join(missing)}, and this client has no such port.",
                "What the policies say of that socket never holds here.",
                stops=False,
            )


def _can_be(look: Look, port: PortPath) -> bool:
    hub: SeenDevice | None
    if port.parent is None:
        hub = next((one for one in look.devices if one.name == f"usb{port.bus}"), None)
    else:
        hub = look.at(port.parent)
    return hub is not None and (hub.children == 0 or port.ports[-1] <= hub.children)


def like(found: Sequence[Unlike]) -> bool:
    """Whether a run may go on."""
    return not any(one.stops for one in found)
