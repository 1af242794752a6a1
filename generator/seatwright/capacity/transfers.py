"""What a USB bus carries at best: transfers per frame for each type, speed and packet size.

Source: Universal Serial Bus Specification, revision 2.0, sections 5.5 to 5.8: the parts of the
protocol overhead that tables 5-1 to 5-10 name, and the bytes that fit a frame (1 ms at low and full
speed) or a microframe (125 µs at high speed).  Universal Serial Bus 3.1 Specification, revision
1.0, chapter 7: the framing of a data packet at 5 Gb/s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from seatwright.site.types import Speed


class Transfer(StrEnum):
    """The four types of transfers (USB 2.0, 5.4), in the order of their numbers in table 9-13."""

    CONTROL = "control"
    ISOCHRONOUS = "isochronous"
    BULK = "bulk"
    INTERRUPT = "interrupt"


@dataclass(frozen=True, slots=True)
class Overhead:
    """Bytes of one transfer beside its data, as the tables name them.

    ``preamble`` is the part that a low-speed transfer spends at full speed (a PRE packet before
    each packet from the host: SYNC, PID and the time a hub needs): eight of those take as long as
    one byte at low speed.
    """

    sync: int
    pid: int
    endpoint: int
    crc: int
    setup: int
    delay: int
    preamble: int = 0

    @property
    def stated(self) -> int:
        """The sum that stands above the table."""
        return self.sync + self.pid + self.endpoint + self.crc + self.setup + self.delay

    @property
    def bytes(self) -> int:
        """The same in bytes at the speed of the bus, begun ones counted whole."""
        return self.stated - self.preamble + -(-self.preamble // 8)


OVERHEADS: Mapping[tuple[Speed, Transfer], Overhead] = MappingProxyType(
    {
        (Speed.LOW, Transfer.CONTROL): Overhead(15, 15, 6, 6, 8, 13, preamble=18),
        (Speed.LOW, Transfer.INTERRUPT): Overhead(5, 5, 2, 2, 0, 5, preamble=6),
        (Speed.FULL, Transfer.CONTROL): Overhead(9, 9, 6, 6, 8, 7),
        (Speed.FULL, Transfer.ISOCHRONOUS): Overhead(2, 2, 2, 2, 0, 1),
        (Speed.FULL, Transfer.INTERRUPT): Overhead(3, 3, 2, 2, 0, 3),
        (Speed.FULL, Transfer.BULK): Overhead(3, 3, 2, 2, 0, 3),
        (Speed.HIGH, Transfer.CONTROL): Overhead(9 * 4, 9, 6, 6, 8, 9 * (1 + 11)),
        (Speed.HIGH, Transfer.ISOCHRONOUS): Overhead(2 * 4, 2, 2, 2, 0, 2 * (1 + 11)),
        (Speed.HIGH, Transfer.INTERRUPT): Overhead(3 * 4, 3, 2, 2, 0, 3 * (1 + 11)),
        (Speed.HIGH, Transfer.BULK): Overhead(3 * 4, 3, 2, 2, 0, 3 * (1 + 11)),
    }
)
"""A transfer that is not here does not exist (bulk at low speed, for instance)."""

FRAME_BYTES: Mapping[Speed, int] = MappingProxyType(
    {Speed.LOW: 187, Speed.FULL: 1500, Speed.HIGH: 7500}
)
"""Bytes that fit a frame, or at high speed a microframe."""

FRAMES: Mapping[Speed, int] = MappingProxyType(
    {Speed.LOW: 1000, Speed.FULL: 1000, Speed.HIGH: 8000}
)
"""Frames (at high speed microframes) in a second."""

LARGEST: Mapping[tuple[Speed, Transfer], int] = MappingProxyType(
    {
        (Speed.LOW, Transfer.CONTROL): 8,
        (Speed.LOW, Transfer.INTERRUPT): 8,
        (Speed.FULL, Transfer.CONTROL): 64,
        (Speed.FULL, Transfer.ISOCHRONOUS): 1023,
        (Speed.FULL, Transfer.INTERRUPT): 64,
        (Speed.FULL, Transfer.BULK): 64,
        (Speed.HIGH, Transfer.CONTROL): 64,
        (Speed.HIGH, Transfer.ISOCHRONOUS): 3072,
        (Speed.HIGH, Transfer.INTERRUPT): 3072,
        (Speed.HIGH, Transfer.BULK): 512,
        (Speed.SUPER, Transfer.CONTROL): 512,
        (Speed.SUPER, Transfer.ISOCHRONOUS): 1024,
        (Speed.SUPER, Transfer.INTERRUPT): 1024,
        (Speed.SUPER, Transfer.BULK): 1024,
    }
)
"""Bytes of data that one transaction has at most (three in a microframe counted as one)."""

SUPER_BYTES = 5_000_000_000 // 10
"""Bytes in a second at 5 Gb/s: ten bits on the wire for eight (8b/10b)."""

SUPER_FRAMING = 20 + 4 + 4 + 4
"""Around each data packet: header packet, start of the payload, CRC-32, end."""


def most_transfers(speed: Speed, transfer: Transfer, size: int) -> int:
    """How many transfers of ``size`` bytes fit a frame (at high speed: a microframe).

    KeyError where the speed has no such transfers (or, at super speed, no table).
    """
    return FRAME_BYTES[speed] // (OVERHEADS[speed, transfer].bytes + size)


def most_rate(speed: Speed, transfer: Transfer, size: int) -> int:
    """Bytes of data in a second at best, in packets of ``size`` bytes.

    ValueError for a transfer that the speed does not have, or a packet that is too large for it.
    """
    if not 1 <= size <= LARGEST.get((speed, transfer), 0):
        raise ValueError(f"no {transfer} transfers of {size} bytes at {speed} speed")
    if speed is Speed.SUPER:
        return SUPER_BYTES * size // (size + SUPER_FRAMING)
    return most_transfers(speed, transfer, size) * size * FRAMES[speed]


def bus_bytes(speed: Speed, transfer: Transfer, data: int) -> int:
    """What ``data`` bytes take of a bus, its overheads included, in packets as large as allowed."""
    largest = LARGEST[speed, transfer]
    packets = max(1, -(-data // largest))
    if speed is Speed.SUPER:
        return data + packets * SUPER_FRAMING
    return data + packets * OVERHEADS[speed, transfer].bytes


def bus_rate(speed: Speed) -> int:
    """Bytes in a second that a bus moves, overheads included."""
    return SUPER_BYTES if speed is Speed.SUPER else FRAME_BYTES[speed] * FRAMES[speed]
