"""Runs Ansible from this repository's venv against a fleet of test hosts."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from seatwright.rehearsal.fleet import Fleet

ROOT = Path(__file__).parents[2]

HEADLESS = '{"seat_session_environment": {"WLR_BACKENDS": "headless", "WLR_RENDERER": "pixman"}}'
"""Extra variables with which a seat's session comes up where there is no screen."""

RECAP = re.compile(
    r"^(\S+) +: ok=(\d+) +changed=(\d+) +unreachable=(\d+) +failed=(\d+) +skipped=(\d+)", re.M
)


@dataclass(frozen=True, slots=True)
class Recap:
    """What Ansible's last lines say of one host."""

    ok: int
    changed: int
    unreachable: int
    failed: int
    skipped: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished run: exit code, all it printed, and the recap by host."""

    code: int
    text: str

    @property
    def recap(self) -> Mapping[str, Recap]:
        return {name: Recap(*map(int, numbers)) for name, *numbers in RECAP.findall(self.text)}

    def expect_success(self) -> Outcome:
        """This outcome, if the run went well; its output as an AssertionError otherwise."""
        if self.code != 0:
            raise AssertionError(f"ansible ended with {self.code}:\n{self.text}")
        return self


def ansible(
    fleet: Fleet, *argv: str | Path, cwd: Path = ROOT, env: Mapping[str, str] | None = None
) -> Outcome:
    """Run a program of ansible-core (the first word) where ``cwd`` has its ``ansible.cfg``."""
    program = Path(sys.executable).parent / argv[0]
    done = subprocess.run(
        [program, *argv[1:]],
        cwd=cwd,
        env={**os.environ, **fleet.environment(), "ANSIBLE_NOCOLOR": "1", **(env or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    return Outcome(done.returncode, done.stdout)


def first_access(fleet: Fleet, place: Path, limit: str) -> Outcome:
    """Let the site's own user in, as a person does once for each new machine."""
    return ansible(
        fleet, "ansible-playbook", "-i", place / "hosts.yml", place / "playbooks/first-access.yml",
        "-l", limit, "-e", f"seatwright_access_key={fleet.state}/key.pub",
    ).expect_success()  # fmt: skip
