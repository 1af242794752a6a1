"""A drive at the other end of a ``usb-redir`` device, as a program: answers whatever it is asked.

It listens at the address and port of its command line, takes one connection after the other, and
writes a line for each command that moved data: what, bytes, and when it came and was answered
(seconds of the monotonic clock).  What it holds is nothing but zeros.

Sources: usbredir protocol 0.7 (usbredirproto.h); USB Mass Storage Class, Bulk-Only Transport 1.0;
SCSI block commands (READ 10, WRITE 10); USB 2.0, chapter 9.
"""

from __future__ import annotations

import contextlib
import json
import socket
import struct
import sys
import time

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
COMMAND, STATUS = struct.Struct("<4sIIBBB16s"), struct.Struct("<4sIIB")

SECTOR, SECTORS = 512, 262_144
IN, OUT, PACKET = 0x81, 0x02, 512

DEVICE = struct.pack(
    "<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, 0x1209, 0x000B, 0x0200, 0, 0, 0, 1
)
INTERFACE = struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 2, 8, 6, 80, 0)
ENDPOINTS = b"".join(struct.pack("<BBBBHB", 7, 5, end, 2, PACKET, 0) for end in (IN, OUT))
CONFIGURATION = (
    struct.pack("<BBHBBBBB", 9, 2, 9 + len(INTERFACE + ENDPOINTS), 1, 1, 0, 0x80, 50)
    + INTERFACE
    + ENDPOINTS
)
ZEROS = bytes(1 << 20)


class Drive:
    """One connection."""

    def __init__(self, line: socket.socket) -> None:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._line = line
        self._stream = line.makefile("rb", buffering=1 << 18)
        self._answer, self._left, self._tag = b"", 0, 0
        self._began, self._what, self._size = 0.0, "", 0

    def play(self) -> None:
        """Say hello, describe the drive, then answer until the line ends."""
        kind, length, _ = FIRST_HEADER.unpack(self._read(FIRST_HEADER.size))
        self._read(length)
        assert kind == HELLO
        hello = b"drive".ljust(64, b"\0") + struct.pack("<I", CAPABILITIES)
        self._line.sendall(FIRST_HEADER.pack(HELLO, len(hello), 0) + hello)
        self._describe()
        self._send(CONNECT, 0, struct.pack("<BBBBHHH", HIGH_SPEED, 0, 0, 0, 0x1209, 0x000B, 0x0200))
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
        content = b""
        if kind == 0x80 and request == 6:
            content = {1: DEVICE, 2: CONFIGURATION}.get(value >> 8, b"")
        elif (kind, request) == (0xA1, 0xFE):
            content = b"\0"
        status = STALL if kind == 0x80 and request == 6 and not content else 0
        content = content[:length]
        head = CONTROL_HEAD.pack(end, request, kind, status, value, index, len(content))
        self._send(CONTROL, number, head + content)

    def _bulk(self, number: int, body: bytes) -> None:
        end, _, low, stream, high = BULK_HEAD.unpack_from(body)
        size, data = high << 16 | low, b""
        if end == OUT and self._left:
            self._left -= min(self._left, size)
        elif end == OUT:
            self._command(body[BULK_HEAD.size :])
        elif self._answer:
            data, self._answer = self._answer[:size], self._answer[size:]
            size = len(data)
        else:
            data = STATUS.pack(b"USBS", self._tag, 0, 0)
            size = len(data)
        head = BULK_HEAD.pack(end, 0, size & 0xFFFF, stream, size >> 16)
        self._send(BULK, number, head + data)
        if end == IN and data[:4] == b"USBS":
            self._report()

    def _command(self, data: bytes) -> None:
        self._began = time.monotonic()
        _, self._tag, length, to_host, _, _, block = COMMAND.unpack(data)
        code = block[0]
        self._what = {0x28: "read", 0x2A: "write"}.get(code, "")
        self._size = length
        if not to_host & 0x80:
            self._left = length
            return
        answers = {
            0x12: b"\0\x80\x05\x02\x1f\0\0\0Fennmoorloan drive      1.00",
            0x25: struct.pack(">II", SECTORS - 1, SECTOR),
            0x1A: b"\x03\0\0\0",
            0x28: ZEROS[:length],
        }
        self._answer = answers.get(code, bytes(length))[:length]

    def _report(self) -> None:
        if self._what:
            line = {"what": self._what, "bytes": self._size, "began": self._began}
            print(json.dumps({**line, "ended": time.monotonic()}), flush=True)
            self._what = ""

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
                Drive(line).play()


if __name__ == "__main__":
    main()
