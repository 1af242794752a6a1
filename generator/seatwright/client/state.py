"""What the session publishes about itself: ``/run/seatwright/state.json``, and who reads it.

One object; fleet monitoring and the keeper read it::

    {"format": 1, "state": "starting|connecting|shown|waiting", "seat": "...", "guest": "...",
     "redirected": [{"id": "1209:0003", "port": "1-2", "name": "Card reader"}, ...],
     "waiting": [... devices that wait for a free redirection port ...],
     "idle": false, "last_input": 1234.5, "last_error": "host-away" or null, "ready": true}

``last_input`` is on CLOCK_BOOTTIME, in seconds.  The file is replaced whole, and only when
something in it changed; it lies in memory, so nothing wears out.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from seatwright.client.files import read_small

STATE_FILE = Path("/run/seatwright/state.json")
FORMAT = 1


@dataclass(frozen=True, slots=True)
class PublishedDevice:
    """A device as the operator sees it."""

    id: str
    port: str
    name: str


@dataclass(frozen=True, slots=True)
class State:
    """See the module's text. ``last_error`` is the slug of a message."""

    state: str
    seat: str
    guest: str
    redirected: tuple[PublishedDevice, ...] = ()
    waiting: tuple[PublishedDevice, ...] = ()
    idle: bool = False
    last_input: float = 0.0
    last_error: str | None = None
    ready: bool = False


def read_idle(path: Path) -> bool:
    """Whether the session says that nobody uses it.

    False where the file is missing or is not one of ours: then nobody knows, and nothing may be
    pulled from under a person.  The session's user writes the file, so nothing else is believed.
    """
    try:
        value = json.loads(read_small(path))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(value, dict) and value.get("format") == FORMAT and value.get("idle") is True
