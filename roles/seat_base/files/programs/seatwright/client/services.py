"""systemd and udev, as far as the keeper needs them."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass

from seatwright.client.layout import Layout

SESSION = "seatwright-session.service"
RESTART_TIMER = "seatwright-restart.timer"
UNKNOWN = "unknown"
RUNNING = ("active", "activating", "reloading")
"""ActiveState of a session that is there or on its way."""
PATIENCE = 300.0
"""Seconds for one command; a restart waits until the new session is up."""


@dataclass(frozen=True, slots=True)
class Services:
    """Commands by path; ``systemctl`` None where nothing is to be started (an image)."""

    layout: Layout
    systemctl: str | None
    udevadm: str

    def session(self) -> str:
        """ActiveState of the session's unit, or ``unknown``."""
        shown = self._systemctl("show", "--property=LoadState,ActiveState", SESSION)
        if shown is None or shown.returncode != 0:
            return UNKNOWN
        values = dict(line.partition("=")[::2] for line in shown.stdout.splitlines())
        if values.get("LoadState") != "loaded":
            return UNKNOWN
        return values.get("ActiveState") or UNKNOWN

    def apply_files(self, *, systemd: bool = True) -> None:
        """Make udev, and ``systemd`` where it has not done so, read what is on the disk now."""
        if systemd:
            self._systemctl("daemon-reload")
        if self.systemctl is None or not self.layout.udev_control.exists():
            return
        _run([self.udevadm, "control", "--reload"])
        nodes = ["--subsystem-match=usb", "--property-match=DEVTYPE=usb_device"]
        _run([self.udevadm, "trigger", "--action=change", *nodes])
        _run([self.udevadm, "settle", "--timeout=10"])

    def restart_session(self, *, wait: bool) -> bool:
        """Restart it, or start it; True where systemd says that it is up (or, without ``wait``,
        that it will try).
        """
        self._systemctl("reset-failed", SESSION)
        block = [] if wait else ["--no-block"]
        done = self._systemctl("restart", *block, SESSION)
        return done is not None and done.returncode == 0

    def restart_timer(self, run: bool) -> None:
        """The timer that asks again whether the seat is idle."""
        self._systemctl("start" if run else "stop", "--no-block", RESTART_TIMER)

    def _systemctl(self, *arguments: str) -> subprocess.CompletedProcess[str] | None:
        return None if self.systemctl is None else _run([self.systemctl, *arguments])


def _run(argv: list[str]) -> subprocess.CompletedProcess[str] | None:
    """None where the command is not there or does not end."""
    try:
        return subprocess.run(
            argv, capture_output=True, text=True, timeout=PATIENCE, check=False, errors="replace"
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
