"""The guest twin: QEMU with a SPICE server, the planned redirection ports and the host's filter.

It has no disk unless one is asked for: what counts is what arrives, by QEMU's own account.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from seatwright.plan import Plan, PlannedGuest
from seatwright.render.qemu import controller_devices, filter_text
from seatwright.twin.console import BOOTING, Console, Ran, console_options
from seatwright.twin.disk import Disk
from seatwright.twin.emulator import Emulator, Network

ATTACHING = re.compile(
    r"^(\S+) .*usb-redir: attaching (?:\w+ speed|super) device ([0-9a-f]{4}:[0-9a-f]{4})",
    re.MULTILINE,
)
"""When and what: QEMU's redirect.c, usbredir_device_connect, at debug level 3."""

TIMER_HERTZ = 1_193_182
TIMER_MODE, TIMER_COUNT, SPEAKER = 0x43, 0x42, 0x61
"""I/O ports of the timer chip's mode and third count, and of the speaker that it drives."""
SQUARE_WAVE, SPEAKER_ON = 0xB6, 0x03


@dataclass(frozen=True, slots=True)
class GuestSpec:
    """A guest as planned, and what a test may set.

    ``filter`` is the host's, as :func:`render.qemu.filter_text` writes it; ``disk`` a system of
    its own.
    """

    guest: PlannedGuest
    filter: str
    certificates: Path
    password: str = ""
    disk: Disk | None = None

    @classmethod
    def planned(
        cls, plan: Plan, seat: str, certificates: Path, *, password: str, disk: Disk | None
    ) -> GuestSpec:
        """The guest that a seat shows."""
        guest = plan.guests[plan.seats[seat].guest]
        rules = filter_text(plan.rules[guest.rules].host)
        return cls(guest, rules, certificates, password, disk)

    def options(self, directory: Path) -> Iterator[str]:
        """QEMU's command line."""
        ticket = "password-secret=ticket" if self.password else "disable-ticketing=on"
        yield from ("-machine", "q35,pcspk-audiodev=sound", "-m", "512" if self.disk else "64")
        yield from ("-device", "qxl-vga", "-audiodev", "spice,id=sound")
        yield from ("-object", f"secret,id=ticket,data={self.password}")
        where = f"tls-port={self.guest.spice_port}"
        yield from ("-spice", f"{where},x509-dir={self.certificates},{ticket}")
        for controller in self.guest.controllers:
            for name, values in controller_devices(controller):
                yield from ("-device", _device(name, values))
        only = f",filter={self.filter}" if self.filter else ""
        for port in self.guest.ports:
            name = f"port{port.number}"
            yield from ("-chardev", f"spicevmc,name=usbredir,id={name}")
            place = f"bus=usb{port.bus}.0,port={port.port}"
            device = f"usb-redir,id=redir{port.number},chardev={name},{place},debug=3{only}"
            yield from ("-device", device)
        if self.disk:
            yield from _system(self.disk, directory)


def _device(name: str, values: Mapping[str, object]) -> str:
    """A device as the command line takes it."""
    driver = f"{values['driver']},id={name}"
    return ",".join(
        [driver, *(f"{key}={value}" for key, value in values.items() if key != "driver")]
    )


def _system(disk: Disk, directory: Path) -> Iterator[str]:
    """The twins' own Debian inside the guest, with the same way in as the client."""
    drive = f"if=none,id=system,format=raw,snapshot=on,file={disk.image}"
    words = "root=/dev/vda rw quiet systemd.mask=seatwright-session.service"
    yield from console_options(directory / "guest.agent")
    yield from ("-drive", drive, "-device", "virtio-blk-pci,drive=system")
    yield from ("-kernel", str(disk.kernel), "-initrd", str(disk.initrd), "-append", words)


class Guest:
    """A guest that can be started, stopped and asked."""

    def __init__(self, spec: GuestSpec, directory: Path, network: Network) -> None:
        self.spec = spec
        self._directory = directory
        self._network = network
        self._emulator: Emulator | None = None
        self._console: Console | None = None

    @property
    def emulator(self) -> Emulator:
        """The running one."""
        assert self._emulator is not None, "the guest is off"
        return self._emulator

    def start(self, spec: GuestSpec | None = None) -> None:
        """Boot, as it is or as another."""
        self.spec = spec or self.spec
        self._emulator = Emulator(
            "guest", self._directory, self._network, list(self.spec.options(self._directory))
        )
        if self.spec.disk:
            self._console = Console(self._directory / "guest.agent")

    def wait_up(self) -> None:
        """Wait until its own system can be asked; fine where it has none."""
        if self._console is not None:
            self._console.wait_up(BOOTING)

    def run(self, *argv: str, input: str = "") -> Ran:
        """Run a command in its own system as root."""
        assert self._console is not None, "the guest has no system of its own"
        return self._console.run(*argv, input=input)

    def stop(self) -> None:
        """Take its power away; fine when it is off."""
        if self._console is not None:
            self._console.close()
            self._console = None
        if self._emulator is not None:
            self._emulator.kill()
            self._emulator = None

    def play(self, hertz: int) -> None:
        """Sound its speaker at this pitch (0: not any more), as its firmware could."""
        count = TIMER_HERTZ // hertz if hertz else 0
        for port, value in (
            (TIMER_MODE, SQUARE_WAVE),
            (TIMER_COUNT, count & 0xFF),
            (TIMER_COUNT, count >> 8),
            (SPEAKER, SPEAKER_ON if hertz else 0),
        ):
            self.emulator.qmp.monitor(f"o/b {port:#x} {value:#x}")

    def attached(self) -> int:
        """How many redirected devices are there, by QEMU's own account."""
        return sum(
            self.emulator.qmp.ask(
                "qom-get", path=f"/machine/peripheral/redir{port.number}", property="attached"
            )
            is True
            for port in self.spec.guest.ports
        )

    def arrivals(self) -> list[str]:
        """The ids of all devices that ever arrived, in that order."""
        return [device for _, device in self.arrived()]

    def arrived(self) -> list[tuple[float, str]]:
        """The same with the moments of their arrival, in seconds since the epoch."""
        found = ATTACHING.findall(self.emulator.said())
        return [(datetime.fromisoformat(when).timestamp(), device) for when, device in found]
