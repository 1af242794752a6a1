"""Times of a new FAT: the same whenever it is made, and the file system stays one."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
from pathlib import Path

import pytest

from seatwright.image.fat import stamp_fat, used_bytes
from seatwright.image.filesystem import MIB

EPOCH = 1767323045  # 2026-01-02 03:04:05 UTC


def made(path: Path, day: str) -> str:
    """A FAT with directories and files, made with the clock at another day; its digest."""
    path.touch()
    os.truncate(path, 64 * MIB)
    note = path.with_name("a long name.conf")
    note.write_text("x" * 10_000)
    names = [f"::{'x' * 40}{number}" for number in range(40)]
    for words in (
        ["mkfs.vfat", "--invariant", "-F", "32", path],
        ["mmd", "-i", path, "::EFI", "::EFI/BOOT", *names],
        ["mcopy", "-m", "-i", path, note, "::EFI/BOOT/a long name.conf"],
    ):
        clock = ["faketime", "-f", day]
        subprocess.run(
            [*clock, *words], check=True, capture_output=True, env={**os.environ, "TZ": "UTC0"}
        )
    stamp_fat(path, EPOCH)
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_two_days_make_the_same_bytes_and_a_whole_file_system(tmp_path: Path) -> None:
    """Outside references: fsck.vfat, and mtools' own listing."""
    first, second = tmp_path / "first", tmp_path / "second"
    note = tmp_path / "a long name.conf"
    note.write_text("x" * 10_000)
    assert made(first, "+0d") == made(second, "+400d")
    subprocess.run(["fsck.vfat", "-n", first], check=True, capture_output=True)
    listing = subprocess.run(
        ["mdir", "-i", first, "::EFI/BOOT"], capture_output=True, text=True, check=True
    ).stdout
    assert "2026-01-02   3:04" in listing and "a long name.conf" in listing


@pytest.mark.parametrize(("bits", "mebibytes"), [(12, 4), (16, 32), (32, 64)])
def test_what_is_used_ends_with_the_last_file(bits: int, mebibytes: int, tmp_path: Path) -> None:
    """Whatever it holds: zeros are as much of a file as others. Outside reference: mshowfat."""
    image, zeros = tmp_path / "image", tmp_path / "zeros"
    image.touch()
    os.truncate(image, mebibytes * MIB)
    subprocess.run(["mkfs.vfat", "-F", str(bits), image], check=True, capture_output=True)
    empty = used_bytes(image)
    zeros.write_bytes(bytes(1_000_001))
    subprocess.run(["mcopy", "-i", image, zeros, "::zeros"], check=True)
    assert empty + 1_000_001 <= used_bytes(image) < empty + 1_000_001 + 16384 < mebibytes * MIB
    shown = subprocess.run(
        ["minfo", "-i", image], capture_output=True, text=True, check=True
    ).stdout
    per_cluster = int(re.search(r"cluster size: (\d+)", shown)[1]) * 512  # type: ignore[index]
    chain = subprocess.run(
        ["mshowfat", "-i", image, "::zeros"], capture_output=True, text=True, check=True
    ).stdout
    first, last = re.search(r"<(\d+)-(\d+)>", chain).groups()  # type: ignore[union-attr]
    data = used_bytes(image) - (int(last) - 1) * per_cluster
    spare = per_cluster if bits == 12 else 0  # two entries share a byte
    assert 0 < data <= empty + spare, (first, last)
