"""A guest that reads and writes a redirected drive over a shaped link, and the figures of it.

The guest is Debian's kernel with a shell of a few lines in QEMU (no KVM), on its xHCI controller a
``usb-redir`` device whose line leads through the link to ``drive_peer``.  What is timed is
the way from one command's arrival at the drive to the next one's.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import queue
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

from shaped_link import ADDRESSES, ShapedLink

from seatwright.capacity.demand import STORAGE_REQUEST, STORAGE_TRIPS
from seatwright.capacity.transfers import Transfer
from seatwright.capacity.wire import IPV4, Wire, by_pieces
from seatwright.rehearsal.base import Recipe

RECIPE = Recipe("drive-guest", "bookworm", ("busybox-static", "linux-image-amd64"))
MODULES = ("xhci-pci", "usb-storage", "sd_mod")
PORT = 4000
UNSHAPED = 1e10
PIECE = 8 * STORAGE_REQUEST
"""Bytes that the guest asks for at once: eight commands of 120 KiB."""

INIT = """\
#!/bin/busybox sh
/bin/busybox mkdir -p /dev /proc /sys
/bin/busybox mount -t devtmpfs dev /dev
/bin/busybox mount -t proc proc /proc
for module in $(/bin/busybox cat /order); do /bin/busybox insmod /modules/$module; done
exec < /dev/ttyS0 > /dev/ttyS0 2>&1
/bin/busybox dd if=/dev/urandom of=/noise bs=PIECE count=1 2> /dev/null
until [ -b /dev/sda ]; do /bin/busybox sleep 0.1; done
echo up
while read what count; do
    case $what in
        read) /bin/busybox dd if=/dev/sda of=/dev/null bs=PIECE count=$count iflag=direct;;
        write) for piece in $(/bin/busybox seq $count); do
            /bin/busybox dd if=/noise of=/dev/sda bs=PIECE count=1 oflag=direct
        done;;
    esac > /dev/null 2>&1
    echo "done $?"
done
""".replace("PIECE", str(PIECE))


def initial_disk(root: Path) -> bytes:
    """The guest's whole system: busybox, the modules that lead to a drive, and a script."""
    (kernel,) = (root / "lib/modules").iterdir()
    order = module_order(kernel)
    files: list[tuple[str, int, bytes]] = [("bin", 0o040755, b""), ("modules", 0o040755, b"")]
    busybox = next(p for p in (root / "bin/busybox", root / "usr/bin/busybox") if p.exists())
    files.append(("bin/busybox", 0o100755, busybox.read_bytes()))
    files += [(f"modules/{one.name}", 0o100644, one.read_bytes()) for one in order]
    files.append(("order", 0o100644, "\n".join(one.name for one in order).encode()))
    files.append(("init", 0o100755, INIT.encode()))
    archive = b"".join(entry(n, *file) for n, file in enumerate(files))
    return gzip.compress(archive + entry(0, "TRAILER!!!", 0, b""), 1, mtime=0)


def entry(number: int, name: str, mode: int, content: bytes) -> bytes:
    """A file as cpio has it (kernel, Documentation: driver-api/early-userspace/buffer-format)."""
    fields = (number + 1, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(name) + 1, 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
    return padded(head) + padded(content)


def padded(content: bytes) -> bytes:
    """Filled up to a multiple of four bytes."""
    return content + bytes(-len(content) % 4)


def module_order(kernel: Path) -> list[Path]:
    """The wanted modules with all that they need, each after what it needs."""
    needs = {
        name.split("/")[-1].removesuffix(".ko"): (name, rest.split())
        for line in (kernel / "modules.dep").read_text().splitlines()
        for name, _, rest in [line.partition(":")]
    }
    found: dict[str, None] = {}
    for module in MODULES:
        name, below = needs[module]
        for path in (*reversed(below), name):
            found.setdefault(path)
    return [kernel / path for path in found]


@dataclass(frozen=True)
class Figure:
    """One kind of access on one shape: seconds for each command of 120 KiB, the usual one."""

    what: str
    rate: float
    round_trip: float
    seconds: float

    @property
    def bits(self) -> float:
        """The drive's own data, bits per second."""
        return 8 * STORAGE_REQUEST / self.seconds


class DriveGuest:
    """The running guest; ``lines`` gives what the drive has said since it was last asked."""

    def __init__(
        self, link: ShapedLink, console: socket.socket, lines: Callable[[], list[str]]
    ) -> None:
        self._link, self._console, self._lines = link, console, lines

    def own(self, what: str) -> Figure:
        """On a link that holds nothing up: what the emulator needs by itself."""
        return self.measure(what, UNSHAPED, 0, pieces=4)

    def measure(self, what: str, rate: float, round_trip: float, pieces: int = 2) -> Figure:
        """Shape the link and let the guest read or write ``pieces`` of eight commands."""
        self._link.shape(rate, round_trip)
        self._lines()
        self._console.sendall(f"{what} {pieces}\n".encode())
        wait_for(self._console, b"done 0", 120)
        time.sleep(0.1)
        commands = [json.loads(line) for line in self._lines()]
        began = [one["began"] for one in commands if one["bytes"] == STORAGE_REQUEST]
        assert len(began) == 8 * pieces, commands
        gaps = [after - before for before, after in pairwise(began)]
        return Figure(what, rate, round_trip, median(gaps))


@contextlib.contextmanager
def drive_guest(root: Path) -> Iterator[DriveGuest]:
    """Boot the guest behind a link that is not shaped yet, the drive at its other end."""
    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        link = stack.enter_context(ShapedLink())
        link.shape(UNSHAPED, 0)
        program = Path(__file__).with_name("drive_peer.py")
        peer = subprocess.Popen(
            link.inside(1, sys.executable, program, ADDRESSES[1], str(PORT)),
            stdout=subprocess.PIPE,
            text=True,
        )
        stack.callback(end, peer)
        assert peer.stdout is not None and peer.stdout.readline() == "listening\n"
        said: queue.Queue[str] = queue.Queue()
        threading.Thread(target=lambda: collect(peer, said), daemon=True).start()
        line = f"socket,id=drive,host={ADDRESSES[1]},port={PORT},nodelay=on"
        console = stack.enter_context(booted(link, root, Path(folder), "-chardev", line))
        wait_for(console, b"up", 120)
        yield DriveGuest(link, console, lambda: [said.get() for _ in range(said.qsize())])


@contextlib.contextmanager
def booted(link: ShapedLink, root: Path, folder: Path, *options: str) -> Iterator[socket.socket]:
    """The guest in QEMU at the link's first end; its console. ``options`` have the drive's line."""
    (kernel,) = (root / "boot").glob("vmlinuz-*")
    (folder / "initial").write_bytes(initial_disk(root))
    emulator = subprocess.Popen(
        link.inside(
            0, "qemu-system-x86_64", "-accel", "tcg", "-machine", "q35", "-m", "192",
            "-nodefaults", "-display", "none", "-kernel", kernel, "-initrd", folder / "initial",
            "-append", "quiet", "-serial", f"unix:{folder}/console,server=on,wait=off", *options,
            "-device", "qemu-xhci,id=usb",
            "-device", "usb-redir,id=redir1,chardev=drive,bus=usb.0,port=1",
        )
    )  # fmt: skip
    try:
        until = time.monotonic() + 30
        while not (folder / "console").exists():
            assert emulator.poll() is None and time.monotonic() < until, "QEMU did not start"
            time.sleep(0.05)
        with socket.socket(socket.AF_UNIX) as console:
            console.connect(str(folder / "console"))
            yield console
    finally:
        end(emulator)


def collect(peer: subprocess.Popen[str], said: queue.Queue[str]) -> None:
    """Keep what the drive reports."""
    assert peer.stdout is not None
    for line in peer.stdout:
        said.put(line)


def wait_for(console: socket.socket, wanted: bytes, seconds: float) -> None:
    """Read the console until it says so."""
    said, until = b"", time.monotonic() + seconds
    while wanted not in said:
        ready, _, _ = select.select([console], [], [], max(0.0, until - time.monotonic()))
        assert ready, f"the guest never said {wanted!r}: {said!r}"
        said += os.read(console.fileno(), 4096)


def end(process: subprocess.Popen[bytes] | subprocess.Popen[str]) -> None:
    """End a process that was started here."""
    process.terminate()
    process.wait(timeout=15)


THROUGH_SPICE = Wire(ip=IPV4)
"""What a seat's session adds."""

BARE = Wire(ip=IPV4, tls=False, spice=False)
"""What is between drive and guest here: usbredir right in TCP."""


def predicted(rate: float, round_trip: float, wire: Wire = BARE) -> float:
    """Seconds for a command of 120 KiB by the formulas of the budget."""
    carried = wire.carries(int(rate), Transfer.BULK, STORAGE_REQUEST)
    return 8 * STORAGE_REQUEST / by_pieces(STORAGE_REQUEST, STORAGE_TRIPS, round_trip, carried)
