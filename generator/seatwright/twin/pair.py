"""Both twins of a seat together: the way to have one.

with Twin.boot(plan, "rr-01") as twin:
    twin.client.wait_state("shown")
    twin.client.sockets.plug("1-2", "drive")
    twin.client.wait_ids("46f4:0001")
    assert twin.guest.attached() == 1
    print(twin.client.shell("journalctl -u seatwright-session"))
"""

from __future__ import annotations

import ipaddress
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from seatwright.plan import Plan
from seatwright.rehearsal.base import cache_directory
from seatwright.rehearsal.errors import need_programs
from seatwright.twin.client import Client, ClientSpec
from seatwright.twin.disk import ensure_disk
from seatwright.twin.emulator import Network
from seatwright.twin.errors import TwinError
from seatwright.twin.guest import Guest, GuestSpec
from seatwright.twin.root import GATEWAY, furnishing
from seatwright.twin.standins import with_stand_ins
from seatwright.twin.tls import ensure_ca, make_certificate
from seatwright.twin.wiring import wire

PROGRAMS = {
    "ip": "iproute2",
    "nsenter": "util-linux",
    "openssl": "openssl",
    "qemu-system-x86_64": "qemu-system-x86",
}
PIXMAN = {"WLR_RENDERER": "pixman"}
"""The emulator's screen has no 3D: wlroots draws in software (its own variable)."""


@dataclass(frozen=True)
class Twin:
    """A client and its guest; ``plan`` is the one they were made from, stand-ins included."""

    plan: Plan
    seat: str
    client: Client
    guest: Guest
    network: Network
    directory: Path
    address: str

    _helpers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @classmethod
    def boot(
        cls,
        plan: Plan,
        seat: str,
        *,
        variables: Mapping[str, object] | None = None,
        password: str = "",
        guest_system: bool = False,
        time: bool = True,
        cache: Path | None = None,
    ) -> Twin:
        """Make what is not in the cache, start both, and wait until the client can be asked.

        ``variables`` are the roles' for this seat; the guest asks for ``password`` where there is
        one; with ``guest_system`` it runs a Debian of its own; without ``time`` nobody tells the
        client the time until :meth:`tell_time`.  Raises :class:`RehearsalError`.
        """
        need_programs(PROGRAMS)
        planned = with_stand_ins(plan, plan.seats[seat].model)
        wiring = wire(planned.models[planned.seats[seat].model])
        address = planned.hosts[planned.seats[seat].host].address
        given = {
            "seat_session_environment": PIXMAN,
            "seat_session_ca": (_ca(cache) / "ca-cert.pem").read_text(),
            "seat_session_password": password,
            **(variables or {}),
        }
        named = {} if _is_number(address) else {address: GATEWAY}
        disk = ensure_disk(planned, seat, furnishing(seat, named), given, cache)
        directory = Path(tempfile.mkdtemp(prefix="seatwright-twin-"))
        network = Network([address] if _is_number(address) else [])
        make_certificate(_ca(cache), directory / "x509", address)
        system = disk if guest_system else None
        spec = GuestSpec.planned(planned, seat, directory / "x509", password=password, disk=system)
        guest = Guest(spec, directory, network)
        with ExitStack() as undo:
            undo.callback(shutil.rmtree, directory, ignore_errors=True)
            undo.callback(network.close)
            undo.callback(guest.stop)
            guest.start()
            client = Client(ClientSpec(disk, wiring), directory, network)
            undo.callback(client.close)
            twin = cls(planned, seat, client, guest, network, directory, address)
            undo.callback(twin.keep_silent)
            if time:
                twin.tell_time()
            client.wait_up()
            guest.wait_up()
            undo.pop_all()
        return twin

    def tell_time(self) -> None:
        """From now on a time server answers."""
        self._helpers.append(self.network.start(sys.executable, "-m", "seatwright.twin.timeserver"))

    def keep_silent(self) -> None:
        """From now on nobody tells the time."""
        while self._helpers:
            helper = self._helpers.pop()
            helper.kill()
            helper.wait()

    def certificates(self, name: str, *, days: int, cache: Path | None = None) -> Path:
        """Further certificates for the host; with negative ``days`` they are out of date."""
        target = self.directory / name
        make_certificate(_ca(cache), target, self.address, days=days)
        return target

    def close(self) -> None:
        """End both, and remove what belonged to them."""
        self.client.close()
        self.guest.stop()
        self.keep_silent()
        self.network.close()
        shutil.rmtree(self.directory, ignore_errors=True)

    def __enter__(self) -> Twin:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        tb: TracebackType | None,
    ) -> None:
        self.close()


def _ca(cache: Path | None) -> Path:
    return ensure_ca((cache or cache_directory()) / "twins/ca")


def _is_number(address: str) -> bool:
    try:
        ipaddress.ip_address(address)
    except ValueError:
        return False
    return True


__all__ = ["Twin", "TwinError"]
