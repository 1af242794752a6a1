"""Small sites to render in tests, and the command line to do it with."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from seatwright.commands.main import main

GENERATOR = Path(__file__).parents[1] / "generator"
DEMO = Path(__file__).parents[1] / "inventories/fennmoor"

TINY = """\
seatwright: 1
site: Lock House
models:
  ridge:
    title: Ridge, second series
    arch: arm64
    link: 1 Gb/s
    onboard:
      - {port: "2-3", id: "1209:0001", class: hub}
      - {port: "2-3.4", id: "1209:0002", class: communications, carries: network}
    sockets:
      - {port: "2-3.1", label: under the shelf, speed: high}
      - {port: "1-2", label: beside the lamp, speed: super}
peripherals:
  card-reader: {title: reader of cards, id: "1209:0003", interfaces: [smart-card]}
policies:
  desk:
    title: Desk
    redirect: [card-reader]
    sockets: {under the shelf: {redirect: [mass-storage]}}
  readers: {redirect: [mass-storage], offer: [image]}
hosts:
  quay: {address: quay.example, listen: "192.0.2.10"}
rooms:
  hall:
    title: The Hall
    policy: readers
    model: ridge
    host: quay
    ports: 2
    seats: [hall-1 to hall-3, {name: desk-1, policy: desk, address: 192.0.2.77, ports: 1}]
  attic: {policy: readers, model: ridge, host: quay}
"""


def make_repository(root: Path, text: str = TINY, name: str = "lock") -> Path:
    """A repository with one site in it; the path of the site's file."""
    site = root / "inventories" / name / "site.yml"
    site.parent.mkdir(parents=True)
    site.write_text(text, encoding="utf-8")
    return site


def demo_repository(root: Path) -> Path:
    """The demo site's own files, without what was made of them, in a repository of their own."""
    folder = root / "inventories/fennmoor"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("rendered", "allocations.yml"))
    return folder / "site.yml"


@dataclass(frozen=True, slots=True)
class Done:
    """What a run of the command line came to."""

    returncode: int
    stdout: str
    stderr: str


def seatwright(*words: str | Path) -> Done:
    """Run the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([str(word) for word in words])
    return Done(int(status), out.getvalue(), err.getvalue())


def seatwright_process(
    *words: str | Path, environment: Mapping[str, str] | None = None, cwd: Path | None = None
) -> Done:
    """Run the command line in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "seatwright", *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(GENERATOR), **(environment or {})},
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )
    return Done(done.returncode, done.stdout, done.stderr)


def snapshot(root: Path) -> dict[str, tuple[bytes, int]]:
    """Every file below ``root`` with its bytes and mode."""
    return {
        path.relative_to(root).as_posix(): (path.read_bytes(), path.stat().st_mode & 0o777)
        for path in root.rglob("*")
        if path.is_file() and not path.is_symlink()
    }


def times(root: Path) -> dict[str, tuple[int, int, int]]:
    """Inode and times of everything below ``root``: what a write would change."""
    found = {path: path.stat() for path in (root, *root.rglob("*"))}
    return {
        str(path): (one.st_ino, one.st_mtime_ns, one.st_ctime_ns) for path, one in found.items()
    }
