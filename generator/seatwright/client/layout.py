"""Where the keeper's things are, below a root that is ``/`` on a running seat."""

from __future__ import annotations

import contextlib
import fcntl
import grp
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SESSION_GROUP = "seat"


@dataclass(frozen=True, slots=True)
class Layout:
    """All paths of the keeper."""

    root: Path = Path("/")

    @property
    def programs(self) -> Path:
        """Where the seat's programs are."""
        return self.root / "usr/lib/seatwright"

    @property
    def manifests(self) -> Path:
        """One file for each list of installed files."""
        return self.root / "var/lib/seatwright/files"

    @property
    def good(self) -> Path:
        """The files of the last session that came up."""
        return self.root / "var/lib/seatwright/good"

    @property
    def refused(self) -> Path:
        """Digests that did not come up, one a line, the newest last."""
        return self.root / "var/lib/seatwright/refused"

    @property
    def falling_back(self) -> Path:
        """Stands there while files are being restored, and after that was interrupted."""
        return self.root / "var/lib/seatwright/falling-back"

    @property
    def model(self) -> Path:
        """What this machine should be like."""
        return self.root / "etc/seatwright/model.json"

    @property
    def model_checked(self) -> Path:
        """Stands for the model and the machine that were found to be alike."""
        return self.root / "var/lib/seatwright/model-checked"

    @property
    def model_passed(self) -> Path:
        """There since this boot where the session may start; the session's unit asks for it."""
        return self.root / "run/seatwright-model/passed"

    @property
    def run(self) -> Path:
        """Run-time state, in memory."""
        return self.root / "run/seatwright"

    @property
    def udev_control(self) -> Path:
        """There where udev runs."""
        return self.root / "run/udev/control"

    def on_seat(self, path: str) -> Path:
        """Where an absolute path of the seat is below this root."""
        return self.root / path.lstrip("/")

    def make_run(self) -> None:
        """The run-time directory: the session's group may add files, but not replace root's.

        Raises OSError.
        """
        self.run.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0 and self.root == Path("/"):
            with contextlib.suppress(KeyError):
                os.chown(self.run, 0, grp.getgrnam(SESSION_GROUP).gr_gid)
        os.chmod(self.run, 0o1775)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """One keeper at a time changes files; the lock goes with the process. Raises OSError."""
        path = self.root / "var/lib/seatwright/lock"
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)
