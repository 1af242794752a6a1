"""Tell systemd that the session is up (sd_notify's protocol: one datagram of lines)."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(*lines: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send ``READY=1`` and the like; False where nobody asked for it. Raises OSError."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        sender.sendto("\n".join(lines).encode(), address)
    return True


def watchdog_seconds(environment: Mapping[str, str] = os.environ) -> float | None:
    """How often to say WATCHDOG=1 (half of what systemd allows), None where it is not wanted."""
    allowed = environment.get("WATCHDOG_USEC", "")
    return int(allowed) / 2_000_000 if allowed.isdecimal() and int(allowed) > 0 else None
