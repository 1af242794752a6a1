"""A small image with everything that a real one has but a system, made in a second."""

from __future__ import annotations

import os
import subprocess
from datetime import UTC, datetime
from pathlib import Path

from seatwright.image.blockmap import map_image, to_xml
from seatwright.image.disk import BOOT_SIZE, DiskIds, assemble, lay_out, mapped_ext4, mapped_fat
from seatwright.image.filesystem import MIB, FileSystem
from seatwright.image.manifest import digest_of, manifest
from seatwright.image.snapshot import Snapshot

SNAPSHOT = Snapshot("bookworm-amd64", datetime(2026, 1, 2, tzinfo=UTC), {"adduser": "3.134"})
IDS = DiskIds("0badcafe")


def small_image(place: Path, seats: tuple[str, ...] = ("rr-01", "rr-02")) -> Path:
    """An image in the new directory ``place``, its map and manifest beside it."""
    place.mkdir()
    parts = {"boot": place / "boot.part", "root": place / "root.part"}
    for path, size in ((parts["boot"], BOOT_SIZE), (parts["root"], 16 * MIB)):
        path.touch()
        os.truncate(path, size)
    run("mkfs.vfat", "--invariant", "-F", "32", "-n", "SEATWRIGHT", parts["boot"])
    this = FileSystem("11111111-2222-8333-8444-555555555555", "seat-root", 1700000000)
    tree = place / "tree"
    tree.mkdir()
    (tree / "greeting").write_text("hello\n" * 5000)
    run(
        "mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-U", this.uuid, "-d", tree, parts["root"]
    )
    disk = lay_out(16 * MIB, False)
    image = place / "tarn.img"
    assemble(image, disk, IDS, parts)
    used = {"boot": mapped_fat(parts["boot"]), "root": mapped_ext4(image, disk.root)}
    (place / "tarn.bmap").write_bytes(to_xml(map_image(image, disk, used)))
    for path in parts.values():
        path.unlink()
    files = {one.name: digest_of(one) for one in (image, place / "tarn.bmap")}
    what = ("tarn", "amd64", seats)
    described = manifest(
        what, SNAPSHOT, installed={}, inputs={"plan": "0"}, tools={}, parts={}, files=files
    )
    (place / "manifest.json").write_bytes(described)
    return image


def run(*argv: str | Path) -> str:
    """A command that has to succeed; what it prints."""
    return subprocess.run(argv, check=True, capture_output=True, text=True).stdout
