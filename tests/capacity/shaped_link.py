"""A link between two network namespaces with a rate and a round trip, packet by packet.

Two TAP devices, one in each namespace; a frame read from one is written to the other after the
time that Ethernet needs for it (preamble, check sequence and gap counted) and half the round
trip.  The kernels of small machines have no netem, and every one has TAP.  Run as a program it is
the forwarder: lines ``RATE ROUND_TRIP`` (bits per second, seconds) on standard input change it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
import select
import struct
import subprocess
import sys
import time
from collections import deque
from pathlib import Path

from seatwright.capacity.wire import CHECK, GAP, PREAMBLE

TUNSETIFF = 0x400454CA
TAP_WITHOUT_HEADER = 0x0002 | 0x1000
"""linux/if_tun.h: IFF_TAP, IFF_NO_PI. Without offloads the kernel sends real frames of 1,514."""

LARGEST = 65_536
ADDRESSES = ("10.99.0.1", "10.99.0.2")


class Direction:
    """From one TAP to the other: what waits, and when the wire is free again."""

    def __init__(self, source: int, target: int) -> None:
        self.source, self.target = source, target
        self.rate, self.delay = 1e9, 0.0
        self._free = 0.0
        self._waiting: deque[tuple[float, bytes]] = deque()

    def take(self, now: float) -> None:
        """Read every frame that is there."""
        with contextlib.suppress(BlockingIOError):
            while True:
                frame = os.read(self.source, LARGEST)
                bits = 8 * (len(frame) + PREAMBLE + CHECK + GAP)
                self._free = max(now, self._free) + bits / self.rate
                self._waiting.append((self._free + self.delay, frame))

    def give(self, now: float) -> float | None:
        """Write what has arrived; when the next one will, or None."""
        while self._waiting and self._waiting[0][0] <= now:
            os.write(self.target, self._waiting.popleft()[1])
        return self._waiting[0][0] - now if self._waiting else None


def forward(one: int, other: int) -> None:
    """Carry frames both ways until standard input ends."""
    ways = (Direction(one, other), Direction(other, one))
    while True:
        now = time.monotonic()
        waits = [wait for way in ways if (wait := way.give(now)) is not None]
        ready, _, _ = select.select([one, other, sys.stdin], [], [], min(waits, default=1.0))
        if sys.stdin in ready:
            words = sys.stdin.readline().split()
            if not words:
                return
            for way in ways:
                way.rate, way.delay = float(words[0]), float(words[1]) / 2
            print("shaped", flush=True)
        now = time.monotonic()
        for way in ways:
            if way.source in ready:
                way.take(now)


class ShapedLink:
    """Two namespaces, joined; needs root. ``namespaces`` and ``ADDRESSES`` in the same order."""

    def __init__(self) -> None:
        own = secrets.token_hex(4)
        self.namespaces = tuple(f"swlink-{own}{end}" for end in "ab")
        self._taps = tuple(f"sw{own}{end}" for end in "ab")
        self._forwarder: subprocess.Popen[str] | None = None

    def __enter__(self) -> ShapedLink:
        ends = []
        for space, tap, address in zip(self.namespaces, self._taps, ADDRESSES, strict=True):
            ip("netns", "add", space)
            end = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
            fcntl.ioctl(end, TUNSETIFF, struct.pack("16sH", tap.encode(), TAP_WITHOUT_HEADER))
            ends.append(end)
            ip("link", "set", tap, "netns", space)
            ip("-n", space, "address", "add", f"{address}/24", "dev", tap)
            ip("-n", space, "link", "set", "lo", "up")
            ip("-n", space, "link", "set", tap, "up")
        self._forwarder = subprocess.Popen(
            [sys.executable, __file__, *map(str, ends)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            pass_fds=ends,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        for end in ends:
            os.close(end)
        return self

    def shape(self, rate: float, round_trip: float) -> None:
        """Change both ways; what is on the way keeps its time."""
        assert self._forwarder and self._forwarder.stdin and self._forwarder.stdout
        self._forwarder.stdin.write(f"{rate} {round_trip}\n")
        self._forwarder.stdin.flush()
        assert self._forwarder.stdout.readline() == "shaped\n"

    def inside(self, end: int, *command: str | Path) -> list[str]:
        """A command as it is run at one end."""
        return ["ip", "netns", "exec", self.namespaces[end], *map(str, command)]

    def __exit__(self, *_: object) -> None:
        if self._forwarder and self._forwarder.stdin:
            self._forwarder.stdin.close()
            self._forwarder.wait(timeout=10)
        for space in self.namespaces:
            ip("netns", "delete", space)


def ip(*words: str) -> None:
    """Run ip; it must work."""
    subprocess.run(["ip", *words], check=True, capture_output=True)


if __name__ == "__main__":
    forward(int(sys.argv[1]), int(sys.argv[2]))
