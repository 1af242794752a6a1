"""Values as they were read into a :class:`seatwright.site.types.Site`.

Called only when nothing is broken and every name exists; what a line means is decided here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from seatwright.findings.finding import SourcePath
from seatwright.site.lines import EVERYTHING, class_code
from seatwright.site.model_checks import socket_ports
from seatwright.site.types import (
    Carries,
    GuestSystem,
    Host,
    ImageWishes,
    Line,
    Match,
    Model,
    OnboardDevice,
    Peripheral,
    Policy,
    Promise,
    Pull,
    Room,
    Seat,
    Settings,
    Site,
    Socket,
    Speed,
    Stream,
    Switch,
    Verdict,
)
from seatwright.site.units import usb_id_or_vendor
from seatwright.usb.classes import BY_NAME, MISCELLANEOUS, PER_INTERFACE, class_name

Values = Mapping[str, Any]


def site_of(values: Values) -> Site:
    """The site; ``values`` is what the vocabulary's SITE reads, joined over all files."""
    peripherals = {name: peripheral_of(name, v) for name, v in values["peripherals"].items()}
    return Site(
        title=values["site"],
        language=values["language"],
        settings=settings_of(values["settings"]),
        models={name: model_of(name, v) for name, v in values["models"].items()},
        peripherals=peripherals,
        policies={n: policy_of(n, v, peripherals) for n, v in values["policies"].items()},
        hosts={name: host_of(name, v) for name, v in values["hosts"].items()},
        rooms={name: room_of(name, v) for name, v in values["rooms"].items()},
        promises=tuple(promise_of(i, v) for i, v in enumerate(values["promises"])),
        switches={name: switch_of(name, v) for name, v in values["switches"].items()},
    )


def settings_of(values: Values) -> Settings:
    """What holds for the whole site."""
    return Settings(
        restart=values["restart"],
        idle_after=values["idle-after"],
        batch=values["batch"],
        stop_at=values["stop-at"],
        access_user=values["access-user"],
        screen=values["screen"],
        round_trip=values["round-trip"],
        at_once=values["at-once"],
        pull=values["pull"] and Pull(**values["pull"]),
        severities=values["findings"],
    )


def model_of(name: str, values: Values) -> Model:
    """A model with its onboard devices and sockets."""
    path: SourcePath = ("models", name)
    onboard = (
        OnboardDevice(
            port=device["port"],
            vendor=device["id"][0],
            product=device["id"][1],
            usb_class=device["class"],
            carries=device["carries"] and Carries(device["carries"]),
            speed=device["speed"] and Speed(device["speed"]),
            path=(*path, "onboard", index),
        )
        for index, device in enumerate(values["onboard"])
    )
    sockets = (
        Socket(
            ports=socket_ports(socket),
            label=socket["label"],
            speed=Speed(socket["speed"]),
            path=(*path, "sockets", index),
        )
        for index, socket in enumerate(values["sockets"])
    )
    return Model(
        name=name,
        title=values["title"] or name,
        arch=values["arch"],
        link=values["link"],
        network=values["network"],
        onboard=tuple(onboard),
        sockets=tuple(sockets),
        image=image_of(values["image"]),
        path=path,
    )


def image_of(values: Values) -> ImageWishes:
    """What a model's image is made of."""
    return ImageWishes(
        suite=values["suite"],
        packages=values["packages"],
        read_only=values["read-only"],
        file=values["file"],
        sha256=values["sha256"],
    )


def peripheral_of(name: str, values: Values) -> Peripheral:
    """A device the site owns."""
    return Peripheral(
        name=name,
        title=values["title"] or name,
        vendor=values["id"][0],
        product=values["id"][1],
        bcd_device=values["bcdDevice"],
        device_class=values["class"],
        interfaces=values["interfaces"],
        needs=values["needs"],
        stream=stream_of(values["stream"]) if values["stream"] else None,
        settings=values["descriptors"] or (),
        speed=values["speed"] and Speed(values["speed"]),
        request=values["request"],
        port_paths_decide=values["port-paths-decide"],
        path=("peripherals", name),
    )


def stream_of(values: Values) -> Stream:
    """A stream of pictures or of sound."""
    bits = values["bits"]
    if values["picture"]:
        width, height = values["picture"]
        words = f"{width}x{height} at {values['frames']} frames/s of {bits} bits"
        return Stream(width * height * values["frames"], bits, words)
    words = f"{values['channels']} channels at {values['samples']} samples/s of {bits} bits"
    return Stream(values["channels"] * values["samples"], bits, words)


def policy_of(name: str, values: Values, peripherals: Mapping[str, Peripheral]) -> Policy:
    """A policy with the lines of its sockets."""
    path: SourcePath = ("policies", name)
    sockets = {
        label: tuple(lines_of(inner, (*path, "sockets", label), peripherals))
        for label, inner in values["sockets"].items()
    }
    return Policy(
        name=name,
        title=values["title"] or name,
        lines=tuple(lines_of(values, path, peripherals)),
        sockets=sockets,
        path=path,
    )


def lines_of(
    values: Values, path: SourcePath, peripherals: Mapping[str, Peripheral]
) -> Iterator[Line]:
    """The lines below redirect, offer and keep, in that order."""
    for verdict in Verdict:
        for index, written in enumerate(values[verdict]):
            match = match_of(written, peripherals)
            yield Line(verdict, match, line_text(written), (*path, verdict.value, index))


def match_of(written: Any, peripherals: Mapping[str, Peripheral]) -> Match:
    """What a line speaks of: a word (see ``lines.LineWord``) or a group of keys."""
    if not isinstance(written, str):
        vendor, product = written["id"] or (None, None)
        return Match(vendor, product, written["bcdDevice"], classes_of(written["class"]))
    if written == EVERYTHING:
        return Match()
    if ":" in written:
        return Match(*usb_id_or_vendor(written))
    if written in BY_NAME:
        return Match(usb_classes=(BY_NAME[written].code,))
    code = class_code(written)
    if code is not None:
        return Match(usb_classes=(code,))
    named = peripherals[written]
    return Match(
        named.vendor, named.product, named.bcd_device, classes_needed(named), peripheral=written
    )


def classes_of(written: int | tuple[int, ...] | None) -> tuple[int, ...]:
    """One class, several, or none named."""
    if written is None:
        return ()
    return tuple(sorted(set(written))) if isinstance(written, tuple) else (written,)


def classes_needed(peripheral: Peripheral) -> tuple[int, ...]:
    """The classes that have to pass for the peripheral to pass; empty where any may be needed."""
    if not peripheral.interfaces:
        return ()
    needed = {interface.usb_class for interface in peripheral.interfaces}
    if peripheral.device_class not in (PER_INTERFACE, MISCELLANEOUS):
        needed.add(peripheral.device_class)
    return tuple(sorted(needed))


def line_text(written: Any) -> str:
    """A line as a person would write it; one of several keys in one order."""
    if isinstance(written, str):
        return written
    parts = []
    if written["id"]:
        vendor, product = written["id"]
        shown_product = "*" if product is None else f"{product:04x}"
        parts.append(f'id: "{vendor:04x}:{shown_product}"')
    if written["bcdDevice"] is not None:
        parts.append(f'bcdDevice: "{bcd_text(written["bcdDevice"])}"')
    if written["class"] is not None:
        names = [class_name(code) for code in classes_of(written["class"])]
        parts.append(f"class: {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}")
    return "{" + ", ".join(parts) + "}"


def bcd_text(number: int) -> str:
    """A bcdDevice as it is written: ``1.10``, or ``0x1a00`` where it is no decimal number."""
    digits = f"{number:04x}"
    return f"{int(digits[:2])}.{digits[2:]}" if digits.isdecimal() else f"0x{digits}"


def host_of(name: str, values: Values) -> Host:
    """A hypervisor."""
    return Host(
        name=name,
        kind=values["kind"],
        address=values["address"],
        listen=values["listen"],
        uri=values["uri"],
        restart=values["restart"],
        template=values["template"],
        apply=values["apply"] or (),
        inspect=values["inspect"] or (),
        password=values["password"] or (),
        ticket=values["ticket"] or (),
        can=values["can"],
        spice_ports=values["spice-ports"],
        path=("hosts", name),
        link=values["link"],
        switch=values["switch"],
    )


def switch_of(name: str, values: Values) -> Switch:
    """A network switch."""
    path = ("switches", name)
    return Switch(name, values["title"] or name, values["uplink"], values["behind"], path)


def room_of(name: str, values: Values) -> Room:
    """A room with its seats, rows of them written out."""
    path: SourcePath = ("rooms", name)
    return Room(
        name=name,
        title=values["title"] or name,
        policy=values["policy"],
        model=values["model"],
        host=values["host"],
        ports=values["ports"],
        controller=values["controller"],
        restart=values["restart"],
        seats=tuple(seats_of(values["seats"], path)),
        path=path,
        screen=values["screen"],
        round_trip=values["round-trip"],
        at_once=values["at-once"],
        switch=values["switch"],
        guests=guest_system_of(values["guests"]),
    )


def guest_system_of(values: Values) -> GuestSystem:
    """What a room's guests have and lack."""
    return GuestSystem(
        own_devices=values["own-devices"],
        xhci_driver=values["xhci-driver"],
        agent=values["agent"],
        no_driver_for=values["no-driver-for"],
        started_by=values["started-by"],
    )


def seats_of(written: tuple[Any, ...], path: SourcePath) -> Iterator[Seat]:
    """Every seat of a room, in the order written."""
    for index, entry in enumerate(written):
        place = (*path, "seats", index)
        if isinstance(entry, tuple):
            for name in entry:
                yield Seat(name, *(8 * (None,)), path=place)
        else:
            yield Seat(**entry, path=place)


def promise_of(index: int, values: Values) -> Promise:
    """A promise."""
    device = values["device"]
    return Promise(
        room=values["room"],
        seat=values["seat"],
        socket=values["socket"],
        devices=device if isinstance(device, tuple) else (device,),
        verdict=next(verdict for verdict in Verdict if values[verdict]),
        path=("promises", index),
    )
