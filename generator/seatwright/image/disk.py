"""The bytes of an image: partition table, boot file system, root, put together in a sparse file."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.errors import ImageError
from seatwright.image.fat import stamp_fat, used_bytes
from seatwright.image.filesystem import BLOCK, FULL, MIB, within
from seatwright.image.recipe import LOADERS
from seatwright.rehearsal.errors import RehearsalError, run

SECTOR = 512
BOOT_SIZE = 192 * MIB
STATE_SIZE = 64 * MIB
BOOT_LABEL = "SEATWRIGHT"
STATE_LABEL = "seat-state"


@dataclass(frozen=True, slots=True)
class DiskIds:
    """The disk's id (eight hexadecimal digits), from which its partitions have theirs."""

    disk: str

    def partition(self, number: int) -> str:
        """A partition's PARTUUID, as the kernel makes it of a table of the old kind."""
        return f"{self.disk}-{number:02x}"


@dataclass(frozen=True, slots=True)
class Span:
    """A partition: where it begins and how long it is, in bytes."""

    start: int
    size: int


@dataclass(frozen=True, slots=True)
class Disk:
    """Where everything is in an image, in bytes; ``state`` only with a read-only root."""

    boot: Span
    root: Span
    state: Span | None
    boot_type: str = "ef"

    @property
    def size(self) -> int:
        """Of the whole image."""
        last = self.state or self.root
        return last.start + last.size


def lay_out(root_size: int, read_only: bool) -> Disk:
    """Places on a disk for a root of ``root_size`` bytes (whole mebibytes)."""
    boot = Span(MIB, BOOT_SIZE)
    root = Span(boot.start + boot.size, root_size)
    state = Span(root.start + root.size, STATE_SIZE) if read_only else None
    return Disk(boot, root, state)


def make_boot(image: Path, base: Path, arch: str, arguments: str, ids: DiskIds, epoch: int) -> None:
    """The boot partition: loader, kernel, initial RAM disk and what starts them. ``image`` is new.

    Raises :class:`ImageError`.
    """
    kernel, initrd = _newest(base, "vmlinuz-*"), _newest(base, "initrd.img-*")
    loader, found_as = LOADERS[arch]
    texts = {
        "loader.conf": "default seat.conf\ntimeout 0\neditor no\n",
        "seat.conf": f"title Seat\nlinux /vmlinuz\ninitrd /initrd.img\noptions {arguments}\n",
    }
    with image.open("wb") as file:
        file.truncate(BOOT_SIZE)
    environment = {**os.environ, "SOURCE_DATE_EPOCH": str(epoch), "TZ": "UTC0"}
    scratch = image.with_name(f"{image.name}.files")
    scratch.mkdir()
    for name, text in texts.items():
        (scratch / name).write_text(text)
        os.utime(scratch / name, (epoch, epoch))
    at, volume = str(image), ids.disk
    program = str(base / "usr/lib/systemd/boot/efi" / loader)
    steps = [
        ["mkfs.vfat", "--invariant", "-F", "32", "-i", volume, "-n", BOOT_LABEL, at],
        ["mmd", "-i", at, "::EFI", "::EFI/BOOT", "::loader", "::loader/entries"],
        ["mcopy", "-m", "-i", at, str(scratch / "loader.conf"), "::loader/loader.conf"],
        ["mcopy", "-m", "-i", at, str(scratch / "seat.conf"), "::loader/entries/seat.conf"],
        ["mcopy", "-m", "-i", at, program, f"::EFI/BOOT/{found_as}"],
        ["mcopy", "-m", "-i", at, str(kernel), "::vmlinuz"],
        ["mcopy", "-m", "-i", at, str(initrd), "::initrd.img"],
    ]  # fmt: skip
    for argv in steps:
        done = subprocess.run(argv, env=environment, capture_output=True, text=True)
        if done.returncode != 0:
            raise ImageError(f"The boot partition cannot be made: {done.stderr.strip()}", FULL)
    stamp_fat(image, epoch)
    for name in texts:
        (scratch / name).unlink()
    scratch.rmdir()


def _newest(base: Path, pattern: str) -> Path:
    found = sorted((base / "boot").glob(pattern))
    if not found:
        raise ImageError(f"The base has no /boot/{pattern}.", "Its packages must bring a kernel.")
    return found[-1]


def assemble(image: Path, disk: Disk, ids: DiskIds, parts: dict[str, Path]) -> None:
    """Put partition table and file systems (by ``boot``, ``root``, ``state``) into a new file."""
    with image.open("wb") as file:
        file.truncate(disk.size)
    lines = ["label: dos", f"label-id: 0x{ids.disk}", "unit: sectors", ""]
    kinds = ((disk.boot, f"{disk.boot_type}, bootable"), (disk.root, "83"), (disk.state, "83"))
    for span, kind in kinds:
        if span is not None:
            lines.append(f"start={span.start // SECTOR}, size={span.size // SECTOR}, type={kind}")
    try:
        run(["sfdisk", "--quiet", "--no-tell-kernel", str(image)], input="\n".join(lines) + "\n")
    except RehearsalError as error:
        raise ImageError(str(error), FULL) from None
    spans = {"boot": disk.boot, "root": disk.root, "state": disk.state}
    for name, part in parts.items():
        span = spans[name]
        assert span is not None
        copy_sparse(part, image, span.start)


def copy_sparse(source: Path, target: Path, offset: int) -> None:
    """Copy a file's data, and not its holes, into another at ``offset`` bytes."""
    with source.open("rb") as reader, target.open("r+b") as writer:
        for start, length in data_extents(reader.fileno()):
            _copy(reader.fileno(), Span(start, length), writer.fileno(), offset + start)


def copy_span(source: Path, span: Span, target: Path) -> None:
    """Copy a part of a file into a new one. Raises :class:`ImageError` where the file ends."""
    with source.open("rb") as reader, target.open("wb") as writer:
        if _copy(reader.fileno(), span, writer.fileno(), 0) < span.size:
            raise ImageError(f"{source} ends before its last partition does.")


def _copy(reader: int, span: Span, writer: int, to: int) -> int:
    """Copy between open files, on whatever file systems; bytes copied, fewer at the end of one."""
    os.lseek(writer, to, os.SEEK_SET)
    done = 0
    while done < span.size:
        step = os.sendfile(writer, reader, span.start + done, span.size - done)
        if step == 0:
            break
        done += step
    return done


def data_extents(descriptor: int) -> Iterator[tuple[int, int]]:
    """Start and length of everything in a file that is not a hole (lseek(2), SEEK_DATA)."""
    size = os.fstat(descriptor).st_size
    at = 0
    while at < size:
        try:
            start = os.lseek(descriptor, at, os.SEEK_DATA)
        except OSError:  # ENXIO: nothing but a hole is left
            return
        at = os.lseek(descriptor, start, os.SEEK_HOLE)
        yield start, at - start


FREE = re.compile(r"^  Free blocks: (.*)$", re.MULTILINE)


def mapped_ext4(image: Path, where: Span) -> list[tuple[int, int]]:
    """Blocks (4,096 bytes) of a file system in an image that are in use: first and last of each
    run, counted from its beginning."""
    listed = run(["dumpe2fs", within(image, where.start)])
    spans = [span for found in FREE.findall(listed) for span in found.split(", ") if span]
    free = sorted(
        (int(low), int(high or low)) for low, _, high in (s.partition("-") for s in spans)
    )
    total = where.size // BLOCK
    used, at = [], 0
    for low, high in free:
        if low > at:
            used.append((at, low - 1))
        at = high + 1
    return [*used, (at, total - 1)] if at < total else used


def mapped_fat(image: Path) -> list[tuple[int, int]]:
    """Blocks up to the last that a FAT uses: it is filled from its beginning."""
    return [(0, (used_bytes(image) - 1) // BLOCK)]
