"""An image for another processor, made on this one through qemu-user and binfmt_misc."""

from __future__ import annotations

import json
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from plugs import STARTED, UP
from test_image_boot import clients_yml_changes_nothing, verified
from test_image_kinds import ordered, quiet, started

from conftest import SETTINGS, own_cache, record_packages
from seatwright.image import build as build_module
from seatwright.image.build import Order, build
from seatwright.image.filesystem import MIB
from seatwright.image.recipe import BOOT_PACKAGES, IMAGE_PACKAGES, Recipe, recipe
from seatwright.rehearsal.base import MACHINE_PACKAGES
from support.small_image import run

AARCH64 = 183
"""ELF's number of the processor (e_machine); the PE format's is the next."""
PE_ARM64 = 0xAA64
KERNEL = "linux-image-cloud-arm64"
PACKAGES = {*MACHINE_PACKAGES, *IMAGE_PACKAGES, *BOOT_PACKAGES, KERNEL, "cage", "seatd"}
SMALL = Recipe("bookworm", "arm64", tuple(sorted(PACKAGES)), kind="-small")
"""Everything that makes and boots an image, without a session's hundreds of packages, and with the
kernel that has the fewest drivers."""


def arm64(order: Order, place: Path, packages: Recipe) -> Order:
    """The order for the flat one's image, with a recorded list and its base."""
    wanted = ordered(order, place / "repository", "vale", "image: {suite: bookworm}")
    record_packages(wanted.site, packages)
    return replace(wanted, cache=own_cache(place))


def test_a_small_image_is_built_through_an_emulator(
    order: Order, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole way from mmdebstrap to the manifest, clients.yml in the middle."""
    monkeypatch.setattr(build_module, "recipe_of", lambda *words: SMALL)
    variables = {**SETTINGS, "seat_base_packages": ["cage", "seatd"]}
    wanted = replace(arm64(order, tmp_path, SMALL), variables=variables)
    image = build(wanted, quiet) / "vale.img"
    assert json.loads((image.parent / "manifest.json").read_text())["arch"] == "arm64"
    boot, root = part(image, 1, 192, tmp_path), part(image, 193, None, tmp_path)
    run("e2fsck", "-fn", root)
    run("debugfs", "-R", f"dump /usr/bin/env {tmp_path}/env", root)
    (machine,) = struct.unpack_from("<H", (tmp_path / "env").read_bytes(), 18)
    assert machine == AARCH64
    run("mcopy", "-i", boot, "::EFI/BOOT/BOOTAA64.EFI", tmp_path / "loader")
    loader = (tmp_path / "loader").read_bytes()
    (header,) = struct.unpack_from("<I", loader, 0x3C)
    assert struct.unpack_from("<4sH", loader, header) == (b"PE\0\0", PE_ARM64)
    for told in ("/usr/lib/seatwright-image/table.json", "/usr/lib/seatwright/seat-keeper"):
        shown = subprocess.run(
            ["debugfs", "-R", f"stat {told}", str(root)], capture_output=True, text=True
        )
        assert "Type: regular" in shown.stdout, told


def part(image: Path, start: int, size: int | None, place: Path) -> Path:
    """A part of an image as a file of its own; in mebibytes."""
    target = place / f"part-{start}"
    words = [f"skip={start}"] + ([f"count={size}"] if size else [])
    run("dd", f"if={image}", f"of={target}", "bs=1M", "conv=sparse", "status=none", *words)
    assert target.stat().st_size >= MIB
    return target


@pytest.mark.long
def test_the_real_one_boots_as_the_seat(order: Order, workshop: Path, tmp_path: Path) -> None:
    """With everything a seat has, in an emulated machine of that processor."""
    wanted = arm64(order, tmp_path, recipe("bookworm", "arm64"))
    image = build(wanted, quiet) / "vale.img"
    with started(image, "mr-1", workshop / "key", tmp_path, "arm64") as machine:
        machine.start()
        machine.becomes(UP, "active", 3 * STARTED)
        assert machine.ask("uname -m") == "aarch64"
        assert machine.ask("hostname") == "mr-1"
        verified(machine, wanted.repository, "mr-1")
        clients_yml_changes_nothing(machine, wanted.repository, "mr-1")
