"""The client twin: the seat's disk in QEMU, with the USB of the seat's model."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seatwright.twin.console import BOOTING, Console, Ran, console_options
from seatwright.twin.devices import Sockets
from seatwright.twin.disk import Disk
from seatwright.twin.emulator import Emulator, Network, wait_until
from seatwright.twin.errors import TwinError
from seatwright.twin.wiring import Wiring

STATE = "/run/seatwright/state.json"
HEARD = "heard.wav"
UNIT = "seatwright-session.service"
WAV_HEAD = 44
"""Bytes of the head that QEMU writes (audio/wavaudio.c)."""
WORDS = "root=/dev/vda rw quiet console=ttyS0 systemd.show_status=0 mitigations=off"


@dataclass(frozen=True, slots=True)
class ClientSpec:
    """What a client twin is made of; ``memory`` in MiB."""

    disk: Disk
    wiring: Wiring
    memory: int = 1024
    cores: int = 2

    def options(self, directory: Path) -> Iterator[str]:
        """QEMU's command line."""
        yield from ("-machine", "q35", "-m", str(self.memory), "-smp", str(self.cores))
        yield from ("-kernel", str(self.disk.kernel), "-initrd", str(self.disk.initrd))
        yield from ("-append", WORDS, "-serial", f"file:{directory / 'client.console'}")
        drive = f"if=none,id=system,format=raw,snapshot=on,file={self.disk.image}"
        yield from ("-drive", drive, "-device", "virtio-blk-pci,drive=system")
        yield from ("-device", "virtio-vga", "-device", "virtio-rng-pci")
        yield from console_options(directory / "client.agent")
        yield from ("-netdev", "user,id=uplink,ipv6=off", "-chardev", "null,id=nothing")
        yield from ("-audiodev", "none,id=mute", "-blockdev", "null-co,node-name=onboard")
        yield from ("-audiodev", f"wav,id=heard,path={directory / HEARD}")
        if not self.wiring.on_usb:
            yield from ("-device", "virtio-net-pci,netdev=uplink")
        for device in self.wiring.options():
            yield from ("-device", device)


class Client:
    """A running seat. ``sockets`` is where devices are plugged in."""

    def __init__(self, spec: ClientSpec, directory: Path, network: Network) -> None:
        self.spec = spec
        self.directory = directory
        self.emulator = Emulator("client", directory, network, list(spec.options(directory)))
        self._console = Console(directory / "client.agent")
        self.sockets = Sockets(self.emulator.qmp, directory)

    def wait_up(self) -> None:
        """Wait until it can be asked."""
        try:
            self._console.wait_up(BOOTING)
        except TwinError as error:
            console = (self.directory / "client.console").read_text(errors="replace")
            raise TwinError(f"{error}\n{console[-2000:]}") from None

    def run(self, *argv: str, input: str = "") -> Ran:
        """Run a command on it as root."""
        return self._console.run(*argv, input=input)

    def shell(self, script: str) -> str:
        """What a shell script prints; :class:`TwinError` where it fails."""
        return self.run("sh", "-ec", script).expect_success().out

    def write(self, path: str, text: str) -> None:
        """Put a file in place, as somebody with root would by hand."""
        self.run("sh", "-ec", 'cat > "$1"', "sh", path, input=text).expect_success()

    def state(self) -> dict[str, Any]:
        """What the session publishes; {} before it does."""
        ran = self.run("cat", STATE)
        try:
            found = json.loads(ran.out)
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}

    def ids(self, which: str = "redirected") -> list[str]:
        """The ids of published devices."""
        return sorted(one["id"] for one in self.state().get(which, []))

    def events(self, since: str = "") -> list[dict[str, str]]:
        """The session's structured lines in the journal, all or those after :meth:`cursor`."""
        after = [f"--after-cursor={since}"] if since else ["--boot"]
        lines = [json.loads(line) for line in self._journal(*after).splitlines()]
        return [line for line in lines if "SEATWRIGHT_EVENT" in line]

    def cursor(self) -> str:
        """Where the session's lines end now.

        Of the session's own: journalctl leaves out the first line after any other.
        """
        last = self._journal("-n", "1")
        return str(json.loads(last)["__CURSOR"]) if last else ""

    def _journal(self, *words: str) -> str:
        return self.run(
            "journalctl", "-o", "json", "--no-pager", *words, f"_SYSTEMD_UNIT={UNIT}"
        ).out

    def wait_state(self, state: str, seconds: float = 90) -> None:
        """Wait until the session is in a state ("shown")."""
        self._wait(f"state '{state}'", lambda: self.state().get("state") == state, seconds)

    def wait_ids(self, *ids: str, which: str = "redirected", seconds: float = 60) -> None:
        """Wait until exactly these devices are published."""
        self._wait(f"{which} {ids}", lambda: self.ids(which) == sorted(ids), seconds)

    def clock(self) -> float:
        """What time it has, in seconds since the epoch."""
        return float(self.shell("date +%s.%N"))

    def restart_session(self) -> None:
        """As a person with root would, and as often as wanted: systemd's count begins anew.

        Waits for the new session's program, not for the keeper to have seen it stay.
        """
        before = self.session_pid()
        self.run("systemctl", "reset-failed", UNIT)
        self.run("systemctl", "restart", "--no-block", UNIT).expect_success()
        wait_until("another session", lambda: self.session_pid() not in ("", before), 180, 0.5)

    def session_pid(self) -> str:
        """The process of what the compositor shows; nothing where there is none."""
        found = f"pgrep -P $(systemctl show -P MainPID {UNIT}) -x 'seat-session|python3' || :"
        return self.shell(found).strip()

    def screenshot(self, target: Path) -> None:
        """What the screen shows, as PNG."""
        self.emulator.qmp.ask("screendump", filename=str(target), format="png")

    def heard(self) -> bytes:
        """What came out of a sound device that was plugged in with ``audiodev="heard"``.

        Two channels of 16-bit samples, 44,100 a second, from its first sound on.
        """
        recorded = self.directory / HEARD
        return recorded.read_bytes()[WAV_HEAD:] if recorded.exists() else b""

    def set_link(self, up: bool) -> None:
        """Plug the network cable in, or pull it."""
        self.emulator.qmp.ask("set_link", name="uplink", up=up)

    def close(self) -> None:
        """Take its power away."""
        self._console.close()
        self.emulator.kill()

    def _wait(self, what: str, look: Any, seconds: float) -> None:
        try:
            wait_until(what, look, seconds, every=0.2)
        except TwinError as error:
            log = self.run("journalctl", "-u", UNIT, "-n", "30", "--no-pager", "-o", "cat").out
            raise TwinError(f"{error}\n{self.state()}\n{log}") from None
