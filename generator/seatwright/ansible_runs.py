"""A run of ansible-core, wherever it goes: what it printed, and what its recap says."""

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


def run_ansible(
    *argv: str | Path,
    cwd: Path,
    env: Mapping[str, str],
    show: Callable[[str], None] | None = None,
) -> Outcome:
    """Run a program of ansible-core (the first word) in a repository's root, ``cwd``.

    ``env`` comes on top of this process's own; ``show`` is given each line as it comes. Never
    raises for what the run does.
    """
    program = Path(sys.executable).parent / argv[0]
    process = subprocess.Popen(
        [program, *argv[1:]],
        cwd=cwd,
        env={**os.environ, **env},
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
