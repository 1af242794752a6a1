"""The block map of an image: which of its blocks have to be written to a card, and their digests.

Format 2.0 of the block map files that ``bmaptool`` reads (its XML, from its own documentation).
What is mapped is what the file systems use, whether zero or not: an old card's bytes never show
through.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO
from xml.etree import ElementTree

from seatwright.image.disk import Disk, Span
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import BLOCK

CHUNK = 4 << 20
"""Bytes read at one time."""

MOST_BYTES = 64 << 20
"""A block map larger than this is none."""


@dataclass(frozen=True, slots=True)
class Range:
    """Blocks from ``first`` to ``last`` (both in it), and the SHA-256 of their bytes."""

    first: int
    last: int
    sha256: str

    @property
    def start(self) -> int:
        """Of its first byte."""
        return self.first * BLOCK


@dataclass(frozen=True, slots=True)
class BlockMap:
    """The map of an image of ``size`` bytes."""

    size: int
    ranges: tuple[Range, ...]

    @property
    def mapped(self) -> int:
        """Bytes that have to be written."""
        return sum(self.length(one) for one in self.ranges)

    def length(self, one: Range) -> int:
        """Bytes of a range; the image may end within its last block."""
        return min((one.last + 1) * BLOCK, self.size) - one.start


def map_image(
    image: Path,
    disk: Disk,
    used: dict[str, list[tuple[int, int]]],
    loader: tuple[int, int] = (0, 0),
) -> BlockMap:
    """Map an image whose partitions use the given blocks of theirs; before them lies ``loader``."""
    spans: dict[str, Span | None] = {"boot": disk.boot, "root": disk.root, "state": disk.state}
    runs = [loader]  # the partition table is in it
    for name, blocks in used.items():
        span = spans[name]
        assert span is not None
        at = span.start  # a board's partitions need not begin at a block
        runs += [
            ((first * BLOCK + at) // BLOCK, (last * BLOCK + BLOCK - 1 + at) // BLOCK)
            for first, last in blocks
        ]
    size = image.stat().st_size
    with image.open("rb") as file:
        ranges = [
            Range(first, last, _digest(file, first, last, size)) for first, last in joined(runs)
        ]
    return BlockMap(size, tuple(ranges))


def digests_of_parts(found: BlockMap, disk: Disk) -> dict[str, str]:
    """What each partition of a mapped image holds, and what lies before them, as a digest."""
    named = {"boot": disk.boot, "root": disk.root, "state": disk.state}
    starts = sorted((span.start, name) for name, span in named.items() if span)
    totals = {name: hashlib.sha256() for name in ("beginning", *(name for _, name in starts))}
    for one in found.ranges:
        name = [name for start, name in [(0, "beginning"), *starts] if start <= one.start][-1]
        totals[name].update(f"{one.first} {one.last} {one.sha256}\n".encode())
    return {name: total.hexdigest() for name, total in totals.items()}


def joined(runs: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Runs in order, those that touch made one."""
    current: tuple[int, int] | None = None
    for low, high in sorted(runs):
        if current and low <= current[1] + 1:
            current = (current[0], max(current[1], high))
            continue
        if current:
            yield current
        current = (low, high)
    if current:
        yield current


def _digest(file: BinaryIO, first: int, last: int, size: int) -> str:
    total = hashlib.sha256()
    for piece in pieces(file, first * BLOCK, min((last + 1) * BLOCK, size)):
        total.update(piece)
    return total.hexdigest()


def pieces(file: BinaryIO, start: int, end: int) -> Iterator[bytes]:
    """The bytes of an open file from ``start`` to ``end``, in pieces."""
    file.seek(start)
    left = end - start
    while left > 0:
        piece = file.read(min(CHUNK, left))
        if not piece:
            return
        left -= len(piece)
        yield piece


def to_xml(found: BlockMap) -> bytes:
    """As a block map file; its own digest is that of the file with zeros in its place."""
    zeros = "0" * 64
    text = _xml(found, zeros)
    return text.replace(zeros, hashlib.sha256(text.encode()).hexdigest()).encode()


def _xml(found: BlockMap, checksum: str) -> str:
    blocks = -(-found.size // BLOCK)
    mapped = sum(one.last - one.first + 1 for one in found.ranges)
    head = [
        '<?xml version="1.0" ?>',
        '<bmap version="2.0">',
        f"    <ImageSize> {found.size} </ImageSize>",
        f"    <BlockSize> {BLOCK} </BlockSize>",
        f"    <BlocksCount> {blocks} </BlocksCount>",
        f"    <MappedBlocksCount> {mapped} </MappedBlocksCount>",
        "    <ChecksumType> sha256 </ChecksumType>",
        f"    <BmapFileChecksum> {checksum} </BmapFileChecksum>",
        "    <BlockMap>",
    ]
    rows = [
        f'        <Range chksum="{one.sha256}"> {one.first}-{one.last} </Range>'
        for one in found.ranges
    ]
    return "\n".join([*head, *rows, "    </BlockMap>", "</bmap>", ""])


def read_map(path: Path) -> BlockMap:
    """Read a block map file. Raises :class:`ImageError`."""
    try:
        data = path.read_bytes()[: MOST_BYTES + 1]
        if b"<!DOCTYPE" in data or len(data) > MOST_BYTES:
            raise ValueError
        top = ElementTree.fromstring(data)
        found = BlockMap(int(_text(top, "ImageSize")), tuple(_ranges(top)))
        stated = _text(top, "BmapFileChecksum")
        sound = int(_text(top, "BlockSize")) == BLOCK and _fits(found)
    except OSError as error:
        raise ImageError(f"{path}: cannot be read: {error.strerror}") from None
    except (ElementTree.ParseError, ValueError, KeyError):
        raise ImageError(f"{path}: this is not a block map of an image.") from None
    zeroed = data.replace(stated.encode(), b"0" * 64)
    if not sound or hashlib.sha256(zeroed).hexdigest() != stated:
        raise ImageError(f"{path}: the block map is damaged.", "Build or fetch the image again.")
    return found


def _text(top: ElementTree.Element, name: str) -> str:
    found = top.findtext(name)
    if found is None:
        raise ValueError
    return found.strip()


def _ranges(top: ElementTree.Element) -> Iterator[Range]:
    for one in top.iterfind("BlockMap/Range"):
        first, _, last = (one.text or "").strip().partition("-")
        yield Range(int(first), int(last or first), one.attrib["chksum"])


def _fits(found: BlockMap) -> bool:
    """Whether the ranges are in order, apart, and inside the image."""
    at = -1
    for one in found.ranges:
        if not at < one.first <= one.last:
            return False
        at = one.last
    return bool(found.ranges) and at * BLOCK < found.size


def mapped_pieces(found: Sequence[Range], size: int) -> Iterator[tuple[int, int]]:
    """Start and end in bytes of each range, in pieces of at most :data:`CHUNK`."""
    for one in found:
        end = min((one.last + 1) * BLOCK, size)
        for start in range(one.start, end, CHUNK):
            yield start, min(start + CHUNK, end)
