"""A base that is an image file: for boards whose firmware needs its own boot partition.

What lies before its root (the partition table's id, the loader, the boot partition) is kept as it
is, and so are the ids of its root, which the boot partition may name. The root is unpacked, gets
the packages that a seat needs and it lacks, is provisioned like any base, and made anew.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from seatwright.image.base import Origin, can_run, installed
from seatwright.image.disk import SECTOR, Disk, DiskIds, Span, assemble
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import BLOCK
from seatwright.image.recipe import seat_packages
from seatwright.image.snapshot import PREFERENCES, RENEW, Snapshot
from seatwright.offline.inside import run_inside
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.errors import run, tail

FORMAT = 1
"""Counts up when a base of the same file is made differently."""

LINUX = "83"
BOOTS = ("b", "c", "e", "ef")
"""Types of FAT partitions and of the one that UEFI starts from, as sfdisk writes them."""

MBR_CODE = 440
"""Bytes at the beginning of a disk that are the firmware's; then come the table's id and table."""


@dataclass(frozen=True, slots=True)
class Board:
    """An image file to begin with: where its parts are, and what its root is known by."""

    file: Path
    sha256: str
    arch: str
    ids: DiskIds
    boot: Span
    boot_type: str
    root: Span
    root_uuid: str
    root_label: str

    @property
    def name(self) -> str:
        """What bases made of it are called."""
        return f"file-{self.sha256[:16]}"


def read_board(file: Path, sha256: str, arch: str) -> Board:
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
    if file.stat().st_size < spans[1].start + spans[1].size:
        raise ImageError(f"{file} ends before its last partition does.")
    known = _known_by(file, spans[1])
    ids = DiskIds(f"{int(table['id'], 16):08x}")
    return Board(
        file, sha256, arch, ids, spans[0], boot["type"], spans[1],
        known["UUID"], known.get("LABEL", ""),
    )  # fmt: skip


def _known_by(file: Path, root: Span) -> dict[str, str]:
    """What blkid says of the root's file system."""
    argv = ["blkid", "--probe", "--offset", str(root.start), "--size", str(root.size)]
    done = subprocess.run([*argv, "--output", "export", str(file)], capture_output=True, text=True)
    pairs = (line.partition("=") for line in done.stdout.splitlines())
    known = {name: value.replace("\\", "") for name, _, value in pairs}
    if known.get("TYPE") != "ext4" or "UUID" not in known:
        kind = known.get("TYPE", "nothing that is known")
        raise ImageError(f"{file}: its second partition is not ext4; {kind} is on it.")
    return known


def board_base(board: Board, further: tuple[str, ...], pulls: bool) -> Origin:
    """The base made of an image file; ``further`` are packages that the site asks for, ``pulls``
    says whether its seats fetch what was rendered."""
    wanted = tuple(sorted({*seat_packages(pulls), *further}))

    def digest(snapshot: str) -> str:
        parts = (FORMAT, board.sha256, wanted, snapshot)
        return hashlib.sha256(repr(parts).encode()).hexdigest()

    return Origin(board.name, digest, partial(_fill, board, wanted))


def _fill(
    board: Board, wanted: tuple[str, ...], place: Path, epoch: int, pins: Snapshot | None
) -> list[str]:
    """Unpack the root into ``place`` and give it the packages it lacks."""
    place.mkdir()
    can_run(board.arch)
    _unpack(board, place)
    _complete(board, wanted, place, pins)
    return []


UNPACK = """\
mount -t ext4 -o "loop,ro,noload,offset=$2,sizelimit=$3" "$1" /mnt && cp -a /mnt/. "$4"
"""
"""A copy with owners, times, links and capabilities; the mount ends with its namespace."""


def _unpack(board: Board, place: Path) -> None:
    words = [str(board.file), str(board.root.start), str(board.root.size), str(place)]
    argv = apart(["sh", "-c", UNPACK, "sh", *words])
    done = subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    if done.returncode != 0:
        raise ImageError(f"{board.file}: its root cannot be unpacked: {tail(done.stderr, 3)}")
    if not (place / "usr/bin/env").exists() or not (place / "var/lib/dpkg/status").exists():
        raise ImageError(
            f"{board.file}: its second partition is not the root of a Debian: "
            "it lacks /usr/bin/env or /var/lib/dpkg/status."
        )
    argv = ["dpkg-query", f"--admindir={place}/var/lib/dpkg", "-W", "-f", "${Architecture}", "dpkg"]
    arch = run(argv)
    if arch != board.arch:
        raise ImageError(f"{board.file} is for {arch}, and the model is {board.arch}.")


INSTALL = """\
apt-get -q -o Acquire::Retries=3 update &&
exec apt-get -q -y --no-install-recommends -o Dpkg::Options::=--force-unsafe-io install "$@"
"""


def _complete(board: Board, wanted: tuple[str, ...], place: Path, pins: Snapshot | None) -> None:
    """Install what is lacking, from the sources that the root has; nothing else is upgraded."""
    lacking = sorted(set(wanted) - set(installed(place)))
    if not lacking:
        return
    preferences = place / PREFERENCES
    preferences.parent.mkdir(parents=True, exist_ok=True)
    preferences.write_text(pins.preferences() if pins else "")
    done = run_inside(place, ["sh", "-c", INSTALL, "sh", *lacking], network=True)
    preferences.unlink()
    if done.returncode != 0:
        said = tail(done.stdout + done.stderr)
        hint = "They come from the sources in the image file: see that it is a Debian's."
        raise ImageError(
            f"{board.file}: packages that a seat needs cannot be installed:\n{said}",
            f"A recorded version may be gone from the archive. {RENEW}" if pins else hint,
        )


def board_disk(board: Board, root_size: int) -> Disk:
    """The board's places, with a root of another size."""
    return Disk(board.boot, Span(board.root.start, root_size), None, board.boot_type)


def put_together(board: Board, image: Path, disk: Disk, parts: dict[str, Path]) -> None:
    """A new image: the board's own beginning, its boot partition, and the new root."""
    assemble(image, disk, board.ids, parts)
    with board.file.open("rb") as source, image.open("r+b") as target:
        target.write(source.read(MBR_CODE))
        source.seek(SECTOR)
        target.seek(SECTOR)
        target.write(source.read(board.boot.start - SECTOR))


def loader_blocks(board: Board) -> tuple[int, int]:
    """First and last block of what lies before the boot partition."""
    return 0, (board.boot.start - 1) // BLOCK
