"""The budget of a site of 10,000 seats, 500 rooms and 50 models; limit: 2 s.

The files are those of ``support.bigsite``, with 40 peripherals that all say what they need.  Beside
it stand reading the site and making its plan, measured in the same run.  Times are processor time,
the best of three: the machine may be busy with other things.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from seatwright.capacity.budget import make_budget
from seatwright.planning import make_plan
from seatwright.policy.proofs import Proofs
from seatwright.site.allocations import Allocations
from seatwright.site.read import read_site
from support.bigsite import write_big_site

LIMIT = 2.0
REPEATS = 3


def best(run: Callable[[], object]) -> float:
    """The least processor time of some runs, in seconds."""
    times = []
    for _ in range(REPEATS):
        began = time.process_time()
        run()
        times.append(time.process_time() - began)
    return min(times)


def main() -> int:
    """Print the figures; 1 where the budget takes longer than its limit."""
    with tempfile.TemporaryDirectory() as folder:
        file = write_big_site(Path(folder))
        site = read_site(file).site
        if site is None:
            raise SystemExit("the big site cannot be read")
        plan = make_plan(site, Allocations()).plan
        figures = {
            "reading": best(lambda: read_site(file)),
            "planning": best(lambda: make_plan(site, Allocations())),
            "budget": best(lambda: make_budget(Proofs(plan))),
        }
    found = make_budget(Proofs(plan))
    rows = sum(len(group.rows) for group in found.groups)
    table = Table(title=f"{len(plan.seats):,} seats in {len(found.groups):,} groups, {rows:,} rows")
    table.add_column("what")
    table.add_column("seconds", justify="right")
    table.add_column("of reading", justify="right")
    for what, taken in figures.items():
        table.add_row(what, f"{taken:.2f}", f"{taken / figures['reading']:.2f}")
    Console().print(table)
    print(f"limit {LIMIT} s: {'kept' if figures['budget'] <= LIMIT else 'NOT KEPT'}")
    return int(figures["budget"] > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
