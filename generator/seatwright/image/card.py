"""Writing an image to a card, and making sure that it is there."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from seatwright.findings.words import hint_for, shown
from seatwright.image.blockmap import BlockMap, mapped_pieces, read_map
from seatwright.image.device import Target, look
from seatwright.image.errors import ImageError
from seatwright.image.manifest import digest_of, verify
from seatwright.image.room import hold, mark
from seatwright.rehearsal.errors import RehearsalError, need_programs

SEAT_FILE = "seatwright-seat.json"
"""On the boot partition; the first boot reads it."""

DAMAGED = "Build or fetch the image again; nothing was written."

BROKEN = "The card is broken, or it is smaller than it says: do not use it."

FAILED = (
    "The card cannot be used now. If it was not pulled out, it is broken, or smaller than it says."
)

SUDO = "Run the same command with sudo."

Progress = Callable[[str, int, int], None]
"""Is told what goes on, how many bytes of how many are done."""


@dataclass(frozen=True, slots=True)
class Card:
    """An image that is ready to be written: its file, its map, the seats it can be."""

    image: Path
    blocks: BlockMap
    seats: tuple[str, ...]


def read_image(image: Path, signers: Path | None, progress: Progress) -> Card:
    """Read an image with its map and manifest, and see that it is whole.

    Raises :class:`ImageError`; then nothing has been written anywhere.
    """
    place = image.parent
    if not image.is_file():
        raise ImageError(f"There is no image {image}.", "seatwright image makes one.")
    try:
        described = json.loads((place / "manifest.json").read_text())
        digests, seats = described["files"], tuple(described["seats"])
    except (OSError, ValueError, KeyError, TypeError):
        raise ImageError(f"{place}/manifest.json is not there or damaged.", DAMAGED) from None
    if signers is not None:
        verify(place / "manifest.json", signers)
    blocks = image.with_suffix(".bmap")
    if not blocks.is_file() or digests.get(blocks.name) != digest_of(blocks):
        raise ImageError(f"{blocks} is not the block map of this image.", DAMAGED)
    card = Card(image, read_map(blocks), seats)
    size = image.stat().st_size
    if size != card.blocks.size:
        raise ImageError(f"{image} has {size} bytes and should have {card.blocks.size}.", DAMAGED)
    with image.open("rb") as file:
        _compare(file.fileno(), card.blocks, f"{image} is damaged", DAMAGED, "checking", progress)
    return card


def _compare(
    descriptor: int, blocks: BlockMap, what: str, hint: str, doing: str, progress: Progress
) -> None:
    """Hold the bytes of every mapped range against its digest. Raises :class:`ImageError`."""
    done = 0
    for one in blocks.ranges:
        total = hashlib.sha256()
        for start, end in mapped_pieces([one], blocks.size):
            piece = os.pread(descriptor, end - start, start)
            total.update(piece)
            done += len(piece)
            progress(doing, done, blocks.mapped)
        if total.hexdigest() != one.sha256:
            end = one.start + blocks.length(one)
            raise ImageError(f"{what} between bytes {one.start} and {end}.", hint)


def check_seat(card: Card, seat: str) -> None:
    """See that the image can be this seat. Raises :class:`ImageError`."""
    if seat not in card.seats:
        raise ImageError(
            f"{card.image.name} has no seat {shown(seat)}.", hint_for(seat, card.seats)
        )


def check_programs() -> None:
    """Raise :class:`ImageError` where this machine lacks what leaves a seat's name on a card."""
    try:
        need_programs({"mcopy": "mtools", "mtype": "mtools"})
    except RehearsalError as error:
        raise ImageError(str(error), error.hint, missing=True) from None


def write_card(
    card: Card, target: Target, seat: str | None, token: str | None, progress: Progress
) -> None:
    """Write the image, read it back, and leave the seat's name on the boot partition.

    What was on the card before does not start from the first moment on, and what is written not
    before all of it has been read back. Raises :class:`ImageError`.
    """
    with _held(target) as descriptor:
        began = False
        try:
            if look(target.path) != target:
                raise ImageError(f"{target.path} is another device by now.", "Nothing was written.")
            began = True
            _forget_table(descriptor)
            marks = mark(descriptor, target.size, card.blocks.size)
            write_blocks(descriptor, card, progress)
            _forget_cache(descriptor)
            what = f"{target.path} does not hold what was written"
            _compare(descriptor, card.blocks, what, BROKEN, "reading back", progress)
            if marks and not hold(descriptor, marks):
                raise ImageError(
                    f"{target.path} says it has {target.size} bytes, and does not.",
                    "The card lies about its size: do not use it.",
                )
            if seat is not None:
                _write_seat(descriptor, target.path, seat, token)
        except BaseException as error:
            if began:
                with contextlib.suppress(OSError):
                    _forget_table(descriptor)
            if isinstance(error, OSError):
                raise ImageError(f"{target.path}: {error.strerror}.", FAILED) from None
            raise


@contextmanager
def _held(target: Target) -> Iterator[int]:
    """The open device, which nobody can mount meanwhile."""
    flags = os.O_RDWR | os.O_CLOEXEC | (os.O_EXCL if target.path.is_block_device() else 0)
    try:
        descriptor = os.open(target.path, flags)
    except PermissionError as error:
        raise ImageError(f"{target.path}: {error.strerror}.", SUDO) from None
    except OSError as error:
        raise ImageError(f"{target.path}: {error.strerror}.") from None
    try:
        yield descriptor
    finally:
        os.close(descriptor)


TABLES = 34 * 512
"""Bytes in which partition tables of both kinds are (UEFI specification, 5.2.1 and 5.3.2)."""


def _forget_table(descriptor: int) -> None:
    """Let nothing start from the card, as long as it holds parts of one thing and another."""
    _write_piece(descriptor, bytes(TABLES), 0)
    os.fsync(descriptor)


def write_blocks(descriptor: int, card: Card, progress: Progress) -> None:
    """Every mapped range; the one with the partition table after all others reached the card."""
    first, *others = card.blocks.ranges
    done = 0
    with card.image.open("rb") as file:
        for group in (others, [first]):
            for start, end in mapped_pieces(group, card.blocks.size):
                _write_piece(descriptor, os.pread(file.fileno(), end - start, start), start)
                done += end - start
                progress("writing", done, card.blocks.mapped)
            os.fsync(descriptor)


def _write_piece(descriptor: int, piece: bytes, at: int) -> None:
    view = memoryview(piece)
    while view:
        written = os.pwrite(descriptor, view, at)
        view, at = view[written:], at + written


def _forget_cache(descriptor: int) -> None:
    """What is read back must come from the card and not from memory."""
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)


def new_token() -> str:
    """A secret for one enrolment."""
    return secrets.token_hex(32)


def _boot_start(path: Path) -> int:
    """Where the first partition begins, in bytes (its entry in the table: sector 0, byte 446)."""
    with path.open("rb") as file:
        sector = file.read(512)
    return int.from_bytes(sector[446 + 8 : 446 + 12], "little") * 512


def _write_seat(descriptor: int, path: Path, seat: str, token: str | None) -> None:
    """The seat's file on the boot partition, read back. Raises :class:`ImageError`."""
    text = json.dumps({"seat": seat, **({"token": token} if token else {})}) + "\n"
    at = f"{path}@@{_boot_start(path)}"
    write = ["mcopy", "-o", "-i", at, "-", f"::{SEAT_FILE}"]
    done = subprocess.run(write, input=text, capture_output=True, text=True)
    os.fsync(descriptor)
    _forget_cache(descriptor)
    read = subprocess.run(["mtype", "-i", at, f"::{SEAT_FILE}"], capture_output=True, text=True)
    if done.returncode != 0 or read.stdout != text:
        raise ImageError(f"{path}: the seat's name cannot be written: {done.stderr.strip()}")
