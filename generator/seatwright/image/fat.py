"""What FAT file systems need that mtools do not do: times that are given, and which part is in use.

mtools take the times of directories and of creation from the clock.

Layout: the specification of FAT (fatgen103), sections 3.1, 4 and 6.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

ENTRY = 32
LONG_NAME, DIRECTORY = 0x0F, 0x10
END, DELETED = 0x00, 0xE5
LAST_CLUSTER = 0x0FFFFFF8


def stamp_fat(image: Path, epoch: int) -> None:
    """Give every entry of a FAT32 file system the same times (``epoch`` in seconds, UTC)."""
    moment = datetime.fromtimestamp(epoch, UTC)
    date = (moment.year - 1980) << 9 | moment.month << 5 | moment.day
    time = moment.hour << 11 | moment.minute << 5 | moment.second // 2
    with image.open("r+b") as file:
        for at in list(_entries(file)):
            file.seek(at + 13)
            file.write(struct.pack("<BHHH", 0, time, date, date))  # created, last read
            file.seek(at + 22)
            file.write(struct.pack("<HH", time, date))  # last written


def used_bytes(image: Path) -> int:
    """How many bytes from the beginning of a FAT (of 12, 16 or 32 bits) its files lie in."""
    with image.open("rb") as file:
        sector, per_cluster, reserved, fats, entries, few, _, short = struct.unpack(
            "<HBHBHHBH", _read(file, 11, 13)
        )
        (many,), (long,) = (
            struct.unpack("<I", _read(file, 32, 4)),
            struct.unpack("<I", _read(file, 36, 4)),
        )
        fat_sectors = short or long
        root_sectors = -(-entries * ENTRY // sector)
        data_sectors = (few or many) - reserved - fats * fat_sectors - root_sectors
        clusters = data_sectors // per_cluster
        bits = 12 if clusters < FEWEST[16] else 16 if clusters < FEWEST[32] else 32
        table = _read(file, reserved * sector, (clusters + 2) * bits // 8 + 1)
    last = (len(table.rstrip(b"\0")) * 8 - 1) // bits
    end = reserved + fats * fat_sectors + root_sectors + max(0, last - 1) * per_cluster
    return int(min(end, few or many) * sector)


FEWEST = {16: 4085, 32: 65525}
"""From how many clusters on a FAT has entries of so many bits."""


def _entries(file: BinaryIO) -> Iterator[int]:
    """Where each entry of each directory is, those of long names left out."""
    sector, per_cluster, reserved, fats = struct.unpack("<HBHB", _read(file, 11, 6))
    (fat_sectors,) = struct.unpack("<I", _read(file, 36, 4))
    (root,) = struct.unpack("<I", _read(file, 44, 4))
    table, data = reserved * sector, (reserved + fats * fat_sectors) * sector
    cluster_size = sector * per_cluster
    waiting = [root]
    while waiting:
        cluster = waiting.pop()
        while 2 <= cluster < LAST_CLUSTER:
            start = data + (cluster - 2) * cluster_size
            for at in range(start, start + cluster_size, ENTRY):
                entry = _read(file, at, ENTRY)
                if entry[0] in (END, DELETED) or entry[11] == LONG_NAME:
                    continue
                yield at
                if entry[11] & DIRECTORY and entry[0] != ord("."):
                    high, low = struct.unpack("<H4xH", entry[20:28])
                    waiting.append(high << 16 | low)
            (cluster,) = struct.unpack("<I", _read(file, table + 4 * cluster, 4))
            cluster &= 0x0FFFFFFF


def _read(file: BinaryIO, at: int, length: int) -> bytes:
    file.seek(at)
    return file.read(length)
