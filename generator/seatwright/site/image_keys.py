"""The part of the vocabulary that images need: what they are made of, how a board is known."""

from __future__ import annotations

from seatwright.site.declare import Boolean, Choice, Key, ListOf, Pattern, Record
from seatwright.site.scalars import Mac, Package, Serial, Sha256

IMAGE = Record(
    "what a model's image is made of",
    Key(
        "suite",
        Choice("bookworm", "trixie"),
        "Debian's release.",
        default="bookworm",
        shown_default="bookworm",
    ),
    Key("packages", ListOf(Package), "Debian packages besides those a seat needs.", default=()),
    Key(
        "read-only",
        Boolean(),
        "True where the root is never written: what changes goes to a partition of its own.",
        default=False,
        shown_default="false",
    ),
    Key(
        "file",
        Pattern,
        "An image to begin with, below the site's folder, for boards whose firmware needs its own "
        "boot partition; the suite is then the file's.",
    ),
    Key("sha256", Sha256, "The SHA-256 of that file."),
    needs={"file": ("sha256",), "sha256": ("file",)},
)

BOARD_KEYS = (
    Key("serial", Serial, "Its board's serial number, by which a new card knows it."),
    Key("mac", Mac, "Its network adapter's address, by which a new card knows it."),
)
"""Keys of a seat by which a new card knows whose it is."""
