"""Planning, printing and checking a site of 10,000 seats, 500 rooms, 50 models.

Limits: the plan 1 s, its JSON 0.5 s, all checks 5 s.  The files are those of ``support.bigsite``
(40 policies).  Times are processor time, the best of three: the machine may be busy with other
things.  Run with ``PYTHONPATH=generator python tests/bench/bench_plan.py``.
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

from seatwright.plan import from_json, to_json
from seatwright.planning import make_plan
from seatwright.policy.checks import check_plan
from seatwright.site.allocations import Allocations
from seatwright.site.read import read_site
from support.bigsite import write_big_site

LIMITS = {"make_plan": 1.0, "to_json": 0.5, "check_plan": 5.0}
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
    """Print the figures; 1 where one is above its limit."""
    with tempfile.TemporaryDirectory() as folder:
        site = read_site(write_big_site(Path(folder))).site
    if site is None:
        raise SystemExit("the big site cannot be read")
    plan = make_plan(site, Allocations()).plan
    text = to_json(plan)
    seconds = {
        "make_plan": best(lambda: make_plan(site, Allocations())),
        "to_json": best(lambda: to_json(plan)),
        "check_plan": best(lambda: check_plan(plan)),
        "from_json": best(lambda: from_json(text)),
    }
    table = Table(title=f"{len(plan.seats):,} seats, {len(plan.rules):,} rule sets")
    for heading in ("what", "seconds", "limit"):
        table.add_column(heading, justify="left" if heading == "what" else "right")
    for what, taken in seconds.items():
        table.add_row(what, f"{taken:.2f}", f"{LIMITS[what]:.1f}" if what in LIMITS else "")
    Console().print(table)
    print(f"{len(text) / 1e6:.1f} MB of JSON, {len(check_plan(plan))} findings")
    return int(any(seconds[what] > limit for what, limit in LIMITS.items()))


if __name__ == "__main__":
    sys.exit(main())
