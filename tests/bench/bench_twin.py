"""The session on the twin beside the least that the same library can do (``floor.py``).

* From the kernel's word of a new device to the end of its handover: median and 95th percentile.
* From the start of the process to the first picture.
* Memory with a picture and no device, resident and proportional, of the program alone.
* CPU while nobody does anything.

Boots a client and a guest in an emulator (root only).  All times are the client's own clock, so
that what is compared was slowed down alike.  Prints, judges nothing.  A number as argument says
how many plugs are measured.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests/twin"))

from bench_site import SEAT, bench_plan  # noqa: E402

from seatwright.twin.client import STATE, UNIT, Client  # noqa: E402
from seatwright.twin.pair import Twin  # noqa: E402

PLUGS = int(sys.argv[1]) if len(sys.argv) > 1 else 40
STARTS = 3
IDLE_SECONDS = 30
FLOOR = "/usr/lib/seatwright-twin/floor.py"
DROP_IN = f"/etc/systemd/system/{UNIT}.d/floor.conf"
PLUGGED, SESSION_DONE, FLOOR_DONE = "New USB device found", "device-arrived", "floor: there"
TICKS = 100
"""Parts of a second in /proc/PID/stat (sysconf(_SC_CLK_TCK) on every Debian)."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one program: seconds, kB, and per cent of one core."""

    handovers: tuple[float, ...]
    starts: tuple[float, ...]
    resident: int
    proportional: int
    idle: float


def use_floor(client: Client, words: str) -> None:
    """Start the floor instead of the session from now on."""
    command = f"/usr/bin/cage -- /usr/bin/python3 -I {FLOOR} {words}"
    text = f"[Service]\nType=simple\nExecStart=\nExecStart={command}\nExecStartPost=\n"
    client.shell(f"mkdir -p $(dirname {DROP_IN})")
    client.write(DROP_IN, text)
    client.shell("systemctl daemon-reload")


def use_session(client: Client) -> None:
    client.shell(f"rm -f {DROP_IN}; systemctl daemon-reload")


def start(client: Client) -> float:
    """Start anew; seconds from the start of the program to its first picture."""
    client.restart_session()
    client.wait_state("shown")
    pid = client.session_pid()
    began = int(client.shell(f"cat /proc/{pid}/stat").rpartition(")")[2].split()[19]) / TICKS
    script = f"import os,time; print(os.stat('{STATE}').st_mtime - time.time() + time.monotonic())"
    return float(client.shell(f'python3 -I -c "{script}"')) - began


def handovers(client: Client, twin: Twin, done: str) -> tuple[float, ...]:
    """Seconds of each plug, from the journal's own times."""
    times = []
    for _ in range(PLUGS):
        client.sockets.plug("1-1", "drive")
        while twin.guest.attached() != 1:
            time.sleep(0.05)
        time.sleep(0.5)
        times.append(last(client, done) - last(client, PLUGGED))
        client.sockets.pull("1-1")
        while twin.guest.attached() != 0:
            time.sleep(0.05)
    return tuple(times)


def last(client: Client, what: str) -> float:
    """When the newest line of the journal that has these words was written."""
    ran = client.run("journalctl", "-b", "-o", "json", "-n", "60", "--no-pager").out
    lines = [json.loads(line) for line in ran.splitlines()]
    found = [
        one
        for one in lines
        if what in (one.get("SEATWRIGHT_EVENT"), one["MESSAGE"]) or what in str(one["MESSAGE"])
    ]
    time_of = found[-1].get("_SOURCE_MONOTONIC_TIMESTAMP") or found[-1]["__MONOTONIC_TIMESTAMP"]
    return int(time_of) / 1e6


def memory(client: Client, pid: str) -> tuple[int, int]:
    text = client.shell(f"cat /proc/{pid}/smaps_rollup")
    values = {line.split(":")[0]: line.split()[1] for line in text.splitlines()[1:]}
    return int(values["Rss"]), int(values["Pss"])


def idle(client: Client, pid: str) -> float:
    """Per cent of one core while nothing happens."""

    def ticks() -> int:
        fields = client.shell(f"cat /proc/{pid}/stat").rpartition(")")[2].split()
        return int(fields[11]) + int(fields[12])

    before = ticks()
    time.sleep(IDLE_SECONDS)
    return (ticks() - before) / TICKS / IDLE_SECONDS * 100


def measure(twin: Twin, done: str) -> Figures:
    client = twin.client
    starts = tuple(start(client) for _ in range(STARTS))
    time.sleep(25)  # the session looks for its sound plugins a moment after the picture
    pid = client.session_pid()
    resident, proportional = memory(client, pid)
    still = idle(client, pid)
    return Figures(handovers(client, twin, done), starts, resident, proportional, still)


def high(values: tuple[float, ...]) -> float:
    """The 95th percentile."""
    return sorted(values)[int(0.95 * (len(values) - 1))]


def rows(session: Figures, floor: Figures) -> list[tuple[str, float, float]]:
    median = statistics.median
    return [
        ("plug to handover, median (s)", median(session.handovers), median(floor.handovers)),
        ("plug to handover, 95 % (s)", high(session.handovers), high(floor.handovers)),
        ("start to picture, median (s)", median(session.starts), median(floor.starts)),
        ("resident memory (MB)", session.resident / 1000, floor.resident / 1000),
        ("proportional memory (MB)", session.proportional / 1000, floor.proportional / 1000),
    ]


def main() -> None:
    with tempfile.TemporaryDirectory() as directory:
        plan = bench_plan(Path(directory))
    with Twin.boot(plan, SEAT) as twin:
        client = twin.client
        client.wait_state("shown", 200)
        client.write(FLOOR, Path(__file__).with_name("floor.py").read_text())
        session = measure(twin, SESSION_DONE)
        seat = twin.plan.seats[SEAT]
        port = twin.plan.guests[seat.guest].spice_port
        use_floor(client, f"{twin.address} {port} usb")
        floor = measure(twin, FLOOR_DONE)
        use_session(client)
    table = Table("", "session", "floor", "ratio")
    for name, ours, theirs in rows(session, floor):
        table.add_row(name, f"{ours:.2f}", f"{theirs:.2f}", f"{ours / theirs:.2f}")
    table.add_row("CPU at rest (% of a core)", f"{session.idle:.2f}", f"{floor.idle:.2f}", "")
    Console().print(table)


if __name__ == "__main__":
    main()
