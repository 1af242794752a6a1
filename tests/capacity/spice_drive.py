"""The same guest with the drive at a real seat: SPICE with TLS, spice-gtk's session, usbfs played.

The session is the one that seats run (tests/session), at the link's second end; the guest's SPICE
server is at the first.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))

from drive import PRODUCT, VENDOR
from drive_guest import UNSHAPED, DriveGuest, booted, end, wait_for
from live import Guest, Seat, make_certificates
from shaped_link import ADDRESSES, ShapedLink

TLS_PORT = 5901
RULES: dict[str, object] = {
    "format": 1,
    "redirect": "0x08,-1,-1,-1,1|-1,-1,-1,-1,0",
    "permitted": "0x08,-1,-1,-1,1|-1,-1,-1,-1,0",
    "onboard": [],
    "sockets": [],
    "names": {},
}
DRIVE = {"plug": "1-2", "vendor": VENDOR, "product": PRODUCT, "interfaces": [[8, 6, 80]]}


@contextlib.contextmanager
def spice_drive_guest(root: Path) -> Iterator[DriveGuest]:
    """Boot the guest, start the session, wait until the guest has the drive."""
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        link = stack.enter_context(ShapedLink())
        link.shape(UNSHAPED, 0)
        make_certificates(folder / "x509", ADDRESSES[0])
        spice = f"tls-port={TLS_PORT},addr={ADDRESSES[0]},x509-dir={folder}/x509"
        console = stack.enter_context(
            booted(
                link, root, folder, "-device", "qxl-vga", "-spice", f"{spice},disable-ticketing=on",
                "-chardev", "spicevmc,name=usbredir,id=drive",
            )
        )  # fmt: skip
        seat = Seat(
            folder,
            stack.enter_context(screen()),
            Guest(folder, folder / "x509", spice_port=TLS_PORT),
            RULES,
            session={"host": ADDRESSES[0]},
            player=Path(__file__).with_name("mock_drive.py"),
            around=link.inside(1),
        )
        stack.callback(seat.stop)
        seat.start(DRIVE)
        seat.is_("shown")
        seat.has(f"{VENDOR:04x}:{PRODUCT:04x}")
        wait_for(console, b"up", 120)
        yield DriveGuest(link, console, Log(folder / "session.log").new)


@contextlib.contextmanager
def screen() -> Iterator[str]:
    """A screen in memory, found through its socket in the file system."""
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", "1", "-screen", "0", "800x600x24", "-nolisten", "tcp"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert server.stdout is not None
        yield f":{int(server.stdout.readline())}"
    finally:
        end(server)


class Log:
    """The drive's lines among all that the session says."""

    def __init__(self, path: Path) -> None:
        self._path, self._at = path, 0

    def new(self) -> list[str]:
        """Those since it was last asked."""
        time.sleep(0.1)
        with self._path.open("rb") as log:
            log.seek(self._at)
            said = log.read()
        self._at += len(said)
        return [line for line in said.decode().splitlines() if line.startswith('{"what"')]
