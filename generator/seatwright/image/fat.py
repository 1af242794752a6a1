"""Times in a new FAT file system: mtools takes those of directories and of creation from the clock.

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
