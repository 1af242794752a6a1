"""Tells the twin the time, by the simplest form of NTP (RFC 4330), on the network's loopback.

``python -m seatwright.twin.timeserver``, inside the twin's network; ends with whoever started it.
"""

from __future__ import annotations

import socket
import struct
import time

PORT = 123
SINCE_1900 = 2_208_988_800
"""Seconds from NTP's first day to the epoch (RFC 868)."""
LEADING, SERVER = 0x24, 1
"""Version 4, mode "server"; a primary source."""


def stamp(seconds: float) -> bytes:
    """A moment as NTP writes it: seconds and their 2^-32 parts."""
    whole, part = divmod(seconds + SINCE_1900, 1)
    return struct.pack("!II", int(whole), int(part * 2**32))


def reply(question: bytes, heard: float) -> bytes:
    """The answer to a question that came at ``heard``."""
    head = struct.pack("!BBbb", LEADING, SERVER, 6, -20) + bytes(8) + b"TWIN"
    return head + stamp(heard) + question[40:48] + stamp(heard) + stamp(time.time())


def main() -> None:
    """Answer until killed."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.bind(("127.0.0.1", PORT))
        while True:
            question, who = line.recvfrom(512)
            if len(question) >= 48:
                line.sendto(reply(question, time.time()), who)


if __name__ == "__main__":
    main()
