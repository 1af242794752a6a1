"""Where a capture comes from: this machine, a client over ssh, or a file."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from seatwright.findings.words import printable
from seatwright.survey.here import TRIES, Places, capture_here
from seatwright.survey.look import LARGEST, read_look
from seatwright.survey.script import SCRIPT
from seatwright.survey.seen import Look

LONGEST = 120.0
"""Seconds for a look over ssh, a person's typing of a password included."""
CONNECT = 10
"""Seconds until a client that does not answer is given up."""


class SourceError(Exception):
    """No capture could be had: why, and what to do about it. ``missing``: a program is."""

    def __init__(self, message: str, hint: str = "", *, missing: bool = False) -> None:
        super().__init__(message)
        self.message, self.hint, self.missing = message, hint, missing


class Source(Protocol):
    """Something that can be looked at; ``again`` where a second look may see something else."""

    @property
    def name(self) -> str:
        """What it is called in messages."""
        ...

    @property
    def again(self) -> bool: ...

    def capture(self) -> str:
        """The text of a capture. Raises SourceError."""
        ...


@dataclass(frozen=True, slots=True)
class ThisMachine:
    """The machine that the program runs on, or directories that stand for it."""

    places: Places
    name: str = "this machine"
    again: bool = True

    def capture(self) -> str:
        try:
            return capture_here(self.places, short=False)
        except FileNotFoundError as error:
            raise SourceError(f"{error.filename} is missing here.", missing=True) from None
        except (OSError, subprocess.TimeoutExpired) as error:
            raise SourceError(f"This machine cannot be looked at: {error}") from None


@dataclass(frozen=True, slots=True)
class Client:
    """A client over ssh: one connection, the script on its standard input, nothing installed."""

    name: str
    config: Path | None = None
    shared: Path | None = None
    """A directory in which many looks share one connection; :meth:`close` ends it."""
    again: bool = True

    def capture(self) -> str:
        try:
            done = subprocess.run(
                self.command(), input=SCRIPT.encode(), capture_output=True, timeout=LONGEST
            )
        except FileNotFoundError:
            hint = "Install it: apt-get install openssh-client"
            raise SourceError("ssh is missing here.", hint, missing=True) from None
        except subprocess.TimeoutExpired:
            raise SourceError(f"{printable(self.name)} took longer than {LONGEST:.0f} s.") from None
        if done.returncode != 0 and not done.stdout:
            said = printable(done.stderr.decode(errors="replace").strip()[-400:])
            hint = f"Try it by hand: ssh {printable(self.name)} true"
            raise SourceError(f"{printable(self.name)} cannot be reached: {said}", hint)
        return done.stdout[: LARGEST + 1].decode("utf-8", errors="replace")

    def command(self) -> list[str]:
        """The words that start it."""
        return [*self._ssh(), "-o", f"ConnectTimeout={CONNECT}", "-T", "--", self.name, "sh -s"]

    def close(self) -> None:
        """End the shared connection."""
        if self.shared:
            words = [*self._ssh(), "-O", "exit", "--", self.name]
            subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL, check=False)

    def _ssh(self) -> list[str]:
        config = ["-F", str(self.config)] if self.config else []
        path = f"ControlPath={self.shared}/%C"
        keep = ["-o", "ControlMaster=auto", "-o", path, "-o", "ControlPersist=60"]
        return ["ssh", *config, *(keep if self.shared else [])]


@dataclass(frozen=True, slots=True)
class CaptureFile:
    """A capture that was made before; ``-`` is standard input."""

    path: Path
    again: bool = False

    @property
    def name(self) -> str:
        return str(self.path)

    def capture(self) -> str:
        try:
            if self.name == "-":
                return sys.stdin.buffer.read(LARGEST + 1).decode("utf-8", errors="replace")
            with self.path.open("rb") as stream:
                return stream.read(LARGEST + 1).decode("utf-8", errors="replace")
        except OSError as error:
            raise SourceError(f"{printable(self.name)}: {error.strerror}") from None


def look_at(source: Source) -> tuple[Look, str]:
    """What a source shows, and the capture itself.

    Raises SourceError and CaptureError; SourceError also where things came and went during each
    of a few looks, since what was read then may belong to two different moments.
    """
    for _ in range(TRIES if source.again else 1):
        text = source.capture()
        look = read_look(text, source.name)
        if not look.changed:
            return look, text
    raise SourceError(
        f"While {printable(source.name)} was looked at, something came or went: "
        f"{', '.join(look.changed[:8])}.",
        "Leave it alone for a moment, and look again.",
    )
