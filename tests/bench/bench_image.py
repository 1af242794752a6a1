"""What images cost, side by side in one run; prints, judges nothing.

A cold build beside mmdebstrap and the file-system tools alone; a rebuild after one changed line
of the site; images of ten models from one base; a card written beside ``dd``.  Root only;
downloads Debian packages.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median

from rich.console import Console
from rich.table import Table

from seatwright.commands.planned import plan_site
from seatwright.image.base import ensure_base
from seatwright.image.build import Order, build
from seatwright.image.card import read_image, write_blocks, write_card
from seatwright.image.device import look
from seatwright.image.filesystem import FileSystem, make_ext4
from seatwright.image.recipe import recipe
from seatwright.image.snapshot import Snapshot, snapshot_file

ROOT = Path(__file__).parents[2]
MODELS = int(sys.argv[1]) if len(sys.argv) > 1 else 10
"""Models that share a base; a number as argument takes fewer."""

TURNS = 7
"""How often a card is written: one time takes about a second."""

GIB = 1 << 30


def quiet(*words: object) -> None:
    """Nobody looks on."""


def timed(run: Callable[[], object]) -> float:
    """Seconds of one run."""
    began = time.monotonic()
    run()
    return time.monotonic() - began


def workshop(place: Path) -> Path:
    """A copy of the demo's repository with ten models like the tall one; the site's folder."""
    for name in ("roles", "inventories"):
        shutil.copytree(ROOT / name, place / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", place)
    site = place / "inventories/fennmoor"
    tarn = (site / "models/tarn.yml").read_text().split("  tarn:\n", 1)[1]
    more = "".join(f"  tarn-{n}:\n{tarn}" for n in range(1, MODELS))
    (site / "models/more.yml").write_text(f"models:\n{more}")
    seats = "".join(
        f"  annex-{n}: {{policy: office, model: tarn-{n}, host: loft, seats: [an-{n}]}}\n"
        for n in range(1, MODELS)
    )
    (site / "rooms/annex.yml").write_text(f"rooms:\n{seats}")
    return site


def render(site: Path) -> None:
    """Render the site as a person does."""
    argv = [sys.executable, "-m", "seatwright", "render", str(site)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    subprocess.run(argv, check=True, capture_output=True, env=environment)


def order(site: Path, model: str, place: Path) -> Order:
    """An image of a model, with a cache of the bench's own."""
    plan = plan_site(site).planned.plan
    return Order(plan, model, site.parents[1], site, place / "images" / model, place / "cache")


def parts_alone(snapshot: Snapshot, place: Path) -> float:
    """mmdebstrap with the same packages, then the file-system tools on what it made."""
    wanted = recipe("bookworm", "amd64")
    this = FileSystem("11111111-2222-8333-8444-555555555555", "root", snapshot.epoch)

    def both() -> None:
        base, _ = ensure_base(wanted, snapshot, place / "alone")
        make_ext4((base,), place / "alone/root.ext4", this)

    seconds = timed(both)
    shutil.rmtree(place / "alone")
    return seconds


def change_a_line(site: Path) -> None:
    """One line of a policy, as after a meeting."""
    path = site / "site.yml"
    text = path.read_text()
    path.write_text(text.replace("offer: [mass-storage]", "offer: [mass-storage, image]", 1))
    render(site)


def disk_use(path: Path) -> int:
    """Bytes on the disk, holes not counted."""
    done = subprocess.run(["du", "-s", "-B1", path], capture_output=True, text=True, check=True)
    return int(done.stdout.split()[0])


def write_out(image: Path, place: Path) -> tuple[float, float]:
    """Seconds of writing (without reading back) and of dd, to the same file: medians, by turns."""
    target = place / "card"
    target.touch()
    os.truncate(target, 2 * GIB)
    card = read_image(image, None, quiet)
    write_card(card, look(target), "fd-1", None, quiet)  # both then write where blocks are
    argv = ["dd", f"if={image}", f"of={target}", "bs=4M", "conv=notrunc,fsync", "status=none"]
    ours, plain = [], []
    descriptor = os.open(target, os.O_RDWR)
    for _ in range(TURNS):
        ours.append(timed(lambda: write_blocks(descriptor, card, quiet)))
        plain.append(timed(lambda: subprocess.run(argv, check=True)))
    os.close(descriptor)
    return median(ours), median(plain)


def main() -> None:
    """Measure everything in one run."""
    with tempfile.TemporaryDirectory(prefix="seatwright-bench-") as scratch:
        place = Path(scratch)
        site = workshop(place)
        render(site)
        wanted = recipe("bookworm", "amd64")
        _, snapshot = ensure_base(wanted, None, place / "recording")
        shutil.rmtree(place / "recording")
        file = snapshot_file(site, wanted.name)
        file.parent.mkdir()
        file.write_text(snapshot.text())
        table = Table("what", "seconds", "beside", "seconds", "ratio")
        alone = parts_alone(snapshot, place)
        first = order(site, "tarn", place)
        cold = timed(lambda: build(first, quiet))
        row(table, "cold build", cold, "mmdebstrap and file-system tools", alone)
        change_a_line(site)
        again = replace(first, plan=plan_site(site).planned.plan)
        row(table, "rebuild after one line", timed(lambda: build(again, quiet)), "cold build", cold)
        ours, plain = write_out(first.target / "tarn.img", place)
        row(table, "write-out", ours, "dd of all of it", plain)
        cache, image = disk_use(place / "cache"), disk_use(first.target)
        for number in range(1, MODELS):
            build(order(site, f"tarn-{number}", place), quiet)
        Console().print(table)
        print(f"One model: {cache / GIB:.2f} GiB of cache and {image / GIB:.2f} GiB of image.")
        print(
            f"{MODELS} models: {disk_use(place / 'cache') / GIB:.2f} GiB of cache, "
            f"{disk_use(place / 'images') / GIB:.2f} GiB of images."
        )


def row(table: Table, what: str, seconds: float, beside: str, other: float) -> None:
    """Two things that were measured one after the other."""
    table.add_row(what, f"{seconds:.1f}", beside, f"{other:.1f}", f"{seconds / other:.2f}")


if __name__ == "__main__":
    main()
