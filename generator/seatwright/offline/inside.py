"""Commands in a root file system that lies in a directory, without Ansible."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

from seatwright.offline.plugins.connection.seat_root import ENVIRONMENT, MOUNTS
from seatwright.offline.provision import checked_root, no_starts
from seatwright.rehearsal.apart import apart

ENTER = MOUNTS + 'shift 2\nexec chroot "$root" /usr/bin/env -i "$@"\n'


def run_inside(
    root: Path, argv: Sequence[str], *, network: bool = False
) -> subprocess.CompletedProcess[str]:
    """Run a command in ``root`` as a task of a playbook runs there: nothing is started, and
    nothing of it is left mounted. With ``network`` it may use this machine's."""
    root = checked_root(root)
    spaces = ["--ipc", "--uts", *([] if network else ["--net"])]
    environment = dict(ENVIRONMENT)
    if epoch := os.environ.get("SOURCE_DATE_EPOCH"):
        environment["SOURCE_DATE_EPOCH"] = epoch
    words = [f"{name}={value}" for name, value in environment.items()]
    given = [str(root), "network" if network else "", *words, *argv]
    with no_starts(root):
        return subprocess.run(
            apart(["sh", "-c", ENTER, "sh", *given], spaces=spaces),
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        )
