"""What has to be true of one model and one policy: port paths, hubs, labels, lines of one rank."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from seatwright.findings.finding import SourcePath
from seatwright.findings.problem import Problem
from seatwright.findings.words import shown
from seatwright.site.declare import BROKEN, broken
from seatwright.usb.classes import HUB
from seatwright.usb.portpath import PortPath, parse_port_path


@dataclass(frozen=True, slots=True)
class Spot:
    """A port path of a model, and what is there."""

    port: PortPath
    what: str
    path: SourcePath


def model_problems(name: str, model: Mapping[str, Any]) -> Iterator[Problem]:
    """Everything that is wrong with one model by itself."""
    path: SourcePath = ("models", name)
    onboard = readable(model["onboard"])
    sockets = readable(model["sockets"])
    yield from network_adapter(name, model)
    yield from ports_taken_twice(path, onboard, sockets)
    yield from hubs_not_listed(path, onboard, sockets)
    yield from labels_given_twice(path, sockets)


def readable(entries: Any) -> list[tuple[int, Mapping[str, Any]]]:
    """The entries that could be read as a whole, with their index."""
    if entries is BROKEN:
        return []
    return [(index, entry) for index, entry in enumerate(entries) if not broken(entry)]


def network_adapter(name: str, model: Mapping[str, Any]) -> Iterator[Problem]:
    """A client whose network hangs on USB must have said which device that is."""
    onboard = model["onboard"]
    if model["network"] != "usb" or broken(onboard):
        return
    if any(device["carries"] == "network" for device in onboard):
        return
    message = (
        f'The model "{name}" has its network adapter on USB, and no onboard device carries it: '
        "a policy could redirect it and take every seat of this model off the network."
    )
    hint = (
        "Add it below onboard: with carries: network (lsusb -t on the client shows it), or say "
        "network: internal where it is not on USB."
    )
    yield Problem("no-network-adapter", ("models", name), message, hint, at_key=True)


Entries = list[tuple[int, Mapping[str, Any]]]


def spots(path: SourcePath, onboard: Entries, sockets: Entries) -> Iterator[Spot]:
    """Every port path of the model."""
    for index, device in onboard:
        place = (*path, "onboard", index, "port")
        yield Spot(parse_port_path(device["port"]), "an onboard device", place)
    for index, socket in sockets:
        for port in socket_ports(socket):
            place = (*path, "sockets", index, "port")
            what = f"the socket {shown(socket['label'])}"
            yield Spot(parse_port_path(port), what, place)


def socket_ports(socket: Mapping[str, Any]) -> tuple[str, ...]:
    """The port paths of a socket, however they are written."""
    port = socket["port"]
    return port if isinstance(port, tuple) else (port,)


def ports_taken_twice(path: SourcePath, onboard: Entries, sockets: Entries) -> Iterator[Problem]:
    """One thing can be at one port path."""
    first: dict[PortPath, Spot] = {}
    for spot in spots(path, onboard, sockets):
        other = first.setdefault(spot.port, spot)
        if other is not spot:
            message = f"At the port path {spot.port} is {other.what} already."
            hint = "Look at lsusb -t on the client for what is where."
            also = ((other.path, "the other one"),)
            yield Problem("duplicate-port", spot.path, message, hint, also)


def hubs_not_listed(path: SourcePath, onboard: Entries, sockets: Entries) -> Iterator[Problem]:
    """Whatever is behind another port is behind a hub, and that hub is onboard."""
    known = {parse_port_path(device["port"]): (index, device) for index, device in onboard}
    for spot in spots(path, onboard, sockets):
        parent = spot.port.parent
        if parent is None:
            continue
        if parent not in known:
            message = f"{spot.port} is a port of a hub at {parent}, and no onboard device is there."
            hint = (
                f'Add {{port: "{parent}", id: …, class: hub}} to onboard: the client lives on it.'
            )
            yield Problem("hub-not-listed", spot.path, message, hint)
            continue
        index, device = known[parent]
        if device["class"] not in (None, HUB):
            message = f"{spot.port} is a port of the device at {parent}, which is not a hub."
            also = (((*path, "onboard", index), "the device"),)
            hint = "Correct the port path, or the class of the device that it names."
            yield Problem("hub-not-listed", spot.path, message, hint, also)


def labels_given_twice(path: SourcePath, sockets: Entries) -> Iterator[Problem]:
    """People and policies know a socket by its label."""
    first: dict[str, SourcePath] = {}
    for index, socket in sockets:
        place = (*path, "sockets", index, "label")
        other = first.setdefault(socket["label"], place)
        if other is not place:
            message = f"Two sockets of this model have the label {shown(socket['label'])}."
            hint = "Give each words of its own; where it is one socket with two port paths, "
            hint += 'write port: ["1-2", "2-2"].'
            also = ((other, "the other one"),)
            yield Problem("duplicate-label", place, message, hint, also)
