"""A seat in an emulator, started from an image like a board from its card, and its plug."""

from __future__ import annotations

import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.filesystem import MIB
from seatwright.twin.qmp import Qmp

CARD = 2048 * MIB
"""Bytes of a card."""


@dataclass(frozen=True)
class Kind:
    """What a kind of machine is made of, and the firmware that starts its card."""

    words: tuple[str, ...]
    code: Path
    settings: Path


PLAIN = "qemu64,+ssse3,+sse4.1,+sse4.2,+popcnt,+rdrand"
"""What an emulator is quick at: with the wide vectors of "max" a boot takes a fifth longer."""

KINDS = {
    "amd64": Kind(
        ("qemu-system-x86_64", "-machine", "q35", "-cpu", PLAIN, "-device", "virtio-vga"),
        Path("/usr/share/OVMF/OVMF_CODE_4M.fd"),
        Path("/usr/share/OVMF/OVMF_VARS_4M.fd"),
    ),
    "arm64": Kind(
        ("qemu-system-aarch64", "-machine", "virt", "-cpu", "max,lpa2=off,pauth-impdef=on"),
        Path("/usr/share/AAVMF/AAVMF_CODE.fd"),
        Path("/usr/share/AAVMF/AAVMF_VARS.fd"),
    ),
}


@dataclass
class Machine:
    """A machine with ``disk`` as its card; ``scratch`` is a directory of its own."""

    disk: Path
    scratch: Path
    key: Path
    arch: str = "amd64"
    process: subprocess.Popen[bytes] | None = None
    port: int = 0

    def start(self) -> None:
        """Plug it in."""
        self.port = free_port()
        kind = KINDS[self.arch]
        settings = self.scratch / "firmware"
        if not settings.exists():
            settings.write_bytes(kind.settings.read_bytes())
        argv = [
            *kind.words, "-accel", "tcg,thread=multi", "-smp", "2", "-m", "1024",
            "-display", "none",
            "-drive", f"if=pflash,format=raw,readonly=on,file={kind.code}",
            "-drive", f"if=pflash,format=raw,file={settings}",
            "-drive", f"if=virtio,format=raw,file={self.disk}",
            "-netdev", f"user,id=n,restrict=on,hostfwd=tcp:127.0.0.1:{self.port}-:22",
            "-device", "virtio-net-pci,netdev=n,mac=52:54:00:ab:cd:ef",
            "-serial", f"file:{self.scratch}/console",
            "-qmp", f"unix:{self._control},server=on,wait=off",
        ]  # fmt: skip
        self.process = subprocess.Popen(argv, stdin=subprocess.DEVNULL)

    @property
    def _control(self) -> Path:
        return self.scratch / "qmp"

    def picture(self, target: Path) -> None:
        """What is on its screen, as PNG."""
        Qmp(self._control).ask("screendump", filename=str(target), format="png")

    def hold(self) -> None:
        """Let it stand still, and its clock with it."""
        Qmp(self._control).ask("stop")

    def go_on(self) -> None:
        """Go on as if nothing had been."""
        Qmp(self._control).ask("cont")

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """For a moment it stands still in the middle of whatever it does: its card is then as if it
        had been killed."""
        assert self.process
        self.process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self.process.send_signal(signal.SIGCONT)

    def pull_the_plug(self) -> None:
        """Everything that was not on the card is gone."""
        if self.process:
            self.process.kill()
            self.process.wait()
            self.process = None
            subprocess.run(
                ["ssh", *self.ssh_options, "-O", "exit", "ops@127.0.0.1"], capture_output=True
            )

    @property
    def ssh_options(self) -> list[str]:
        """Words with which ssh gets in, whatever its host key."""
        return [
            "-F", "none", "-i", str(self.key), "-p", str(self.port), "-o", "BatchMode=yes",
            "-o", "StrictHostKeyChecking=no", "-o", "UserKnownHostsFile=/dev/null",
            "-o", "LogLevel=ERROR", "-o", "ConnectTimeout=10",
            # A login costs an emulated machine seconds: one does for all.
            "-o", "ControlMaster=auto", "-o", "ControlPersist=300",
            "-o", f"ControlPath={self.scratch}/%p",
        ]  # fmt: skip

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        """Run a command on it as root."""
        argv = ["ssh", *self.ssh_options, "ops@127.0.0.1", "--", f"sudo sh -c '{command}'"]
        return subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)

    def ask(self, command: str) -> str:
        """What a command prints; AssertionError where it fails."""
        done = self.run(command)
        assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
        return done.stdout.strip()

    def becomes(self, command: str, wanted: str, within: float) -> None:
        """Wait until a command prints what is wanted."""
        until = time.monotonic() + within
        said = ""
        while time.monotonic() < until:
            done = self.run(command)
            said = (done.stdout + done.stderr).strip()
            if done.stdout.strip() == wanted:
                return
            time.sleep(2)
        console = (self.scratch / "console").read_text(errors="replace")[-2000:]
        raise AssertionError(f"{command}: {said!r} after {within:.0f} s, not {wanted!r}\n{console}")


def free_port() -> int:
    """A TCP port that nobody uses now."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port
