"""A look at this very machine. This file is copied to the seat: standard library only."""

from __future__ import annotations

import os
import subprocess
from typing import NamedTuple

from seatwright.survey.look import read_look
from seatwright.survey.script import SCRIPT
from seatwright.survey.seen import Look

LONGEST = 60.0
"""Seconds that a look may take; a busy board with a hundred devices needs one."""
TRIES = 3
"""Looks at a machine whose devices come and go, before that is said instead."""


class Places(NamedTuple):
    """Directories that stand for /sys and /proc."""

    sys: str
    proc: str

    @staticmethod
    def of(sys: str) -> Places:
        """For a directory in place of /sys; where a proc stands beside it, it is in its place."""
        beside = os.path.join(os.path.dirname(os.path.abspath(sys)), "proc")
        return Places(os.path.abspath(sys), beside if os.path.isdir(beside) else "/proc")


def capture_here(places: Places, *, short: bool) -> str:
    """What the script prints here; ``short`` leaves the descriptors out.

    Raises OSError, and subprocess.TimeoutExpired where it takes too long.
    """
    words = ["sh", "-s", "--", *places, *(["short"] if short else [])]
    done = subprocess.run(
        words, input=SCRIPT.encode(), capture_output=True, timeout=LONGEST, check=False
    )
    return done.stdout.decode("utf-8", errors="replace")


def look_here(places: Places) -> Look:
    """A short look, taken again where something came or went meanwhile.

    Raises OSError, subprocess.TimeoutExpired and CaptureError.
    """
    for _ in range(TRIES):
        look = read_look(capture_here(places, short=True), "this machine")
        if not look.changed:
            break
    return look
