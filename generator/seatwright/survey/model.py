"""A model from what was seen: YAML of the site description that reads back without findings."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from seatwright.render.quote import yaml_comment, yaml_string
from seatwright.site.scalars import TEXT_LENGTH
from seatwright.survey.onboard import Knowledge, Standing, networked, standings
from seatwright.survey.seen import Look, SeenDevice, SeenPort
from seatwright.usb.classes import MISCELLANEOUS, PER_INTERFACE, class_name
from seatwright.usb.portpath import PortPath

HEAD = """\
# A model, as a survey of one client found it. "decide" marks what only a person can say.
"""
ARCHES = ("arm64", "amd64", "armhf")
UNKNOWN_LINK = 100
"""Mb/s that are written where the adapter does not say: what every wired adapter can."""
HOTPLUG = "hotplug"
"""What the firmware says of a port that people can reach."""


@dataclass(frozen=True, slots=True)
class WalkedSocket:
    """A socket that somebody walked to and named."""

    label: str
    ports: tuple[PortPath, ...]
    speed: str


def model_text(name: str, known: Knowledge, sockets: Sequence[WalkedSocket] = ()) -> str:
    """A further file of a site with one model in it."""
    lines = [*_head(name, known), *_onboard(known), *_sockets(known, sockets)]
    return HEAD + "\nmodels:\n" + "".join(f"  {line}\n" for line in lines)


def _head(name: str, known: Knowledge) -> Iterator[str]:
    look = known.look
    yield f"{name}:"
    if title := look.machine[:TEXT_LENGTH].strip():
        yield f"  title: {yaml_string(title)}"
    known_arch = look.arch in ARCHES
    yield f"  arch: {look.arch if known_arch else ARCHES[0]}{_decide('', not known_arch)}"
    yield f"  link: {_link(known)}"
    network, sure = networked(known)
    yield f"  network: {network}{_decide('no route told', not sure)}"
    for lost in known.ways.lost:
        yield f"  # decide: {yaml_comment(lost)}"


def _decide(why: str, wanted: bool) -> str:
    return f"    # decide{': ' if why else ''}{why}" if wanted else ""


def _link(known: Knowledge) -> str:
    """The rate of the first adapter on the way that has one."""
    names = set(known.ways.inside)
    ports = {one.port for one in known.ways.on_usb if one.carries == "network"}
    for adapter in known.look.adapters.values():
        if adapter.speed and (adapter.name in names or adapter.port in ports):
            rate = adapter.speed
            text = f"{rate // 1000} Gb/s" if rate % 1000 == 0 else f"{rate} Mb/s"
            return f"{text}    # as it is now; the switch may allow less than the client can"
    return f"{UNKNOWN_LINK} Mb/s    # decide: the adapter does not say"


def _onboard(known: Knowledge) -> Iterator[str]:
    """Lines for what is onboard, and comments for what may be."""
    all_ = [one for one in standings(known) if one.device.port]
    sockets = {port for port in known.sockets}
    active = [one for one in all_ if one.onboard and one.device.port not in sockets]
    yield "  onboard:" if active else "  onboard: []"
    for one in active:
        yield from _reasons(one)
        yield f"    - {_onboard_line(one)}"
    for one in all_:
        if not one.onboard and not one.sure and one.device.port not in sockets:
            yield from _reasons(one)
            yield f"    # - {_onboard_line(one)}"


def _reasons(one: Standing) -> Iterator[str]:
    word = "" if one.sure else "decide: "
    title = f"{yaml_comment(called(one.device))}: " if called(one.device) else ""
    yield f"    # {word}{title}{yaml_comment('; '.join(one.reasons))}"


def called(device: SeenDevice) -> str:
    """What a device calls itself."""
    return " ".join(filter(None, (device.manufacturer, device.title)))


def _onboard_line(one: Standing) -> str:
    pairs = [f'port: "{one.device.port}"', f'id: "{one.device.id}"']
    if code := main_class(one.device):
        pairs.append(f"class: {class_name(code)}")
    if one.carries:
        pairs.append(f"carries: {one.carries}")
    if one.carries == "network" and (speed := speed_name(one.device.speed)):
        pairs.append(f"speed: {speed}")
    return "{" + ", ".join(pairs) + "}"


def main_class(device: SeenDevice) -> int:
    """The device's own class, or that of its first interface that has one."""
    if device.device_class not in (PER_INTERFACE, MISCELLANEOUS):
        return device.device_class
    codes = (one.codes.usb_class for one in device.interfaces)
    return next((code for code in codes if code != PER_INTERFACE), device.device_class)


def _sockets(known: Knowledge, walked: Sequence[WalkedSocket]) -> Iterator[str]:
    """The sockets that were walked to; comments for ports that the firmware calls reachable."""
    yield "  sockets:" if walked else "  sockets: []"
    for socket in walked:
        label = yaml_string(socket.label)
        yield f"    - {{port: {_ports(socket.ports)}, label: {label}, speed: {socket.speed}}}"
    taken = {port for socket in walked for port in socket.ports}
    taken |= {one.device.port for one in standings(known) if one.onboard and one.device.port}
    for ports in reachable(known.look):
        if not taken & set(ports):
            speed = speed_of(known.look, ports)
            yield f"    # - {{port: {_ports(ports)}, label: decide, speed: {speed}}}"


def _ports(ports: Sequence[PortPath]) -> str:
    texts = [f'"{port}"' for port in ports]
    return texts[0] if len(texts) == 1 else f"[{', '.join(texts)}]"


def reachable(look: Look) -> list[tuple[PortPath, ...]]:
    """Ports that people can reach, as far as the firmware says; both halves of one together."""
    found = {one.port: one for one in look.ports if one.connect_type == HOTPLUG}
    halves = [tuple(sorted(halves_of(look, one.port))) for one in found.values()]
    return sorted(dict.fromkeys(halves))


def halves_of(look: Look, port: PortPath) -> tuple[PortPath, ...]:
    """A port path, and that of its other half where the kernel knows it."""
    one: SeenPort | None = next((one for one in look.ports if one.port == port), None)
    return (port, one.peer) if one and one.peer else (port,)


SPEEDS = (("super", 5000.0), ("high", 480.0), ("full", 12.0), ("low", 1.5))


def speed_name(text: str) -> str:
    """The USB specifications' word for Mb/s as the kernel writes them; "" for anything else."""
    known = re.fullmatch(r"[0-9]{1,6}(\.[0-9])?", text, re.ASCII)
    return next((name for name, least in SPEEDS if known and float(text) >= least), "")


def speed_of(look: Look, ports: Sequence[PortPath]) -> str:
    """The fastest that the hubs of these ports can; high where none of them says it."""
    found = {_hub_speed(look, port) for port in ports}
    return next((name for name, _ in SPEEDS if name in found), "high")


def _hub_speed(look: Look, port: PortPath) -> str:
    name = str(port.parent) if port.parent else f"usb{port.bus}"
    return next((speed_name(one.speed) for one in look.devices if one.name == name), "")
