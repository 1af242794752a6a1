"""The drive at the other end of a ``usb-redir`` device, as a program.

It listens at the address and port of its command line, takes one connection after the other, and
writes the drive's lines.  Source: usbredir protocol 0.7 (usbredirproto.h).
"""

from __future__ import annotations

import contextlib
import socket
import struct
import sys

from drive import IN, OUT, PACKET, PRODUCT, VENDOR, VERSION, Drive

HELLO, CONNECT, INTERFACE_INFO, EP_INFO = 0, 1, 4, 5
SET_CONFIGURATION, GET_CONFIGURATION, CONFIGURATION_STATUS = 6, 7, 8
SET_ALT, GET_ALT, ALT_STATUS = 9, 10, 11
CONTROL, BULK = 100, 101
STALL = 4
CAPABILITIES = 1 << 1 | 1 << 4 | 1 << 5 | 1 << 6
"""Version of the device, packet sizes, 64-bit ids, 32-bit bulk lengths: what xHCI needs."""
HIGH_SPEED = 2
NO_ENDPOINT = 255

FIRST_HEADER, HEADER = struct.Struct("<III"), struct.Struct("<IIQ")
CONTROL_HEAD, BULK_HEAD = struct.Struct("<BBBBHHH"), struct.Struct("<BBHIH")


class Peer:
    """One connection."""

    def __init__(self, line: socket.socket) -> None:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._line = line
        self._stream = line.makefile("rb", buffering=1 << 18)
        self._drive = Drive()

    def play(self) -> None:
        """Say hello, describe the drive, then answer until the line ends."""
        kind, length, _ = FIRST_HEADER.unpack(self._read(FIRST_HEADER.size))
        self._read(length)
        assert kind == HELLO
        hello = b"drive".ljust(64, b"\0") + struct.pack("<I", CAPABILITIES)
        self._line.sendall(FIRST_HEADER.pack(HELLO, len(hello), 0) + hello)
        self._describe()
        ids = struct.pack("<BBBBHHH", HIGH_SPEED, 0, 0, 0, VENDOR, PRODUCT, VERSION)
        self._send(CONNECT, 0, ids)
        while True:
            kind, length, number = HEADER.unpack(self._read(HEADER.size))
            self._answer_to(kind, number, self._read(length))

    def _describe(self) -> None:
        kinds, sizes = [NO_ENDPOINT] * 32, [0] * 32
        kinds[0] = kinds[16] = 0
        sizes[0] = sizes[16] = 64
        for place in (16 + (IN & 15), OUT):
            kinds[place], sizes[place] = 2, PACKET
        self._send(EP_INFO, 0, bytes(kinds) + bytes(64) + struct.pack("<32H", *sizes))
        table = b"".join(bytes([value]).ljust(32, b"\0") for value in (0, 8, 6, 80))
        self._send(INTERFACE_INFO, 0, struct.pack("<I", 1) + table)

    def _answer_to(self, kind: int, number: int, body: bytes) -> None:
        if kind == BULK:
            self._bulk(number, body)
        elif kind == CONTROL:
            self._control(number, body)
        elif kind in (SET_CONFIGURATION, GET_CONFIGURATION):
            self._send(CONFIGURATION_STATUS, number, bytes([0, 1]))
        elif kind in (SET_ALT, GET_ALT):
            self._send(ALT_STATUS, number, bytes([0, 0, 0]))

    def _control(self, number: int, body: bytes) -> None:
        end, request, kind, _, value, index, length = CONTROL_HEAD.unpack_from(body)
        content = self._drive.control(kind, request, value)
        status, content = (STALL, b"") if content is None else (0, content[:length])
        head = CONTROL_HEAD.pack(end, request, kind, status, value, index, len(content))
        self._send(CONTROL, number, head + content)

    def _bulk(self, number: int, body: bytes) -> None:
        end, _, low, stream, high = BULK_HEAD.unpack_from(body)
        size, data = high << 16 | low, b""
        if end == OUT:
            self._drive.give(body[BULK_HEAD.size :])
        else:
            data = self._drive.take(size)
            size = len(data)
        head = BULK_HEAD.pack(end, 0, size & 0xFFFF, stream, size >> 16)
        self._send(BULK, number, head + data)

    def _send(self, kind: int, number: int, body: bytes) -> None:
        self._line.sendall(HEADER.pack(kind, len(body), number) + body)

    def _read(self, length: int) -> bytes:
        content = self._stream.read(length)
        if len(content) < length:
            raise EOFError
        return content


def main() -> None:
    with socket.create_server((sys.argv[1], int(sys.argv[2]))) as server:
        print("listening", flush=True)
        while True:
            line, _ = server.accept()
            with contextlib.suppress(OSError, EOFError), line:
                Peer(line).play()


if __name__ == "__main__":
    main()
