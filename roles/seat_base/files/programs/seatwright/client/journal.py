"""Structured lines for the operator: systemd's journal, or standard error where there is none.

Source: systemd, "Native Journal Protocol". Each line has MESSAGE, PRIORITY and SEATWRIGHT_EVENT;
further fields are SEATWRIGHT_<NAME>.  The last lines stay in memory for support mode.
"""

from __future__ import annotations

import collections
import contextlib
import socket
import struct
import sys
import time

SOCKET = "/run/systemd/journal/socket"
REMEMBERED = 200
INFO, WARNING, ERROR = 6, 4, 3


class Journal:
    """Writes lines and remembers the last ones."""

    def __init__(self, path: str = SOCKET) -> None:
        self.lines: collections.deque[str] = collections.deque(maxlen=REMEMBERED)
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)

    def note(self, event: str, message: str, *, priority: int = INFO, **fields: object) -> None:
        """One line. Never raises: a journal that is full or away must not end the session."""
        words = " ".join(f"{name}={value}" for name, value in fields.items())
        self.lines.append(f"{time.strftime('%H:%M:%S')} {event}: {message} {words}".rstrip())
        entry = {
            "MESSAGE": message,
            "PRIORITY": str(priority),
            "SYSLOG_IDENTIFIER": "seat-session",
            "SEATWRIGHT_EVENT": event,
            **{f"SEATWRIGHT_{name.upper()}": str(value) for name, value in fields.items()},
        }
        try:
            self._socket.sendto(encode(entry), self._path)
        except OSError:
            with contextlib.suppress(OSError):
                print(f"{event}: {message} {words}".rstrip(), file=sys.stderr, flush=True)


def encode(entry: dict[str, str]) -> bytes:
    """The native protocol; a value with a line end is sent with its length in front."""
    parts = []
    for name, value in entry.items():
        data = value.encode("utf-8", "replace")
        if b"\n" in data:
            parts.append(name.encode() + b"\n" + struct.pack("<Q", len(data)) + data + b"\n")
        else:
            parts.append(name.encode() + b"=" + data + b"\n")
    return b"".join(parts)
