"""What a peripheral asks of a link: as declared, from its descriptors, or by its class.

A declared rate goes before a stream, a stream before descriptors, descriptors before the class.
Sources: USB 2.0, 5.6.3 and 9.6.6 (packets and intervals of endpoints); USB Mass Storage Class,
Bulk-Only Transport 1.0 (a command is asked in three transfers, one after the other); Linux 6.1,
``drivers/usb/storage`` (120 KiB for each command, 1 MiB at super speed).  The rates by class are
common practice, no source: what a device of that class asks for when nobody chose.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from seatwright.capacity.transfers import LARGEST, Transfer
from seatwright.plan import PlannedDemand
from seatwright.site.types import Peripheral, Speed
from seatwright.usb.capture import Endpoint, Setting

SPEEDS = tuple(Speed)
"""From the slowest to the fastest."""

BITS = MappingProxyType({Speed.LOW: 1_500_000, Speed.FULL: 12_000_000})
"""Bits in a second of the slow speeds: more than that asks for a faster one."""

STORAGE_REQUEST, SUPER_STORAGE_REQUEST, STORAGE_TRIPS = 120 * 1024, 1024 * 1024, 3
REQUEST = 64 * 1024
"""Bytes that drivers of other bulk devices ask for at a time; common practice, no source."""

SERIAL_REQUEST = 4096
"""Bytes that serial ports and modems are asked for at a time; common practice, no source."""

AUDIO, COMMUNICATIONS, HID, IMAGE, PRINTER, STORAGE = 0x01, 0x02, 0x03, 0x06, 0x07, 0x08
CDC_DATA, SMART_CARD, VIDEO = 0x0A, 0x0B, 0x0E


@dataclass(frozen=True, slots=True)
class ByClass:
    """What devices of a class do; ``rate`` in bits per second, None for what there is."""

    transfer: Transfer
    speed: Speed
    rate: int | None
    words: str
    kind: Literal["sound", "input"] | None = None


CLASSES: Mapping[int, ByClass] = MappingProxyType(
    {
        VIDEO: ByClass(
            Transfer.ISOCHRONOUS,
            Speed.HIGH,
            640 * 480 * 30 * 16,
            "640x480 at 30 frames/s of 16 bits, not compressed",
        ),
        STORAGE: ByClass(Transfer.BULK, Speed.HIGH, None, "what there is"),
        IMAGE: ByClass(Transfer.BULK, Speed.HIGH, None, "what there is"),
        AUDIO: ByClass(
            Transfer.ISOCHRONOUS,
            Speed.FULL,
            3 * 48_000 * 16,
            "two channels out and one in at 48,000 samples/s of 16 bits",
            "sound",
        ),
        PRINTER: ByClass(Transfer.BULK, Speed.HIGH, None, "what there is"),
        CDC_DATA: ByClass(Transfer.BULK, Speed.FULL, None, "what there is"),
        COMMUNICATIONS: ByClass(Transfer.BULK, Speed.FULL, None, "what there is"),
        SMART_CARD: ByClass(Transfer.BULK, Speed.FULL, 100_000, "short questions and answers"),
        HID: ByClass(
            Transfer.INTERRUPT, Speed.FULL, 64 * 8 * 125, "64 bytes 125 times a second", "input"
        ),
    }
)
"""The class that asks for most decides, in this order."""

UNKNOWN = ByClass(Transfer.BULK, Speed.HIGH, None, "not known")


def demand_of(peripheral: Peripheral) -> PlannedDemand:
    """What a peripheral asks of a link."""
    codes = {one.usb_class for one in peripheral.interfaces} | {peripheral.device_class}
    codes |= {one.interface.usb_class for one in peripheral.settings}
    known = [CLASSES[code] for code in CLASSES if code in codes]
    main = known[0] if known else UNKNOWN
    reserved = reserved_of(peripheral)
    transfer = reserved.transfer if reserved else main.transfer
    rate, basis, words = _rate(peripheral, reserved, known)
    speed = peripheral.speed or _speed(reserved.speed if reserved else main.speed, rate)
    request, trips = _request(peripheral, main, transfer, speed)
    return PlannedDemand(
        transfer=transfer.value,
        rate=rate,
        basis=basis,
        words=words,
        speed=speed.value,
        packet=_packet(speed, transfer, reserved, rate),
        request=request,
        trips=trips,
        kind=main.kind,
        measured=main is CLASSES[STORAGE] and transfer is Transfer.BULK,
    )


Basis = Literal["needs", "stream", "descriptors", "class"]


@dataclass(frozen=True, slots=True)
class Reserved:
    """What descriptors say: the type of most data, the largest packet, what a bus sets aside.

    ``rate`` in bits per second, 0 where only bulk endpoints are there: nothing is set aside.
    """

    transfer: Transfer
    packet: int
    rate: int
    speed: Speed


def _rate(
    peripheral: Peripheral, reserved: Reserved | None, known: Sequence[ByClass]
) -> tuple[int | None, Basis, str]:
    """Bits in a second, where they come from, and the words for it."""
    if peripheral.needs is not None:
        return peripheral.needs, "needs", "as declared"
    if peripheral.stream:
        stream = peripheral.stream
        return stream.units * stream.bits, "stream", stream.words
    if reserved and reserved.rate:
        return reserved.rate, "descriptors", "what its descriptors reserve"
    if reserved:
        return None, "descriptors", "what there is"
    rates = [one.rate for one in known if one.rate is not None]
    words = "; ".join(one.words for one in known if one.rate is not None)
    main = known[0] if known else UNKNOWN
    if main.rate is None:
        return None, "class", main.words
    return sum(rates), "class", words


def reserved_of(peripheral: Peripheral) -> Reserved | None:
    """What the descriptors say; None where there are none, or no endpoints in them."""
    endpoints = [end for setting in peripheral.settings for end in setting.endpoints if end.size]
    if not endpoints:
        return None
    speed = peripheral.speed or speed_of(endpoints)
    rate = sum(
        max(sum(endpoint_rate(end, speed) for end in one.endpoints) for one in alternates)
        for alternates in _by_interface(peripheral.settings)
    )
    types = [transfer_of(end) for end in endpoints]
    order = (Transfer.ISOCHRONOUS, Transfer.BULK, Transfer.INTERRUPT, Transfer.CONTROL)
    main = next(one for one in order if one in types)
    packet = max(end.size for end in endpoints if transfer_of(end) is main)
    # A device with bulk and interrupt endpoints takes what there is; the interrupts are small.
    return Reserved(main, packet, 0 if main is Transfer.BULK else rate, speed)


def _by_interface(settings: Sequence[Setting]) -> Iterator[list[Setting]]:
    """The alternate settings of each interface: only one of them is in use at a time."""
    numbers: dict[int, list[Setting]] = {}
    for setting in settings:
        numbers.setdefault(setting.number, []).append(setting)
    yield from numbers.values()


def transfer_of(endpoint: Endpoint) -> Transfer:
    """The type of an endpoint (USB 2.0, table 9-13, bmAttributes bits 1..0)."""
    return tuple(Transfer)[endpoint.attributes & 3]


def endpoint_rate(endpoint: Endpoint, speed: Speed) -> int:
    """Bits in a second that the bus sets aside for an endpoint; 0 for bulk and control."""
    transfer = transfer_of(endpoint)
    if transfer in (Transfer.BULK, Transfer.CONTROL) or not endpoint.interval:
        return 0
    fast = speed in (Speed.HIGH, Speed.SUPER)
    if fast or transfer is Transfer.ISOCHRONOUS:
        frames = 8000 if fast else 1000
        return endpoint.size * 8 * frames // (1 << min(endpoint.interval, 16) - 1)
    return endpoint.size * 8 * 1000 // endpoint.interval


def speed_of(endpoints: Sequence[Endpoint]) -> Speed:
    """The speed by packet sizes that only one speed has (USB 2.0, 5.5.3 to 5.8.3)."""
    bulk = {end.size for end in endpoints if transfer_of(end) is Transfer.BULK}
    if 1024 in bulk:
        return Speed.SUPER
    several = any(end.max_packet >> 11 & 3 for end in endpoints)
    large = any(end.size > LARGEST[Speed.FULL, Transfer.ISOCHRONOUS] for end in endpoints)
    return Speed.HIGH if 512 in bulk or several or large else Speed.FULL


def _speed(usual: Speed, rate: int | None) -> Speed:
    """The usual speed, or high where that cannot be enough."""
    return Speed.HIGH if rate is not None and rate > BITS.get(usual, rate) else usual


def _request(
    peripheral: Peripheral, main: ByClass, transfer: Transfer, speed: Speed
) -> tuple[int, int]:
    """Bytes that are asked for at a time, and the round trips that takes; (0, 0) for no bulk.

    Short questions and answers have no trips counted: they move no data worth speaking of.
    """
    if transfer is not Transfer.BULK:
        return 0, 0
    if main in (CLASSES[COMMUNICATIONS], CLASSES[CDC_DATA]):
        return peripheral.request or SERIAL_REQUEST, 1
    if main is not CLASSES[STORAGE]:
        return peripheral.request or REQUEST, int(main is not CLASSES[SMART_CARD])
    usual = SUPER_STORAGE_REQUEST if speed is Speed.SUPER else STORAGE_REQUEST
    return peripheral.request or usual, STORAGE_TRIPS


def _packet(speed: Speed, transfer: Transfer, reserved: Reserved | None, rate: int | None) -> int:
    """Bytes of one packet: as described, what the rate asks for, or as large as may be."""
    largest = LARGEST.get((speed, transfer), LARGEST[Speed.FULL, transfer])
    if reserved:
        return min(reserved.packet, largest)
    if transfer is Transfer.ISOCHRONOUS and rate:
        frames = 1000 if speed in (Speed.LOW, Speed.FULL) else 8000
        return min(-(-rate // (8 * frames)), largest)
    return min(largest, 64) if transfer is Transfer.INTERRUPT else largest
