"""The session on the twin beside the least that the same library can do (``floor.py``).

* From the kernel's word of a new device to its arrival at the guest: median and 95th percentile.
* From the start of the process to the first picture.
* Memory with a picture and no device, resident and proportional, of the program alone.
* CPU while nobody does anything.

Boots a client and a guest in an emulator (root only).  The client's clock and that of the guest's
host are set against each other before and after; session and floor take turns, so that what else
the machine does slows both alike.  Prints, judges nothing.  A number as argument says how many
plugs are measured.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, fields
from itertools import chain
from pathlib import Path

from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests/twin"))

from bench_site import SEAT, bench_plan  # noqa: E402

from seatwright.twin.client import STATE, UNIT, Client  # noqa: E402
from seatwright.twin.emulator import wait_until  # noqa: E402
from seatwright.twin.pair import Twin  # noqa: E402

PLUGS = int(sys.argv[1]) if len(sys.argv) > 1 else 24
TURNS = 2
STARTS = 3
QUIET_SECONDS = 20
"""The session looks for its sound plugins a moment after the picture."""
IDLE_SECONDS = 20
FLOOR = "/usr/lib/seatwright-twin/floor.py"
DROP_IN = f"/etc/systemd/system/{UNIT}.d/floor.conf"
PLUGGED = "New USB device found"
TICKS = 100
"""Parts of a second in /proc/PID/stat (sysconf(_SC_CLK_TCK) on every Debian)."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one program: seconds, kB, and per cent of one core."""

    handovers: tuple[float, ...]
    starts: tuple[float, ...]
    resident: tuple[float, ...]
    proportional: tuple[float, ...]
    idle: tuple[float, ...]


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


def handovers(client: Client, twin: Twin, times: int) -> tuple[float, ...]:
    """Seconds of each plug: the kernel's line in the client's journal to QEMU's in the guest's."""
    before = clock_ahead(client)
    plugged = []
    for _ in range(times):
        client.sockets.plug("1-1", "drive")
        wait_until("device", lambda: twin.guest.attached() == 1, 60)
        time.sleep(0.5)
        plugged.append(told_by_kernel(client))
        client.sockets.pull("1-1")
        wait_until("no device", lambda: twin.guest.attached() == 0, 60)
    ahead = (before + clock_ahead(client)) / 2
    arrived = [when for when, _ in twin.guest.arrived()[-times:]]
    return tuple(there - (here - ahead) for here, there in zip(plugged, arrived, strict=True))


def clock_ahead(client: Client) -> float:
    """How far the client's clock is before this machine's, by the quickest of some answers."""
    found = []
    for _ in range(20):
        asked = time.time()
        theirs = client.clock()
        answered = time.time()
        found.append((answered - asked, theirs - (asked + answered) / 2))
    return min(found)[1]


def told_by_kernel(client: Client) -> float:
    """When the kernel told of the last device, by the client's clock (journal-fields(7))."""
    text = client.run("journalctl", "-b", "-k", "-o", "json", "-n", "30", "--no-pager").out
    lines = [json.loads(line) for line in text.splitlines()]
    line = [one for one in lines if PLUGGED in str(one["MESSAGE"])][-1]
    since_boot = int(line["_SOURCE_MONOTONIC_TIMESTAMP"])
    boot = int(line["__REALTIME_TIMESTAMP"]) - int(line["__MONOTONIC_TIMESTAMP"])
    return (boot + since_boot) / 1e6


def memory(client: Client, pid: str) -> tuple[int, int]:
    text = client.shell(f"cat /proc/{pid}/smaps_rollup")
    values = {line.split(":")[0]: line.split()[1] for line in text.splitlines()[1:]}
    return int(values["Rss"]), int(values["Pss"])


def idle(twin: Twin, pid: str) -> float:
    """Per cent of one core while nothing happens: the guest's cursor does not blink, either."""
    client = twin.client

    def ticks() -> int:
        fields = client.shell(f"cat /proc/{pid}/stat").rpartition(")")[2].split()
        return int(fields[11]) + int(fields[12])

    twin.guest.emulator.qmp.ask("stop")
    time.sleep(1)
    before = ticks()
    time.sleep(IDLE_SECONDS)
    used = ticks() - before
    twin.guest.emulator.qmp.ask("cont")
    return used / TICKS / IDLE_SECONDS * 100


def measure(twin: Twin, times: int) -> Figures:
    """One turn."""
    client = twin.client
    starts = tuple(start(client) for _ in range(STARTS))
    time.sleep(QUIET_SECONDS)
    pid = client.session_pid()
    resident, proportional = memory(client, pid)
    still = idle(twin, pid)
    handed = handovers(client, twin, times)
    return Figures(handed, starts, (resident,), (proportional,), (still,))


def together(turns: list[Figures]) -> Figures:
    """All turns of one program."""
    columns = ([getattr(one, field.name) for one in turns] for field in fields(Figures))
    return Figures(*(tuple(chain.from_iterable(column)) for column in columns))


def high(values: tuple[float, ...]) -> float:
    """The 95th percentile."""
    return sorted(values)[int(0.95 * (len(values) - 1))]


def rows(session: Figures, floor: Figures) -> list[tuple[str, float, float]]:
    median = statistics.median
    return [
        ("plug to arrival, median (s)", median(session.handovers), median(floor.handovers)),
        ("plug to arrival, 95 % (s)", high(session.handovers), high(floor.handovers)),
        ("start to picture, median (s)", median(session.starts), median(floor.starts)),
        ("resident memory (MB)", median(session.resident) / 1e3, median(floor.resident) / 1e3),
        (
            "proportional memory (MB)",
            median(session.proportional) / 1e3,
            median(floor.proportional) / 1e3,
        ),
    ]


def main() -> None:
    with tempfile.TemporaryDirectory() as directory:
        plan = bench_plan(Path(directory))
    turns: tuple[list[Figures], list[Figures]] = ([], [])
    with Twin.boot(plan, SEAT) as twin:
        client = twin.client
        client.wait_state("shown", 200)
        client.write(FLOOR, Path(__file__).with_name("floor.py").read_text())
        port = twin.plan.guests[twin.plan.seats[SEAT].guest].spice_port
        for _ in range(TURNS):
            use_session(client)
            turns[0].append(measure(twin, PLUGS // TURNS))
            use_floor(client, f"{twin.address} {port} usb")
            turns[1].append(measure(twin, PLUGS // TURNS))
    session, floor = (together(one) for one in turns)
    table = Table("", "session", "floor", "ratio")
    for name, ours, theirs in rows(session, floor):
        table.add_row(name, f"{ours:.3f}", f"{theirs:.3f}", f"{ours / theirs:.2f}")
    still = [statistics.median(one.idle) for one in (session, floor)]
    table.add_row("CPU at rest (% of a core)", *(f"{one:.2f}" for one in still), "")
    Console().print(table)
    print(f"{len(session.handovers)} plugs and {len(session.starts)} starts of each")


if __name__ == "__main__":
    main()
