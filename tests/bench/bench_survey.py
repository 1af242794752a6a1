"""What a survey of one client over ssh takes, beside a bare ssh to the same client.

Boots one test host (root only) and plays a client's devices on it: as many as a client has, and a
full bus.  Also what the comparison with its model adds to a run on a seat.  Prints, judges nothing.
"""

from __future__ import annotations

import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table

from played import RIDGE, Client, Usb, hub, lay_out
from seatwright.rehearsal.base import SEAT, ensure
from seatwright.rehearsal.fleet import Fleet
from seatwright.survey.check import check_model
from seatwright.survey.sources import Client as OverSsh
from seatwright.survey.sources import look_at

RUNS = 5
HUBS = [hub(f"1-{number}", 31) for number in range(1, 6)]
LEAVES = [Usb(f"1-{1 + number % 5}.{1 + number // 5}") for number in range(121)]
FULL = Client(usb=(hub("usb1", 31), *HUBS, *LEAVES), nets=RIDGE.nets)
CASES = {"a client with 5 devices": RIDGE, "a bus with 127 devices": FULL}
MODEL = {"name": "m", "network": "internal", "onboard": [], "sockets": []}


def median(run: Callable[[], object]) -> float:
    """Seconds, the median of some runs."""
    seconds = []
    for _ in range(RUNS):
        began = time.monotonic()
        run()
        seconds.append(time.monotonic() - began)
    return statistics.median(seconds)


def play(fleet: Fleet, sys_: Path) -> None:
    """Lay a client's devices over those of the host, its control groups excepted."""
    packed = subprocess.run(["tar", "-C", sys_, "-c", "."], capture_output=True, check=True).stdout
    over = "for at in bus class devices; do mount -t tmpfs x /sys/$at; done; "
    over += "tar -C /sys -x ./bus ./class ./devices"
    ssh = ["ssh", "-F", str(fleet.ssh_config), "client", over]
    subprocess.run(ssh, input=packed, check=True)


def main() -> None:
    """Measure each case and print the table."""
    table = Table("what", "bare ssh", "survey over ssh", "ratio", "comparison on the seat")
    with Fleet.start(["client"], ensure(SEAT)) as fleet, tempfile.TemporaryDirectory() as work:
        for number, (name, client) in enumerate(CASES.items()):
            sys_ = lay_out(replace(client, machine=name), Path(work, str(number)))
            play(fleet, sys_)
            plain = ["ssh", "-F", str(fleet.ssh_config), "client", "true"]
            bare = median(lambda: subprocess.run(plain, check=True))  # noqa: B023
            source = OverSsh("client", fleet.ssh_config)
            survey = median(lambda: look_at(source))  # noqa: B023
            model = {**MODEL, "sys": str(sys_)}
            check = median(lambda: check_model(model))  # noqa: B023
            figures = (f"{bare:.2f} s", f"{survey:.2f} s", f"{survey / bare:.1f}", f"{check:.2f} s")
            table.add_row(name, *figures)
    Console().print(table)


if __name__ == "__main__":
    main()
