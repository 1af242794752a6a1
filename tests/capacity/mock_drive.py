"""The drive on a mock bus, for a session that hands it over: usbdevfs answered for it.

Run with Debian's Python under ``umockdev-wrapper``, like ``mock_usb`` (tests/session), of which it
is a kind; the drive's lines go to standard output.  Source: Linux ``uapi/linux/usbdevice_fs.h``.
"""

from __future__ import annotations

import errno
import struct
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))

from drive import CONFIGURATION, DEVICE, Drive
from mock_usb import URB_ACTUAL, URB_SIZE, URB_STATUS, Bus, main

URB = struct.Struct("<BB2xiI4xQi")
"""Type, endpoint, status, flags, buffer and its length."""
BUFFER, CONTROL_TYPE, SETUP = 16, 2, 8


class DriveBus(Bus):
    """A bus whose storage devices are drives."""

    def __init__(self) -> None:
        self.drive = Drive()
        super().__init__()

    def descriptors(self, device: dict) -> bytes:
        storage = [one for one in device["interfaces"] if one[0] == 8]
        return DEVICE + CONFIGURATION if storage else super().descriptors(device)

    def submit(self, node, client) -> None:
        """Every transfer is done at once."""
        urb = client.get_arg().resolve(0, URB_SIZE)
        kind, end, _, _, _, length = URB.unpack_from(bytes(urb.retrieve()))
        status, actual = self.transfer(urb, kind, end, length)
        urb.update(URB_STATUS, struct.pack("<i", status))
        urb.update(URB_ACTUAL, struct.pack("<i", actual))
        node.done.setdefault(client, []).append(urb)
        client.complete(0, 0)
        node.drain()

    def transfer(self, urb, kind: int, end: int, length: int) -> tuple[int, int]:
        """Status and bytes of one transfer; the buffer is the client's own memory."""
        buffer = urb.resolve(BUFFER, length)
        if kind == CONTROL_TYPE:
            request_type, request, value = struct.unpack_from("<BBH", bytes(buffer.retrieve()))
            content = self.drive.control(request_type, request, value)
            if content is None:
                return -errno.EPIPE, 0
            content = content[: length - SETUP]
            if content:
                buffer.update(SETUP, content)
            return 0, len(content)
        if end & 0x80:
            data = self.drive.take(length)
            buffer.update(0, data)
            return 0, len(data)
        self.drive.give(bytes(buffer.retrieve()))
        return 0, length


if __name__ == "__main__":
    sys.exit(main(DriveBus))
