"""What a run against 30 seats costs, beside a ping of them and a usual role of 20 file tasks.

Boots 30 test hosts (root only) with every package there, so that what is measured is Ansible and
the roles.  Seats are the demo site's own; batches and stages are off.  Prints, judges nothing.
A number as argument takes fewer seats.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from seatwright.ansible_runs import Outcome, extra
from seatwright.rehearsal.base import STOCKED_SEAT, ensure
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import HEADLESS, Rendered, ansible

ROOT = Path(__file__).parents[2]
PLACE = ROOT / "inventories/fennmoor/rendered"
SEATS = [
    *(f"rr-{number:02}" for number in range(1, 17)),
    *(f"mr-{number}" for number in range(1, 9)),
    *(f"dg-{number}" for number in range(1, 7)),
][: int(sys.argv[1]) if len(sys.argv) > 1 else None]
LIMIT = ",".join(SEATS)
FILES = 20
PATIENT = {"ANSIBLE_TIMEOUT": "240"}
"""30 sessions that start on two cores make sudo slow to answer."""
PINGS = 3


@dataclass(frozen=True, slots=True)
class Run:
    """One measured run: wall time in seconds, tasks executed on a seat, time of each task."""

    name: str
    seconds: float
    tasks: tuple[tuple[str, float, int], ...] = ()

    @property
    def executed(self) -> float:
        """Tasks executed on one seat."""
        return sum(executed for _, _, executed in self.tasks) / len(SEATS)


def timed(name: str, run: Callable[[], Outcome]) -> Run:
    """Measure a run that must go well, and say so: it takes minutes."""
    began = time.monotonic()
    run().expect_success()
    seconds = time.monotonic() - began
    print(f"{name}: {seconds:.1f} s", file=sys.stderr)
    return Run(name, seconds)


def ping(fleet: Fleet) -> Run:
    """The median of some pings, connections open already.

    Asked before and after each run: on a machine that does other things, too, only neighbours in
    time can be compared.
    """

    def once() -> Outcome:
        words = ("ansible", "-i", PLACE / "hosts.yml", LIMIT, "-m", "ping")
        return ansible(fleet, *words, cwd=ROOT, env=PATIENT)

    once().expect_success()
    seconds = [timed("ping", once).seconds for _ in range(PINGS)]
    return Run("ansible -m ping", statistics.median(seconds))


def playbook(fleet: Fleet, name: str, work: Path, *argv: str | Path) -> Run:
    """A run of a playbook with the time of each task."""
    times = work / "times.json"
    env = {
        **PATIENT,
        "ANSIBLE_CALLBACKS_ENABLED": "task_times",
        "ANSIBLE_CALLBACK_PLUGINS": str(Path(__file__).parent / "callbacks"),
        "SEATWRIGHT_TASK_TIMES": str(times),
    }
    words = ["ansible-playbook", "-i", PLACE / "hosts.yml", "-l", LIMIT, *argv]
    run = timed(name, lambda: ansible(fleet, *words, cwd=ROOT, env=env))
    tasks = tuple((t["task"], t["seconds"], t["executed"]) for t in json.loads(times.read_text()))
    return Run(name, run.seconds, tasks)


def usual_role(work: Path) -> Path:
    """A playbook that puts 20 files in place with a task each, half of them templates."""
    tasks = []
    for number in range(FILES):
        kind = "template" if number % 2 else "copy"
        source = work / f"file-{number}"
        source.write_text(f"setting = {number}\n" * 20)
        place = {"src": str(source), "dest": f"/etc/usual-{number}", "mode": "0644"}
        tasks.append({"name": f"File {number}", f"ansible.builtin.{kind}": place})
    play = {"hosts": "clients", "become": True, "gather_facts": False, "tasks": tasks}
    path = work / "usual.yml"
    path.write_text(json.dumps([play]))
    return path


def measure(fleet: Fleet, work: Path) -> list[Run]:
    """Everything in one go against the same hosts."""
    clients: list[str | Path] = [
        PLACE / "playbooks/clients.yml", *extra(HEADLESS | {"seatwright_stages": False}),
    ]  # fmt: skip
    usual = usual_role(work)
    Rendered(fleet, ROOT, PLACE).first_access().expect_success()
    runs = [ping(fleet)]
    for name, words in (
        ("clients.yml, first run", clients),
        ("clients.yml, no change", clients),
        (f"usual role ({FILES} file tasks), first run", [usual]),
        (f"usual role ({FILES} file tasks), no change", [usual]),
    ):
        runs += [playbook(fleet, name, work, *words), ping(fleet)]
    return runs


def show(runs: list[Run]) -> None:
    """The runs side by side, then the tasks of the one that is made most often."""
    console = Console(width=100)
    table = Table(title=f"{len(SEATS)} seats, one run each")
    for column in ("run", "seconds", "times the pings around it", "tasks a seat"):
        table.add_column(column, justify="left" if column == "run" else "right")
    for before, run, after in zip(runs, runs[1:], runs[2:], strict=False):
        if run.tasks:
            times = run.seconds / statistics.mean((before.seconds, after.seconds))
            table.add_row(run.name, f"{run.seconds:.1f}", f"{times:.1f}", f"{run.executed:.1f}")
        else:
            table.add_row(run.name, f"{run.seconds:.1f}", "", "")
    console.print(table)
    console.print("Wanted: no change at most 5.0, first run at most 12.0 times the ping.")
    console.print("Tasks that validate arguments run here, not on the seat.")
    for run in runs[1:4:2]:
        console.print(f"\nTasks of '{run.name}' (wall time of all seats, seats it ran on):")
        for name, seconds, executed in run.tasks:
            console.print(f"  {seconds:6.2f} s  {executed:3}  {name[:75]}", highlight=False)


def main() -> None:
    """Boot, measure, print."""
    with (
        tempfile.TemporaryDirectory() as work,
        Fleet.start(SEATS, ensure(STOCKED_SEAT)) as fleet,
    ):
        show(measure(fleet, Path(work)))


if __name__ == "__main__":
    main()
