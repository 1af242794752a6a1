"""What data costs on the network: usbredir, SPICE, TLS, TCP and Ethernet around it.

Sources: IEEE 802.3 (preamble 8 bytes, header 14, check sequence 4, gap 12); RFC 791, 8200, 9293 and
7323 (IP, TCP, the time stamps that both ends use); RFC 8446, 5.2 (a record of at most 16,384 bytes,
5 bytes before it, its type and a tag of 16 behind); the SPICE protocol's data headers; usbredir
protocol 0.7 (``usbredirproto.h``) with the capabilities that QEMU and spice-gtk agree on (64-bit
ids, 32-bit bulk lengths); tests/oracle counts what libusbredirparser writes.
"""

from __future__ import annotations

from dataclasses import dataclass

from seatwright.capacity.transfers import Transfer

PREAMBLE, ETHERNET_HEADER, CHECK, GAP = 8, 14, 4, 12
AROUND_FRAME = PREAMBLE + ETHERNET_HEADER + CHECK + GAP
MTU = 1500

IPV4, IPV6, TCP, TIME_STAMPS = 20, 40, 20, 12

RECORD, AROUND_RECORD = 16_384, 5 + 1 + 16

MINI_HEADER = 2 + 4
"""Before each SPICE message: type and size."""

SPICE_CHUNK = 65_536
"""The most that a SPICE server takes from a redirection port for one message."""

REDIR_HEADER = 4 + 4 + 8
"""Before each usbredir packet: type, length and, with the 64-bit capability, the id."""

REDIR_TRANSFER = {
    Transfer.CONTROL: 1 + 1 + 1 + 1 + 2 + 2 + 2,
    Transfer.ISOCHRONOUS: 1 + 1 + 2,
    Transfer.INTERRUPT: 1 + 1 + 2,
    Transfer.BULK: 1 + 1 + 2 + 4 + 2,
}
"""The transfer's own header behind it."""


def most_frames(link: int, size: int) -> float:
    """Frames of ``size`` bytes (header and check sequence counted) in a second, RFC 2544."""
    return link / (8 * (PREAMBLE + size + GAP))


@dataclass(frozen=True, slots=True)
class Wire:
    """The layers below usbredir; ``tls`` and ``spice`` False where a bare socket is measured."""

    ip: int = IPV6
    tls: bool = True
    spice: bool = True

    @property
    def segment(self) -> int:
        """Bytes of TCP payload in one frame."""
        return MTU - self.ip - TCP - TIME_STAMPS

    def frames(self, stream: int) -> int:
        """Frames that carry so many bytes of TCP payload."""
        return max(1, -(-stream // self.segment))

    def bits(self, stream: int) -> int:
        """What they take of a link, in bits."""
        around = self.ip + TCP + TIME_STAMPS + AROUND_FRAME
        return 8 * (stream + self.frames(stream) * around)

    def stream(self, packet: int) -> int:
        """Bytes of TCP payload that one usbredir packet becomes."""
        if self.spice:
            packet += max(1, -(-packet // SPICE_CHUNK)) * MINI_HEADER
        if self.tls:
            packet += max(1, -(-packet // RECORD)) * AROUND_RECORD
        return packet

    def packet(self, transfer: Transfer, data: int) -> int:
        """Bytes of TCP payload for one transfer's packet with its data (0: a question or a yes)."""
        return self.stream(REDIR_HEADER + REDIR_TRANSFER[transfer] + data)

    def carries(self, rate: int, transfer: Transfer, unit: int) -> float:
        """Bits of data in a second over a link of ``rate``, in packets with ``unit`` bytes each."""
        return rate * 8 * unit / self.bits(self.packet(transfer, unit))


def by_pieces(request: int, trips: int, round_trip: float, carried: float) -> float:
    """Bits in a second where ``request`` bytes at a time are asked for and waited for.

    ``round_trip`` in seconds, ``trips`` of them for each piece; ``carried`` is what the way would
    carry without waiting, in bits per second.
    """
    return 8 * request / (trips * round_trip + 8 * request / max(1.0, carried))


PLANNED = Wire()
"""What a plan counts with: IPv6, whose header is the longer one, TLS, SPICE."""
