"""Tests here build a real image (root only) and start it; one image serves all of them."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from machine import CARD, Machine

from seatwright.commands.planned import plan_site
from seatwright.image.base import ensure_base
from seatwright.image.build import Order, build
from seatwright.image.card import read_image, write_card
from seatwright.image.device import look
from seatwright.image.recipe import Recipe, recipe
from seatwright.image.snapshot import read_snapshot, snapshot_file
from seatwright.rehearsal.base import cache_directory
from seatwright.rehearsal.playbooks import HEADLESS

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


SETTINGS = {**HEADLESS, "seat_base_model_must_match": False}
"""A session for no screen, on a machine that is not like the model."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.hosts)


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A copy of the repository's demo site with its roles, a key, and room for images."""
    place = tmp_path_factory.mktemp("image")
    for name in ("roles", "inventories"):
        shutil.copytree(ROOT / name, place / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", place)
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(place / "key")], check=True
    )
    record_packages(place / "inventories/fennmoor", recipe("bookworm", "amd64"))
    yield place
    shutil.rmtree(place, ignore_errors=True)


def record_packages(site: Path, wanted: Recipe) -> None:
    """The list of packages of an earlier run, while its base is still there; else a new one."""
    kept = cache_directory() / "images/rehearsal" / f"{wanted.name}.packages"
    found = read_snapshot(kept, wanted.name)
    bases = cache_directory() / "images/bases"
    if found is None or not list(bases.glob(f"*-{wanted.digest(found.text())[:16]}")):
        _, found = ensure_base(wanted, None, cache_directory())
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(found.text())
    target = snapshot_file(site, wanted.name)
    target.parent.mkdir(exist_ok=True)
    target.write_text(found.text())


@pytest.fixture(scope="session")
def order(workshop: Path) -> Order:
    """What the tests build: the image of the tall one, its session for no screen."""
    site = workshop / "inventories/fennmoor"
    return Order(
        plan=plan_site(site).planned.plan,
        model="tarn",
        repository=workshop,
        site=site,
        target=workshop / "images/tarn",
        cache=own_cache(workshop),
        access_key=(workshop / "key.pub").read_text(),
        signing_key=workshop / "key",
        variables=SETTINGS,
        # An emulator that waits for the processor misses the kernel's own look at the timer.
        arguments="console=ttyS0 no_timer_check",
    )


@pytest.fixture(scope="session")
def image(order: Order) -> Path:
    """The image, built."""
    return build(order, lambda text: None) / "tarn.img"


@pytest.fixture
def machine(image: Path, workshop: Path, tmp_path: Path) -> Iterator[Machine]:
    """A machine with a card of 2 GiB that was written for the seat fd-1."""
    disk = tmp_path / "card"
    disk.touch()
    os.truncate(disk, CARD)
    card = read_image(image, None, lambda *told: None)
    write_card(card, look(disk), "fd-1", "sesame", lambda *told: None)
    made = Machine(disk, tmp_path, workshop / "key")
    yield made
    made.pull_the_plug()
    disk.unlink()


def own_cache(place: Path) -> Path:
    """A cache that goes with the tests, with the bases that are there."""
    cache = place / "cache"
    (cache / "images/bases").mkdir(parents=True)
    for base in (cache_directory() / "images/bases").iterdir():
        if not base.name.startswith("."):
            (cache / "images/bases" / base.name).symlink_to(base)
    return cache


def again(order: Order, place: Path) -> Order:
    """The same order with nothing kept but the base, for another place."""
    return replace(order, cache=own_cache(place), target=place / "again/tarn")
