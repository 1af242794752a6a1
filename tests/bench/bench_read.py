"""Reading a site of 10,000 seats, 500 rooms and 50 models; limit: 2 s.

The files are those of ``support.bigsite``.  Beside it stands what PyYAML's own loaders take for
the same files without looking at what is in them.  Times are processor time, the best of three:
the machine may be busy with other things.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import yaml
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from seatwright.site.read import Reading, read_site
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


def load_all(folder: Path, loader: type) -> None:
    """The plain values of every file, as PyYAML makes them."""
    for path in folder.rglob("*.yml"):
        yaml.load(path.read_bytes(), Loader=loader)


def checked(reading: Reading) -> Reading:
    """The reading of a site that must have nothing wrong with it."""
    if reading.site is None or reading.findings:
        raise SystemExit(f"the big site has findings: {reading.findings[:3]}")
    return reading


def main() -> int:
    """Print the figures; 1 where reading takes longer than its limit."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = write_big_site(folder)
        reading = best(lambda: checked(read_site(file)))
        fast = best(lambda: load_all(folder, yaml.CSafeLoader))
        plain = best(lambda: load_all(folder, yaml.SafeLoader))
    table = Table(title="Reading 10,000 seats, 500 rooms, 50 models")
    table.add_column("what")
    table.add_column("seconds", justify="right")
    table.add_row("read_site: checked, with places", f"{reading:.2f}")
    table.add_row("PyYAML's C loader alone", f"{fast:.2f}")
    table.add_row("PyYAML's own loader alone", f"{plain:.2f}")
    Console().print(table)
    print(f"limit {LIMIT} s: {'kept' if reading <= LIMIT else 'NOT KEPT'}")
    return int(reading > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
