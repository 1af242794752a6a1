"""Processes, as far as the keeper needs them, from ``/proc`` (proc(5))."""

from __future__ import annotations

import time
from pathlib import Path

PROC = Path("/proc")
POLL = 0.5


def stays(pid: str, settle: float) -> bool:
    """Whether the process is still there after ``settle`` seconds; True where nobody named one."""
    until = time.monotonic() + settle
    while pid.isdecimal():
        if not lives(int(pid)):
            return False
        if time.monotonic() >= until:
            break
        time.sleep(min(POLL, settle))
    return True


def lives(pid: int) -> bool:
    """A process that ended and waits for its parent to notice lives no more."""
    status = _status(pid)
    return status is not None and status[0] != "Z"


def children(pid: int) -> tuple[int, ...]:
    """Processes whose parent is ``pid``."""
    numbers = [int(one.name) for one in PROC.iterdir() if one.name.isdecimal()]
    found = {number: _status(number) for number in numbers}
    return tuple(n for n, status in found.items() if status is not None and status[1] == str(pid))


def _status(pid: int) -> list[str] | None:
    """State, parent and more from ``stat``; the process's name in it may hold anything."""
    try:
        return (PROC / str(pid) / "stat").read_text(errors="replace").rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return None
