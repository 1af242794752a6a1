"""What tests ask a provisioned seat."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from seatwright.ansible_runs import extra
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import HEADLESS

KEEPER = "/usr/lib/seatwright/seat-keeper"


@dataclass(frozen=True, slots=True)
class Seat:
    """One host of a fleet, asked as root."""

    fleet: Fleet
    name: str

    def ask(self, command: str) -> str:
        """What a command prints; AssertionError where it fails."""
        done = self.fleet.run(self.name, command)
        assert done.returncode == 0, f"{self.name}: {command}: {done.stdout}{done.stderr}"
        return done.stdout.strip()

    def state(self) -> dict[str, object]:
        """Everything the keeper knows."""
        found: dict[str, object] = json.loads(self.ask(f"{KEEPER} state --json"))
        return found

    def session(self) -> int:
        """Process id of the running session's compositor; 0 where it does not run."""
        return int(self.ask("systemctl show -P MainPID seatwright-session.service"))

    def marker(self) -> str:
        """What the running session was told as MARKER, by its settings."""
        environment = self.ask(f"cat /proc/{self.session()}/environ").split("\0")
        return dict(line.split("=", 1) for line in environment if "=" in line)["MARKER"]

    def has(self, path: str) -> bool:
        """Whether something is there."""
        return self.fleet.run(self.name, f"test -e {path}").returncode == 0

    def active(self, unit: str) -> bool:
        """Whether a unit is active."""
        return self.fleet.run(self.name, f"systemctl is-active --quiet {unit}").returncode == 0


def settings(marker: int, **variables: object) -> list[str]:
    """Words that give a run a session setting to recognise, and further variables."""
    environment = {**HEADLESS["seat_session_environment"], "MARKER": str(marker)}
    return extra({"seat_session_environment": environment, **variables})


def with_fault(program: Path) -> None:
    """Make a program of the session one that ends at once."""
    program.write_text('raise SystemExit("a deliberate fault")\n')


def becomes(condition: Callable[[], bool], within: float) -> bool:
    """Whether a condition comes true in so many seconds."""
    deadline = time.monotonic() + within
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.2)
    return True
