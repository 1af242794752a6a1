"""Whether a card has the room that it says: some have less, and lose or fold over what is beyond.

The card's end is marked before the image is written. Beyond its real end such a card keeps nothing,
fails, or begins again at its start (common practice of such cards, no source). So afterwards the
marks must all be there, and none of them anywhere else: a run of them that was folded over, to
wherever, is hit by a look every half of its length, or the image has gone over it.
"""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass

from seatwright.image.filesystem import BLOCK, MIB

SHORTEST, LONGEST = 4 * MIB, 64 * MIB
"""Bytes of a run of marks, where the image leaves as much."""

SHARE = 1024
"""A run is this part of a card, so that there are at most twice as many looks at it."""


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks in every block from ``start`` to ``end`` (bytes); ``key`` begins each of them."""

    key: bytes
    start: int
    end: int

    def block(self, at: int) -> bytes:
        """What the block at a byte is marked with."""
        return (self.key + at.to_bytes(8, "little")) * (BLOCK // (len(self.key) + 8))

    def run(self) -> bytes:
        """All of them."""
        return b"".join(map(self.block, range(self.start, self.end, BLOCK)))


def mark(descriptor: int, size: int, image: int) -> Marks | None:
    """Mark the end of an open card of ``size`` bytes that an image of ``image`` bytes leaves free.

    None where it leaves nothing. Raises OSError.
    """
    end = size // BLOCK * BLOCK
    free = end - -(-image // BLOCK) * BLOCK
    length = min(max(size // SHARE // BLOCK * BLOCK, SHORTEST), LONGEST, free)
    if length <= 0:
        return None
    marks = Marks(secrets.token_bytes(24), end - length, end)
    run, at = memoryview(marks.run()), marks.start
    while run:
        written = os.pwrite(descriptor, run, at)
        run, at = run[written:], at + written
    os.fsync(descriptor)
    return marks


def hold(descriptor: int, marks: Marks) -> bool:
    """Whether the marks are where they were put, and nowhere else. Raises OSError."""
    length = marks.end - marks.start
    if os.pread(descriptor, length, marks.start) != marks.run():
        return False
    step = max(length // 2, SHORTEST // 2)
    return not any(
        os.pread(descriptor, len(marks.key), at) == marks.key for at in range(0, marks.start, step)
    )
