"""What goes wrong when hosts are made, and the one way to run a command here."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
from collections.abc import Mapping, Sequence

TAIL = 15
"""Lines of a failed command's output that a message shows."""


class RehearsalError(Exception):
    """Something kept the hosts from being made or run; ``hint`` says what to do about it."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint


def run(argv: Sequence[str], *, input: str = "", env: Mapping[str, str] | None = None) -> str:
    """Run a command to its end and return what it wrote to standard output.

    Raises :class:`RehearsalError` with the end of its output when it fails.
    """
    done = subprocess.run(argv, input=input, env=env, capture_output=True, text=True)
    if done.returncode != 0:
        raise RehearsalError(
            f"'{shlex.join(argv)}' failed ({done.returncode}):\n{tail(done.stdout + done.stderr)}"
        )
    return done.stdout


def tail(text: str, lines: int = TAIL) -> str:
    """The last lines of a log, for a message."""
    return "\n".join(text.rstrip().splitlines()[-lines:])


def need_root(what: str) -> None:
    """Raise :class:`RehearsalError` unless this process is root."""
    if os.geteuid() != 0:
        raise RehearsalError(
            f"{what} needs root: it mounts file systems and makes namespaces.",
            "Run the same command with sudo.",
        )


def need_programs(programs: Mapping[str, str]) -> None:
    """Raise :class:`RehearsalError` where one is missing; values are Debian package names."""
    missing = {name: package for name, package in programs.items() if not shutil.which(name)}
    if missing:
        raise RehearsalError(
            f"Missing on this machine: {', '.join(sorted(missing))}.",
            f"apt-get install {' '.join(sorted(set(missing.values())))}",
        )
