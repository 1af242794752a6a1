"""What the keeper leaves for the session in ``/run/seatwright``; all of it is gone after a boot.

``support`` holds ``{"format": 1, "from": 100.0, "until": 1900.0}`` on CLOCK_BOOTTIME in seconds,
``restart-wanted`` says that new settings wait for the seat to be idle.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

from seatwright.client.files import read_small, write_json

RUN = Path("/run/seatwright")
SUPPORT = "support"
RESTART_WANTED = "restart-wanted"
STATE = "state.json"
METRICS = "seatwright.prom"
STARTED = "started"
FORMAT = 1
LONGEST_SUPPORT = 12 * 60
"""Minutes."""


def boot_clock() -> float:
    """Seconds since the boot, time asleep included; cheap boards have no clock before the net."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def begin_support(run: Path, minutes: int, now: float) -> None:
    """Ask the session for support mode. Raises OSError."""
    until = now + 60 * minutes
    write_json(run / SUPPORT, {"format": FORMAT, "from": now, "until": until}, durable=False)


def support_left(run: Path, session_began: float, now: float) -> float:
    """Seconds of support mode left, 0 where there is none or it was asked of a session before."""
    try:
        value = json.loads(read_small(run / SUPPORT))
        begin, until = float(value["from"]), float(value["until"])
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return 0.0
    if begin < session_began or not begin <= now:
        return 0.0
    return max(0.0, min(until, begin + 60 * LONGEST_SUPPORT) - now)
