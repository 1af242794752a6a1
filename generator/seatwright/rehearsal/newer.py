"""What a newer Debian can check that the seats' own cannot, run inside its root."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.base import NEWER, ensure
from seatwright.rehearsal.errors import need_root

SCRIPT = """
mount -t tmpfs tmpfs "$1/run" && cat > "$1/run/checked.rules" &&
exec chroot "$1" udevadm verify --resolve-names=never /run/checked.rules
"""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether udev takes a rules file, and what it said about it."""

    accepted: bool
    said: str


def verify_udev_rules(rules: str, cache: Path | None = None) -> Verdict:
    """Ask ``udevadm verify`` (systemd 254 and newer) about the text of a rules file.

    Names of users and groups are not looked up: they exist on the seat.
    Raises :class:`~seatwright.rehearsal.errors.RehearsalError` where the root cannot be made.
    """
    (root,) = ensure(NEWER, cache)
    need_root("Checking udev rules in a newer Debian")
    argv = ["sh", "-c", SCRIPT, "sh", str(root)]
    done = subprocess.run(apart(argv), input=rules, capture_output=True, text=True)
    return Verdict(done.returncode == 0, done.stdout + done.stderr)
