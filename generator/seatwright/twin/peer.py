"""The other end of a ``usb-redir`` device: plays a device with any descriptors into a twin.

Source: usbredir's protocol description (docs/usb-redirection-protocol.md) and usbredirproto.h.
QEMU takes a device on an xHCI controller only from a peer that can tell packet sizes, 64-bit ids
and 32-bit bulk lengths; so these are offered, and with them the version of the device.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Mapping
from itertools import count
from pathlib import Path

from seatwright.twin.descriptors import Shape, endpoints
from seatwright.twin.devices import Sockets
from seatwright.twin.qmp import Qmp
from seatwright.usb.portpath import parse_port_path

HELLO, CONNECT, INTERFACE_INFO, EP_INFO = 0, 1, 4, 5
SET_CONFIGURATION, GET_CONFIGURATION, CONFIGURATION_STATUS = 6, 7, 8
SET_ALT, GET_ALT, ALT_STATUS = 9, 10, 11
START_INTERRUPT, STOP_INTERRUPT, INTERRUPT_STATUS = 15, 16, 17
CONTROL, BULK = 100, 101
SUCCESS, STALL = 0, 4

VERSION_CAPABILITY, SIZES, LONG_IDS, LONG_BULK = 1, 4, 5, 6
CAPABILITIES = sum(1 << bit for bit in (VERSION_CAPABILITY, SIZES, LONG_IDS, LONG_BULK))
HIGH_SPEED = 2
MOST = 32
NO_ENDPOINT = 255
GET_DESCRIPTOR, GET_STATUS = 6, 0
IN = 0x80

HEADER = struct.Struct("<IIQ")
FIRST_HEADER = struct.Struct("<III")
"""Ids are short until both have said hello."""
CONTROL_HEAD = struct.Struct("<BBBBHHH")


class Peer:
    """One played device, from its plug to its pull; answers on a thread of its own."""

    def __init__(self, path: Path, shape: Shape) -> None:
        self.shape = shape
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(str(path))
        self._alternate = 0
        self._configuration = 1 if shape.device.configured else 0
        self._answers: Mapping[int, Callable[[int, bytes], None]] = {
            SET_CONFIGURATION: self._set_configuration,
            GET_CONFIGURATION: lambda number, _: self._tell_configuration(number),
            SET_ALT: self._set_alternate,
            GET_ALT: lambda number, body: self._tell_alternate(number, body[0]),
            START_INTERRUPT: self._interrupts,
            STOP_INTERRUPT: self._interrupts,
            CONTROL: self._control,
            BULK: self._bulk,
        }
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the line; QEMU takes that as a pull."""
        with contextlib.suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._line.close()

    def _play(self) -> None:
        with contextlib.suppress(OSError, EOFError):
            kind, length, _ = FIRST_HEADER.unpack(self._read(FIRST_HEADER.size))
            self._read(length)
            assert kind == HELLO
            hello = b"played device".ljust(64, b"\0") + struct.pack("<I", CAPABILITIES)
            self._line.sendall(FIRST_HEADER.pack(HELLO, len(hello), 0) + hello)
            self._tell_interfaces()
            self._send(CONNECT, 0, self._connect())
            while True:
                kind, length, number = HEADER.unpack(self._read(HEADER.size))
                body = self._read(length)
                if kind in self._answers:
                    self._answers[kind](number, body)

    def _connect(self) -> bytes:
        device = self.shape.device
        codes = (device.device_class, device.device_subclass, device.device_protocol)
        ids = (device.vendor, device.product, device.bcd_device)
        return struct.pack("<BBBBHHH", HIGH_SPEED, *codes, *ids)

    def _tell_interfaces(self) -> None:
        """What is there in the active configuration: endpoints first, then interfaces."""
        shown = self.shape.shown
        kinds, intervals = [NO_ENDPOINT] * MOST, [0] * MOST
        owners, sizes = [0] * MOST, [0] * MOST
        kinds[0], kinds[16], sizes[0], sizes[16] = 0, 0, 64, 64
        for end in endpoints(shown):
            place = (end.address & IN) >> 3 | end.address & 0x0F
            kinds[place], intervals[place] = end.kind, 8
            owners[place], sizes[place] = end.interface, end.size
        self._send(EP_INFO, 0, bytes(kinds + intervals + owners) + struct.pack("<32H", *sizes))
        columns = [
            list(range(len(shown))),
            [one.usb_class for one in shown],
            [one.subclass or 0 for one in shown],
            [one.protocol or 0 for one in shown],
        ]
        table = b"".join(bytes(column).ljust(MOST, b"\0") for column in columns)
        self._send(INTERFACE_INFO, 0, struct.pack("<I", len(shown)) + table)

    def _set_configuration(self, number: int, body: bytes) -> None:
        self._configuration = body[0]
        self._tell_interfaces()
        self._tell_configuration(number)

    def _tell_configuration(self, number: int) -> None:
        self._send(CONFIGURATION_STATUS, number, bytes([SUCCESS, self._configuration]))

    def _set_alternate(self, number: int, body: bytes) -> None:
        self._alternate = body[1]
        self._tell_alternate(number, body[0])

    def _tell_alternate(self, number: int, interface: int) -> None:
        self._send(ALT_STATUS, number, bytes([SUCCESS, interface, self._alternate]))

    def _interrupts(self, number: int, body: bytes) -> None:
        """It never has anything to report."""
        self._send(INTERRUPT_STATUS, number, bytes([SUCCESS, body[0]]))

    def _control(self, number: int, body: bytes) -> None:
        end, request, kind, _, value, index, length = CONTROL_HEAD.unpack_from(body)
        content, status = self._content(request, kind, value), SUCCESS
        if content is None:
            content, status = b"", STALL
        if not kind & IN:
            content = b""
        content = content[:length]
        size = len(content) if kind & IN else length
        head = CONTROL_HEAD.pack(end, request, kind, status, value, index, size)
        self._send(CONTROL, number, head + content)

    def _content(self, request: int, kind: int, value: int) -> bytes | None:
        """What a standard request to the device asks for; other requests that give are taken."""
        if kind == IN and request == GET_DESCRIPTOR:
            return self.shape.answer(value >> 8, value & 0xFF)
        if kind & IN:
            return b"\0\0" if request == GET_STATUS else None
        return b""

    def _bulk(self, number: int, body: bytes) -> None:
        """It has endpoints, and nothing behind them."""
        end, _, _, stream, _ = struct.unpack_from("<BBHIH", body)
        self._send(BULK, number, struct.pack("<BBHIH", end, STALL, 0, stream, 0))

    def _send(self, kind: int, number: int, body: bytes) -> None:
        self._line.sendall(HEADER.pack(kind, len(body), number) + body)

    def _read(self, length: int) -> bytes:
        content = b""
        while len(content) < length:
            more = self._line.recv(length - len(content))
            if not more:
                raise EOFError
            content += more
        return content


class Player:
    """Plays devices at port paths of a client twin."""

    def __init__(self, qmp: Qmp, sockets: Sockets, directory: Path) -> None:
        self._qmp, self._sockets, self._directory = qmp, sockets, directory
        self._numbers = count(1)
        self._played: dict[str, Peer] = {}

    def plug(self, place: str, shape: Shape) -> None:
        """Plug a played device in."""
        name = f"played{next(self._numbers)}"
        line = self._directory / name
        address = {"type": "unix", "data": {"path": str(line)}}
        backend = {"type": "socket", "data": {"addr": address, "server": True, "wait": False}}
        self._qmp.ask("chardev-add", id=name, backend=backend)
        self._sockets.add(parse_port_path(place), "usb-redir", chardev=name)
        self._played[place] = Peer(line, shape)

    def pull(self, place: str) -> None:
        """Pull it. Its line goes with it."""
        self._played.pop(place).close()
        self._sockets.pull(place)

    def pull_all(self) -> None:
        """Pull all that is played."""
        for place in list(self._played):
            self.pull(place)
