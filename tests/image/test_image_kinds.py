"""Kinds of images besides the usual: a root that is not written, another processor, a board's own
image file. Each builds an image of its own."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from machine import Machine
from test_image_boot import CARD, STARTED, UP, pull_at_random_moments

from conftest import ROOT
from seatwright.commands.planned import plan_site
from seatwright.image.build import Order, build
from seatwright.image.card import read_image, write_card
from seatwright.image.device import look

pytestmark = pytest.mark.long


def quiet(*words: object) -> None:
    """Nobody looks on."""


def ordered(order: Order, place: Path, model: str, line: str) -> Order:
    """The order for a model whose description has one more line."""
    for name in ("roles", "inventories"):
        shutil.copytree(order.repository / name, place / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", place)
    site = place / "inventories/fennmoor"
    described = site / f"models/{model}.yml"
    text = described.read_text()
    described.write_text(text.replace("    link:", f"    {line}\n    link:", 1))
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    argv = [sys.executable, "-m", "seatwright", "render", str(site)]
    subprocess.run(argv, check=True, env=environment, capture_output=True)
    target = place / "images" / model
    plan = plan_site(site).planned.plan
    return replace(order, plan=plan, model=model, repository=place, site=site, target=target)


@contextmanager
def started(image: Path, seat: str, key: Path, place: Path, arch: str) -> Iterator[Machine]:
    """A machine with a card of the image."""
    disk = place / "card"
    disk.touch()
    os.truncate(disk, CARD)
    write_card(read_image(image, None, quiet), look(disk), seat, None, quiet)
    machine = Machine(disk, place, key, arch)
    try:
        yield machine
    finally:
        machine.pull_the_plug()
        disk.unlink()


def test_a_root_that_is_not_written(order: Order, workshop: Path, tmp_path: Path) -> None:
    wanted = ordered(order, tmp_path / "repository", "tarn", "image: {read-only: true}")
    shutil.rmtree(wanted.site / "images")
    image = build(wanted, quiet) / "tarn.img"
    with started(image, "fd-1", workshop / "key", tmp_path, "amd64") as machine:
        pull_at_random_moments(machine, 2)
        machine.start()
        machine.becomes(UP, "active", STARTED)
        assert machine.ask("findmnt -no FSTYPE /") == "overlay"
        assert machine.ask("hostname") == "fd-1"
        assert "ro" in machine.ask("findmnt -no OPTIONS /media/root-ro").split(",")
        machine.ask("echo kept >/etc/note; sync")
        machine.pull_the_plug()
        machine.start()
        machine.becomes(UP, "active", STARTED)
        assert machine.ask("cat /etc/note") == "kept"


def test_another_processor(order: Order, workshop: Path, tmp_path: Path) -> None:
    """arm64 on an amd64 machine: built through qemu-user, started in an emulated machine."""
    wanted = ordered(order, tmp_path / "repository", "vale", "image: {suite: bookworm}")
    image = build(wanted, quiet) / "vale.img"
    with started(image, "mr-1", workshop / "key", tmp_path, "arm64") as machine:
        machine.start()
        machine.becomes(UP, "active", 3 * STARTED)
        assert machine.ask("uname -m") == "aarch64"
        assert machine.ask("hostname") == "mr-1"


def test_a_boards_own_image_file(order: Order, image: Path, workshop: Path, tmp_path: Path) -> None:
    """The file is an image of ours, which is one with a boot partition and a Debian."""
    digest = hashlib.sha256(image.read_bytes()).hexdigest()
    line = f"image: {{file: images/board.img, sha256: {digest}}}"
    wanted = ordered(order, tmp_path / "repository", "tarn", line)
    shutil.copy(image, wanted.site / "images/board.img")
    made = build(wanted, quiet) / "tarn.img"
    with started(made, "fd-2", workshop / "key", tmp_path, "amd64") as machine:
        machine.start()
        machine.becomes(UP, "active", STARTED)
        assert machine.ask("hostname") == "fd-2"
