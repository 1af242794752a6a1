"""A base that is an image file: for boards whose firmware needs its own boot partition.

What lies before its root (the partition table's id, the loader, the boot partition) is kept as it
is; its root is unpacked, provisioned like any base, and made anew.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from seatwright.image.base import clean, installed
from seatwright.image.disk import SECTOR, Disk, DiskIds, Span, assemble, copy_span
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import BLOCK
from seatwright.image.snapshot import Snapshot
from seatwright.rehearsal.base import locked

LINUX = "83"
BOOTS = ("b", "c", "e", "ef")
"""Types of FAT partitions and of the one that UEFI starts from, as sfdisk writes them."""


@dataclass(frozen=True, slots=True)
class Board:
    """An image file to begin with: where its parts are."""

    file: Path
    sha256: str
    ids: DiskIds
    boot: Span
    boot_type: str
    root: Span

    @property
    def name(self) -> str:
        """What bases made of it are called."""
        return f"file-{self.sha256[:16]}"


def read_board(file: Path, sha256: str) -> Board:
    """Look at an image file, and see that it is the one that is meant. Raises ImageError."""
    try:
        with file.open("rb") as opened:
            found = hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError as error:
        raise ImageError(f"{file}: {error.strerror}") from None
    if found != sha256:
        raise ImageError(
            f"{file} has the SHA-256 {found}, and the site says {sha256}.",
            "It is damaged, cut short, or another file: fetch it again.",
        )
    done = subprocess.run(["sfdisk", "--json", str(file)], capture_output=True, text=True)
    try:
        table = json.loads(done.stdout)["partitiontable"]
        boot, root = table["partitions"]
        fits = table["label"] == "dos" and boot["type"] in BOOTS and root["type"] == LINUX
    except (ValueError, KeyError):
        fits = False
    if not fits:
        raise ImageError(
            f"{file} is not an image with a boot partition (FAT) and a root (Linux) after it.",
            "Its table of partitions must be of the old kind (sfdisk: label dos), with these two.",
        )
    spans = [Span(one["start"] * SECTOR, one["size"] * SECTOR) for one in (boot, root)]
    ids = DiskIds(f"{int(table['id'], 16):08x}")
    return Board(file, sha256, ids, spans[0], boot["type"], spans[1])


def ensure_unpacked(board: Board, snapshot: Snapshot | None, cache: Path) -> tuple[Path, Snapshot]:
    """The board's root as a directory, unpacked where the cache has none, and its packages."""
    place = cache / "images/bases" / board.name
    place.parent.mkdir(parents=True, exist_ok=True)
    with locked(place.with_name(f".{place.name}.lock")):
        if not place.is_dir():
            _unpack(board, place)
    now = datetime.now(UTC).replace(microsecond=0)
    return place, snapshot or Snapshot(board.name, now, installed(place))


def _unpack(board: Board, place: Path) -> None:
    """Copy every file out of the root file system, with owners, modes and times."""
    unfinished = place.with_name(f".{place.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir()
    part = place.with_name(f".{place.name}.part")
    try:
        copy_span(board.file, board.root, part)
        argv = ["debugfs", "-R", f"rdump / {unfinished}", str(part)]
        done = subprocess.run(argv, capture_output=True, text=True)
        if not (unfinished / "usr/bin/env").exists():
            said = done.stderr.strip().splitlines()[-1:]
            raise ImageError(
                f"{board.file}: its second partition is not the root (ext4) of a Debian: "
                f"{''.join(said) or 'it has no /usr/bin/env'}"
            )
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    finally:
        part.unlink(missing_ok=True)
    newest = int(max(one.lstat().st_mtime for one in (unfinished / "etc").iterdir()))
    clean(unfinished, newest)
    unfinished.rename(place)


def board_disk(board: Board, root_size: int) -> Disk:
    """The board's places, with a root of another size."""
    return Disk(board.boot, Span(board.root.start, root_size), None, board.boot_type)


def put_together(board: Board, image: Path, disk: Disk, boot: Path, root: Path) -> None:
    """A new image: the board's own beginning, its boot partition, and the new root."""
    assemble(image, disk, board.ids, {"boot": boot, "root": root})
    with board.file.open("rb") as source, image.open("r+b") as target:
        source.seek(SECTOR)
        target.seek(SECTOR)
        target.write(source.read(board.boot.start - SECTOR))


def loader_blocks(board: Board) -> tuple[int, int]:
    """First and last block of what lies before the boot partition."""
    return 0, (board.boot.start - 1) // BLOCK
