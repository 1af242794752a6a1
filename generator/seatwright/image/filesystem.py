"""The root file system of an image: ext4, made without mounting or loop devices.

The same tree gives the same bytes: ids, hash seed and every time are given, none is taken from the
machine.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.errors import ImageError
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.errors import RehearsalError, run, tail

MIB = 1 << 20
BLOCK = 4096
"""Bytes of a block, here and in the block map."""

ROOM = 1.12
"""Size of a new root by what it holds: ext4's own tables take some, and a first boot writes."""

SPARE = 96 * MIB
INODES_SPARE = 8192


@dataclass(frozen=True, slots=True)
class FileSystem:
    """What makes a file system the one it is: its id, its label, and the time of all of it."""

    uuid: str
    label: str
    epoch: int

    @property
    def environment(self) -> dict[str, str]:
        """What e2fsprogs take the time from."""
        stamp = str(self.epoch)
        return {**os.environ, "E2FSPROGS_FAKE_TIME": stamp, "SOURCE_DATE_EPOCH": stamp}


def make_ext4(layers: Sequence[Path], image: Path, this: FileSystem) -> None:
    """Write a root made of ``layers`` (topmost first) into the new sparse file ``image``.

    Raises :class:`ImageError`.
    """
    size, inodes = _measure(layers)
    with image.open("wb") as file:
        file.truncate(size)
    options = f"hash_seed={this.uuid},root_owner=0:0,lazy_itable_init=1,lazy_journal_init=1"
    argv = [
        "mke2fs",
        "-q",
        "-F",
        "-t",
        "ext4",
        "-b",
        str(BLOCK),
        "-U",
        this.uuid,
        "-L",
        this.label,
        "-N",
    ]
    argv += [str(inodes), "-E", f"{options},nodiscard", "-m", "1"]
    _mounted(layers, [*argv, "-d", "/mnt", str(image)], this)
    stamp_all(image, this)


def _measure(layers: Sequence[Path]) -> tuple[int, int]:
    """Size of a file system for the layers, in bytes and whole mebibytes, and how many inodes."""
    listed = _in_mounted(layers, ["du", "--summarize", "--bytes", "--apparent-size", "/mnt"])
    counted = _in_mounted(layers, ["du", "--summarize", "--inodes", "/mnt"])
    files = int(counted.split()[0])
    size = int((int(listed.split()[0]) + files * 2048) * ROOM) + SPARE
    return -(-size // MIB) * MIB, files + INODES_SPARE


def _mount_script(layers: Sequence[Path]) -> list[str]:
    """Words before a command that let it see the layers, as one tree, at /mnt."""
    if len(layers) == 1:
        source, mount = str(layers[0]), 'mount --bind "$1" /mnt'
    else:
        source = ":".join(map(str, layers))
        mount = 'mount -t overlay overlay -o "ro,lowerdir=$1" /mnt'
    return apart(["sh", "-c", f'{mount} && shift && exec "$@"', "sh", source])


def _in_mounted(layers: Sequence[Path], argv: Sequence[str]) -> str:
    try:
        return run([*_mount_script(layers), *argv])
    except RehearsalError as error:
        raise ImageError(str(error)) from None


def _mounted(layers: Sequence[Path], argv: Sequence[str], this: FileSystem) -> None:
    done = subprocess.run(
        [*_mount_script(layers), *argv],
        env=this.environment,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode != 0:
        said = tail(done.stdout + done.stderr)
        raise ImageError(f"The root file system cannot be made:\n{said}", FULL)


FULL = "Is the disk full? Images and bases are kept in the cache; $SEATWRIGHT_CACHE moves it."


def stamp_all(image: Path, this: FileSystem) -> None:
    """Set the times of every inode that mke2fs copied: it takes some from the machine's disk."""
    used = _used_inodes(image)
    stamp(image, used, this)


def stamp(image: Path, inodes: Sequence[str], this: FileSystem) -> None:
    """Set change, access and creation times of inodes to the file system's time."""
    lines = [
        f"set_inode_field {inode} {field} @{this.epoch}"
        for inode in inodes
        for field in ("ctime", "atime", "crtime")
    ]
    debugfs(image, lines, this)


def _used_inodes(image: Path) -> list[str]:
    """Every inode in use but the file system's own, as debugfs names it."""
    listed = run(["dumpe2fs", str(image)])
    groups = re.findall(r"Group \d+:.*?(?=\nGroup |\Z)", listed, re.DOTALL)
    per_group = int(re.search(r"Inodes per group: +(\d+)", listed)[1])  # type: ignore[index]
    used: list[str] = []
    for number, group in enumerate(groups):
        first = number * per_group + 1
        free: set[int] = set()
        spans = re.search(r"Free inodes: (.*)", group)
        for span in (spans[1] if spans else "").split(", "):
            if span:
                low, _, high = span.partition("-")
                free.update(range(int(low), int(high or low) + 1))
        used += [
            f"<{inode}>"
            for inode in range(first, first + per_group)
            if inode not in free and (inode == 2 or inode >= 11)
        ]
    return used


def within(image: Path, start: int) -> str:
    """How e2fsprogs are told of a file system that begins ``start`` bytes into a file."""
    return f"{image}?offset={start}"


def debugfs(image: Path, lines: Sequence[str], this: FileSystem, start: int = 0) -> None:
    """Let debugfs change a file system that is not mounted, ``start`` bytes into a file.

    Raises :class:`ImageError`.
    """
    done = subprocess.run(
        ["debugfs", "-w", "-f", "-", within(image, start)],
        input="\n".join(lines) + "\n",
        env=this.environment,
        capture_output=True,
        text=True,
    )
    said = [line for line in done.stderr.splitlines() if not line.startswith("debugfs 1.")]
    if done.returncode != 0 or said:
        raise ImageError(f"debugfs could not change {image.name}:\n" + "\n".join(said[:10]))


def check_ext4(image: Path) -> None:
    """See that a file system is whole. Raises :class:`ImageError`."""
    done = subprocess.run(["e2fsck", "-fn", str(image)], capture_output=True, text=True)
    if done.returncode != 0:
        raise ImageError(f"The root file system is not whole:\n{tail(done.stdout)}")
