"""A file that has less room than it says, as a file system of its own: run as a program.

    python -m support.lying_card PLACE BACKING SAYS REAL HOW

``PLACE/card`` says that it has SAYS bytes; REAL are kept in BACKING. What is beyond them ``wraps``
(lands where the card begins again), is ``lost`` (reads as zeros), or ``fails`` (I/O error). A loop
device over it is a block device that lies.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path
from typing import Any

import mfusepy

NAME = "/card"


class LyingCard(mfusepy.Operations):  # type: ignore[misc]
    """One file; see the module's text. Methods: as in the kernel's FUSE protocol."""

    use_ns = True

    def __init__(self, backing: Path, says: int, real: int, how: str) -> None:
        self.backing = os.open(backing, os.O_RDWR)
        self.says, self.real, self.how = says, real, how

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        """See stat(2)."""
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o700, "st_nlink": 2}
        if path != NAME:
            raise mfusepy.FuseOSError(errno.ENOENT)
        return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": self.says}

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        """See pread(2)."""
        return b"".join(
            bytes(length) if at is None else os.pread(self.backing, length, at)
            for at, _, length in self._pieces(offset, size)
        )

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        """See pwrite(2)."""
        for at, start, length in self._pieces(offset, len(data)):
            if at is not None:
                os.pwrite(self.backing, data[start : start + length], at)
        return len(data)

    def _pieces(self, offset: int, size: int) -> list[tuple[int | None, int, int]]:
        """Where bytes really are (None: nowhere), where among those asked for, how many."""
        found: list[tuple[int | None, int, int]] = []
        start = 0
        while start < size:
            at = offset + start
            length = min(size - start, self.real - at % self.real)
            if at >= self.real and self.how == "fails":
                raise mfusepy.FuseOSError(errno.EIO)
            lost = at >= self.real and self.how == "lost"
            found.append((None if lost else at % self.real, start, length))
            start += length
        return found


if __name__ == "__main__":
    place, backing, says, real, how = sys.argv[1:]
    card = LyingCard(Path(backing), int(says), int(real), how)
    mfusepy.FUSE(card, place, foreground=True, direct_io=True)
