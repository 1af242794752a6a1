"""USB descriptors of a device that does not exist. Source: USB 2.0, chapter 9."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.usb.device import Device, Interface

DEVICE, CONFIGURATION, STRING, INTERFACE, ENDPOINT = 1, 2, 3, 4, 5
BULK, INTERRUPT = 2, 3
HID, HUB = 0x03, 0x09
PORT_MILLIAMPERES = 500
"""What a port of a high-speed root hub gives (USB 2.0, 7.2.1)."""
ENGLISH = 0x0409
MOST_ENDPOINTS = 15


@dataclass(frozen=True, slots=True)
class Shape:
    """A device to play: what a filter sees of it, what it is called, and what else it has.

    ``alternates`` are further settings of its first interface; ``other`` are the interfaces of
    a second configuration, which nobody selects.  A device that is not ``configured`` asks for
    more current than a port gives, so that the kernel selects no configuration.
    """

    device: Device
    name: str = "Played device"
    alternates: tuple[Interface, ...] = ()
    other: tuple[Interface, ...] = ()

    @property
    def shown(self) -> tuple[Interface, ...]:
        """Interfaces of the first configuration; a device that nobody configures has some, too."""
        return self.device.interfaces or (Interface(0x08, 6, 80),)

    def answer(self, kind: int, index: int) -> bytes | None:
        """The descriptor that a host asks for; None where there is none."""
        if kind == DEVICE:
            return device_descriptor(self)
        if kind == CONFIGURATION:
            found = list(configurations(self))
            return found[index] if index < len(found) else None
        if kind == STRING:
            return string_descriptor(self.name, index)
        return None


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Address with its direction bit, kind (USB 2.0, table 9-13), and the interface it is of."""

    address: int
    kind: int
    interface: int
    size: int


def device_descriptor(shape: Shape) -> bytes:
    """Table 9-8."""
    device = shape.device
    return struct.pack(
        "<BBHBBBBHHHBBBB",
        18,
        DEVICE,
        0x0200,
        device.device_class,
        device.device_subclass,
        device.device_protocol,
        64,
        device.vendor,
        device.product,
        device.bcd_device,
        0,
        1 if shape.name else 0,
        0,
        2 if shape.other else 1,
    )


def configurations(shape: Shape) -> Iterator[bytes]:
    """Table 9-10, each with all that follows it."""
    yield _configuration(1, shape, shape.shown, shape.alternates)
    if shape.other:
        yield _configuration(2, shape, shape.other, ())


def _configuration(
    value: int, shape: Shape, interfaces: tuple[Interface, ...], alternates: tuple[Interface, ...]
) -> bytes:
    body = b""
    ends = endpoints(interfaces)
    for number, interface in enumerate(interfaces):
        own = [end for end in ends if end.interface == number]
        body += _interface(number, 0, interface, own)
        if number == 0:
            for setting, other in enumerate(alternates, start=1):
                body += _interface(0, setting, other, own)
    milliamperes = 100 if shape.device.configured else PORT_MILLIAMPERES + 10
    head = (9, CONFIGURATION, 9 + len(body), len(interfaces), value, 0, 0x80, milliamperes // 2)
    return struct.pack("<BBHBBBBB", *head) + body


def _interface(number: int, setting: int, one: Interface, ends: list[Endpoint]) -> bytes:
    """Tables 9-12 and 9-13."""
    codes = (one.usb_class, one.subclass or 0, one.protocol or 0)
    text = struct.pack("<BBBBBBBBB", 9, INTERFACE, number, setting, len(ends), *codes, 0)
    for end in ends:
        interval = 8 if end.kind == INTERRUPT else 0
        text += struct.pack("<BBBBHB", 7, ENDPOINT, end.address, end.kind, end.size, interval)
    return text


def endpoints(interfaces: tuple[Interface, ...]) -> list[Endpoint]:
    """One input for each interface, as far as there are endpoints."""
    found = []
    for number, one in enumerate(interfaces[:MOST_ENDPOINTS]):
        slow = one.usb_class in (HID, HUB)
        kind, size = (INTERRUPT, 8) if slow else (BULK, 512)
        found.append(Endpoint(0x81 + number, kind, number, size))
    return found


def string_descriptor(text: str, index: int) -> bytes | None:
    """Section 9.6.7: index 0 lists the languages."""
    if index == 0:
        return struct.pack("<BBH", 4, STRING, ENGLISH)
    if index != 1:
        return None
    content = text.encode("utf-16-le")[:252]
    return struct.pack("<BB", 2 + len(content), STRING) + content
