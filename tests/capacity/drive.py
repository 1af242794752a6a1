"""A drive without a bus: Bulk-Only Transport, answered from noise that nothing can compress.

It writes a line for each command that moved data: what, bytes, and when it came and was answered
(seconds of the monotonic clock).  Runs with any Python and nothing else.

Sources: USB Mass Storage Class, Bulk-Only Transport 1.0; SCSI block commands (READ 10, WRITE 10);
USB 2.0, chapter 9 (descriptors).
"""

from __future__ import annotations

import json
import os
import struct
import time

COMMAND, STATUS = struct.Struct("<4sIIBBB16s"), struct.Struct("<4sIIB")

SECTOR, SECTORS = 512, 262_144
IN, OUT, PACKET = 0x81, 0x02, 512
VENDOR, PRODUCT, VERSION = 0x1209, 0x000B, 0x0200

DEVICE = struct.pack(
    "<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, VENDOR, PRODUCT, VERSION, 0, 0, 0, 1
)
INTERFACE = struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 2, 8, 6, 80, 0)
ENDPOINTS = b"".join(struct.pack("<BBBBHB", 7, 5, end, 2, PACKET, 0) for end in (IN, OUT))
CONFIGURATION = (
    struct.pack("<BBHBBBBB", 9, 2, 9 + len(INTERFACE + ENDPOINTS), 1, 1, 0, 0x80, 50)
    + INTERFACE
    + ENDPOINTS
)
NOISE = os.urandom(1 << 20)
INQUIRY = b"\0\x80\x05\x02\x1f\0\0\0Fennmoorloan drive      1.00"


class Drive:
    """One drive, asked through its control endpoint and its two bulk endpoints."""

    def __init__(self) -> None:
        self._answer, self._left, self._tag = b"", 0, 0
        self._began, self._what, self._size = 0.0, "", 0

    def control(self, kind: int, request: int, value: int) -> bytes | None:
        """What a request to the device asks for; None where it has no such thing."""
        if (kind, request) == (0x80, 6):
            return {1: DEVICE, 2: CONFIGURATION}.get(value >> 8)
        return b"\0" if (kind, request) == (0xA1, 0xFE) else b""

    def give(self, data: bytes) -> None:
        """Data to its OUT endpoint: a command, or what a command writes."""
        if self._left:
            self._left -= min(self._left, len(data))
        else:
            self._command(data)

    def take(self, size: int) -> bytes:
        """At most so much from its IN endpoint: what a command reads, then its status."""
        if self._answer:
            data, self._answer = self._answer[:size], self._answer[size:]
            return data
        self._report()
        return STATUS.pack(b"USBS", self._tag, 0, 0)

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
            0x12: INQUIRY,
            0x25: struct.pack(">II", SECTORS - 1, SECTOR),
            0x1A: b"\x03\0\0\0",
            0x28: NOISE[:length],
        }
        self._answer = answers.get(code, bytes(length))[:length]

    def _report(self) -> None:
        if self._what:
            line = {"what": self._what, "bytes": self._size, "began": self._began}
            print(json.dumps({**line, "ended": time.monotonic()}), flush=True)
            self._what = ""
