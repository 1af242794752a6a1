"""One emulator process, and the network namespace that those of a twin share.

An emulator ends with the thread that started it, however that ends.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from seatwright.rehearsal.apart import DIES_WITH_US
from seatwright.rehearsal.errors import tail
from seatwright.twin.errors import TwinError
from seatwright.twin.qmp import Qmp

T = TypeVar("T")
HOLDER = 'ip link set lo up && for a; do ip addr add "$a" dev lo || exit; done; echo up; exec cat'


def wait_until(what: str, look: Callable[[], T | None], seconds: float, every: float = 0.05) -> T:
    """The first true value of ``look``; :class:`TwinError` with what never came."""
    deadline = time.monotonic() + seconds
    while True:
        if value := look():
            return value
        if time.monotonic() > deadline:
            raise TwinError(f"Still no {what} after {seconds:.0f} s.")
        time.sleep(every)


class Network:
    """A network namespace with nothing but a loopback device, which has these addresses too."""

    def __init__(self, addresses: Sequence[str] = ()) -> None:
        self._holder = subprocess.Popen(
            [*DIES_WITH_US, "unshare", "--net", "sh", "-c", HOLDER, "sh", *addresses],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self._holder.stdout is not None and self._holder.stderr is not None
        if self._holder.stdout.readline() != "up\n":
            raise TwinError(f"No network for the twin: {self._holder.stderr.read()}")

    def inside(self, *argv: str) -> list[str]:
        """A command that runs in it."""
        return ["nsenter", f"--net=/proc/{self._holder.pid}/ns/net", *argv]

    def start(self, *argv: str) -> subprocess.Popen[bytes]:
        """Start a program in it, which ends with us."""
        environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
        command = [*DIES_WITH_US, *self.inside(*argv)]
        return subprocess.Popen(command, stdin=subprocess.DEVNULL, env=environment)

    def close(self) -> None:
        """Let it go; it lives until the last process in it has ended."""
        self._holder.kill()
        self._holder.wait()
        for stream in (self._holder.stdin, self._holder.stdout, self._holder.stderr):
            if stream is not None:
                stream.close()


class Emulator:
    """A running QEMU. ``log`` has what it wrote."""

    def __init__(self, name: str, directory: Path, network: Network, options: list[str]) -> None:
        self.name = name
        self.log = directory / f"{name}.log"
        control = directory / f"{name}.qmp"
        control.unlink(missing_ok=True)
        argv = ["qemu-system-x86_64", "-accel", "tcg,thread=multi", "-nodefaults"]
        argv += ["-no-user-config", "-display", "none", "-msg", "timestamp=on", *options]
        argv += ["-qmp", f"unix:{control},server=on,wait=off"]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*DIES_WITH_US, *network.inside(*argv)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        self.qmp = wait_until(f"answer of {name}", lambda: self._dial(control), 60)

    @property
    def pid(self) -> int:
        """Its process."""
        return self._process.pid

    def said(self) -> str:
        """What it wrote so far."""
        return self.log.read_text(errors="replace")

    def kill(self) -> None:
        """End it as a power cut does."""
        self._process.kill()
        self._process.wait()
        self.qmp.close()

    def _dial(self, control: Path) -> Qmp | None:
        if self._process.poll() is not None:
            raise TwinError(f"The emulator '{self.name}' did not start:\n{tail(self.said())}")
        try:
            return Qmp(control)
        except OSError:
            return None
