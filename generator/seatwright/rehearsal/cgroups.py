"""Control groups of a fleet: each host's systemd needs one of its own to live in.

On a machine whose PID 1 is systemd the fleet runs in a scope that systemd hands over to it;
elsewhere it makes its groups itself, below the group it was started in.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from seatwright.rehearsal.errors import RehearsalError

PREFIX = "seatwright-"
"""How the groups of every fleet begin."""

LEAVING = 5.0
"""Seconds that killed processes are given to leave their group."""


def scope_command(name: str) -> list[str]:
    """The words before a command that make systemd give it a group; none without systemd."""
    if not Path("/run/systemd/system").is_dir():
        return []
    return ["systemd-run", "--scope", "--quiet", "--collect", "--property=Delegate=yes",
            f"--unit={PREFIX}{name}"]  # fmt: skip


def make(name: str) -> tuple[Path, ...]:
    """Make the fleet's group in each hierarchy that systemd uses, below our own.

    Raises :class:`RehearsalError` where there is none to write to.
    """
    groups = tuple(parent / f"{PREFIX}{name}" for parent in _own_groups())
    if not groups:
        raise RehearsalError(
            "This machine has no control groups to run systemd in.",
            "Mount them: mount -t cgroup2 cgroup2 /sys/fs/cgroup",
        )
    for group in groups:
        group.mkdir(exist_ok=True)
    return groups


def enter(groups: Iterable[Path]) -> None:
    """Move this process into the groups (made where needed)."""
    for group in groups:
        group.mkdir(exist_ok=True)
        (group / "cgroup.procs").write_text("0")


def remove(name: str) -> None:
    """Remove a fleet's groups; the last of its processes may take a moment to leave them."""
    deadline = time.monotonic() + LEAVING
    groups = [parent / f"{PREFIX}{name}" for parent in _own_groups()]
    while not all(_gone(group) for group in groups) and time.monotonic() < deadline:
        time.sleep(0.02)


def sweep() -> None:
    """Remove what fleets that were killed left: their groups, empty by now."""
    for parent in _own_groups():
        for group in parent.glob(f"{PREFIX}*"):
            _gone(group)


def _gone(group: Path) -> bool:
    """Remove a group and all below it; False where a process is still in one of them."""
    for directory, _, _ in os.walk(group, topdown=False):
        with contextlib.suppress(OSError):
            os.rmdir(directory)
    return not group.exists()


def _own_groups() -> Iterator[Path]:
    """This process's group in cgroup v2 and, where it is mounted, in systemd's v1 hierarchy."""
    mounts = _hierarchies()
    for line in Path("/proc/self/cgroup").read_text().splitlines():
        _, controllers, path = line.split(":", 2)
        if controllers in mounts:
            yield mounts[controllers] / path.lstrip("/")


def _hierarchies() -> dict[str, Path]:
    """Mount points by how /proc/self/cgroup names the hierarchy; see proc_pid_mountinfo(5)."""
    found: dict[str, Path] = {}
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        fields, _, rest = line.partition(" - ")
        kind, _, options = rest.split(" ", 2)
        place = Path(fields.split(" ")[4])
        if kind == "cgroup2":
            found.setdefault("", place)
        elif kind == "cgroup" and "name=systemd" in options:
            found.setdefault("name=systemd", place)
    return found
