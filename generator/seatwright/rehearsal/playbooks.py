"""Runs Ansible against a fleet of test hosts as a person would, in a rendered repository."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from seatwright.ansible_runs import Outcome, extra, run_ansible
from seatwright.rehearsal.fleet import Fleet

HEADLESS = {"seat_session_environment": {"WLR_BACKENDS": "headless", "WLR_RENDERER": "pixman"}}
"""Variables with which a seat's session comes up where there is no screen (wlroots' own)."""


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
    return run_ansible(*argv, cwd=cwd, env={**fleet.environment(), **(env or {})}, show=show)


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
