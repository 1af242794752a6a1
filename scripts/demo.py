"""The demo: check and render the site of Fennmoor, then provision one of its seats, twice.

The seat is a systemd container made on the spot (root or sudo); it is gone afterwards, and with
it all that reached it.  Run by ``make demo``, after ``scripts/setup demo``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from rich.console import Console

from seatwright.ansible_runs import Outcome
from seatwright.rehearsal.base import SEAT, cache_directory, ensure
from seatwright.rehearsal.errors import RehearsalError
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import Rendered

ROOT = Path(__file__).parents[1]
SITE = Path("inventories/fennmoor/site.yml")
PLACE = SITE.parent / "rendered"
SEAT_NAME = "rr-01"

NEXT = f"""
What to look at next:
  {SITE}     the description: change a policy, then check and render again
  {PLACE}/summary.md
                                    each room's policy in words; beside it inventory, playbooks
  roles/                            the roles, as they ran on the seat just now
  .venv/bin/python -m seatwright --help
                                    the other verbs: trace a device, review a change
  README.md                         a first site of your own in ten minutes
"""

CONSOLE = Console(highlight=False, soft_wrap=True)


def title(text: str) -> None:
    """The heading of a step."""
    CONSOLE.print(f"\n[bold]{text}[/bold]")


def seatwright(*words: str | Path) -> None:
    """Run a verb in front of the person; ends the demo where it fails."""
    CONSOLE.print(f"$ seatwright {' '.join(map(str, words))}", style="dim")
    done = subprocess.run([sys.executable, "-m", "seatwright", *words], cwd=ROOT, check=False)
    if done.returncode != 0:
        sys.exit(done.returncode)


def provision() -> None:
    """One embedded seat, provisioned twice."""
    title(f"Provision the seat {SEAT_NAME}: a container made on the spot")
    if not (cache_directory() / "roots" / SEAT.directory).is_dir():
        CONSOLE.print("Making a Debian root to boot it from: once, about two minutes.")
    with Fleet.start([SEAT_NAME], ensure(SEAT), owner=os.getpid()) as fleet:
        site = Rendered(fleet, ROOT, ROOT / PLACE)
        CONSOLE.print("It is up, as a machine that nobody has touched. First access: user and key.")
        site.first_access().expect_success()
        changed(site, "First run of clients.yml")
        title("Once more: nothing may change")
        outcome = changed(site, "Second run of clients.yml")
        if outcome.recap[SEAT_NAME].changed:
            raise RehearsalError("The second run changed something, and should not have.")
        title("What runs on the seat")
        CONSOLE.print(
            fleet.run(SEAT_NAME, "systemctl list-units --no-legend 'seatwright-*'").stdout
        )
    CONSOLE.print("The container is gone again, and all that belonged to it.")


def changed(site: Rendered, name: str) -> Outcome:
    """Run clients.yml and print what it changed on the seat."""
    CONSOLE.print(f"{name}:")
    outcome = site.clients("--limit", SEAT_NAME).expect_success()
    for line in tasks_that_changed(outcome.text):
        CONSOLE.print(f"  changed: {line}", markup=False)
    recap = outcome.recap[SEAT_NAME]
    CONSOLE.print(f"  {recap.changed} of {recap.ok} tasks changed the seat.")
    return outcome


def tasks_that_changed(text: str) -> list[str]:
    """The names of the tasks that Ansible says changed something."""
    found = []
    task = ""
    for line in text.splitlines():
        if line.startswith(("TASK [", "RUNNING HANDLER [")):
            task = line.partition("[")[2].rpartition("]")[0]
        elif line.startswith("changed: "):
            found.append(task)
    return found


def provision_as_root() -> None:
    """The part that needs root: here, with sudo, or not at all (and then it says so)."""
    if os.geteuid() == 0:
        provision()
    elif shutil.which("sudo") and subprocess.run(["sudo", "-v"], check=False).returncode == 0:
        words = [sys.executable, "-B", __file__, "--seat"]
        subprocess.run(["sudo", "--preserve-env=SEATWRIGHT_CACHE", *words], check=True)
    else:
        title("Left out: provisioning a seat")
        CONSOLE.print(
            "It boots a systemd container, and that needs root (or sudo), which is not to be had "
            "here. All before this is complete; run 'sudo make demo' for the rest."
        )


def main(words: list[str]) -> int:
    """All of it, or with ``--seat`` only what needs root."""
    try:
        if words == ["--seat"]:
            provision()
            return 0
        title("Check the description of the site")
        seatwright("check", SITE)
        title("Render it")
        seatwright("render", SITE)
        provision_as_root()
    except RehearsalError as error:
        CONSOLE.print(f"\n{error}\n{error.hint}".rstrip(), style="red", markup=False)
        return 3
    except subprocess.CalledProcessError as error:
        return error.returncode
    CONSOLE.print(NEXT, markup=False)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
