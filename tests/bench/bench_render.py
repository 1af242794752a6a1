"""Rendering 10,000 seats, 500 rooms and 50 models; limits: 5 s, 400 MB, nothing written twice.

The site is that of ``support.bigsite``.  The program runs as people run it, in a process of its
own, reading, checks and the flush to the disk included.  Beside it stands what
``ansible.builtin.template`` on this machine takes for the same files, measured on some of them
(its cost is for each file); its templates have nothing to compute, which is in its favour.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from render_sites import GENERATOR, times
from support.bigsite import write_big_site

SECONDS, MEGABYTES, TIMES = 5.0, 400.0, 50.0
SAMPLE = 60

PLAYBOOK = """\
- hosts: localhost
  gather_facts: false
  vars: {ansible_python_interpreter: "{{ ansible_playbook_python }}"}
  tasks:
    - ansible.builtin.template: {src: "{{ item }}", dest: "{{ item }}.out", mode: "0644"}
      loop: "{{ files }}"
"""


@dataclass(frozen=True, slots=True)
class Cost:
    """Wall and processor time in seconds, memory in MB."""

    wall: float
    processor: float
    memory: float = 0.0


def measured(words: list[str], folder: Path) -> Cost:
    """Run a program that must go well."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    environment = {**os.environ, "PYTHONPATH": str(GENERATOR)}
    subprocess.run(words, cwd=folder, env=environment, check=True, capture_output=True)
    wall, after = time.monotonic() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, used, after.ru_maxrss / 1024)


def by_ansible(rendered: Path, folder: Path) -> Cost:
    """What one file costs there, apart from the start."""
    costs = []
    paths = sorted(rendered.glob("group_vars/*.yml"))[:SAMPLE]
    for number in (1, len(paths)):
        copies = folder / str(number)
        copies.mkdir()
        for path in paths[:number]:
            text = f"{{% raw %}}{path.read_text()}{{% endraw %}}"
            (copies / path.name).write_text(text)
        files = {"files": [str(path) for path in copies.iterdir()]}
        (folder / "files.json").write_text(json.dumps(files))
        (folder / "play.yml").write_text(PLAYBOOK)
        program = str(Path(sys.executable).with_name("ansible-playbook"))
        words = [program, "-i", "localhost,", "-c", "local", "-e", "@files.json", "play.yml"]
        costs.append(measured(words, folder))
    first, all_ = costs
    more = len(paths) - 1
    return Cost((all_.wall - first.wall) / more, (all_.processor - first.processor) / more)


def main() -> int:
    """Print the figures; 1 where a limit is not kept."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name) / "repository"
        site = root / "inventories/big"
        site.mkdir(parents=True)
        write_big_site(site)
        words = [sys.executable, "-m", "seatwright", "render", str(site)]
        first = measured(words, root)
        before = times(root)
        second = measured(words, root)
        untouched = times(root) == before
        files = sum(path.is_file() for path in root.rglob("*"))
        other = Path(name) / "ansible"
        other.mkdir()
        one = by_ansible(site / "rendered", other)
    all_ = Cost(one.wall * files, one.processor * files)
    table = Table(title=f"Rendering 10,000 seats, 500 rooms, 50 models: {files} files")
    for column in ("what", "seconds", "of a processor", "MB"):
        table.add_column(column, justify="left" if column == "what" else "right")
    for what, cost in (("the first render", first), ("the second, unchanged", second)):
        table.add_row(what, f"{cost.wall:.1f}", f"{cost.processor:.1f}", f"{cost.memory:.0f}")
    shown = f"ansible.builtin.template, from {SAMPLE} files"
    table.add_row(shown, f"{all_.wall:.0f}", f"{all_.processor:.0f}", "")
    Console().print(table)
    factor = all_.processor / first.processor
    verdicts = {
        f"at most {SECONDS:.0f} s (processor)": first.processor <= SECONDS,
        f"at most {MEGABYTES:.0f} MB": first.memory <= MEGABYTES,
        "the second render writes no file": untouched,
        f"template takes {factor:.0f} times as long; at least {TIMES:.0f}": factor >= TIMES,
    }
    for what, kept in verdicts.items():
        print(f"{what}: {'kept' if kept else 'NOT KEPT'}")
    return int(not all(verdicts.values()))


if __name__ == "__main__":
    sys.exit(main())
