"""What a survey says: a text for a person, the same as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from seatwright.findings.words import printable, printable_json
from seatwright.plan import Value
from seatwright.survey.model import called
from seatwright.survey.onboard import Knowledge, Standing, networked, standings
from seatwright.survey.seen import SeenDevice
from seatwright.usb.classes import MISCELLANEOUS, PER_INTERFACE, class_name

FORMAT = 1


def report(name: str, known: Knowledge) -> str:
    """All devices: what is sure, what a person must decide, what is none of the client's."""
    all_ = standings(known)
    parts = (
        ("Onboard:", [one for one in all_ if one.onboard and one.sure]),
        ("For you to decide:", [one for one in all_ if not one.sure]),
        ("Not onboard:", [one for one in all_ if not one.onboard and one.sure]),
    )
    lines = [_summary(name, known, all_)]
    for heading, some in parts:
        if some:
            lines += ["", heading, *(line for one in some for line in _device(one))]
    lines += [f"\n{line}" for line in _troubles(known)]
    return "\n".join(lines) + "\n"


def _summary(name: str, known: Knowledge, all_: Sequence[Standing]) -> str:
    look = known.look
    network, sure = networked(known)
    words = [f"{printable(name)}: {look.machine or 'a machine that does not say what it is'}"]
    words.append(look.arch or "architecture unknown")
    words.append(f"{len(all_)} USB device{'' if len(all_) == 1 else 's'}")
    words.append(
        f"network {'on USB' if network == 'usb' else 'not on USB'}{'' if sure else ' (?)'}"
    )
    return ", ".join(words)


def _device(one: Standing) -> Iterator[str]:
    device = one.device
    facts = [device.name.ljust(10), device.id, bcd_text(device.bcd_device), kinds(device)]
    facts.append(f"{device.speed} Mb/s" if device.speed else "speed unknown")
    drivers = ", ".join(dict.fromkeys(one.driver for one in device.interfaces if one.driver))
    facts += [drivers] if drivers else []
    facts += [f'"{called(device)}"'] if called(device) else []
    yield f"  {'  '.join(facts)}"
    carries = f" (carries: {one.carries})" if one.carries else ""
    yield f"  {' ' * 10}  {'; '.join(map(printable, one.reasons))}{carries}"


def bcd_text(version: int) -> str:
    """0x0110 is ``1.10``."""
    return f"{version >> 8:x}.{version & 0xFF:02x}"


def kinds(device: SeenDevice) -> str:
    """The classes of a device: its own where it has one, and its interfaces'."""
    own = [] if device.device_class in (PER_INTERFACE, MISCELLANEOUS) else [device.device_class]
    codes = [*own, *(one.codes.usb_class for one in device.interfaces)]
    return ", ".join(class_name(code) for code in dict.fromkeys(codes)) or "not configured"


def _troubles(known: Knowledge) -> Iterator[str]:
    for lost in known.ways.lost:
        yield f"Not followed to its end: {printable(lost)}."
    for error in known.look.unreadable:
        yield f"{printable(str(error))}."


class SurveyedInterface(Value, frozen=True, kw_only=True):
    """An interface; the key ``class`` is a word of Python's own."""

    usb_class: int = msgspec.field(name="class")
    subclass: int | None
    protocol: int | None
    driver: str


class SurveyedDevice(Value, frozen=True, kw_only=True):
    """A device and what it is to the client. ``port`` is null for a root hub.

    ``speed`` in Mb/s as the kernel writes it; ``manufacturer`` and ``product`` are the device's
    own words, printable and nothing to rely on. Not ``sure``: a person must decide.
    """

    port: str | None
    name: str
    id: str
    bcd_device: str = msgspec.field(name="bcdDevice")
    usb_class: int = msgspec.field(name="class")
    interfaces: tuple[SurveyedInterface, ...]
    speed: str
    manufacturer: str
    product: str
    onboard: bool
    sure: bool
    carries: str
    reasons: tuple[str, ...]


class SurveyedNetwork(Value, frozen=True, kw_only=True):
    """How the network adapter is attached: usb or internal."""

    kind: str
    sure: bool


class SurveyDocument(Value, frozen=True, kw_only=True):
    """What ``seatwright survey --json`` prints.

    ``lost`` says what could not be followed to its end, ``unreadable`` which devices not read.
    """

    format: int
    machine: str
    arch: str
    network: SurveyedNetwork
    lost: tuple[str, ...]
    unreadable: tuple[str, ...]
    devices: tuple[SurveyedDevice, ...]


def as_json(known: Knowledge) -> str:
    """Every device with what it is to the client."""
    kind, sure = networked(known)
    document = SurveyDocument(
        format=FORMAT,
        machine=known.look.machine,
        arch=known.look.arch,
        network=SurveyedNetwork(kind=kind, sure=sure),
        lost=known.ways.lost,
        unreadable=tuple(str(error) for error in known.look.unreadable),
        devices=tuple(_as_value(one) for one in standings(known)),
    )
    text = msgspec.json.format(msgspec.json.encode(document), indent=2).decode()
    return printable_json(text) + "\n"


def survey_schema() -> dict[str, Any]:
    """JSON Schema 2020-12 of what :func:`as_json` gives."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A survey",
        **msgspec.json.schema(SurveyDocument),
    }


def _as_value(one: Standing) -> SurveyedDevice:
    device = one.device
    interfaces = [
        SurveyedInterface(
            usb_class=each.codes.usb_class,
            subclass=each.codes.subclass,
            protocol=each.codes.protocol,
            driver=each.driver,
        )
        for each in device.interfaces
    ]
    return SurveyedDevice(
        port=str(device.port) if device.port else None,
        name=device.name,
        id=device.id,
        bcd_device=bcd_text(device.bcd_device),
        usb_class=device.device_class,
        interfaces=tuple(interfaces),
        speed=device.speed,
        manufacturer=device.manufacturer,
        product=device.title,
        onboard=one.onboard,
        sure=one.sure,
        carries=one.carries,
        reasons=one.reasons,
    )
