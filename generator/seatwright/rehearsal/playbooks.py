"""Runs Ansible against a fleet of test hosts as a person would, in a rendered repository."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec

from seatwright.rehearsal.errors import RehearsalError, tail
from seatwright.rehearsal.fleet import Fleet

HEADLESS = {"seat_session_environment": {"WLR_BACKENDS": "headless", "WLR_RENDERER": "pixman"}}
"""Variables with which a seat's session comes up where there is no screen (wlroots' own)."""

RECAP = re.compile(
    r"^(\S+) +: ok=(\d+) +changed=(\d+) +unreachable=(\d+) +failed=(\d+) +skipped=(\d+)"
    r" +rescued=(\d+)",
    re.MULTILINE,
)


class Recap(msgspec.Struct, frozen=True):
    """What Ansible's last lines say of one host: numbers of tasks."""

    ok: int
    changed: int
    unreachable: int
    failed: int
    skipped: int
    rescued: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished run: exit code, all it printed, and the recap by host."""

    code: int
    text: str

    @property
    def recap(self) -> Mapping[str, Recap]:
        """By host, in Ansible's order; empty where the run did not get that far."""
        return {name: Recap(*map(int, numbers)) for name, *numbers in RECAP.findall(self.text)}

    def expect_success(self) -> Outcome:
        """This outcome, if the run went well; :class:`RehearsalError` with its end otherwise."""
        if self.code != 0:
            raise RehearsalError(f"Ansible ended with {self.code}:\n{tail(self.text, 60)}")
        return self


def extra(variables: Mapping[str, object]) -> list[str]:
    """Variables for one run, as words of a command."""
    return ["-e", msgspec.json.encode(variables).decode()]


def ansible(
    fleet: Fleet,
    *argv: str | Path,
    cwd: Path,
    env: Mapping[str, str] | None = None,
    show: Callable[[str], None] | None = None,
) -> Outcome:
    """Run a program of ansible-core (the first word) in a repository's root, ``cwd``.

    ``show`` is given each line as it comes. Never raises for what the run does.
    """
    program = Path(sys.executable).parent / argv[0]
    process = subprocess.Popen(
        [program, *argv[1:]],
        cwd=cwd,
        env={**os.environ, **fleet.environment(), **(env or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    lines = []
    with process:
        for line in process.stdout or ():
            lines.append(line)
            if show:
                show(line.rstrip("\n"))
    return Outcome(process.returncode, "".join(lines))


@dataclass(frozen=True, slots=True)
class Rendered:
    """A rendered site's runs against a fleet.

    ``repository`` has ``ansible.cfg`` and ``roles/``; ``place`` is the site's rendered directory.
    """

    fleet: Fleet
    repository: Path
    place: Path

    def playbook(self, name: str, *argv: str, show: Callable[[str], None] | None = None) -> Outcome:
        """Run one of its playbooks (``clients``) for the hosts that the fleet has."""
        return ansible(
            self.fleet,
            "ansible-playbook",
            "-i",
            self.place / "hosts.yml",
            "--limit",
            ",".join(self.fleet.names),
            self.place / "playbooks" / f"{name}.yml",
            *argv,
            cwd=self.repository,
            show=show,
        )

    def first_access(self) -> Outcome:
        """Let the site's own user in, as a person does once for each new machine."""
        key = f"{self.fleet.state}/key.pub"
        return self.playbook("first-access", *extra({"seatwright_access_key": key}))

    def clients(self, *argv: str, show: Callable[[str], None] | None = None) -> Outcome:
        """Provision the seats, with a session that needs no screen."""
        return self.playbook("clients", *extra(HEADLESS), *argv, show=show)
