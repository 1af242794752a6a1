"""Provisioning of a root file system with a rendered site's own playbooks."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from seatwright.ansible_runs import Outcome, extra, run_ansible
from seatwright.rehearsal.errors import RehearsalError, need_programs, need_root

CONNECTION = "seat_root"
PLUGINS = Path(__file__).parent / "plugins"

PROGRAMS = {"unshare": "util-linux", "nsenter": "util-linux", "mount": "mount"}
"""What is needed on this machine, and Debian's package for each."""

NO_STARTS = "#!/bin/sh\n# Nothing starts while an image is made.\nexit 101\n"
"""What invoke-rc.d asks before it starts anything: 101 forbids it (policy-rc.d's interface)."""

PROGRAMS_PLACE = "usr/lib/seatwright"
"""Where the seat's programs are; a run asks some of them, and Python keeps what it compiled."""

OWN_TRACES = ("root/.ansible", "root/.cache")
"""What a run may leave in the home directory it comes in to."""


@dataclass(frozen=True, slots=True)
class OfflineSite:
    """A rendered site. ``repository`` has ``roles/``; ``place`` is its rendered directory."""

    repository: Path
    place: Path

    def playbook(
        self,
        name: str,
        root: Path,
        seat: str,
        *argv: str,
        variables: Mapping[str, object] | None = None,
        network: bool = False,
        show: Callable[[str], None] | None = None,
    ) -> Outcome:
        """Run one of its playbooks (``clients``) into ``root`` as if that were the seat ``seat``.

        ``variables`` are further ones for this run; with ``network`` tasks may reach apt's sources.
        Units are enabled and nothing is started. Raises :class:`RehearsalError` where the run
        cannot begin; what the run itself does is in the outcome.
        """
        need_root("Provisioning a root file system")
        need_programs(PROGRAMS)
        root = checked_root(root)
        given = {
            **(variables or {}),
            "ansible_connection": CONNECTION,
            "ansible_become": False,
            "ansible_remote_tmp": "/tmp",
            "seatwright_offline_root": str(root),
            "seatwright_offline_network": network,
            "seatwright_stages": False,
        }
        with no_starts(root), _no_traces(root):
            return run_ansible(
                "ansible-playbook",
                "-i",
                self.place / "hosts.yml",
                "--limit",
                seat,
                self.place / "playbooks" / f"{name}.yml",
                *extra(given),
                *argv,
                cwd=self.repository,
                env=ENVIRONMENT,
                show=show,
            )

    def first_access(self, root: Path, seat: str, key: Path) -> Outcome:
        """Let the site's own user in with this public key, as ``first-access.yml`` does."""
        chosen = {"seatwright_access_key": str(key.absolute())}
        return self.playbook("first-access", root, seat, variables=chosen)

    def clients(
        self,
        root: Path,
        seat: str,
        *argv: str,
        variables: Mapping[str, object] | None = None,
        network: bool = False,
        show: Callable[[str], None] | None = None,
    ) -> Outcome:
        """Provision ``root`` with ``clients.yml`` as the seat ``seat`` (see :meth:`playbook`)."""
        return self.playbook(
            "clients", root, seat, *argv, variables=variables, network=network, show=show
        )


ENVIRONMENT = {
    "ANSIBLE_CONNECTION_PLUGINS": str(PLUGINS / "connection"),
    "ANSIBLE_PIPELINING": "true",
    "ANSIBLE_NOCOLOR": "true",
}


def checked_root(root: Path) -> Path:
    """The absolute path of a root file system; :class:`RehearsalError` where it is none."""
    root = root.absolute()
    if root == Path("/") or not (root / "usr/bin/env").exists():
        raise RehearsalError(
            f"{root} is not a root file system.",
            "Name a directory that holds one, as mmdebstrap makes it; never this machine's own.",
        )
    return root


@contextmanager
def no_starts(root: Path) -> Iterator[None]:
    """Forbid packages to start services; a policy that the root has itself stays."""
    policy = root / "usr/sbin/policy-rc.d"
    if policy.exists():
        yield
        return
    policy.write_text(NO_STARTS)
    policy.chmod(0o755)
    try:
        yield
    finally:
        policy.unlink(missing_ok=True)


@contextmanager
def _no_traces(root: Path) -> Iterator[None]:
    """Remove what a run leaves in the home directory, unless it was there before."""
    ours = [root / path for path in OWN_TRACES if not (root / path).exists()]
    try:
        yield
    finally:
        compiled = (root / PROGRAMS_PLACE).rglob("__pycache__")
        for path in [*ours, *compiled]:
            shutil.rmtree(path, ignore_errors=True)
